"""From the voltage at the analyzer's input to the level it shows: compression, noise, detector, scale, display."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from instruments.simulated.profile import Drawn

__all__ = ["Averages", "Detect", "ReceiverSettings", "compressed", "detected_mw", "shown_dbm", "sweep_loss_db"]

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

# Noise bandwidth over 3 dB bandwidth of a Gaussian filter: sqrt(pi / ln 2) / 2.
NOISE_BANDWIDTH = math.sqrt(math.pi / math.log(2.0)) / 2.0
MOST_SAMPLES = 32  # a bucket's peak or logarithmic mean is drawn from at most this many samples


class Averages(StrEnum):
    """What the mean is of, from sweep to sweep and in an AVERAGE detector's bucket; words of the variants' table."""

    POWER = "power"
    LOG = "log"
    VOLTAGE = "voltage"


class Detect(StrEnum):
    """How a bucket becomes a point; the values are those of the variants' table."""

    POWER = "power"
    AVERAGE = "average"  # a mean of what `averages` says
    SAMPLE = "sample"
    PEAK = "peak"
    NEGATIVE = "negative"
    VOLTAGE = "voltage"  # mean of the voltage


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverSettings:
    """What the receiver needs to know of a sweep."""

    rbw_hz: float
    vbw_hz: float
    attenuation_db: float
    reference_dbm: float
    detector: Detect
    average_count: int
    dwell_s: float  # sweep time over points
    display_range_db: float | None
    averages: Averages = Averages.POWER
    holds: bool = False  # the highest of its sweeps is shown, not their mean


def compressed(volts: Complex, attenuation_db: float, one_db_at_dbm: float) -> Complex:
    """Return the wave after a mixer that loses 1 dB at ``one_db_at_dbm``; volts are square roots of milliwatts."""
    mixer_mw = np.abs(volts) ** 2 * 10.0 ** (-attenuation_db / 10.0)
    excess = (10.0**0.1 - 1.0) * mixer_mw / 10.0 ** (one_db_at_dbm / 10.0)
    return np.asarray(volts / np.sqrt(1.0 + excess))


def sweep_loss_db(rate_hz_s: float, settings: ReceiverSettings, sweep_factor: float) -> float:
    """Level lost by sweeping faster than the coupled sweep time, 0 where not faster.

    Swept Gaussian filter: power falls by sqrt(1 + (0.4413 r / RBW^2)^2) [from memory, no source at hand].
    """

    def loss_db(hurry: float) -> float:
        return 5.0 * math.log10(1.0 + (0.4413 * hurry) ** 2)

    return max(0.0, loss_db(rate_hz_s / settings.rbw_hz**2) - loss_db(1.0 / sweep_factor))


def detected_mw(volts: Complex, noise_mw: float, settings: ReceiverSettings, rng: np.random.Generator) -> Real:
    """Return the power each point shows, in mW at the input, noise included.

    ``noise_mw`` is the mean noise power in the RBW. Samples 1/RBW apart are independent; a bucket shorter than
    that shares its noise with its neighbours.
    """
    if settings.average_count > 1 and settings.holds:
        one = replace(settings, average_count=1)
        return np.asarray(
            np.max([detected_mw(volts, noise_mw, one, rng) for _ in range(settings.average_count)], axis=0)
        )
    samples = max(1, math.floor(settings.dwell_s * settings.rbw_hz))
    if settings.vbw_hz < 0.999 * settings.rbw_hz:
        # A narrow video filter averages the logarithm, whatever the detector does afterwards.
        logs = min(MOST_SAMPLES, math.ceil(settings.rbw_hz / settings.vbw_hz))
        power = np.abs(volts + _noise(rng, (logs, volts.size), noise_mw)) ** 2
        return np.asarray(np.exp(np.mean(np.log(power), axis=0)))
    if settings.detector is Detect.VOLTAGE:
        settings = replace(settings, detector=Detect.AVERAGE, averages=Averages.VOLTAGE)
    if settings.detector is Detect.NEGATIVE and settings.average_count == 1:
        drawn = volts + _noise(rng, (min(MOST_SAMPLES, samples), volts.size), noise_mw)
        return np.asarray(np.min(np.abs(drawn) ** 2, axis=0))
    if settings.averages is not Averages.POWER and (settings.average_count > 1 or settings.detector is Detect.AVERAGE):
        return _mean_of_shown(volts, noise_mw, settings, samples, rng)
    if settings.detector is Detect.PEAK:
        draws = min(MOST_SAMPLES, samples)
        sweeps = [
            np.max(np.abs(volts + _noise(rng, (draws, volts.size), noise_mw)) ** 2, axis=0)
            for _ in range(settings.average_count)
        ]
        return np.asarray(np.mean(sweeps, axis=0))
    if settings.detector is Detect.SAMPLE:
        samples = 1
    if samples * settings.average_count == 1:
        return np.asarray(np.abs(volts + _neighbourly(rng, volts.size, noise_mw, settings)) ** 2)
    return _mean_power(volts, noise_mw, samples * settings.average_count, rng)


def _mean_of_shown(
    volts: Complex, noise_mw: float, settings: ReceiverSettings, samples: int, rng: np.random.Generator
) -> Real:
    """Return the mean of voltages or logarithms over sweeps (and buckets): noise reads 1.05 or 2.51 dB low (Rice)."""
    inside = 1 if settings.detector is Detect.SAMPLE else min(MOST_SAMPLES, samples)

    def mean(power: Real) -> Real:
        if settings.averages is Averages.LOG:
            return np.asarray(np.exp(np.mean(np.log(power), axis=0)))
        return np.asarray(np.mean(np.sqrt(power), axis=0) ** 2)

    def bucket() -> Real:
        if settings.detector is Detect.POWER:
            return _mean_power(volts, noise_mw, samples, rng)
        power = np.abs(volts + _noise(rng, (inside, volts.size), noise_mw)) ** 2
        return np.asarray(np.max(power, axis=0)) if settings.detector is Detect.PEAK else mean(power)

    return mean(np.array([bucket() for _ in range(settings.average_count)]))


def _mean_power(volts: Complex, noise_mw: float, samples: int, rng: np.random.Generator) -> Real:
    """Exact draw of the mean of |v + n_i|^2 over m samples: the mean noise, and what is spread about it."""
    mean = _noise(rng, (volts.size,), noise_mw / samples)
    spread = rng.gamma(samples - 1, 1.0, volts.size) * noise_mw / samples
    return np.asarray(np.abs(volts + mean) ** 2 + spread)


def _noise(rng: np.random.Generator, shape: tuple[int, ...], mean_mw: float) -> Complex:
    pairs = rng.standard_normal((*shape, 2)) * math.sqrt(mean_mw / 2.0)
    return np.asarray(pairs[..., 0] + 1j * pairs[..., 1])


def _neighbourly(rng: np.random.Generator, points: int, mean_mw: float, settings: ReceiverSettings) -> Complex:
    """Noise of single samples; correlated where points are closer in time than the filter forgets."""
    # The filter's impulse response is a Gaussian of sigma = sqrt(ln 2) / (pi RBW) seconds.
    sigma = math.sqrt(math.log(2.0)) / (math.pi * settings.rbw_hz * settings.dwell_s)
    reach = math.ceil(4.0 * sigma)
    if sigma < 0.3:  # neighbours share less than 6 % of their voltage
        return _noise(rng, (points,), mean_mw)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= math.sqrt(float(np.sum(kernel**2)))
    return np.asarray(np.convolve(_noise(rng, (points + 2 * reach,), mean_mw), kernel, mode="valid"))


def shown_dbm(power_mw: Real, settings: ReceiverSettings, drawn: Drawn, drift_db: Real) -> Real:
    """Return the levels the instrument tells: switching and scale errors, drift, and the ends of the display."""
    level = 10.0 * np.log10(np.maximum(power_mw, 1e-30)) + drift_db
    level = level + drawn.switching_db(
        attenuation_db=settings.attenuation_db, reference_dbm=settings.reference_dbm, rbw_hz=settings.rbw_hz
    )
    level = level + drawn.scale_db(settings.reference_dbm - level)
    if settings.display_range_db is None:
        return np.asarray(level)
    return np.clip(level, settings.reference_dbm - settings.display_range_db, settings.reference_dbm)
