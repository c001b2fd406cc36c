"""What a swept source and a swept filter see of a device that rings.

The generator at time t stands at ``f = f0 + r t``. A device with impulse response h answers with the integral of
``h(tau) exp(-2j pi f tau) exp(j pi r tau^2)`` over tau: the dechirped convolution. A part that is late by tau arrives
``r tau`` away from the centre of the RBW filter, which therefore weighs it with its Gaussian shape. Both factors are
applied to h; a slow sweep needs only the first terms of their series in tau, and so only derivatives of H.
"""

from __future__ import annotations

import math
from collections.abc import Callable, MutableMapping
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["SHARPEST_Q", "Memory", "swept_response"]

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]
Memory = MutableMapping[tuple[float, ...], Any]

SHARPEST_Q = 1.0e4  # no duplexer cavity has a higher unloaded Q (trade notes 7.6: ideal copper, 146 MHz, 7700)
SLOW = 0.002  # of (f/Q)^2, Hz/s: below it the series is right to 1e-4 of the notch's own voltage
MOST_POINTS = 1 << 16  # wider and faster sweeps than this allows see the ringing only coarsely


def swept_response(
    transfer: Callable[[Real], Complex],
    freq_hz: Real,
    *,
    rate_hz_s: float,
    rbw_hz: float,
    offset_hz: float = 0.0,
    memory: Memory | None = None,
) -> Complex:
    """Return the filtered, complex reading at each point of a linear sweep.

    Parameters
    ----------
    transfer : steady transfer function; called on grids of its choice, shape (m,) in Hz.
    freq_hz : (n,) uniform grid, n >= 2, increasing.
    rate_hz_s : span over sweep time.
    rbw_hz : 3 dB bandwidth of a Gaussian filter.
    offset_hz : how far the generator stands from the filter's centre.
    memory : what the transfer function answered before, kept by the caller as long as it stays the same.
    """
    memory = {} if memory is None else memory
    sharpest_hz = float(freq_hz[0] + freq_hz[-1]) / 2.0 / SHARPEST_Q
    if rate_hz_s < SLOW * sharpest_hz**2:
        return _by_series(transfer, freq_hz, rate_hz_s, rbw_hz, offset_hz, sharpest_hz / 20.0, memory)
    return _by_convolution(transfer, freq_hz, rate_hz_s, rbw_hz, offset_hz, sharpest_hz / 4.0, memory)


def _sigma_hz(rbw_hz: float) -> float:
    """Return s of the filter's voltage response exp(-f^2 / (2 s^2)), which is 1/sqrt(2) at half the RBW."""
    return rbw_hz / (2.0 * math.sqrt(math.log(2.0)))


def _by_series(
    transfer: Callable[[Real], Complex],
    freq_hz: Real,
    rate: float,
    rbw_hz: float,
    offset_hz: float,
    delta_hz: float,
    memory: Memory,
) -> Complex:
    """Quasi-static answer with the first corrections: tau -> j H'/(2 pi), tau^2 -> -H''/(4 pi^2)."""
    asked = (float(freq_hz[0]), float(freq_hz[-1]), freq_hz.size, delta_hz)
    if asked not in memory:
        all_three = transfer(np.concatenate([freq_hz, freq_hz - delta_hz, freq_hz + delta_hz]))
        here, below, above = all_three.reshape(3, -1)
        memory[asked] = here, (above - below) / (2.0 * delta_hz), (above - 2.0 * here + below) / delta_hz**2
    here, first, second = memory[asked]
    sigma2 = _sigma_hz(rbw_hz) ** 2
    centred = math.exp(-(offset_hz**2) / (2.0 * sigma2))
    filtered = rate**2 * (1.0 - offset_hz**2 / sigma2) / (8.0 * math.pi**2 * sigma2)
    late = 1j * offset_hz * rate / (2.0 * math.pi * sigma2)
    return np.asarray(centred * (here + late * first + (filtered - 1j * rate / (4.0 * math.pi)) * second))


def _by_convolution(
    transfer: Callable[[Real], Complex],
    freq_hz: Real,
    rate: float,
    rbw_hz: float,
    offset_hz: float,
    most_hz: float,
    memory: Memory,
) -> Complex:
    step = float(freq_hz[-1] - freq_hz[0]) / (freq_hz.size - 1)
    span = step * (freq_hz.size - 1)
    sigma = _sigma_hz(rbw_hz)
    # Beyond this distance nothing reaches a point: the filter has cut it off, or the device no longer rings.
    away_hz = 0.25 * sigma * math.ceil(abs(offset_hz) / (0.25 * sigma))  # in steps: the grid stays while it drifts
    reach = min(rate / most_hz, 6.0 * sigma + away_hz) + 2.0 * math.sqrt(rate)
    taper = max(reach, 100.0 * most_hz)
    wide = span + 2.0 * (reach + taper)
    most_hz = max(most_hz, wide / MOST_POINTS)
    fine = max(1, math.floor(most_hz / step))  # the device is asked at every fine-th point of the trace ...
    dense = max(1, math.ceil(step / most_hz))  # ... or at dense points per point of the trace
    spacing = step * fine / dense
    size = _fft_size(math.ceil(wide / spacing) + 1)
    before = round((size * spacing - span) / 2.0 / spacing)
    asked = (float(freq_hz[0]), float(freq_hz[-1]), reach, spacing, size)
    if asked not in memory:
        grid, window = _windowed(float(freq_hz[0]), float(freq_hz[-1]), reach, spacing, size, before)
        memory[asked] = np.fft.ifft(transfer(np.maximum(grid, 1.0e3)) * window)

    late = size - size // 4  # what stands after this is the window's foreshadow: negative time
    tau = np.arange(size) / (size * spacing)
    tau[late:] -= 1.0 / spacing
    away = offset_hz - rate * tau
    rings = memory[asked] * np.exp(1j * math.pi * rate * tau**2 - away**2 / (2.0 * sigma**2))
    padded = np.zeros(size * fine, dtype=np.complex128)
    padded[:late] = rings[:late]
    padded[padded.size - (size - late) :] = rings[late:]
    seen = np.fft.fft(padded)
    first = before * fine
    return np.asarray(seen[first : first + freq_hz.size * dense : dense][: freq_hz.size])


def _fft_size(least: int) -> int:
    """Return the next size that is 2, 3 or 5 times a power of two."""
    power = 1 << max(0, (least - 1).bit_length() - 3)
    return next(power * k for k in (4, 5, 6, 8) if power * k >= least)


@lru_cache(maxsize=8)  # whatever is in place, an overview is swept over the same grid
def _windowed(
    first_hz: float, last_hz: float, reach: float, spacing: float, size: int, before: int
) -> tuple[Real, Real]:
    grid: Real = np.asarray(first_hz + (np.arange(size) - before) * spacing, dtype=np.float64)
    return grid, _flat_top(grid, first_hz - reach, last_hz + reach)


def _flat_top(freq_hz: Real, low_hz: float, high_hz: float) -> Real:
    """One between low and high, falling to 1e-8 at the ends of the grid as an integral of a Gaussian falls.

    Such an edge is short in frequency and, unlike a cosine's, short in time too: its echoes must not be taken
    for the device's.
    """
    below = (low_hz - freq_hz) / (low_hz - float(freq_hz[0]))
    above = (freq_hz - high_hz) / (float(freq_hz[-1]) - high_hz)
    window = np.ones(freq_hz.size)
    outside = np.maximum(below, above)
    tapered = outside > 0.0
    window[tapered] = [0.5 * math.erfc(8.0 * part - 4.0) for part in outside[tapered]]
    return window
