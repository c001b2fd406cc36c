"""A finished run stays a finished run, whatever is taken out of its folder."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from sequencer.archive.filed import filed_runs
from sequencer.archive.integrity import verify_archive, verify_one
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
    assert filed_runs(tmp_path) == hashes


@pytest.mark.parametrize("which", [0, 1, 2], ids=["oldest", "between", "newest"])
def test_a_filed_run_made_unfinished_is_not_gone_on_with_and_shows(tmp_path: Path, file_run: Any, which: int) -> None:
    folders = [file_run(tmp_path, f"r{number}") for number in range(3)]
    unfinish(folders[which])
    before = sorted(path.name for path in folders[which].iterdir())
    with pytest.raises(UsageError, match=r"was finished and filed, and its manifest.json is gone"):
        RunFolder.reopen(folders[which])
    assert sorted(path.name for path in folders[which].iterdir()) == before
    for verdict in (verify_archive(tmp_path), verify_one(folders[which])):
        assert any("manifest.json is gone" in finding.text for finding in verdict.findings)
        assert not verdict.holds


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
