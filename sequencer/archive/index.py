"""Look-up in an archive of any size: a SQLite file beside the run folders, a cache and nothing more.

The folders are the truth. New and vanished runs show in the listing of the root (read only when the root has
changed), unfinished runs and those about to be shown are looked at again, so a folder shared by several
machines is always told as it is. A file that is damaged is made anew; one that is locked or cannot be written
is passed by with a note: the answer is the same, only slower.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from sequencer.archive import names
from sequencer.archive.filed import Link
from sequencer.errors import StoredDataError
from sequencer.formats.canonical import sha256_bytes

__all__ = ["Filter", "Found", "Row", "links_of", "look_up", "newest_link", "rebuild"]

T = TypeVar("T")
_VERSION = 2
_LOOKED_AT_AGAIN = 1000  # rows of an answer whose folders are looked at again: more would cost the speed
_WAIT_S = 2.0  # for another program's transaction; a first reading of many runs may hold it longer
_SETTLED_NS = 2_000_000_000  # the coarsest clock of a file system in use (FAT) counts in 2 s
_PASS_BY = {  # not damage: leave the file alone
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_PROTOCOL,
}
_FIELDS = (
    "run_id", "state", "serial", "recipe", "title", "began", "statement", "simulated", "bench", "chain", "number",
    "previous", "record", "stamp",
)  # fmt: skip
_ALL = ", ".join(_FIELDS)
_DROP = "DROP TABLE IF EXISTS runs; DROP TABLE IF EXISTS root;"
_TABLES = f"""
CREATE TABLE runs ({_ALL}, PRIMARY KEY (run_id)) WITHOUT ROWID;
CREATE INDEX by_serial ON runs (serial COLLATE NOCASE, began);
CREATE INDEX by_recipe ON runs (recipe, began);
CREATE INDEX by_time ON runs (began);
CREATE INDEX by_chain ON runs (chain, number);
CREATE INDEX by_state ON runs (state);
CREATE TABLE root (changed_ns INTEGER);
PRAGMA user_version = {_VERSION};
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What the index knows of a run.

    ``state`` is 'complete', 'interrupted', 'unfinished' (no manifest) or 'damaged' (cannot be read; the rest
    is empty). ``began`` is UTC text. ``bench`` is the analyzer's identification string.
    """

    run_id: str
    state: str
    serial: str = ""
    recipe: str = ""
    title: str = ""
    began: str = ""
    statement: str = ""
    simulated: bool = False
    bench: str = ""
    chain: str = ""
    number: int = 0
    previous: str | None = None
    record: str = ""
    stamp: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """Which runs: all that are given must hold. ``since`` and ``until`` are UTC texts (``until`` is excluded).

    ``bench`` is a part of the identification string, or the start of the chain's name; case does not matter in
    serial and bench.
    """

    serial: str = ""
    recipe: str = ""
    since: str = ""
    until: str = ""
    statement: str = ""
    bench: str = ""
    simulated: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Runs that match, newest first; ``total`` counts those beyond the number asked for; ``notes`` are for people."""

    rows: tuple[Row, ...]
    total: int
    notes: tuple[str, ...]


def look_up(root: Path, wanted: Filter, most: int | None = None) -> Found:
    """Return the runs under ``root`` that match.

    Raises
    ------
    StoredDataError
        When the folder itself cannot be listed. Nothing that is wrong with the index is an error.
    """
    where, values = _condition(wanted)
    query = f"SELECT {_ALL} FROM runs WHERE {where} ORDER BY began DESC, run_id DESC LIMIT ?"  # noqa: S608

    def find(base: sqlite3.Connection) -> tuple[list[Row], int]:
        rows: list[Row] = []
        for _ in range(3):  # a row that changed may leave the answer and let another in
            rows = [_row(one) for one in base.execute(query, (*values, -1 if most is None else most))]
            if not _refresh(base, root, rows[:_LOOKED_AT_AGAIN]):
                break
        total = base.execute(f"SELECT count(*) FROM runs WHERE {where}", values).fetchone()[0]  # noqa: S608
        return rows, total

    (rows, total), notes = _ask(root, find)
    return Found(rows=tuple(rows), total=total, notes=tuple(notes))


def links_of(root: Path, chain: str) -> list[Link]:
    """Places of a chain as the index has them; StoredDataError when the folder cannot be listed."""
    query = f"SELECT {_ALL} FROM runs WHERE chain = ?"  # noqa: S608
    return _ask(root, lambda base: [_link(_row(one)) for one in base.execute(query, (chain,))], make=False)[0]


def newest_link(root: Path, chain: str) -> Link | None:
    """Return the newest record of a chain; of several with the same number, the one that began last."""
    query = f"SELECT {_ALL} FROM runs WHERE chain = ? ORDER BY number DESC, began DESC, run_id DESC LIMIT 1"  # noqa: S608
    found = _ask(root, lambda base: base.execute(query, (chain,)).fetchone())[0]
    return None if found is None else _link(_row(found))


def rebuild(root: Path) -> None:
    """Forget the index; the next look-up reads every folder. StoredDataError when it cannot be removed."""
    try:
        _path(root).unlink(missing_ok=True)
    except OSError as exc:
        msg = f"{_path(root)}: cannot be removed ({exc.strerror}); check the folder's permissions"
        raise StoredDataError(msg) from exc


def _path(root: Path) -> Path:
    return root / names.CACHE / names.INDEX


def _link(row: Row) -> Link:
    return Link(run_id=row.run_id, chain=row.chain, number=row.number, record=row.record, previous=row.previous)


def _row(values: Sequence[Any]) -> Row:
    plain = dict(zip(_FIELDS, values, strict=True))
    return Row(**{**plain, "simulated": bool(plain["simulated"])})


def _condition(wanted: Filter) -> tuple[str, list[Any]]:
    parts, values = ["1"], list[Any]()
    for text, sql in (
        (wanted.serial, "serial = ? COLLATE NOCASE"),
        (wanted.recipe, "recipe = ?"),
        (wanted.since, "began >= ?"),
        (wanted.until, "began < ? AND began != ''"),
        (wanted.statement, "statement = ?"),
    ):
        if text:
            parts.append(sql)
            values.append(text)
    if wanted.bench:
        parts.append("(substr(chain, 1, ?) = ? OR instr(lower(bench), ?) > 0)")
        values += [len(wanted.bench), wanted.bench.lower(), wanted.bench.lower()]
    if wanted.simulated is not None:
        parts.append("simulated = ? AND state != 'damaged'")
        values.append(int(wanted.simulated))
    return " AND ".join(parts), values


# -- the cache and its truth


def _ask(root: Path, work: Callable[[sqlite3.Connection], T], *, make: bool = True) -> tuple[T, list[str]]:
    """Return what ``work`` finds in a database that agrees with the folders, and what is to be said about it.

    The database is the file (not made where there is none and ``make`` is False); where that cannot serve, one
    in memory.
    """
    path, notes = _path(root), list[str]()
    attempts = 2 if (root if make else path.parent).is_dir() else 0  # a damaged file is made anew once
    for _ in range(attempts):
        try:
            path.parent.mkdir(exist_ok=True)
            with contextlib.closing(sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)) as base:
                _prepare(base, root, path)
                return work(base), notes
        except (sqlite3.Error, OSError, ValueError, TypeError) as exc:
            code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
            if isinstance(exc, OSError) or code in _PASS_BY:
                reason = exc.strerror if isinstance(exc, OSError) else str(exc)
                notes.append(f"the index {path} was not used ({reason}); the folders were read instead")
                break
            notes.append(f"the index {path} was damaged and is made anew from the folders")
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
    with contextlib.closing(_in_memory(path)) as base:
        _sync(base, root, changed_ns=None)
        return work(base), notes


def _prepare(base: sqlite3.Connection, root: Path, path: Path) -> None:
    written_ns = path.stat().st_mtime_ns
    if base.execute("PRAGMA user_version").fetchone()[0] != _VERSION:
        base.executescript(f"BEGIN IMMEDIATE; {_DROP} {_TABLES} COMMIT;")
    base.execute("PRAGMA synchronous = OFF")  # what a power cut spoils is made anew
    known = base.execute("SELECT changed_ns FROM root").fetchone()
    # a change within the clock's grain of the last look may have gone unseen
    settled = known is not None and written_ns - known[0] > _SETTLED_NS
    _sync(base, root, changed_ns=known[0] if settled else None)


def _in_memory(path: Path) -> sqlite3.Connection:
    """Return a database in memory, begun from the file where that can at least be read."""
    base = sqlite3.connect(":memory:", isolation_level=None)
    try:
        if path.is_file():
            with contextlib.closing(
                sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=0, isolation_level=None)
            ) as file:
                file.execute("BEGIN")  # held, nobody can lock us out: a backup would wait for ever
                file.execute("SELECT 1 FROM root").fetchone()
                file.backup(base)
        if base.execute("PRAGMA user_version").fetchone()[0] == _VERSION:
            base.execute(f"SELECT {_ALL} FROM runs LIMIT 1")  # noqa: S608
            return base
    except (sqlite3.Error, OSError):  # then every folder is read
        base.close()
        base = sqlite3.connect(":memory:", isolation_level=None)
    base.executescript(_DROP + _TABLES)
    return base


def _sync(base: sqlite3.Connection, root: Path, changed_ns: int | None) -> None:
    """Make the table agree with the folders; ``changed_ns`` is the root's state at a listing that still holds."""
    try:
        now_ns = root.stat().st_mtime_ns
        if now_ns != changed_ns:
            there = {name for name in os.listdir(root) if not name.startswith(".")}  # noqa: PTH208 - 4 times faster
            known = {name for (name,) in base.execute("SELECT run_id FROM runs")}
            _store(base, root, there - known, known - there, now_ns)
    except FileNotFoundError:
        _store(base, root, (), [name for (name,) in base.execute("SELECT run_id FROM runs")], None)
    except OSError as exc:
        msg = f"{root}: cannot list the runs in it ({exc.strerror}); is it a folder that you may read?"
        raise StoredDataError(msg, root=str(root)) from exc
    query = f"SELECT {_ALL} FROM runs WHERE state != 'complete'"  # noqa: S608
    _refresh(base, root, [_row(one) for one in base.execute(query).fetchall()])


def _store(base: sqlite3.Connection, root: Path, new: Iterable[str], gone: Iterable[str], now_ns: int | None) -> None:
    base.execute("BEGIN IMMEDIATE")
    base.executemany("DELETE FROM runs WHERE run_id = ?", [(name,) for name in gone])
    rows = (row for name in sorted(new) if (row := _read(root, name)) is not None)
    _insert(base, rows)
    base.execute("DELETE FROM root")
    if now_ns is not None:
        base.execute("INSERT INTO root VALUES (?)", (now_ns,))
    base.execute("COMMIT")


def _insert(base: sqlite3.Connection, rows: Iterable[Row]) -> None:
    marks = ", ".join("?" * len(_FIELDS))
    base.executemany(
        f"INSERT OR REPLACE INTO runs VALUES ({marks})",  # noqa: S608
        ([getattr(row, name) for name in _FIELDS] for row in rows),
    )


def _refresh(base: sqlite3.Connection, root: Path, rows: Sequence[Row]) -> bool:
    """Read again what has another stamp than its row; True when something had."""
    stale = [row for row in rows if _stamp(root / row.run_id) != row.stamp]
    if not stale:
        return False
    again = [(row.run_id, _read(root, row.run_id)) for row in stale]
    try:
        base.execute("BEGIN IMMEDIATE")
        base.executemany("DELETE FROM runs WHERE run_id = ?", [(name,) for name, row in again if row is None])
        _insert(base, [row for _, row in again if row is not None])
        base.execute("COMMIT")
    except sqlite3.Error:
        if base.in_transaction:
            base.execute("ROLLBACK")
        raise
    return True


# -- one folder


def _stamp(folder: Path) -> str:
    """Return what changes when a run does: sizes and times of its manifest and record, else of its journal."""
    marks = []
    for name in (names.MANIFEST, names.RESULT):
        try:
            found = (folder / name).stat()
        except OSError:
            marks.append("-")
        else:
            marks.append(f"{found.st_size}:{found.st_mtime_ns}")
    return " ".join(marks)


def _read(root: Path, name: str) -> Row | None:
    """Read a run's row from its folder; None when it is no run folder."""
    folder = root / name
    stamp = _stamp(folder)
    try:
        if not stamp.startswith("-"):
            row = _row_of_record(name, stamp, (folder / names.RESULT).read_bytes())
            manifest = (folder / names.MANIFEST).read_text(encoding="utf-8")
            # a record that its manifest does not name was edited: nothing is told of what it states
            return row if row.record in manifest else replace(row, state="damaged", statement="")
        with (folder / names.JOURNAL).open(encoding="utf-8") as file:
            line = file.readline(1_000_000)
        return _row_of_journal(name, stamp, line)
    except (FileNotFoundError, NotADirectoryError):
        return None if stamp.startswith("-") else Row(run_id=name, state="damaged", stamp=stamp)
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return Row(run_id=name, state="damaged", stamp=stamp)


def _row_of_record(name: str, stamp: str, data: bytes) -> Row:
    plain = json.loads(data)
    identification = plain["identification"]
    previous = plain.get("previous")
    return Row(
        run_id=name,
        state="complete" if plain["complete"] is True else "interrupted",
        serial=str(plain["serial"]),
        recipe=str(plain["recipe_name"]),
        title=str(plain["title"]),
        began=str(plain["began"]),
        statement=str(plain["overall"]),
        simulated=plain["simulated"] is True,
        bench=str(identification.get("analyzer", "")),
        chain=str(plain.get("chain", "")),
        number=int(plain.get("chain_number", 0)),
        previous=None if previous is None else str(previous),
        record=sha256_bytes(data),
        stamp=stamp,
    )


def _row_of_journal(name: str, stamp: str, line: str) -> Row:
    if not line:
        return Row(run_id=name, state="unfinished", stamp=stamp)
    plain = json.loads(line)
    return Row(
        run_id=name,
        state="unfinished",
        serial=str(plain["serial"]),
        began=str(plain["at"]),
        simulated=plain["simulated"] is True,
        stamp=stamp,
    )
