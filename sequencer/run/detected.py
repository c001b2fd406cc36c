"""Whether noise alone scatters as an average of power does: what an analyzer says of its detector is a word; pure.

The power of noise, averaged over K samples, scatters by 1/sqrt(K) of itself. A least, a greatest or a single sample
scatters by about as much as itself however long the sweep takes, and reads noise, and all that is near it, decibels
too low or too high: a bound, or a loss less noise, is wrong by as much.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sequencer.core.history import Role
from sequencer.core.record import Result, Statement
from sequencer.core.trace import Detector
from sequencer.run.measured import Measured, PathCurve, scatter

__all__ = ["no_power_average", "shy_of_noise"]

_LEAST_SAMPLES = 8.0  # of fewer a power average itself scatters by 1.5 dB and more
_LEAST_POINTS = 30  # of all noise sweeps together: then their middle scatter is known to a fifth or so
_MOST_TIMES = 2.5  # six times fewer samples than the stated times and filters give; a least of 8 scatters 2.8 times so
_NEAR_DB = 30.0  # a least of many samples of a tone so far above noise still reads half a decibel low


def no_power_average(measured: Measured) -> str:
    """Return in words how noise alone shows that the levels are no averages of power; '' where it does not."""
    floors = dict.fromkeys(measured.sweeps.floor_of(n.hookup_name) for n in measured.recipe.requirements if n.path)
    seen: list[tuple[float, float, float]] = []  # times as much as it should, scatter in dB, samples
    points = 0
    for floor in floors:
        for key in measured.sweeps.keys(floor, Role.NOISE):
            noise = measured.sweeps.latest(floor, key, Role.NOISE)
            if noise is None or noise.used.detector is not Detector.POWER or bool(np.any(noise.cut_off)):
                continue
            samples = noise.independent / noise.repeats
            if samples < _LEAST_SAMPLES:
                continue
            shown_db = scatter(10.0 * np.log10(noise.power_mw), math.ceil(max(noise.shared, 1.0)))
            seen.append((shown_db / (4.343 / math.sqrt(noise.independent)), shown_db, noise.independent))
            points += noise.power_mw.size
    if points < _LEAST_POINTS:
        return ""
    times, shown_db, samples = sorted(seen)[(len(seen) - 1) // 2]
    if times <= _MOST_TIMES:
        return ""
    return (
        f"noise alone scatters by {shown_db:.1f} dB from point to point, where the mean power of {samples:.0f} "
        f"samples, as times and filters give, scatters by {4.343 / math.sqrt(samples):.1f} dB: the analyzer shows a "
        "least, a greatest or single samples, whatever is said of its detector, and nothing near its noise is "
        "decided; set it to average power (RMS), or correct the detector in the bench file"
    )


def shy_of_noise(result: Result, curve: PathCurve, low_hz: float, high_hz: float, text: str) -> Result:
    """Return a result undecided where its reading stands near noise that was not averaged as power."""
    r = curve.response
    here = (r.freq_hz >= low_hz) & (r.freq_hz <= high_hz)
    if not np.any(here):
        here = np.abs(r.freq_hz - 0.5 * (low_hz + high_hz)) == np.min(np.abs(r.freq_hz - 0.5 * (low_hz + high_hz)))
    if not np.any(r.raw[here] < r.noise[here] * 10.0 ** (_NEAR_DB / 10.0)):
        return result
    return replace(result, statement=Statement.UNDECIDED, notes=(*result.notes, text))
