"""How long a report stands: what voids it, and when the next check is due."""

from __future__ import annotations

import calendar
import math
from datetime import date

from sequencer.core.record import Record
from sequencer.errors import NotchbookError
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Recipe
from sequencer.units import show_hz

__all__ = ["decision_rule", "next_check", "recipe_notes", "validity"]


def next_check(record: Record) -> date | None:
    """Return the day the next check is due by the recipe's `valid for`; None where the recipe has none.

    Nor is any known of saved traces that do not tell when they were taken.

    A part of a month counts as none, so that the day is never later than asked.

    Examples
    --------
    >>> _months_later(date(2026, 1, 31), 1)
    datetime.date(2026, 2, 28)
    """
    recipe = _recipe(record)
    text = recipe.valid_for if recipe is not None else ""
    if not text or record.measured is None:
        return None
    return _months_later(record.measured[0].date(), math.floor(float(text.split()[0])))


def recipe_notes(record: Record) -> str:
    """Return what the recipe's author wrote for the report, such as what its check cannot see; '' for nothing."""
    recipe = _recipe(record)
    return recipe.notes.strip() if recipe is not None else ""


def decision_rule(record: Record) -> str:
    """Return the name of the recipe's decision rule; '' where the recipe is not understood here."""
    recipe = _recipe(record)
    return str(recipe.decision.rule) if recipe is not None else ""


def _recipe(record: Record) -> Recipe | None:
    try:
        return load_recipe(record.recipe_text, "recipe.yaml")
    except NotchbookError:  # a recipe of another version: what it asked for is not known here
        return None


def _months_later(day: date, months: int) -> date:
    years, month = divmod(day.month - 1 + months, 12)
    year = day.year + years
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def validity(record: Record) -> str:
    """Say in two sentences what ends the report's validity, and when the next check is due."""
    channel = " and ".join(f"{name} {show_hz(hz)}" for name, hz in record.frequencies.items())
    text = f"It stands until the unit is re-tuned or opened, its seal is broken, or its channel ({channel}) changes."
    due = next_check(record)
    if record.measured is None:
        return f"{text} When it was measured is not told by the files, so no day can be set for the next check."
    if due is None:
        return f"{text} The recipe sets no day for the next check; check before it is installed."
    return f"{text} The next check is due by {due:%Y-%m-%d}, and before it is installed."
