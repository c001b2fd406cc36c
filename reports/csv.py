"""Results as CSV (RFC 4180): one row a result, units in the headers, decibels and hertz apart."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any

from sequencer.core.record import Record, Result

__all__ = ["csv_schema", "results_csv"]

_NUMBERS = ("value", "interval_low", "interval_high", "limit_min", "limit_max", "margin")
_UNITS = {"db": "dB; empty for results in Hz", "hz": "Hz; empty for results in dB"}
_COLUMNS: dict[str, tuple[str, str]] = {
    "run_id": ("string", "the run"),
    "serial": ("string", "the device's serial number"),
    "simulated": ("boolean", "whether a simulated bench was measured"),
    "complete": ("boolean", "whether the run came to its end"),
    "id": ("string", "the result, unique in its run"),
    "quantity": ("string", "insertion loss, rejection, isolation, return loss, notch frequency ..."),
    "path": ("string", "generator's port - analyzer's port; empty for a port's quantity"),
    "port": ("string", "the port; empty for a path's quantity"),
    "at": ("string", "the recipe's name of the frequency"),
    "at_hz": ("number", "the frequency, Hz"),
    "condition": ("string", "within, level, above: as the recipe says"),
    **{
        f"{name}_{unit}": ("number", f"{name.replace('_', ' ')}, {told}")
        for unit, told in _UNITS.items()
        for name in _NUMBERS
    },
    "bound": ("string", "at least, where the value is known only so: its bound is the interval's low end"),
    "coverage": ("number", "of the interval, a share of 1"),
    "statement": ("string", "pass, fail, undecided, conditional pass, conditional fail"),
    "probability_conforming": (
        "number",
        "that the true value meets its limit, a share of 1; empty where none is stated",
    ),
}
HEADER = tuple(_COLUMNS)


def results_csv(record: Record) -> str:
    """Return one header line and one row for each result, lines ending in CRLF.

    A result known only as a bound has no value; its bound stands in ``interval_low``. Text that a
    spreadsheet would run as a formula is led by an apostrophe.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEADER)
    for result in record.results:
        writer.writerow(_row(record, result))
    return out.getvalue()


def csv_schema() -> dict[str, Any]:
    """Return what stands in the CSV files, as metadata for tabular data on the web (W3C, csvw, 2015; from memory)."""
    trace = {
        "freq_hz": ("number", "Hz, ascending"),
        "level_dbm": ("number", "dBm as the analyzer gave it; empty where it had no data"),
    }

    def columns(known: Mapping[str, tuple[str, str]]) -> dict[str, Any]:
        told = [
            {"name": name, "titles": name, "datatype": kind, "dc:description": text, "null": ""}
            for name, (kind, text) in known.items()
        ]
        return {"columns": told}

    settings = "the lines before begin with # and give hookup, key, role, and settings as asked and as read back"
    return {
        "@context": "http://www.w3.org/ns/csvw",
        "tables": [
            {"url": "results.csv", "dc:title": "archive show RUN --csv", "tableSchema": columns(_COLUMNS)},
            {
                "url": "traces/001.csv",
                "dc:title": f"one sweep, number as in the journal; {settings}",
                "dialect": {"commentPrefix": "#"},
                "tableSchema": columns(trace),
            },
        ],
    }


def _row(record: Record, result: Result) -> list[str]:
    value = None if result.bound is not None else result.value
    numbers = [
        _number(number) for number in (value, *result.interval, result.limit.min, result.limit.max, result.margin)
    ]
    none = [""] * len(numbers)
    return [
        _text(record.run_id),
        _text(record.serial),
        _yes(record.simulated),
        _yes(record.complete),
        _text(result.id),
        _text(result.quantity),
        _text(result.path or ""),
        _text(result.port or ""),
        _text(result.at),
        _number(result.at_hz),
        _text(result.condition),
        *(none if result.unit == "Hz" else numbers),
        *(numbers if result.unit == "Hz" else none),
        result.bound.value if result.bound is not None else "",
        _number(result.coverage),
        result.statement.value,
        _number(result.probability_conforming),
    ]


def _number(number: float | None) -> str:
    return "" if number is None else repr(float(number))


def _yes(flag: bool) -> str:
    return "true" if flag else "false"


def _text(text: str) -> str:
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text
