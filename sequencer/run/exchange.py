"""A path and the same path with its leads exchanged: a passive device reads the same both ways; pure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sequencer.core.curve import Estimate
from sequencer.core.record import Result, Statement
from sequencer.core.told import bound_of, interval_text, value_text
from sequencer.recipe.model import Recipe, Requirement

__all__ = ["compared", "other_way"]


def other_way(recipe: Recipe, requirement: Requirement) -> Requirement | None:
    """Return the requirement as it is measured with the leads exchanged, None where the recipe does not ask for it."""
    if requirement.path is None or requirement.path not in recipe.exchange:
        return None
    return replace(requirement, path=(requirement.path[1], requirement.path[0]))


def compared(
    result: Result, estimate: Estimate, other: Result, their: Estimate, *, among: int = 1
) -> tuple[Result, str]:
    """Return the result with what the other way round says of it, and a warning where the two do not agree.

    They agree where the device may be one and the same: the draws of both have the bench in common, trial by trial,
    so what both readings share (the scale, the drift) does not make them agree. ``among``: how many such pairs the
    run has; of a device that is the same both ways, 5 % of runs see any of them disagree. Where they do not agree,
    something is not as the budget thinks (the match of one lead, a pad, a connector), and nothing is decided.
    """
    name = other.path or ""
    (low, high), (other_low, other_high) = result.interval, other.interval
    if all(end is None for end in (low, high)) or all(end is None for end in (other_low, other_high)):
        return replace(result, notes=(*result.notes, f"could not be compared with the leads exchanged ({name})")), ""
    ends = value_text(other) if bound_of(other) else interval_text(other)
    if _may_be_one(estimate, their, 0.05 / among):
        value = ends if bound_of(other) else f"{value_text(other)} ({ends})"
        return replace(result, notes=(*result.notes, f"with the leads exchanged ({name}) {value}: they agree")), ""
    note = (
        f"with the leads exchanged ({name}) the interval is {ends}: what both share apart, a passive device cannot "
        "read so differently"
    )
    warning = f"{result.id}: {note}; look at both leads, their pads and connectors"
    return replace(result, statement=Statement.UNDECIDED, notes=(*result.notes, note)), warning


def _may_be_one(one: Estimate, other: Estimate, missed: float) -> bool:
    """Whether zero is within the interval of the difference of two results that rest on the same bench."""
    if one.draws is None or other.draws is None:
        return True
    n = min(one.draws.drawn.size, other.draws.drawn.size)
    with np.errstate(invalid="ignore"):  # both without end: no difference is known
        apart = np.nan_to_num(one.draws.drawn[:n] - other.draws.drawn[:n], nan=0.0, posinf=np.inf, neginf=-np.inf)
    first, second = ((each.open_low, each.open_high or each.value is None) for each in (one, other))
    least = 0.5 * missed * n
    below = int(np.count_nonzero(apart <= 0.0)) >= least or first[0] or second[1]
    above = int(np.count_nonzero(apart >= 0.0)) >= least or first[1] or second[0]
    return below and above
