"""The text of a saved trace to lines of settings and columns of numbers, whatever separates them; no I/O.

Analyzers agree on nothing: comma, semicolon, tab or blanks between cells, decimal point or comma, units in the
heading or behind every number, settings in free text before or after, trailing separators. What can be read in two
ways is refused.
"""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import dataclass
from typing import NoReturn

from sequencer.core.trace import FloatArray, own
from sequencer.errors import StoredDataError

__all__ = ["MOST_BYTES", "UNIT_WORDS", "Column", "Table", "decoded", "plain_unit", "read_table", "refuse", "split_unit"]

MOST_BYTES = 8_000_000
_MOST_CELLS = 64
_NO_DATA = 9.9e36  # SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5 [clauses from memory]: 9.91E37 is not a number, 9.9E37 infinity
_DIGITS = r"[+-]?(?:[0-9]{1,30}(?:\.[0-9]{0,30}|,[0-9]{1,30})?|[.,][0-9]{1,30})(?:[eE][+-]?[0-9]{1,3})?"
_CELL = re.compile(rf"({_DIGITS})\s*([A-Za-zµμ]{{0,5}})\Z")
_EMPTY = frozenset({"", "-", "--", "---", "----", "nan", "inf", "-inf", "+inf", "n/a", "none"})
UNIT_WORDS = frozenset(["hz", "khz", "mhz", "ghz", "dbm", "db", "dbuv", "dbmv", "mv", "v", "uv", "w", "mw"])
_OURS = re.compile(r"\A\ufeff?# trace: \d+\n# hookup: ")


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """Numbers that stand under each other; ``unit`` is the one behind them, '' where there is none."""

    values: FloatArray
    unit: str
    heading: str


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A saved trace: its columns, and every other line, in order."""

    columns: tuple[Column, ...]
    others: tuple[str, ...]


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
    """Return the longest block of rows of numbers as columns, and the lines round it.

    Raises
    ------
    StoredDataError
        When there is no such block, or it can be read in two ways.
    """
    lines = re.split(r"\r\n|\r|\n", text)
    rows = [_row(line) for line in lines]
    first, last = _longest(rows)
    if last - first < 2:
        refuse(where, "holds no rows of numbers")
    block = _even([row for row in rows[first:last] if row is not None])
    widths = {len(row) for row in block}
    if len(widths) > 1:
        refuse(f"{where}:{first + 1}", f"the rows have {min(widths)} to {max(widths)} cells")
    _refuse_two_commas(lines[first:last], block, f"{where}:{first + 1}")
    headings = _headings(lines, first, len(block[0]))
    columns = []
    for at, cells in enumerate(zip(*block, strict=True)):
        heading, under = headings[at]
        units = {unit for _, unit in cells if unit}
        if len(units) > 1:
            refuse(f"{where}:{first + 1}", f"column {at + 1} has the units {', '.join(sorted(units))}")
        values = own([_number(cell, f"{where}:{first + n + 1}") for n, (cell, _) in enumerate(cells)])
        columns.append(Column(values, units.pop() if units else under, heading))
    others = [line for n, line in enumerate(lines) if not first <= n < last]
    return Table(tuple(columns), tuple(line.replace('"', "").strip() for line in others if line.strip()))


def _row(line: str) -> list[tuple[str, str]] | None:
    """Return a line of nothing but numbers as (number, unit) cells, None for any other line."""
    text = line.strip()
    if not text or len(text) > 4000 or not (text[0].isdigit() or text[0] in "+-.,;\t"):
        return None
    for split in (_by(";", text), _by("\t", text), _by_blanks(text), _by(",", text)):
        if split is not None and len(split) <= _MOST_CELLS:
            return split
    return None


def _by(separator: str, text: str) -> list[tuple[str, str]] | None:
    if separator not in text and separator != ",":
        return None
    cells = [cell.strip().strip('"').strip() for cell in text.split(separator)]
    return _as_numbers(cells)


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
        match = _CELL.match(cell)
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


def _longest(rows: list[list[tuple[str, str]] | None]) -> tuple[int, int]:
    best, start = (0, 0), 0
    for number in range(len(rows) + 1):
        if number == len(rows) or rows[number] is None:
            if number - start > best[1] - best[0]:
                best = (start, number)
            start = number + 1
    return best


def _refuse_two_commas(lines: list[str], block: list[list[tuple[str, str]]], where: str) -> None:
    """A comma that may separate cells or decimals: 146,610,-23,4 are two numbers or four, -23,45 is one or two."""
    if any(set(line) & set(".;\t") or line.strip().count(" ") for line in lines) or len(block[0]) not in (2, 4):
        return
    tails = all(row[at][0].isdecimal() for row in block for at in range(1, len(row), 2))
    firsts = [float(row[0][0] or "nan") for row in block]
    rising = all(a < b for a, b in itertools.pairwise(firsts))
    if tails and not rising:
        refuse(where, "decimal commas and separating commas cannot be told apart; save with ';' or tabs")


def _number(cell: str, where: str) -> float:
    if not cell:
        return math.nan
    if cell.count(",") + cell.count(".") > 1:
        refuse(where, f"{cell[:30]!r} has more than one decimal mark")
    value = float(cell.replace(",", "."))
    return math.nan if abs(value) >= _NO_DATA else value


def _headings(lines: list[str], first: int, width: int) -> list[tuple[str, str]]:
    """Return (heading, unit) of each column: from the line above, and the one above that if it has only units."""
    found = [("", "")] * width
    for number in (first - 1, first - 2):
        cells = _cells(lines[number]) if number >= 0 else ()
        if len(cells) != width or width < 2 or not any(_is_heading(cell) for cell in cells):
            break
        split = [split_unit(cell) for cell in cells]
        found = [(was or name, unit or new) for (was, unit), (name, new) in zip(found, split, strict=True)]
        if any(name for name, _ in split):
            break
    return found


def _is_heading(cell: str) -> bool:
    name, unit = split_unit(cell)
    return bool(unit) or any(word in name.casefold() for word in ("freq", "trace", "ampl", "level", "power", "mag"))


def split_unit(text: str) -> tuple[str, str]:
    """Return ('RBW', 'kHz') for 'RBW [kHz]', 'RBW (kHz)', 'RBW/kHz' and ('', 'kHz') for 'kHz'."""
    plain = text.strip().strip("#").strip()
    match = re.fullmatch(r"(.*?)\s*[\[(/]\s*([A-Za-zµμ]{1,5})\s*[\])]?", plain)
    if match is not None and plain_unit(match[2]) in UNIT_WORDS:
        return match[1], match[2]
    return ("", plain) if plain_unit(plain) in UNIT_WORDS else (plain, "")


def plain_unit(unit: str) -> str:
    """Return a unit in small letters, either sign for micro as 'u'."""
    return unit.casefold().replace("µ", "u").replace("μ", "u")


def _cells(line: str) -> tuple[str, ...]:
    """Return the cells of a line that is not numbers."""
    separator = next((s for s in (";", "\t", ",") if s in line), None)
    cells = [line] if separator is None else line.split(separator)
    cells = [cell.strip().strip('"').strip() for cell in cells]
    while cells and not cells[-1]:
        cells.pop()
    return tuple(cells)


def refuse(where: str, what: str) -> NoReturn:
    """Raise for a file, with nothing in the message that a terminal would obey."""
    msg = "".join(c if c.isprintable() else "?" for c in f"{where}: {what}")
    raise StoredDataError(msg, where=where)
