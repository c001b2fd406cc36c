"""A path and the same path with its leads exchanged: a passive device reads the same both ways; pure."""

from __future__ import annotations

from dataclasses import replace

from sequencer.core.record import Result, Statement
from sequencer.core.told import bound_of, interval_text, value_text
from sequencer.recipe.model import Recipe, Requirement

__all__ = ["compared", "other_way"]


def other_way(recipe: Recipe, requirement: Requirement) -> Requirement | None:
    """Return the requirement as it is measured with the leads exchanged, None where the recipe does not ask for it."""
    if requirement.path is None or requirement.path not in recipe.exchange:
        return None
    return replace(requirement, path=(requirement.path[1], requirement.path[0]))


def compared(result: Result, other: Result) -> tuple[Result, str]:
    """Return the result with what the other way round says of it, and a warning where the two do not agree.

    They agree where their intervals meet. Where they do not, something is not as the budget thinks (the match of one
    lead, a pad, a connector), and nothing is decided.
    """
    name = other.path or ""
    (low, high), (other_low, other_high) = result.interval, other.interval
    if all(end is None for end in (low, high)) or all(end is None for end in (other_low, other_high)):
        return replace(result, notes=(*result.notes, f"could not be compared with the leads exchanged ({name})")), ""
    meet = (low is None or other_high is None or low <= other_high) and (
        high is None or other_low is None or other_low <= high
    )
    ends = value_text(other) if bound_of(other) else interval_text(other)
    if meet:
        value = ends if bound_of(other) else f"{value_text(other)} ({ends})"
        return replace(result, notes=(*result.notes, f"with the leads exchanged ({name}) {value}: they agree")), ""
    note = f"with the leads exchanged ({name}) the interval is {ends}: a passive device cannot read so differently"
    warning = f"{result.id}: {note}; look at both leads, their pads and connectors"
    return replace(result, statement=Statement.UNDECIDED, notes=(*result.notes, note)), warning
