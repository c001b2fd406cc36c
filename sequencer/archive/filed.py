"""What was filed, one line a run, only ever added to: a finished run that loses its manifest stays a finished run.

Without it, a run whose manifest, record and report are deleted would be an unfinished one, free to be ended again
otherwise. It stands beside the folders and goes with them; who deletes it, too, is found by a report or a signature
kept elsewhere, and by nothing else.
"""

from __future__ import annotations

import contextlib
import json
from pathlib import Path

from sequencer.archive import names
from sequencer.archive.disk import Disk
from sequencer.formats.canonical import json_line

__all__ = ["filed_runs", "lost", "remember"]


def remember(root: Path, run_id: str, record: str, disk: Disk) -> None:
    """Note that a run was filed with a record of this hash; the run stands, whether or not this can be written."""
    line = json_line({"run_id": run_id, "record": record})
    with contextlib.suppress(OSError), disk.open(root / names.CACHE / names.FILED, "ab") as file:
        disk.write(file, line.encode("utf-8"))
        disk.sync(file)


def filed_runs(root: Path) -> dict[str, str]:
    """Return the hash of each filed run's record, by the run's id; what cannot be read is left out."""
    try:
        text = (root / names.CACHE / names.FILED).read_text(encoding="utf-8", errors="replace")
    except OSError:
        return {}
    found: dict[str, str] = {}
    for line in text.splitlines():
        with contextlib.suppress(ValueError, TypeError, KeyError):  # a line cut short by a crash
            plain = json.loads(line)
            found.setdefault(str(plain["run_id"]), str(plain["record"]))
    return found


def lost(folder: Path, record: str) -> str:
    """Return in words what a filed run has lost, '' while the record it was filed with is there, whole."""
    if not (folder / names.MANIFEST).is_file():
        gone = f"its {names.MANIFEST} is gone"
        return f"was finished and filed, and {gone}: it was removed; bring the folder back from a copy"
    return f"was filed with record {record[:12]}, and holds another one: it was ended again or exchanged"
