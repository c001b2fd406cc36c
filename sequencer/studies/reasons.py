"""The likely reason of a change, where the changed quantities and the budgets point to one; '' where they do not.

The patterns are those of the trade (trade notes 7.3 and 9: common practice, no source). A reason is a place to look,
never a finding.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sequencer.core.comparison import Compared
from sequencer.core.record import FamilyChange, Record
from sequencer.errors import UnitError
from sequencer.units import TEMPERATURE, parse

__all__ = ["likely_reason", "temperature_c"]

_LEVELS = ("insertion loss", "rejection", "isolation", "notch depth")
_SWAP_DB = 10.0  # the losses of pass and stop band change places: far beyond anything a fault moves both ways
_WARM_K = 5.0  # trade notes 7.10: a few kelvin move a copper cavity by its own width


def temperature_c(record: Record) -> float | None:
    """Return the temperature a run's conditions state, degrees Celsius; None where there is none to read."""
    for key, text in record.conditions.items():
        if key.casefold() == "temperature":
            try:
                return parse(text, TEMPERATURE)
            except UnitError:
                return None
    return None


def likely_reason(quantities: Sequence[Compared], family: FamilyChange, before: Record, after: Record) -> str:
    """Say where the changed quantities point, of all that both runs have."""
    changed = [each for each in quantities if family.sees(each.after.id, each.change)]
    if not changed:
        return ""
    known = [each for each in quantities if each in changed or each.change.difference is not None]
    only = "only" if len(known) == len(quantities) else "of what is known only"
    levels = [each for each in changed if each.after.quantity in _LEVELS]
    for pattern in (
        _swapped(changed),
        _warmer(changed, before, after),
        _one_port(changed, only),
        _common(levels, known),
    ):
        if pattern:
            return pattern
    return _one_side(levels, only)


def _difference(each: Compared) -> float:
    """Return the change, or of one that a bound proves what it is at least."""
    if each.change.difference is not None:
        return each.change.difference
    return next((end for end in each.change.interval if end is not None), 0.0)


def _swapped(changed: Sequence[Compared]) -> str:
    less = [c for c in changed if c.after.quantity == "rejection" and _difference(c) < -_SWAP_DB]
    more = [c for c in changed if c.after.quantity == "insertion loss" and _difference(c) > _SWAP_DB]
    paths = {c.after.path for c in less} & {c.after.path for c in more}
    return "the two sides look changed over: compare the labels of the ports with the licence" if len(paths) > 1 else ""


def _warmer(changed: Sequence[Compared], before: Record, after: Record) -> str:
    moved = [c for c in changed if c.after.quantity == "notch frequency"]
    first, second = temperature_c(before), temperature_c(after)
    known = first is not None and second is not None
    warm = known and abs((second or 0.0) - (first or 0.0)) >= _WARM_K
    if len(moved) > 1 and len({_difference(c) > 0 for c in moved}) == 1:
        told = f" ({first:g} degC before, {second:g} degC now)" if known else " (temperature was not recorded)"
        return "all notches moved the same way: temperature" + told + ", or the analyzer's frequency reference"
    if warm and moved:
        return f"a notch moved, and it was {first:g} degC before and is {second:g} degC now"
    return ""


def _one_port(changed: Sequence[Compared], only: str) -> str:
    ports = {c.after.port for c in changed}
    if len(ports) == 1 and None not in ports:
        return f"{only} the return loss of {ports.pop()} changed: its connector, or the lead and adapter on it"
    return ""


def _common(levels: Sequence[Compared], quantities: Sequence[Compared]) -> str:
    """All losses of every path shifted alike: what is common to all paths is the bench, not the device."""
    every = [q for q in quantities if q.after.quantity in _LEVELS]
    if len(levels) < 3 or len({q.after.path for q in every}) < 2:
        return ""
    shifts = [_difference(q) for q in every]
    middle = sorted(shifts)[len(shifts) // 2]
    for q, shift in zip(every, shifts, strict=True):
        low, high = q.change.interval
        if low is None or high is None or abs(shift - middle) > max(high - low, 0.05):
            return ""
    if all(math.copysign(1.0, s) == math.copysign(1.0, middle) for s in shifts):
        return f"every loss shifted by about {middle:+.2f} dB: the thru, a pad or a lead, rather than the device"
    return ""


def _worse(c: Compared) -> bool:
    return (_difference(c) > 0) == (c.after.quantity == "insertion loss")


def _one_side(levels: Sequence[Compared], only: str) -> str:
    # only what got worse points to the fault: through the tee a sick side may even help the other's rejection
    direct = [c for c in levels if c.after.quantity != "isolation" and _worse(c)]
    paths = {c.after.path for c in direct}
    if len(paths) != 1 or None in paths:
        return ""
    path = paths.pop()
    lossier = any(c.after.quantity == "insertion loss" and _difference(c) > 0 for c in direct)
    shallower = [c for c in direct if c.after.quantity in ("rejection", "notch depth") and _difference(c) < 0]
    if lossier and shallower:
        return f"{path} loses more in the pass band and rejects less: lower Q on that side (contacts, plating, water)"
    if shallower:
        return (
            f"{path} rejects less at about the same loss: a notch moved or was set for another channel, or its harness"
        )
    if lossier:
        return f"{only} the loss of {path} grew: a joint, a connector or the harness of that side"
    return ""
