"""The few file operations a run folder needs, each one a place where a disk can fail.

Tests hand in a `Disk` that fails at any of them; `storing` turns what the system says into words.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from sequencer.errors import StoreError

__all__ = ["KEPT", "Disk", "storing", "write_whole"]

KEPT = "What was stored before is kept"  # how the words of `storing` end

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_LOCKED = {errno.EACCES, errno.EPERM, errno.EROFS}
_IN_THE_WAY = {errno.EEXIST, errno.ENOTDIR, errno.EISDIR}
_GONE = {errno.ENOENT, errno.EIO, errno.ESTALE, errno.ENXIO, errno.ENODEV, errno.ENOTCONN}
_NO_FOLDER_SYNC = {errno.EINVAL, errno.EBADF, errno.ENOTSUP}  # some network shares cannot sync a folder


class Disk:
    """The real disk."""

    def make_folder(self, path: Path) -> None:
        """Make one folder; FileExistsError when it is there."""
        path.mkdir()

    def open(self, path: Path, mode: str) -> BinaryIO:
        """Open a file in a binary mode, unbuffered, so that every write reaches the system or fails here."""
        return open(path, mode, buffering=0)  # type: ignore[return-value]  # noqa: PTH123

    def write(self, file: BinaryIO, data: bytes) -> None:
        """Write all of the data."""
        view = memoryview(data)
        while view:
            view = view[file.write(view) :]

    def sync(self, file: BinaryIO) -> None:
        """Let what was written survive a power cut."""
        os.fsync(file.fileno())

    def truncate(self, file: BinaryIO, length: int) -> None:
        """Cut a file to its first ``length`` bytes."""
        file.truncate(length)

    def rename(self, old: Path, new: Path) -> None:
        """Rename in one step; a file of the new name is replaced."""
        old.replace(new)

    def sync_folder(self, path: Path) -> None:
        """Let renames in a folder survive a power cut (POSIX; elsewhere a rename is durable or cannot be made so)."""
        if os.name != "posix":
            return
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        except OSError as exc:
            if exc.errno not in _NO_FOLDER_SYNC:
                raise
        finally:
            os.close(handle)

    def remove(self, path: Path) -> None:
        """Remove a file; nothing happens when it is not there."""
        path.unlink(missing_ok=True)

    def remove_folder(self, path: Path) -> None:
        """Remove an empty folder."""
        path.rmdir()


def write_whole(disk: Disk, path: Path, data: bytes) -> None:
    """Write a file whole or not at all: a temporary neighbour, fsync, rename, fsync of the folder. OSError else."""
    beside = path.with_name(f".{path.name}.part")
    try:
        with disk.open(beside, "wb") as file:
            disk.write(file, data)
            disk.sync(file)
        disk.rename(beside, path)
    except OSError:
        with contextlib.suppress(OSError):  # the first failure is the one to tell
            disk.remove(beside)
        raise
    disk.sync_folder(path.parent)


@contextlib.contextmanager
def storing(what: str, folder: Path) -> Iterator[None]:
    """Turn an OSError into a StoreError that says what could not be written, where, why, and what to do."""
    try:
        yield
    except OSError as exc:
        if exc.errno in _FULL:
            do = "the disk or your quota is full: free some space"
        elif exc.errno in _LOCKED:
            do = "the folder cannot be written: check its permissions and that the disk is not read-only"
        elif exc.errno in _GONE:
            do = "the folder is gone or its disk fails: check the drive or network share"
        elif exc.errno in _IN_THE_WAY:
            do = "something else of that name stands there: move it away or choose another --out"
        else:
            do = "check the disk"
        reason = exc.strerror or str(exc)
        msg = f"{folder}: could not write {what} ({reason}); {do}. {KEPT}"
        raise StoreError(msg, folder=str(folder), what=what, errno=exc.errno) from exc
