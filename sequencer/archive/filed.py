"""What was filed, one line a run, only ever added to: a finished run that loses its manifest stays a finished run.

Without it, a run whose manifest, record and report are deleted would be an unfinished one, free to be ended again
otherwise, and an emptied folder would be none. It stands beside the folders and goes with them; who edits it, too,
is found by a report or a signature kept elsewhere, and by nothing else. Imported runs are listed in a file of their
own before they appear, for the records before theirs may have stayed where they came from, and again once they are
there: an import that broke off in between brought nothing that could be missed.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sequencer.archive import names
from sequencer.archive.disk import Disk
from sequencer.errors import UsageError
from sequencer.formats.canonical import json_line

__all__ = ["Link", "filed_runs", "imported_runs", "is_there", "lost", "note_arrival", "note_import", "remember"]

_STATE, _COMING, _IN = "state", "coming", "in"  # a line of an earlier version has no state: it counts as in


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A record's place in its bench's chain; ``record`` is the SHA-256 of its result.json."""

    run_id: str
    chain: str
    number: int
    record: str
    previous: str | None


def remember(root: Path, link: Link, disk: Disk) -> None:
    """Note that a run was filed in this place; the run stands, whether or not this can be written."""
    with contextlib.suppress(OSError):
        _add(root / names.CACHE / names.FILED, dataclasses.asdict(link), disk)


def note_import(root: Path, run_id: str, link: Link | None, facts: Mapping[str, str], disk: Disk) -> None:
    """Note that a run is about to come in; ``link``: its place, if it has one. OSError when it is not on disk."""
    place = dataclasses.asdict(link) if link else {}
    _add(root / names.CACHE / names.IMPORTS, {**place, "run_id": run_id, _STATE: _COMING, **facts}, disk)


def note_arrival(root: Path, run_id: str, disk: Disk) -> None:
    """Note that an imported run is there, once for each; OSError when it is not on disk."""
    if run_id in imported_runs(root) and run_id not in filed_runs(root):
        _add(root / names.CACHE / names.IMPORTS, {"run_id": run_id, _STATE: _IN}, disk)


def filed_runs(root: Path) -> dict[str, Link]:
    """Return every run that was filed or imported here, by its id; what cannot be read is left out.

    ``record`` is '' of an imported run that may yet be ended, and of one noted by an earlier version, which told
    no place either.
    """
    return {**_listed(root, names.IMPORTS, arrived=True), **_listed(root, names.FILED)}


def imported_runs(root: Path) -> frozenset[str]:
    """Ids of the runs that were imported into an archive."""
    return frozenset(_listed(root, names.IMPORTS))


def is_there(folder: Path) -> bool:
    """Whether a folder still has what makes it a run's."""
    return any((folder / name).is_file() for name in (names.JOURNAL, names.MANIFEST))


def lost(folder: Path, filed: Link) -> str:
    """Return in words what a filed run has lost."""
    if (folder / names.MANIFEST).is_file():
        return f"was filed with record {filed.record[:12]}, and holds another one: it was ended again or exchanged"
    if not folder.exists():
        gone = "its folder is gone"
    elif is_there(folder):
        gone = f"its {names.MANIFEST} is gone"
    else:
        gone = f"its folder has neither {names.MANIFEST} nor {names.JOURNAL}"
    place = f" as number {filed.number} of bench {filed.chain[:8]}" if filed.chain else ""
    return f"was finished and filed{place}, and {gone}: it was removed; bring the folder back from a copy"


def _add(path: Path, plain: Mapping[str, Any], disk: Disk) -> None:
    with disk.open(path, "a+b") as file:
        torn = file.seek(0, os.SEEK_END) > 0 and file.seek(-1, os.SEEK_END) >= 0 and file.read(1) != b"\n"
        # a line that a crash cut short must not take this one with it
        disk.write(file, (b"\n" if torn else b"") + json_line(dict(plain)).encode("utf-8"))
        disk.sync(file)


def _listed(root: Path, name: str, *, arrived: bool = False) -> dict[str, Link]:
    """Return what a list names; with ``arrived`` without the imports of which nobody noted that they are there."""
    try:
        text = (root / names.CACHE / name).read_text(encoding="utf-8", errors="replace")
    except OSError:
        return {}
    found: dict[str, Link] = {}
    coming: set[str] = set()
    for line in text.split("\n"):
        with contextlib.suppress(ValueError, TypeError, KeyError, UsageError):  # a line cut short by a crash
            plain = json.loads(line)
            run_id = names.check_run_id(plain["run_id"])
            if plain.get(_STATE) == _IN:
                coming.discard(run_id)
            elif run_id not in found:
                found[run_id] = _link(run_id, plain)
                if plain.get(_STATE) == _COMING:
                    coming.add(run_id)
    return {run_id: link for run_id, link in found.items() if not arrived or run_id not in coming}


def _link(run_id: str, plain: Mapping[str, Any]) -> Link:
    previous = plain.get("previous")
    return Link(
        run_id=run_id,
        chain=str(plain.get("chain", "")),
        number=int(plain.get("number", 0)),
        record=str(plain.get("record", "")),
        previous=None if previous is None else str(previous),
    )
