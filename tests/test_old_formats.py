"""Runs of every format version ever written still open; what they hold is read by anybody's CSV and JSON readers."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest

from sequencer.cli.main import main
from sequencer.core.record import RECORD_VERSION

ARCHIVES = Path(__file__).parent / "data" / "archives"
KEPT = sorted(ARCHIVES.glob("record-*.zip"), key=lambda path: int(path.stem.rpartition("-")[2]))
OTHER_LIMITS = re.compile(r"max: 0\.7 dB")


@pytest.fixture(params=KEPT, ids=lambda path: path.stem)
def root(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The old runs, imported as a user imports them."""
    monkeypatch.chdir(tmp_path)
    assert main(["archive", "import", str(request.param)]) == 0
    return tmp_path / "runs"


def runs(root: Path) -> list[Path]:
    return sorted(path.parent for path in root.glob("*/result.json"))


def holds(now: Any, then: Any) -> bool:
    """Whether all that was written is still there as it was; a later version may add keys with their defaults."""
    if isinstance(then, dict):
        return isinstance(now, dict) and all(key in now and holds(now[key], value) for key, value in then.items())
    if isinstance(then, list):
        return isinstance(now, list) and len(now) == len(then) and all(map(holds, now, then))
    return bool(now == then)


def test_one_is_kept_of_every_version_and_never_made_anew() -> None:
    assert [path.stem for path in KEPT] == [f"record-{version}" for version in range(1, RECORD_VERSION + 1)]
    told = (ARCHIVES / "SOURCE.md").read_text(encoding="utf-8")
    assert all(hashlib.sha256(path.read_bytes()).hexdigest() in told for path in KEPT)


def test_it_verifies_and_its_reports_do_alone(root: Path) -> None:
    assert main(["archive", "verify"]) == 0
    for folder in runs(root):
        alone = root.parent / f"{folder.name}.html"
        alone.write_bytes((folder / "report.html").read_bytes())
        assert main(["archive", "verify", str(alone)]) == 0


def test_its_record_is_read_as_it_was_written(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for folder in runs(root):
        capsys.readouterr()
        assert main(["archive", "show", folder.name, "--json"]) == 0
        now = json.loads(capsys.readouterr().out)
        then = json.loads((folder / "result.json").read_text(encoding="utf-8"))
        assert holds(now, then), "a value that was written is read as another, or not at all"


def test_it_is_reported_compared_and_judged_again(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, second = runs(root)
    assert main(["report", first.name, "--write", "again.html"]) == 0
    assert "SIMULATED" in Path("again.html").read_text(encoding="utf-8")
    assert main(["compare", first.name, second.name, "--write", "compare.html"]) == 0
    assert main(["trend", "INVENTED-1", "--simulated"]) == 0
    strict = OTHER_LIMITS.sub("max: 0.35 dB", (first / "recipe.yaml").read_text(encoding="utf-8"))
    Path("strict.yaml").write_text(strict, encoding="utf-8")
    capsys.readouterr()
    assert main(["judge", first.name, "--recipe", "./strict.yaml"]) == 1
    assert "insertion loss IN-OUT" in capsys.readouterr().err
    made = json.loads((runs(root)[-1] / "result.json").read_text(encoding="utf-8"))
    assert (len(runs(root)), made["parent"], made["overall"]) == (3, first.name, "fail")
    assert main(["archive", "verify"]) == 0


def test_the_record_fits_the_published_schema(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["archive", "schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    for folder in runs(root):
        assert main(["archive", "show", folder.name, "--json"]) == 0
        jsonschema.Draft202012Validator(schema).validate(json.loads(capsys.readouterr().out))


def test_results_as_csv_say_to_csv_and_pandas_what_the_record_says(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = runs(root)[0]
    wanted = json.loads((folder / "result.json").read_text(encoding="utf-8"))["results"]
    capsys.readouterr()
    assert main(["archive", "show", folder.name, "--csv"]) == 0
    text = capsys.readouterr().out
    rows = list(csv.DictReader(io.StringIO(text)))
    frame = pd.read_csv(io.StringIO(text))
    assert len(rows) == len(frame) == len(wanted)
    for row, (_, line), result in zip(rows, frame.iterrows(), wanted, strict=True):
        unit = result["unit"].lower()
        assert row["id"] == line["id"] == result["id"]
        assert row["statement"] == line["statement"] == result["statement"]
        for name, number in (("value", result["value"]), ("interval_low", result["interval"][0])):
            assert float(row[f"{name}_{unit}"]) == line[f"{name}_{unit}"] == number
    assert bool(frame["simulated"].all())


def test_traces_are_read_by_csv_and_pandas(root: Path) -> None:
    for file in sorted((runs(root)[0] / "traces").glob("*.csv")):
        lines = file.read_text(encoding="utf-8").splitlines()
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
        frame = pd.read_csv(file, comment="#")
        assert list(frame.columns) == ["freq_hz", "level_dbm"]
        assert np.array_equal(frame["freq_hz"], [float(row["freq_hz"]) for row in rows])
        assert np.array_equal(frame["level_dbm"], [float(row["level_dbm"]) for row in rows])
