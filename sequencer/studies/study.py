"""Runs side by side by one label: which value is best for which requirement, and whether that is more than chance.

Within one evening on one bench the scale and the match of the joined leads are common and cancel; mating again does
not, nor does the match against a device whose reflections the change altered. Labels are told apart at 5 % for all
quantities and all pairs together, and never by less than what repeats of one label differ by.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from sequencer.core.comparison import LabelPoint, Studied, Study
from sequencer.core.labels import is_of, number_of
from sequencer.core.record import Record, Result
from sequencer.core.trace import FloatArray
from sequencer.errors import UsageError
from sequencer.studies.bestcurve import best_place
from sequencer.studies.changes import LEVEL, compare
from sequencer.studies.differences import Family, ends, has_value, standing
from sequencer.studies.once import once
from sequencer.studies.sharing import EVENING, same_analyzer
from sequencer.units import LENGTH, PLAIN

__all__ = ["CONTROL", "study_of"]

CONTROL = "control"  # label of the runs of the unchanged control


def study_of(records: Sequence[Record], key: str) -> Study:
    """Return the study of runs that carry the label ``key``, and of control runs (label `control`).

    Raises
    ------
    UsageError
        When a run has no such label, runs are of both kinds (simulated and measured), or there is one value only.
    """
    if len({record.run_id for record in records}) < len(records):
        msg = "a run is given twice: each run counts once"
        raise UsageError(msg)
    records, again = once(records)
    control = [record for record in records if CONTROL in record.labels and key != CONTROL]
    tried = sorted((r for r in records if r not in control), key=lambda r: (r.began, r.run_id))
    _check(tried, records, key)
    tried = _spelt_alike(tried, key)
    if len({record.labels[key] for record in tried}) < 2:
        msg = f"a study needs at least two values of the label {key!r}"
        raise UsageError(msg)
    groups: dict[str, list[Record]] = {}
    for record in sorted(tried, key=lambda r: (number_of(r.labels[key]) or 0.0, r.began)):
        groups.setdefault(record.labels[key], []).append(record)
    runs = [record for group in groups.values() for record in group]
    family = Family(runs, device=False)
    told, warnings = _control(control)
    return Study(
        key=key,
        runs={label: tuple(group) for label, group in groups.items()},
        quantities=_quantities(groups, runs, family),
        simulated=records[0].simulated,
        control=told,
        controls=tuple(sorted(control, key=lambda r: r.began)),
        missing=_missing(groups, tried, key, control),
        warnings=(*warnings, *_warnings(tried), *(f"left out: {each}" for each in again)),
    )


def _check(tried: Sequence[Record], records: Sequence[Record], key: str) -> None:
    if len({record.simulated for record in records}) > 1:
        msg = "simulated and measured runs do not go into one study"
        raise UsageError(msg)
    for record in records:
        if not record.complete:
            msg = f"run {record.run_id} ended early: leave it out"
            raise UsageError(msg)
    for record in tried:
        if key not in record.labels:
            known = ", ".join(record.labels) or "none"
            msg = (
                f"run {record.run_id} has no label {key!r} (its labels: {known}); it was run without --label {key}=..."
            )
            raise UsageError(msg, run=record.run_id)
    bare = sorted({text for text in (record.labels[key] for record in tried) if is_of(text, PLAIN)})
    lengths = sorted({text for text in (record.labels[key] for record in tried) if is_of(text, LENGTH)} - set(bare))
    if bare and lengths:
        msg = f"the label {key!r} is {bare[0]!r} without a unit beside {lengths[0]!r}: leave out the runs of one kind"
        raise UsageError(msg)


def _spelt_alike(tried: Sequence[Record], key: str) -> list[Record]:
    """Return the runs with one spelling of each value, the first: '12 in' and '12in' are one length."""
    first: dict[float, str] = {}
    made = []
    for record in tried:
        label = record.labels[key]
        number = number_of(label)
        if number is not None:
            label = first.setdefault(round(number, 9), label)
        made.append(replace(record, labels={**record.labels, key: label}))
    return made


def _control(control: Sequence[Record]) -> tuple[str, tuple[str, ...]]:
    if len(control) < 2:
        return "", ()
    first, *_, last = sorted(control, key=lambda r: r.began)
    family = compare(first, last).family
    if family.changed is None:
        return "the control runs have no value in common", ()
    if family.changed:
        told = f"the unchanged control changed between {first.run_id} and {last.run_id}"
        return told, (f"{told}: the bench or the room moved, so differences between labels are not to be trusted",)
    return f"the unchanged control stayed as it was (p = {family.p_value:.2f})", ()


def _missing(
    groups: Mapping[str, Sequence[Record]], tried: Sequence[Record], key: str, control: Sequence[Record]
) -> tuple[str, ...]:
    missing = []
    once = [label for label, group in groups.items() if len(group) < 2]
    if once:
        missing.append(f"each {key} at least twice, taken apart in between: only one run of {', '.join(once)}")
    order = [record.labels[key] for record in tried]
    places = [list(groups).index(label) for label in order]
    steps = [b - a for a, b in itertools.pairwise(places)]
    if len(groups) > 2 and (all(step >= 0 for step in steps) or all(step <= 0 for step in steps)):
        missing.append("random order: they were measured one after the other along the label, as drift would be too")
    if len(control) < 2:
        missing.append("one unchanged control, measured first and last (run it with --label control=yes)")
    return tuple(missing)


def _warnings(tried: Sequence[Record]) -> tuple[str, ...]:
    told = []
    if tried[-1].began - tried[0].began > EVENING:
        told.append("the runs are more than an evening apart: the frequency reference and the room may have moved")
    if not all(same_analyzer(tried[0], record) for record in tried[1:]):
        told.append("not all runs were taken with one analyzer: its scale does not cancel between them")
    if len({record.serial for record in tried}) > 1:
        told.append("the runs name different serials: the units differ, too")
    return tuple(told)


# --- quantities


def _quantities(groups: Mapping[str, Sequence[Record]], runs: list[Record], family: Family) -> tuple[Studied, ...]:
    ids = dict.fromkeys(result.id for record in runs for result in record.results)
    labels = list(groups)
    drawn = []
    for name in ids:
        results = [next((r for r in record.results if r.id == name), None) for record in runs]
        drawn.append((name, results, _means(groups, family.errors(results))))
    greatest = np.zeros(1)
    for _, _, errors in drawn:
        for a, b in itertools.combinations([e for e in errors if e is not None], 2):
            greatest = np.maximum(greatest, standing(b - a)(b - a))
    critical = float(np.quantile(greatest, 1.0 - LEVEL))
    by_run = {record.run_id: number for number, record in enumerate(runs)}
    return tuple(
        _studied(name, groups, labels, [results[by_run[r.run_id]] for r in runs], errors, critical)
        for name, results, errors in drawn
    )


def _means(groups: Mapping[str, Sequence[Record]], errors: list[FloatArray | None]) -> list[FloatArray | None]:
    """Errors of each label's mean; None where one of its runs has no value."""
    means: list[FloatArray | None] = []
    start = 0
    for group in groups.values():
        part = errors[start : start + len(group)]
        start += len(group)
        whole = [one for one in part if one is not None]
        means.append(np.mean(whole, axis=0) if len(whole) == len(part) else None)
    return means


def _studied(
    name: str,
    groups: Mapping[str, Sequence[Record]],
    labels: list[str],
    results: list[Result | None],
    errors: list[FloatArray | None],
    critical: float,
) -> Studied:
    known = [one for one in errors if one is not None]
    middle = np.mean(known, axis=0) if known else np.zeros(1)
    points = []
    start = 0
    for label, group, error in zip(labels, groups.values(), errors, strict=True):
        own = tuple(r for r in results[start : start + len(group)] if r is not None)
        start += len(group)
        points.append(_point(label, own, None if error is None else error - middle))
    first = next(result for result in results if result is not None)
    wants = _wants(first)
    notes = [f"no value at {p.label}: only a bound or an open interval, or nothing" for p in points if p.value is None]
    rated = [(index, p) for index, p in enumerate(points) if p.value is not None]
    if not wants or not rated:
        return Studied(id=name, wants=wants, points=tuple(points), best=None, notes=tuple(notes))
    best, top = min(rated, key=lambda pair: _rank(pair[1].value or 0.0, wants, first))
    spread = max((p.spread or 0.0 for p in points), default=0.0)
    higher = _proven_higher(points, top.value or 0.0) if wants == "greatest" else None
    if higher is not None:
        label, least = higher
        notes.append(f"{label} is at least {least:.1f} {first.unit}, more than every value; by how much is open")
        notes += _at_the_end(points, label)
        return Studied(id=name, wants=wants, points=tuple(points), best=label, notes=tuple(notes))
    if len(rated) < 2:
        return Studied(id=name, wants=wants, points=tuple(points), best=None, notes=tuple(notes))
    apart: list[str] = []
    not_apart = [point.label for point in points if point.value is None and point.results]
    for index, point in rated:
        if index == best:
            continue
        error = np.subtract(errors[index], errors[best])  # type: ignore[arg-type]
        difference = (point.value or 0.0) - (top.value or 0.0)
        sure = float(standing(error)(difference)) > critical and abs(difference) > spread
        (apart if sure else not_apart).append(point.label)
    curved, why = best_place(points, errors, wants) if wants != "middle" else (None, "")
    return Studied(
        id=name,
        wants=wants,
        points=tuple(points),
        best=top.label,
        apart=tuple(apart),
        not_apart=tuple(not_apart),
        curved=curved,
        notes=(*notes, *((why,) if why else ())),
    )


def _at_the_end(points: Sequence[LabelPoint], best: str) -> list[str]:
    """Say that the best was the last of what was tried, where the labels are numbers: the true best may lie beyond."""
    numbered = sorted((p for p in points if p.number is not None), key=lambda p: p.number or 0.0)
    if len(numbered) < len(points) or len(points) < 3 or best not in (numbered[0].label, numbered[-1].label):
        return []
    return [f"{best} is the {'least' if best == numbered[0].label else 'greatest'} measured: measure beyond it, too"]


def _proven_higher(points: Sequence[LabelPoint], value: float) -> tuple[str, float] | None:
    """Return the label whose bound alone is above every value, and that bound; the highest of several."""
    bounds = []
    for point in points:
        lows = [r.interval[0] for r in point.results if r.interval[0] is not None]
        if point.value is None and len(lows) == len(point.results) > 0 and min(lows) > value:
            bounds.append((min(lows), point.label))
    return (max(bounds)[1], max(bounds)[0]) if bounds else None


def _point(label: str, results: tuple[Result, ...], error: FloatArray | None) -> LabelPoint:
    values = [r.value for r in results if has_value(r) and r.value is not None]
    whole = bool(values) and error is not None
    low, high = ends(error) if error is not None else (0.0, 0.0)
    return LabelPoint(
        label=label,
        number=number_of(label),
        results=results,
        value=float(np.mean(values)) if whole else None,
        half=0.5 * (high - low) if whole else None,
        spread=max(values) - min(values) if len(values) > 1 else None,
    )


def _wants(result: Result) -> str:
    low, high = result.limit.min, result.limit.max
    if low is not None and high is not None:
        return "middle"
    if low is None and high is None:
        least, greatest = ("insertion loss", "ripple"), ("rejection", "isolation", "return loss", "notch depth")
        return "least" if result.quantity in least else "greatest" if result.quantity in greatest else ""
    return "least" if low is None else "greatest"


def _rank(value: float, wants: str, result: Result) -> float:
    if wants == "middle":
        assert result.limit.min is not None
        assert result.limit.max is not None
        return abs(value - 0.5 * (result.limit.min + result.limit.max))
    return value if wants == "least" else -value
