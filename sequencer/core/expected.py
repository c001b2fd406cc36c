"""The level a point is expected to have, whatever noise made of its reading, and the variance that follows from it."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from sequencer.core.trace import FloatArray, own

__all__ = ["expected_level", "variance"]

_CHANCE_SIGMAS = 5.0  # a reading further from what its neighbours foretell is no chance: the curve bends there
_NEIGHBOURS = 8  # independent ones, four on each side: they foretell a parabola as well as 0.6 of their own scatter


def variance(level: FloatArray, noise: FloatArray) -> FloatArray:
    """Return the variance of one sample of noise N with a tone S in it: 2SN + N^2, S + N = level, never below N^2."""
    above: FloatArray = np.maximum(level, noise)
    return np.asarray(2.0 * above * noise - noise**2)


def expected_level(independent: float, shared: float, level: FloatArray, noise: FloatArray | None = None) -> FloatArray:
    """Return the level at each point as its independent neighbours foretell it; of noise itself without ``noise``.

    An uncertainty reckoned from a point's own reading is small where noise threw that reading low, and a mean
    weighted by it follows the low readings: of a tone as strong as the noise, one sample a point, it finds less than
    nothing. So the point itself, and what shares its noise, has no say: a parabola through the neighbours has (power
    at the bottom of a notch is one). Where the reading is further from it than chance explains, the curve has bent
    between the points, noise is small beside that, and the reading counts. ``independent`` noise samples stand behind
    each point, ``shared`` neighbouring points have theirs in common. Derived; weights from expected, not from
    observed, values are those of Wedderburn's quasi-likelihood (1974), from memory.
    """
    near = _foretold(level, shared)
    hiss = near if noise is None else noise
    near = np.maximum(near, hiss)
    u = np.sqrt(np.maximum(variance(near, hiss), 0.0) / independent)
    with np.errstate(divide="ignore", invalid="ignore"):
        # a mean of few exponential samples has a longer tail than a normal
        chance = np.abs(level - near) <= _CHANCE_SIGMAS * u * (1.0 + u / near)
    return np.where(chance & (near > 0.0), near, level if noise is None else np.maximum(level, noise))


def _foretold(values: FloatArray, shared: float) -> FloatArray:
    """Return what a parabola through the neighbours says of each point; the values themselves where they are few."""
    good = np.isfinite(values)
    nearest = math.ceil(shared)
    reach = min(nearest - 1 + math.ceil(0.5 * _NEIGHBOURS * shared), values.size - 1)
    if reach <= nearest or not np.any(good):
        return values
    weights = _weights(nearest, reach)
    places = np.arange(values.size)
    filled = np.interp(places, places[good], values[good])
    return np.convolve(np.pad(filled, reach, mode="reflect"), weights, mode="valid")  # weights are even


@lru_cache(maxsize=16)
def _weights(nearest: int, reach: int) -> FloatArray:
    """Of each neighbour in the parabola's value at the middle, from ``-reach`` to ``reach``."""
    away = np.arange(-reach, reach + 1)
    outside = np.abs(away) >= nearest
    return own(np.linalg.pinv(np.vander(away / reach, 3, increasing=True) * outside[:, None])[0] * outside)
