"""Runs from saved traces, whole: a simulated bench's sweeps saved as analyzers do, read back, and judged alike.

What is compared with is the direct run itself; the vector files come from scikit-rf, built from the device's elements.
"""

from __future__ import annotations

import importlib.util
import json
import re
import shutil
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from instruments.simulated import devices
from instruments.simulated.truth import true_value
from sequencer.archive.reading import open_run
from sequencer.cli.main import main
from sequencer.core.history import Connected, Swept
from sequencer.core.trace import Sweep, Trace
from sequencer.errors import NotchbookError
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.starters import read_recipe
from sequencer.run.filing import expected_files
from sequencer.run.predict import forecast
from sequencer.saved_run import open_saved
from sequencer.studies.trend import trend_of

HERE = Path(__file__).parent
STARTER = "vhf-600k-acceptance"
ALIVE = "<script>alert(1)</script>"
pytestmark = pytest.mark.bench

Taken = dict[str, list[Sweep]]  # name of a file -> its repeats


@pytest.fixture(scope="module")
def direct(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Path, Taken]:
    """The direct run: its record, its bench file, and its sweeps by the names of their files."""
    out = tmp_path_factory.mktemp("direct")
    assert main(["run", STARTER, "--bench", "simulated", "--yes", "--out", str(out), "--serial", "INVENTED-1"]) == 0
    (folder,) = (path for path in out.iterdir() if (path / "result.json").exists())
    stored = open_run(folder)
    recipe, bench = load_recipe(stored.recipe_text, "recipe"), load_bench(stored.bench_text, "bench")
    files = expected_files(forecast(recipe, bench))
    taken: Taken = {}
    station = -1
    for entry in stored.history:
        station += isinstance(entry, Connected)
        if isinstance(entry, Swept):
            wanted = (station, entry.hookup, entry.key, entry.role)
            for file in files:
                if (file.station, file.hookup.name, file.key, file.role) == wanted:
                    taken.setdefault(file.stem, []).append(entry.sweep)
    by_hand = out / "bench.yaml"  # the bench whose cables a person moves
    by_hand.write_text(re.sub(r"^switch:.*?(?=^\S|\Z)", "", stored.bench_text, flags=re.DOTALL | re.MULTILINE))
    return json.loads((folder / "result.json").read_text()), by_hand, taken


def comma(sweep: Sweep, number: int) -> bytes:
    """Shape 1: every setting as name, number, unit; hertz; trailing commas, CR LF, BOM."""
    used = sweep.used
    source = [] if used.generator_dbm is None else [f"TG Level,{used.generator_dbm},dBm"]
    head = [
        "Trace,A", f"RBW,{used.rbw_hz},Hz", f"Att,{used.attenuation_db},dB", f"Sweep time,{used.sweep_time_s},s",
        f"Ref Level,{used.reference_dbm},dBm", "Detector,RMS", "Average,Off", f"Marker,{number}", *source,
        f"Date,{sweep.began:%Y-%m-%d}", f"Time,{sweep.began:%H:%M:%S}", "Frequency (Hz),Trace 1 (dBm)",
    ]  # fmt: skip
    rows = [f"{f!r},{v:.4f}" for f, v in pairs(sweep)]
    return b"\xef\xbb\xbf" + "".join(f"{line},\r\n" for line in [*head, *rows]).encode()


def semicolon(sweep: Sweep, number: int) -> bytes:
    """Shape 2: free text, semicolons, decimal comma, megahertz, dBuV (0 dBm is 106.99 dBuV in 50 ohm), Latin-1."""
    used = sweep.used
    source = "" if used.generator_dbm is None else f"Tracking Generator Level {used.generator_dbm} dBm "
    text = f"Messung {number} bei 21 °C\nRBW {used.rbw_hz / 1e3} kHz  Sweep Time {used.sweep_time_s} s  {source}\n"
    text += f"Att {used.attenuation_db} dB  Reference Level {used.reference_dbm} dBm  Detector: RMS  Average: Off\n"
    rows = (f"{f / 1e6:.9f};{v + 106.9897:.4f};\n" for f, v in pairs(sweep))
    return (text + "Freq [MHz];Level [dBµV]\n" + "".join(rows)).replace(".", ",").encode("latin-1")


def bare(sweep: Sweep, number: int) -> bytes:
    """Shape 3: levels with their unit in every cell, frequencies by start and stop, little else told."""
    used = sweep.used
    text = f"# {number}\nStart {used.start_hz!r} Hz\nStop {used.stop_hz!r} Hz\nSWT {used.sweep_time_s} s\n"
    text += f"RBW [Hz] {used.rbw_hz}\n"
    return (text + "".join(f"{v:.4f} dBm\n" for _, v in pairs(sweep))).encode()


def pairs(sweep: Sweep) -> Iterable[tuple[float, float]]:
    return zip(sweep.trace.freq_hz.tolist(), sweep.trace.level_dbm.tolist(), strict=True)


def save(folder: Path, taken: Mapping[str, list[Sweep]], shape: Callable[[Sweep, int], bytes]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for stem, sweeps in taken.items():
        for number, sweep in enumerate(sweeps, 1):
            name = f"{stem}.csv" if number == 1 else f"{stem}.{number}.csv"
            (folder / name).write_bytes(shape(sweep, number))
    return folder


def run(out: Path, bench: Path, traces: Path, *more: str, recipe: str = STARTER) -> tuple[int, dict[str, Any], Path]:
    status = main(["run", recipe, "--bench", str(bench), "--traces", str(traces), "--yes", "--out", str(out), *more])
    there = out.iterdir() if out.exists() else ()
    folder = max((path for path in there if (path / "journal.jsonl").exists()), default=out)
    result = folder / "result.json"
    return status, json.loads(result.read_text()) if result.exists() else {}, folder


def statements(record: dict[str, Any]) -> set[str]:
    return {result["statement"] for result in record["results"]}


def alike(record: dict[str, Any], other: dict[str, Any], db: float) -> None:
    assert [r["id"] for r in record["results"]] == [r["id"] for r in other["results"]]
    for ours, theirs in zip(record["results"], other["results"], strict=True):
        for a, b in ((ours["value"], theirs["value"]), *zip(ours["interval"], theirs["interval"], strict=True)):
            assert (a is None) == (b is None), ours["id"]
            assert a is None or abs(a - b) <= db, (ours["id"], a, b)


@pytest.mark.parametrize(
    ("shape", "more"),
    [
        pytest.param(comma, (), id="comma"),
        pytest.param(semicolon, (), id="semicolon"),
        pytest.param(bare, ("--set", "settings=as planned", "--set", "duration=6 s"), id="bare"),
    ],
)
def test_three_shapes_give_what_the_direct_run_gave(
    direct: Any, tmp_path: Path, shape: Callable[[Sweep, int], bytes], more: tuple[str, ...], capsys: Any
) -> None:
    record, bench, taken = direct
    status, again, folder = run(tmp_path / "runs", bench, save(tmp_path / "csv", taken, shape), *more)
    assert status == 0
    # values were saved to 0.0001 dB; the draws behind the intervals differ with the copies that were left out, and
    # what is declared 'as planned' holds filters and times other than the instrument's
    alike(again, record, 0.02 if not more else 0.1)
    assert not any("simulated bench" in text for text in again["identification"].values())
    report = (folder / "report.html").read_text()
    assert "read back" not in report.partition("Nothing was read back")[0]
    for trace in again["traces"]:
        assert trace["source"]["source"] in report
        assert trace["source"]["sha256"] in report
        assert trace["source"]["declared" if more else "from_file"]
    assert "read from files, not taken by this program" in report
    assert main(["archive", "verify", "--out", str(tmp_path / "runs")]) == 0
    assert main(["report", str(folder), "--write", str(tmp_path / "again.html")]) == 0
    assert main(["judge", str(folder), "--recipe", "vhf-600k-quick", "--out", str(tmp_path / "runs")]) == 0


def test_a_trace_of_a_simulated_bench_says_so(direct: Any, tmp_path: Path) -> None:
    _, bench, taken = direct
    folder = save(
        tmp_path / "csv", taken, lambda sweep, number: b"Model,SIMULATED analyzer\n" + comma(sweep, number)[3:]
    )
    status, record, _ = run(tmp_path / "runs", bench, folder)
    assert status == 0
    assert record["simulated"] is True


def test_normalised_traces(direct: Any, tmp_path: Path) -> None:
    """With the thru saved after normalising they give the same; without it nothing of the paths is decided."""
    record, bench, taken = direct

    def reference(stem: str, key: str) -> np.ndarray:
        if not stem.startswith("reflect"):
            return taken[f"thru_{key}"][0].trace.level_dbm
        both = [taken[f"reflect-{end}_{key}"][0].trace.level_dbm for end in ("open", "short")]
        return 20.0 * np.log10(0.5 * (10 ** (both[0] / 20.0) + 10 ** (both[1] / 20.0)))

    normal: Taken = {}
    for stem, sweeps in taken.items():
        key = stem.partition("_")[2]
        if key in ("overview", "transmit", "receive") and stem != "thru-off_overview":
            normal[stem] = [
                replace(s, trace=replace(s.trace, level_dbm=s.trace.level_dbm - reference(stem, key))) for s in sweeps
            ]

    def in_db(sweep: Sweep, number: int) -> bytes:
        return comma(sweep, number).replace(b"(dBm)", b"(dB)").replace(b"Ref Level", b"Offset of nothing")

    whole = save(tmp_path / "whole", normal, in_db)
    for at in ("receive", "transmit"):  # leakage in few points of its own had no thru to be normalised by
        power = [taken[f"floor-on_leakage-{at}"][0], taken[f"floor-off_{at}"][0]]
        level = float(np.median(power[0].trace.level_dbm))
        flat = replace(power[1], trace=replace(power[1].trace, level_dbm=level - reference("thru", at)))
        (whole / f"floor-on_{at}.csv").write_bytes(in_db(flat, 1))
    status, again, _ = run(tmp_path / "runs", bench, whole, "--set", "generator level=0 dBm")
    assert status == 0
    alike(again, record, 0.3)  # the floor is told in other points
    for path in whole.glob("thru*.csv"):
        path.unlink()
    status, again, _ = run(tmp_path / "runs2", bench, whole, "--set", "generator level=0 dBm")
    assert status == 4
    for result in again["results"]:
        undecided = result["statement"] == "undecided"
        assert undecided == ("path" in result)
        assert undecided == any("no thru was saved after that" in note for note in result["notes"])
    (whole / "thru_overview.csv").write_bytes(comma(taken["thru_overview"][0], 1))
    assert run(tmp_path / "runs3", bench, whole)[0] == 2  # levels and decibels do not mix


def test_what_is_not_known_is_undecided(direct: Any, tmp_path: Path, capsys: Any) -> None:
    record, bench, taken = direct
    folder = save(tmp_path / "csv", taken, bare)
    assert run(tmp_path / "a", bench, folder)[0] == 2  # nobody is there to ask
    assert "settings=as planned" in capsys.readouterr().err
    assert not list((tmp_path / "a").glob("*"))
    status, again, _ = run(tmp_path / "b", bench, folder, "--set", "settings=unknown")
    assert status == 4
    assert statements(again) == {"undecided"}
    assert again["probability_conforming"] is None
    assert all("nobody declared it" in " ".join(result["notes"]) for result in again["results"])
    assert "attenuation" in again["results"][0]["notes"][-1]
    values = {r["id"]: r["value"] for r in record["results"]}
    assert all(abs(r["value"] - values[r["id"]]) < 0.1 for r in again["results"])  # the numbers are there all the same


def test_no_closing_thru(direct: Any, tmp_path: Path) -> None:
    """Undecided, unless it is declared how long it took, or the files tell."""
    _, bench, taken = direct
    fewer = {stem: sweeps for stem, sweeps in taken.items() if "closing" not in stem}
    folder = save(tmp_path / "csv", fewer, semicolon)
    status, record, _ = run(tmp_path / "a", bench, folder)
    assert status == 4
    lossy = [r for r in record["results"] if r.get("path")]
    assert {r["statement"] for r in lossy} == {"undecided"}
    assert all("no closing thru" in " ".join(r["notes"]) for r in lossy)
    assert run(tmp_path / "b", bench, folder, "--set", "duration=10 min")[0] == 0
    assert run(tmp_path / "c", bench, save(tmp_path / "timed", fewer, comma))[0] == 0


def test_the_date_of_the_test_is_that_of_the_files(direct: Any, tmp_path: Path) -> None:
    _, bench, taken = direct
    earlier = {
        stem: [replace(one, began=one.began.replace(year=2019)) for one in sweeps] for stem, sweeps in taken.items()
    }
    days = sorted(f"{one.began:%Y-%m-%d}" for sweeps in earlier.values() for one in sweeps)
    folder = save(tmp_path / "csv", earlier, comma)
    _, record, made = run(tmp_path / "a", bench, folder, "--serial", "INVENTED-2")
    read = record["began"][:10]
    assert not read.startswith("2019")
    page = (made / "report.html").read_text("utf-8")
    head = re.search(r"<dt>Measured</dt><dd>(.*?)</dd>", page)
    item = re.search(r'id="item-i".*?</tr>', page)
    assert head is not None
    assert item is not None
    for text in (head[1], item[0]):
        assert days[0] in text
        assert f"read {read}" in text
    (kept,) = trend_of([open_run(made).record], "INVENTED-2").series[0].points
    assert f"{kept.at:%Y-%m-%d}" == days[0]


def test_files_without_a_date_tell_no_date_of_the_test(direct: Any, tmp_path: Path) -> None:
    _, bench, taken = direct
    folder = save(tmp_path / "csv", taken, bare)
    _, record, made = run(tmp_path / "a", bench, folder, "--set", "settings=unknown", "--serial", "INVENTED-2")
    page = (made / "report.html").read_text("utf-8")
    said = f"read {record['began'][:10]}; the files do not tell when they were taken"
    assert f"<dt>Measured</dt><dd>{said}</dd>" in page
    assert said in page.partition('id="item-i"')[2].partition("</tr>")[0]
    assert not trend_of([open_run(made).record], "INVENTED-2").runs


def test_no_floor(direct: Any, tmp_path: Path) -> None:
    _, bench, taken = direct
    folder = save(tmp_path / "csv", {s: v for s, v in taken.items() if not s.startswith("floor")}, comma)
    status, record, _ = run(tmp_path / "a", bench, folder)
    assert status == 4
    deep = {"rejection", "isolation"}
    assert all((r["statement"] == "undecided") == (r["quantity"] in deep) for r in record["results"])


def test_a_floor_somewhere_else_is_no_floor(direct: Any, tmp_path: Path) -> None:
    _, bench, taken = direct
    far = {s: v for s, v in taken.items() if not s.startswith("floor") or s.endswith("transmit")}
    status, record, _ = run(tmp_path / "a", bench, save(tmp_path / "csv", far, comma))
    assert status == 4
    undecided = {r["id"] for r in record["results"] if r["statement"] == "undecided"}
    assert undecided >= {r["id"] for r in record["results"] if r["quantity"] == "isolation" and r["at"] == "receive"}
    assert not undecided & {r["id"] for r in record["results"] if r["at"] == "transmit"}


def test_a_clock_that_does_not_follow_the_hookups_is_not_believed(direct: Any, tmp_path: Path) -> None:
    _, bench, taken = direct
    fewer = {stem: sweeps for stem, sweeps in taken.items() if "closing" not in stem}
    folder = save(tmp_path / "csv", fewer, comma)
    path = folder / "thru_receive.csv"
    path.write_bytes(re.sub(rb"Date,\d{4}", b"Date,2099", path.read_bytes()))
    status, record, _ = run(tmp_path / "a", bench, folder)
    assert status == 4
    assert all("no closing thru" in " ".join(r["notes"]) for r in record["results"] if r.get("path"))


def test_one_fine_overview_of_each_hookup_stands_for_the_rest(direct: Any, tmp_path: Path, capsys: Any) -> None:
    """The same grid everywhere, made of the zoom at receive: then only what is judged there can be answered."""
    _, bench, taken = direct
    only = {s.replace("_receive", "_overview"): v for s, v in taken.items() if s.endswith("_receive")}
    only = {s: v for s, v in only.items() if s != "floor-on_overview"}
    only["floor-on_leakage-receive"] = taken["floor-on_leakage-receive"]
    only["floor-off_leakage-receive"] = taken["floor-off_leakage-receive"]
    recipe = tmp_path / "receive.yaml"
    text = read_recipe(STARTER)[0]
    lines = [line for line in text.splitlines() if "at: transmit" not in line and "isolation" not in line]
    recipe.write_text("\n".join(lines).replace("at: [transmit, receive]", "at: receive") + "\n")
    status, record, _ = run(tmp_path / "a", bench, save(tmp_path / "csv", only, comma), recipe=str(recipe))
    assert status == 0, capsys.readouterr().err
    assert statements(record) == {"pass"}


def test_nothing_in_a_folder_speaks_to_the_terminal(direct: Any, tmp_path: Path, capsys: Any) -> None:
    _, bench, taken = direct
    folder = save(tmp_path / "csv", {"thru_receive": taken["thru_receive"]}, comma)
    (folder / "a\x1b[2Jb.csv").write_text("x")
    (folder / "thru_overview.csv").write_text("Hz;dBm \x1b[2J\n146000000;-1 \n146000001;-2\n", encoding="utf-8")
    assert run(tmp_path / "runs", bench, folder)[0] == 2
    assert "\x1b[2J" not in capsys.readouterr().err


def test_everything_missing_is_told_at_once_before_anything_is_begun(direct: Any, tmp_path: Path, capsys: Any) -> None:
    _, bench, taken = direct
    gone = {"thru_receive", "TX-ANT_transmit", "reflect-short_receive"}
    folder = save(tmp_path / "csv", {s: v for s, v in taken.items() if s not in gone}, comma)
    wide = taken["TX-RX_receive"][0]
    thin = replace(
        wide, trace=replace(wide.trace, freq_hz=wide.trace.freq_hz[::4], level_dbm=wide.trace.level_dbm[::4])
    )
    (folder / "TX-RX_receive.csv").write_bytes(comma(thin, 1))
    (folder / "TX-RX_receive.2.csv").unlink()
    (folder / "TX-ANT_transmitt.csv").write_bytes(comma(taken["TX-ANT_transmit"][0], 1))
    status, _, _ = run(tmp_path / "runs", bench, folder)
    said = capsys.readouterr().err
    assert status == 2
    assert not (tmp_path / "runs").exists() or not list((tmp_path / "runs").iterdir())
    for stem in gone:
        assert f"missing: {stem}" in said
    assert "TX-RX_receive.csv: its points are" in said
    assert "TX-ANT_transmitt.csv; did you mean" in said


def test_the_wrong_file_is_found_out(direct: Any, tmp_path: Path, capsys: Any) -> None:
    """A copy under another name is refused at once, one path saved as another by what it shows."""
    _, bench, taken = direct
    folder = save(tmp_path / "csv", taken, comma)
    shutil.copy(folder / "TX-ANT_overview.csv", folder / "ANT-RX_overview.csv")
    assert run(tmp_path / "runs", bench, folder)[0] == 2
    assert "hold the same trace" in capsys.readouterr().err
    folder = save(tmp_path / "other", {**taken, "TX-ANT_overview": taken["thru-closing_overview"]}, comma)
    assert run(tmp_path / "runs", bench, folder)[0] in (2, 3)
    assert "TX-ANT" in capsys.readouterr().err


@pytest.fixture(scope="module")
def vector(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's device as scikit-rf has it, saved as one Touchstone file, with a floor 120 dB down."""
    spec = importlib.util.spec_from_file_location("twin", HERE / "sequencer/core/test_circuit_scikit_rf.py")
    assert spec is not None
    assert spec.loader is not None
    twin = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(twin)
    import skrf

    circuit = devices.build(devices.for_recipe(STARTER)).circuit
    freq = np.linspace(145.9e6, 146.7e6, 1601)
    ports = [circuit.index(name) for name in ("TX", "RX", "ANT")]
    s = twin.scikit_rf_s(circuit, freq)[:, ports][:, :, ports]
    folder = tmp_path_factory.mktemp("vector")
    skrf.Network(f=freq, f_unit="hz", s=s, z0=50).write_touchstone(str(folder / "TX-RX-ANT"), form="db")
    floor = np.full((freq.size, 2, 2), 1e-6 + 0j)
    skrf.Network(f=freq, f_unit="hz", s=floor, z0=50).write_touchstone(str(folder / "floor"), form="ri")
    (folder / "bench.yaml").write_text(
        "bench: 1\nanalyzer: {resource: none, vswr: {limit: 1.03}}\ngenerator: {vswr: {limit: 1.03}}\n"
        "bridge: {directivity: 42 dB, test port vswr: 1.03}\n"
        "specifications: {scale: {per dB: 0.01 dB/dB, over range: 0.2 dB}, load vswr: 1.01}\n"
    )
    return folder


def test_zooms_of_another_evening_beside_this_ones_overview_decide_nothing(direct: Any, tmp_path: Path) -> None:
    """The overview of a unit that loses 1.6 dB more in the pass band, as an oxidised one does."""
    _, bench, taken = direct
    (sweep,) = taken["TX-ANT_overview"]
    other = replace(sweep, trace=replace(sweep.trace, level_dbm=sweep.trace.level_dbm - 1.6))
    folder = save(tmp_path / "csv", {**taken, "TX-ANT_overview": [other]}, comma)
    status, record, _ = run(tmp_path / "runs", bench, folder)
    assert status == 4
    undecided = {r["id"]: r["notes"] for r in record["results"] if r["statement"] == "undecided"}
    assert set(undecided) == {"insertion loss TX-ANT transmit", "rejection TX-ANT receive"}
    for notes in undecided.values():  # both figures
        assert any("the overview reads 3.0 dB" in n and "of the same hookup 1.4 dB" in n for n in notes), notes
        assert any("two matings or two states of the device" in n for n in notes)  # no file tells of joints


def test_deep_zooms_of_another_state_beside_an_overview_near_its_noise_decide_nothing(
    direct: Any, tmp_path: Path
) -> None:
    """Rods slipped by 25 kHz: alone the overview's points there lie too near the noise, their course does not."""
    _, bench, taken = direct
    mixed = dict(taken)
    (stem,) = (stem for stem in taken if stem.startswith("TX-ANT_overview"))
    mixed[stem] = []
    for sweep in taken[stem]:
        freq_hz, level_dbm = sweep.trace.freq_hz, sweep.trace.level_dbm
        mixed[stem].append(replace(sweep, trace=Trace(freq_hz, np.interp(freq_hz + 25e3, freq_hz, level_dbm))))
    status, record, _ = run(tmp_path / "runs", bench, save(tmp_path / "csv", mixed, comma))
    assert status == 4
    (found,) = (result for result in record["results"] if result["id"] == "rejection TX-ANT receive")
    assert found["statement"] == "undecided"
    assert any("the overview reads" in note and "the zoom 'receive'" in note for note in found["notes"])


@pytest.mark.parametrize(
    ("stem", "more_db"),
    [
        pytest.param("TX-RX", 5.0, id="isolation: a pad or a bad joint in one hookup"),
        pytest.param("TX-ANT_receive", 9.0, id="rejection: as with a shorted port in place of its load"),
    ],
)
def test_three_readings_that_fit_no_junction_decide_nothing(
    direct: Any, tmp_path: Path, stem: str, more_db: float
) -> None:
    """|S31| = |S21| |S32| / |1 + S22|, and all four were measured: by 5 dB and by 9 dB they do not fit."""
    _, bench, taken = direct
    edited = {
        name: [replace(s, trace=replace(s.trace, level_dbm=s.trace.level_dbm - more_db)) for s in sweeps]
        for name, sweeps in taken.items()
        if name.startswith(stem)
    }
    status, record, folder = run(tmp_path / "runs", bench, save(tmp_path / "csv", {**taken, **edited}, comma))
    assert status == 4
    undecided = {r["path"] for r in record["results"] if r["statement"] == "undecided"}
    assert undecided == {"TX-ANT", "ANT-RX", "TX-RX"}
    assert any("joined at one point, with the match measured at ANT" in text for text in record["warnings"])
    # a recipe that asks for no isolation cannot see it, and the same sweeps decide no more for that; nor judged thrice
    for _ in range(2):
        old = set((tmp_path / "runs").glob("*/result.json"))
        assert main(["judge", str(folder), "--recipe", "vhf-600k-quick", "--out", str(tmp_path / "runs")]) == 4
        (made,) = set((tmp_path / "runs").glob("*/result.json")) - old
        folder, again = made.parent, json.loads(made.read_text())
        assert {r["statement"] for r in again["results"] if r["path"]} == {"undecided"}
        assert any("joined at one point" in text for text in again["warnings"])


def test_a_vector_file_agrees_with_the_truth(vector: Path, tmp_path: Path) -> None:
    status, record, folder = run(tmp_path, vector / "bench.yaml", vector)
    assert status == 0
    recipe = load_recipe(*read_recipe(STARTER))
    circuit = devices.build(devices.for_recipe(STARTER)).circuit
    for result, requirement in zip(record["results"], recipe.requirements, strict=True):
        truth = true_value(circuit, requirement)
        assert result["interval"][0] <= truth <= (result["interval"][1] or 999.0), result["id"]
        assert abs(result["value"] - truth) < 0.05, result["id"]  # a step of 500 Hz: bottoms lie on no point exactly
    assert "S21, corrected by the vector analyzer" in (folder / "report.html").read_text()


def test_a_vector_files_comment_tells_when_it_was_taken(vector: Path, tmp_path: Path) -> None:
    folder = tmp_path / "traces"
    folder.mkdir()
    for name, day in (("TX-RX-ANT.s3p", "2019-05-02"), ("floor.s2p", "2019-05-02")):
        (folder / name).write_text(f"! Date: {day} 19:30:05\n" + (vector / name).read_text())
    status, record, made = run(tmp_path / "runs", vector / "bench.yaml", folder)
    assert status == 0
    assert open_run(made).record.measuring_began.isoformat() == "2019-05-02T19:30:05+00:00"
    path = folder / "floor.s2p"
    path.write_text(path.read_text().replace("2019-05-02", "2018-05-02"))
    _, record, _ = run(tmp_path / "again", vector / "bench.yaml", folder)
    undecided = {r["quantity"] for r in record["results"] if r["statement"] == "undecided"}
    assert undecided == {"rejection", "isolation"}  # last year's floor


def test_a_vector_file_needs_an_uncertainty_of_its_own(vector: Path, tmp_path: Path, capsys: Any) -> None:
    bench = tmp_path / "silent.yaml"
    bench.write_text("bench: 1\nanalyzer: {resource: none}\n")
    assert run(tmp_path / "runs", bench, vector)[0] == 2
    said = capsys.readouterr().err
    for figure in ("analyzer: vswr", "generator: vswr", "scale", "directivity", "test port vswr"):
        assert figure in said


def test_a_vector_file_without_its_floor_proves_nothing_deep(vector: Path, tmp_path: Path) -> None:
    folder = tmp_path / "traces"
    folder.mkdir()
    shutil.copy(vector / "TX-RX-ANT.s3p", folder)
    status, record, _ = run(tmp_path / "runs", vector / "bench.yaml", folder)
    assert status == 4
    deep = {"rejection", "isolation"}
    assert all((r["statement"] == "undecided") == (r["quantity"] in deep) for r in record["results"])


def test_a_run_that_stopped_goes_on(direct: Any, tmp_path: Path) -> None:
    """Cut off in the middle it goes on with the same files; where one was changed, all is read afresh."""
    record, bench, taken = direct
    traces = save(tmp_path / "csv", taken, comma)
    _, whole, folder = run(tmp_path / "runs", bench, traces)
    for changed in (False, True):
        cut = tmp_path / f"cut{changed}" / folder.name
        shutil.copytree(folder, cut)
        lines = (cut / "journal.jsonl").read_text().splitlines(keepends=True)
        (cut / "journal.jsonl").write_text("".join(lines[: len(lines) // 2]))
        for name in ("manifest.json", "result.json", "report.html"):
            (cut / name).unlink()
        if changed:
            path = traces / "thru_overview.csv"
            path.write_bytes(path.read_bytes().replace(b"Trace,A", b"Trace,B"))
        assert main(["resume", str(cut), "--yes"]) == 0
        again = json.loads((cut / "result.json").read_text())
        assert again["resumed"] == 1
        assert [r["value"] for r in again["results"]] == [r["value"] for r in whole["results"]]
        assert any("are not those of before" in text for text in again["warnings"]) == changed
        assert main(["archive", "verify", "--out", str(cut.parent)]) == 0
    del record


def test_an_index_names_files_and_columns(direct: Any, tmp_path: Path, capsys: Any) -> None:
    record, bench, taken = direct
    folder = save(tmp_path / "csv", {s: v for s, v in taken.items() if s != "TX-ANT_receive"}, comma)
    first, second = taken["TX-ANT_receive"][:2]
    rows = zip(first.trace.freq_hz, first.trace.level_dbm, second.trace.level_dbm, strict=True)
    used = first.used
    text = "Hz;A <b>x</b> (dBm);B (dBm)\n" + "".join(f"{f:.3f};{a:.4f};{b:.4f}\n" for f, a, b in rows)
    (folder / "TRACE7.CSV").write_text(text)
    said = (
        f"attenuation: {used.attenuation_db} dB, generator level: {used.generator_dbm} dBm, detector: power, "
        f"reference level: {used.reference_dbm} dBm, rbw: {used.rbw_hz} Hz, sweep time: {used.sweep_time_s} s, "
        "averaging: off"
    )
    (folder / "traces.yaml").write_text(
        "traces: 1\nfiles:\n  TX-ANT_receive:\n"
        f"    - {{file: TRACE7.CSV, trace: 'A <b>x</b>', {said}}}\n    - {{file: TRACE7.CSV, trace: 2, {said}}}\n"
    )
    status, again, run_folder = run(tmp_path / "runs", bench, folder, "--set", "duration=1 min")
    assert status == 0, capsys.readouterr().err
    alike(again, record, 0.02)
    report = (run_folder / "report.html").read_text()
    assert "<b>x</b>" not in report
    assert "TRACE7.CSV#A &lt;b&gt;x&lt;/b&gt;" in report


@pytest.mark.parametrize(
    ("index", "says"),
    [
        pytest.param("traces: 2\n", "must be 1", id="version"),
        pytest.param("traces: 1\nfiles: {thru_overview: ../secret.csv}\n", "no file of this folder", id="outside"),
        pytest.param("traces: 1\nfiles: {thru_overview: /etc/hostname}\n", "no file of this folder", id="absolute"),
        pytest.param("traces: 1\nfiles: {thru_overvew: a.csv}\n", "did you mean", id="typo"),
        pytest.param("traces: 1\nfiles: {thru_overview: {trace: 1}}\n", "write a file's name", id="no file"),
        pytest.param("traces: 1\nsettings: {rbw: fast}\nfiles: {thru_overview: a.csv}\n", "rbw", id="wrong unit"),
        pytest.param("traces: 1\nsettings: {colour: red}\n", "no setting", id="unknown setting"),
        pytest.param("traces: 1\nfils: {}\n", "did you mean", id="unknown key"),
        pytest.param("files: [a, b]\n", "right shape", id="shape"),
    ],
)
def test_a_wrong_index_is_told(tmp_path: Path, direct: Any, capsys: Any, index: str, says: str) -> None:
    _, bench, taken = direct
    (tmp_path / "secret.csv").write_text("Hz,dBm\n146000000,-1\n146000001,-2\n")
    folder = tmp_path / "csv"
    folder.mkdir()
    (folder / "a.csv").write_bytes(comma(taken["thru_overview"][0], 1))
    (folder / "traces.yaml").write_text(index)
    assert run(tmp_path / "runs", bench, folder)[0] == 2
    assert says in capsys.readouterr().err


def test_a_link_out_of_the_folder_is_not_read(tmp_path: Path, direct: Any, capsys: Any) -> None:
    _, bench, taken = direct
    folder = save(tmp_path / "csv", {"thru_receive": taken["thru_receive"]}, comma)
    (tmp_path / "secret.csv").write_bytes(comma(taken["thru_overview"][0], 1))
    (folder / "thru_overview.csv").symlink_to(tmp_path / "secret.csv")
    assert run(tmp_path / "runs", bench, folder)[0] == 2
    assert "leads out of the folder" in capsys.readouterr().err


@pytest.mark.parametrize("word", ["rbw=1 kHz", "settings=as planned"])
def test_settings_of_traces_need_traces(word: str, capsys: Any) -> None:
    assert main(["run", STARTER, "--bench", "simulated", "--yes", "--set", word]) == 2
    assert "--traces" in capsys.readouterr().err


def test_a_simulated_bench_takes_no_traces(tmp_path: Path, capsys: Any) -> None:
    assert main(["run", STARTER, "--bench", "simulated", "--traces", str(tmp_path), "--out", str(tmp_path)]) == 2
    assert "bench FILE" in capsys.readouterr().err


def test_the_names_are_printed(capsys: Any) -> None:
    assert main(["check", STARTER, "--files"]) == 0
    text = capsys.readouterr().out
    for name in ("thru_overview", "floor-off_receive", "TX-ANT_receive", "thru-closing_transmit", "TX-RX-ANT.s3p"):
        assert name in text


_JUNK = st.binary(max_size=200) | st.text(max_size=200).map(lambda t: t.encode("utf-8", "replace"))


@given(
    st.dictionaries(st.sampled_from(["thru_overview.csv", "TX-ANT_receive.txt", "TX-ANT.s2p", "floor.ts"]), _JUNK),
    st.none() | _JUNK,
)
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_lies_in_the_folder_the_error_is_clear(
    tmp_path: Path, files: dict[str, bytes], index: bytes | None
) -> None:
    folder = tmp_path / "junk"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, data in files.items():
        (folder / name).write_bytes(data)
    if index is not None:
        (folder / "traces.yaml").write_bytes(index)
    recipe, bench = load_recipe(*read_recipe(STARTER)), load_bench("bench: 1\nanalyzer: {resource: none}\n", "b")
    with pytest.raises(NotchbookError):  # never a whole measurement
        open_saved(recipe, bench, folder, {"settings": "as planned"}, None, datetime.now(UTC))
