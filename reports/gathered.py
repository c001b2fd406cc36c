"""What a record says many times, said once: sweeps by settings, decisions by reason, budgets side by side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from reports.words import has_limit
from sequencer.core.record import Contribution, JournalNote, Result, TraceRecord

__all__ = ["BudgetTable", "budget_tables", "by_reason", "by_settings", "notes_once", "unfolded"]

_COLUMNS = 10  # requirements beside each other in one table of an A4 page
_SMALLER = "everything smaller"


def by_settings(traces: Sequence[TraceRecord]) -> list[tuple[TraceRecord, list[tuple[str, list[tuple[str, int]]]]]]:
    """Return a sweep of each kind of settings and flags with the hookups that used it, and there the sweeps by number.

    The sweep time is told to four digits, so what differs only beyond them is one kind.
    """
    kinds: dict[object, list[TraceRecord]] = {}
    for trace in traces:
        time_s = trace.used.sweep_time_s
        used = replace(trace.used, sweep_time_s=None if time_s is None else float(f"{time_s:.4g}"))
        kinds.setdefault((used, trace.flags), []).append(trace)
    gathered = []
    for same in kinds.values():
        places: dict[str, Counter[str]] = {}
        for trace in same:
            places.setdefault(trace.hookup, Counter())[f"{trace.role}, {trace.key}"] += 1
        gathered.append((same[0], [(hookup, list(sweeps.items())) for hookup, sweeps in places.items()]))
    return gathered


def by_reason(notes: Sequence[JournalNote]) -> list[tuple[str, list[JournalNote]]]:
    """Return each reason of the journal once, in the order it first came up, with all that was done for it."""
    reasons: dict[str, list[JournalNote]] = {}
    for note in notes:
        reasons.setdefault(note.why, []).append(note)
    return list(reasons.items())


def notes_once(results: Sequence[Result]) -> list[tuple[list[int], str]]:
    """Return each remark on results once, with the numbers of the requirements it is on."""
    told: dict[str, list[int]] = {}
    for number, result in enumerate(results, 1):
        for note in result.notes:
            told.setdefault(note, []).append(number)
    return [(numbers, note) for note, numbers in told.items()]


def unfolded(results: Sequence[Result]) -> int:
    """Return the number of the requirement whose budget paper shows whole: the one least sure to be met; 0 for none."""
    judged = [(number, result) for number, result in enumerate(results, 1) if result.budget]
    if not judged:
        return 0

    def sure(result: Result) -> float:
        asked = has_limit(result.limit) and result.probability_conforming is not None
        return result.probability_conforming or 0.0 if asked else 2.0

    return min(judged, key=lambda one: sure(one[1]))[0]


@dataclass(frozen=True, slots=True)
class BudgetTable:
    """Budgets side by side: the numbers of their requirements, and each contribution's u in each (None: not in it)."""

    unit: str
    numbers: tuple[int, ...]
    rows: tuple[tuple[str, tuple[Contribution | None, ...]], ...]


def budget_tables(results: Sequence[Result]) -> list[BudgetTable]:
    """Return all budgets as tables of at most ten requirements of one unit; those that share most lines stand together.

    What is many lines' rest ('everything smaller: ...') is one row; a result with a line twice keeps both.
    """
    families: dict[tuple[str, str], list[int]] = {}
    for number, result in enumerate(results, 1):
        if result.budget:
            kind = result.quantity if result.unit == "Hz" else "return loss" if result.port is not None else "path"
            families.setdefault((result.unit, kind), []).append(number)
    tables = []
    for (unit, _), numbers in families.items():
        for first in range(0, len(numbers), _COLUMNS):
            tables.append(_table(results, unit, numbers[first : first + _COLUMNS]))
    return tables


def _table(results: Sequence[Result], unit: str, numbers: Sequence[int]) -> BudgetTable:
    rows: dict[tuple[str, int], list[Contribution | None]] = {}
    for column, number in enumerate(numbers):
        seen: Counter[str] = Counter()
        for line in results[number - 1].budget:
            name = _SMALLER if line.name.startswith(f"{_SMALLER}:") else line.name
            seen[name] += 1
            rows.setdefault((name, seen[name]), [None] * len(numbers))[column] = line
    last = sorted(rows.items(), key=lambda row: row[0][0] == _SMALLER)
    return BudgetTable(unit, tuple(numbers), tuple((name, tuple(lines)) for (name, _), lines in last))
