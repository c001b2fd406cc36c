"""From sweeps to ratios: averages repeats in power, refuses what does not fit, subtracts noise, marks what is hidden.

Levels become power (mW) here and stay power until a loss is stated: noise adds as power, and only so can it be
subtracted without bias (trade notes 1.4, 1.5).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from operator import attrgetter

import numpy as np

from sequencer.core.expected import expected_level, variance
from sequencer.core.trace import FloatArray, Sweep, SweepSettings, own
from sequencer.errors import GridMismatchError, MeasurementError
from sequencer.units import show_hz

__all__ = [
    "Averaged",
    "Response",
    "average",
    "differing",
    "fitting",
    "mw",
    "response",
    "same_settings",
    "shared_points",
]

# Common practice, no source: valid near-noise subtraction (trade notes 1.5) and the display's edge (12.3).
LEAST_ABOVE_NOISE_DB = 3.0
LEAST_SIGMAS = 3.0
NEAR_BOTTOM_DB = 1.0
_CUT_SHARE = 0.01  # of a mean power: 0.04 dB, if all that was cut off were missing
_POOL = 9  # independent neighbours whose relative scatter is pooled: 9 (n-1) degrees of freedom a point
_REPEATED_BOTTOM = 3  # a trace that stands at its own minimum this often has been cut off there
_NOTHING_MW = 1e-35  # -350 dBm: below any noise, so no reading but a filler
_MOST_EXCESS = 3.0  # beyond this the curve is no polynomial: judge the points themselves
_SHORTEST_DISPLAY_DB = 30.0  # no display is shorter; above, equal levels are a coarse trace of a flat pass band
_THEORY_DOF = (
    20.0  # as sure as noise in its filter is known: the filter's shape within 20 %; common practice, no source
)
_ALIKE = 2.0  # variances further apart than this, as medians of a trace, are not of one origin
_MATTER = (
    *("start_hz", "stop_hz", "points", "rbw_hz", "attenuation_db", "reference_dbm", "generator_dbm", "detector"),
    "vbw_hz",
)
_that_matter = attrgetter(*_MATTER)
_MAY_DIFFER = frozenset({"rbw_hz", "attenuation_db", "reference_dbm"})


def mw(dbm: FloatArray | float) -> FloatArray:
    """Return power in mW of a level in dBm."""
    result: FloatArray = 10.0 ** (np.asarray(dbm, dtype=np.float64) / 10.0)
    return result


@dataclass(frozen=True, slots=True, eq=False)
class Averaged:
    """Repeats of one sweep, averaged in power.

    ``power_mw``: (n,) mean power. ``u_rel``: (n,) relative standard uncertainty of that mean from the scatter of the
    repeats, NaN where there is one sweep only. ``cut_off``: (n,) bool, the display ended there. ``dof`` of u_rel.
    """

    freq_hz: FloatArray
    power_mw: FloatArray
    u_rel: FloatArray
    cut_off: np.ndarray
    repeats: int
    dof: float
    used: SweepSettings
    began: datetime
    ended: datetime

    @property
    def independent(self) -> float:
        """How many independent noise samples stand behind each point: RBW times dwell, times repeats."""
        dwell_s = (self.used.sweep_time_s or 0.0) / max(self.used.points, 1)
        each = dwell_s * self.used.rbw_hz if self.used.detector.value == "power" else 1.0
        return max(each, 1.0) * self.repeats

    @property
    def shared(self) -> float:
        """How many neighbouring points share their noise."""
        return shared_points(self.used)


def shared_points(used: SweepSettings) -> float:
    """Return how many neighbouring points share their noise: those less than 1/RBW apart in time do."""
    dwell_s = (used.sweep_time_s or 0.0) / max(used.points, 1)
    if dwell_s > 0.0:
        return max(1.0, 1.0 / (dwell_s * used.rbw_hz))
    return max(1.0, used.rbw_hz * max(used.points - 1, 1) / max(used.span_hz, 1.0))  # time unknown


def same_settings(a: SweepSettings, b: SweepSettings) -> bool:
    """Tell whether two sweeps may be averaged: everything alike but the sweep time and what the display tells."""
    return a is b or _that_matter(a) == _that_matter(b)


def differing(a: SweepSettings, b: SweepSettings) -> tuple[str, ...]:
    """Name the settings that matter and differ."""
    return tuple(n for n, x, y in zip(_MATTER, _that_matter(a), _that_matter(b), strict=True) if x != y)


def average(sweeps: Sequence[Sweep]) -> Averaged:
    """Average repeats in power.

    Raises
    ------
    MeasurementError
        When there is no sweep, or their settings differ.
    GridMismatchError
        When their frequencies differ.
    """
    if not sweeps:
        msg = "there is no sweep to average"
        raise MeasurementError(msg)
    first = sweeps[0]
    for other in sweeps[1:]:
        _same_grid(first.trace.freq_hz, other.trace.freq_hz, "repeats")
        odd = differing(first.used, other.used)
        if odd:
            msg = f"repeats of one sweep differ in {', '.join(odd)}: they cannot be averaged"
            raise MeasurementError(msg, differing=odd)
    levels = np.stack([sweep.trace.level_dbm for sweep in sweeps])
    power = mw(levels)
    mean = power.mean(axis=0)
    # what the display cut off of a few noisy samples is nothing to their mean
    cut_mw = np.where([_cut_off(level, first.used) for level in levels], power, 0.0).mean(axis=0)
    n = len(sweeps)
    if n > 1:
        relative = power.var(axis=0, ddof=1) / mean**2 / n
        # points that share their noise tell nothing of its scatter that their neighbours do not
        pool = max(1, min(round(_POOL * shared_points(first.used)), mean.size))
        u_rel = np.sqrt(_pooled(relative, pool))
    else:
        u_rel = np.full(mean.shape, np.nan)
    return Averaged(
        own(first.trace.freq_hz),
        own(mean),
        own(u_rel),
        np.asarray(cut_mw > _CUT_SHARE * mean),
        n,
        float((n - 1) * min(_POOL, max(mean.size / shared_points(first.used), 1.0))),
        first.used,
        min(sweep.began for sweep in sweeps),
        max(sweep.began for sweep in sweeps),
    )


def _pooled(values: FloatArray, pool: int) -> FloatArray:
    """Mean over so many neighbours, fewer at the ends; NaN points do not count."""
    good = np.isfinite(values)
    window = np.ones(pool)
    total = np.convolve(np.where(good, values, 0.0), window, mode="same")
    count = np.convolve(good.astype(np.float64), window, mode="same")
    return np.where(good, total / np.maximum(count, 1.0), np.nan)


def _cut_off(level_dbm: FloatArray, used: SweepSettings) -> np.ndarray:
    """Mark points within 1 dB of the display's bottom: told by the instrument, or shown by a repeated minimum."""
    bottom_dbm = used.display_bottom_dbm
    if bottom_dbm is None:
        least = float(np.nanmin(level_dbm)) if np.any(np.isfinite(level_dbm)) else np.nan
        far_down = least <= used.reference_dbm - _SHORTEST_DISPLAY_DB
        if not far_down or int(np.sum(level_dbm == least)) < _REPEATED_BOTTOM:
            return np.zeros(level_dbm.shape, dtype=bool)
        bottom_dbm = least
    return np.asarray(level_dbm <= bottom_dbm + NEAR_BOTTOM_DB)


def _same_grid(a: FloatArray, b: FloatArray, what: str) -> None:
    if a is b:
        return
    if a.shape != b.shape or not float(np.max(np.abs(a - b), initial=0.0)) <= 1.0:  # Hz: formats round no coarser
        msg = (
            f"{what}: the frequency grids differ ({a.size} points {show_hz(float(a[0]))} to {show_hz(float(a[-1]))}, "
            f"{b.size} points {show_hz(float(b[0]))} to {show_hz(float(b[-1]))}); sweep again with equal settings"
        )
        raise GridMismatchError(msg)


def _has_data(of: Averaged, what: str) -> None:
    """Refuse a trace that is mostly empty; single missing points are left out later."""
    there = int(np.sum(np.isfinite(of.power_mw) & (of.power_mw > _NOTHING_MW)))
    if 2 * there < of.power_mw.size:
        msg = f"{what}: the instrument gave data for {there} of {of.power_mw.size} points; sweep it again"
        raise MeasurementError(msg, points=there)


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """A path against its thru. All arrays (n,); ratios are power ratios to the thru.

    ``ratio`` has noise subtracted and may be negative by chance; ``u_ratio`` is its standard uncertainty, ``u_noise``
    the part of it that comes from what was subtracted.
    ``raw`` has not. ``expected`` is the level, noise included, for which ``u_ratio`` holds. ``leak`` is the leakage's
    power ratio, noise subtracted, with ``u_leak``; None where no leakage sweep was taken. ``hidden`` marks points where
    noise or the display leave a bound only. ``thru_u_rel`` is part of no other array. ``noise_known`` is False where
    the noise reading itself was cut off by the display.
    """

    freq_hz: FloatArray
    ratio: FloatArray
    u_ratio: FloatArray
    u_noise: FloatArray
    raw: FloatArray
    expected: FloatArray
    noise: FloatArray
    leak: FloatArray | None
    u_leak: FloatArray | None
    hidden: np.ndarray
    cut_off: np.ndarray
    noise_cut_off: np.ndarray
    thru_dbm: FloatArray
    thru_u_rel: FloatArray
    bottom_db: float | None
    switched: tuple[str, ...]
    repeats: int
    dof: float
    shared: float
    began: datetime

    @property
    def loss_db(self) -> FloatArray:
        """Loss where it is known, NaN where hidden; dB, positive."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.hidden | (self.ratio <= 0), np.nan, -10.0 * np.log10(self.ratio))

    @property
    def bound_db(self) -> FloatArray:
        """Loss that noise allows to state at one-sided 95 % (trade notes 1.6), at every point, dB."""
        most = np.where(self.cut_off, self.raw, np.maximum(self.ratio, 0.0)) + 1.645 * self.u_ratio
        with np.errstate(divide="ignore"):
            return np.asarray(-10.0 * np.log10(most))

    @property
    def floor_db(self) -> FloatArray:
        """Loss at which a device would equal the noise, dB."""
        with np.errstate(divide="ignore"):
            return np.asarray(-10.0 * np.log10(self.noise))

    @property
    def leakage_db(self) -> FloatArray | None:
        """Loss at which a device would equal the leakage, dB; where none was seen, its one-sided 95 % bound."""
        if self.leak is None or self.u_leak is None:
            return None
        seen = np.where(self.leak > 2.0 * self.u_leak, self.leak, np.maximum(self.leak, 0.0) + 1.645 * self.u_leak)
        with np.errstate(divide="ignore"):
            return np.asarray(-10.0 * np.log10(seen))


@lru_cache(maxsize=128)  # of the same sweeps, which equal themselves alone: a run asks again at each overview
def response(
    device: Averaged,
    thru: Averaged,
    noise: Averaged | None = None,
    leakage: Averaged | None = None,
    closing: Averaged | None = None,
) -> Response:
    """Normalise a path to its thru (with a closing thru: to the mean in dB of both) and subtract noise as power.

    Raises
    ------
    GridMismatchError
        When the grids differ.
    MeasurementError
        When the generator's level or the detector differ from the thru's: such a thru cannot be used.
    """
    switched: list[str] = []
    _has_data(device, "device")
    for other, what in ((thru, "thru"), (leakage, "leakage"), (noise, "noise"), (closing, "closing thru")):
        if other is None:
            continue
        _same_grid(device.freq_hz, other.freq_hz, f"device and {what}")
        _has_data(other, what)
        odd = [name for name in differing(device.used, other.used) if name not in _MAY_DIFFER and name != "vbw_hz"]
        if what == "noise":
            odd = [name for name in odd if name != "generator_dbm"]
        if odd:
            msg = f"device and {what} differ in {', '.join(odd)}: take the {what} again with the device's settings"
            raise MeasurementError(msg, differing=tuple(odd))
        if what == "thru":
            switched = [name for name in differing(device.used, other.used) if name in _MAY_DIFFER]
    reference = thru.power_mw if closing is None else np.sqrt(thru.power_mw * closing.power_mw)
    floor = np.zeros_like(reference) if noise is None else noise.power_mw * _noise_scale(device, noise)
    raw = device.power_mw / reference
    below = floor / reference
    hiss = below if noise is None else expected_level(noise.independent, noise.shared, below)
    expected = expected_level(device.independent, device.shared, raw, hiss)
    u_raw = expected * _u_rel(device, expected, hiss)
    u_below = 0.0 * below if noise is None else hiss * _u_rel(noise, hiss, hiss)
    ratio, u_ratio = raw - below, np.hypot(u_raw, u_below)
    no_signal = ratio <= np.maximum(LEAST_SIGMAS * u_ratio, below * (10 ** (LEAST_ABOVE_NOISE_DB / 10) - 1.0))
    leak = u_leak = None
    if leakage is not None:
        level = leakage.power_mw / reference
        leak = own(level - below)
        foretold = expected_level(leakage.independent, leakage.shared, level, hiss)
        u_leak = own(np.hypot(foretold * _u_rel(leakage, foretold, hiss), u_below))
    bottom_dbm = device.used.display_bottom_dbm
    return Response(
        device.freq_hz,
        own(ratio),
        own(u_ratio),
        own(np.nan_to_num(u_below)),
        own(raw),
        own(expected),
        own(below),
        leak,
        u_leak,
        np.asarray(no_signal | device.cut_off | ~np.isfinite(ratio)),
        device.cut_off,
        np.zeros(raw.shape, dtype=bool) if noise is None else noise.cut_off,
        own(10.0 * np.log10(reference)),
        own(np.nan_to_num(_u_rel(thru, np.ones_like(raw), hiss))),
        None if bottom_dbm is None else float(np.median(10.0 * np.log10(reference)) - bottom_dbm),
        tuple(switched),
        device.repeats,
        device.dof,
        device.shared,
        device.began,
    )


def _noise_scale(device: Averaged, noise: Averaged) -> float:
    """Noise goes with RBW, and with the attenuation before the first amplifier (trade notes 1.3)."""
    attenuation_db = device.used.attenuation_db - noise.used.attenuation_db
    return float(device.used.rbw_hz / noise.used.rbw_hz * 10.0 ** (attenuation_db / 10.0))


def _u_rel(of: Averaged, level: FloatArray, noise: FloatArray) -> FloatArray:
    """Relative standard uncertainty of a mean power; of one sweep alone, from theory.

    A tone of power S in noise of power N has variance 2SN + N^2 per independent sample, with S + N = ``level``: the
    level that is expected, not the one that noise made of it (see ``expected_level``).
    A few repeats say little of their own scatter (two, pooled over nine points, within 24 %), so theory counts beside
    them where the two agree on the whole; where they do not, the instrument is not what theory takes it for.
    """
    theory = variance(level, noise) / np.maximum(level, 1e-300) ** 2 / of.independent
    if of.repeats < 2:
        return np.asarray(np.sqrt(theory))
    if not _agree(of, theory):
        return of.u_rel
    return np.asarray(np.sqrt((of.dof * of.u_rel**2 + _THEORY_DOF * theory) / (of.dof + _THEORY_DOF)))


def _agree(of: Averaged, theory: FloatArray) -> bool:
    """Whether the scatter of the repeats is what theory says, over the whole trace."""
    known = np.isfinite(of.u_rel) & (theory > 0.0)
    if not np.any(known):
        return False
    quotient = float(np.median(of.u_rel[known] ** 2 / theory[known]))
    return 1.0 / _ALIKE <= quotient <= _ALIKE


def fitting(
    freq_hz: FloatArray, values: FloatArray, u: FloatArray, at_hz: FloatArray, *, degrees: int = 6, shared: float = 1.0
) -> tuple[FloatArray, FloatArray] | None:
    """Fit the lowest polynomial that the scatter allows; return its values and standard uncertainties at ``at_hz``.

    Power through a notch is close to a polynomial in frequency (of twice the number of aligned notches), and a fit
    in power is linear in the readings, so it has no bias from noise; the least point of a noisy trace has. Where
    ``shared`` neighbouring points have their noise in common, there are so many times fewer independent ones: a slow
    course bends by chance that much more, chi-squared scatters more, and the uncertainty is wider. None where no
    degree up to ``degrees`` fits.
    """
    good = np.isfinite(values) & np.isfinite(u) & (u > 0)
    x, y, w = freq_hz[good], values[good], 1.0 / u[good]
    if x.size < 5:  # three parameters and two degrees of freedom: less proves no fit
        return None
    centre, half = 0.5 * (x[0] + x[-1]), 0.5 * (x[-1] - x[0])
    most = min(degrees, x.size - 3)
    q, r = np.linalg.qr(np.polynomial.legendre.legvander((x - centre) / half, most) * w[:, None])
    parts = q.T @ (y * w)
    left = float(np.sum((y * w) ** 2)) - np.cumsum(parts**2)  # chi-squared that each degree leaves
    wanted = np.polynomial.legendre.legvander((np.asarray(at_hz) - centre) / half, most)
    for degree in range(most + 1):
        dof = x.size - degree - 1
        excess = max(left[degree] / dof, 1.0)  # Birge ratio squared: scatter beyond what the repeats showed
        more = left[degree] - left[min(degree + 2, most)]
        # two more degrees must not help (6 is the 95 % point of chi-squared for two); where none are left to try,
        # chi-squared itself must be ordinary (two sigma)
        ordinary = 1.0 + 2.0 * np.sqrt(2.0 * shared / dof)
        done = more <= 6.0 * excess * shared if degree + 2 <= most else excess <= ordinary
        if done and excess <= _MOST_EXCESS:
            end = degree + 1
            coefficients = np.linalg.solve(r[:end, :end], parts[:end])
            rows = np.linalg.solve(r[:end, :end].T, wanted[:, :end].T)
            return wanted[:, :end] @ coefficients, np.sqrt(excess * shared * np.sum(rows**2, axis=0))
    return None
