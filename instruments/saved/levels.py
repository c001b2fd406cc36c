"""One saved trace in decibels: which column is the frequency, which the level, and in what unit; no I/O."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from instruments.saved.facts import Facts
from instruments.saved.headers import RANGE_SLACK, told
from instruments.saved.headings import plain_unit, split_unit
from instruments.saved.stacked import one_of_stacked, stacked
from instruments.saved.table import Column, Table, read_table, refuse
from instruments.saved.whose import lines_of, name_in
from sequencer.core.trace import FloatArray, own
from sequencer.errors import StoredDataError
from sequencer.units import show_hz

__all__ = ["Levels", "UnitUnknownError", "read_levels"]

_FREQUENCY = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
_SECONDS = frozenset({"s", "ms", "us", "µs", "sec"})
_TIME = re.compile(r"\btime\b|[\[(/]\s*(?:s|ms|us|µs|sec)\s*[\])]?\Z", re.IGNORECASE)
_OHM = 50.0
_UV_DBM = 20.0 * math.log10(1e-6) - 10.0 * math.log10(_OHM) + 30.0  # 1 uV in 50 ohm: -106.99 dBm (P = U^2 / R)
_LOGARITHMIC = {"dbm": 0.0, "db": 0.0, "dbuv": _UV_DBM, "dbmv": _UV_DBM + 60.0}  # what is added for dBm
_VOLTS = {"v": 1.0, "mv": 1e-3, "uv": 1e-6}
_WATTS = {"w": 1.0, "mw": 1e-3}
_HIGHEST_DB = 400.0  # no level is further from 0 dBm


class UnitUnknownError(StoredDataError):
    """The file does not say in which unit its levels are."""


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """A trace: ``level_db`` in dBm, or in dB against the thru where ``normalised``.

    ``facts`` are the file's and, where it is silent, the operator's; ``by_file`` names the file's. ``notes``: what was
    concluded.
    """

    freq_hz: FloatArray
    level_db: FloatArray
    normalised: bool
    facts: Facts
    by_file: frozenset[str]
    notes: tuple[str, ...]


def read_levels(text: str, where: str, said: Facts, column: str, near_hz: Sequence[float]) -> Levels:
    """Return the trace that the text of a file holds.

    Parameters
    ----------
    said : what the operator declares; it holds where the file is silent.
    column : which trace, where there are several: its number from 1, or its heading where they are columns; '' where
        there is one.
    near_hz : frequencies the trace must be about; they tell the unit of a bare column of frequencies.

    Raises
    ------
    UnitUnknownError
        When neither file nor operator tells the unit of the levels.
    StoredDataError
        For anything that cannot be read in one way.
    """
    blocks = stacked(text)
    if blocks:
        if not (column.isdecimal() and len(column) < 4):
            refuse(where, f"{_below(column, len(blocks))} in traces.yaml, by its number: {{file: ..., trace: 1}}")
        text, column = one_of_stacked(text, int(column), where), ""
    table = read_table(text, where)
    axis, levels = _axis(table)
    chosen = _chosen(levels, column, where)
    own_facts = told(_about(table, levels, chosen), where, comma=table.comma)
    facts = own_facts.over(said)
    notes: list[str] = []
    freq_hz = _implied(chosen.values.size, facts, where, notes) if axis is None else _in_hz(axis, near_hz, where, notes)
    unit, other = (plain_unit(each) for each in (chosen.unit or split_unit(chosen.heading)[1], own_facts.unit or ""))
    if unit and other and unit != other:
        refuse(where, f"tells two units of its levels, {unit} and {other}: correct it")
    level_db, normalised = _in_db(chosen, facts, where, notes)
    if np.all(np.diff(freq_hz) < 0.0):
        refuse(where, "its frequencies fall from row to row; sweep, or save, from low to high")
    if not np.all(np.diff(freq_hz) > 0.0):
        refuse(where, "two points have the same frequency; save it with more digits")
    _refuse_other_range(freq_hz, own_facts, where)
    return Levels(own(freq_hz), own(level_db), normalised, facts, own_facts.known, tuple(notes))


def _below(column: str, count: int) -> str:
    no_such = f"has no trace {column[:40]!r}; it " if column else ""
    return f"{no_such}holds {count} traces below each other; say which"


def _axis(table: Table) -> tuple[Column | None, list[Column]]:
    """Return the column of frequencies, None where there is none, and those of levels."""
    columns = list(table.columns)
    if len(columns) > 1 and _counts(columns[0]) and columns[0].unit.casefold() not in _FREQUENCY:
        columns = columns[1:]  # the number of the point
    named = [c for c in columns if c.unit.casefold() in _FREQUENCY or "freq" in c.heading.casefold()]
    axis = named[0] if named else columns[0] if len(columns) > 1 and _runs(columns[0]) else None
    rest = [c for c in columns if c is not axis and c not in named[1:] and np.any(np.isfinite(c.values))]
    return axis, rest


def _runs(column: Column) -> bool:
    """Whether a column rises or falls all the way, as frequencies do."""
    steps = np.diff(column.values) * np.sign(column.values[-1] - column.values[0])
    return bool(np.all(np.isfinite(column.values)) and np.all(steps >= 0.0) and np.any(steps > 0.0))


def _counts(column: Column) -> bool:
    values = column.values
    return bool(values[0] in (0.0, 1.0) and np.all(np.diff(values) == 1.0))


def _about(table: Table, levels: Sequence[Column], chosen: Column) -> list[str]:
    """Return the lines round the rows without what they tell of other columns than the chosen one."""
    others = [any(c is one for c in levels if c is not chosen) for one in table.columns]
    heads, lines = [], []
    for line in table.others:
        if line not in table.headings:
            lines.append(line)
        elif any(others):
            cells = table.headings[line]
            heads.append("; ".join(c for c, other in zip(cells, others, strict=True) if not other))
        else:
            heads.append(line)
    return [*lines_of(lines, name_in(chosen.heading), alone=len(levels) == 1), *heads]


def _refuse_other_range(freq_hz: FloatArray, told_of: Facts, where: str) -> None:
    """The lines round the rows must be of these rows: not of another range, nor of a longer trace."""
    slack_hz = RANGE_SLACK * (freq_hz[-1] - freq_hz[0]) + 2.0 * float(np.max(np.diff(freq_hz)))
    for name, hz, row_hz in (("start", told_of.start_hz, freq_hz[0]), ("stop", told_of.stop_hz, freq_hz[-1])):
        if hz is not None and abs(hz - row_hz) > slack_hz:
            whole = f"{show_hz(float(freq_hz[0]))} to {show_hz(float(freq_hz[-1]))}"
            refuse(
                where, f"tells a {name} of {show_hz(hz)}, but its rows go from {whole}: save it again, or correct it"
            )
    if told_of.points is not None and freq_hz.size < told_of.points:
        refuse(where, f"tells {told_of.points} points, but holds {freq_hz.size}: save the whole trace, or correct it")


def _implied(points: int, facts: Facts, where: str, notes: list[str]) -> FloatArray:
    start, stop = facts.start_hz, facts.stop_hz
    if start is None or stop is None:
        refuse(where, "has no column of frequencies and tells no start and stop; declare both (start, stop)")
    if not 0.0 <= start < stop <= 1e13 or points < 2:
        refuse(where, f"start {show_hz(start)} and stop {show_hz(stop)} are no range of {points} points")
    notes.append(f"frequencies from start {show_hz(start)} and stop {show_hz(stop)}, evenly spaced")
    return own(np.linspace(start, stop, points))


def _in_hz(axis: Column, near_hz: Sequence[float], where: str, notes: list[str]) -> FloatArray:
    if not np.all(np.isfinite(axis.values)):
        refuse(where, "its column of frequencies has gaps")
    unit = (axis.unit or split_unit(axis.heading)[1]).casefold()
    if unit in _SECONDS or _TIME.search(axis.heading):
        refuse(where, "its points lie on a time axis (zero span); sweep over a range of frequencies")
    if unit in _FREQUENCY:
        values = axis.values * _FREQUENCY[unit]
    else:
        low, high = sorted((float(axis.values[0]), float(axis.values[-1])))
        about = [
            name
            for name, factor in _FREQUENCY.items()
            if any(low * factor * 0.5 <= hz <= high * factor * 2.0 for hz in near_hz)
        ]
        if len(about) != 1:
            refuse(where, f"its frequencies ({low:g} to {high:g}) have no unit, and in none do they fit the recipe")
        shown = {"hz": "Hz", "khz": "kHz", "mhz": "MHz", "ghz": "GHz"}[about[0]]
        notes.append(f"frequencies taken as {shown}: only so do they lie where the recipe looks")
        values = axis.values * _FREQUENCY[about[0]]
    if not (np.all(values >= 0.0) and np.all(values <= 1e13)):
        refuse(where, "its column of frequencies holds what is no frequency")
    return own(np.round(values, 3))  # 146.61 * 1e6 is 146610000.00000001


def _chosen(levels: Sequence[Column], column: str, where: str) -> Column:
    if not levels:
        refuse(where, "holds no column of levels")
    names = [c.heading or f"trace {n}" for n, c in enumerate(levels, 1)]
    if not column:
        if len(levels) > 1:
            has = ", ".join(f"{n} {name!r}" for n, name in enumerate(names, 1))
            refuse(where, f"holds {len(levels)} traces ({has}); say which in traces.yaml: {{file: ..., trace: 1}}")
        return levels[0]
    if column.isdecimal() and len(column) < 4 and 1 <= int(column) <= len(levels):
        return levels[int(column) - 1]
    alike = [c for c, name in zip(levels, names, strict=True) if name.casefold() == column.casefold()]
    if len(alike) != 1:
        refuse(where, f"has no trace {column[:40]!r}; it has {', '.join(names)[:200]}")
    return alike[0]


def _in_db(column: Column, facts: Facts, where: str, notes: list[str]) -> tuple[FloatArray, bool]:
    """Return the levels in dBm, or in dB where the instrument has normalised them already."""
    unit = column.unit or split_unit(column.heading)[1] or facts.unit or ""
    plain = plain_unit(unit)
    values = column.values
    if not plain:
        msg = f"{where}: neither file nor operator tells the unit of its levels (unit: dBm, dB, dBuV, mV ...)"
        raise UnitUnknownError(msg, where=where)
    if plain in _LOGARITHMIC:
        level = values + _LOGARITHMIC[plain]
    elif plain in _VOLTS or plain in _WATTS:
        if np.any(values < 0.0):
            refuse(where, f"a negative level in {unit}: not a linear scale")
        with np.errstate(divide="ignore", over="ignore"):
            volts, watts = _VOLTS.get(plain), _WATTS.get(plain)
            scaled = (values * volts) ** 2 / _OHM if volts is not None else values * (watts or 0.0)
            level = 10.0 * np.log10(scaled) + 30.0
    else:
        refuse(where, f"{unit[:20]!r} is no unit of level (dBm, dB, dBuV, dBmV, mV, V, uV, W, mW)")
    if np.any(np.abs(level[np.isfinite(level)]) > _HIGHEST_DB):
        refuse(where, f"holds a level beyond {_HIGHEST_DB:g} dB, which no trace has")
    level = np.where(np.isfinite(level), level, np.nan)
    if plain not in ("db", "dbm"):
        notes.append(f"levels turned from {unit} into dBm, in 50 ohm")
    normalised = plain == "db"
    if facts.normalised and not normalised:
        refuse(where, f"says that it is normalised, but its levels are in {unit}; save it in dB, or not normalised")
    if normalised:
        notes.append("in dB, so normalised by the instrument already")
    return own(level), normalised
