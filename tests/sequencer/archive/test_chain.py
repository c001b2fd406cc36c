"""Chains: who follows whom, whatever dies, is removed, or writes at the same moment."""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import json
import multiprocessing
import os
import platform
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer.archive.chain import Head, Link, bench_identity, check_chain, heads
from sequencer.archive.filed import filed_runs
from sequencer.archive.integrity import verify_archive
from sequencer.archive.lock import locked
from sequencer.archive.reading import open_run
from sequencer.archive.runfolder import RunFolder
from sequencer.core.record import Record
from sequencer.errors import StoreError
from sequencer.formats.canonical import sha256_bytes
from sequencer.formats.record import dump_record, load_record


def record_of(folder: Path) -> Record:
    record = open_run(folder).record
    assert record is not None
    return record


def place_of(folder: Path) -> tuple[int, str | None]:
    return record_of(folder).chain_number, record_of(folder).previous


def hash_of(folder: Path) -> str:
    return sha256_bytes((folder / "result.json").read_bytes())


def test_each_record_names_the_hash_of_its_benchs_previous_one(tmp_path: Path, file_run: Any) -> None:
    folders = [file_run(tmp_path, f"r{number}") for number in range(3)]
    assert place_of(folders[0]) == (1, None)
    assert place_of(folders[1]) == (2, hash_of(folders[0]))
    assert place_of(folders[2]) == (3, hash_of(folders[1]))
    assert verify_archive(tmp_path).findings == ()


def test_benches_have_chains_of_their_own(tmp_path: Path, file_run: Any) -> None:
    file_run(tmp_path, "r1", identification={"analyzer": "A,1"})
    other = file_run(tmp_path, "r2", identification={"analyzer": "A,2"})
    again = file_run(tmp_path, "r3", identification={"analyzer": "A,2"})
    assert [place_of(other)[0], place_of(again)[0]] == [1, 2]


def test_a_bench_is_its_instruments_and_its_file_but_for_a_simulated_one(run: Any) -> None:
    real = dataclasses.replace(run.record(), simulated=False)
    other_file = dataclasses.replace(real, bench_sha256="1" * 64)
    assert bench_identity(real) != bench_identity(other_file)
    simulated = [dataclasses.replace(one, simulated=True) for one in (real, other_file)]
    assert bench_identity(simulated[0]) == bench_identity(simulated[1])
    assert bench_identity(simulated[0]) != bench_identity(real)


def test_a_record_of_before_there_were_chains_still_opens(run: Any) -> None:
    plain = json.loads(dump_record(run.record()))
    for key in ("chain", "chain_number", "previous"):
        del plain[key]
    assert load_record(json.dumps(plain)) == run.record()


def test_an_interrupted_run_takes_no_place(tmp_path: Path, run: Any, file_run: Any) -> None:
    first = file_run(tmp_path, "r1")
    store = RunFolder.create(tmp_path, "r2", run.recipe_text, run.bench_text)
    store.append(dataclasses.replace(run.began(), run_id="r2"))
    interrupted = dataclasses.replace(run.record(complete=False), run_id="r2", identification={"analyzer": "A,1"})
    assert store.finish(interrupted, "").chain == ""
    assert place_of(file_run(tmp_path, "r3")) == (2, hash_of(first))
    again = RunFolder.reopen(tmp_path / "r2")
    assert again.finish(dataclasses.replace(interrupted, complete=True), "").chain_number == 3


def test_a_run_that_dies_while_it_is_filed_leaves_its_place_to_the_next(
    tmp_path: Path, run: Any, file_run: Any, flaky: Callable[..., Any], killed: type[BaseException]
) -> None:
    first = file_run(tmp_path / "0", "r1")
    record = dataclasses.replace(run.record(), run_id="r2", identification={"analyzer": "A,1"})
    begun = RunFolder.create(tmp_path / "0", "r2", run.recipe_text, run.bench_text)
    begun.append(dataclasses.replace(run.began(), run_id="r2"))

    def file_on(name: str, disk: Any) -> Path:
        root = tmp_path / name
        shutil.copytree(tmp_path / "0", root)
        with contextlib.suppress(killed, StoreError):
            RunFolder.reopen(root / "r2", disk=disk).finish(record, "")
        return root

    count = flaky(0)
    file_on("count", count)
    assert count.names.count("rename") == 4  # record, report, what the chain remembers, manifest
    for fail_at in range(1, count.done + 1):
        for how in ({"kill": True}, {"for_good": True}):
            root = file_on(f"{fail_at}-{'-'.join(how)}", flaky(fail_at, **how))
            filed = (root / "r2" / "manifest.json").exists()
            number, previous = place_of(file_run(root, "r3"))
            assert (number, previous) == ((3, hash_of(root / "r2")) if filed else (2, hash_of(first)))
            if not filed:
                RunFolder.reopen(root / "r2").finish(record, "")
                assert place_of(root / "r2")[0] == 3
            assert [one for one in verify_archive(root).findings if one.grave] == []


def test_what_is_remembered_may_be_lost_or_damaged(tmp_path: Path, file_run: Any) -> None:
    file_run(tmp_path, "r1")
    second = file_run(tmp_path, "r2")
    shutil.rmtree(tmp_path / ".notchbook")
    third = file_run(tmp_path, "r3")
    assert place_of(third) == (3, hash_of(second))
    (remembered,) = (tmp_path / ".notchbook" / "chains").glob("*.json")
    for damage in (b"", b"{", b"[]", b'{"last": {"run_id": "../.."}, "before": null}', b"\xff"):
        remembered.write_bytes(damage)
        assert heads(tmp_path) == []
        fourth = file_run(tmp_path, f"r4-{len(damage)}")
        assert place_of(fourth) == (4, hash_of(third))
        shutil.rmtree(fourth)
        (tmp_path / ".notchbook" / "filed.jsonl").unlink()
    remembered.unlink()
    assert place_of(file_run(tmp_path, "r4")) == (4, hash_of(third))


def test_the_newest_record_shows_that_it_was_removed_even_after_the_next_was_filed(
    tmp_path: Path, file_run: Any
) -> None:
    file_run(tmp_path, "r1")
    shutil.rmtree(file_run(tmp_path, "r2"))
    (tmp_path / ".notchbook" / "filed.jsonl").unlink()  # the head alone tells
    (finding,) = verify_archive(tmp_path).findings
    assert finding.grave
    assert "number 2, was removed" in finding.text
    file_run(tmp_path, "r3")
    (finding,) = verify_archive(tmp_path).findings
    assert (finding.where, finding.grave) == ("r3", True)
    assert "number 2" in finding.text


def test_a_run_that_could_not_be_filed_and_is_removed_leaves_no_gap(
    tmp_path: Path, run: Any, file_run: Any, flaky: Callable[..., Any]
) -> None:
    """As judging does: on a full disk not even the remembered head can be written back."""
    first = file_run(tmp_path / "0", "r1")
    record = dataclasses.replace(run.record(), run_id="r2", identification={"analyzer": "A,1"})

    def fail(name: str, disk: Any) -> Path:
        root = tmp_path / name
        shutil.copytree(tmp_path / "0", root)
        store = RunFolder.create(root, "r2", run.recipe_text, run.bench_text)
        store.append(dataclasses.replace(run.began(), run_id="r2"))
        with contextlib.suppress(StoreError):
            RunFolder.reopen(root / "r2", disk=disk).finish(record, "")
        return root

    count = flaky(0)
    fail("count", count)
    for fail_at in range(1, count.done + 1):
        for how in ({}, {"for_good": True}):
            root = fail(f"{fail_at}-{len(how)}", flaky(fail_at, **how))
            if (root / "r2" / "manifest.json").exists():
                continue
            shutil.rmtree(root / "r2")
            assert verify_archive(root).findings == (), (fail_at, how, count.names[fail_at - 1])
            assert place_of(file_run(root, "r3")) == (2, hash_of(first))


def test_any_removed_record_shows(tmp_path: Path, file_run: Any) -> None:
    folders = [file_run(tmp_path, f"r{number}") for number in range(1, 5)]
    for number, folder in enumerate(folders, 1):
        folder.rename(tmp_path / ".away")
        findings = verify_archive(tmp_path).findings
        assert [one.where for one in findings] == [folder.name, f"r{number + 1}"][: 1 + (number < len(folders))]
        assert all(one.grave and f"number {number}" in one.text for one in findings)
        (tmp_path / ".away").rename(folder)
    assert verify_archive(tmp_path).findings == ()


def link(number: int, record: str, previous: str | None, run_id: str = "") -> Link:
    return Link(run_id=run_id or record, chain="c" * 64, number=number, record=record, previous=previous)


def test_a_fork_is_told_but_is_no_change() -> None:
    findings = check_chain([link(1, "a", None), link(2, "b", "a"), link(2, "B", "a")])
    assert [(one.grave, "2 records" in one.text) for one in findings] == [(False, True)]
    two_starts = check_chain([link(1, "a", None), link(1, "A", None)])
    assert [(one.grave, "follow none" in one.text) for one in two_starts] == [(False, True)]


@pytest.mark.parametrize(
    ("links", "says"),
    [
        pytest.param([link(1, "a", None), link(3, "b", "a")], "yet follows a, number 1", id="number-skipped"),
        pytest.param([link(2, "a", None)], "names no record before it", id="not-the-first"),
        pytest.param([link(2, "b", "a")], "removed or changed", id="missing"),
        pytest.param(
            [dataclasses.replace(link(1, "a", None), chain="d" * 64), link(2, "b", "a")],
            "yet follows",
            id="other-bench",
        ),
    ],
)
def test_what_does_not_fit_is_grave(links: list[Link], says: str) -> None:
    (finding,) = check_chain(links)
    assert finding.grave
    assert says in finding.text


def test_a_head_that_another_record_follows_or_that_is_there_is_no_finding() -> None:
    links = [link(1, "a", None), link(2, "b", "a")]
    assert check_chain(links, [Head(last=links[1], before=links[0])]) == []


# -- writers at the same moment


def _file_many(root: str, who: int, count: int) -> None:
    from datetime import UTC, datetime

    from sequencer.core.history import Began
    from sequencer.core.record import Statement

    now = datetime(2026, 11, 25, 12, tzinfo=UTC)
    for number in range(count):
        run_id = f"w{who}-{number}"
        store = RunFolder.create(Path(root), run_id, "", "")
        store.append(
            Began(
                at=now, why="", run_id=run_id, program="p", recipe_sha256=sha256_bytes(b""),
                bench_sha256=sha256_bytes(b""), simulated=True, serial="",
            )
        )  # fmt: skip
        record = Record(
            program="p", run_id=run_id, simulated=True, overall=Statement.PASS, complete=True, title="t",
            recipe_name="n", recipe_text="", recipe_sha256=sha256_bytes(b""), bench_text="",
            bench_sha256=sha256_bytes(b""), decision="d", coverage=0.95, serial="", conditions={}, labels={},
            identification={"analyzer": "one bench"}, equipment=(), frequencies={}, ports=("IN",), began=now, ended=now,
            instrument_seconds=0.0, wall_seconds=0.0, hookups=(), traces=(), notes=(), warnings=(), results=(),
        )  # fmt: skip
        store.finish(record, "<html></html>")


def test_concurrent_writers_make_one_chain_without_a_fork(tmp_path: Path) -> None:
    writers, each = 4, 6
    context = multiprocessing.get_context("spawn")  # whole programs, as on a bench
    processes = [context.Process(target=_file_many, args=(str(tmp_path), who, each)) for who in range(writers)]
    for process in processes:
        process.start()
    for process in processes:
        process.join(60)
    assert [process.exitcode for process in processes] == [0] * writers
    assert len(filed_runs(tmp_path)) == writers * each
    runs = [path for path in tmp_path.iterdir() if not path.name.startswith(".")]
    assert sorted(place_of(folder)[0] for folder in runs) == list(range(1, writers * each + 1))
    assert verify_archive(tmp_path).findings == ()
    assert not list((tmp_path / ".notchbook" / "chains").glob("*.lock*"))


# -- the lock


def holder(pid: int, host: str | None = None, token: str = "abc") -> bytes:
    return json.dumps({"host": host or platform.node(), "pid": pid, "token": token}).encode()


def dead_pid() -> int:
    process = multiprocessing.get_context("spawn").Process(target=int)
    process.start()
    process.join()
    assert process.pid is not None
    return process.pid


def test_a_dead_holder_of_this_machine_is_passed_at_once(tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    lock.write_bytes(holder(dead_pid()))
    began = time.monotonic()
    with locked(lock, patience_s=60.0):
        assert json.loads(lock.read_bytes())["pid"] == os.getpid()
    assert time.monotonic() - began < 5.0  # far under the patience, far over a slow disk
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "content",
    [
        pytest.param(holder(1, "elsewhere"), id="another-machine"),
        pytest.param(b"", id="died-before-its-name-was-written"),
        pytest.param(b"[1]", id="not-a-holder"),
        pytest.param(holder(os.getpid(), token="../../x"), id="token-that-is-a-path"),
    ],
)
def test_any_other_holder_counts_as_dead_after_patience(tmp_path: Path, content: bytes) -> None:
    lock = tmp_path / "folder" / "lock"
    lock.parent.mkdir()
    lock.write_bytes(content)
    naps: list[float] = []
    began = time.monotonic()
    with locked(lock, patience_s=0.1, sleep=lambda s: (naps.append(s), time.sleep(s))[0]):
        pass
    assert time.monotonic() - began >= 0.1
    assert naps
    assert list(lock.parent.iterdir()) == []


def test_a_living_holder_is_waited_for(tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    lock.write_bytes(holder(os.getpid()))

    def release(_: float) -> None:
        lock.unlink()

    with locked(lock, sleep=release):
        assert lock.exists()


def test_a_lock_that_another_holds_by_now_is_not_removed(tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    with locked(lock):
        lock.write_bytes(holder(1, "elsewhere"))  # they took us for dead
    assert lock.exists()


def test_who_died_while_burying_keeps_nobody_out(tmp_path: Path) -> None:
    lock, spade = tmp_path / "lock", tmp_path / "lock.abc"
    lock.write_bytes(holder(dead_pid()))
    spade.write_bytes(b"")
    os.utime(spade, (time.time() - 3600, time.time() - 3600))
    with locked(lock, patience_s=5.0):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_leaves_no_empty_lock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, "full")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(OSError, match="full"), locked(tmp_path / "lock"):
        pass
    assert list(tmp_path.iterdir()) == []
