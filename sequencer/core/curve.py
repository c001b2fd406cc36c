"""Curves as the quantities see them: readings, a smoothed stretch of one, frequency errors, and what comes out.

Curves are smoothed by a fit in power where the scatter allows it, because the least or greatest of noisy points is
biased.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist
from typing import Protocol

import numpy as np

from sequencer.core.expected import variance
from sequencer.core.normalise import LEAST_ABOVE_NOISE_DB, LEAST_SIGMAS, fitting
from sequencer.core.record import Contribution
from sequencer.core.trace import FloatArray
from sequencer.core.uncertainty import Distribution, Draws, Input, Propagated

__all__ = ["Build", "Estimate", "LevelModel", "Reading", "Shift", "Stretch", "could_be_db", "stretch"]

_NORMAL = NormalDist()
_MARGIN_STEPS = 6  # points beyond the window that help the fit
_MARGIN = 2.5e-5  # of the frequency, where points are finer: half the width of the narrowest notch (Q 10,000, aligned)
_SAME_U = 0.02  # uncertainties that change by less give the same fit


class LevelModel(Protocol):
    """Draws of a true level (loss or return loss, dB) at one frequency, and its budget."""

    @property
    def nominal_db(self) -> float: ...  # noqa: D102
    @property
    def unresolved(self) -> float: ...  # noqa: D102  amplitude that adds with unknown phase, over the reading's
    def draw(self, draws: Draws) -> FloatArray: ...  # noqa: D102
    def inputs(self) -> tuple[Input, ...]: ...  # noqa: D102


Build = Callable[[float, float, float], LevelModel]  # (frequency in Hz, power ratio, its standard uncertainty)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Reading:
    """A normalised curve: power ratios with noise subtracted, (n,), and what hides them.

    ``noise`` is the noise's ratio, ``cut_off`` marks the display's bottom, where ``raw`` is all that is known.
    ``shared``: how many neighbouring points have their noise in common. ``expected``: the level, noise included, for
    which ``u_ratio`` holds; None where it depends on none.
    """

    freq_hz: FloatArray
    ratio: FloatArray
    u_ratio: FloatArray
    raw: FloatArray
    noise: FloatArray
    cut_off: np.ndarray
    shared: float = 1.0
    expected: FloatArray | None = None

    @property
    def step_hz(self) -> float:
        """Spacing of the points; 1 Hz for a single point, so that it can be divided by."""
        return float((self.freq_hz[-1] - self.freq_hz[0]) / (self.freq_hz.size - 1)) if self.freq_hz.size > 1 else 1.0


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
    ``unresolved``: amplitude that adds with unknown phase, over the reading's.
    """

    value: float | None
    draws: Propagated | None
    rows: tuple[Contribution, ...] = ()
    notes: tuple[str, ...] = ()
    open_low: bool = False
    open_high: bool = False
    where_hz: float | None = None
    unresolved: float = 0.0

    def interval(self, coverage: float) -> tuple[float | None, float | None]:
        """Two-sided for a value, one-sided (low end only) for a bound."""
        if self.draws is None:
            return None, None
        if self.value is None:
            return self.draws.quantile(1.0 - coverage), None
        # An amplitude d of unknown phase beside the true g: readings g + d and g - d are the tails. Draws made from the
        # reading r put the share p beyond r - d where in truth p (1 + d/g) lies, and beyond r + d where p (1 - d/g)
        # does (derived). With d/r = s, tails of p (1 - s) and p (1 + s) miss p on each side, and 2 p in all as before.
        tail, share = 0.5 * (1.0 - coverage), min(self.unresolved, 1.0)
        low, high = self.draws.quantile(tail * (1.0 + share)), self.draws.quantile(1.0 - tail * (1.0 - share))
        # the reading itself always belongs to what is possible (it can fall outside where a physical limit cuts draws)
        return None if self.open_low else min(low, self.value), None if self.open_high else max(high, self.value)


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """A stretch of a curve on a dense grid."""

    freq_hz: FloatArray
    ratio: FloatArray
    u: FloatArray
    hidden: np.ndarray
    grid_db: float  # what straight lines between the points may miss; 0 for a fit
    single: float = 0.0  # where no fit exists: how many neighbours here have the noise of one point; 0 for a fit

    def u_picked(self, index: int) -> float:
        """Return the standard uncertainty of a point's ratio, with the bias of having picked it where there is no fit.

        The least or greatest of n equal points of a normal noise stands at its (n - 3/8) / (n + 1/4) quantile (Blom
        1958), from memory; only points within three of its own u can have been picked for their noise.
        """
        u = float(self.u[index])
        if not self.single or not u > 0.0:
            return u
        rivals = int(np.sum(np.abs(self.ratio - self.ratio[index]) <= 3.0 * u)) / self.single
        return u if rivals <= 1.0 else u * math.hypot(1.0, _NORMAL.inv_cdf((rivals - 0.375) / (rivals + 0.25)))

    @property
    def loss_db(self) -> FloatArray:
        """Loss, dB; 300 dB stands for no power at all."""
        return np.asarray(-10.0 * np.log10(np.maximum(self.ratio, 1e-30)))


def stretch(reading: Reading, low_hz: float, high_hz: float, *, margin: int = _MARGIN_STEPS) -> Stretch:
    """Return the curve from low to high, both included, fitted in power where no point is cut off and a fit exists."""
    step, freq = reading.step_hz, reading.freq_hz
    low, high = (float(np.clip(end, freq[0], freq[-1])) for end in (low_hz, high_hz))
    beyond = max((margin + 0.01) * step, _MARGIN * low if margin else 0.0)
    take = (freq >= low - beyond) & (freq <= high + beyond)
    inside = freq[(freq > low) & (freq < high)]
    dense = np.unique(
        np.concatenate((np.linspace(low, high, 1 + 4 * math.ceil((high - low) / step)), (low, high), inside))
    )
    noise = np.interp(dense, freq, reading.noise)
    cut = np.interp(dense, freq, reading.cut_off.astype(np.float64)) > 0.0
    fit = None
    if not np.any(reading.cut_off[take]):
        fit = _fitted(reading, take, dense)
    grid_db = single = 0.0
    if fit is not None:
        ratio, u = fit
    else:
        known = np.where(reading.cut_off, reading.raw, reading.ratio)
        ratio, u = _between(dense, freq, known), np.interp(dense, freq, reading.u_ratio)
        single = reading.shared * max((dense.size - 1) * step / max(high - low, step), 1.0)
        on_points = all(np.min(np.abs(end - freq[take])) < 0.01 * step for end in (dense[0], dense[-1]))
        loss = could_be_db(reading)[take]  # where noise was subtracted to nothing, 300 dB would bend without end
        if not on_points and loss.size > 2:
            grid_db = float(np.max(np.abs(np.diff(loss, 2)))) / 8.0  # the chord's greatest distance from a parabola
    faint = ratio <= np.maximum(LEAST_SIGMAS * u, noise * (10 ** (LEAST_ABOVE_NOISE_DB / 10) - 1.0))
    return Stretch(dense, ratio, u, cut | faint | ~np.isfinite(ratio), grid_db, single)


def _fitted(reading: Reading, take: np.ndarray, at_hz: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Fit readings in power; where noise is in them, again with the uncertainties of the levels that the fit found."""
    freq, ratio, u = reading.freq_hz[take], reading.ratio[take], reading.u_ratio[take]
    everywhere = np.concatenate((at_hz, freq))
    fit = fitting(freq, ratio, u, everywhere, shared=reading.shared)
    if fit is None:
        return None
    if reading.expected is not None:
        noise = reading.noise[take]
        before, after = variance(reading.expected[take], noise), variance(fit[0][at_hz.size :] + noise, noise)
        with np.errstate(divide="ignore", invalid="ignore"):
            changed = np.where(before > 0.0, np.sqrt(after / before), 1.0)
        if np.any(np.abs(changed - 1.0) > _SAME_U):
            fit = fitting(freq, ratio, u * changed, everywhere, shared=reading.shared)
            if fit is None:
                return None
    return fit[0][: at_hz.size], fit[1][: at_hz.size]


def _between(at: FloatArray, freq: FloatArray, ratio: FloatArray) -> FloatArray:
    """Interpolate linearly in dB where the ratios are positive, else in power."""
    in_db = 10.0 ** (np.interp(at, freq, np.log10(np.maximum(ratio, 1e-30))))
    plain = np.interp(at, freq, ratio)
    return np.where(np.interp(at, freq, (ratio <= 0.0).astype(np.float64)) > 0.0, plain, in_db)


def could_be_db(reading: Reading) -> FloatArray:
    """Loss at each point; of hidden ones the least they can be."""
    low = reading.ratio <= np.maximum(LEAST_SIGMAS * reading.u_ratio, reading.noise)
    ratio = np.where(reading.cut_off, reading.raw, reading.ratio)
    known = np.where(low, np.maximum(ratio, 0.0) + 1.645 * reading.u_ratio, ratio)
    return np.asarray(-10.0 * np.log10(np.maximum(known, 1e-30)))
