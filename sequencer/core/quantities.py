"""Levels of a curve, each with draws of its true value: the loss at a frequency, the worst within an offset, ripple."""

from __future__ import annotations

import math

import numpy as np

from sequencer.core.curve import Build, Estimate, Reading, Shift, Stretch, stretch
from sequencer.core.trace import FloatArray
from sequencer.core.uncertainty import BLOCK, Distribution, Draws, End, Input, budget, propagate

__all__ = ["ripple", "worst"]

# An amplitude d of unknown phase beside the true g gives readings from |g-d| to g+d. Below d only a bound is stated; up
# to 3d one end stays open: so no g can miss at both a bound's end and a closed one, and 95 % holds for all (derived).
_DB = 10.0 / math.log(10.0)  # dB per relative change of a power
SAID_DB = 0.05  # of noise on top of a point's own, that a note tells; no source
_OPEN_RATIO = 1.0 / 3.0


def _grid_input(grid_db: float) -> Input:
    return Input(
        name="interpolation between points",
        value=grid_db,
        distribution=Distribution.AT_LIMIT,
        origin="measured in this run",
    )


def worst(
    reading: Reading,
    at_hz: float,
    within_hz: float,
    shift: Shift,
    build: Build,
    *,
    greatest: bool = False,
    coverage: float = 0.95,
    block: int = BLOCK,
    hides: str = "noise or the display",
) -> Estimate:
    """Return the least (or ``greatest``) loss within an offset of a frequency; the loss there for an offset of 0.

    The window itself moves with the analyzer's frequency error. Where the worst point is hidden, or what adds with
    unknown phase is stronger than the reading, only 'at least' is known.
    """
    reach = sum(shift.sizes_hz(at_hz, within_hz))
    whole = stretch(reading, at_hz - within_hz - reach, at_hz + within_hz + reach)
    loss = whole.loss_db
    moves = np.linspace(-reach, reach, 9) if reach > 0 else np.zeros(1)
    places = [_extreme(whole, at_hz + move, within_hz, greatest) for move in moves]
    here = places[len(places) // 2]
    f_hz, ratio, u = float(whole.freq_hz[here]), float(whole.ratio[here]), whole.u_picked(here)
    change_db = loss[places] - loss[here]
    model = build(f_hz, ratio, u)
    hidden = bool(whole.hidden[here])
    share = model.unresolved
    notes: tuple[str, ...] = ()
    if hidden:
        notes = (f"hidden by {hides}: only a bound is known",)
    elif share >= _OPEN_RATIO:
        far = "as strong as" if share >= 1.0 else "within 9.5 dB of"
        notes = (f"what adds with unknown phase is {far} the reading: the upper end is open",)
    elif _DB * (u - float(whole.u[here])) > SAID_DB * ratio:
        notes = ("no smooth course fits: a single point was picked among noisy ones, and its noise counts for more",)
    grid = _grid_input(whole.grid_db)

    def model_db(draws: Draws) -> FloatArray:
        level = model.draw(draws)
        if reach > 0:
            level = level + np.interp(shift.draw(draws, at_hz, within_hz), moves, change_db)
        return level + draws.of(grid) if grid.value else level

    rows = tuple(each.row() for each in (*model.inputs(), *(grid,) * bool(grid.value)))
    rows += shift.rows(at_hz, _slope(change_db, reach), within_hz)
    return Estimate(
        value=None if hidden or share >= 1.0 else model.nominal_db,
        draws=propagate(model_db, coverage=coverage, block=block),
        rows=rows,
        notes=notes,
        open_high=share >= _OPEN_RATIO,
        where_hz=f_hz,
        unresolved=share,
    )


def _slope(change: FloatArray, reach: float) -> float:
    """Change per Hz of a result whose window moves from ``-reach`` to ``reach``."""
    return float(change[-1] - change[0]) / (2.0 * reach) if reach > 0 else 0.0


def _extreme(curve: Stretch, at_hz: float, within_hz: float, greatest: bool) -> int:
    """Index of the worst point of the window; a hidden point counts with what noise allows it to be."""
    tiny = 1e-9 * at_hz
    inside = (curve.freq_hz >= at_hz - within_hz - tiny) & (curve.freq_hz <= at_hz + within_hz + tiny)
    if not np.any(inside):
        return int(np.argmin(np.abs(curve.freq_hz - at_hz)))
    if greatest:
        return int(np.argmin(np.where(inside, curve.ratio, np.inf)))
    could_be = np.where(curve.hidden, np.maximum(curve.ratio, 0.0) + 1.645 * curve.u, curve.ratio)
    return int(np.argmax(np.where(inside, could_be, -np.inf)))


def ripple(
    reading: Reading,
    at_hz: float,
    within_hz: float,
    shift: Shift,
    build: Build,
    *,
    coverage: float = 0.95,
    block: int = BLOCK,
) -> Estimate:
    """Return greatest minus least loss over a band; its draws are never negative."""
    reach = sum(shift.sizes_hz(at_hz, within_hz))
    whole = stretch(reading, at_hz - within_hz - reach, at_hz + within_hz + reach)
    moves = np.linspace(-reach, reach, 9) if reach > 0 else np.zeros(1)
    loss = whole.loss_db
    tops = [_extreme(whole, at_hz + move, within_hz, True) for move in moves]
    lows = [_extreme(whole, at_hz + move, within_hz, False) for move in moves]
    spans = loss[tops] - loss[lows]
    middle = len(moves) // 2
    if bool(whole.hidden[tops[middle]]):
        return Estimate(value=None, draws=None, notes=("the greatest loss of the band is hidden",))
    top, low = (
        build(float(whole.freq_hz[i]), float(whole.ratio[i]), float(whole.u[i])) for i in (tops[middle], lows[middle])
    )
    value = float(spans[middle])

    def spread(draws: Draws) -> FloatArray:
        error = (top.draw(draws) - top.nominal_db) - (low.draw(draws) - low.nominal_db)
        moved = np.interp(shift.draw(draws, at_hz, within_hz), moves, spans) if reach > 0 else value
        return np.asarray(np.maximum(moved + error, 0.0))

    rows = budget((End("greatest loss", top.inputs(), 1.0), End("least loss", low.inputs(), -1.0)))
    rows += shift.rows(at_hz, _slope(spans, reach), within_hz)
    return Estimate(value=value, draws=propagate(spread, coverage=coverage, block=block), rows=rows)
