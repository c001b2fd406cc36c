"""The instrument's own averaging: never used, kept off, seen to be off; left on, it gives no wrong number."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from instruments import dialects
from instruments.analyzer import ScpiAnalyzer
from instruments.dialects import Averaging, Dialect
from instruments.link import Link
from instruments.probe import probe
from instruments.simulated import variants
from sequencer.core.trace import Detector, SweepSettings
from sequencer.errors import InstrumentError, RecipeError
from sequencer.learning import with_dialect

NOISE = SweepSettings(
    start_hz=100e6,
    stop_hz=200e6,
    points=1001,
    rbw_hz=3e5,
    attenuation_db=10.0,
    reference_dbm=-30.0,
    generator_dbm=None,
    detector=Detector.SAMPLE,
    sweep_time_s=0.05,
)


class WallClock:
    """The computer's clock."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        raise AssertionError(seconds)


def left_on(folder: Path, modes: dict[str, str] | None = None, **commands: str) -> str:
    """The variant free-binary, as somebody left it: averaging ten sweeps of decibels, which a reset keeps."""
    table = yaml.safe_load((Path(variants.__file__).parent / "variants.yaml").read_text(encoding="utf-8"))
    row = table["free-binary"]
    row["commands"] |= commands
    row["manners"] = {"averages after reset": True}
    row.pop("dialect")
    if modes:  # the first is left on instead
        row |= {"manners": {}, "trace modes": modes}
    path = folder / "left-on.yaml"
    path.write_text(yaml.safe_dump({"left-on": row}, sort_keys=False), encoding="utf-8")
    return str(path)


@contextmanager
def served(variant: str) -> Iterator[dict[str, Any]]:
    command = [sys.executable, "-m", "instruments.simulated", "--variant", variant]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdin is not None
    assert process.stdout is not None
    yield json.loads(process.stdout.readline())
    process.stdin.close()
    process.wait(10.0)
    process.stdout.close()


def noise_of(analyzer: ScpiAnalyzer) -> tuple[float, float]:
    """(mean level, its scatter) of four sweeps of noise, dBm and dB."""
    levels = np.concatenate([analyzer.sweep(NOISE).trace.level_dbm for _ in range(4)])
    return float(10.0 * np.log10(np.mean(10.0 ** (levels / 10.0)))), float(np.std(levels))


@pytest.mark.bench
def test_averaging_left_on_before_the_run_changes_no_number(tmp_path: Path) -> None:
    shipped = dialects.load("free-binary")
    found = {}
    with served(left_on(tmp_path)) as said:
        for name, dialect in (("unasked", replace(shipped, averaging=Averaging())), ("asserted", shipped)):
            link = Link.open(said["analyzer"])
            found[name] = noise_of(ScpiAnalyzer(link, dialect, WallClock(), pause=lambda _: None))
            assert link.query("AVER?") == ("1" if name == "unasked" else "0")
            link.close()
    (averaged_dbm, averaged_db), (single_dbm, single_db) = found["unasked"], found["asserted"]
    assert single_db == pytest.approx(5.57, abs=0.4)  # single samples of noise (Rice)
    assert averaged_db == pytest.approx(5.57 / np.sqrt(10.0), abs=0.2)
    # Means of ten logarithms: 2.51 dB low, of which their own scatter gives back 0.23 s^2 / 2 = 0.36 dB as power.
    assert single_dbm - averaged_dbm == pytest.approx(2.15, abs=0.3)


@pytest.mark.bench
def test_the_count_and_kind_are_learnt_and_set_while_it_stays_off(tmp_path: Path) -> None:
    with served(left_on(tmp_path)) as said:
        link = Link.open(said["analyzer"])
        learnt = probe(link, WallClock(), maximum_dbm=-10.0, patience_s=0.02, sweep_s=0.02)
        own = learnt.dialect.averaging
        assert (own.off, own.ask) == ("AVER OFF", "AVER?")
        assert own.count is not None
        assert own.count.limits == (1.0, 999.0)
        assert own.kinds == {"power": "RMS", "log": "LOG"}
        assert [link.query(ask) for ask in ("AVER?", "AVER:COUN?", "AVER:TYPE?")] == ["0", "1", "RMS"]
        assert with_dialect(said["bench_file"], learnt.text).count("kind:") == 1  # a person reads it there
        link.close()


@pytest.mark.bench
@pytest.mark.parametrize("most_dbm", [-33.0])
def test_the_highest_level_a_person_allowed_is_kept_in_what_is_learnt(tmp_path: Path, most_dbm: float) -> None:
    """Nothing above it is sent while probing, and nothing above it is planned with what was learnt."""
    sent: list[str] = []
    with served(left_on(tmp_path)) as said:
        link = Link.open(said["analyzer"], transcript=lambda _, data: sent.append(data.decode("latin-1").strip()))
        learnt = probe(link, WallClock(), maximum_dbm=most_dbm, patience_s=0.02, sweep_s=0.02)
    setting = learnt.dialect.settings["generator level"]
    assert setting.limits is not None
    assert setting.limits[1] == most_dbm
    header = re.escape(setting.set.partition(" ")[0])
    levels = [float(m[1]) for each in sent if (m := re.match(header + r" (-?[\d.]+)", each))]
    assert levels
    assert max(levels) <= most_dbm
    assert "told never more than" in learnt.text


@pytest.mark.bench
def test_averaging_that_cannot_be_switched_off_is_no_instrument_to_measure_with(tmp_path: Path) -> None:
    """In a spelling that nobody knows, it is on: no detector shows single samples, and nothing is concluded."""
    odd = {"average": "LEISure:MELLow", "average count": "LEISure:MANY", "average kind": "LEISure:WAY"}
    with served(left_on(tmp_path, **odd)) as said:
        link = Link.open(said["analyzer"])
        with pytest.raises(
            InstrumentError, match=r"averaging of its own, or a hold.*write its command under begin"
        ) as no:
            probe(link, WallClock(), maximum_dbm=-10.0, patience_s=0.02, sweep_s=0.02)
        link.close()
    assert "is averaging of its own or a hold on" in no.value.facts["text"]


@pytest.mark.bench
@pytest.mark.parametrize(
    ("answers", "says"),
    [
        pytest.param({"AVER": ["1", "0"]}, "", id="off at the second time"),
        pytest.param({"AVER": ["1", "1"]}, "told 'AVER OFF', it answers '1'", id="stays on"),
        pytest.param({"AVER": ["0"], "AVER:TYPE": ["LOG", "LOG"]}, "told 'AVER:TYPE RMS', it answers 'LOG'", id="log"),
        pytest.param({"AVER": ["0", "1"]}, "told 'AVER OFF', it answers '1'", id="switched on while it swept"),
    ],
)
def test_a_read_back_that_is_not_off_is_an_error_or_mended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answers: dict[str, list[str]], says: str
) -> None:
    with served("free-binary") as said:
        link = Link.open(said["analyzer"])
        asked: dict[str, int] = {}
        real = link.query

        def query(text: str) -> str:
            parts = real(text).split(";")
            for place, unit in enumerate(text.split(";")):
                if (header := unit.removeprefix(":").removesuffix("?")) in answers:
                    turn = asked[header] = asked.get(header, 0) + 1
                    parts[place] = answers[header][min(turn, len(answers[header])) - 1]
            return ";".join(parts)

        monkeypatch.setattr(link, "query", query)

        def swept() -> None:
            ScpiAnalyzer(link, dialects.load("free-binary"), WallClock(), pause=lambda _: None).sweep(NOISE)

        if says:
            with pytest.raises(InstrumentError, match=re.escape(says)) as refused:
                swept()
            assert "Switch its averaging off by hand" in refused.value.message
        else:
            swept()
        link.close()


@pytest.mark.bench
def test_a_trace_that_holds_its_highest_is_written_anew_in_every_session(tmp_path: Path) -> None:
    modes = {"MAXHold": "most", "WRITe": "write"}  # a reset does not clear it
    with served(left_on(tmp_path, modes, **{"trace mode": "DISPlay[:WINDow]:TRACe:MODE"})) as said:
        link = Link.open(said["analyzer"])
        learnt = probe(link, WallClock(), maximum_dbm=-10.0, patience_s=0.02, sweep_s=0.02)
        assert learnt.dialect.averaging.ask == "AVER?"  # the switch is another thing
        assert "DISP:TRAC:MODE WRIT" in learnt.dialect.begin
        link.query("DISP:TRAC:MODE MAXH;*OPC?")
        _, single_db = noise_of(ScpiAnalyzer(link, learnt.dialect, WallClock(), pause=lambda _: None))
        assert single_db == pytest.approx(5.57, abs=0.4)
        link.close()


TEXT = (Path(dialects.__file__).parent / "free-binary.yaml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        pytest.param('  ask: "AVER?"\n', "", "belong together", id="no-question"),
        pytest.param("power: RMS, log: LOG", "log: LOG", "'power' is missing", id="no-word"),
        pytest.param("power: RMS, log: LOG", 'power: "A B"', "one word", id="two-words"),
        pytest.param('"off": AVER OFF', "of: AVER OFF", "did you mean 'off'", id="misspelt"),
    ],
)
def test_a_wrong_line_is_told(old: str, new: str, says: str) -> None:
    assert old in TEXT
    with pytest.raises(RecipeError, match=says):
        dialects.parse(TEXT.replace(old, new), "x.yaml")


def test_a_dialect_may_know_a_part_of_it() -> None:
    def parsed(line: str) -> Dialect:
        head, _, tail = TEXT.partition("averaging:")
        return dialects.parse(f"{head}averaging: {line}\nsweep:{tail.partition('sweep:')[2]}", "x.yaml")

    assert parsed('{"off": TRAC:MODE WRIT, ask: "TRAC:MODE?"}').averaging.orders == {"TRAC:MODE?": "TRAC:MODE WRIT"}
    count = parsed('{count: {set: "AVER:COUN {value}", ask: "AVER:COUN?"}}').averaging
    assert count.orders == {"AVER:COUN?": "AVER:COUN 1"}  # where there is no switch, one sweep is as good
