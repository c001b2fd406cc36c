"""The probe on every simulated variant: learns each one unaided, does no harm, and then measures alike."""

from __future__ import annotations

import argparse
import contextlib
import json
import re
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from instruments import dialects, waiting
from instruments.dialects import Completion
from instruments.link import Link
from instruments.probe import Probed, _Asking, probe
from instruments.probing import ending, spellings, traces
from instruments.probing.conversation import Conversation
from instruments.probing.generator import try_on
from instruments.probing.knobs import Knob
from instruments.probing.learnt import Learnt
from instruments.probing.traces import Form
from instruments.probing.values import Sweeper
from instruments.proving import why_not
from instruments.simulated.variants import load_variant, variant_names
from instruments.traces import read_trace
from sequencer import wiring
from sequencer.cli.people import at_the_bench
from sequencer.errors import InstrumentError
from sequencer.learning import with_dialect
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.starters import read_recipe

MAXIMUM_DBM = 0.0
QUICK = "vhf-600k-quick"


class WallClock:
    """The computer's clock."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


@dataclass
class Served:
    """A simulated bench as a process."""

    said: Mapping[str, Any]
    process: subprocess.Popen[str]

    def close(self) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(10.0)
        self.process.stdout.close()


def serve(variant: str, speed: float = 0.0) -> Served:
    command = [sys.executable, "-m", "instruments.simulated", "--variant", variant, "--speed", str(speed)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    return Served(json.loads(process.stdout.readline()), process)


@dataclass
class Learned:
    """A variant, probed and then measured with."""

    variant: str
    done: Probed | None = None
    sent: list[str] = field(default_factory=list)
    thru_after: int = -1  # how much had been sent when the thru was asked for
    record: Any = None
    truth: dict[str, float] = field(default_factory=dict)
    error: BaseException | None = None


def learn_and_measure(variant: str, root: Path) -> Learned:
    learned = Learned(variant)
    bench = serve(variant)
    with ExitStack() as stack:
        stack.callback(bench.close)
        stack.enter_context(contextlib.suppress(Exception))
        stack.push(lambda _kind, exc, _trace: setattr(learned, "error", exc))
        switch = Link.open(bench.said["switch"])
        stack.callback(switch.close)

        def thru() -> bool:
            learned.thru_after = len(learned.sent)
            switch.query("ROUT:CLOS (@1);*ESR?")
            return True

        def note(way: str, data: bytes) -> None:
            if way == ">":
                learned.sent.append(data.decode("ascii"))

        link = Link.open(bench.said["analyzer"], transcript=note)
        stack.callback(link.close)
        # Short patience and sweeps: the simulated bench answers within a millisecond, and sweeps in no time.
        learned.done = probe(link, WallClock(), maximum_dbm=MAXIMUM_DBM, confirm=thru, patience_s=0.02, sweep_s=0.02)
        link.close()
        learned.record = measured(bench.said["bench_file"], learned.done.text, root)
        learned.truth = truths(switch)
    return learned


def measured(bench_file: str, dialect: str, root: Path) -> Any:
    recipe = load_recipe(*read_recipe(QUICK))
    bench = load_bench(with_dialect(bench_file, dialect), "probed bench")
    asked = argparse.Namespace(set=[], yes=True)
    request = wiring.Request(recipe=recipe, bench="", root=root, serial="", conditions={}, labels={})
    record, _ = wiring._take(request, bench, simulated=True, people=at_the_bench(asked, recipe.ports))
    return record


def truths(switch: Link) -> dict[str, float]:
    """True values of the recipe's four requirements, from the simulation itself."""
    recipe = load_recipe(*read_recipe(QUICK))
    found = {}
    for one in recipe.requirements:
        hz = recipe.frequencies[one.at] + np.linspace(-1.0, 1.0, 41) * (one.within_hz or 0.0)
        start, end = one.path  # type: ignore[misc]
        losses = switch.query(f"SIM:TRUT? '{start}','{end}'," + ",".join(f"{value:.1f}" for value in hz))
        found[one.id] = min(float(text) for text in losses.split(","))
    return found


@pytest.fixture(scope="module")
def everyone(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Learned]:
    """Every variant, learned at the same time: most of it is waiting for answers that do not come."""
    with pytest.MonkeyPatch.context() as patch, ThreadPoolExecutor(8) as pool:
        patch.setattr(waiting, "_TIMED_FACTOR", 0.0)  # sweeps cost no wall time here, where nothing tells their end
        patch.setattr(waiting, "_TIMED_MORE_S", 0.001)
        jobs = {name: pool.submit(learn_and_measure, name, tmp_path_factory.mktemp(name)) for name in variant_names()}
        return {name: job.result() for name, job in jobs.items()}


@pytest.fixture(params=variant_names())
def learned(request: pytest.FixtureRequest, everyone: Mapping[str, Learned]) -> Learned:
    one = everyone[request.param]
    if one.error is not None:
        raise one.error
    return one


@pytest.mark.bench
def test_what_was_learnt_is_what_the_variant_can_do(learned: Learned) -> None:
    assert learned.done is not None
    dialect, variant = learned.done.dialect, load_variant(learned.variant)
    assert set(dialect.detectors) == {
        {"average": "power"}.get(kind, kind) for kind in variant.detectors.values() if kind != "peak"
    }
    assert dialect.display_range_db == (
        None if variant.display_range_db is None else pytest.approx(variant.display_range_db, abs=0.6)
    )
    least = variant.generator_least_rbw_hz
    assert least <= dialect.generator_min_rbw_hz <= 3.4 * least  # tried in steps of 1-3-10
    assert dialect.sweep_factor is not None
    if dialect.settings["sweep time"].coupled:
        assert dialect.sweep_factor == pytest.approx(variant.sweep_factor, rel=0.02)  # rounded answers
    else:
        assert dialect.sweep_factor >= variant.sweep_factor  # never faster than it can
    points = dialect.settings["points"]
    assert points.limits == variant.points
    assert points.choices == tuple(float(choice) for choice in variant.points_choices)
    if variant.rbw_steps in {"1-3-10", "1-2-5"}:
        assert {variant.rbw(hz) for hz in dialect.rbw_hz} == set(dialect.rbw_hz)  # no filter that is not there
        assert dialect.rbw_hz[0] == variant.rbw_range_hz[0]
        assert dialect.rbw_hz[-1] == variant.rbw_range_hz[1]
        assert len(dialect.rbw_hz) >= 9
    else:
        assert dialect.rbw_hz == ()
    assert dialect.settings["attenuation"].step == variant.attenuation_db[2]
    assert dialect.trace.swapped == (variant.swapped and dialect.trace.width > 0)


@pytest.mark.bench
def test_the_probe_does_no_harm(learned: Learned) -> None:
    assert learned.done is not None
    dialect, variant = learned.done.dialect, load_variant(learned.variant)
    assert learned.sent[0].endswith(" OFF")  # before anything else
    on = [n for n, sent in enumerate(learned.sent) if re.search(re.escape(dialect.on) + "$", sent)]
    assert learned.thru_after > 0
    assert all(n >= learned.thru_after for n in on)
    header = dialect.settings["attenuation"].set.partition(" ")[0]
    for sent in learned.sent:
        assert not re.search(r"\*TST|\*SAV|\*RCL|(^|:)CAL[:? ]|CALIB|MMEM|MEM:|COMM|GAIN|PREAMP", sent.upper())
        if match := re.fullmatch(re.escape(header) + r" (-?[\d.E+-]+)( DB)?", sent):
            assert float(match[1]) >= 10.0
    level = dialect.settings["generator level"].set.partition(" ")[0]
    levels = [float(m[1]) for sent in learned.sent if (m := re.match(re.escape(level) + r" (-?[\d.]+)", sent))]
    assert max(levels) <= MAXIMUM_DBM
    last_before_on = [n for n in range(on[0]) if re.match(re.escape(level) + r" -?\d", learned.sent[n])][-1]
    assert float(learned.sent[last_before_on].split()[1]) == variant.generator_dbm[0]


@pytest.mark.bench
def test_it_then_measures_the_same_device_to_the_same_values(learned: Learned) -> None:
    assert len(learned.record.results) == 4
    for result in learned.record.results:
        low, high = result.interval
        assert low <= learned.truth[result.id] <= high, (result.id, result.value)
        assert high - low < 6.0  # so wide that it says nothing would be no measurement


@pytest.mark.bench
def test_the_dialect_names_only_what_a_person_can_correct(learned: Learned) -> None:
    assert learned.done is not None
    braces = set(re.findall(r"\{[^{}\s,]*\}", learned.done.text))
    assert braces <= {"{value}"}
    assert dialects.parse(learned.done.text, "again").settings == learned.done.dialect.settings


# --- how the end of a sweep is seen -------------------------------------------------------------------


@pytest.fixture
def at_speed(request: pytest.FixtureRequest) -> Iterator[tuple[Conversation, Any]]:
    """A conversation with a variant that sweeps in wall time, its trace readable, set up by hand."""
    variant, speed, setup, form = request.param
    bench = serve(variant, speed)
    link = Link.open(bench.said["analyzer"])
    talk = Conversation(link, patience_s=0.1)
    talk.identification = link.query("*IDN?")
    talk.styles = (spellings.SHORT,)
    talk.errors_ask = "SYST:ERR?"
    for command in setup:
        assert talk.order(command), command
    yield talk, lambda: traces.read(talk, form, 2.0)
    link.close()
    bench.close()


SETUP = ("INIT:CONT OFF", "FREQ:STAR 100000000", "FREQ:STOP 200000000", "BAND 300000", "DET SAMP", "SWE:POIN 401")
ECHO = (*SETUP, "AVER OFF", "DISP:WIND1:TRAC1:Y:RLEV -50", "FORM ASC")
DEAF = (*SETUP, "POW:REF -50", "FORM ASC")


@pytest.mark.bench
@pytest.mark.parametrize(
    "at_speed",
    [pytest.param(("hasty-echo", 4.0, (*ECHO, "SWE:TIME 2"), Form("TRAC1? TRACE1")), id="2s")],
    indirect=True,
)
def test_operation_complete_that_comes_too_early_is_not_believed(at_speed: Any) -> None:
    talk, read = at_speed
    end = ending.learn_ending(talk, "INIT", read, 0.5, one_message=True)
    assert (end.completion.ask, end.completion.bit, end.completion.done) == ("STAT:OPER:COND?", 3, False)
    assert "*OPC did so too early" in end.note


@pytest.mark.bench
@pytest.mark.parametrize(
    "at_speed",
    [pytest.param(("waits-inside", 1.0, (*DEAF, "SWE:TIME 0.4"), Form("TRAC:DATA? A")), id="0.4s")],
    indirect=True,
)
def test_an_instrument_that_is_deaf_while_it_sweeps_is_waited_for(at_speed: Any) -> None:
    talk, read = at_speed
    end = ending.learn_ending(talk, "INIT", read, 0.4, one_message=True)
    assert end.completion == Completion(ask="*ESR?", with_opc=False, blocks=True)


# --- dialects that do not fit -----------------------------------------------------------------------------


@pytest.mark.bench
@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        pytest.param("display range: 100 dB", "one message: yes", "the display ends at", id="bottom-unsaid"),
        pytest.param("display range: 100 dB", "display range: 120 dB", "the display ends at", id="bottom-wrong"),
        pytest.param("30 kHz, 100 kHz", "100 kHz", "a filter of 30000 Hz", id="filter-unlisted"),
        pytest.param("TRAC? 1", "TRAC? 2", "no answer", id="trace-name"),
        pytest.param("", "", "", id="fits"),
    ],
)
def test_a_dialect_is_believed_only_after_it_was_used(old: str, new: str, why: str) -> None:
    text = (Path(dialects.__file__).parent / "fixed-ascii.yaml").read_text()
    bench = serve("fixed-ascii")
    link = Link.open(bench.said["analyzer"], timeout_s=0.5)
    said = why_not(link, dialects.parse(text.replace(old, new, 1), "x.yaml"), WallClock())
    link.close()
    bench.close()
    assert (said == "") if not why else (why in said)


# --- talking to the unknown -------------------------------------------------------------------------------


@pytest.mark.parametrize("style", [spellings.SHORT, spellings.LONG])
def test_no_spelling_is_one_that_must_never_be_sent(style: str, toy: Any) -> None:
    talk = Conversation(Link.open(toy.resource))
    for function in spellings._table():
        if function not in {"trace name", "format words", "text words", "detector words"}:
            for header in spellings.headers(function, style):
                talk._check(f"{header}?")
                talk._check(f"{header} 1")
    talk.link.close()


@pytest.mark.parametrize(
    "command",
    [
        "*TST?",
        "*SAV 1",
        "*RCL 1",
        "CAL:ALL",
        ":CALIBRATION?",
        "MMEM:LOAD 'x'",
        "SYST:COMM:LAN:ADDR?",
        "INP:GAIN:STAT ON",
        "SYST:PRE:AMP",
    ][:8],
)
def test_whatever_spelling_files_say_some_things_are_never_sent(command: str, toy: Any) -> None:
    talk = Conversation(Link.open(toy.resource))
    with pytest.raises(InstrumentError, match="must never send"):
        talk.order(command)
    assert toy.received == []
    talk.link.close()


def test_an_instrument_that_hangs_on_an_unknown_question_is_asked_on(toy: Any) -> None:
    hung: set[int] = set()

    def message(line: str) -> bytes | None:
        if toy.connections in hung:
            return None
        if line in {"*IDN?", "SWE:TIME?"}:
            return b"0.5\n" if line == "SWE:TIME?" else b"Invented,Toy,0,1\n"
        hung.add(toy.connections)
        return None

    toy.otherwise = message
    talk = Conversation(Link.open(toy.resource), patience_s=0.05)
    talk.identification = "Invented,Toy,0,1"
    assert talk.ask("SWE:DUR?") is None
    assert talk.hangs
    assert talk.number("SWE:TIME?") == 0.5
    assert toy.connections == 2
    talk.link.close()


def test_a_late_answer_is_not_taken_for_another(toy: Any) -> None:
    def message(line: str) -> Any:
        if line == "*IDN?":
            return b"Invented,Toy,0,1\n"

        def late(peer: Any, _line: str) -> None:
            time.sleep(0.15)
            peer.sendall(b"0.5\n")

        return late

    toy.otherwise = message
    talk = Conversation(Link.open(toy.resource), patience_s=0.05)
    talk.identification = "Invented,Toy,0,1"
    assert talk.number("SWE:TIME?") in {0.5, None}
    assert talk.ask("*IDN?") == "Invented,Toy,0,1"
    # now it is known to be slow; on a loaded machine it may take it another question to wait long enough
    assert 0.5 in [talk.number("SWE:TIME?") for _ in range(3)]
    talk.link.close()


def test_the_whole_time_is_bounded(toy: Any) -> None:
    toy.otherwise = lambda line: b"Invented,Toy,0,1\n" if line == "*IDN?" else None
    link = Link.open(toy.resource)
    began = time.monotonic()
    with pytest.raises(InstrumentError, match=r"not learnt within 1 s|no spelling was found"):
        probe(link, WallClock(), maximum_dbm=0.0, patience_s=0.05, within_s=1.0)
    assert time.monotonic() - began < 4.0
    link.close()


def test_the_generator_is_turned_off_though_the_time_is_up(toy: Any) -> None:
    toy.otherwise = lambda line: b"0\n" if line == "OUTP?" else b"Invented,Toy,0,1\n" if line == "*IDN?" else None
    talk = Conversation(Link.open(toy.resource), patience_s=0.05, within_s=-1.0)
    learnt = Learnt(on="OUTP ON", off="OUTP OFF", output="OUTP?")
    learnt.settings["generator level"] = Knob("SOUR:POW?", "SOUR:POW {value}", limits=(-30.0, 0.0))
    with pytest.raises(InstrumentError, match="not learnt within"):
        try_on(Sweeper(talk, learnt, lambda: None))
    assert toy.received[-2:] == ["OUTP OFF", "OUTP?"]
    talk.link.close()


def test_what_was_not_found_is_told_and_left_to_be_written(toy: Any) -> None:
    toy.otherwise = lambda line: b"Invented,Toy,0,1\n" if line == "*IDN?" else None
    link = Link.open(toy.resource)
    with pytest.raises(InstrumentError) as caught:
        probe(link, WallClock(), maximum_dbm=0.0, patience_s=0.01, within_s=60.0)
    assert "generator" in caught.value.message
    text = str(caught.value.facts["text"])
    assert "NOT FOUND. Write: sweep" in text
    assert "bit: 3, done: no" in text  # where *OPC comes too early
    assert re.search(r"NOT FOUND. Write: sweep time: .*coupled:", text)
    link.close()


@pytest.mark.parametrize(
    "command",
    [
        "*TST?",
        "*CAL?",
        "*SAV 1",
        "*RCL 1",
        "SYST:COMM:LAN:ADDR?",
        "CAL:ALL",
        "MMEM:STOR:TRAC 1",
        "INP:GAIN:STAT ON",
        "PREAMP ON",
    ],
)
def test_what_could_do_harm_is_never_sent(toy: Any, command: str) -> None:
    talk = Conversation(Link.open(toy.resource), patience_s=0.05)
    for send in (talk.order, talk.ask):
        with pytest.raises(InstrumentError, match="never send"):
            send(command)
    assert toy.received == []


def test_a_number_learnt_on_one_function_is_tried_first_on_the_others(toy: Any) -> None:
    talk = Conversation(Link.open(toy.resource))
    assert next(iter(talk.headers("trace"))) == "TRAC"
    assert all("1" not in header for header in list(talk.headers("reference"))[:3])
    talk.understood("SENS1:FREQ:STAR?")
    assert next(iter(talk.headers("rbw"))) == "BAND"
    rbw = list(talk.headers("rbw"))
    assert rbw.index("SENS1:BAND") < rbw.index("SENS:BAND")
    tried = list(talk.headers("reference"))
    assert "DISP1:WIND1:TRAC1:Y:SCAL:RLEV" in tried  # every node that may carry a number, once one is known to want it
    assert len(tried) == len(set(tried)) < 2000


def test_a_port_that_greets_is_told_from_one_that_is_silent(toy: Any) -> None:
    count = iter(range(100))
    toy.otherwise = lambda text: f"Welcome, visitor {next(count)}\n".encode() if text == "*IDN?" else None
    with pytest.raises(InstrumentError, match=r"never twice alike to \*IDN\?: 'Welcome, visitor 0'.* is for people"):
        probe(Link.open(toy.resource), WallClock(), maximum_dbm=0.0, patience_s=0.05, within_s=20.0)


def test_a_trace_that_takes_its_time_is_waited_for(toy: Any) -> None:
    toy.answers |= {"*IDN?": b"Invented,1,2,3\n", "SYST:ERR?": b'0,"No error"\n'}
    toy.answers["TRAC? TRACE1"] = lambda peer, _line: (time.sleep(1.0), peer.sendall(b"-20.5,-20.6\n"))
    talk = Conversation(Link.open(toy.resource), patience_s=0.1)
    talk.errors_ask, talk.identification = "SYST:ERR?", "Invented,1,2,3"
    assert talk.trace("TRAC? TRACE1", 0.3) == "-20.5,-20.6"
    assert 1.0 <= talk.slowest_trace_s < 2.0


def test_who_needs_full_words_and_every_node_is_known_by_the_first_question(toy: Any) -> None:
    toy.answers |= {"*IDN?": b"Invented,1,2,3\n", "SENSE:FREQUENCY:START?": b"1E8\n"}
    asking = _Asking(Conversation(Link.open(toy.resource), patience_s=0.02), Learnt(), 0.0, 0.1)
    asking._style()
    assert asking.talk.styles[0] == spellings.LONG


@pytest.mark.parametrize(
    ("raw", "word"),
    [
        ("-20.5,-30.0", "text"),
        ("1.46E8,-20.5,1.461E8,-30.0", "pairs"),
        (np.array([-20.5, -30.0], ">f4").tobytes(), "real32"),
        (np.array([-20500, -30000], ">i4").tobytes(), "int32"),
        (np.array([-20500, -30000], "<i4").tobytes(), "int32"),
    ],
)
def test_a_trace_is_known_by_what_it_holds_and_read_alike_by_the_dialect(toy: Any, raw: bytes | str, word: str) -> None:
    form = next(traces.decode(raw, 2, "TRAC?"))
    assert form.word == word
    toy.answers["TRAC?"] = raw.encode() + b"\n" if isinstance(raw, str) else b"#18" + raw + b"\n"
    link = Link.open(toy.resource)
    of_probe = traces.read(Conversation(link), form, 1.0)
    order = f", order: {'swapped' if form.swapped else 'normal'}" if form.width else ""
    text = (Path(dialects.__file__).parent / "free-binary.yaml").read_text(encoding="utf-8")
    text = re.sub("(?m)^trace: .*$", f'trace: {{ask: "TRAC?", format: {form.word}{order}}}', text)
    in_use = read_trace(link, dialects.parse(text, "x.yaml").trace, 2)
    link.close()
    assert of_probe == pytest.approx([-20.5, -30.0])
    assert in_use == pytest.approx([-20.5, -30.0])


def test_a_trace_in_a_form_nobody_knows_is_told_with_what_came(toy: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Conversation, "headers", lambda _self, _function: iter(["TRAC"]))  # each silence is waited for
    toy.otherwise = lambda text: b"1.461E8,-20.5,1.46E8,-20.6\n" if text == "TRAC? TRACE1" else None
    talk = Conversation(Link.open(toy.resource, timeout_s=0.1), patience_s=0.02)
    assert traces.find_query(talk, 2, 0.05) is None
    assert talk.odd == [
        "TRAC? TRACE1 answered 4 values that begin '1.461E8,-20.5,1.46E8,-20.6': "
        "no trace of 2 levels in any form known here"
    ]
