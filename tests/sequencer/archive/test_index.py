"""The index is a cache: whatever happens to it or to the folders, the answer is that of the folders."""

from __future__ import annotations

import contextlib
import dataclasses
import os
import shutil
import sqlite3
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from sequencer.archive import index
from sequencer.archive.index import Filter, Found, links_of, look_up, newest_link, rebuild
from sequencer.archive.runfolder import RunFolder
from sequencer.core.record import Statement
from sequencer.errors import StoredDataError

ALL = Filter()


def ids(found: Found) -> list[str]:
    return [row.run_id for row in found.rows]


def path_of(root: Path) -> Path:
    return root / ".notchbook" / "index.sqlite"


def settle(root: Path) -> None:
    """Let the root's last change be long ago, as it mostly is, so that the next look trusts the index for it."""
    look_up(root, ALL)
    long_ago = time.time() - 3600
    os.utime(root, (long_ago, long_ago))
    look_up(root, ALL)


def test_runs_are_found_newest_first(tmp_path: Path, file_run: Any) -> None:
    for day in (3, 1, 2):
        file_run(tmp_path, f"r{day}", began=datetime(2026, 11, day, tzinfo=UTC))
    found = look_up(tmp_path, ALL)
    assert (ids(found), found.total, found.notes) == (["r3", "r2", "r1"], 3, ())
    few = look_up(tmp_path, ALL, most=2)
    assert (ids(few), few.total) == (["r3", "r2"], 3)


FILTERS = [
    pytest.param({"serial": "sn 2"}, ["r2"], id="serial-in-any-case"),
    pytest.param({"serial": "SN"}, [], id="serial-whole"),
    pytest.param({"recipe": "other"}, ["r2"], id="recipe"),
    pytest.param({"since": "2026-11-02"}, ["r3", "r2"], id="since"),
    pytest.param({"until": "2026-11-03"}, ["r2", "r1"], id="until"),
    pytest.param({"since": "2026-11-02", "until": "2026-11-03"}, ["r2"], id="range"),
    pytest.param({"statement": "fail"}, ["r3"], id="statement"),
    pytest.param({"bench": "maker,two"}, ["r2"], id="bench-by-identification"),
    pytest.param({"bench": "%"}, [], id="no-wildcards"),
    pytest.param({"simulated": True}, ["r2", "r1"], id="simulated"),
    pytest.param({"simulated": False}, ["r3"], id="measured"),
    pytest.param({"serial": "'; DROP TABLE runs; --"}, [], id="hostile"),
    pytest.param({}, ["r3", "r2", "r1"], id="all"),
]


@pytest.mark.parametrize(("given", "expected"), FILTERS)
def test_filters(tmp_path: Path, file_run: Any, given: dict[str, Any], expected: list[str]) -> None:
    when = [datetime(2026, 11, day, 12, tzinfo=UTC) for day in (1, 2, 3)]
    file_run(tmp_path, "r1", began=when[0], serial="SN 1")
    two = {"analyzer": "Maker,TWO"}
    file_run(tmp_path, "r2", began=when[1], serial="SN 2", recipe_name="other", identification=two)
    file_run(tmp_path, "r3", began=when[2], serial="SN 3", overall=Statement.FAIL, simulated=False)
    assert ids(look_up(tmp_path, Filter(**given))) == expected
    chain = look_up(tmp_path, Filter(serial="SN 3")).rows[0].chain
    assert ids(look_up(tmp_path, Filter(bench=chain[:8].upper()))) == ["r3"]


def test_new_and_vanished_runs_show_at_once(tmp_path: Path, file_run: Any) -> None:
    file_run(tmp_path, "r1")
    settle(tmp_path)
    file_run(tmp_path, "r2")
    assert sorted(ids(look_up(tmp_path, ALL))) == ["r1", "r2"]
    settle(tmp_path)
    shutil.rmtree(tmp_path / "r1")
    assert ids(look_up(tmp_path, ALL)) == ["r2"]


def test_a_run_is_followed_from_its_start_to_its_end(tmp_path: Path, run: Any) -> None:
    store = RunFolder.create(tmp_path, "r1", run.recipe_text, run.bench_text)
    assert look_up(tmp_path, ALL).rows[0].state == "unfinished"
    store.append(dataclasses.replace(run.began(), run_id="r1"))
    settle(tmp_path)
    rebuild(tmp_path)
    assert look_up(tmp_path, Filter(serial="SN1")).rows[0].state == "unfinished"
    settle(tmp_path)
    record = dataclasses.replace(run.record(), run_id="r1")
    store.finish(dataclasses.replace(record, complete=False), "")
    assert look_up(tmp_path, ALL).rows[0].state == "interrupted"
    RunFolder.reopen(tmp_path / "r1").finish(record, "")
    assert look_up(tmp_path, Filter(statement="pass")).rows[0].state == "complete"


def test_a_changed_record_is_read_again_before_it_is_shown(tmp_path: Path, file_run: Any) -> None:
    folder = file_run(tmp_path, "r1")
    settle(tmp_path)
    result = folder / "result.json"
    result.write_text(result.read_text(encoding="utf-8").replace('"SN1"', '"SN 9"'), encoding="utf-8")
    (row,) = look_up(tmp_path, ALL).rows
    assert (row.serial, row.state, row.statement) == ("SN 9", "damaged", "")  # edited: not what its manifest names
    assert look_up(tmp_path, Filter(serial="SN1")).rows == ()
    assert look_up(tmp_path, Filter(statement="pass")).rows == ()


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b"\xff\xfe", b'{"complete": true}', b"null"])
def test_a_damaged_run_is_listed_as_damaged_not_as_an_error(tmp_path: Path, file_run: Any, content: bytes) -> None:
    (file_run(tmp_path, "r1") / "result.json").write_bytes(content)
    (row,) = look_up(tmp_path, ALL).rows
    assert (row.run_id, row.state, row.serial) == ("r1", "damaged", "")
    (tmp_path / "r1" / "result.json").unlink()
    assert look_up(tmp_path, ALL).rows[0].state == "damaged"


def test_other_things_in_the_folder_are_no_runs(tmp_path: Path, file_run: Any) -> None:
    file_run(tmp_path, "r1")
    (tmp_path / "notes.txt").write_text("x")
    (tmp_path / "pictures").mkdir()
    (tmp_path / ".r2.1234.part").mkdir()
    assert ids(look_up(tmp_path, ALL)) == ["r1"]


def test_no_folder_is_an_empty_archive_and_a_file_is_an_error(tmp_path: Path) -> None:
    assert look_up(tmp_path / "none", ALL) == Found(rows=(), total=0, notes=())
    (tmp_path / "file").write_text("")
    with pytest.raises(StoredDataError, match="cannot list the runs"):
        look_up(tmp_path / "file", ALL)


DAMAGES = [
    pytest.param(lambda path: path.write_bytes(b"not a database at all" * 100), id="garbage"),
    pytest.param(lambda path: path.write_bytes(path.read_bytes()[: path.stat().st_size // 2]), id="cut"),
    pytest.param(lambda path: path.write_bytes(b"\0" * 8192), id="zeros"),
    pytest.param(lambda path: path.write_bytes(b""), id="empty"),
    pytest.param(lambda path: path.unlink(), id="missing"),
    pytest.param(lambda path: shutil.rmtree(path.parent), id="folder-missing"),
    pytest.param(lambda path: _sql(path, "DROP TABLE runs"), id="table-dropped"),
    pytest.param(lambda path: _sql(path, "DROP TABLE root"), id="other-table-dropped"),
    pytest.param(lambda path: _sql(path, "PRAGMA user_version = 99"), id="other-version"),
    pytest.param(lambda path: _sql(path, "ALTER TABLE runs DROP COLUMN title"), id="other-columns"),
    pytest.param(lambda path: _sql(path, "UPDATE root SET changed_ns = 'x'"), id="nonsense-in-it"),
    pytest.param(lambda path: _sql(path, "DELETE FROM runs; DELETE FROM root"), id="emptied"),
]


def _sql(path: Path, text: str) -> None:
    with contextlib.closing(sqlite3.connect(path)) as base:
        base.executescript(text)


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_index_is_made_anew(tmp_path: Path, file_run: Any, damage: Any) -> None:
    file_run(tmp_path, "r1")
    file_run(tmp_path, "r2")
    settle(tmp_path)
    damage(path_of(tmp_path))
    assert sorted(ids(look_up(tmp_path, ALL))) == ["r1", "r2"]
    again = look_up(tmp_path, ALL)
    assert (len(again.rows), again.notes) == (2, ())


def test_a_locked_index_is_passed_by_with_a_note(
    tmp_path: Path, file_run: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    file_run(tmp_path, "r1")
    look_up(tmp_path, ALL)
    monkeypatch.setattr(index, "_WAIT_S", 0.01)
    with contextlib.closing(sqlite3.connect(path_of(tmp_path), isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        file_run(tmp_path, "r2")
        found = look_up(tmp_path, ALL)
        assert sorted(ids(found)) == ["r1", "r2"]
        assert "was not used (database is locked)" in found.notes[0]


def test_an_index_that_cannot_be_written_still_serves(
    tmp_path: Path, file_run: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a read-only share; the tests may run as a user whom permissions do not stop."""
    file_run(tmp_path, "r1")
    look_up(tmp_path, ALL)
    before = path_of(tmp_path).read_bytes()
    connect = sqlite3.connect

    def read_only(path: Any, **options: Any) -> sqlite3.Connection:
        if path == path_of(tmp_path):
            options["uri"] = True
            path = f"{path.as_uri()}?mode=ro"
        return connect(path, **options)

    monkeypatch.setattr(sqlite3, "connect", read_only)
    file_run(tmp_path, "r2")
    read: list[str] = []
    original = index._read
    monkeypatch.setattr(index, "_read", lambda root, name: (read.append(name), original(root, name))[1])
    found = look_up(tmp_path, ALL)
    assert sorted(ids(found)) == ["r1", "r2"]
    assert "readonly" in found.notes[0]
    assert "r1" not in read  # the file was at least read
    assert path_of(tmp_path).read_bytes() == before


def test_an_index_in_whose_place_something_else_stands_is_passed_by(tmp_path: Path, file_run: Any) -> None:
    file_run(tmp_path, "r1")
    rebuild(tmp_path)
    path_of(tmp_path).mkdir(parents=True)
    found = look_up(tmp_path, ALL)
    assert (ids(found), len(found.notes)) == (["r1"], 1)
    with pytest.raises(StoredDataError, match="cannot be removed"):
        rebuild(tmp_path)


def test_a_settled_archive_is_not_listed_again(tmp_path: Path, file_run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    file_run(tmp_path, "r1")
    settle(tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(os, "listdir", lambda _: pytest.fail("listed"))
        assert ids(look_up(tmp_path, ALL)) == ["r1"]
    file_run(tmp_path, "r2")
    look_up(tmp_path, ALL)
    listed: list[object] = []
    real = os.listdir
    monkeypatch.setattr(os, "listdir", lambda path: (listed.append(path), real(path))[1])
    look_up(tmp_path, ALL)  # within the grain of the clock since the last change: nothing is taken for granted
    assert listed


def test_places_of_a_chain(tmp_path: Path, file_run: Any) -> None:
    for number in range(3):
        file_run(tmp_path, f"r{number}")
    chain = look_up(tmp_path, ALL).rows[0].chain
    assert sorted(link.number for link in links_of(tmp_path, chain)) == [1, 2, 3]
    newest = newest_link(tmp_path, chain)
    assert newest is not None
    assert (newest.run_id, newest.number) == ("r2", 3)
    assert newest_link(tmp_path, "0" * 64) is None


def test_looking_for_neighbours_makes_no_index_where_there_is_no_archive(tmp_path: Path, file_run: Any) -> None:
    file_run(tmp_path, "r1")
    chain = look_up(tmp_path, ALL).rows[0].chain
    shutil.rmtree(tmp_path / ".notchbook")
    assert len(links_of(tmp_path, chain)) == 1
    assert not (tmp_path / ".notchbook").exists()
