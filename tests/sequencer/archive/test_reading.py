from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from sequencer.archive.reading import check_order, find_run, list_runs, load_trace, open_run, verify_run
from sequencer.archive.runfolder import RunFolder
from sequencer.errors import StoredDataError, UsageError


@pytest.fixture
def folder(tmp_path: Path, run: Any) -> Path:
    """A finished run of one sweep."""
    store = RunFolder.create(tmp_path / "runs", run.run_id, run.recipe_text, run.bench_text)
    store.append(run.began())
    store.append(run.swept(0, *store.store_sweep("thru", "overview", "thru", run.sweep(0))))
    store.finish(run.record(), "<html>")
    return store.folder


@pytest.mark.parametrize("name", ["journal.jsonl", "recipe.yaml", "bench.yaml", "traces/001.csv", "result.json"])
def test_a_missing_or_unreadable_file_is_named(folder: Path, name: str) -> None:
    (folder / name).write_bytes(b"\xff\xfe")
    if name != "journal.jsonl":  # there it is a torn last line
        with pytest.raises(StoredDataError, match=name):
            open_run(folder)
    (folder / name).unlink()
    with pytest.raises(StoredDataError, match=f"{name}: missing"):
        open_run(folder)


def test_without_manifest_a_run_is_not_finished_whatever_else_is_there(folder: Path) -> None:
    (folder / "manifest.json").unlink()
    assert open_run(folder).record is None
    with pytest.raises(StoredDataError, match="never finished"):
        verify_run(folder)


def test_a_changed_trace_is_refused_with_its_line(folder: Path) -> None:
    path = folder / "traces" / "001.csv"
    path.write_text(path.read_text().replace("-10.0", "-10.5"))
    with pytest.raises(StoredDataError, match="changed since it was measured"):
        open_run(folder)


def test_a_journal_without_its_beginning_is_refused(folder: Path) -> None:
    path = folder / "journal.jsonl"
    path.write_bytes(path.read_bytes().split(b"\n", 1)[1])
    with pytest.raises(StoredDataError, match="starts with the beginning"):
        open_run(folder)


@pytest.mark.parametrize(
    ("name", "was", "made"),
    [
        ("result.json", b"}", b" }"),
        ("journal.jsonl", b'"simulated":', b'"simulated": '),
        ("recipe.yaml", b"\n", b" \n"),
        ("bench.yaml", b"\n", b" \n"),
    ],
)
def test_nothing_is_read_out_of_an_edited_run(folder: Path, name: str, was: bytes, made: bytes) -> None:
    """Else `report` and `judge` would give what was edited a fresh seal."""
    path = folder / name
    whole = path.read_bytes()
    path.write_bytes(whole.replace(was, made) if was in whole else whole + b" ")
    with pytest.raises(StoredDataError, match=f"{name}: not the file its manifest marks"):
        open_run(folder)


def test_a_link_out_of_the_folder_is_neither_read_nor_sealed(folder: Path, tmp_path: Path) -> None:
    path = folder / "traces" / "001.csv"
    outside = tmp_path / "outside.csv"
    path.rename(outside)  # even with the right content
    path.symlink_to(outside)
    with pytest.raises(StoredDataError, match="leads out of the run folder"):
        open_run(folder)
    assert [(d.file, d.kind) for d in verify_run(folder)] == [("traces/001.csv", "changed")]
    path.unlink()
    path.symlink_to(path)
    with pytest.raises(StoredDataError, match="001"):
        open_run(folder)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes among its files")
def test_a_pipe_in_place_of_a_trace_is_not_waited_for(folder: Path) -> None:
    path = folder / "traces" / "001.csv"
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(StoredDataError, match=r"001\.csv"):
        open_run(folder)
    with pytest.raises(StoredDataError, match="a pipe, not a file"):
        load_trace(folder, "traces/001.csv", "")
    assert [(d.file, d.kind) for d in verify_run(folder)] == [("traces/001.csv", "changed")]


@pytest.mark.parametrize("name", ["../outside", "/etc/hostname", "traces/../../x", "C:\\x"])
def test_names_that_leave_the_folder_are_refused(folder: Path, name: str) -> None:
    with pytest.raises(StoredDataError, match="inside the run folder"):
        load_trace(folder, name, "")


def make(root: Path, run: Any, *ids: str) -> None:
    for run_id in ids:
        RunFolder.create(root, run_id, run.recipe_text, run.bench_text)


def test_runs_are_listed_by_time_and_nothing_else_is(tmp_path: Path, run: Any) -> None:
    assert list_runs(tmp_path / "none") == []
    make(tmp_path, run, "20261126-b", "20261125-a")
    (tmp_path / ".20261127-c.1.part").mkdir()
    (tmp_path / "notes").mkdir()
    (tmp_path / "index.sqlite").write_text("")
    assert [path.name for path in list_runs(tmp_path)] == ["20261125-a", "20261126-b"]
    assert [path.name for path in list_runs(tmp_path, "20261126")] == ["20261126-b"]
    with pytest.raises(StoredDataError, match="cannot list"):
        list_runs(tmp_path / "index.sqlite")


def test_a_run_is_found_by_folder_or_unambiguous_start(tmp_path: Path, run: Any) -> None:
    root = tmp_path / "runs"
    make(root, run, "20261125-1", "20261125-12", "20261126-1")
    assert find_run(root, str(root / "20261125-1")) == root / "20261125-1"
    assert find_run(root, "20261126") == root / "20261126-1"
    assert find_run(root, "20261125-1") == root / "20261125-1"  # exact, though another begins so too
    assert find_run(tmp_path, str(root / "20261126-1")) == root / "20261126-1"
    with pytest.raises(UsageError, match=r"(?s)^3 runs in .*\n  20261126-1$"):
        find_run(root, "2026")
    for nothing in ("1999", "", " ", "../x", "\0"):
        with pytest.raises(UsageError, match="no run"):
            find_run(root, nothing)
    with pytest.raises(StoredDataError, match="not a run folder"):
        find_run(root, str(tmp_path))


def test_a_sweep_is_gone_on_from_only_under_the_hookup_that_was_in_place(folder: Path) -> None:
    """The fixture's run has a sweep of a thru that nobody says was connected."""
    with pytest.raises(StoredDataError, match=r"journal\.jsonl:2: a sweep of thru, while nothing was in place"):
        check_order(open_run(folder))
