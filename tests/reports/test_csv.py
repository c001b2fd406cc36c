"""CSV of the results: RFC 4180, units in the headers, nothing a spreadsheet would run."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from reports.csv import HEADER, csv_schema, results_csv
from sequencer.core.trace import Sweep, SweepSettings, Trace
from sequencer.formats.trace_csv import dump_trace


def read(text):
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_one_row_a_result_lines_end_in_crlf(synthetic):
    text = results_csv(synthetic.record())
    # RFC 4180 section 2, rule 1: lines end in CRLF
    assert text.count("\r\n") == 1 + 12
    assert text.replace("\r\n", "").count("\n") == 0
    assert {len(row) for row in csv.reader(io.StringIO(text, newline=""))} == {len(HEADER)}


def test_numbers_come_back_exactly_in_their_unit(synthetic):
    for row, result in zip(read(results_csv(synthetic.record())), synthetic.results(), strict=True):
        mine, other = ("hz", "db") if result.unit == "Hz" else ("db", "hz")
        assert row["id"] == result.id
        assert row["statement"] == result.statement.value
        for name, number in (
            ("value", None if result.bound else result.value),
            ("interval_low", result.interval[0]),
            ("interval_high", result.interval[1]),
            ("limit_min", result.limit.min),
            ("limit_max", result.limit.max),
            ("margin", result.margin),
        ):
            assert row[f"{name}_{mine}"] == ("" if number is None else repr(number))
            assert row[f"{name}_{other}"] == ""


def test_a_bound_has_no_value(synthetic):
    bound = next(r for r in synthetic.results() if r.bound is not None)
    odd = synthetic.record(results=(replace(bound, value=99.0),))
    row = read(results_csv(odd))[0]
    assert (row["bound"], row["value_db"], row["interval_low_db"]) == ("at least", "", "88.17")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum(a1)", "\t=1", 'a,"b"\r\nc'])
def test_text_is_kept_but_never_run(text, synthetic):
    row = read(results_csv(synthetic.record(serial=text)))[0]
    assert row["serial"].removeprefix("'") == text
    assert row["serial"][0] not in "=+-@\t\r"


def test_the_published_columns_are_those_of_the_files(synthetic, tmp_path):
    """Names, order and kinds, held against a results file and a trace file as they are written."""
    results, trace = csv_schema()["tables"]
    rows = list(csv.reader(io.StringIO(results_csv(synthetic.record()), newline="")))
    grid = np.array([1e6, 2e6, 3e6])
    settings = SweepSettings(
        start_hz=1e6, stop_hz=3e6, points=3, rbw_hz=1e3, attenuation_db=10.0, reference_dbm=0.0, generator_dbm=None
    )
    sweep = Sweep(Trace(grid, np.array([-20.0, np.nan, -21.5])), settings, settings, frozenset(), NOON, 0.1)
    text = dump_trace("thru", "overview", "thru", sweep)
    plain = list(
        csv.reader(line for line in text.splitlines() if not line.startswith(trace["dialect"]["commentPrefix"]))
    )
    for table, (head, *body) in ((results, rows), (trace, plain)):
        columns = table["tableSchema"]["columns"]
        assert [column["name"] for column in columns] == head
        for row in body:
            for column, cell in zip(columns, row, strict=True):
                assert cell == "" or column["datatype"] == "string" or READS[column["datatype"]](cell) is not None


READS = {"number": float, "boolean": {"true": True, "false": False}.__getitem__}
NOON = datetime(2026, 1, 1, 12, tzinfo=UTC)
