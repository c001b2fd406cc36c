"""bus.log: every exchange with the instruments, for people to read and for tests to replay.

One line an exchange, tab-separated: time (UTC), direction, number of bytes, then the bytes with
non-printing ones escaped as in a Python string, or ``sha256:...`` where they are many (a trace block).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from sequencer.archive.disk import Disk
from sequencer.formats.canonical import sha256_bytes
from sequencer.formats.plain import show_time

__all__ = ["LARGE_BYTES", "BusLog"]

LARGE_BYTES = 1024  # commands and status answers are far shorter, trace blocks longer
_MOST_LINES = 2000  # kept while nothing flushes: an hour of idle polling must not fill the memory


class BusLog:
    """Collects exchanges and appends them to a file; a log that cannot be written never stops a run."""

    def __init__(self, path: Path, disk: Disk, now: Callable[[], datetime] | None = None) -> None:
        self._path = path
        self._disk = disk
        self._now = now or _utc_now
        self._lines: list[str] = []
        self._lost = 0
        self._open = True

    def note(self, direction: str, data: bytes) -> None:
        """Note one exchange; ``direction`` is a word such as '>' (sent) or '<' (received)."""
        if not self._open:
            return
        shown = f"sha256:{sha256_bytes(data)}" if len(data) > LARGE_BYTES else _escaped(data.decode("latin-1"))
        self._lines.append(f"{show_time(self._now())}\t{_escaped(direction)}\t{len(data)}\t{shown}\n")
        if len(self._lines) >= _MOST_LINES:
            self.flush()

    def flush(self, *, sync: bool = False) -> None:
        """Append what was noted; without ``sync`` it survives the program's death but not a power cut."""
        if not self._open or not (self._lines or sync):
            return
        lines, self._lines = self._lines, []
        head = ""
        if self._lost:  # the failed write may have left half a line
            head = f"\n# {self._lost} exchanges could not be written here\n"
        try:
            with self._disk.open(self._path, "ab") as file:
                self._disk.write(file, (head + "".join(lines)).encode("ascii"))
                if sync:
                    self._disk.sync(file)
        except OSError:
            self._lost += len(lines)
        else:
            self._lost = 0

    def close(self) -> None:
        """Flush and take no more: the manifest is about to be made."""
        self.flush(sync=True)
        self._open = False


def _escaped(text: str) -> str:
    return text.encode("unicode_escape").decode("ascii")


def _utc_now() -> datetime:
    return datetime.now(UTC)
