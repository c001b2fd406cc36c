"""A finished run stays a finished run, whatever is taken out of its folder."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer.archive.filed import filed_runs
from sequencer.archive.integrity import verify_archive, verify_one
from sequencer.archive.reading import open_run
from sequencer.archive.runfolder import RunFolder
from sequencer.errors import UsageError
from sequencer.formats.canonical import sha256_bytes

ENDED = ("manifest.json", "result.json", "report.html")


def unfinish(folder: Path) -> None:
    """Take away what makes it a finished run, in the folder and at the end of its journal."""
    for name in ENDED:
        (folder / name).unlink()
    journal = folder / "journal.jsonl"
    lines = [line for line in journal.read_text().splitlines(keepends=True) if json.loads(line)["kind"] != "finished"]
    journal.write_text("".join(lines))


def test_every_filed_run_is_remembered_with_its_record(tmp_path: Path, file_run: Any) -> None:
    folders = [file_run(tmp_path, f"r{number}") for number in range(3)]
    hashes = {folder.name: sha256_bytes((folder / "result.json").read_bytes()) for folder in folders}
    assert {run_id: link.record for run_id, link in filed_runs(tmp_path).items()} == hashes
    assert [link.number for link in filed_runs(tmp_path).values()] == [1, 2, 3]


@pytest.mark.parametrize("which", [0, 1, 2], ids=["oldest", "between", "newest"])
def test_a_filed_run_made_unfinished_is_not_gone_on_with_and_shows(tmp_path: Path, file_run: Any, which: int) -> None:
    folders = [file_run(tmp_path, f"r{number}") for number in range(3)]
    unfinish(folders[which])
    before = sorted(path.name for path in folders[which].iterdir())
    with pytest.raises(UsageError, match=r"was finished and filed as number \d .*, and its manifest.json is gone"):
        RunFolder.reopen(folders[which])
    assert sorted(path.name for path in folders[which].iterdir()) == before
    for verdict in (verify_archive(tmp_path), verify_one(folders[which])):
        assert any("manifest.json is gone" in finding.text for finding in verdict.findings)
        assert not verdict.holds


def _without(*kept: str) -> Callable[[Path], None]:
    def take(folder: Path) -> None:
        for path in sorted(folder.rglob("*"), reverse=True):
            if path.is_file() and path.name not in kept:
                path.unlink()

    return take


TAKEN = [
    pytest.param(_without("result.json", "report.html", "001.csv"), "has neither manifest.json nor", id="no-marks"),
    pytest.param(_without(), "has neither manifest.json nor", id="emptied"),
    pytest.param(shutil.rmtree, "its folder is gone", id="removed"),
    pytest.param(lambda folder: folder.rename(folder.with_name("elsewhere")), "its folder is gone", id="renamed"),
]


@pytest.mark.parametrize(("take", "says"), TAKEN)
@pytest.mark.parametrize("which", [0, 1, 2], ids=["oldest", "between", "newest"])
def test_a_filed_run_whose_folder_is_emptied_or_gone_shows(
    tmp_path: Path, file_run: Any, take: Callable[[Path], None], says: str, which: int
) -> None:
    folders = [file_run(tmp_path, f"r{number}") for number in range(3)]
    take(folders[which])
    (text,) = [one.text for one in verify_archive(tmp_path).findings if one.where == folders[which].name and one.grave]
    assert says in text
    assert f"number {which + 1}" in text
    (text,) = [one.text for one in verify_one(folders[which]).findings]
    assert says in text


@pytest.mark.parametrize("take", [take.values[0] for take in TAKEN[:3]], ids=["no-marks", "emptied", "removed"])
@pytest.mark.parametrize("head", [True, False], ids=["remembered", "no-head"])
def test_no_run_takes_a_number_that_was_filed_before(
    tmp_path: Path, file_run: Any, take: Callable[[Path], None], head: bool
) -> None:
    folders = [file_run(tmp_path, f"r{number}") for number in range(3)]
    newest = filed_runs(tmp_path)[folders[-1].name]
    take(folders[-1])
    if not head:
        shutil.rmtree(tmp_path / ".notchbook" / "chains")
    record = open_run(file_run(tmp_path, "r3")).record
    assert record is not None
    assert (record.chain_number, record.previous) == (4, newest.record)
    where = {one.where for one in verify_archive(tmp_path).findings if one.grave}
    assert where == {"r2", "r3"}  # the lost one, and that which names it


def test_benches_share_a_folder_and_a_copy_without_the_lists_verifies(tmp_path: Path, file_run: Any) -> None:
    for number in range(4):
        file_run(tmp_path / "a", f"r{number}", identification={"analyzer": f"A,{number % 2}"})
    assert verify_archive(tmp_path / "a").findings == ()
    shutil.copytree(tmp_path / "a", tmp_path / "b", ignore=shutil.ignore_patterns(".notchbook"))
    assert verify_archive(tmp_path / "b").findings == ()
    record = open_run(file_run(tmp_path / "b", "r4", identification={"analyzer": "A,1"})).record
    assert record is not None
    assert record.chain_number == 3
    assert verify_archive(tmp_path / "b").findings == ()


def test_a_torn_line_takes_no_other_with_it_and_lines_of_an_earlier_version_count(
    tmp_path: Path, file_run: Any
) -> None:
    file_run(tmp_path, "r1")
    path = tmp_path / ".notchbook" / "filed.jsonl"
    plain = json.loads(path.read_text())
    path.write_text(json.dumps({"run_id": "r1", "record": plain["record"]}) + '\n{"run_id": "r')
    file_run(tmp_path, "r2")
    assert list(filed_runs(tmp_path)) == ["r1", "r2"]
    assert verify_archive(tmp_path).findings == ()
    shutil.rmtree(tmp_path / "r1")
    assert not verify_archive(tmp_path).holds


def test_a_list_that_names_what_is_no_run_is_passed_by(tmp_path: Path, file_run: Any) -> None:
    file_run(tmp_path, "r1")
    with (tmp_path / ".notchbook" / "filed.jsonl").open("a") as file:
        file.write('{"run_id":"../../x","record":""}\n{"run_id":7,"record":""}\n[]\n7\n{"run_id":"r2","number":"x"}\n')
    assert list(filed_runs(tmp_path)) == ["r1"]


def test_a_run_ended_again_under_another_roof_shows(tmp_path: Path, file_run: Any) -> None:
    """Its folder taken elsewhere, ended there with another statement and put back in its place."""
    folder = file_run(tmp_path / "a", "r0")
    again = file_run(tmp_path / "b", "r0", title="Ended again")
    shutil.rmtree(folder)
    shutil.copytree(again, folder)
    assert any("holds another one" in finding.text for finding in verify_archive(tmp_path / "a").findings)


def test_an_interrupted_run_may_still_be_ended(tmp_path: Path, run: Any) -> None:
    store = RunFolder.create(tmp_path, run.run_id, run.recipe_text, run.bench_text)
    store.append(run.began())
    store.finish(run.record(complete=False), "interrupted")
    assert filed_runs(tmp_path) == {}
    RunFolder.reopen(store.folder)
