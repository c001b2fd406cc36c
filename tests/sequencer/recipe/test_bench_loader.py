"""Bench files: what the text becomes, and what is refused with which words."""

from __future__ import annotations

import pytest

from sequencer.errors import RecipeError
from sequencer.recipe.bench_loader import load_bench, refuse_overdrive
from sequencer.recipe.model import AnalyzerFile, Bench, Figure, KitItem, Pad, Specifications, SwitchLoss


def limit(value: float) -> Figure:
    return Figure(limit=value)


def test_the_designs_bench(bench_text: str) -> None:
    bench = load_bench(bench_text, "bench.yaml")
    assert bench.analyzer == AnalyzerFile(
        resource="TCPIP::192.0.2.10::5025::SOCKET", vswr=limit(1.5), maximum_input_dbm=20.0
    )
    assert (bench.generator_level_dbm, bench.generator_vswr) == (0.0, limit(1.6))
    assert bench.bridge is not None
    assert (bench.bridge.directivity_db, bench.bridge.test_port_vswr) == (limit(36.0), limit(1.12))
    assert bench.generator_pad == Pad(loss_db=10.0, vswr=limit(1.15))
    assert bench.analyzer_pad == Pad(loss_db=6.0, vswr=limit(1.15))
    assert bench.specifications == Specifications(
        scale_per_db=limit(0.02),
        scale_over_range_db=limit(0.3),
        attenuator_switching_db=limit(0.3),
        drift_db_per_h=limit(0.1),
        frequency_reference_ppm=limit(2.0),
        frequency_span_percent=limit(1.0),
    )
    assert bench.kit == ()
    assert bench.switch is not None
    assert bench.switch.hookups == {"thru": "ROUT:CLOS (@1)", "floor": "ROUT:CLOS (@2)", "TX-ANT": "ROUT:CLOS (@3)"}
    assert (bench.source, bench.text, len(bench.sha256)) == ("bench.yaml", bench_text, 64)


def test_every_other_key(full_bench_text: str) -> None:
    bench = load_bench(full_bench_text, "bench.yaml")
    assert bench.analyzer.vswr == Figure(typical=1.3, limit=1.5)
    assert bench.analyzer.calibrated == "2025-03-14"
    assert bench.generator_vswr == Figure(measured=1.4)
    assert bench.bridge is not None
    assert (bench.bridge.loss_db, bench.bridge.id) == (12.5, "B-7")
    assert bench.bridge.test_port_vswr == limit(1.2)
    assert bench.bridge.calibrated == "2024-11-02, certificate 4711"
    assert bench.generator_pad == Pad(loss_db=10.03, vswr=limit(1.15), id="pad 3")
    assert bench.analyzer_pad is None
    assert bench.specifications == Specifications(
        reference_switching_db=limit(0.2),
        rbw_switching_db=Figure(typical=0.05, limit=0.1),
        connection_db=limit(0.03),
        load_vswr=limit(1.06),
    )
    assert bench.kit == (
        KitItem(id="lead G", what="lead", ends=("N plug", "N plug"), loss_db=limit(0.4), vswr=limit(1.1)),
        KitItem(id="load 1", what="load", ends=("N plug",), vswr=limit(1.05), calibrated="2025-01-09"),
        KitItem(id="step 20", what="standard", ends=("N plug", "N socket"), value_db=20.04, u_db=0.03),
    )
    assert bench.switch is not None
    assert bench.switch.settling_s == 0.02
    assert bench.switch.hookups == {"reflect-TX": "ROUT:CLOS (@1,2)"}


def test_a_switch_states_losses_and_how_it_is_read_back() -> None:
    text = """bench: 1
analyzer: {resource: A, baud: 19200}
switch:
  resource: S
  baud: 57600
  read back: "ROUT:CLOS:STAT?"
  hookups: {thru: "C (@1)", TX-ANT: "C (@2)", thru ANT-RX: "C (@3)", ANT-RX: "C (@4)", reflect-TX: "C (@5)"}
  losses:
    TX-ANT: {loss: 0.42 dB, uncertainty: 0.05 dB, date: 2026-05-01 certificate 12}
    reflect-TX: {loss: -0.1 dB, uncertainty: 0 dB, date: 2026-05-01}
"""
    bench = load_bench(text, "bench.yaml")
    switch = bench.switch
    assert switch is not None
    assert (bench.analyzer.baud, switch.baud) == (19200, 57600)
    assert switch.read_back == "ROUT:CLOS:STAT?"
    assert switch.hookups["thru ANT-RX"] == "C (@3)"
    assert switch.losses == {
        "TX-ANT": SwitchLoss(loss_db=0.42, u_db=0.05, date="2026-05-01 certificate 12"),
        "reflect-TX": SwitchLoss(loss_db=-0.1, u_db=0.0, date="2026-05-01"),
    }


def test_only_the_resource_is_needed() -> None:
    bench = load_bench('bench: 1\nanalyzer: {resource: "USB0::1::2::INSTR"}\n', "bench.yaml")
    assert bench == Bench(
        analyzer=AnalyzerFile(resource="USB0::1::2::INSTR"),
        source="bench.yaml",
        text=bench.text,
        sha256=bench.sha256,
    )


LOAD = "kit: {load 1: {what: load, %s}}"
WRONG = [
    pytest.param("bench: 1", "bench: 9", 1, "bench", "allowed: 1", id="newer-version"),
    pytest.param('resource: "TCPIP::192.0.2.10::5025::SOCKET"\n  ', "", 3, "analyzer", "'resource' is missing",
                 id="no-resource"),
    pytest.param("dialect: auto", "dialect: ../x", 5, "analyzer.dialect", "small letters", id="dialect-escapes"),
    pytest.param("vswr: {limit: 1.5}", "vswr: 0.9", 6, "analyzer.vswr", "at least 1", id="vswr-below-one"),
    pytest.param("vswr: {limit: 1.5}", "vswr: 1e6", 6, "analyzer.vswr", "at most 1000", id="vswr-of-a-slip"),
    pytest.param("drift: 0.1 dB/h", "drift: 1e9 dB/h", 14, "specifications.drift", "at most 200", id="drift-slip"),
    pytest.param("vswr: {limit: 1.5}", "vswr: 1.5 dB", 6, "analyzer.vswr", "is not a unit of VSWR", id="vswr-in-db"),
    pytest.param("vswr: {limit: 1.5}", "vswr: {}", 6, "analyzer.vswr", "a figure is missing", id="empty-figure"),
    pytest.param("vswr: {limit: 1.5}", "vswr: {typical: 3, limit: 1.5}", 6, "analyzer.vswr.typical",
                 "worse than the limit", id="typical-beyond-limit"),
    pytest.param("vswr: {limit: 1.5}", "vswr: {measured: 1.6, limit: 1.5}", 6, "analyzer.vswr.measured",
                 "leave out the limit", id="measured-beyond-limit"),
    pytest.param("directivity: 36 dB", "directivity: {typical: 30 dB, limit: 36 dB}", 9, "bridge.directivity.typical",
                 "worse than the limit", id="directivity-below-its-limit"),
    pytest.param("hookups:", "losses: {TX-ANT: {loss: -10 dB, uncertainty: 0.1 dB, date: 2026-05-01}}\n  hookups:", 19,
                 "switch.losses.TX-ANT.loss", "-3 dB", id="a-way-that-gains"),
    pytest.param("hookups:", "losses: {TX-ANT: {loss: 9 dB, uncertainty: 0.1 dB, date: 2026-05-01}}\n  hookups:", 19,
                 "switch.losses.TX-ANT.loss", "6 dB", id="a-way-that-loses-too-much"),
    pytest.param("vswr: {limit: 1.5}", "vswr: {limt: 1.5}", 6, "analyzer.vswr.limt", "did you mean 'limit'?",
                 id="figure-typo"),
    pytest.param("dialect: auto", "baud: fast", 5, "analyzer.baud", "whole number", id="no-rate"),
    pytest.param("maximum input", "max input", 7, "analyzer.max input", "did you mean 'maximum input'?", id="key-typo"),
    pytest.param("20 dBm", "20 dB", 7, "analyzer.maximum input", "allowed: dBm", id="db-for-dbm"),
    pytest.param("directivity: 36 dB", "directivity: -36 dB", 9, "bridge.directivity", "above 0 dB",
                 id="negative-directivity"),
    pytest.param("directivity: 36 dB, ", "", 9, "bridge", "'directivity' is missing", id="no-directivity"),
    pytest.param("loss: 10 dB", "los: 10 dB", 10, "pads.generator.los", "did you mean 'loss'?", id="pad-typo"),
    pytest.param("0.02 dB/dB", "0.02 dB", 12, "specifications.scale.per dB", "allowed: dB/dB", id="scale-unit"),
    pytest.param("0.1 dB/h", "0.1 dB", 14, "specifications.drift", "allowed: dB/h", id="drift-unit"),
    pytest.param("span: 1 %", "span: 1", 15, "specifications.frequency.span", "'1 %'", id="span-unit"),
    pytest.param("kit: {}", LOAD.replace("load,", "lod,") % "vswr: 1.1", 16, "kit.load 1.what", "did you mean 'load'?",
                 id="kit-what"),
    pytest.param("kit: {}", LOAD % "ends: [N plug, N plug]", 16, "kit.load 1.ends", "a load has 1",
                 id="load-with-two-ends"),
    pytest.param("kit: {}", LOAD % "ends: N", 16, "kit.load 1.ends", "'N plug'", id="end-without-sex"),
    pytest.param("kit: {}", LOAD % "calibrated: 2025-02-30", 16, "kit.load 1.calibrated", "calendar", id="no-such-day"),
    pytest.param("kit: {}", LOAD % "calibrated: last year", 16, "kit.load 1.calibrated", "2025-03-14", id="no-date"),
    pytest.param("kit: {}", LOAD % "uncertainty: 1 dB", 16, "kit.load 1.uncertainty", "needs the value", id="u-alone"),
    pytest.param("kit: {}", "kit: {<x>: {what: load}}", 16, "kit.<x>", "is not an item's id", id="kit-id"),
    pytest.param("thru:", "through:", 20, "switch.hookups.through", "reflect-open", id="hookup-name"),
    pytest.param("TX-ANT:", "TX-TX:", 22, "switch.hookups.TX-TX", "to itself", id="hookup-to-itself"),
    pytest.param('"ROUT:CLOS (@1)"', '"ROUT:CLOS\\n(@1)"', 20, "switch.hookups.thru", "on one line",
                 id="command-newline"),
    pytest.param("hookups:", "losses: {TX-RX: {loss: 0.4 dB, uncertainty: 0.1 dB, date: 2026-05-01}}\n  hookups:", 19,
                 "switch.losses.TX-RX", "has no 'TX-RX'", id="loss-of-no-hookup"),
    pytest.param("hookups:", "losses: {TX-ANT: {loss: 0.4 dB, uncertainty: 0.1 dB, date: 2026-13-01}}\n  hookups:", 19,
                 "switch.losses.TX-ANT.date", "calendar", id="loss-without-a-day"),
    pytest.param("hookups:", "losses: {TX-ANT: {loss: 0.4 dB, date: 2026-05-01}}\n  hookups:", 19,
                 "switch.losses.TX-ANT", "'uncertainty' is missing", id="loss-without-uncertainty"),
    pytest.param("hookups:", "read back: ROUT:CLOS\n  hookups:", 19, "switch.read back", "'?'",
                 id="read-back-asks-not"),
    pytest.param('"ROUT:CLOS (@3)"', '"PATH 3"\n  read back: "ROUT:CLOS:STAT?"', 22, "switch.hookups.TX-ANT",
                 "names no channels", id="nothing-to-compare"),
    pytest.param('TX-ANT: "ROUT:CLOS (@3)"', 'TX-ANT: "X"\n    thru TX-ANT: "Y"\n  losses: {TX-ANT: {loss: 0.4 dB, '
                 'uncertainty: 0.1 dB, date: 2026-05-01}}', 24, "switch.losses.TX-ANT", "leave out one",
                 id="loss-twice"),
]  # fmt: skip


@pytest.mark.parametrize(("right", "wrong", "line", "key", "words"), WRONG)
def test_one_typo_gives_one_error(right: str, wrong: str, line: int, key: str, words: str, bench_text: str) -> None:
    assert right in bench_text
    with pytest.raises(RecipeError) as caught:
        load_bench(bench_text.replace(right, wrong, 1), "b.yaml")
    message = str(caught.value)
    assert message.count("\n") == 0, message
    assert message.startswith(f"b.yaml:{line}: {key}: ")
    assert words in message


def test_a_figure_better_than_its_limit_is_no_contradiction(bench_text: str) -> None:
    for figure in ("{typical: 1.3, limit: 1.5}", "{measured: 1.1, limit: 1.5}", "{measured: 1.5, limit: 1.5}"):
        load_bench(bench_text.replace("vswr: {limit: 1.5}", f"vswr: {figure}", 1), "bench.yaml")
    text = bench_text.replace("directivity: 36 dB", "directivity: {typical: 42 dB, limit: 36 dB}")
    assert load_bench(text, "bench.yaml").bridge.directivity_db.typical == 42.0  # of a directivity more is better


HOT = """\
bench: 1
analyzer:
  resource: "TCPIP::127.0.0.1::9::SOCKET"
  dialect: free-binary
  maximum input: 0 dBm
generator: {level: 13 dBm}
pads: {generator: {loss: 6 dB}, analyzer: {loss: 6 dB}}
"""


def test_a_level_that_joined_leads_bring_above_the_maximum_input_is_refused() -> None:
    with pytest.raises(RecipeError) as caught:
        refuse_overdrive(load_bench(HOT, "hot.yaml"))
    assert caught.value.message.startswith("hot.yaml:6: generator.level: 13 dBm less 12 dB of pads bring 1 dBm to ")
    assert "state at most 12 dBm, or fit and state pads that lose 1 dB more" in caught.value.message
    refuse_overdrive(load_bench(HOT.replace("13 dBm", "12 dBm"), "hot.yaml"))
    refuse_overdrive(load_bench(HOT.replace("  maximum input: 0 dBm\n", ""), "hot.yaml"))
    with pytest.raises(RecipeError, match="without pads bring 12 dBm"):
        refuse_overdrive(load_bench(HOT.replace("13 dBm", "12 dBm").partition("pads")[0], "hot.yaml"))


@pytest.mark.parametrize(
    ("resource", "meant"),
    [
        ("192.0.2.10:5025", "write 'TCPIP::192.0.2.10::5025::SOCKET'"),
        ("analyzer.example:5025", "write 'TCPIP::analyzer.example::5025::SOCKET'"),
        ("192.0.2.10", "write 'TCPIP::192.0.2.10::5025::SOCKET' (with its port), or 'TCPIP::192.0.2.10::INSTR'"),
    ],
)
@pytest.mark.parametrize("where", ["analyzer", "switch"])
def test_an_address_alone_is_refused_with_the_resource_name_that_is_meant(resource, meant, where) -> None:
    named = {"analyzer": "TCPIP::192.0.2.1::5025::SOCKET", "switch": "GPIB0::18::INSTR"} | {where: resource}
    text = "bench: 1\n" + "".join(f'{what}:\n  resource: "{name}"\n' for what, name in named.items())
    with pytest.raises(RecipeError) as caught:
        load_bench(text + "  hookups: {thru: X}\n", "b.yaml")
    assert meant in caught.value.message
    assert f"{where}.resource" in caught.value.message


@pytest.mark.parametrize("resource", ["ASRL3::INSTR", "ASRL/dev/ttyS0::INSTR", "USB0::1::2::INSTR", "the-analyzer"])
def test_other_resource_names_are_left_to_the_bus(resource) -> None:
    assert load_bench(f'bench: 1\nanalyzer: {{resource: "{resource}"}}\n', "b").analyzer.resource == resource
