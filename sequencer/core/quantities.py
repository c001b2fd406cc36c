"""The quantities of a recipe, each with draws of its true value: worst loss, notch, bandwidths, ripple.

Curves are smoothed by a fit in power where the scatter allows it, because the least or greatest of noisy points is
biased. Level errors become frequency errors through the measured curve itself, so steep and flat skirts, and
lopsided ones, get the interval they deserve.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from sequencer.core.normalise import LEAST_ABOVE_NOISE_DB, LEAST_SIGMAS, fitting
from sequencer.core.record import Contribution
from sequencer.core.trace import FloatArray
from sequencer.core.uncertainty import Distribution, Draws, Input, Propagated, propagate

__all__ = [
    "Estimate",
    "LevelModel",
    "Reading",
    "Shift",
    "noise_db",
    "notch",
    "pass_bandwidth",
    "rejection_bandwidth",
    "ripple",
    "with_notes",
    "worst",
]

NOTCH_REGION_DB = 10.0  # the notch frequency is the centre of the region this far below the bottom's loss
_MARGIN_STEPS = 6  # points beyond the window that help the fit
_EDGE_DB = 6.0  # how far round an edge's level its curve is kept
_OPEN_RATIO = 0.5  # unknown-phase amplitudes above half the reading leave one end open (6 dB; derived in the tests)


class LevelModel(Protocol):
    """Draws of a true level (loss or return loss, dB) at one frequency, and its budget."""

    @property
    def nominal_db(self) -> float: ...  # noqa: D102
    def draw(self, draws: Draws) -> FloatArray: ...  # noqa: D102
    def rows(self) -> tuple[Contribution, ...]: ...  # noqa: D102


Build = Callable[[float, float, float], LevelModel]  # (frequency in Hz, power ratio, its standard uncertainty)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Reading:
    """A normalised curve: power ratios with noise subtracted, (n,), and what hides them.

    ``noise`` is the noise's ratio, ``cut_off`` marks the display's bottom, where ``raw`` is all that is known.
    ``unresolved`` is the amplitude ratio that adds with unknown phase (leakage, directivity), (n,).
    """

    freq_hz: FloatArray
    ratio: FloatArray
    u_ratio: FloatArray
    raw: FloatArray
    noise: FloatArray
    cut_off: np.ndarray
    unresolved: FloatArray
    rbw_hz: float = 0.0

    @property
    def step_hz(self) -> float:
        """Spacing of the points."""
        return float((self.freq_hz[-1] - self.freq_hz[0]) / max(self.freq_hz.size - 1, 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """Frequency error of the analyzer: of its reference (relative) and of its span (relative to the offset)."""

    reference: float
    span: float
    center_hz: float
    reference_origin: str = "assumed"
    span_origin: str = "assumed"

    def sizes_hz(self, at_hz: float, reach_hz: float = 0.0) -> tuple[float, float]:
        """Limits of both parts at a frequency, for offsets up to ``reach_hz`` beyond it."""
        return self.reference * at_hz, self.span * (abs(at_hz - self.center_hz) + reach_hz)

    def draw(self, draws: Draws, at_hz: float, reach_hz: float = 0.0) -> FloatArray:
        """Draws of the error in Hz; the signs belong to the bench, not to the result."""
        reference, span = self.sizes_hz(at_hz, reach_hz)
        return reference * draws.sign("frequency reference") + span * draws.sign("frequency span")

    def rows(self, at_hz: float, sensitivity: float, reach_hz: float = 0.0) -> tuple[Contribution, ...]:
        """Budget lines for a result that moves by ``sensitivity`` per Hz."""
        reference, span = self.sizes_hz(at_hz, reach_hz)
        both = (("frequency reference", reference, self.reference_origin), ("span accuracy", span, self.span_origin))
        return tuple(
            Input(
                name=f"{name} on the slope" if sensitivity != 1.0 else name,
                value=value,
                unit="Hz",
                distribution=Distribution.AT_LIMIT,
                origin=origin,
                sensitivity=sensitivity,
            ).row()
            for name, value, origin in both
        )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Estimate:
    """A quantity: ``value`` (None: only a bound), draws of the true value, budget, and what to say beside it.

    ``open_low`` and ``open_high``: that end of the interval is not known. ``where_hz``: where the worst stands.
    """

    value: float | None
    draws: Propagated | None
    rows: tuple[Contribution, ...] = ()
    notes: tuple[str, ...] = ()
    open_low: bool = False
    open_high: bool = False
    where_hz: float | None = None

    def interval(self, coverage: float) -> tuple[float | None, float | None]:
        """Two-sided for a value, one-sided (low end only) for a bound."""
        if self.draws is None:
            return None, None
        if self.value is None:
            return self.draws.quantile(1.0 - coverage), None
        low, high = self.draws.interval(coverage)
        # the reading itself always belongs to what is possible (it can fall outside where a physical limit cuts draws)
        return None if self.open_low else min(low, self.value), None if self.open_high else max(high, self.value)


@dataclass(frozen=True, slots=True, eq=False)
class _Local:
    """A stretch of a curve on a dense grid."""

    freq_hz: FloatArray
    ratio: FloatArray
    u: FloatArray
    hidden: np.ndarray
    unresolved: FloatArray
    grid_db: float  # what straight lines between the points may miss; 0 for a fit

    @property
    def loss_db(self) -> FloatArray:
        return np.asarray(-10.0 * np.log10(np.maximum(self.ratio, 1e-30)))


def _local(reading: Reading, low_hz: float, high_hz: float, *, margin: int = _MARGIN_STEPS) -> _Local:
    """Return the curve from low to high, both included, fitted in power where no point is cut off and a fit exists."""
    step, freq = reading.step_hz, reading.freq_hz
    low, high = max(low_hz, float(freq[0])), min(high_hz, float(freq[-1]))
    take = (freq >= low - (margin + 0.01) * step) & (freq <= high + (margin + 0.01) * step)
    dense = np.unique(np.concatenate((np.linspace(low, high, 1 + 4 * math.ceil((high - low) / step)), (low, high))))
    inside = freq[(freq > low) & (freq < high)]
    dense = np.unique(np.concatenate((dense, inside)))
    noise = np.interp(dense, freq, reading.noise)
    unresolved = np.interp(dense, freq, reading.unresolved)
    cut = np.interp(dense, freq, reading.cut_off.astype(np.float64)) > 0.0
    fit = None
    if not np.any(reading.cut_off[take]):
        fit = fitting(freq[take], reading.ratio[take], reading.u_ratio[take], dense, rbw_hz=reading.rbw_hz)
    grid_db = 0.0
    if fit is not None:
        ratio, u = fit
    else:
        known = np.where(reading.cut_off, reading.raw, reading.ratio)
        ratio, u = _between(dense, freq, known), np.interp(dense, freq, reading.u_ratio)
        on_points = np.all(np.min(np.abs(dense[:, None] - freq[take][None, :]), axis=1)[[0, -1]] < 0.01 * step)
        loss = -10.0 * np.log10(np.maximum(known[take], 1e-30))
        if not on_points and loss.size > 2:
            grid_db = float(np.max(np.abs(np.diff(loss, 2)))) / 8.0  # the chord's greatest distance from a parabola
    faint = ratio <= np.maximum(LEAST_SIGMAS * u, noise * (10 ** (LEAST_ABOVE_NOISE_DB / 10) - 1.0))
    return _Local(dense, ratio, u, cut | faint | ~np.isfinite(ratio), unresolved, grid_db)


def _between(at: FloatArray, freq: FloatArray, ratio: FloatArray) -> FloatArray:
    """Interpolate linearly in dB where the ratios are positive, else in power."""
    in_db = 10.0 ** (np.interp(at, freq, np.log10(np.maximum(ratio, 1e-30))))
    plain = np.interp(at, freq, ratio)
    return np.where(np.interp(at, freq, (ratio <= 0.0).astype(np.float64)) > 0.0, plain, in_db)


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
    hides: str = "noise or the display",
) -> Estimate:
    """Return the least (or ``greatest``) loss within an offset of a frequency; the loss there for an offset of 0.

    The window itself moves with the analyzer's frequency error. Where the worst point is hidden, or what adds with
    unknown phase is stronger than the reading, only 'at least' is known.
    """
    reach = sum(shift.sizes_hz(at_hz, within_hz))
    whole = _local(reading, at_hz - within_hz - reach, at_hz + within_hz + reach)
    loss = whole.loss_db
    moves = np.linspace(-reach, reach, 9) if reach > 0 else np.zeros(1)
    places = [_extreme(whole, at_hz + move, within_hz, greatest) for move in moves]
    here = places[len(places) // 2]
    f_hz, ratio, u = float(whole.freq_hz[here]), float(whole.ratio[here]), float(whole.u[here])
    change_db = loss[places] - loss[here]
    model = build(f_hz, ratio, u)
    hidden = bool(whole.hidden[here])
    share = float(whole.unresolved[here]) / math.sqrt(max(ratio, u, 1e-30))
    notes: tuple[str, ...] = ()
    if hidden:
        notes = (f"hidden by {hides}: only a bound is known",)
    elif share >= _OPEN_RATIO:
        notes = ("what adds with unknown phase is within 6 dB of the reading: the upper end is open",)
    grid = _grid_input(whole.grid_db)

    def model_db(draws: Draws) -> FloatArray:
        level = model.draw(draws)
        if reach > 0:
            level = level + np.interp(shift.draw(draws, at_hz, within_hz), moves, change_db)
        return level + draws.of(grid) if grid.value else level

    slope = float(change_db[-1] - change_db[0]) / (2 * reach) if reach > 0 else 0.0
    rows = model.rows() + (grid.row(),) * bool(grid.value) + shift.rows(at_hz, slope, within_hz)
    return Estimate(
        value=None if hidden or share >= 1.0 else model.nominal_db,
        draws=propagate(model_db, coverage=coverage),
        rows=rows,
        notes=notes,
        open_high=share >= _OPEN_RATIO,
        where_hz=f_hz,
    )


def noise_db(reading: Reading, at_hz: float, within_hz: float) -> float | None:
    """Return the standard uncertainty, dB, that noise gives the least loss within an offset; None where hidden."""
    whole = _local(reading, at_hz - within_hz, at_hz + within_hz)
    place = _extreme(whole, at_hz, within_hz, False)
    ratio, u = float(whole.ratio[place]), float(whole.u[place])
    return None if ratio <= 0.0 or not math.isfinite(u) else 10.0 / math.log(10.0) * u / ratio


def with_notes(estimate: Estimate, notes: tuple[str, ...]) -> Estimate:
    """Return the estimate with other notes."""
    return replace(estimate, notes=notes)


def _extreme(curve: _Local, at_hz: float, within_hz: float, greatest: bool) -> int:
    """Index of the worst point of the window; a hidden point counts with what noise allows it to be."""
    tiny = 1e-9 * at_hz
    inside = (curve.freq_hz >= at_hz - within_hz - tiny) & (curve.freq_hz <= at_hz + within_hz + tiny)
    if not np.any(inside):
        return int(np.argmin(np.abs(curve.freq_hz - at_hz)))
    if greatest:
        return int(np.argmin(np.where(inside, curve.ratio, np.inf)))
    could_be = np.where(curve.hidden, np.maximum(curve.ratio, 0.0) + 1.645 * curve.u, curve.ratio)
    return int(np.argmax(np.where(inside, could_be, -np.inf)))


# --- edges: where a curve crosses a level


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


def _losses(reading: Reading) -> FloatArray:
    """Loss at each point; of hidden ones the least they can be."""
    low = reading.ratio <= np.maximum(LEAST_SIGMAS * reading.u_ratio, reading.noise)
    ratio = np.where(reading.cut_off, reading.raw, reading.ratio)
    known = np.where(low, np.maximum(ratio, 0.0) + 1.645 * reading.u_ratio, ratio)
    return np.asarray(-10.0 * np.log10(np.maximum(known, 1e-30)))


def _edge(reading: Reading, start: int, way: int, level_db: float, build: Build, *, leaving_down: bool) -> _Edge | None:
    """Walk from a point of the region outward to where the loss leaves it for good (two points running)."""
    loss = _losses(reading)
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
    first, last = max(first, 0), min(last, loss.size - 1)
    stretch = _local(reading, float(reading.freq_hz[first]), float(reading.freq_hz[last]), margin=0)
    order = slice(None) if (way < 0) == leaving_down else slice(None, None, -1)
    freq, curve = stretch.freq_hz[order], np.maximum.accumulate(stretch.loss_db[order])
    at = float(np.interp(level_db, curve, freq))
    place = int(np.argmin(np.abs(stretch.freq_hz - at)))
    if bool(stretch.hidden[place]):
        return None
    return _Edge(freq, curve, level_db, build(at, 10 ** (-level_db / 10), float(stretch.u[place])))


def notch(
    reading: Reading, at_hz: float, within_hz: float, shift: Shift, build: Build, *, coverage: float = 0.95
) -> Estimate:
    """Return the notch frequency: the centre of the region within 10 dB of the bottom, searched round a frequency."""
    bottom = _bottom(reading, at_hz, within_hz)
    if bottom is None:
        return Estimate(value=None, draws=None, notes=("the sweep does not reach the place to look for the notch",))
    index, level_db, u = bottom
    hidden = bool(_local(reading, *(2 * [float(reading.freq_hz[index])])).hidden[0])
    edge_db = level_db - NOTCH_REGION_DB
    left = _edge(reading, index, -1, edge_db, build, leaving_down=True)
    right = _edge(reading, index, 1, edge_db, build, leaving_down=True)
    if left is None or right is None:
        return Estimate(value=None, draws=None, notes=("no region within 10 dB of a bottom stands in this sweep",))
    value = 0.5 * (left.at_hz + right.at_hz)
    floor_model = build(float(reading.freq_hz[index]), 10 ** (-level_db / 10), u)

    def centre(draws: Draws) -> FloatArray:
        level = edge_db + (0.0 if hidden else floor_model.draw(draws) - floor_model.nominal_db)
        centre_hz = 0.5 * (left.draw(draws, level) + right.draw(draws, level))
        return centre_hz + shift.draw(draws, value)

    notes = ("the bottom is hidden: the centre is that of the region 10 dB above what can be seen",) if hidden else ()
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
    index = int(np.argmax(np.where(inside, _losses(reading), -np.inf)))
    around = _local(reading, *(float(reading.freq_hz[index]) + side * reading.step_hz for side in (-1.0, 1.0)))
    lowest = int(np.argmin(around.ratio))
    if bool(around.hidden[lowest]):
        return index, float(_losses(reading)[index]), float(reading.u_ratio[index])
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
    loss = _losses(reading)
    start = int(np.argmin(np.abs(reading.freq_hz - at_hz)))
    least = start  # downhill from the frequency: the least loss of its own pass band
    for way in (-1, 1):
        index = start
        while 0 <= index < loss.size and loss[index] <= loss[least] + above_db:
            least = index if loss[index] < loss[least] else least
            index += way
    place = float(reading.freq_hz[least])
    around = _local(reading, place - 2 * reading.step_hz, place + 2 * reading.step_hz)
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
    loss = float(_losses(reading)[start])
    if (loss < level_db) == leaving_down:
        text = f"the loss there is {loss:.2f} dB, outside the region: the width is zero unless it is at its edge"
        zero = propagate(lambda draws: np.zeros(draws.n), coverage=coverage)
        return Estimate(value=0.0, draws=zero, notes=(text,), open_high=abs(loss - level_db) < _OPEN_RATIO)
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


def ripple(
    reading: Reading, at_hz: float, within_hz: float, shift: Shift, build: Build, *, coverage: float = 0.95
) -> Estimate:
    """Return greatest minus least loss over a band; its draws are never negative."""
    reach = sum(shift.sizes_hz(at_hz, within_hz))
    whole = _local(reading, at_hz - within_hz - reach, at_hz + within_hz + reach)
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

    rows = tuple(replace(row, name=f"{row.name} (greatest loss)") for row in top.rows())
    rows += tuple(replace(row, name=f"{row.name} (least loss)", sensitivity=-row.sensitivity) for row in low.rows())
    return Estimate(value=value, draws=propagate(spread, coverage=coverage), rows=rows)
