"""Frequencies at which a curve crosses a level: the notch and the bandwidths.

Level errors become frequency errors through the measured curve itself, so steep, flat and lopsided skirts get the
interval they deserve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sequencer.core.curve import Build, Estimate, LevelModel, Reading, Shift, Stretch, could_be_db, stretch
from sequencer.core.record import Contribution
from sequencer.core.trace import FloatArray
from sequencer.core.uncertainty import BLOCK, SEED, Distribution, Draws, End, Input, budget, combine, propagate
from sequencer.units import show_hz

__all__ = ["notch", "pass_bandwidth", "rejection_bandwidth"]

NOTCH_REGION_DB = 10.0  # the notch frequency is the centre of the region this far below the bottom's loss
_LEAST_REACH_DB = 0.01  # what a displayed trace resolves: a slope over less is the fit's, not the device's
_EDGE_DB = 6.0  # how far round an edge's level its curve is kept
_ALIKE_DB = 6.0  # a dip less deep than this below the deepest cannot be the deepest in truth: levels err by less
_HIDDEN_DB = 10.0  # where the deepest is hidden, any other may be deeper in truth
_LEAK_HIDES = 1.0  # what adds with unknown phase, over the reading: beyond it the bottom may be anywhere deeper
_MOST_DIPS = 4  # as many cavities as a side has


@dataclass(frozen=True, slots=True, eq=False)
class _Edge:
    """One crossing of a level: the curve round it, monotone, and the model of the level's error there.

    ``beyond_hz``: where the crossing is when the level is met nowhere on the curve's outer side; infinite where the
    sweep ended there, since nothing is known of what comes after it.
    """

    freq_hz: FloatArray
    loss_db: FloatArray  # ascending
    level_db: float
    model: LevelModel
    leaving_down: bool
    beyond_hz: float

    @property
    def at_hz(self) -> float:
        return float(np.interp(self.level_db, self.loss_db, self.freq_hz))

    @property
    def hz_per_db(self) -> float:
        """Change per dB of the level, over as far as the level may be off (JCGM 100:2008 5.1.3 note 2)."""
        reach = max(combine([each.u for each in self.model.inputs()]), _LEAST_REACH_DB)
        ends = np.interp((self.level_db - reach, self.level_db + reach), self.loss_db, self.freq_hz)
        return float(ends[1] - ends[0]) / (2.0 * reach)

    def draw(self, draws: Draws, level_db: FloatArray | float) -> FloatArray:
        """Draws of the true crossing of a level that may itself be drawn."""
        error = self.model.draw(draws) - self.model.nominal_db
        sought = level_db - error
        inner, outer = (None, self.beyond_hz) if not self.leaving_down else (self.beyond_hz, None)
        return np.asarray(np.interp(sought, self.loss_db, self.freq_hz, left=inner, right=outer))

    def end(self, name: str, share: float) -> End:
        """Return it as a part of a result that moves by ``share`` of it: read a level too great, it stands lower."""
        return End(name, self.model.inputs(), -share * self.hz_per_db)


def _edge(reading: Reading, start: int, way: int, level_db: float, build: Build, *, leaving_down: bool) -> _Edge | None:
    """Walk from a point of the region outward to where the loss leaves it for good (two points running).

    The curve is kept as it is met on the way out: what has once been left is not entered again, and a ridge that
    nearly leaves the region is one of the places where, within the interval of the level, it may be left.
    """
    loss = could_be_db(reading)
    sign = 1.0 if leaving_down else -1.0
    index = _left(sign * (loss - level_db) < 0.0, start, way)
    if index is None:
        return None
    far = _left(sign * (loss - level_db) < -_EDGE_DB, start, way)
    end = far if far is not None else (0 if way < 0 else loss.size - 1)
    near = np.abs(loss - level_db) <= _EDGE_DB
    first, last = index - 3, index + 3
    while first > 0 and near[first]:
        first -= 1
    while last < loss.size - 1 and near[last]:
        last += 1
    first, last = (max(first, 0), min(last, start)) if way < 0 else (max(first, start), min(last, loss.size - 1))
    side = stretch(reading, float(reading.freq_hz[first]), float(reading.freq_hz[last]), margin=0)
    out = np.arange(start, end + way, way)
    out = out[(out < first) | (out > last)]
    freq = np.concatenate((reading.freq_hz[out], side.freq_hz))
    curve = sign * np.concatenate((loss[out], side.loss_db))
    order = np.argsort(way * freq)
    freq, curve = freq[order], np.minimum.accumulate(curve[order])
    freq, curve = (freq[::-1], curve[::-1]) if leaving_down else (freq, sign * curve)
    at = float(np.interp(level_db, curve, freq))
    place = int(np.argmin(np.abs(side.freq_hz - at)))
    if bool(side.hidden[place]):
        return None
    outermost = float(freq[0] if leaving_down else freq[-1])
    beyond = way * np.inf if far is None else outermost
    model = build(at, 10 ** (-level_db / 10), float(side.u[place]))
    return _Edge(freq, curve, level_db, model, leaving_down, beyond)


def _left(outside: np.ndarray, start: int, way: int) -> int | None:
    """Index of the first point outward from a start that is outside, and the next one too; None if there is none."""
    index = start
    while 0 <= index + way < outside.size:
        index += way
        beyond = index + way
        if outside[index] and (not 0 <= beyond < outside.size or outside[beyond]):
            return index
    return None


@dataclass(frozen=True, slots=True, eq=False)
class _Dip:
    """A region round one bottom: its edges, the model of the bottom's level, and whether the bottom is hidden."""

    left: _Edge
    right: _Edge
    floor: LevelModel
    hidden: bool

    @property
    def at_hz(self) -> float:
        return 0.5 * (self.left.at_hz + self.right.at_hz)

    def draw(self, draws: Draws) -> tuple[FloatArray, FloatArray]:
        """Draws of its true depth and of its true centre."""
        depth = self.floor.draw(draws)
        edge_db = self.left.level_db
        if self.hidden:  # the true region lies somewhere within the visible one: its centre may be at either end
            ends = np.where(
                draws.sign("hidden notch") < 0, self.left.draw(draws, edge_db), self.right.draw(draws, edge_db)
            )
            return depth, ends
        level = edge_db + (depth - self.floor.nominal_db)
        with np.errstate(invalid="ignore"):
            centre = 0.5 * (self.left.draw(draws, level) + self.right.draw(draws, level))
        # both edges beyond the sweep: the centre may be on either side
        return depth, np.where(np.isnan(centre), np.inf * draws.sign("notch beyond the sweep"), centre)

    def rows(self) -> tuple[Contribution, ...]:
        """Return the budget of its centre."""
        if not self.hidden:
            moved = 0.5 * (self.left.hz_per_db + self.right.hz_per_db)  # both edges follow the bottom's level
            bottom = End("greatest loss", self.floor.inputs(), moved)
            return budget((self.left.end("lower edge", 0.5), self.right.end("upper edge", 0.5), bottom))
        either = Input(
            name="hidden notch: anywhere in its region",
            value=0.5 * (self.right.at_hz - self.left.at_hz),
            unit="Hz",
            distribution=Distribution.AT_LIMIT,
            origin="measured in this run",
        )
        ends = (self.left.end("lower edge", math.sqrt(0.5)), self.right.end("upper edge", math.sqrt(0.5)))
        # the one edge or the other, never both: their errors do not meet
        return (*budget(ends[:1]), *budget(ends[1:]), either.row())


def notch(
    reading: Reading,
    at_hz: float,
    within_hz: float,
    shift: Shift,
    build: Build,
    *,
    coverage: float = 0.95,
    block: int = BLOCK,
) -> Estimate:
    """Return the notch frequency: the centre of the region within 10 dB of the bottom, searched round a frequency.

    Where two dips are so nearly alike that either may be the deeper one, the interval holds both.
    """
    inside = np.abs(reading.freq_hz - at_hz) <= within_hz
    if not np.any(inside):
        return Estimate(value=None, draws=None, notes=("the sweep does not reach the place to look for the notch",))
    dips = _dips(reading, inside, build)
    if not dips:
        return Estimate(value=None, draws=None, notes=("no region within 10 dB of a bottom stands in this sweep",))
    deepest = dips[0]
    value = deepest.at_hz

    def both(draws: Draws) -> tuple[FloatArray, FloatArray]:
        """Centre of whichever is the deepest in truth, and of the one that reads deepest."""
        deep, where = (np.stack(each) for each in zip(*(dip.draw(draws) for dip in dips), strict=True))
        return np.take_along_axis(where, np.argmax(deep, axis=0)[None], axis=0)[0], where[0]

    def centre(draws: Draws) -> FloatArray:
        return np.asarray(both(draws)[0] + shift.draw(draws, value))

    notes: tuple[str, ...] = ()
    if deepest.hidden:
        notes += ("the bottom is hidden: the notch may stand anywhere in the region within 10 dB of what can be seen",)
    if len(dips) > 1:
        others = " and ".join(show_hz(dip.at_hz) for dip in dips[1:])
        notes += (f"another dip is nearly as deep ({others}): the interval holds whichever may be the deepest",)
    return Estimate(
        value=value,
        draws=propagate(centre, coverage=coverage, block=block),
        rows=deepest.rows() + shift.rows(value, 1.0) + (_rivals(*both(Draws(SEED, 0, block))) if len(dips) > 1 else ()),
        notes=notes,
        where_hz=value,
    )


def _rivals(chosen: FloatArray, first: FloatArray) -> tuple[Contribution, ...]:
    """Budget line of not knowing which dip is the deepest: half of what 95 % of the choices span, to either side."""
    away = (chosen - first)[np.isfinite(chosen - first)]
    low, high = np.quantile(away, (0.025, 0.975)) if away.size else (0.0, 0.0)
    row = Input(
        name="another dip may be the deepest",
        value=0.5 * float(high - low),
        unit="Hz",
        distribution=Distribution.AT_LIMIT,
        origin="measured in this run",
    ).row()
    return (row,) if row.u > 0.0 else ()


def _dips(reading: Reading, inside: np.ndarray, build: Build) -> list[_Dip]:
    """Return the deepest region of a window, and those that may be as deep in truth."""
    found: list[_Dip] = []
    left_over = inside.copy()
    least_db = -np.inf
    while np.any(left_over) and len(found) < _MOST_DIPS:
        index = int(np.argmax(np.where(left_over, could_be_db(reading), -np.inf)))
        level_db, u, hidden = _bottom(reading, index)
        if level_db < least_db:
            break
        edge_db = level_db - NOTCH_REGION_DB
        left = _edge(reading, index, -1, edge_db, build, leaving_down=True)
        right = _edge(reading, index, 1, edge_db, build, leaving_down=True)
        if left is None or right is None:
            break
        model = build(float(reading.freq_hz[index]), 10 ** (-level_db / 10), u)
        dip = _Dip(left, right, model, hidden or model.unresolved >= _LEAK_HIDES)
        if not found:
            least_db = level_db - (_HIDDEN_DB if dip.hidden else _ALIKE_DB)
        found.append(dip)
        left_over &= (reading.freq_hz < left.at_hz) | (reading.freq_hz > right.at_hz)
    return found


def _bottom(reading: Reading, index: int) -> tuple[float, float, bool]:
    """Loss and relative-to-thru standard uncertainty of a bottom, and whether it is hidden."""
    around = stretch(reading, *(float(reading.freq_hz[index]) + side * reading.step_hz for side in (-1.0, 1.0)))
    lowest = int(np.argmin(around.ratio))
    if bool(around.hidden[lowest]):
        return float(could_be_db(reading)[index]), float(reading.u_ratio[index]), True
    return float(around.loss_db[lowest]), float(around.u[lowest]), False


def rejection_bandwidth(
    reading: Reading,
    at_hz: float,
    level_db: float,
    shift: Shift,
    build: Build,
    *,
    coverage: float = 0.95,
    block: int = BLOCK,
) -> Estimate:
    """Return the width round a frequency over which the loss is at least a stated, absolute one."""
    return _width(
        reading, at_hz, level_db, shift, build, leaving_down=True, coverage=coverage, block=block, reference=None
    )


def pass_bandwidth(
    reading: Reading,
    at_hz: float,
    above_db: float,
    shift: Shift,
    build: Build,
    *,
    coverage: float = 0.95,
    block: int = BLOCK,
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
    here = stretch(reading, at_hz, at_hz)
    if float(here.loss_db[0]) > level_db:  # on the slope of a pass band that is elsewhere
        return _no_width(build(at_hz, float(here.ratio[0]), float(here.u[0])), level_db, here, coverage, block)
    return _width(
        reading, place, level_db, shift, build, leaving_down=False, coverage=coverage, block=block, reference=model
    )


def _width(
    reading: Reading,
    at_hz: float,
    level_db: float,
    shift: Shift,
    build: Build,
    *,
    leaving_down: bool,
    coverage: float,
    block: int,
    reference: LevelModel | None,
) -> Estimate:
    start = int(np.argmin(np.abs(reading.freq_hz - at_hz)))
    here = stretch(reading, at_hz, at_hz)
    loss = float(here.loss_db[0])
    if (loss < level_db) == leaving_down:
        return _no_width(build(at_hz, float(here.ratio[0]), float(here.u[0])), level_db, here, coverage, block)
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
    ends = [left.end("lower edge", -1.0), right.end("upper edge", 1.0)]
    if reference is not None:  # both edges follow the level of the least loss
        ends.append(End("least loss", reference.inputs(), right.hz_per_db - left.hz_per_db))
    stretched = Input(
        name="span accuracy",
        value=shift.span * value,
        unit="Hz",
        distribution=Distribution.AT_LIMIT,
        origin=shift.span_origin,
    )
    return Estimate(
        value=value,
        draws=propagate(width, coverage=coverage, block=block),
        rows=(*budget(ends), stretched.row()),
        where_hz=0.5 * (left.at_hz + right.at_hz),
    )


def _no_width(model: LevelModel, level_db: float, here: Stretch, coverage: float, block: int) -> Estimate:
    """The frequency itself is outside its region: width zero, unless it may in truth be inside, or is hidden."""
    if bool(here.hidden[0]):
        return Estimate(value=None, draws=None, notes=("the level cannot be seen: noise or the display hides it",))
    level = propagate(model.draw, coverage=coverage, block=block)
    low, high = level.interval(coverage)
    return Estimate(
        value=0.0,
        draws=propagate(lambda draws: np.zeros(draws.n), coverage=coverage, block=block),
        notes=(f"the loss at the frequency is {model.nominal_db:.2f} dB, outside the region: its width is zero",),
        open_high=low <= level_db <= high,
    )
