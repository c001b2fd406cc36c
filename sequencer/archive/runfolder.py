"""The run folder as the engine writes it: every call is on disk before it returns, or raises StoreError.

The order holds the promise: a trace file is durable before the journal line that names it, and
manifest.json, which alone makes a run a finished one, comes last. So whatever moment a run dies at, what
is left reads as an unfinished run with every sweep that was stored.
"""

from __future__ import annotations

import contextlib
import errno
import itertools
import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from sequencer.archive import names
from sequencer.archive.buslog import BusLog
from sequencer.archive.chain import link_of, place
from sequencer.archive.disk import Disk, storing, write_whole
from sequencer.archive.filed import filed_runs, lost, remember
from sequencer.archive.index import newest_link
from sequencer.archive.reading import facts_of, marks_of, open_run
from sequencer.core.history import Entry
from sequencer.core.record import Record
from sequencer.core.trace import Sweep
from sequencer.errors import NotchbookError, StoreError, UsageError
from sequencer.formats.canonical import sha256_bytes
from sequencer.formats.journal import encode, whole_length
from sequencer.formats.manifest import dump_manifest, mark_of
from sequencer.formats.record import dump_record
from sequencer.formats.seal import seal
from sequencer.formats.trace_csv import dump_trace
from sequencer.recipe.model import Recipe

__all__ = ["RunFolder"]

_DISK = Disk()


class RunFolder:
    """A run that is being written; satisfies `sequencer.ports.RunStore`. Made by `create` or `reopen`."""

    def __init__(
        self,
        folder: Path,
        disk: Disk,
        now: Callable[[], datetime] | None,
        sign: Callable[[bytes], bytes] | None = None,
    ) -> None:
        self.folder = folder
        self._disk = disk
        self._sign = sign
        self._bus = BusLog(folder / names.BUS_LOG, disk, now)
        journal = (folder / names.JOURNAL).read_bytes()
        self._found = len(journal)  # bytes the journal has, as far as we know
        self._good = whole_length(journal)  # bytes of whole lines; the rest is cut before the next line
        self._finished = False
        taken = [path.stem for path in (folder / names.TRACES).glob("*.csv")]
        self._next = max((int(stem) for stem in taken if stem.isdecimal()), default=0) + 1

    @classmethod
    def create_named(
        cls,
        root: Path,
        recipe: Recipe,
        serial: str,
        bench_text: str,
        *,
        sign: Callable[[bytes], bytes] | None = None,
    ) -> RunFolder:
        """Make a new run folder named after time, recipe and serial; a second one of the same second is numbered.

        Raises
        ------
        StoreError
            When the disk does not let us.
        """
        run_id = names.make_run_id(datetime.now(UTC), recipe.name, serial)
        for number in itertools.count(2):
            try:
                return cls.create(root, run_id, recipe.text, bench_text, sign=sign)
            except RunExistsError:
                run_id = f"{run_id.removesuffix(f'.{number - 1}')}.{number}"
        raise AssertionError  # pragma: no cover - the count has no end

    @classmethod
    def create(
        cls,
        root: Path,
        run_id: str,
        recipe_text: str,
        bench_text: str,
        *,
        disk: Disk = _DISK,
        now: Callable[[], datetime] | None = None,
        sign: Callable[[bytes], bytes] | None = None,
    ) -> RunFolder:
        """Make a new run folder ``root/run_id``; it appears whole (recipe, bench, empty journal) or not at all.

        ``sign`` turns the sealed report into a signed one (`sequencer.archive.signing`); `finish` calls it.

        Raises
        ------
        UsageError
            When the id cannot be a folder name.
        StoreError
            When a run of this id exists, or the disk does not let us.
        """
        folder = root / names.check_run_id(run_id)
        part = root / f".{run_id}.{os.urandom(4).hex()}.part"  # another bench may share the root
        files = {names.RECIPE: recipe_text, names.BENCH: bench_text, names.JOURNAL: ""}
        with storing("a new run", folder):
            root.mkdir(parents=True, exist_ok=True)
            if folder.exists():
                raise _exists(folder)
            made = part
            try:
                disk.make_folder(part)
                disk.make_folder(part / names.TRACES)
                for name, text in files.items():
                    write_whole(disk, part / name, text.encode("utf-8"))
                disk.rename(part, folder)  # refused by the system when a run has got this name meanwhile
                made = folder
                disk.sync_folder(root)
            except OSError as exc:
                with contextlib.suppress(OSError):  # the first failure is the one to tell
                    _remove_folder(made, disk)
                if exc.errno in (errno.EEXIST, errno.ENOTEMPTY):
                    raise _exists(folder) from exc
                raise
            return cls(folder, disk, now, sign)

    @classmethod
    def reopen(
        cls,
        folder: Path,
        *,
        disk: Disk = _DISK,
        now: Callable[[], datetime] | None = None,
        sign: Callable[[bytes], bytes] | None = None,
    ) -> RunFolder:
        """Open an unfinished run to go on with it; a torn last journal line is cut off by the next `append`.

        Raises
        ------
        UsageError
            When the run is complete: nothing may be added to it.
        StoredDataError
            When the folder cannot be read as a run.
        """
        stored = open_run(folder)
        filed = filed_runs(folder.absolute().parent).get(folder.absolute().name)
        if filed and filed.record and (stored.record is None or not stored.record.complete):
            msg = f"{folder}: this run {lost(folder, filed)}"
            raise UsageError(msg, folder=str(folder))
        if stored.record is not None:
            if stored.record.complete:
                msg = f"{folder}: this run is complete; nothing can be added to it. Start a new run instead"
                raise UsageError(msg, folder=str(folder))
            # An interrupted run that was reported on: without its seal the run is unfinished again.
            with storing("the run's state", folder):
                disk.remove(folder / names.MANIFEST)
                disk.sync_folder(folder)
        with storing("the run's state", folder):
            return cls(folder, disk, now, sign)

    def discard(self) -> None:
        """Remove a run in which nothing happened: the bench was never reached. One with a journal stays."""
        if self._good == 0:
            self._bus.close()
            with contextlib.suppress(OSError):  # an empty folder left behind harms nobody
                _remove_folder(self.folder, self._disk)
            self._finished = True

    def transcript(self, direction: str, data: bytes) -> None:
        """Note one exchange with an instrument for bus.log; never raises. After `finish` nothing is noted."""
        self._bus.note(direction, data)

    def store_sweep(self, hookup: str, key: str, role: str, sweep: Sweep) -> tuple[str, str]:
        """Write the next trace file; return (file relative to the run folder, sha256)."""
        self._refuse_if_finished()
        name = f"{names.TRACES}/{self._next:03d}.csv"
        data = dump_trace(hookup, key, role, sweep).encode("utf-8")
        with storing(f"{name} (the sweep just taken)", self.folder):
            write_whole(self._disk, self.folder / name, data)
        self._next += 1
        return name, sha256_bytes(data)

    def append(self, entry: Entry) -> None:
        """Append one line to the journal.

        Raises
        ------
        StoreError
            When it is not on disk. What a failed write left behind is cut off before the next line.
        """
        self._refuse_if_finished()
        self._bus.flush()
        data = encode(entry).encode("utf-8")
        path = self.folder / names.JOURNAL
        with storing(f"{names.JOURNAL} (what the run just did)", self.folder), self._disk.open(path, "r+b") as file:
            size = file.seek(0, os.SEEK_END)
            if not self._good <= size <= self._found:
                msg = f"{path}: changed by someone else; is this run being resumed elsewhere? Let only one go on"
                raise StoreError(msg, folder=str(self.folder))
            if size != self._good:
                self._disk.truncate(file, self._good)
                file.seek(self._good)
            self._found = self._good + len(data)
            self._disk.write(file, data)
            self._disk.sync(file)
        self._good = self._found

    def finish(self, record: Record, report_html: str) -> Record:
        """Write result.json, report.html and, last, the manifest: with it the run counts as finished.

        The journal's last entry and the instruments' last exchange come before this call. Returns the record
        as it is stored: a complete run takes the next place in its bench's chain here.
        """
        self._refuse_if_finished()
        root = self.folder.parent
        report = report_html.encode("utf-8", "xmlcharrefreplace")  # half a surrogate pair has no UTF-8 form
        with storing("the result and the report", self.folder):
            for leftover in self.folder.rglob(".*.part"):
                self._disk.remove(leftover)
            with place(root, record, self._disk, lambda chain: newest_link(root, chain)) as (placed, announce):
                result = dump_record(placed).encode("utf-8")
                write_whole(self._disk, self.folder / names.RESULT, result)
                self._bus.close()
                own = {name: mark for name, mark in marks_of(self.folder).items() if names.is_own(name)}
                sealed = seal(report, facts_of(placed, result, own))
                if self._sign is not None:
                    sealed = self._sign(sealed)
                write_whole(self._disk, self.folder / names.REPORT, sealed)
                own[names.REPORT] = mark_of(sealed)
                announce(sha256_bytes(result))
                write_whole(self._disk, self.folder / names.MANIFEST, dump_manifest(own).encode("utf-8"))
        link = link_of(placed, result)
        if link is not None:
            remember(root, link, self._disk)
        self._finished = True
        return placed

    def _refuse_if_finished(self) -> None:
        if self._finished:
            msg = f"{self.folder}: nothing can be added after the run was finished and sealed by its manifest"
            raise NotchbookError(msg, folder=str(self.folder))


class RunExistsError(StoreError):
    """A run of this name is there already."""


def _exists(folder: Path) -> RunExistsError:
    msg = f"{folder}: a run of this name exists already; give it another name"
    return RunExistsError(msg, folder=str(folder))


def _remove_folder(folder: Path, disk: Disk) -> None:
    """Remove a folder that `create` was making, if it is there."""
    for path in sorted(folder.rglob("*"), reverse=True):  # children before their folder
        if path.is_dir():
            disk.remove_folder(path)
        else:
            disk.remove(path)
    if folder.exists():
        disk.remove_folder(folder)
