"""Trends and studies in words, for pages and terminals alike."""

from __future__ import annotations

import math
from collections.abc import Callable

from reports.change_words import signed
from reports.words import between
from sequencer.core.comparison import Series, Slope, Studied, Study
from sequencer.core.labels import unit_of
from sequencer.core.record import Statement

__all__ = ["accepted_labels", "best_words", "like_label", "slope_digits", "slope_words"]


def slope_words(series: Series) -> str:
    """Say the slope per year, and whether it is more than the runs can explain."""
    slope, unit = series.slope, series.points[-1].result.unit
    if slope is None:
        return "No slope: it takes three values, taken over more than a day."
    low, high = slope.interval
    digits = slope_digits(slope, unit)
    text = f"Slope {signed(slope.per_year, unit, digits)} a year, 95 % interval "
    text += f"{between(signed(low, unit, digits), signed(high, unit, digits))} a year"
    proven = low > 0.0 or high < 0.0
    text += ": it moves." if proven else ": no slope is shown."
    return text + (" The runs scatter more than their budgets say." if slope.inflated else "")


def slope_digits(slope: Slope, unit: str) -> int:
    """Return the decimals that leave half the slope's interval two significant digits; kilohertz for hertz."""
    half = 0.5 * (slope.interval[1] - slope.interval[0]) * (1e-3 if unit == "Hz" else 1.0)
    return min(max(1 - math.floor(math.log10(half)), 0), 4) if half > 0.0 else 3


def accepted_labels(study: Study) -> tuple[list[str], list[str]]:
    """Return the labels with which every limit passed in every run, and the others."""
    passed = {label: all(one.overall is Statement.PASS for one in group) for label, group in study.runs.items()}
    return [label for label in passed if passed[label]], [label for label in passed if not passed[label]]


def best_words(studied: Studied, key: str) -> str:
    """Say which label is best, whether that is sure, and where the curve puts it."""
    if studied.best is None:
        return "; ".join(studied.notes) or "Nothing is asked of this quantity, so none is best."
    text = f"Best measured: {studied.best}"
    if not studied.apart and not studied.not_apart:
        text += "."
    elif studied.apart and not studied.not_apart:
        text += ", surely better than every other."
    elif studied.apart:
        text += f", surely better than {', '.join(studied.apart)}; not told apart from {', '.join(studied.not_apart)}."
    else:
        text += ", but no difference is more than the uncertainty within the evening."
    if studied.curved is not None:
        best, (low, high) = studied.curved.best, studied.curved.interval
        as_label = like_label(studied.best)
        text += f" The curve is best at {key} {as_label(best)}, 95 % interval {as_label(low)} to {as_label(high)}."
        if studied.curved.outside:
            text += " That interval leaves the range measured: measure beyond it."
    return " ".join([text, *(f"{note[:1].upper()}{note[1:]}." for note in studied.notes)])


def like_label(label: str) -> Callable[[float], str]:
    """Return the function that writes a number of the base unit in the unit the label is written in."""
    unit, factor = unit_of(label)
    space = " " if unit[:1].isalpha() else ""
    return lambda number: f"{number / factor:.2f}{space}{unit}"
