"""Which lines round several traces are about the chosen one: another's do not spoil it; no I/O."""

from __future__ import annotations

import re
from collections.abc import Sequence

__all__ = ["lines_of", "name_in"]

_NAMED = re.compile(r"(?<![A-Za-z])(?:trace|trc)[\s_.#:-]{0,3}([A-F]|[1-9][0-9]?)(?![A-Za-z0-9])", re.I)
_RECKONED = re.compile(r"[\s:]*[-+=][\s:]*\Z")  # two names with this between them are one phrase
_BLANK = re.compile(r"(?<![A-Za-z])(?:blank(?:ed)?|not[\s_]displayed)(?![A-Za-z])", re.I)


def name_in(heading: str) -> str:
    """Return the letter or number of a trace as a column's heading has it, '' where it has none."""
    match = _NAMED.search(heading) or re.fullmatch(r"\s*([A-F]|[1-9])\s*", heading, re.I)
    return match[1].casefold() if match else ""


def lines_of(lines: Sequence[str], name: str, *, alone: bool) -> list[str]:
    """Return the lines without the parts that name another trace, or one that is blanked.

    ``name`` is the chosen one's ('' where nobody knows it: then only what is blanked is left out). A letter says
    nothing about a number, nor what was reckoned from several about one. Of a column that stands ``alone`` the
    heading may be the exporter's own, so its name counts only where a line tells of that trace, too.
    """
    if alone and not any(match[1].casefold() == name for line in lines for match in _NAMED.finditer(line[:1000])):
        name = ""
    return [_own(line, name) for line in lines]


def _own(line: str, name: str) -> str:
    found = list(_NAMED.finditer(line[:1000]))
    starts = [0, *(match.start() for match in found), len(line)]
    kept = line[: starts[1]] if found else line
    for number, match in enumerate(found):
        part = line[match.start() : starts[number + 2]]
        joined = _RECKONED.search(line[match.end() : starts[number + 2]]) and number + 1 < len(found)
        behind = number > 0 and _RECKONED.search(line[found[number - 1].end() : match.start()])
        kept += part if joined or behind or _is(match[1].casefold(), name, part) else " "
    return kept


def _is(named: str, name: str, part: str) -> bool:
    """Whether what is told of a named trace may be about the chosen one."""
    if not name or named.isdecimal() != name.isdecimal():
        return not _BLANK.search(part)
    return named == name
