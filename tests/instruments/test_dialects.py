"""Dialect files: the shipped ones hold together, a wrong one is refused with its line, `auto` asks."""

from __future__ import annotations

import re
import textwrap
import time
from pathlib import Path
from typing import Any

import pytest

from instruments import dialects, scpi
from instruments.dialects import loader
from instruments.link import Link
from sequencer.cli.main import main
from sequencer.core.trace import Detector, Flag
from sequencer.errors import InstrumentError, RecipeError
from sequencer.recipe.schema import bench_schema
from sequencer.run.predict import TYPICAL

SHIPPED = dialects.names()
GUESSED = [name for name in SHIPPED if name != "scpi99-text"]  # which says too little to be taken unasked
TEXT = Path(loader.__file__).with_name("free-binary.yaml").read_text(encoding="utf-8")


def test_there_are_dialects() -> None:
    assert len(SHIPPED) >= 4


def test_readme_holds_every_key_of_a_dialect() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    text = readme.partition("**A dialect by hand.**")[2].partition("```yaml\n")[2].partition("```")[0]
    assert dialects.parse(text, "README.md").name == "mine"
    written = set(re.findall(r"[\w ]*\w(?=\"?: )|[\w ]*\w(?=\"?:$)", text, re.MULTILINE))
    source = Path(loader.__file__).read_text(encoding="utf-8")
    inner = {word for keys in re.findall(r"only\(\{([^}]*)\}\)", source) for word in re.findall(r'"([^"]+)"', keys)}
    known = loader._KEYS.union(inner, *loader._INNER.values(), Flag)
    elsewhere = {"generator level"}  # stands under generator, as level
    assert {str(key) for key in known} - elsewhere <= {word.strip() for word in written}
    described = bench_schema()["properties"]["analyzer"]["properties"]["dialect"]["description"]
    assert all(key in described for key in loader._KEYS)


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_dialect_holds_together(name: str) -> None:
    dialect = dialects.load(name)
    assert dialect.name == name
    assert dialect.begin[0] == dialect.off
    assert "*RST" not in dialect.begin or dialect.off in dialect.begin[dialect.begin.index("*RST") + 1 :]
    assert any(command.startswith("INIT:CONT OFF") for command in dialect.begin)
    assert all(query.split(" ")[0].endswith("?") for query in (*dialect.identify, *dialect.status, dialect.output))
    assert set(dialects.SETTINGS) - {"vbw"} <= dialect.settings.keys()
    assert Detector.SAMPLE in dialect.detectors
    for setting in dialect.settings.values():
        assert setting.ask.endswith("?")
        if setting.set:
            assert scpi.fill(setting.set, {"value": 1.0}).startswith(setting.ask.removesuffix("?"))


def test_the_dialect_that_asks_most_is_not_shadowed_by_one_that_asks_less() -> None:
    """Two dialects with the same questions could not be told apart."""
    asked = [frozenset(dialects.load(name).identify) for name in SHIPPED]
    assert len(set(asked)) == len(asked)


# --- wrong files ---

WRONG = [
    pytest.param("dialect: 1", "dialect: 2", r"x\.yaml:2: dialect: version '2' is not known", id="newer-version"),
    pytest.param("dialect: 1\n", "", "'dialect' is missing", id="no-version"),
    pytest.param("about:", "abuot:", r"x\.yaml:4: abuot: unknown key; did you mean 'about'", id="typo"),
    pytest.param("errors: SYST:ERR?", "errors: SYST:ERR?\nerrors: X?", "errors: the key stands twice", id="twice"),
    pytest.param("BAND {value}", "BAND {v.__class__}", "only {name}", id="attribute-look-up"),
    pytest.param("BAND {value}", "BAND {hz}", "{value} expected", id="other-name"),
    pytest.param("BAND {value}", "BAND 3000", "{value} expected", id="no-name"),
    pytest.param('"BAND?"', '"BAND?;*RST"', "without ';'", id="two-commands"),
    pytest.param("begin:  #", "begin:\n  - '*RST'  #", "session must be 'OUTP OFF'", id="reset-first"),
    pytest.param("step: 5 dB", "step: 5 kHz", "settings.attenuation.step", id="wrong-unit"),
    pytest.param("step: 5 dB", "limits: [50 dB, 0 dB]", "the least comes first", id="limits-reversed"),
    pytest.param("step: 5 dB", "limits: [50 dB]", "two quantities expected", id="one-limit"),
    pytest.param("order: swapped", "order: sideways", "normal or swapped", id="order"),
    pytest.param("order: swapped", "order: swapped, length: 7", "only 'unstated'", id="length"),
    pytest.param(
        "format: real32, order: swapped", "format: text, length: unstated", "only for real32", id="text-length"
    ),
    pytest.param(
        "format: real32", "format: real16", "'real16' is not one of text, pairs, real32, real64, int32", id="format"
    ),
    pytest.param("overload: 9", "overload: 16", "not a bit number", id="bit"),
    pytest.param(", power: RMS, sample: SAMP", "", "none of power and sample", id="no-detector"),
    pytest.param("power: RMS,", 'power: "RMS;OUTP ON",', "one word for each of power and sample", id="detector-word"),
    pytest.param("  ask: OUTP?\n", "", "missing: generator.ask", id="no-proof-of-off"),
    pytest.param("reference:", "refrence:", "did you mean 'reference'", id="setting-typo"),
    pytest.param(', coupled: "SWE:TIME:AUTO ON"', "", "'coupled' is missing", id="no-coupling"),
    pytest.param("settings:", "settings: [", "not YAML", id="not-yaml"),
    pytest.param(TEXT, "- a list", "starts with 'dialect: 1'", id="a-list"),
    pytest.param("errors: SYST:ERR?", "errors: [a]", "errors: one text expected", id="list-for-text"),
    pytest.param("errors: SYST:ERR?", "errors: SYST:ERR?\none message: maybe", "yes or no", id="boolean"),
    pytest.param("errors: SYST:ERR?", "errors: X?\nrbw filters: [3 kHz, 1 kHz]", "narrowest", id="filters"),
]


@pytest.mark.parametrize(("old", "new", "says"), WRONG)
def test_a_wrong_dialect_is_refused_with_its_line(old: str, new: str, says: str) -> None:
    assert old in TEXT
    with pytest.raises(RecipeError, match=says) as caught:
        loader.parse(TEXT.replace(old, new, 1), "x.yaml")
    assert caught.value.message.startswith("x.yaml")
    assert caught.value.exit_code == 2


def test_a_dialect_of_ones_own_is_loaded_by_path(tmp_path: Path) -> None:
    mine = tmp_path / "mine.yaml"
    mine.write_text(TEXT.replace("name: free-binary", "name: mine"), encoding="utf-8")
    assert dialects.load(str(mine)).name == "mine"
    with pytest.raises(RecipeError, match="cannot be read"):
        dialects.load(str(tmp_path / "other.yaml"))
    mine.write_bytes(b"\xff\xfe")
    with pytest.raises(RecipeError, match="UTF-16"):
        dialects.load(str(mine))


def test_a_completion_bit_can_be_that_of_another_register() -> None:
    text = TEXT.replace("abort: ABOR,", 'abort: ABOR, completion: {ask: "STAT:OPER:COND?", bit: 3, done: no},')
    done = loader.parse(text, "x.yaml").completion
    assert (done.ask, done.bit, done.done, done.with_opc) == ("STAT:OPER:COND?", 3, False, False)


# --- auto ---


def answer_only(toy: Any, known: set[str]) -> None:
    """An instrument that knows some queries and stays silent, with -113 in its queue, at the others."""
    queue: list[str] = []

    def message(line: str) -> bytes | None:
        if line == "SYST:ERR?":
            return (queue.pop(0) if queue else '0,"No error"').encode() + b"\n"
        if line in known:
            return b"0\n"
        queue.append('-113,"Undefined header"')
        return None

    toy.otherwise = message


@pytest.mark.parametrize("name", GUESSED)
def test_auto_finds_the_dialect_whose_every_question_is_answered(toy: Any, name: str) -> None:
    answer_only(toy, set(dialects.load(name).identify))
    link = Link.open(toy.resource)
    assert dialects.choose(link, patience_s=0.05).name == name
    offs = [dialects.load(other).off for other in GUESSED]
    assert set(toy.received[: len(set(offs))]) == set(offs)  # generator off in every spelling, before any question
    link.close()


def test_auto_that_finds_none_says_what_to_do(toy: Any) -> None:
    answer_only(toy, {"OUTP?"})
    link = Link.open(toy.resource)
    began = time.monotonic()
    with pytest.raises(InstrumentError, match=r"no shipped dialect fits .*SOUR:POW\? .* -113.*notchbook bench probe"):
        dialects.choose(link, patience_s=0.05)
    assert time.monotonic() - began < 1.0
    link.close()


# --- what a dialect states, for who must plan without asking ---


def test_what_a_dialect_states_is_planned_with_and_the_rest_is_as_usual() -> None:
    text = TEXT.replace("step: 5 dB", "step: 10 dB, limits: [10 dB, 50 dB]", 1).replace(", power: RMS", "", 1)
    text += "rbw filters: [200 Hz, 1 kHz, 5 kHz]\ndisplay range: 90 dB\n"
    caps = dialects.stated_capabilities(loader.parse(text, "x.yaml"), TYPICAL)
    assert caps.attenuation_db == (10.0, 50.0)
    assert caps.attenuation_step_db == 10.0
    assert caps.detectors == (Detector.SAMPLE,)
    assert caps.rbw_hz == (200.0, 1e3, 5e3)
    assert caps.display_range_db == 90.0
    assert (caps.frequency_hz, caps.generator_dbm) == (TYPICAL.frequency_hz, TYPICAL.generator_dbm)


def test_check_plans_with_what_the_bench_files_dialect_states(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (
        TEXT.replace("step: 5 dB", "step: 10 dB, limits: [10 dB, 50 dB]", 1) + "rbw filters: [200 Hz, 5 kHz, 20 kHz]\n"
    )
    bench = tmp_path / "bench.yaml"
    dialect = textwrap.indent(text, "    ")
    bench.write_text(f'bench: 1\nanalyzer:\n  resource: "TCPIP::192.0.2.10::5025::SOCKET"\n  dialect:\n{dialect}')
    main(["check", "vhf-600k-quick", "--bench", str(bench)])
    used = set(re.findall(r"  (\d[\d.]* k?Hz)  +[\d.]+ m?s", capsys.readouterr().out))
    assert used
    assert used <= {"200 Hz", "5 kHz", "20 kHz"}
