"""Whether a path shows that the leads were on: it must rise above noise and leakage somewhere; pure.

Leads in mid-air read as a perfect isolation. So a path that is nothing but noise and leakage in all its sweeps proves
no hookup, and an isolation that fits no common junction (`junction`) is not believed.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from sequencer.core.history import Role
from sequencer.core.normalise import Response
from sequencer.core.trace import FloatArray
from sequencer.errors import MeasurementError
from sequencer.run.junction import misfits
from sequencer.run.measured import Measured
from sequencer.run.passivity import Doubt

__all__ = ["unconnected"]

OVER_LEAKAGE_DB = 10.0  # leads that hang otherwise leak otherwise; where two ways of leaking add, by up to 6 dB
# A sample of noise stands 6 dB above its mean with probability exp(-4); five of nine neighbours do in 3e-7 (derived).
OVER_NOISE_DB, NEIGHBOURS = 6.0, 9
RISES_POINTS = 5  # so many points of a sweep, not one
# Many points together show less than a few do: their mean, against what noise leaves of a mean of so many samples.
MEANS, MEAN_SAMPLES = (9, 33, 129), 100  # of fewer samples of noise a mean has too long a tail for so few sigmas
MEAN_SIGMAS = 6.0  # a mean of 100 exponential samples is so far off once in 10^5 (derived), of more once in 10^6
NOISE_ALIKE_DB = 1.0  # attenuator and filter, switched between noise and path, move it by less; common practice


def unconnected(measured: Measured, only: str = "") -> Iterator[Doubt]:
    """Yield the paths that do not show that they were connected; of all, or ``only`` of one."""
    needs = [n for n in measured.recipe.requirements if n.path is not None and only in ("", n.hookup_name)]
    told: set[str] = set()
    for path in dict.fromkeys(need.path for need in needs if need.path is not None):
        try:
            rises = _rises(measured, path)
        except MeasurementError:  # sweeps that are missing are told of where they are used
            continue
        if not rises:
            name = "-".join(path)
            told.add(name)
            yield Doubt(
                (name,),
                f"{name} never rises above noise and leakage, in no sweep of it: this bench cannot show that the leads "
                "were on. Look whether both leads sit on their ports, and the loads on the others; if they do, sweep "
                "a wider overview, use smaller pads or better shielded leads",
            )
    for doubt in misfits(measured, only):
        if not told & set(doubt.hookups):
            yield doubt


def _rises(measured: Measured, path: tuple[str, str]) -> bool:
    """Whether enough points of a sweep stand clear of what was read without the device."""
    keys = measured.sweeps.keys("-".join(path), Role.DEVICE)
    return not keys or any(_clear(measured.path(path, key).response) for key in keys)


def _clear(r: Response) -> bool:
    noise, raw = _median(np.nan_to_num(r.noise)), _median(r.raw)
    leak = np.zeros(raw.shape) if r.leakage_db is None else _median(np.nan_to_num(10.0 ** (-r.leakage_db / 10.0)))
    if not np.any(noise > 0.0) and not np.any(leak > 0.0):
        return True
    if _rises_on_average(r, noise, leak):
        return True
    clear = (raw > noise * 10.0 ** (OVER_NOISE_DB / 10.0)) & (raw - noise > leak * 10.0 ** (OVER_LEAKAGE_DB / 10.0))
    return int(np.sum(clear)) >= RISES_POINTS


def _rises_on_average(r: Response, noise: FloatArray, leak: FloatArray) -> bool:
    """Whether a mean over many neighbours stands clear of both; asked only where noise was seen whole everywhere."""
    if np.any(r.noise_cut_off | r.cut_off) or not np.all(np.isfinite(r.ratio) & np.isfinite(r.u_ratio)):
        return False
    for points in MEANS:
        shared = max(r.shared, 1.0)
        if points > r.ratio.size or points / shared * r.repeats < MEAN_SAMPLES:
            continue
        mean, spread, common = (_mean(each, points) for each in (r.ratio, r.u_ratio**2 - r.u_noise**2, r.u_noise))
        u_mean = np.sqrt(np.maximum(spread, 0.0) * shared / points + common**2)
        least = np.max(noise) * (10.0 ** (NOISE_ALIKE_DB / 10.0) - 1.0)
        clear = mean > np.maximum(MEAN_SIGMAS * u_mean, least)
        if np.any(clear & (mean > np.max(leak) * 10.0 ** (OVER_LEAKAGE_DB / 10.0))):
            return True
    return False


def _mean(values: FloatArray, points: int) -> FloatArray:
    """Running mean over neighbours."""
    return np.asarray(np.convolve(values, np.full(points, 1.0 / points), mode="valid"))


def _median(values: FloatArray, points: int = NEIGHBOURS) -> FloatArray:
    """Running median over neighbours."""
    if values.size < 2 * points:
        return values
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(values, points), axis=-1))
