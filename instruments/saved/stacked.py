"""Several traces below each other in one file: which rows and which lines of settings are the asked one's; no I/O.

They are known by their first column, which begins anew: the same frequencies (or numbers of points) stand in every
block. Rows of one trace that are parted by a lost one go on rising, and stay refused.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence

from instruments.saved.table import Row, refuse, rows_of

__all__ = ["one_of_stacked", "stacked"]

_LEAST = 3  # rows of a block
_HEADING = 2  # lines: names, and units below them
_NAME = re.compile(r"[^\W\d_]+(?:[\s_.-]+[^\W\d_]+)*")
_Block = tuple[int, int]  # first line, and the one behind the last


def stacked(text: str) -> list[_Block]:
    """Return the blocks of rows, where they are traces below each other; [] where they are not."""
    _, rows = rows_of(text)
    blocks = _runs(rows)
    if len(blocks) < 2:
        return []
    inside = [[row.cells for row in rows[first:last] if row is not None] for first, last in blocks]
    widths = {len(_filled(row)) for block in inside for row in block}
    axes = {tuple(cells[0] for cells in block) for block in inside}
    strays = [
        row
        for number, row in enumerate(rows)
        if row is not None and not any(first <= number < last for first, last in blocks)
    ]
    alike = len(widths) == 1 and len(axes) == 1 and min(widths) > 1
    return blocks if alike and not any(len(_filled(row.cells)) in widths for row in strays) else []


def one_of_stacked(text: str, number: int, where: str) -> str:
    """Return the text with nothing but one of the traces in it, line for line: what is another's is left empty.

    What stands above the first block holds for all, but for names that come again above the asked one: these lines
    are the trace's own. What stands below the last block holds for all.

    Raises
    ------
    StoredDataError
        When there is no such trace, or a line between two could belong to the one above or to the one below.
    """
    blocks = stacked(text)
    if not 1 <= number <= len(blocks):
        refuse(where, f"has no trace {number}; it has {len(blocks)} below each other")
    lines, _ = rows_of(text)
    head, gaps = lines[: blocks[0][0]], [lines[a[1] : b[0]] for a, b in itertools.pairwise(blocks)]
    common = {_name(line) for line in head if not _blank(line)}
    for (_, end), gap in zip(blocks, gaps, strict=False):
        for place, line in enumerate(gap, end + 1):
            if not _blank(line) and _name(line) not in common:
                refuse(
                    f"{where}:{place}",
                    f"{line.strip()[:40]!r} may belong to the trace above or below it; save one trace a file",
                )
    kept = [""] * len(lines)
    begins, ends = blocks[number - 1]
    kept[: len(head)] = head
    if number > 1:
        own = gaps[number - 2]
        again = {_name(line) for line in own if not _blank(line)}
        kept[: len(head)] = ["" if _name(line) in again else line for line in head]
        if not again:  # one heading for all
            many = min(len(own), len(head), _HEADING)
            own = [*own[: len(own) - many], *head[len(head) - many :]]
        kept[begins - len(own) : begins] = own
    kept[begins:ends] = lines[begins:ends]
    kept[blocks[-1][1] :] = lines[blocks[-1][1] :]
    return "\n".join(kept)


def _runs(rows: Sequence[Row | None]) -> list[_Block]:
    found, start = [], 0
    for number in range(len(rows) + 1):
        if number == len(rows) or rows[number] is None:
            if number - start >= _LEAST:
                found.append((start, number))
            start = number + 1
    return found


def _filled(cells: Sequence[tuple[str, str]]) -> Sequence[tuple[str, str]]:
    """Leave out what trailing separators add."""
    last = max((n for n, (number, _) in enumerate(cells, 1) if number), default=0)
    return cells[:last]


def _blank(line: str) -> bool:
    return not line.strip(' \t,;"')


def _name(line: str) -> str:
    """Return what a line is about: 'trace' for 'Trace 2: Max Hold', '' where no word begins it."""
    match = _NAME.match(line.strip().strip('#!"').strip())
    return match[0].casefold() if match else ""
