"""From the journal of a run to results: picks the sweeps, normalises, states intervals, judges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.core.history import Entry
from sequencer.core.record import Curve, Result, Statement
from sequencer.recipe.model import Bench, Recipe, Requirement

__all__ = ["Evaluation", "evaluate", "evaluate_one", "noise_u_db", "overall", "ready"]


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """All results of a run in the recipe's order, the curves of its plots, and what the report must warn of."""

    results: tuple[Result, ...]
    curves: tuple[Curve, ...]
    warnings: tuple[str, ...]


def evaluate(recipe: Recipe, bench: Bench, history: Sequence[Entry]) -> Evaluation:
    """Return every requirement's result, the curves and the warnings. Never raises for missing or bad sweeps."""
    raise NotImplementedError


def evaluate_one(recipe: Recipe, bench: Bench, history: Sequence[Entry], requirement: Requirement) -> Result:
    """Return one requirement's result from what is there so far; undecided, with a note, where sweeps are missing."""
    raise NotImplementedError


def ready(recipe: Recipe, history: Sequence[Entry], requirement: Requirement, *, reflections: bool = True) -> bool:
    """Tell whether all sweeps the requirement needs are there (the closing thru apart).

    A loss needs thru, noise, leakage and device on one key that covers it and, with ``reflections``, the
    open, short and port sweeps of both its ports at that frequency.
    """
    raise NotImplementedError


def noise_u_db(recipe: Recipe, history: Sequence[Entry], requirement: Requirement) -> float | None:
    """Return the standard uncertainty that noise alone gives the requirement's value, dB; None if not yet known.

    Averaging stops on this alone, never on the value (trade notes 12.7).
    """
    raise NotImplementedError


def overall(results: Sequence[Result]) -> Statement:
    """Return the statement for the device: the gravest of the results that have a limit."""
    raise NotImplementedError
