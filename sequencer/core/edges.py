"""Frequencies at which a curve crosses a level: the notch and the bandwidths.

Level errors become frequency errors through the measured curve itself, so steep, flat and lopsided skirts get the
interval they deserve.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sequencer.core.curve import Build, Estimate, LevelModel, Reading, Shift, Stretch, could_be_db, stretch
from sequencer.core.record import Contribution
from sequencer.core.trace import FloatArray
from sequencer.core.uncertainty import Distribution, Draws, Input, propagate

__all__ = ["notch", "pass_bandwidth", "rejection_bandwidth"]

NOTCH_REGION_DB = 10.0  # the notch frequency is the centre of the region this far below the bottom's loss
_EDGE_DB = 6.0  # how far round an edge's level its curve is kept


@dataclass(frozen=True, slots=True, eq=False)
class _Edge:
    """One crossing of a level: the curve round it, monotone, and the model of the level's error there."""

    freq_hz: FloatArray
    loss_db: FloatArray  # ascending
    level_db: float
    model: LevelModel

    @property
    def at_hz(self) -> float:
        return float(np.interp(self.level_db, self.loss_db, self.freq_hz))

    @property
    def hz_per_db(self) -> float:
        ends = np.interp((self.level_db - 0.5, self.level_db + 0.5), self.loss_db, self.freq_hz)
        return float(ends[1] - ends[0])

    def draw(self, draws: Draws, level_db: FloatArray | float) -> FloatArray:
        """Draws of the true crossing of a level that may itself be drawn."""
        error = self.model.draw(draws) - self.model.nominal_db
        return np.asarray(np.interp(level_db - error, self.loss_db, self.freq_hz))

    def rows(self, share: float, name: str) -> tuple[Contribution, ...]:
        per = share * self.hz_per_db
        made = [
            replace(row, name=f"{row.name} ({name})", sensitivity=row.sensitivity * per, u=row.u * abs(per))
            for row in self.model.rows()
        ]
        return tuple(row for row in made if row.u > 0.0)


def _edge(reading: Reading, start: int, way: int, level_db: float, build: Build, *, leaving_down: bool) -> _Edge | None:
    """Walk from a point of the region outward to where the loss leaves it for good (two points running)."""
    loss = could_be_db(reading)
    sign = 1.0 if leaving_down else -1.0
    outside = sign * (loss - level_db) < 0.0
    index = start
    while 0 <= index + way < loss.size:
        index += way
        beyond = index + way
        if outside[index] and (not 0 <= beyond < loss.size or outside[beyond]):
            break
    else:
        return None
    near = np.abs(loss - level_db) <= _EDGE_DB
    first, last = index - 3, index + 3
    while first > 0 and near[first]:
        first -= 1
    while last < loss.size - 1 and near[last]:
        last += 1
    # the other side of the region runs the other way: stay on this one
    first, last = (max(first, 0), min(last, start)) if way < 0 else (max(first, start), min(last, loss.size - 1))
    side = stretch(reading, float(reading.freq_hz[first]), float(reading.freq_hz[last]), margin=0)
    order = slice(None) if (way < 0) == leaving_down else slice(None, None, -1)
    freq, curve = side.freq_hz[order], np.maximum.accumulate(side.loss_db[order])
    at = float(np.interp(level_db, curve, freq))
    place = int(np.argmin(np.abs(side.freq_hz - at)))
    if bool(side.hidden[place]):
        return None
    return _Edge(freq, curve, level_db, build(at, 10 ** (-level_db / 10), float(side.u[place])))


def notch(
    reading: Reading, at_hz: float, within_hz: float, shift: Shift, build: Build, *, coverage: float = 0.95
) -> Estimate:
    """Return the notch frequency: the centre of the region within 10 dB of the bottom, searched round a frequency."""
    bottom = _bottom(reading, at_hz, within_hz)
    if bottom is None:
        return Estimate(value=None, draws=None, notes=("the sweep does not reach the place to look for the notch",))
    index, level_db, u = bottom
    hidden = bool(stretch(reading, *(2 * [float(reading.freq_hz[index])])).hidden[0])
    edge_db = level_db - NOTCH_REGION_DB
    left = _edge(reading, index, -1, edge_db, build, leaving_down=True)
    right = _edge(reading, index, 1, edge_db, build, leaving_down=True)
    if left is None or right is None:
        return Estimate(value=None, draws=None, notes=("no region within 10 dB of a bottom stands in this sweep",))
    value = 0.5 * (left.at_hz + right.at_hz)
    floor_model = build(float(reading.freq_hz[index]), 10 ** (-level_db / 10), u)

    def centre(draws: Draws) -> FloatArray:
        if hidden:  # the true region lies somewhere within the visible one: its centre may be at either end
            ends = np.where(draws.sign("hidden notch") < 0, left.draw(draws, edge_db), right.draw(draws, edge_db))
            return ends + shift.draw(draws, value)
        level = edge_db + (floor_model.draw(draws) - floor_model.nominal_db)
        return 0.5 * (left.draw(draws, level) + right.draw(draws, level)) + shift.draw(draws, value)

    notes = (
        ("the bottom is hidden: the notch may stand anywhere in the region within 10 dB of what can be seen",)
        if hidden
        else ()
    )
    return Estimate(
        value=value,
        draws=propagate(centre, coverage=coverage),
        rows=left.rows(0.5, "lower edge") + right.rows(0.5, "upper edge") + shift.rows(value, 1.0),
        notes=notes,
        where_hz=value,
    )


def _bottom(reading: Reading, at_hz: float, within_hz: float) -> tuple[int, float, float] | None:
    """Index, loss and relative-to-thru standard uncertainty of the greatest loss round a frequency."""
    inside = np.abs(reading.freq_hz - at_hz) <= within_hz
    if not np.any(inside):
        return None
    index = int(np.argmax(np.where(inside, could_be_db(reading), -np.inf)))
    around = stretch(reading, *(float(reading.freq_hz[index]) + side * reading.step_hz for side in (-1.0, 1.0)))
    lowest = int(np.argmin(around.ratio))
    if bool(around.hidden[lowest]):
        return index, float(could_be_db(reading)[index]), float(reading.u_ratio[index])
    return index, float(around.loss_db[lowest]), float(around.u[lowest])


def rejection_bandwidth(
    reading: Reading, at_hz: float, level_db: float, shift: Shift, build: Build, *, coverage: float = 0.95
) -> Estimate:
    """Return the width round a frequency over which the loss is at least a stated, absolute one."""
    return _width(reading, at_hz, level_db, shift, build, leaving_down=True, coverage=coverage, reference=None)


def pass_bandwidth(
    reading: Reading, at_hz: float, above_db: float, shift: Shift, build: Build, *, coverage: float = 0.95
) -> Estimate:
    """Return the width round a frequency over which the loss is at most the least one plus a stated amount."""
    loss = could_be_db(reading)
    start = int(np.argmin(np.abs(reading.freq_hz - at_hz)))
    least = start  # downhill from the frequency: the least loss of its own pass band
    for way in (-1, 1):
        index = start
        while 0 <= index < loss.size and loss[index] <= loss[least] + above_db:
            least = index if loss[index] < loss[least] else least
            index += way
    place = float(reading.freq_hz[least])
    around = stretch(reading, place - 2 * reading.step_hz, place + 2 * reading.step_hz)
    best = int(np.argmax(around.ratio))
    model = build(float(around.freq_hz[best]), float(around.ratio[best]), float(around.u[best]))
    level_db = float(around.loss_db[best]) + above_db
    return _width(reading, place, level_db, shift, build, leaving_down=False, coverage=coverage, reference=model)


def _width(
    reading: Reading,
    at_hz: float,
    level_db: float,
    shift: Shift,
    build: Build,
    *,
    leaving_down: bool,
    coverage: float,
    reference: LevelModel | None,
) -> Estimate:
    start = int(np.argmin(np.abs(reading.freq_hz - at_hz)))
    here = stretch(reading, at_hz, at_hz)
    loss = float(here.loss_db[0])
    if (loss < level_db) == leaving_down:
        return _no_width(build(at_hz, float(here.ratio[0]), float(here.u[0])), level_db, here, coverage)
    edges = [_edge(reading, start, way, level_db, build, leaving_down=leaving_down) for way in (-1, 1)]
    left, right = edges
    if left is None or right is None:
        why = "an edge lies outside the sweep, or is hidden by noise or the display"
        return Estimate(value=None, draws=None, notes=(why,))

    def width(draws: Draws) -> FloatArray:
        level = level_db if reference is None else level_db + (reference.draw(draws) - reference.nominal_db)
        wide = right.draw(draws, level) - left.draw(draws, level)
        return np.asarray(np.maximum(wide * (1.0 + shift.span * draws.sign("frequency span")), 0.0))

    value = right.at_hz - left.at_hz
    stretched = Input(
        name="span accuracy",
        value=shift.span * value,
        unit="Hz",
        distribution=Distribution.AT_LIMIT,
        origin=shift.span_origin,
    )
    return Estimate(
        value=value,
        draws=propagate(width, coverage=coverage),
        rows=(*left.rows(-1.0, "lower edge"), *right.rows(1.0, "upper edge"), stretched.row()),
        where_hz=0.5 * (left.at_hz + right.at_hz),
    )


def _no_width(model: LevelModel, level_db: float, here: Stretch, coverage: float) -> Estimate:
    """The frequency itself is outside its region: width zero, unless it may in truth be inside, or is hidden."""
    if bool(here.hidden[0]):
        return Estimate(value=None, draws=None, notes=("the level cannot be seen: noise or the display hides it",))
    level = propagate(model.draw, coverage=coverage)
    low, high = level.interval(coverage)
    return Estimate(
        value=0.0,
        draws=propagate(lambda draws: np.zeros(draws.n), coverage=coverage),
        notes=(f"the loss at the frequency is {model.nominal_db:.2f} dB, outside the region: its width is zero",),
        open_high=low <= level_db <= high,
    )
