"""A short run to write, and disks that fail or die at the nth operation."""

from __future__ import annotations

import dataclasses
import errno
import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pytest

from sequencer.archive.disk import Disk
from sequencer.archive.runfolder import RunFolder
from sequencer.core.history import Began, Entry, Finished, MadeSafe, Role, Swept
from sequencer.core.record import Record, Statement, TraceRecord
from sequencer.core.trace import Sweep, SweepSettings, Trace
from sequencer.formats.canonical import sha256_text

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
RECIPE = "recipe: 1\r\nname: ä\n"
BENCH = "bench: 1\n"
PAGE = """<!doctype html>
<html><head><style>p { color: black; }</style></head><body>
<p>Statement: pass</p>
<svg><path d="M0 4H690"/></svg>
<table><tr><td data-seal="record">not filed yet</td><td data-seal="previous">not filed yet</td></tr>
<tr><td data-seal="number">not filed yet</td><td data-seal="chain">not filed yet</td></tr></table>
</body></html>
"""


class Killed(BaseException):
    """The process dies here: no handler of ours may run usefully after it."""


class FlakyDisk(Disk):
    """Fails at the nth operation of those that change something, and at every later one when ``for_good``.

    A failing write first writes half of its data, as a full disk does. ``kill`` raises what no handler catches.
    """

    def __init__(self, fail_at: int, *, kill: bool = False, for_good: bool = False, code: int = errno.ENOSPC) -> None:
        self.fail_at, self.kill, self.for_good, self.code = fail_at, kill, for_good, code
        self.done = 0
        self.names: list[str] = []

    def _step(self, name: str) -> bool:
        self.done += 1
        self.names.append(name)
        return self.done == self.fail_at or (self.done > self.fail_at > 0 and (self.for_good or self.kill))

    def _fail(self) -> None:
        if self.kill:
            raise Killed
        raise OSError(self.code, os.strerror(self.code))

    def make_folder(self, path: Path) -> None:
        if self._step("make_folder"):
            self._fail()
        super().make_folder(path)

    def open(self, path: Path, mode: str) -> BinaryIO:
        if self._step("open"):
            self._fail()
        return super().open(path, mode)

    def write(self, file: BinaryIO, data: bytes) -> None:
        if self._step("write"):
            super().write(file, data[: len(data) // 2])
            self._fail()
        super().write(file, data)

    def sync(self, file: BinaryIO) -> None:
        if self._step("sync"):
            self._fail()
        super().sync(file)

    def truncate(self, file: BinaryIO, length: int) -> None:
        if self._step("truncate"):
            self._fail()
        super().truncate(file, length)

    def rename(self, old: Path, new: Path) -> None:
        if self._step("rename"):
            self._fail()
        super().rename(old, new)

    def sync_folder(self, path: Path) -> None:
        if self._step("sync_folder"):
            self._fail()
        super().sync_folder(path)

    def remove(self, path: Path) -> None:
        if self._step("remove"):
            self._fail()
        super().remove(path)

    def remove_folder(self, path: Path) -> None:
        if self._step("remove_folder"):
            self._fail()
        super().remove_folder(path)


@dataclasses.dataclass
class ShortRun:
    """The values of a run of three sweeps."""

    run_id: str = "20261125-120000-test-SN1"
    recipe_text: str = RECIPE
    bench_text: str = BENCH
    report: str = "<html>ä</html>\n"

    def sweep(self, number: int) -> Sweep:
        settings = SweepSettings(
            start_hz=146.0e6,
            stop_hz=146.02e6,
            points=3,
            rbw_hz=1e3,
            attenuation_db=10.0,
            reference_dbm=0.0,
            generator_dbm=0.0,
        )
        return Sweep(
            trace=Trace(settings.grid_hz(), np.array([-10.0 - number, np.nan, -30.1])),
            asked=settings,
            used=settings,
            flags=frozenset(),
            began=NOON,
            instrument_s=0.25,
        )

    def began(self) -> Entry:
        return Began(
            at=NOON,
            why="asked",
            run_id=self.run_id,
            program="test",
            recipe_sha256=sha256_text(RECIPE),
            bench_sha256=sha256_text(BENCH),
            simulated=True,
            serial="SN1",
        )

    def swept(self, number: int, file: str, sha256: str) -> Entry:
        return Swept(
            at=NOON,
            why=f"sweep {number}",
            hookup="thru",
            key="overview",
            role=Role.THRU,
            sweep=self.sweep(number),
            file=file,
            sha256=sha256,
        )

    def last(self) -> tuple[Entry, ...]:
        return (MadeSafe(at=NOON, why="end", proven=True), Finished(at=NOON, why="all done"))

    def record(self, *, complete: bool = True) -> Record:
        return Record(
            program="test",
            run_id=self.run_id,
            simulated=True,
            overall=Statement.PASS if complete else Statement.UNDECIDED,
            complete=complete,
            title="t",
            recipe_name="n",
            recipe_text=RECIPE,
            recipe_sha256=sha256_text(RECIPE),
            bench_text=BENCH,
            bench_sha256=sha256_text(BENCH),
            decision="d",
            coverage=0.95,
            serial="SN1",
            conditions={},
            labels={},
            identification={},
            equipment=(),
            frequencies={},
            ports=("IN", "OUT"),
            began=NOON,
            ended=NOON,
            instrument_seconds=0.75,
            wall_seconds=1.0,
            hookups=(),
            traces=(),
            notes=(),
            warnings=(),
            results=(),
        )


@pytest.fixture
def run() -> ShortRun:
    """A run to write."""
    return ShortRun()


@pytest.fixture
def flaky() -> Callable[..., FlakyDisk]:
    """Make a failing disk."""
    return FlakyDisk


@pytest.fixture
def killed() -> type[BaseException]:
    """What a dying disk raises."""
    return Killed


FileRun = Callable[..., Path]


@pytest.fixture(scope="session")
def file_run() -> FileRun:
    """File a whole run of one sweep under a root: (root, run id, sign=None, **fields of the record) -> its folder."""

    def file(root: Path, run_id: str, *, sign: Callable[[bytes], bytes] | None = None, **fields: Any) -> Path:
        run = ShortRun(run_id=run_id, report=PAGE)
        store = RunFolder.create(root, run_id, run.recipe_text, run.bench_text, sign=sign)
        store.append(run.began())
        file, sha256 = store.store_sweep("thru", "overview", "thru", run.sweep(0))
        store.append(run.swept(0, file, sha256))
        for entry in run.last():
            store.append(entry)
        trace = TraceRecord(
            file=file, sha256=sha256, hookup="thru", key="overview", role="thru", began=NOON, used=run.sweep(0).used
        )
        given = {"identification": {"analyzer": "A,1"}, "traces": (trace,), **fields}
        store.finish(dataclasses.replace(run.record(), **given), run.report)
        return store.folder

    return file
