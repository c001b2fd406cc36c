"""Results as CSV (RFC 4180): one row a result, units in the headers, decibels and hertz apart."""

from __future__ import annotations

import csv
import io

from sequencer.core.record import Record, Result

__all__ = ["results_csv"]

_NUMBERS = ("value", "interval_low", "interval_high", "limit_min", "limit_max", "margin")
HEADER = (
    "run_id",
    "serial",
    "simulated",
    "complete",
    "id",
    "quantity",
    "path",
    "port",
    "at",
    "at_hz",
    "condition",
    *(f"{name}_db" for name in _NUMBERS),
    *(f"{name}_hz" for name in _NUMBERS),
    "bound",
    "coverage",
    "statement",
    "probability_conforming",
)


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
