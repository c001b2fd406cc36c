"""Every quantity of one device over the years; the slope is told from three values on, with its interval.

The interval of the slope comes from the joint draws of all runs, so what they share (the same scale, the same pads)
does not count against it. Where the runs scatter about the line more than their budgets explain, the interval is
widened by the Birge ratio and Student's factor (R. T. Birge, Phys. Rev. 40, 207 (1932) [from memory]).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from sequencer.core.comparison import Point, Series, Slope, Trend
from sequencer.core.record import Record, Result
from sequencer.core.trace import FloatArray
from sequencer.core.uncertainty import coverage_factor
from sequencer.studies.differences import Family, ends, has_value
from sequencer.studies.once import once
from sequencer.studies.reasons import temperature_c

__all__ = ["LEAST_SPAN", "trend_of"]

YEAR = timedelta(days=365.25)
LEAST_SPAN = timedelta(days=1)  # a slope per year from one afternoon says nothing of years
_UNLIKELY = 0.05  # scatter that stated budgets give this seldom widens the interval


def trend_of(records: Sequence[Record], serial: str, *, simulated: bool = False) -> Trend:
    """Return the trend of a device from its runs.

    Simulated runs never stand in a measured device's trend, nor the other way round; unfinished runs and runs that
    were only judged again are left out, and said so.
    """
    ours = sorted((r for r in records if r.serial == serial), key=lambda r: (r.measuring_began, r.run_id))
    kept, left_out = [], []
    for record in ours:
        if record.simulated != simulated:
            left_out.append(f"{record.run_id}: {'simulated' if record.simulated else 'measured'}")
        elif not record.complete:
            left_out.append(f"{record.run_id}: ended early")
        elif record.measured is None:
            left_out.append(f"{record.run_id}: its files do not tell when they were taken")
        else:
            kept.append(record)
    kept, again = once(kept)
    left_out += again
    names = dict.fromkeys(_key(result) for record in reversed(kept) for result in record.results)
    series = tuple(_series(kept, key) for key in names)
    return Trend(serial=serial, simulated=simulated, runs=tuple(kept), series=series, left_out=tuple(left_out))


def _key(result: Result) -> tuple[str, str, float, str]:
    return result.id, result.unit, result.at_hz, result.condition


def _series(records: Sequence[Record], key: tuple[str, str, float, str]) -> Series:
    found = [(record, result) for record in records for result in record.results if _key(result) == key]
    points = tuple(
        Point(
            run_id=record.run_id,
            at=record.measuring_began,
            result=result,
            bench=record.identification.get("analyzer", ""),
            temperature_c=temperature_c(record),
        )
        for record, result in found
    )
    return Series(id=key[0], points=points, slope=_slope([pair for pair in found if has_value(pair[1])]))


def _slope(found: Sequence[tuple[Record, Result]]) -> Slope | None:
    if len(found) < 3 or found[-1][0].measuring_began - found[0][0].measuring_began < LEAST_SPAN:
        return None
    family = Family([record for record, _ in found])
    errors = np.stack([one for one in family.errors([result for _, result in found]) if one is not None])
    years = np.array([(record.measuring_began - found[0][0].measuring_began) / YEAR for record, _ in found])
    values = np.array([result.value for _, result in found], dtype=np.float64)
    # what all runs share moves the line, not its slope; the mean taken off takes 1/n of each run's own variance with it
    own = np.var(errors - errors.mean(axis=0), axis=1) * years.size / (years.size - 1.0)
    weight = 1.0 / np.maximum(own, 1e-12 * max(float(own.max()), 1e-12))
    design = np.stack([np.ones_like(years), years], axis=1)
    solve = np.linalg.solve(design.T @ (weight[:, None] * design), design.T * weight)
    fitted = solve @ values
    about = np.eye(years.size) - design @ solve

    def scatter(of: FloatArray) -> FloatArray:
        return np.asarray(weight @ (about @ of) ** 2)

    seen = float(scatter(values))
    inflated = float(np.mean(scatter(errors) >= seen)) < _UNLIKELY
    low, high = ends(solve[1] @ errors)
    if inflated:
        dof = years.size - 2
        wider = max(math.sqrt(seen / dof), 1.0) * coverage_factor(dof) / coverage_factor(math.inf)
        low, high = low * wider, high * wider
    slope = float(fitted[1])
    return Slope(
        per_year=slope,
        interval=(slope - high, slope - low),
        inflated=inflated,
        at=found[0][0].measuring_began,
        value=float(fitted[0]),
    )
