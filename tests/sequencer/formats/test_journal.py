from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.core import history
from sequencer.core.history import Began, Entry, MadeSafe, Role, Swept, Warned
from sequencer.core.trace import Sweep, Trace
from sequencer.errors import NotchbookError, StoredDataError
from sequencer.formats.journal import LONGEST_LINE, decode, encode, kind_of, read_journal, whole_length

NO_ENTRIES = ("Entry", "Role", "SavedKind", "SavedTrace")
KINDS = [getattr(history, name) for name in history.__all__ if name not in NO_ENTRIES]
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


def no_trace(file: str, sha256: str) -> Trace:
    raise AssertionError(f"{file} asked for")


def same(one: Entry, other: Entry) -> bool:
    """Equal, the trace apart (a Sweep has no == because arrays have none)."""
    if isinstance(one, Swept) and isinstance(other, Swept):
        assert one.sweep.trace is other.sweep.trace
        heads = [
            [getattr(e.sweep, name) for name in ("asked", "used", "flags", "began", "instrument_s")]
            for e in (one, other)
        ]
        rest = [(e.at, e.why, e.hookup, e.key, e.role, e.file, e.sha256) for e in (one, other)]
        return heads[0] == heads[1] and rest[0] == rest[1]
    return one == other


def test_every_kind_of_entry_has_a_name() -> None:
    assert all(issubclass(kind, Entry) for kind in KINDS)
    assert {kind for kind in vars(history).values() if isinstance(kind, type) and issubclass(kind, Entry)} - {
        Entry
    } == set(KINDS)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
@given(data=st.data())
def test_an_entry_comes_back_from_its_line(
    kind: type[Entry], data: st.DataObject, values_of: Callable[[Any], st.SearchStrategy[Any]]
) -> None:
    entry = data.draw(values_of(kind))
    if isinstance(entry, Swept):
        entry = dataclasses.replace(entry, file="traces/001.csv")
        line = encode(entry)
        back = decode(line, lambda file, sha256: entry.sweep.trace if sha256 == entry.sha256 else None)
    else:
        line = encode(entry)
        back = decode(line, no_trace)
    assert type(back) is kind
    assert same(back, entry)
    assert encode(back) == line
    assert line.endswith("\n")
    assert line.count("\n") == 1
    assert json.loads(line)["kind"] == kind_of(entry)
    assert json.loads(line)["journal"] == 1


def test_a_swept_line_holds_the_hash_and_not_the_levels(sweep: Sweep) -> None:
    entry = Swept(
        at=NOON,
        why="w",
        hookup="TX-ANT",
        key="receive",
        role=Role.DEVICE,
        sweep=sweep,
        file="traces/007.csv",
        sha256="ab",
    )
    plain = json.loads(encode(entry))
    assert "trace" not in plain["sweep"]
    assert plain["sweep"]["asked"]["generator_dbm"] is None
    asked: list[tuple[str, str]] = []

    def load(file: str, sha256: str) -> Trace:
        asked.append((file, sha256))
        return sweep.trace

    decode(encode(entry), load)
    assert asked == [("traces/007.csv", "ab")]


@pytest.mark.parametrize(
    ("why", "read"),
    [
        ("limit of TX (2 of 7, so that noise is a small share at the limit)", ("limit of TX", 7)),
        ("limit of TX (its own)", ("limit of TX (its own)", 1)),
    ],
)
def test_a_line_of_before_the_field_told_its_repeats_in_its_reason(sweep: Sweep, why: str, read: object) -> None:
    """As every run of tests/data/archives does; in a line with the field the same words are only words."""
    entry = Swept(
        at=NOON, why=why, hookup="a", key="b", role=Role.DEVICE, sweep=sweep, file="traces/1.csv", sha256="", repeats=3
    )
    plain = json.loads(encode(entry))
    assert plain.pop("repeats") == 3
    old = decode(json.dumps(plain), lambda file, sha256: sweep.trace)
    assert isinstance(old, Swept)
    assert (old.why, old.repeats) == read
    new = decode(encode(entry), lambda file, sha256: sweep.trace)
    assert isinstance(new, Swept)
    assert (new.why, new.repeats) == (why, 3)


def test_times_are_utc_and_a_time_without_zone_is_refused() -> None:
    east = timezone(timedelta(hours=2))
    assert '"at":"2026-11-25T10:00:00Z"' in encode(Warned(at=datetime(2026, 11, 25, 12, tzinfo=east), why="w"))
    with pytest.raises(NotchbookError, match="no time zone"):
        encode(Warned(at=datetime(2026, 11, 25, 12), why="w"))  # noqa: DTZ001


GOOD = {"journal": 1, "kind": "made safe", "at": "2026-11-25T12:00:00Z", "why": "end", "proven": True}
STOOD = {"name": "A-B", "kind": "path", "loads": ["C", "D"]}
SWEPT = {"kind": "swept", "hookup": "thru", "key": "k", "role": "thru", "sha256": "0"}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        pytest.param({"journal": 2}, "newer Notchbook", id="newer"),
        pytest.param({"journal": "1"}, "no version", id="version-as-text"),
        pytest.param({"journal": None}, "no version", id="no-version"),
        pytest.param({"kind": "exploded"}, "'exploded' is not a kind", id="unknown-kind"),
        pytest.param({"kind": ["made safe"]}, "is not a kind", id="kind-is-a-list"),
        pytest.param({"proven": 1}, "proven: expected true or false, found 1", id="wrong-type"),
        pytest.param({"colour": "red"}, "colour: unknown key", id="unknown-key"),
        pytest.param({"at": "yesterday"}, "at: expected a UTC time", id="no-time"),
        pytest.param({"at": "2026-11-25T12:00:00"}, "at: expected a UTC time", id="time-without-zone"),
        pytest.param({"why": None}, "why: expected text, found None", id="null"),
    ],
)
def test_a_line_we_would_not_write_is_refused_with_its_number(change: dict[str, object], says: str) -> None:
    text = json.dumps(GOOD) + "\n" + json.dumps(GOOD | change) + "\n" + json.dumps(GOOD) + "\n"
    with pytest.raises(StoredDataError, match=f"journal.jsonl:2: .*{says}"):
        read_journal(text, no_trace)


@pytest.mark.parametrize("numbers", [[0, 1], [1], [1, 1], [1, 2, 3]])
def test_numbers_of_loads_that_do_not_fit_the_loads_are_refused(numbers: list[int]) -> None:
    line = {key: value for key, value in GOOD.items() if key != "proven"} | {"kind": "connected", "by": "operator"}
    assert read_journal(json.dumps(line | {"hookup": STOOD | {"load_numbers": [2, 1]}}) + "\n", no_trace)
    with pytest.raises(StoredDataError, match="hookup: expected a number from 1 for each of 2 loads"):
        read_journal(json.dumps(line | {"hookup": STOOD | {"load_numbers": numbers}}) + "\n", no_trace)


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        pytest.param(
            {"kind": "waited", "seconds": 1e300}, r"waited with what cannot be: seconds 1e\+300", id="for-ever"
        ),
        pytest.param({"kind": "waited", "seconds": -1.0}, "seconds -1", id="backwards"),
        pytest.param({"kind": "adjusted", "by": "command", "rbw_hz": 0.0}, "rbw_hz 0", id="no-filter"),
        pytest.param({"kind": "refused", "hookup": "thru", "jump_db": -0.1}, "jump_db -0.1", id="a-jump-backwards"),
        pytest.param(
            {"kind": "dropped", "hookup": "A-B", "key": "k", "role": "device", "slower": 0.0}, "slower 0", id="no-time"
        ),
        pytest.param({"kind": "warned", "at": "9999-12-31T23:59:59Z"}, "the year 9999", id="the-end-of-time"),
    ],
)
def test_what_no_run_can_have_written_is_refused(entry: dict[str, object], says: str) -> None:
    with pytest.raises(StoredDataError, match=says):
        decode(json.dumps({"journal": 1, "at": GOOD["at"], "why": "w"} | entry), no_trace)


@pytest.mark.parametrize(("key", "value"), [("repeats", 0), ("repeats", 2**70), ("instrument_s", -1.0)])
def test_a_sweep_that_no_run_can_have_taken_is_refused(key: str, value: float, sweep: Sweep) -> None:
    entry = Swept(at=NOON, why="w", hookup="h", key="k", role=Role.THRU, sweep=sweep, file="traces/1.csv", sha256="0")
    line = json.loads(encode(entry))
    (line if key in line else line["sweep"])[key] = value
    with pytest.raises(StoredDataError, match=f"swept with what cannot be: {key}"):
        decode(json.dumps(line), no_trace)


def test_a_missing_key_is_named() -> None:
    short = {key: value for key, value in GOOD.items() if key != "proven"}
    with pytest.raises(StoredDataError, match="proven: missing"):
        decode(json.dumps(short), no_trace)


@pytest.mark.parametrize(
    "file",
    ["/etc/passwd", "../001.csv", "traces/../../x", "C:/x", "traces\\1.csv", "", "traces//1", "./x", "a\0b", "~/\n"],
)
def test_a_trace_file_outside_the_folder_is_never_asked_for(file: str, sweep: Sweep) -> None:
    entry = Swept(at=NOON, why="w", hookup="h", key="k", role=Role.THRU, sweep=sweep, file="traces/1.csv", sha256="0")
    with pytest.raises(StoredDataError, match="inside the run folder"):
        encode(dataclasses.replace(entry, file=file))
    line = json.dumps(json.loads(encode(entry)) | {"file": file})
    with pytest.raises(StoredDataError, match="inside the run folder"):
        decode(line, no_trace)


ENTRIES = (
    Began(
        at=NOON,
        why="ä",
        run_id="r",
        program="p",
        recipe_sha256="0",
        bench_sha256="1",
        simulated=True,
        serial="SN\u2028",
    ),
    Warned(at=NOON, why="warm-up cut short\nby the operator \x85"),
    MadeSafe(at=NOON, why="end", proven=True),
)
LINES = [encode(entry).encode() for entry in ENTRIES]


def test_cut_at_every_byte_a_journal_keeps_every_line_that_was_written_whole() -> None:
    whole = b"".join(LINES)
    ends = [0, len(LINES[0]), len(LINES[0] + LINES[1]), len(whole)]
    for cut in range(len(whole) + 1):
        entries, torn = read_journal(whole[:cut], no_trace)
        count = sum(end <= cut for end in ends) - 1
        assert entries == ENTRIES[:count]
        assert torn == (cut not in ends)
        assert whole_length(whole[:cut]) == ends[count]


@pytest.mark.parametrize(
    "tail",
    [b"\0" * 40, b"\0\0\n", b'{"journal":1', b"\n", b'{"at":\xff\n', b"\xff"],
    ids=["zeros", "zeros-line", "half", "empty", "not-utf-8-line", "not-utf-8"],
)
def test_a_torn_tail_is_left_out_and_reported(tail: bytes) -> None:
    assert read_journal(b"".join(LINES) + tail, no_trace) == (ENTRIES, True)


@pytest.mark.parametrize("bad", [b"\0\0\n", b'{"journal":1\n', b"\n", b"\xff\n"])
def test_damage_before_the_last_line_is_an_error_with_its_line(bad: bytes) -> None:
    for after in (LINES[2], b'{"half'):
        with pytest.raises(StoredDataError, match=r"^journal\.jsonl:2: "):
            read_journal(LINES[0] + bad + after, no_trace)


def test_a_line_that_this_program_never_writes_is_not_even_read() -> None:
    """30 million characters of 'why' took a judgement longer than a minute."""
    long = encode(Warned(at=NOON, why="A" * LONGEST_LINE)).encode()
    with pytest.raises(StoredDataError, match=r"^journal\.jsonl:2: a line of 1 million bytes"):
        read_journal(LINES[0] + long + LINES[2], no_trace)


@given(st.binary(max_size=80), st.integers(0, 400), st.integers(0, 400))
def test_any_damage_is_read_rightly_or_refused_in_our_own_words(noise: bytes, start: int, length: int) -> None:
    whole = b"".join(LINES)
    try:
        entries, _ = read_journal(whole[:start] + noise + whole[start + length :], no_trace)
    except StoredDataError:
        return
    assert all(isinstance(entry, Entry) for entry in entries)
