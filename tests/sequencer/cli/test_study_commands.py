"""judge, compare, trend, study and run --baseline as typed, on runs of the simulated bench."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from sequencer.archive.disk import Disk
from sequencer.archive.reading import open_run, verify_run
from sequencer.cli.main import main
from sequencer.errors import StoreError

pytestmark = pytest.mark.bench


def take(root: Path, bench: str, *more: str) -> Path:
    before = set(root.iterdir()) if root.exists() else set()
    main(["run", "vhf-600k-quick", "--bench", bench, "--yes", "--out", str(root), "--serial", "INVENTED-1", *more])
    (folder,) = {path for path in root.iterdir() if not path.name.startswith(".")} - before
    return folder


@pytest.fixture(scope="module")
def archive(tmp_path_factory) -> dict[str, Path]:
    """Runs of one invented device: sound, sound on another visit, with a fault; and two harness lengths."""
    root = tmp_path_factory.mktemp("runs")
    made = {"root": root}
    made["sound"] = take(root, "simulated")
    made["again"] = take(root, "simulated:,visit=1", "--set", "temperature=24 degC")
    made["ill"] = take(root, "simulated:oxidised,visit=2")
    for visit, length in enumerate(("10 in", "14 in"), start=3):
        made[f"cut {visit}"] = take(root, f"simulated:,harness={length},visit={visit}", "--label", f"harness={length}")
    return made


def typed(capsys, *arguments: object) -> tuple[int, str, str]:
    status = main([str(argument) for argument in arguments])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_compare_says_yes_for_the_same_device_and_no_for_a_sick_one(archive, capsys, tmp_path) -> None:
    status, out, _ = typed(capsys, "compare", archive["sound"], archive["again"])
    assert status == 0
    assert "No change shown" in out
    assert "SIMULATED, NOT A MEASUREMENT" in out
    page = tmp_path / "page.html"
    status, out, _ = typed(capsys, "compare", archive["sound"], archive["again"], archive["ill"], "--write", page)
    assert status == 1
    assert "lower Q on that side" in " ".join(out.split())
    html = page.read_text(encoding="utf-8")
    assert html.count("SIMULATED, NOT A MEASUREMENT") > 3
    assert all(len(line) <= 80 for line in out.splitlines())


@pytest.mark.parametrize(
    ("call", "says"),
    [
        pytest.param(["compare", "{sound}"], "two runs or more", id="one-run"),
        pytest.param(["compare", "{sound}", "{sound}"], "given twice", id="same-run"),
        pytest.param(["compare", "{sound}", "nowhere"], "no run folder 'nowhere'", id="no-such-run"),
        pytest.param(["study", "{sound}", "{ill}", "--label", "harness"], "no label 'harness'", id="no-label"),
        pytest.param(["trend", "INVENTED-1"], "5 of the other kind (with --simulated)", id="only-simulated"),
        pytest.param(["trend", "INVENTED-9", "--simulated"], "no finished simulated run", id="no-such-device"),
        pytest.param(["trend", "invented-1", "--simulated"], "and there is 'INVENTED-1'", id="spelled-otherwise"),
        pytest.param(["judge", "{sound}", "--recipe", "70cm-5m-acceptance"], "was swept for", id="other-channel"),
        pytest.param(["judge", "{sound}", "--recipe", "single-cavity-acceptance"], "for the ports", id="ports"),
    ],
)
def test_what_cannot_be_done_is_said_with_status_2(archive, capsys, call, says) -> None:
    arguments = [part.format(**archive) for part in call]
    status, out, err = typed(capsys, *arguments, "--out", archive["root"])
    assert (status, out) == (2, "")
    assert says in err
    assert "Traceback" not in err


def test_judge_makes_a_new_run_that_names_its_parent_and_leaves_the_old_one(archive, capsys, tmp_path) -> None:
    strict = Path(archive["sound"] / "recipe.yaml").read_text(encoding="utf-8").replace("max: 1.6 dB", "max: 1.0 dB")
    recipe = tmp_path / "strict.yaml"
    recipe.write_text(strict, encoding="utf-8")
    root = tmp_path / "runs"
    old = root / archive["sound"].name
    shutil.copytree(archive["sound"], old)
    was = {path: path.read_bytes() for path in old.rglob("*") if path.is_file()}
    status, _, err = typed(capsys, "judge", old, "--recipe", recipe, "--out", root)
    assert status == 1
    assert "Judged again from the sweeps of" in err
    assert {path: path.read_bytes() for path in old.rglob("*") if path.is_file()} == was
    (new,) = (path for path in root.iterdir() if path != old and not path.name.startswith("."))
    assert verify_run(new) == []
    stored, parent = open_run(new), open_run(old)
    assert stored.record.parent == parent.record.run_id
    assert stored.record.simulated
    assert [t.sha256 for t in stored.record.traces] == [t.sha256 for t in parent.record.traces]
    by_id = {result.id: result for result in parent.record.results}
    for result in stored.record.results:  # same sweeps, same values: only the limits and statements differ
        assert result.value == pytest.approx(by_id[result.id].value, rel=1e-9)
    assert any(note.kind == "judged" for note in stored.record.notes)
    assert "Made from run" in (new / "report.html").read_text(encoding="utf-8")


def test_a_change_since_the_baseline_outlives_judging_again(archive, capsys, tmp_path) -> None:
    """Laxer limits, another recipe: the device changed all the same, and head and checklist say what was done when."""
    shutil.copytree(archive["sound"], tmp_path / archive["sound"].name)
    ill = take(tmp_path, "simulated:oxidised,visit=9", "--baseline", archive["sound"].name)
    text = (ill / "recipe.yaml").read_text(encoding="utf-8")
    recipe = tmp_path / "lax.yaml"
    recipe.write_text(re.sub(r"max: [\d.]+ dB", "max: 9 dB", re.sub(r"min: [\d.]+ dB", "min: 20 dB", text)), "utf-8")
    capsys.readouterr()
    there = set(tmp_path.iterdir())
    first = datetime.now(UTC)
    status, _, err = typed(capsys, "judge", ill, "--recipe", recipe, "--out", tmp_path)
    assert status == 1
    assert "Changed. The largest |E_n|" in " ".join(err.split())
    (new,) = (path for path in set(tmp_path.iterdir()) - there if not path.name.startswith("."))
    record, parent = open_run(new).record, open_run(ill).record
    assert (record.overall, record.change.changed) == ("pass", True)
    assert record.change == parent.change
    assert first <= record.judged <= datetime.now(UTC)
    page = (new / "report.html").read_text(encoding="utf-8")
    told = f"Judged again from run {ill.name} on {record.judged:%Y-%m-%d} under recipe {record.recipe_name};"
    assert told in page.split("</header>")[0]
    assert f"judged again and made on {record.judged:%Y-%m-%d}; issued when signed" in page
    assert "made when the run ended" not in page
    assert "CHANGED." in page
    assert "Judged again from" not in (ill / "report.html").read_text(encoding="utf-8")


def test_judging_that_fails_half_way_leaves_no_half_run(archive, capsys, tmp_path, monkeypatch) -> None:
    shutil.copytree(archive["sound"], tmp_path / archive["sound"].name)

    def full(*_: object) -> None:
        raise StoreError("could not write the result and the report: no space left")

    monkeypatch.setattr("sequencer.archive.runfolder.RunFolder.finish", full)
    status, _, err = typed(capsys, "judge", archive["sound"].name, "--recipe", "vhf-600k-quick", "--out", tmp_path)
    assert status != 0
    assert "no space left" in err
    assert [path.name for path in tmp_path.iterdir() if not path.name.startswith(".")] == [archive["sound"].name]


def test_judging_an_unfinished_run_is_refused_and_leaves_nothing(archive, capsys, tmp_path) -> None:
    root = tmp_path / "runs"
    old = root / archive["sound"].name
    shutil.copytree(archive["sound"], old)
    (old / "manifest.json").unlink()
    status, _, err = typed(capsys, "judge", old, "--recipe", "vhf-600k-quick", "--out", root)
    assert status == 2
    assert "never finished" in err
    assert [path for path in root.iterdir() if not path.name.startswith(".")] == [old]


def test_trend_tells_each_quantity_and_leaves_a_damaged_run_out(archive, capsys, tmp_path) -> None:
    root = tmp_path / "runs"
    shutil.copytree(archive["root"], root)
    broken = root / archive["ill"].name / "traces" / "001.csv"
    broken.write_bytes(broken.read_bytes() + b" ")
    page = tmp_path / "trend.html"
    status, out, err = typed(capsys, "trend", "INVENTED-1", "--simulated", "--out", root, "--write", page)
    assert status == 0
    assert "4 simulated runs" in out
    assert "24 degC" in out
    assert "not those its manifest names" in err
    assert "<svg" in page.read_text(encoding="utf-8")
    status, _, err = typed(capsys, "trend", "INVENTED-1", "--simulated", "--out", root, "--write", page)
    assert status == 2
    assert "exists already" in err


def test_a_study_of_harness_lengths_names_the_better_one(archive, capsys, tmp_path) -> None:
    cuts = [path for name, path in archive.items() if name.startswith("cut")]
    page = tmp_path / "study.html"
    status, out, _ = typed(capsys, "study", *cuts, "--label", "harness", "--write", page)
    assert status == 0
    assert "Best measured: 14 in" in out
    assert "one unchanged control" in out
    assert "Which is best for what" in page.read_text(encoding="utf-8")


def test_a_run_states_its_change_since_a_baseline(archive, capsys, tmp_path) -> None:
    out_dir = tmp_path / "runs"
    shutil.copytree(archive["sound"], out_dir / archive["sound"].name)
    call = ["run", "vhf-600k-quick", "--bench", "simulated:oxidised,visit=9", "--yes", "--json", "--out", out_dir]
    status, out, err = typed(capsys, *call, "--serial", "INVENTED-1", "--baseline", archive["sound"].name)
    assert status == 1
    record = json.loads(out)
    assert record["change"]["changed"] is True
    assert all(result["change"]["baseline"] == record["change"]["baseline"] for result in record["results"])
    assert "Against the baseline" in err
    report = next(path for path in out_dir.glob("*/report.html") if archive["sound"].name not in str(path))
    assert "Change since the baseline" in report.read_text(encoding="utf-8")
    there = len(list(out_dir.iterdir()))
    status, _, err = typed(capsys, *call, "--serial", "INVENTED-2", "--baseline", archive["sound"].name)
    assert status == 2
    assert "is of device INVENTED-1" in err
    assert len(list(out_dir.iterdir())) == there


def test_a_trend_of_an_edited_run_alone_names_the_damage(archive, capsys, tmp_path) -> None:
    shutil.copytree(archive["sound"], tmp_path / archive["sound"].name)
    result = tmp_path / archive["sound"].name / "result.json"
    result.write_text(result.read_text(encoding="utf-8").replace('"pass"', '"fail"'), encoding="utf-8")
    status, _, err = typed(capsys, "trend", "INVENTED-1", "--simulated", "--out", tmp_path)
    assert status == 2
    assert f"left out: {archive['sound'].name}: its record is not the one its manifest names" in err


def test_a_spare_that_changed_within_its_limits_is_no_yes(archive, capsys, tmp_path) -> None:
    """What the recipe allows decides where it says so; where it does not, any change is a no."""
    out_dir = tmp_path / "runs"
    shutil.copytree(archive["sound"], out_dir / archive["sound"].name)
    wide = (archive["sound"] / "recipe.yaml").read_text(encoding="utf-8")
    wide = re.sub(r"max: [\d.]+ dB", "max: 9 dB", re.sub(r"min: [\d.]+ dB", "min: 20 dB", wide))
    allowing = wide.replace("max: 9 dB}", "max: 9 dB, max change: 8 dB}").replace(
        "min: 20 dB}", "min: 20 dB, max change: 40 dB}"
    )
    for number, (text, ended) in enumerate(((wide, 1), (allowing, 0))):
        recipe = tmp_path / f"wide{number}.yaml"
        recipe.write_text(text, encoding="utf-8")
        call = ["run", recipe, "--bench", "simulated:oxidised,visit=9", "--yes", "--json", "--out", out_dir]
        against = ["--serial", "INVENTED-1", "--baseline", archive["sound"].name]
        status, out, _ = typed(capsys, *call, *against)
        record = json.loads(out)
        assert (record["overall"], record["change"]["changed"], status) == ("pass", True, ended)
    there = len(list(out_dir.iterdir()))
    status, _, err = typed(capsys, *call)
    assert status == 2
    assert "no baseline to hold it against" in err
    assert len(list(out_dir.iterdir())) == there
    _, _, err = typed(capsys, "judge", archive["sound"].name, "--recipe", recipe, "--out", out_dir)
    assert "'max change' is not held against anything" in " ".join(err.split())


@pytest.mark.parametrize(
    ("bench", "says"),
    [
        ("simulated:,harnes=12 in", "is not an option"),
        ("simulated:,harness=12", "has no unit"),
        ("simulated:single-cavity,harness=12 in", "takes no harness length"),
        ("simulated:,visit=-1", "none may be negative"),
    ],
)
def test_options_of_the_simulated_bench_are_checked(capsys, tmp_path, bench, says) -> None:
    status, _, err = typed(capsys, "run", "vhf-600k-quick", "--bench", bench, "--yes", "--out", tmp_path)
    assert status == 2
    assert says in err


@pytest.mark.parametrize("what", ["traces/", "result.json", "report.html", "manifest.json"])
def test_judge_on_a_full_disk_leaves_nothing_and_promises_no_resume(
    archive, capsys, tmp_path, monkeypatch, what
) -> None:
    root = tmp_path / "runs"
    shutil.copytree(archive["sound"].parent, root)
    before = sorted(path.name for path in root.iterdir())
    write = Disk.write

    def full(disk: Disk, file: Any, data: bytes) -> None:
        path = Path(file.name)
        if path.is_relative_to(root) and what.rstrip("/") in (
            path.parent.name,
            path.name.strip(".").removesuffix(".part"),
        ):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        write(disk, file, data)

    monkeypatch.setattr(Disk, "write", full)
    status, _, err = typed(capsys, "judge", archive["sound"].name, "--recipe", "vhf-600k-quick", "--out", root)
    assert status == 3
    assert "free some space" in err
    assert f"Nothing of the new run stays; {archive['sound'].name} is as it was" in err
    assert "resume" not in err
    monkeypatch.undo()
    assert sorted(path.name for path in root.iterdir() if path.name != ".notchbook") == [
        name for name in before if name != ".notchbook"
    ]
    assert typed(capsys, "archive", "verify", "--out", root)[0] == 0
