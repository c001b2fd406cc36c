"""Whole runs from saved traces of which something is wrong: no number that a file got wrong is accepted."""

from __future__ import annotations

import importlib.util
import re
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import skrf

from sequencer.core.trace import Sweep

_SPEC = importlib.util.spec_from_file_location("saved_runs", Path(__file__).with_name("test_traces.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
runs = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(runs)
direct, vector = runs.direct, runs.vector
pytestmark = pytest.mark.bench


def changed(text: bytes, name: str, line: str) -> bytes:
    """Return a file with another line for that setting."""
    assert name.encode() in text
    return re.sub(rb"(?<=\n)" + name.encode() + rb",[^\n]*\n", line.encode() + b"\r\n", text)


def folder_of(
    direct: Any,
    tmp_path: Path,
    change: Callable[[bytes, Sweep], bytes],
    only: str = "",
    *,
    first: bool = True,
    into: Path | None = None,
) -> Path:
    """Save an evening with a change in the files whose name begins so; one repeat each, or all."""
    taken = {stem: sweeps[:1] if first else sweeps for stem, sweeps in direct[2].items()}
    folder: Path = into or runs.save(tmp_path / "csv", taken, runs.comma)
    for stem, sweeps in taken.items():
        if stem.startswith(only):
            for number, sweep in enumerate(sweeps, 1):
                path = folder / (f"{stem}.csv" if number == 1 else f"{stem}.{number}.csv")
                path.write_bytes(change(path.read_bytes(), sweep))
    return folder


def windows_exponent(number: float) -> str:
    """Three digits of exponent, as some C libraries write: 1.230000E-002."""
    mantissa, _, exponent = f"{number:.6E}".partition("E")
    return f"{mantissa}E{exponent[0]}0{exponent[1:]}"


@pytest.mark.parametrize("spelled", [windows_exponent, "{:.16E}".format, "{:.9f}".format], ids=["3", "16", "plain"])
def test_a_sweep_too_fast_is_seen_however_its_time_is_spelled(
    direct: Any, tmp_path: Path, spelled: Callable[[float], str]
) -> None:
    """A fortieth of the time: 0.0036 s cut off to 3.6 s passed all ten."""

    def faster(text: bytes, sweep: Sweep) -> bytes:
        assert sweep.used.sweep_time_s is not None
        return changed(text, "Sweep time", f"Sweep time,{spelled(sweep.used.sweep_time_s / 40.0)},s")

    status, record, _ = runs.run(tmp_path / "runs", direct[1], folder_of(direct, tmp_path, faster))
    assert status == 4
    notes = [" ".join(r["notes"]) for r in record["results"] if r["statement"] == "undecided"]
    assert sum("faster than a notch this narrow can follow" in note for note in notes) >= 6


def decimal_commas(text: bytes) -> bytes:
    """Rows like 146000000,-20,50: three columns, or two with decimals behind a comma."""
    return re.sub(rb"(\d+)\.\d+,(-\d+)\.(\d\d)\d*,", rb"\1,\2,\3", text)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        pytest.param(lambda t, s: changed(t, "RBW", f"RBW: {30 * s.used.rbw_hz:,.0f} Hz"), "two ways", id="thousands"),
        pytest.param(lambda t, _: changed(t, "Att", "External Attenuation,20,dB"), "External Atten", id="external"),
        pytest.param(lambda t, _: b"Ref Lvl Offset,-8,dB\r\n" + t[3:], "offset", id="offset"),
        pytest.param(lambda t, _: b"Ext Preamp Gain,8,dB\r\n" + t[3:], "offset", id="gain"),
        pytest.param(lambda t, _: b"Status,UNCAL\r\n" + t[3:], "uncalibrated", id="uncal"),
        pytest.param(lambda t, _: b"Overload,Yes\r\n" + t[3:], "overloaded", id="overload"),
        pytest.param(lambda t, _: b"Preamp,On\r\n" + t[3:], "preamplifier", id="preamplifier"),
        pytest.param(lambda t, _: decimal_commas(t), "told apart", id="decimal and separating commas"),
        pytest.param(lambda t, _: re.sub(rb",-[\d.]+,\r\n(?=(?:[^\n]*\n){50}\Z)", b",****\r\n", t), "parts rows",
                     id="a row of stars"),
    ],
)  # fmt: skip
def test_what_a_file_tells_against_itself_ends_the_run_before_it_begins(
    direct: Any, tmp_path: Path, capsys: Any, change: Callable[[bytes, Sweep], bytes], says: str
) -> None:
    folder = folder_of(direct, tmp_path, change, "TX-ANT_")
    assert runs.run(tmp_path / "runs", direct[1], folder)[0] == 2
    said = capsys.readouterr().err
    assert says in said
    assert "TX-ANT_" in said
    assert not list((tmp_path / "runs").glob("*"))


@pytest.mark.parametrize(
    ("only", "name", "line"),
    [
        pytest.param("TX-ANT_", "Att", "Att,30,dB", id="attenuation of a path"),
        pytest.param("TX-ANT_", "RBW", "RBW,300000,Hz", id="RBW of a path"),
        pytest.param("floor-off_receive", "RBW", "RBW,30,Hz", id="RBW of the floor"),
        pytest.param("thru-off_", "RBW", "RBW,1000000,Hz", id="RBW of the thru with the generator off"),
    ],
)
def test_a_trace_below_its_own_stated_noise_is_a_contradiction(
    direct: Any, tmp_path: Path, capsys: Any, only: str, name: str, line: str
) -> None:
    folder = folder_of(direct, tmp_path, lambda text, _: changed(text, name, line), only, first=False)
    assert runs.run(tmp_path / "runs", direct[1], folder)[0] == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "no trace can lie so far below" in said
    assert len(re.findall(r"-\d+\.\d dBm", said)) >= 3  # what is read, what noise reads, and where that was seen
    assert only in said


@pytest.mark.parametrize(
    ("name", "line", "words"),
    [
        pytest.param("Att", "Att,20,dB", ("attenuation", "20 dB", "0 dB"), id="attenuation"),
        pytest.param("RBW", "RBW,100000,Hz", ("RBW", "100000 Hz", "3000 Hz"), id="RBW"),
    ],
)
def test_noise_seen_in_another_setting_bounds_nothing(
    direct: Any, tmp_path: Path, name: str, line: str, words: tuple[str, str, str]
) -> None:
    """20 dB too many stated: noise of so few samples may read so by chance, and scaling is unsure.

    It was read as >= 93 dB where the truth is 77.4.
    """
    folder = folder_of(direct, tmp_path, lambda text, _: changed(text, name, line), "TX-ANT_receive", first=False)
    _, record, _ = runs.run(tmp_path / "runs", direct[1], folder)
    (deep,) = (r for r in record["results"] if r["quantity"] == "rejection" and r["path"] == "TX-ANT")
    assert deep["statement"] == "undecided"
    assert "another RBW or attenuation" in " ".join(deep["notes"])
    (named,) = (w for w in record["warnings"] if f"the {words[0]} differs" in w)
    for word in (
        f"TX-ANT_receive.csv {words[1]}",
        f"thru_receive.csv {words[2]}",
        f"floor-off_receive.csv {words[2]}",
    ):
        assert word in named
    assert {r["statement"] for r in record["results"] if r.get("path") == "ANT-RX"} == {"pass"}


REJECTIONS = {"rejection", "isolation", "notch depth", "notch frequency", "rejection bandwidth"}


def by_averaging(direct: Any, tmp_path: Path, line: str, *more: str, low_db: float = 0.0) -> tuple[int, dict[str, Any]]:
    """Judge an evening whose files say ``line`` of averaging, its floor read so much lower than a mean of power."""

    def change(text: bytes, _: Sweep) -> bytes:
        return changed(text, "Average", line) if line else re.sub(rb"(?<=\n)Average,[^\n]*\n", b"", text)

    def lower(text: bytes, sweep: Sweep) -> bytes:
        level = iter(sweep.trace.level_dbm - low_db)
        return re.sub(rb"(?<=\n)(\d[\d.]*),-[\d.]+", lambda m: m[1] + f",{next(level):.4f}".encode(), text)

    folder = folder_of(direct, tmp_path, change)
    folder_of(direct, tmp_path, lower, "floor", into=folder)
    status, record, _ = runs.run(tmp_path / "runs", direct[1], folder, *more)
    return status, record


@pytest.mark.parametrize(
    ("line", "more", "status"),
    [
        pytest.param("Average,On", ("--set", "averaging=power"), 0, id="on, declared: power"),
        pytest.param("Average,On", ("--set", "settings=as planned"), 0, id="on, as check prints it"),
        pytest.param("Average Type,Power", (), 0, id="told: power"),
        pytest.param("", ("--set", "averaging=off"), 0, id="not told, declared: off"),
        pytest.param("Average,On", ("--set", "averaging=log"), 4, id="on, declared: log"),
        pytest.param("Avg Type,Log-Pwr", (), 4, id="told: log"),
        pytest.param("Average,On", ("--set", "settings=unknown"), 4, id="on, unknown"),
        pytest.param("Average,On", (), 2, id="on, of what is not told"),
        pytest.param("Average,On", ("--set", "averaging=off"), 2, id="on, declared against it: off"),
        pytest.param("", (), 2, id="nothing told"),
    ],
)
def test_averaging_by_the_analyzer_is_never_silently_taken_for_power(
    direct: Any, tmp_path: Path, capsys: Any, line: str, more: tuple[str, ...], status: int
) -> None:
    got, record = by_averaging(direct, tmp_path, line, *more)
    said = " ".join(capsys.readouterr().err.split())
    assert got == status, said
    if status == 2:
        assert "averaging (off, power or log)" in said
        return
    undecided = {r["quantity"] for r in record["results"] if r["statement"] == "undecided"}
    assert bool(undecided) == (status == 4)
    if status == 4:
        notes = [" ".join(r["notes"]) for r in record["results"] if r["statement"] == "undecided"]
        assert all("reads near the noise" in note for note in notes)
        assert undecided <= REJECTIONS  # what is far above the noise is decided as ever


def test_a_floor_averaged_in_decibels_bounds_nothing(direct: Any, tmp_path: Path, capsys: Any) -> None:
    """Noise read 2.51 dB low (Rice): taken for a mean of power it would leave more of a reading than there is."""
    status, record = by_averaging(direct, tmp_path, "Avg Type,Video", low_db=2.51)
    assert status == 4, capsys.readouterr().err
    assert not any(
        r["statement"] != "undecided" and r["quantity"] in {"rejection", "isolation"} for r in record["results"]
    )


def test_settings_that_agree_are_not_remarked(direct: Any, tmp_path: Path) -> None:
    _, record, _ = runs.run(tmp_path / "runs", direct[1], runs.save(tmp_path / "csv", direct[2], runs.comma))
    assert not [w for w in record["warnings"] if "differs (" in w]


def later(hours: float) -> Callable[[bytes, Sweep], bytes]:
    """Change the date and time of a file."""

    def change(text: bytes, sweep: Sweep) -> bytes:
        at = sweep.began + timedelta(hours=hours)
        return changed(changed(text, "Date", f"Date,{at:%Y-%m-%d}"), "Time", f"Time,{at:%H:%M:%S}")

    return change


@pytest.mark.parametrize(
    ("only", "doubtful"),
    [
        pytest.param(("thru", "floor"), lambda r: r["port"] is None, id="last year's thru and floor"),
        pytest.param(("thru_", "thru-closing_"), lambda r: r["port"] is None, id="last year's thrus"),
        pytest.param(("floor",), lambda r: r["quantity"] in ("rejection", "isolation"), id="last year's floor"),
        pytest.param(
            ("reflect-open", "reflect-short"), lambda r: r["port"] is not None, id="last year's open and short"
        ),
        pytest.param(("TX-ANT",), lambda r: r["path"] == "TX-ANT", id="last year's path"),
    ],
)
def test_nothing_is_decided_on_files_of_different_days(
    direct: Any, tmp_path: Path, only: tuple[str, ...], doubtful: Callable[[dict[str, Any]], bool]
) -> None:
    """With a closing thru as old as the opening one the drift between the two was all that counted: 0.025 dB."""
    folder = runs.save(tmp_path / "csv", direct[2], runs.comma)
    for stem in only:
        folder = folder_of(direct, tmp_path, later(-7200.0), stem, first=False, into=folder)
    status, record, _ = runs.run(tmp_path / "runs", direct[1], folder)
    assert status == 4
    for result in record["results"]:
        both = {"port": None, "path": None, **result}
        assert (result["statement"] == "undecided") == doubtful(both), result["id"]
        if doubtful(both):
            (note,) = (note for note in result["notes"] if "on different days" in note)
            assert len(re.findall(r"\d{4}-\d\d-\d\d \d\d:\d\d", note)) == 2


def test_a_path_outside_the_two_thrus_carries_the_drift_to_the_nearest(direct: Any, tmp_path: Path) -> None:
    folder = folder_of(direct, tmp_path, later(3.0), "TX-ANT", first=False)
    _, record, _ = runs.run(tmp_path / "runs", direct[1], folder)
    width = {
        r["path"]: r["interval"][1] - r["interval"][0] for r in record["results"] if "loss" in r["id"] and "path" in r
    }
    assert width["TX-ANT"] > width["ANT-RX"] + 0.2
    (said,) = (w for w in record["warnings"] if "outside the time between" in w)
    assert said.startswith("TX-ANT was taken up to 3 h outside")


def test_files_of_different_days_of_which_one_tells_no_date_are_refused(
    direct: Any, tmp_path: Path, capsys: Any
) -> None:
    folder = folder_of(direct, tmp_path, later(-7200.0), "thru_", first=False)
    path = folder / "TX-ANT_receive.csv"
    path.write_bytes(re.sub(rb"Date,[^\n]*\n", b"", path.read_bytes()))
    assert runs.run(tmp_path / "runs", direct[1], folder)[0] == 2
    assert "TX-ANT_receive.csv tells no date" in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize(
    ("spoil", "one_file"),
    [
        pytest.param(lambda s: s.__setitem__((slice(None), 2, 0), 0.7 * s[:, 2, 0]), True, id="3 dB low one way"),
        pytest.param(lambda s: s.__imul__(0.7), False, id="in two files"),
        pytest.param(lambda s: s.__setitem__((slice(300, None), 0, 2), s[300:, 0, 1]), True, id="another path one way"),
    ],
)
def test_the_two_directions_of_a_path_must_agree(
    vector: Path, tmp_path: Path, capsys: Any, spoil: Callable[[Any], None], one_file: bool
) -> None:
    network = skrf.Network(str(vector / "TX-RX-ANT.s3p"))
    s = network.s.copy()
    spoil(s)
    shutil.copy(vector / "floor.s2p", tmp_path)
    if one_file:
        skrf.Network(f=network.f, f_unit="hz", s=s, z0=50).write_touchstone(str(tmp_path / "TX-RX-ANT"), form="ri")
    else:
        shutil.copy(vector / "TX-RX-ANT.s3p", tmp_path)
        both = s[:, [2, 0]][:, :, [2, 0]]
        skrf.Network(f=network.f, f_unit="hz", s=both, z0=50).write_touchstone(str(tmp_path / "ANT-TX_receive"))
    assert runs.run(tmp_path / "runs", vector / "bench.yaml", tmp_path)[0] == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "one path in both directions" in said
    assert "TX-RX-ANT.s3p#S31" in said
    assert ("TX-RX-ANT.s3p#S13" if one_file else "ANT-TX_receive.s2p#S") in said


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        pytest.param(" R 50", " R 75", "75 ohm; refer it to 50 ohm", id="another impedance"),
        pytest.param("!", "! Correction: Off\n!", "with its correction only", id="uncorrected"),
    ],
)
def test_a_vector_file_that_tells_against_itself_is_refused(
    vector: Path, tmp_path: Path, capsys: Any, old: str, new: str, says: str
) -> None:
    (tmp_path / "floor.s2p").write_bytes((vector / "floor.s2p").read_bytes())
    text = (vector / "TX-RX-ANT.s3p").read_text()
    assert old in text
    (tmp_path / "TX-RX-ANT.s3p").write_text(text.replace(old, new, 1))
    assert runs.run(tmp_path / "runs", vector / "bench.yaml", tmp_path)[0] == 2
    assert says in " ".join(capsys.readouterr().err.split())
