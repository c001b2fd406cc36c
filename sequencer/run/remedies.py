"""What would help first where a bench cannot prove a limit, and how what it can prove is written; pure."""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_FLOOR

from sequencer.core.record import Bound, Result
from sequencer.core.told import shown
from sequencer.recipe.model import Bench, Quantity, Requirement
from sequencer.units import DB, show, show_hz

__all__ = ["at_least_text", "limit_words", "remedy", "within_text"]

_CURES = (  # a word in the name of what weighs most, and what makes that smaller
    ("path not measured", "state 'load vswr' under 'specifications', or add a limit on the paths into that port"),
    ("a path to it not measured", "add a limit on the paths into that port, so that they are measured"),
    ("load", "loads of low VSWR, their figure as 'load vswr' under 'specifications'"),
    ("noise", "a lower RBW, less loss in the pads or more generator level"),
    ("leakage", "double-screened leads, tight connectors, instruments apart"),
    ("mismatch", "pads of low VSWR at the device ends of both leads"),
    ("match", "pads or a bridge of low VSWR where the device is joined"),
    ("scale", "a scale figure per dB, or a check standard near the limit"),
    ("directivity", "a bridge of higher directivity"),
    ("drift", "a longer warm-up, or a 'drift' figure under 'specifications'"),
    ("connection", "clean connectors, tightened to a torque, and their figure as 'connection' under 'specifications'"),
    ("switching", "a figure for 'attenuator switching' under 'specifications'"),
    ("reference", "an analyzer locked to a known frequency reference, its figure under 'frequency'"),
    ("span", "a narrower span, or the analyzer's 'span' figure under 'frequency'"),
    ("centre", "a tracking generator adjusted at the narrowest filter in use"),
)
_BRIDGE = (
    "borrow a directional bridge and list it in the bench file, so that the port's reflection is measured, or fit pads "
    "of low VSWR at the device ends of both leads"
)
_REFLECTION = "add a limit on the return loss of that port, so that its reflection is measured"


def remedy(requirement: Requirement, result: Result, bench: Bench) -> str:
    """Return what would help first, in words."""
    if requirement.quantity is Quantity.RETURN_LOSS:
        if bench.bridge is None:
            return "borrow a directional bridge and list it in the bench file"
        figure, wanted = bench.bridge.directivity_db, requirement.minimum or 0.0
        if figure is not None and wanted >= figure.worst:
            return (
                f"a bridge of more than {show(wanted, DB)} of directivity: through one of {show(figure.worst, DB)} "
                "nothing shows so little reflection"
            )
    rows = [row for row in result.budget if not row.name.startswith("everything smaller")]
    if not rows:
        return "; ".join(result.notes) or "see the recipe"
    largest = max(rows, key=lambda row: row.u)
    name = largest.name.lower()
    cure = next((cure for word, cure in _CURES if word in name), "")
    if "s11 not measured" in name or "s22 not measured" in name:
        cure = _REFLECTION if bench.bridge is not None else _BRIDGE
    if not cure and result.bound is Bound.AT_LEAST:
        return "a lower RBW, less loss in the pads or more generator level"
    if result.bound is None:
        largest_text = f"{largest.name} is the largest part ({shown(largest.u, _places(largest.u), result.unit)})"
    else:
        largest_text = f"{largest.name} is the largest part"  # of a bound, its size in decibels means nothing
    return f"{largest_text}: {cure}" if cure else largest_text


def limit_words(requirement: Requirement, unit: str) -> str:
    """Return the limit as it was required."""
    parts = []
    for word, value in (("at least", requirement.minimum), ("at most", requirement.maximum)):
        if value is not None:
            parts.append(f"{word} {show_hz(value) if unit == 'Hz' else show(value, DB)}")
    return ", ".join(parts)


def at_least_text(db: float) -> str:
    """Return a foretold bound, rounded down: no forecast is good to a hundredth of a decibel."""
    return f"at least {shown(db, 0 if db >= 40.0 else 1, 'dB', ROUND_FLOOR)}"


def within_text(half: float, unit: str) -> str:
    """Return half a foretold interval, rounded up to two digits, at least 0.01 dB."""
    return f"within {shown(half, _places(half), unit, ROUND_CEILING)}"


def _places(size: float) -> int:
    return 2 if size <= 0.0 else max(min(1 - math.floor(math.log10(size)), 2), -12)
