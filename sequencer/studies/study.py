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
from sequencer.studies.changes import LEVEL
from sequencer.studies.differences import Family, ends, has_value, standing
from sequencer.studies.once import once
from sequencer.studies.onesided import End, lie_apart, low_end, meeting
from sequencer.studies.soundness import control_words, doubts, what_lacks
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
    tried = sorted((r for r in records if r not in control), key=lambda r: (r.measuring_began, r.run_id))
    _check(tried, records, key)
    tried = _spelt_alike(tried, key)
    if len({record.labels[key] for record in tried}) < 2:
        msg = f"a study needs at least two values of the label {key!r}"
        raise UsageError(msg)
    groups: dict[str, list[Record]] = {}
    for record in sorted(tried, key=lambda r: (number_of(r.labels[key]) or 0.0, r.measuring_began)):
        groups.setdefault(record.labels[key], []).append(record)
    runs = [record for group in groups.values() for record in group]
    family = Family(runs, device=False)
    told, warnings = control_words(control)
    return Study(
        key=key,
        runs={label: tuple(group) for label, group in groups.items()},
        quantities=_quantities(groups, runs, family),
        simulated=records[0].simulated,
        control=told,
        controls=tuple(sorted(control, key=lambda r: r.measuring_began)),
        missing=what_lacks(groups, tried, key, control),
        warnings=(*warnings, *doubts(tried, control), *(f"left out: {each}" for each in again)),
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


def _quantities(groups: Mapping[str, Sequence[Record]], runs: list[Record], family: Family) -> tuple[Studied, ...]:
    ids = dict.fromkeys(result.id for record in runs for result in record.results)
    labels = list(groups)
    drawn = []
    for name in ids:
        results = [next((r for r in record.results if r.id == name), None) for record in runs]
        means = _means(groups, family.errors(results))
        drawn.append((name, results, means, _bounds(groups, results, means, family)))
    greatest = np.zeros(1)
    for _, _, errors, bounds in drawn:
        known = [e for e in errors if e is not None]
        for a, b in itertools.combinations(known, 2):
            greatest = np.maximum(greatest, standing(b - a)(b - a))
        for bound, error in itertools.product([one for one in bounds if one is not None], known):
            greatest = np.maximum(greatest, meeting(bound, _high_end(0.0, error)))
    critical = float(np.quantile(greatest, 1.0 - LEVEL))
    by_run = {record.run_id: number for number, record in enumerate(runs)}
    return tuple(
        _studied(name, groups, labels, [results[by_run[r.run_id]] for r in runs], errors, bounds, critical)
        for name, results, errors, bounds in drawn
    )


def _bounds(
    groups: Mapping[str, Sequence[Record]],
    results: Sequence[Result | None],
    means: Sequence[FloatArray | None],
    family: Family,
) -> list[End | None]:
    """Return each label's low end where its runs give no value but all a bound: the lowest of them."""
    bounds: list[End | None] = []
    start = 0
    for group, mean in zip(groups.values(), means, strict=True):
        own = [(number, results[number]) for number in range(start, start + len(group))]
        start += len(group)
        found = [
            low_end(one, family.own_errors(number, one)) for number, one in own if one is not None and mean is None
        ]
        lows = [end for end in found if end is not None]
        bounds.append(min(lows, key=lambda end: end.at) if len(lows) == len(group) else None)
    return bounds


def _high_end(value: float, error: FloatArray) -> End:
    """Return the high end of a label's mean."""
    half = max(ends(-error)[1], 0.0)
    return End(at=value + half, sign=1.0, half=half, stated=1.0, outwards=-error)


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
    bounds: list[End | None],
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
    higher = _highest_bound(bounds, top.value or 0.0) if wants == "greatest" else None
    if higher is not None:
        bound, label = higher, labels[bounds.index(higher)]
        notes.append(f"{label} is at least {bound.at:.1f} {first.unit}, more than every value; by how much is open")
        notes += _at_the_end(points, label)
        told = {
            point.label: lie_apart(bound, _high_end(point.value or 0.0, errors[index]), critical)  # type: ignore[arg-type]
            and bound.at - (point.value or 0.0) > spread
            for index, point in rated
        }
        others = [p.label for p in points if p.results and p.label != label]
        return Studied(
            id=name,
            wants=wants,
            points=tuple(points),
            best=label,
            apart=tuple(other for other in others if told.get(other, False)),
            not_apart=tuple(other for other in others if not told.get(other, False)),
            notes=tuple(notes),
        )
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


def _highest_bound(bounds: Sequence[End | None], value: float) -> End | None:
    """Return the highest of the bounds that are above every value."""
    return max((one for one in bounds if one is not None and one.at > value), key=lambda end: end.at, default=None)


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
