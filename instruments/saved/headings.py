"""What the lines above the columns of a saved trace call them, and in what unit they are; no I/O."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence

__all__ = ["UNIT_WORDS", "headings_above", "names_and_units", "plain_unit", "split_unit"]

UNIT_WORDS = frozenset(["hz", "khz", "mhz", "ghz", "dbm", "db", "dbuv", "dbmv", "mv", "v", "uv", "w", "mw"])
_NUMBER = re.compile(r"[+-]?[0-9]+")
_BEHIND = re.compile(r"(.*[A-Za-z]|.*(?:trace|trc|ch(?:annel)?)[\s_]?[0-9]{1,2})[\s_]+([A-Za-zµμ]{2,5})", re.I)


def headings_above(lines: list[str], first: int, width: int) -> dict[int, tuple[str, ...]]:
    """Return the cells of the line above the rows, and of the one above that if it has only units, by their number."""
    found: dict[int, tuple[str, ...]] = {}
    for number in (first - 1, first - 2):
        cells = _cells(lines[number], width) if number >= 0 else ()
        if len(cells) != width or width < 2 or not any(_is_heading(cell) for cell in cells):
            break
        if any(_NUMBER.match(a) and not split_unit(b)[0] for a, b in itertools.pairwise(cells)):  # RBW,1000,Hz
            break
        found[number] = cells
        if any(split_unit(cell)[0] for cell in cells):
            break
    return found


def names_and_units(above: Sequence[tuple[str, ...]], width: int) -> list[tuple[str, str]]:
    """Return (heading, unit) of each column."""
    found = [("", "")] * width
    for cells in above:
        split = [split_unit(cell) for cell in cells]
        found = [(was or name, unit or new) for (was, unit), (name, new) in zip(found, split, strict=True)]
    return found


def _is_heading(cell: str) -> bool:
    name, unit = split_unit(cell)
    return bool(unit) or any(word in name.casefold() for word in ("freq", "trace", "ampl", "level", "power", "mag"))


def split_unit(text: str) -> tuple[str, str]:
    """Return ('RBW', 'kHz') for 'RBW [kHz]', 'RBW (kHz)', 'RBW/kHz', 'RBW kHz' and ('', 'kHz') for 'kHz'."""
    plain = text.strip().strip("#!").strip()
    match = re.fullmatch(r"(.*?)\s*[\[(/]\s*([A-Za-zµμ]{1,5})\s*[\])]?", plain) or _BEHIND.fullmatch(plain)
    if match is not None and plain_unit(match[2]) in UNIT_WORDS:
        return match[1], match[2]
    return ("", plain) if plain_unit(plain) in UNIT_WORDS else (plain, "")


def plain_unit(unit: str) -> str:
    """Return a unit in small letters, either sign for micro as 'u'."""
    return unit.casefold().replace("µ", "u").replace("μ", "u")


def _cells(line: str, width: int) -> tuple[str, ...]:
    """Return the cells of a line that is not numbers; where nothing else parts them, blanks may: ``width`` of them."""
    separator = next((s for s in (";", "\t", ",") if s in line), None)
    cells = [line] if separator is None else line.split(separator)
    if separator is None:
        plain = line.strip().strip("#!").strip()
        ways = (re.split(r"\s{2,}", plain), re.split(r"(?<=[\])])\s+", plain), plain.split())
        cells = next((found for found in ways if len(found) == width and all(map(_is_heading, found))), cells)
    cells = [cell.strip().strip('"').strip() for cell in cells]
    while cells and not cells[-1]:
        cells.pop()
    return tuple(cells)
