from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.errors import StoredDataError
from sequencer.formats.manifest import DifferenceKind, FileMark, dump_manifest, load_manifest, mark_of, verify

MARKS = {"result.json": mark_of(b"{}"), "traces/001.csv": mark_of(b"1"), "traces/002.csv": mark_of(b"2")}


@given(st.dictionaries(st.from_regex(r"[a-z]{1,5}(/[a-z.]{0,3}[a-z])?", fullmatch=True), st.binary()))
def test_a_manifest_comes_back_and_verifies_what_it_was_made_of(files: dict[str, bytes]) -> None:
    marks = {name: mark_of(data) for name, data in files.items()}
    text = dump_manifest(marks)
    assert load_manifest(text) == marks
    assert list(load_manifest(text)) == sorted(marks)
    assert verify(load_manifest(text), marks) == []


def test_every_difference_is_named() -> None:
    found = dict(MARKS) | {"result.json": mark_of(b"{ }"), "x.txt": mark_of(b"")}
    del found["traces/002.csv"]
    kinds = [(d.file, d.kind) for d in verify(MARKS, found)]
    assert kinds == [
        ("result.json", DifferenceKind.CHANGED),
        ("traces/002.csv", DifferenceKind.MISSING),
        ("x.txt", DifferenceKind.ADDED),
    ]


def test_swapped_files_are_said_to_hold_each_other() -> None:
    one, two = "traces/001.csv", "traces/002.csv"
    found = MARKS | {one: MARKS[two], two: MARKS[one]}
    assert [d.text for d in verify(MARKS, found)] == [
        f"{one} holds the content of {two}",
        f"{two} holds the content of {one}",
    ]


def test_a_hash_of_the_right_content_with_another_size_is_a_change() -> None:
    good = MARKS["result.json"]
    assert verify(MARKS, MARKS | {"result.json": FileMark(sha256=good.sha256, size=good.size + 1)}) != []


GOOD = json.loads(dump_manifest(MARKS))


@pytest.mark.parametrize(
    ("bad", "says"),
    [
        pytest.param(GOOD | {"manifest": 2}, "newer Notchbook", id="newer"),
        pytest.param(GOOD | {"x": 1}, "nothing else", id="unknown-key"),
        pytest.param(GOOD | {"files": []}, "nothing else", id="files-is-a-list"),
        pytest.param(GOOD | {"files": {"../x": GOOD["files"]["result.json"]}}, "inside the run folder", id="escape"),
        pytest.param(GOOD | {"files": {"/x": GOOD["files"]["result.json"]}}, "inside the run folder", id="absolute"),
        pytest.param(GOOD | {"files": {"x": {"sha256": "0", "size": 1}}}, "is not a SHA-256", id="short-hash"),
        pytest.param(GOOD | {"files": {"x": {"sha256": "0" * 64, "size": -1}}}, "is not a SHA-256", id="negative-size"),
        pytest.param(GOOD | {"files": {"x": {"sha256": "0" * 64}}}, "size: missing", id="no-size"),
    ],
)
def test_a_manifest_we_would_not_write_is_refused(bad: object, says: str) -> None:
    with pytest.raises(StoredDataError, match=says):
        load_manifest(json.dumps(bad))
