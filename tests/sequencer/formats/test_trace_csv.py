from __future__ import annotations

import csv
import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.core.trace import Flag, Sweep
from sequencer.errors import NotchbookError, StoredDataError
from sequencer.formats.trace_csv import dump_trace, load_trace_csv

HEAD = ("asked", "used", "flags", "began", "instrument_s")


@given(data=st.data())
def test_a_sweep_comes_back_bit_for_bit(
    data: st.DataObject, values_of: Callable[[Any], st.SearchStrategy[Any]]
) -> None:
    sweep = data.draw(values_of(Sweep))
    hookup, key, role = (data.draw(values_of(str)) for _ in range(3))
    text = dump_trace(hookup, key, role, sweep)
    back = load_trace_csv(text, "001.csv")
    assert (back.hookup, back.key, back.role) == (hookup, key, role)
    assert [getattr(back.sweep, name) for name in HEAD] == [getattr(sweep, name) for name in HEAD]
    for name in ("freq_hz", "level_dbm"):
        assert np.array_equal(getattr(back.sweep.trace, name), getattr(sweep.trace, name), equal_nan=True)
    assert dump_trace(hookup, key, role, back.sweep) == text


def test_the_csv_module_reads_it(sweep: Sweep) -> None:
    text = dump_trace("TX-ANT", "receive", "device", sweep)
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    assert [float(row["freq_hz"]) for row in rows] == [146.0e6, 146.01e6, 146.02e6]
    assert [row["level_dbm"] for row in rows] == ["-70.1", "", "-inf"]
    assert set(rows[0]) == {"freq_hz", "level_dbm"}


def test_comments_stand_only_where_readers_with_a_comment_sign_skip_whole_lines(sweep: Sweep) -> None:
    """Such readers (pandas with comment='#') cut a line at the sign; no data line may hold one."""
    lines = dump_trace("a#b", "k\nl", "device", sweep).split("\n")
    first = lines.index("freq_hz,level_dbm")
    assert all(line.startswith("# ") for line in lines[:first])
    assert not any("#" in line for line in lines[first:])


def test_the_header_says_everything_in_words(sweep: Sweep) -> None:
    flagged = dataclasses.replace(sweep, flags=frozenset({Flag.UNLEVELLED, Flag.OVERLOAD}))
    lines = dump_trace("TX-ANT", "receive", "device", flagged).split("\n")
    for line in (
        "# trace: 1",
        "# hookup: TX-ANT",
        "# key: receive",
        "# role: device",
        "# began: 2026-11-25T08:15:02.000250Z",
        "# instrument_s: 0.30000000000000004",
        "# flags: overload unlevelled",
        "# asked.rbw_hz: 1000.0",
        "# used.rbw_hz: 333.3333333333333",
        "# asked.generator_dbm: none",
        "# used.detector: power",
    ):
        assert line in lines


def test_a_setting_that_is_no_number_is_not_written(sweep: Sweep) -> None:
    bad = dataclasses.replace(sweep, used=dataclasses.replace(sweep.used, rbw_hz=math.inf))
    with pytest.raises(NotchbookError, match=r"used\.rbw_hz is inf"):
        dump_trace("h", "k", "device", bad)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        pytest.param("# trace: 1", "# trace: 2", "newer Notchbook", id="newer"),
        pytest.param("# trace: 1\n", "", "no version", id="no-version"),
        pytest.param("# key: receive\n", "", "key: missing", id="no-key"),
        pytest.param("# key: receive", "# key: a\n# key: b", ":4: key stands twice", id="twice"),
        pytest.param("# key: receive", "# key: receive\n# colour: red", "colour: unknown key", id="unknown"),
        pytest.param("used.rbw_hz: 333.3", "used.rbw_hz: x333.3", "expected a number", id="no-number"),
        pytest.param("used.points: 3", "used.points: 3.5", "points: expected a whole number", id="half-point"),
        pytest.param("used.detector: power", "used.detector: peak", "detector: expected one of power", id="detector"),
        pytest.param("# flags:", "# flags: hot", r"flags\[0\]: expected one of overload", id="flag"),
        pytest.param("freq_hz,level", "freq,level", "column names", id="columns"),
        pytest.param(",-70.1", ";-70.1", "expected 'frequency,level'", id="semicolon"),
        pytest.param(",-70.1", ",-70,1", "expected 'frequency,level'", id="decimal-comma"),
        pytest.param(",-70.1", ",nan", "expected 'frequency,level'", id="nan"),
        pytest.param(",-70.1", ",-7_0", "expected 'frequency,level'", id="underscore"),
        pytest.param("146010000.0,\n", "\n", "expected 'frequency,level'", id="empty-line"),
        pytest.param("146010000.0", "146000000.0", "bad grid", id="grid"),
        pytest.param("146010000.0", "1e999", "bad grid", id="infinite-frequency"),
        pytest.param("-inf\n", "-inf", "middle of a line", id="cut"),
    ],
)
def test_a_file_we_would_not_write_is_refused(old: str, new: str, says: str, sweep: Sweep) -> None:
    text = dump_trace("TX-ANT", "receive", "device", sweep)
    assert text.count(old) == 1
    with pytest.raises(StoredDataError, match=rf"^001\.csv.*{says}"):
        load_trace_csv(text.replace(old, new), "001.csv")


@given(noise=st.text(max_size=30), start=st.integers(0, 900), length=st.integers(0, 900))
def test_any_damage_is_read_or_refused_in_our_own_words(sweep: Sweep, noise: str, start: int, length: int) -> None:
    text = dump_trace("TX-ANT", "receive", "device", sweep)
    try:
        back = load_trace_csv(text[:start] + noise + text[start + length :], "001.csv")
    except StoredDataError:
        return
    assert back.sweep.trace.freq_hz.size > 0
