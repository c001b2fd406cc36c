"""Run folders as they are read again: finished or not, whole or with a torn last journal line."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sequencer.archive import names
from sequencer.core.history import Began, Connected, Entry, Swept
from sequencer.core.record import Record
from sequencer.core.trace import Trace
from sequencer.errors import StoredDataError, UsageError
from sequencer.formats.canonical import sha256_bytes, sha256_text
from sequencer.formats.guards import check_inside
from sequencer.formats.journal import read_journal
from sequencer.formats.manifest import (
    Difference,
    DifferenceKind,
    FileMark,
    dump_manifest,
    load_manifest,
    mark_of,
    verify,
)
from sequencer.formats.record import load_record
from sequencer.formats.seal import Role, SealFacts, blanked, seal
from sequencer.formats.trace_csv import load_trace_csv

__all__ = [
    "StoredRun",
    "check_order",
    "facts_of",
    "find_run",
    "list_runs",
    "load_trace",
    "marks_of",
    "open_run",
    "seal_again",
    "verify_run",
]


_HIGHEST_DB = 1e3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StoredRun:
    """A run as its folder holds it.

    ``record`` is None unless the run was finished (its manifest was written). ``torn`` says that the
    journal's last line was cut off by a crash and left out.
    """

    folder: Path
    record: Record | None
    history: tuple[Entry, ...]
    recipe_text: str
    bench_text: str
    torn: bool


def open_run(folder: Path) -> StoredRun:
    """Read a run folder; every trace the journal names is checked against its hash.

    Raises
    ------
    StoredDataError
        When a file is missing, damaged, not the one the journal names or the manifest marks, or of a newer version.
    """
    read = {name: _bytes(folder, name) for name in (names.JOURNAL, names.RECIPE, names.BENCH)}
    history, torn = read_journal(
        read[names.JOURNAL],
        lambda file, sha256: load_trace(folder, file, sha256),
        str(folder / names.JOURNAL),
    )
    if history and not isinstance(history[0], Began):
        msg = f"{folder / names.JOURNAL}:1: a journal starts with the beginning of its run; lines are missing"
        raise StoredDataError(msg, folder=str(folder))
    record = None
    if (folder / names.MANIFEST).exists():
        marks = load_manifest(_text(folder, names.MANIFEST), str(folder / names.MANIFEST))
        read[names.RESULT] = _bytes(folder, names.RESULT)
        _hold_against(marks, read, folder)
        record = load_record(_decoded(read[names.RESULT], folder / names.RESULT), str(folder / names.RESULT))
        began = history[0] if history else None
        if not isinstance(began, Began) or began.run_id != record.run_id:
            msg = f"{folder}: {names.RESULT} and {names.JOURNAL} do not belong to the same run; a file was swapped"
            raise StoredDataError(msg, folder=str(folder))
    return StoredRun(
        folder=folder,
        record=record,
        history=history,
        recipe_text=_decoded(read[names.RECIPE], folder / names.RECIPE),
        bench_text=_decoded(read[names.BENCH], folder / names.BENCH),
        torn=torn,
    )


def check_order(stored: StoredRun) -> None:
    """Hold every sweep to the hookup in place; lines that changed places would be gone on from under another's name.

    Raises
    ------
    StoredDataError
        Naming the first entry that does not belong where it stands.
    """
    folder, now = stored.folder, ""
    for number, entry in enumerate(stored.history, start=1):
        if isinstance(entry, Connected):
            now = entry.hookup.name
        elif isinstance(entry, Swept) and entry.hookup != now:
            msg = f"{folder / names.JOURNAL}:{number}: a sweep of {entry.hookup}, while {now or 'nothing'} was in place"
            raise StoredDataError(msg, folder=str(folder), line=number)


def _hold_against(marks: Mapping[str, FileMark], read: Mapping[str, bytes], folder: Path) -> None:
    """Nothing is taken from a finished run whose words, as they were read, are no longer those it was finished with."""
    for name, data in read.items():
        mark = marks.get(name)
        if mark is None or sha256_bytes(data) != mark.sha256:
            msg = f"{folder / name}: not the file its manifest marks; 'archive verify {folder.name}' says what changed"
            raise StoredDataError(msg, folder=str(folder), file=name)


def load_trace(folder: Path, file: str, sha256: str) -> Trace:
    """Read a trace file of a run; StoredDataError when its content is not that of the hash."""
    data = _bytes(folder, file)
    if sha256_bytes(data) != sha256:
        msg = f"{folder / file}: changed since it was measured (its SHA-256 is not the journal's)"
        raise StoredDataError(msg, folder=str(folder), file=file)
    trace = load_trace_csv(_decoded(data, folder / file), str(folder / file)).sweep.trace
    if np.any(np.abs(trace.level_dbm) > _HIGHEST_DB):  # no analyzer's answer passes with such a level
        msg = f"{folder / file}: holds a level beyond {_HIGHEST_DB:g} dBm, which no sweep has; the file was made up"
        raise StoredDataError(msg, folder=str(folder), file=file)
    return trace


def list_runs(root: Path, start: str = "") -> list[Path]:
    """Run folders under an archive's root whose id begins with ``start``, by name, so by time.

    Empty when there is no such root yet.
    """
    try:
        there = [path for path in root.iterdir() if path.name.startswith(start) and not path.name.startswith(".")]
        return sorted(path for path in there if (path / names.JOURNAL).is_file())
    except FileNotFoundError:
        return []
    except OSError as exc:
        msg = f"{root}: cannot list the runs in it ({exc.strerror}); is it a folder that you may read?"
        raise StoredDataError(msg, root=str(root)) from exc


def find_run(root: Path, arg: str) -> Path:
    """Return the run folder that ``arg`` means: a folder's path, or the unambiguous start of a run's id.

    Raises
    ------
    UsageError
        When no run, or more than one, begins so.
    StoredDataError
        When the folder is there but is no run folder.
    """
    if not arg.strip():
        msg = "an empty name means no run: give a folder or the start of a run's id"
        raise UsageError(msg, run=arg)
    folder = Path(arg)
    if folder.is_dir() and (folder / names.JOURNAL).is_file():
        return folder
    matches = list_runs(root, arg)
    exact = [path for path in matches if path.name == arg]
    if exact or len(matches) == 1:
        return (exact or matches)[0]
    if matches:
        latest = "\n".join(f"  {path.name}" for path in matches[-5:])
        msg = f"{len(matches)} runs in {root} begin with {arg!r}; write more of its id. The latest are:\n{latest}"
        raise UsageError(msg, run=arg, root=str(root))
    if folder.is_dir():
        msg = f"{folder}: not a run folder: there is no {names.JOURNAL} in it"
        raise StoredDataError(msg, folder=str(folder))
    msg = f"no run folder {arg!r}, and no run in {root} begins so; check --out and the run's id"
    raise UsageError(msg, run=arg, root=str(root))


def marks_of(folder: Path) -> dict[str, FileMark]:
    """Mark of every file in a run folder but the manifest itself, name with '/' -> mark.

    Symbolic links are not followed: a link is no content of the run.

    Raises
    ------
    OSError
        When a file cannot be read.
    """
    marks = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if name != names.MANIFEST and (path.is_symlink() or not path.is_dir()):
            marks[name] = _mark(path)
    return marks


def verify_run(folder: Path) -> list[Difference]:
    """Return how a finished run's files differ from its manifest; StoredDataError when it has none.

    A report that was signed since is no difference: its signatures are judged by `sequencer.archive.integrity`.
    """
    if not (folder / names.MANIFEST).exists():
        msg = f"{folder}: no {names.MANIFEST}: the run was never finished, or the file was removed"
        raise StoredDataError(msg, folder=str(folder))
    manifest = load_manifest(_text(folder, names.MANIFEST), str(folder / names.MANIFEST))
    try:
        found = verify(manifest, marks_of(folder))
        return [one for one in found if not _signed_since(folder, one, manifest)]
    except OSError as exc:
        raise _unreadable(folder, Path(exc.filename or folder), exc) from exc


def facts_of(record: Record, result: bytes, marks: Mapping[str, FileMark]) -> SealFacts:
    """Return what a report's seal says: ``result`` is result.json, ``marks`` those of the run's files."""
    others = {name: mark for name, mark in marks.items() if name not in (names.REPORT, names.RESULT)}
    return SealFacts(
        run_id=record.run_id,
        simulated=record.simulated,
        record=sha256_bytes(result),
        files=sha256_text(dump_manifest(others)),
        chain=record.chain,
        number=record.chain_number,
        previous=record.previous,
    )


def seal_again(stored: StoredRun, report_html: str) -> str:
    """Return a report that was rendered again, sealed as the first was, unsigned; of an unfinished run as it is."""
    if stored.record is None:
        return report_html
    result = _bytes(stored.folder, names.RESULT)
    own = {name: mark for name, mark in marks_of(stored.folder).items() if names.is_own(name)}
    report = report_html.encode("utf-8", "xmlcharrefreplace")
    return seal(report, facts_of(stored.record, result, own)).decode("utf-8")


def _signed_since(folder: Path, difference: Difference, manifest: Mapping[str, FileMark]) -> bool:
    """Whether the report differs from its manifest only by signatures that were added later."""
    if difference.file != names.REPORT or difference.kind is not DifferenceKind.CHANGED:
        return False
    data = _bytes(folder, names.REPORT)
    return any(mark_of(blanked(data, roles)) == manifest[names.REPORT] for roles in ((Role.AUTHORISER,), tuple(Role)))


def _mark(path: Path) -> FileMark:
    if path.is_symlink() or path.is_fifo():
        return FileMark(sha256="", size=-1)  # equals no mark a manifest can hold
    with path.open("rb") as file:
        return FileMark(sha256=hashlib.file_digest(file, "sha256").hexdigest(), size=path.stat().st_size)


def _bytes(folder: Path, name: str) -> bytes:
    """Read a file that must really lie in the folder (a symbolic link may point anywhere)."""
    path = folder / check_inside(name, str(folder))
    try:
        if not path.resolve().is_relative_to(folder.resolve()):
            msg = f"{path}: leads out of the run folder; it is not read"
            raise StoredDataError(msg, folder=str(folder), file=name)
        if path.is_fifo():  # whoever writes to it may never come
            msg = f"{path}: a pipe, not a file; it is not read"
            raise StoredDataError(msg, folder=str(folder), file=name)
        return path.read_bytes()
    except (OSError, RuntimeError) as exc:  # RuntimeError: a link that leads to itself
        raise _unreadable(folder, path, exc) from exc


def _unreadable(folder: Path, path: Path, exc: Exception) -> StoredDataError:
    if isinstance(exc, FileNotFoundError):
        msg = f"{path}: missing; {folder} is no complete run folder"
    else:
        msg = f"{path}: cannot be read ({getattr(exc, 'strerror', None) or exc})"
    return StoredDataError(msg, folder=str(folder), file=str(path))


def _text(folder: Path, name: str) -> str:
    return _decoded(_bytes(folder, name), folder / name)


def _decoded(data: bytes, path: Path) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as exc:
        msg = f"{path}: not UTF-8 text; the file is damaged"
        raise StoredDataError(msg, file=str(path)) from exc
