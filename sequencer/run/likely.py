"""The device that `check` foretells a run of, made from the limits of its recipe; pure.

A loss, a match and a notch widen intervals by what they are, so the likely device loses and reflects what its limits
allow. Where a limit asks for as much as can be proved, nothing comes through or back:
what then is stated is the most that the bench can prove.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.core.trace import FloatArray
from sequencer.recipe.model import Quantity, Recipe, Requirement

__all__ = ["HIDDEN_DB", "LOSS_DB", "MATCH_DB", "LikelyDevice"]

BEST_LOSS_DB = 0.2  # what the best device still loses
LOSS_DB = 1.0  # of a pass without a limit; a guess
MATCH_DB = 18.0  # return loss of a port without a limit; a guess
HIDDEN_DB = 200.0  # below all that a bench shows
PASSES_DB = 3.0  # half the power comes through
SKIRT_DB = 20.0  # what sides that are well isolated still let through beyond their pass bands; a guess, it proves leads
DEEP_DB = 75.0  # of a notch without a limit on its depth; common practice, no source
TYPICAL_Q = 4500.0  # of a cavity in good order; common practice, no source
CAVITY_DB = 45.0  # the most that one cavity of a side rejects; common practice, no source
BETTER_DB = 7.0  # of a notch over its limits: the planner's room below a limit, less what noise must leave of it
WIDER = 1.25  # of a band over its limit; a guess
MISSING = 0.5  # of the power that does not come through, the most that comes back; a guess


@dataclass(frozen=True, slots=True)
class LikelyDevice:
    """What a recipe's limits make likely of the device in it; ``best``: hardly a loss, no reflection where matched."""

    recipe: Recipe
    best: bool = False

    def loss_db(self, ends: set[str | None], grid: FloatArray, *, shaped: bool) -> FloatArray:
        """Return what comes through between two ports; beyond what is in use only a skirt, where all else is stopped.

        Nothing passes nearer to a rejected frequency than to a passed one. ``shaped``: a notch has a bottom and
        skirts, and a pass band edges.
        """
        here = [r for r in self.recipe.requirements if r.path and set(r.path) == ends]
        stops = {r.at_hz for r in here if _rejects(r)}
        passes = {r.at_hz for r in here} - stops or set(self.recipe.frequencies.values()) - stops
        losses = [r.maximum for r in here if r.quantity is Quantity.INSERTION_LOSS and r.maximum is not None]
        pass_db = BEST_LOSS_DB if self.best else min(losses, default=LOSS_DB)
        ends_db = SKIRT_DB if here and all(_rejects(r) for r in here) else HIDDEN_DB
        if shaped:
            between = _shape(grid, here, stops, passes, pass_db)
        elif stops:
            between = np.where(_to(grid, stops) < _to(grid, passes), HIDDEN_DB, pass_db)
        else:
            between = np.full(grid.shape, pass_db)
        return np.where(self._beyond(grid), ends_db, between)

    def return_loss_db(self, port: str, grid: FloatArray) -> FloatArray:
        """Return a port's: matched where it must be, or something passes; it reflects elsewhere."""
        limits = [r for r in self.recipe.requirements if r.port == port]
        matched = {r.at_hz for r in limits}
        other = set(self.recipe.frequencies.values()) - matched
        good = np.full(grid.shape, bool(matched))
        if matched and other:
            good = _to(grid, matched) < _to(grid, other)
        through = np.zeros(grid.shape)
        for path in dict.fromkeys(r.path for r in self.recipe.requirements if r.path and port in r.path):
            loss_db = self.loss_db(set(path), grid, shaped=False)
            good |= loss_db < PASSES_DB  # what comes through does not come back
            through += 10.0 ** (-loss_db / 10.0)
        match_db = min((r.minimum for r in limits if r.minimum is not None), default=MATCH_DB)
        left = MISSING * np.maximum(1.0 - through, 1e-6)
        match = np.maximum(match_db, -10.0 * np.log10(left))
        reflected = 0.1 * (1 + self.recipe.ports.index(port))
        return np.where(good & ~self._beyond(grid), HIDDEN_DB if self.best else match, reflected)

    def _beyond(self, grid: FloatArray) -> np.ndarray:
        """Where an overview ends: far from every frequency in use nothing passes, and all is reflected."""
        used = self.recipe.frequencies.values()
        return np.asarray(_to(grid, self.recipe.overview_hz) < 0.25 * _to(grid, used))


def _to(grid: FloatArray, places: Iterable[float]) -> FloatArray:
    """Return how far each point is from the nearest place; infinite without one."""
    away = [np.abs(grid - hz) for hz in sorted(places)]
    return np.asarray(np.min(away, axis=0)) if away else np.full(grid.shape, np.inf)


def _shape(
    grid: FloatArray, here: Sequence[Requirement], stops: set[float], passes: set[float], pass_db: float
) -> FloatArray:
    """Return aligned notches and pass bands, dB.

    A cavity with a zero at s and its least loss at p, z = f - s and d = p - s, loses 10 lg(1 + k^2 (z - d)^2 / z^2)
    beyond that (derived); k follows from the band's width, and the cavity's own loss fills the zero up.
    """
    bottom_db = _bottom_db(here)
    cavities = max(math.ceil(bottom_db / CAVITY_DB), 1)

    def off(db: float) -> float:
        """Return the detuning, in half-widths, that changes the level by so much."""
        return math.sqrt(10.0 ** (max(db, 0.01) / (10.0 * cavities)) - 1.0)

    loss = np.full(grid.shape, pass_db)
    bands = [r for r in here if r.quantity is Quantity.PASS_BANDWIDTH]
    if not stops:
        for band in bands:
            x = 2.0 * (grid - band.at_hz) * off(band.above_db or 0.0) / (WIDER * _width_hz(band))
            loss = np.maximum(loss, pass_db + 10.0 * cavities * np.log10(1.0 + x**2))
        return loss
    for stop in sorted(stops):
        half_hz = stop / TYPICAL_Q / 2.0
        for r in here:
            if r.quantity is Quantity.REJECTION_BANDWIDTH and r.at_hz == stop:
                half_hz = max(half_hz, 0.5 * WIDER * _width_hz(r) / off(bottom_db - (r.level_db or 0.0)))
        z, near = grid - stop, np.ones(grid.shape)
        if passes:
            nearest = min(passes, key=lambda hz: abs(hz - stop))
            d = nearest - stop
            widths = [r for r in bands if r.at_hz == nearest]
            k = min((2.0 * abs(d) * off(r.above_db or 0.0) / (WIDER * _width_hz(r)) for r in widths), default=1.0)
            half_hz = max(half_hz, k * abs(d) / off(bottom_db - pass_db))
            skirt = pass_db + 10.0 * cavities * np.log10(1.0 + k**2 * (z - d) ** 2 / (z**2 + half_hz**2))
            loss = np.maximum(loss, skirt)
            near = np.clip(2.0 - 4.0 * np.abs(z / d), 0.0, 1.0)  # the bottom's own course ends midway to the pass
        notch = bottom_db - 10.0 * cavities * np.log10(1.0 + (z / half_hz) ** 2)
        loss = loss + near * np.maximum(notch - loss, 0.0)
    return loss


def _width_hz(requirement: Requirement) -> float:
    return max(requirement.minimum or requirement.maximum or 0.0, 1.0)


def _bottom_db(here: Iterable[Requirement]) -> float:
    """Return the depth of a likely notch: as much better than its limits as a bench is planned to read."""
    minima = (r.minimum if r.quantity.unit == "dB" else r.level_db for r in here if _rejects(r))
    return max((m for m in minima if m is not None), default=DEEP_DB) + BETTER_DB


def _rejects(requirement: Requirement) -> bool:
    return requirement.quantity in {
        Quantity.REJECTION,
        Quantity.ISOLATION,
        Quantity.NOTCH_DEPTH,
        Quantity.NOTCH_FREQUENCY,
        Quantity.REJECTION_BANDWIDTH,
    }
