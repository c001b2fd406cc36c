"""What noise and leakage alone read, for a curve that rests on them; pure.

Noise is the same all over a zoom, so all its points together say how much there is. Leakage is coherent and smooth,
so a few points in a narrow filter say how much of that there is: much less than the zoom's own filter could show.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from sequencer.core.history import Role
from sequencer.core.normalise import Averaged, Response
from sequencer.core.trace import own
from sequencer.run.sweeps import Sweeps
from sequencer.run.windows import LEAKAGE, WIDE

__all__ = ["flat", "leak_near", "with_leak"]

NEAR = 0.005  # of the frequency: over this leakage along leads of metres is alike; common practice, no source
FILTER_SHAPE = 0.1  # two filters' noise bandwidths differ by up to this much more than their widths; no source
FLAT_SIGMAS = 5.0  # a point further out is a signal, not noise
FEWEST_POINTS = 5


@lru_cache(maxsize=32)  # of the same sweeps: a run asks again at each overview
def flat(noise: Averaged) -> Averaged:
    """Return noise as one level, known from all points of its sweeps; as it is where a signal or the display is in it.

    Its uncertainty is the scatter of the points over the root of how many of them are independent.
    """
    power = noise.power_mw[np.isfinite(noise.power_mw)]
    if bool(np.any(noise.cut_off)) or power.size < FEWEST_POINTS:
        return noise
    mean, scatter = float(np.mean(power)), float(np.std(power, ddof=1))
    # a mean of m exponential samples has a longer tail than a normal: its scatter itself says how long
    if float(np.max(power)) > mean + FLAT_SIGMAS * scatter * (1.0 + scatter / mean):
        return noise
    u_rel = scatter / mean / math.sqrt(max(power.size / noise.shared, 1.0))
    everywhere = np.ones(noise.power_mw.shape)
    return replace(
        noise,
        power_mw=own(mean * everywhere),
        u_rel=own(u_rel * everywhere),
        repeats=max(noise.repeats, 2),
        dof=max(power.size / noise.shared - 1.0, 1.0),
    )


def leak_near(sweeps: Sweeps, f_hz: float, thru_dbm: float, floor: str = "floor") -> tuple[float, float] | None:
    """Return leakage's power ratio to the thru near a frequency and its standard uncertainty; None where not swept.

    The noise in its filter has sweeps of its own; else it is that of the zoom, scaled by RBW. The thru was swept in
    another filter; what switching it costs, a few tenths of a dB, is nothing to a quantity of unknown phase.
    ``floor`` names the hookup.
    """
    found: list[tuple[float, str, Averaged]] = []
    for key in sweeps.keys(floor, Role.LEAKAGE):
        name = key.removeprefix(f"{LEAKAGE} ")
        swept = sweeps.latest(floor, key, Role.LEAKAGE) if name != key else None
        if swept is not None:
            found.append((abs(float(np.median(swept.freq_hz)) - f_hz), name, swept))
    if not found:
        return None
    away_hz, name, swept = min(found, key=lambda each: each[0])
    if away_hz > NEAR * f_hz:
        return None
    power = swept.power_mw[np.isfinite(swept.power_mw)]
    if power.size == 0:
        return None
    noise_mw, u_noise_mw = _noise_in(sweeps, name, swept, floor)
    level_mw = float(np.mean(power))
    # of a coherent signal in noise, from theory: the few points of a sweep say little about scatter
    independent = max(swept.independent * power.size / swept.shared, 1.0)
    part = min(noise_mw, level_mw)
    u_mw = math.sqrt(max(2.0 * level_mw * part - part**2, 0.0) / independent)
    if noise_mw == 0.0 and power.size > 1:
        u_mw = float(np.std(power, ddof=1)) / math.sqrt(max(power.size / swept.shared, 1.0))
    thru_mw = 10.0 ** (thru_dbm / 10.0)
    return (level_mw - noise_mw) / thru_mw, math.hypot(u_mw, u_noise_mw) / thru_mw


def _noise_in(sweeps: Sweeps, name: str, swept: Averaged, floor: str) -> tuple[float, float]:
    """Return the noise in a leakage sweep's filter and its standard uncertainty, mW; zeros where not known."""
    for key in (f"{LEAKAGE} {name}", name, f"{WIDE}{name}"):
        noise = sweeps.latest(floor, key, Role.NOISE)
        if noise is None:
            continue
        level = flat(noise)
        attenuation_db = swept.used.attenuation_db - noise.used.attenuation_db
        scale = swept.used.rbw_hz / noise.used.rbw_hz * 10.0 ** (attenuation_db / 10.0)
        mean_mw = float(np.nanmean(level.power_mw)) * scale
        shape = FILTER_SHAPE / math.sqrt(3.0) if swept.used.rbw_hz != noise.used.rbw_hz else 0.0
        u_rel = float(np.nanmean(np.nan_to_num(level.u_rel)))
        return mean_mw, mean_mw * math.hypot(shape, u_rel)
    return 0.0, 0.0


def with_leak(response: Response, leak: tuple[float, float] | None) -> Response:
    """Return the response with one leakage level all over it, for the plot."""
    if leak is None:
        return response
    everywhere = np.ones(response.freq_hz.shape)
    return replace(response, leak=own(leak[0] * everywhere), u_leak=own(leak[1] * everywhere))
