"""The text of a saved trace to lines of settings and columns of numbers, whatever separates them; no I/O.

Analyzers agree on nothing: comma, semicolon, tab or blanks between cells, decimal point or comma, units in the
heading or behind every number, settings in free text before or after, trailing separators. What can be read in two
ways is refused.
"""

from __future__ import annotations

import csv
import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NoReturn

from instruments.saved.headings import headings_above, names_and_units
from instruments.saved.numbers import NUMBER, NumberError, value_of
from sequencer.core.trace import FloatArray, own
from sequencer.errors import StoredDataError

__all__ = [
    "MOST_BYTES",
    "Column",
    "Row",
    "Table",
    "decoded",
    "read_table",
    "refuse",
    "rows_of",
]

MOST_BYTES = 8_000_000
_MOST_CELLS = 64
_MANY = 8  # numbers in a line, where there are no other lines of numbers
_NO_DATA = 9.9e36  # SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5 [clauses from memory]: 9.91E37 is not a number, 9.9E37 infinity
_CELL = re.compile(rf"({NUMBER})\s*([A-Za-zµμ]{{0,5}})\Z")
_BLANK_GROUPS = re.compile(r"(?<=[0-9]) (?=[0-9]{3}(?![0-9]))")  # 146 610 000
_WHOLE = re.compile(r"[+-]?[0-9]+")
_TYPESET = {0x2212: "-", 0x00A0: " ", 0x202F: " ", 0x2009: " "}  # minus sign, blanks that hold together
_EMPTY = frozenset({"", "-", "--", "---", "----", "nan", "inf", "-inf", "+inf", "n/a", "none"})
_OURS = re.compile(r"\A\ufeff?# trace: \d+\n# hookup: ")


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """Numbers that stand under each other; ``unit`` is the one behind them, '' where there is none."""

    values: FloatArray
    unit: str
    heading: str


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A saved trace: its columns, and every other line, in order; ``comma``: it writes decimal commas.

    ``headings``: the cells of those lines that head the columns, one a column.
    """

    columns: tuple[Column, ...]
    others: tuple[str, ...]
    comma: bool
    headings: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Row:
    """(number, unit) cells, and what parts them."""

    cells: list[tuple[str, str]]
    separator: str


def decoded(data: bytes, where: str) -> str:
    """Return the text of a file: UTF-8 or UTF-16 with a mark, else UTF-8, else Latin-1 (for a lone degree or micro).

    Raises
    ------
    StoredDataError
        When it is too large, or not text.
    """
    if len(data) > MOST_BYTES:
        refuse(where, f"is larger than {MOST_BYTES // 1_000_000} MB: no trace is")
    try:
        text = data.decode("utf-16") if data.startswith((b"\xff\xfe", b"\xfe\xff")) else data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    if "\x00" in text:
        refuse(where, "is not text; save the trace as CSV (ASCII), not in the instrument's own format")
    if _OURS.match(text):
        refuse(where, "is a trace that Notchbook stored; to judge such a run again, use 'notchbook judge RUN'")
    return text


def read_table(text: str, where: str) -> Table:
    """Return the block of rows of numbers as columns, and the lines round it.

    Raises
    ------
    StoredDataError
        When there is no such block, more than one, or it can be read in two ways.
    """
    lines, rows = rows_of(text)
    first, last = _longest(rows)
    if last - first < 2:
        refuse(where, "holds no rows of numbers" + _in_one_line(lines))
    whole = [row for row in rows[first:last] if row is not None]
    block = _even([row.cells for row in whole])
    _refuse_torn(lines, rows, first, last, where)
    widths = {len(row) for row in block}
    if len(widths) > 1:
        refuse(f"{where}:{first + 1}", f"the rows have {min(widths)} to {max(widths)} cells")
    above = headings_above(lines, first, len(block[0]))
    headings = names_and_units(list(above.values()), len(block[0]))
    _refuse_two_commas(whole, block, headings, f"{where}:{first + 1}")
    comma = any(cell.count(",") == 1 and "." not in cell for row in block for cell, _ in row)
    columns = []
    for at, cells in enumerate(zip(*block, strict=True)):
        heading, under = headings[at]
        units = {unit for _, unit in cells if unit}
        if len(units) > 1:
            refuse(f"{where}:{first + 1}", f"column {at + 1} has the units {', '.join(sorted(units))}")
        values = own([_number(cell, f"{where}:{first + n + 1}", comma=comma) for n, (cell, _) in enumerate(cells)])
        columns.append(Column(values, units.pop() if units else under, heading))
    others = [_bare(line) for n, line in enumerate(lines) if not first <= n < last and line.strip()]
    return Table(tuple(columns), tuple(others), comma, {_bare(lines[n]): cells for n, cells in above.items()})


def _bare(line: str) -> str:
    return line.replace('"', "").strip()


def rows_of(text: str) -> tuple[list[str], list[Row | None]]:
    """Return the lines of a text, and those that are nothing but numbers as such, None for the others."""
    lines = re.split(r"\r*\n|\r", text.translate(_TYPESET))
    rows = [_row(line) for line in lines]
    steps = {b - a for a, b in itertools.pairwise(n for n, row in enumerate(rows) if row is not None)}
    if 2 in steps and 1 not in steps:  # double spaced: no row stands next to another
        kept = [n for n, line in enumerate(lines) if n == 0 or not (_is_empty(line) and not _is_empty(lines[n - 1]))]
        return [lines[n] for n in kept], [rows[n] for n in kept]
    return lines, rows


def _is_empty(line: str) -> bool:
    return not line.strip(' \t,;"')


def _row(line: str) -> Row | None:
    """Return a line of nothing but numbers, None for any other line."""
    text = line.strip()
    if not text or len(text) > 4000 or not (text[0].isdigit() or text[0] in '+-.,;\t"'):
        return None
    for separator in (";", "\t", " ", ","):
        cells = _by_blanks(text) if separator == " " else _by(separator, text)
        if cells is not None and len(cells) <= _MOST_CELLS:
            return Row(cells, separator if separator != "," or '"' not in text else "quoted")
    return None


def _by(separator: str, text: str) -> list[tuple[str, str]] | None:
    if separator not in text and separator != ",":
        return None
    try:
        cells = next(csv.reader([text], delimiter=separator, skipinitialspace=True))
    except csv.Error:
        return None
    return _as_numbers([cell.strip() for cell in cells])


def _by_blanks(text: str) -> list[tuple[str, str]] | None:
    """Blanks separate, where no comma does; a unit belongs to the number before it."""
    words = text.split()
    cells: list[str] = []
    for word in words:
        if cells and word.isalpha() and word.casefold() not in _EMPTY and not cells[-1][-1:].isalpha():
            cells[-1] += f" {word}"
        else:
            cells.append(word)
    return _as_numbers(cells) if len(cells) > 1 else None


def _as_numbers(cells: list[str]) -> list[tuple[str, str]] | None:
    found = []
    for cell in cells:
        match = _CELL.match(_BLANK_GROUPS.sub("", cell) if " " in cell else cell)
        if match is not None:
            found.append((match[1], match[2]))
        elif cell.casefold() in _EMPTY:
            found.append(("", ""))
        else:
            return None
    return found if any(number for number, _ in found) else None


def _even(block: list[list[tuple[str, str]]]) -> list[list[tuple[str, str]]]:
    """Leave out what trailing separators add: columns at the end that are empty in every row."""
    filled = max(max((n for n, (number, _) in enumerate(row, 1) if number), default=0) for row in block)
    return [row[:filled] for row in block]


def _longest(rows: Sequence[Row | None]) -> tuple[int, int]:
    best, start = (0, 0), 0
    for number in range(len(rows) + 1):
        if number == len(rows) or rows[number] is None:
            if number - start > best[1] - best[0]:
                best = (start, number)
            start = number + 1
    return best


def _refuse_torn(lines: list[str], rows: Sequence[Row | None], first: int, last: int, where: str) -> None:
    """Rows like the block's, but parted from it by other lines, are points that would be lost, or another trace."""
    like = rows[first]
    assert like is not None
    width = len(_even([like.cells])[0])
    for number, row in enumerate(rows):
        if row is None or first <= number < last or len(_even([row.cells])[0]) != width:
            continue
        if width == 1 and row.cells[0] == (str(last - first), ""):  # how many points there are
            continue
        at = last if number >= last else first - 1  # next to the block stands what parts them
        parts = lines[at].strip()[:40] or "an empty line"
        refuse(
            f"{where}:{at + 1}",
            f"{parts!r} parts rows of numbers: points would be lost, or it holds several traces; save one whole trace "
            "a file, traces side by side as columns, or below each other with the same frequencies in each",
        )


def _in_one_line(lines: Sequence[str]) -> str:
    if any(len(re.findall(r"[0-9][;,\s]+[+-]?[0-9]", line)) >= _MANY for line in lines):
        return ": the whole trace stands in one line; save it with a line for every point"
    return ""


def _refuse_two_commas(
    rows: Sequence[Row], block: list[list[tuple[str, str]]], headings: list[tuple[str, str]], where: str
) -> None:
    """A comma that may separate cells or decimals: 146,610,-23,4 are two numbers or four, -23,45 is one or two.

    So is every column of bare digits behind one of whole numbers, unless each column has a heading of its own, or
    it is the second and the first rises as frequencies and counts do.
    """
    if any(row.separator != "," for row in rows) or any("." in cell for row in block for cell, _ in row):
        return
    if all(any(heading) for heading in headings):
        return
    firsts = [float(row[0][0] or "nan") for row in block]
    rising = all(a < b for a, b in itertools.pairwise(firsts))
    for at in range(1, len(block[0])):
        if at == 1 and rising:
            continue
        digits = all(row[at][0].isdecimal() and _WHOLE.fullmatch("".join(row[at - 1])) for row in block)
        if digits:
            refuse(where, "decimal commas and separating commas cannot be told apart; save with ';' or tabs")


def _number(cell: str, where: str, *, comma: bool) -> float:
    if not cell:
        return math.nan
    try:
        value = value_of(cell, comma=comma)
    except NumberError as exc:
        refuse(where, str(exc))
    return math.nan if abs(value) >= _NO_DATA else value


def refuse(where: str, what: str) -> NoReturn:
    """Raise for a file, with nothing in the message that a terminal would obey."""
    msg = "".join(c if c.isprintable() else "?" for c in f"{where}: {what}")
    raise StoredDataError(msg, where=where)
