from __future__ import annotations

import dataclasses
import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer.archive import names
from sequencer.archive.disk import Disk
from sequencer.archive.reading import StoredRun, list_runs, open_run, verify_run
from sequencer.archive.runfolder import RunFolder
from sequencer.core.history import Began, Finished, Stopped, Swept
from sequencer.errors import NotchbookError, StoredDataError, StoreError, UsageError
from sequencer.ports import RunStore
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.starters import read_recipe

SWEEPS = 3
FILED = 3  # operations of the line that remembers what was filed: open, write, sync


def create(root: Path, run: Any, disk: Disk | None = None) -> RunFolder:
    return RunFolder.create(root, run.run_id, run.recipe_text, run.bench_text, disk=disk or Disk())


def go_on(store: RunFolder, run: Any, stored: list[int] | None = None) -> None:
    """What an engine does, from the journal on: begin if nothing is there, take the sweeps that are missing, end.

    ``stored`` collects the numbers of the sweeps whose journal line was acknowledged.
    """
    history = open_run(store.folder).history
    have = [entry for entry in history if isinstance(entry, Swept)]
    if not history:
        store.append(run.began())
    for number in range(len(have), SWEEPS):
        store.transcript(">", b"INIT\n")
        store.append(run.swept(number, *store.store_sweep("thru", "overview", "thru", run.sweep(number))))
        if stored is not None:
            stored.append(number)
    if not history or not isinstance(history[-1], Finished):
        for entry in run.last():
            store.append(entry)
    store.finish(run.record(), run.report)


def levels(stored: StoredRun) -> list[float]:
    return [entry.sweep.trace.level_dbm[0] for entry in stored.history if isinstance(entry, Swept)]


def is_whole(folder: Path, run: Any) -> bool:
    stored = open_run(folder)
    assert stored.record is not None
    assert stored.record.chain_number == 1
    assert dataclasses.replace(stored.record, chain="", chain_number=0) == run.record()
    assert levels(stored) == [-10.0, -11.0, -12.0]
    assert isinstance(stored.history[-1], Finished)
    return verify_run(folder) == []


def test_a_run_folder_holds_the_files_of_the_design(tmp_path: Path, run: Any) -> None:
    store: RunStore = create(tmp_path / "new" / "runs", run)
    assert isinstance(store, RunFolder)
    go_on(store, run)
    folder = tmp_path / "new" / "runs" / run.run_id
    files = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert files == {
        "journal.jsonl",
        "result.json",
        "report.html",
        "traces/001.csv",
        "traces/002.csv",
        "traces/003.csv",
        "recipe.yaml",
        "bench.yaml",
        "bus.log",
        "manifest.json",
    }
    assert is_whole(folder, run)
    stored = open_run(folder)
    assert (stored.recipe_text, stored.bench_text, stored.torn) == (run.recipe_text, run.bench_text, False)
    report = (folder / "report.html").read_bytes()
    assert report.startswith(run.report.encode("utf-8") + b"<!-- notchbook seal 1\n")
    back = [entry.sweep for entry in stored.history if isinstance(entry, Swept)][1]
    assert np.array_equal(back.trace.level_dbm, run.sweep(1).trace.level_dbm, equal_nan=True)
    assert back.used == run.sweep(1).used


def test_a_new_run_is_an_unfinished_one_without_entries(tmp_path: Path, run: Any) -> None:
    stored = open_run(create(tmp_path, run).folder)
    assert (stored.record, stored.history, stored.torn) == (None, (), False)


def test_an_existing_run_is_never_touched(tmp_path: Path, run: Any) -> None:
    create(tmp_path, run).append(run.began())
    with pytest.raises(StoreError, match="exists already"):
        create(tmp_path, run)
    assert len(open_run(tmp_path / run.run_id).history) == 1


def test_two_benches_that_take_one_name_at_once_get_one_run_each_or_an_error(tmp_path: Path, run: Any) -> None:
    class Late(Disk):
        def rename(self, old: Path, new: Path) -> None:
            if new.name == run.run_id:  # the other bench was faster by a moment
                create(tmp_path, run).append(run.began())
            super().rename(old, new)

    with pytest.raises(StoreError, match="exists already"):
        create(tmp_path, run, Late())
    assert len(open_run(tmp_path / run.run_id).history) == 1
    assert [path.name for path in tmp_path.iterdir()] == [run.run_id]


@pytest.mark.parametrize(
    "run_id", ["", ".", "..", "a/b", "/a", "a\\b", ".hidden", "a b", "a\n", "a:b", "ä", "a..b", "a.", "x" * 121]
)
def test_an_unsafe_run_id_is_refused_before_anything_is_made(tmp_path: Path, run: Any, run_id: str) -> None:
    run.run_id = run_id
    with pytest.raises(UsageError, match="cannot be a folder name"):
        create(tmp_path / "runs", run)
    assert list(tmp_path.iterdir()) == []


def operations(root: Path, run: Any, flaky: Callable[..., Any]) -> list[str]:
    """Names of the disk operations of a whole run, in order."""
    disk = flaky(0)
    go_on(create(root, run, disk), run)
    return list(disk.names)


def test_the_failing_disk_of_these_tests_sees_every_kind_of_operation(tmp_path: Path, run: Any, flaky: Any) -> None:
    names = operations(tmp_path, run, flaky)
    assert set(names) == {"make_folder", "open", "write", "sync", "rename", "sync_folder"}
    # creation, traces, journal, finish, bus.log, the list of what was filed
    assert names.count("sync") == 3 + SWEEPS + (SWEEPS + 3) + 4 + 1 + 1
    assert names.count("rename") == 3 + 1 + SWEEPS + 4  # creation and its folder, traces, finish


@pytest.mark.parametrize(
    "how", [{}, {"for_good": True}, {"kill": True}], ids=["error-once", "error-from-then-on", "killed"]
)
def test_whatever_operation_fails_every_stored_sweep_is_kept_and_the_run_goes_on(
    tmp_path: Path, run: Any, flaky: Any, killed: type[BaseException], how: dict[str, bool]
) -> None:
    count = len(operations(tmp_path / "count", run, flaky))
    failures = 0
    for fail_at in range(1, count + 1):
        root = tmp_path / f"at-{fail_at}"
        disk = flaky(fail_at, **how)
        acknowledged: list[int] = []
        try:
            go_on(create(root, run, disk), run, acknowledged)
        except (StoreError, killed):
            failures += 1
        else:  # only the log of exchanges and the list of what was filed may fail unheard
            assert is_whole(root / run.run_id, run)
            continue
        if not list_runs(root):
            assert acknowledged == []
            create(root, run)
        stored = open_run(root / run.run_id)
        assert levels(stored)[: len(acknowledged)] == [-10.0 - number for number in acknowledged]
        if fail_at < count - FILED:  # the last one before makes the manifest's rename durable: the run is finished
            assert stored.record is None
            go_on(RunFolder.reopen(root / run.run_id), run)
        assert is_whole(root / run.run_id, run)
    assert failures > 0.8 * count


def test_resuming_may_fail_at_any_operation_too(tmp_path: Path, run: Any, flaky: Any) -> None:
    def torn_and_reported_on(root: Path) -> Path:
        store = create(root, run)
        store.append(run.began())
        store.append(run.swept(0, *store.store_sweep("thru", "overview", "thru", run.sweep(0))))
        with (store.folder / "journal.jsonl").open("ab") as file:
            file.write(b'{"half')
        RunFolder.reopen(store.folder).finish(run.record(complete=False), "interrupted")
        return store.folder

    whole = flaky(0)
    go_on(RunFolder.reopen(torn_and_reported_on(tmp_path / "count"), disk=whole), run)
    assert {"remove", "truncate"} <= set(whole.names)
    for fail_at in range(1, whole.done + 1):
        folder = torn_and_reported_on(tmp_path / f"at-{fail_at}")
        try:
            go_on(RunFolder.reopen(folder, disk=flaky(fail_at)), run)
        except StoreError:
            stored = open_run(folder)
            assert levels(stored)[:1] == [-10.0]
            if stored.record is None or not stored.record.complete:
                go_on(RunFolder.reopen(folder), run)
        assert is_whole(folder, run)


def test_a_failed_creation_leaves_nothing(tmp_path: Path, run: Any, flaky: Any) -> None:
    disk = flaky(0)
    create(tmp_path / "count", run, disk)
    for fail_at in range(1, disk.done + 1):
        root = tmp_path / f"at-{fail_at}"
        with pytest.raises(StoreError, match="could not write a new run"):
            create(root, run, flaky(fail_at))
        assert list(root.iterdir()) == []


def test_after_a_torn_line_the_same_store_goes_on(tmp_path: Path, run: Any, flaky: Any) -> None:
    store = create(tmp_path, run)
    store.append(run.began())
    store._disk = flaky(2)  # the write of the next line
    stop = Stopped(at=run.began().at, why="x")
    with pytest.raises(StoreError, match="full"):
        store.append(stop)
    assert open_run(store.folder).torn
    store.append(stop)
    stored = open_run(store.folder)
    assert [type(entry) for entry in stored.history] == [Began, Stopped]
    assert not stored.torn


def test_a_reopened_run_cuts_a_torn_line_and_never_reuses_a_trace_number(tmp_path: Path, run: Any) -> None:
    store = create(tmp_path, run)
    store.append(run.began())
    store.store_sweep("thru", "overview", "thru", run.sweep(9))  # died before its journal line
    with (store.folder / "journal.jsonl").open("ab") as file:
        file.write(b'{"at":"2026')
    again = RunFolder.reopen(store.folder)
    name, sha256 = again.store_sweep("thru", "overview", "thru", run.sweep(0))
    assert name == "traces/002.csv"
    again.append(run.swept(0, name, sha256))
    stored = open_run(store.folder)
    assert len(stored.history) == 2
    assert not stored.torn


def test_trace_numbers_grow_beyond_three_digits_and_are_sealed(tmp_path: Path, run: Any) -> None:
    store = create(tmp_path, run)
    store.append(run.began())
    (store.folder / "traces" / "999.csv").write_text("x")
    again = RunFolder.reopen(store.folder)
    assert again.store_sweep("h", "k", "thru", run.sweep(0))[0] == "traces/1000.csv"
    again.finish(run.record(), "")
    (store.folder / "traces" / "1000.csv").write_text("")
    assert [d.file for d in verify_run(store.folder)] == ["traces/1000.csv"]


def test_two_programs_on_one_run_are_noticed(tmp_path: Path, run: Any) -> None:
    store = create(tmp_path, run)
    store.append(run.began())
    RunFolder.reopen(store.folder).append(Stopped(at=run.began().at, why="other"))
    with pytest.raises(StoreError, match="resumed elsewhere"):
        store.append(Stopped(at=run.began().at, why="mine"))
    assert len(open_run(store.folder).history) == 2


def test_nothing_is_added_to_a_finished_run(tmp_path: Path, run: Any) -> None:
    store = create(tmp_path, run)
    go_on(store, run)
    store.transcript(">", b"too late")
    for late in (
        lambda: store.append(run.began()),
        lambda: store.store_sweep("h", "k", "thru", run.sweep(0)),
        lambda: store.finish(run.record(), ""),
    ):
        with pytest.raises(NotchbookError, match="sealed"):
            late()
    with pytest.raises(UsageError, match="complete"):
        RunFolder.reopen(store.folder)
    assert is_whole(store.folder, run)


def test_an_interrupted_run_that_was_reported_on_can_go_on(tmp_path: Path, run: Any) -> None:
    store = create(tmp_path, run)
    store.append(run.began())
    store.finish(run.record(complete=False), "interrupted")
    stored = open_run(store.folder)
    assert stored.record is not None
    assert not stored.record.complete
    again = RunFolder.reopen(store.folder)
    assert open_run(store.folder).record is None
    go_on(again, run)
    assert is_whole(store.folder, run)


def test_foreign_files_are_neither_sealed_nor_in_the_way(tmp_path: Path, run: Any) -> None:
    store = create(tmp_path, run)
    (store.folder / "a:b").write_text("left by the desktop")
    go_on(store, run)
    assert [(d.file, d.kind) for d in verify_run(store.folder)] == [("a:b", "added")]


def test_every_changed_missing_or_added_file_is_found(tmp_path: Path, run: Any) -> None:
    store = create(tmp_path, run)
    go_on(store, run)
    for path in [p for p in store.folder.rglob("*") if p.is_file() and p.name != "manifest.json"]:
        name = path.relative_to(store.folder).as_posix()
        data = path.read_bytes()
        path.write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
        assert [(d.file, d.kind) for d in verify_run(store.folder)] == [(name, "changed")]
        path.unlink()
        assert [(d.file, d.kind) for d in verify_run(store.folder)] == [(name, "missing")]
        path.write_bytes(data)
    (store.folder / "traces" / "004.csv").write_text("")
    assert [(d.file, d.kind) for d in verify_run(store.folder)] == [("traces/004.csv", "added")]


@pytest.mark.parametrize(
    ("code", "says"),
    [
        pytest.param(errno.ENOSPC, "free some space", id="full"),
        pytest.param(errno.EDQUOT, "free some space", id="quota"),
        pytest.param(errno.EROFS, "read-only", id="read-only"),
        pytest.param(errno.EACCES, "permissions", id="permission"),
        pytest.param(errno.ESTALE, "network share", id="share-gone"),
        pytest.param(errno.EIO, "drive", id="drive-fails"),
        pytest.param(errno.EMFILE, "check the disk", id="other"),
    ],
)
def test_errors_say_what_was_lost_where_and_what_to_do(
    tmp_path: Path, run: Any, flaky: Any, code: int, says: str
) -> None:
    store = create(tmp_path, run)
    store._disk = flaky(1, code=code)
    with pytest.raises(StoreError, match=says) as caught:
        store.store_sweep("h", "k", "thru", run.sweep(0))
    text = str(caught.value)
    assert str(store.folder) in text
    assert "traces/001.csv" in text
    assert os.strerror(code) in text
    assert isinstance(caught.value.__cause__, OSError)


def test_a_folder_that_vanished_is_said_so(tmp_path: Path, run: Any) -> None:
    store = create(tmp_path, run)
    store.folder.rename(tmp_path / "elsewhere")
    for act in (lambda: store.append(run.began()), lambda: store.store_sweep("h", "k", "thru", run.sweep(0))):
        with pytest.raises(StoreError, match="the folder is gone"):
            act()
    with pytest.raises(StoreError, match="the folder is gone"):
        store.finish(run.record(), "")


def test_a_root_that_is_a_file_is_said_so(tmp_path: Path, run: Any) -> None:
    (tmp_path / "runs").write_text("")
    with pytest.raises(StoreError, match="something else of that name"):
        create(tmp_path / "runs", run)


def test_a_run_that_cannot_be_read_is_not_reopened(tmp_path: Path) -> None:
    with pytest.raises(StoredDataError, match="missing"):
        RunFolder.reopen(tmp_path)


def test_runs_of_one_second_get_names_of_their_own(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(names, "make_run_id", lambda *_: "20261125-081502-invented")
    recipe = load_recipe(*read_recipe("vhf-600k-quick"))
    folders = [RunFolder.create_named(tmp_path, recipe, "", "bench: 1").folder.name for _ in range(12)]
    assert folders == ["20261125-081502-invented", *(f"20261125-081502-invented.{n}" for n in range(2, 13))]


def test_every_sweep_and_every_entry_is_forced_to_the_disk(tmp_path: Path, run: Any, monkeypatch: Any) -> None:
    """A trace and its folder before the journal's line, the line before the next step: fsync each, by the real disk."""
    synced: list[str] = []
    real = os.fsync

    def fsync(handle: int) -> None:
        synced.append(Path(f"/proc/self/fd/{handle}").readlink().name)
        real(handle)

    store = RunFolder.create(tmp_path, "r1", run.recipe_text, run.bench_text)
    monkeypatch.setattr(os, "fsync", fsync)
    file, sha256 = store.store_sweep("thru", "overview", "thru", run.sweep(0))
    assert synced == [f".{Path(file).name}.part", "traces"]
    store.append(run.swept(0, file, sha256))
    assert synced[2:] == ["journal.jsonl"]
