"""Whether a trace was swept at all: noise never repeats bit for bit; pure.

An analyzer on hold, or one whose program answers from a memory, gives a trace of some other moment. Two that are the
same in every bit are two sweeps only where the display is too coarse to show the noise that is in them. A trace that
holds its highest (or lowest) repeats many of its points so, and moves the others one way only.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sequencer.core.normalise import same_settings
from sequencer.core.trace import Detector, Sweep
from sequencer.run.proof import noise_dbm_of
from sequencer.run.visits import Visit

__all__ = ["not_swept"]

CHANCE = math.log(1e-10)  # by which two sweeps are the same; a run has some hundred pairs
LEAST_MOVED = 10  # points, all one way
LEAST_STEP_DB = 1e-6  # of levels sent as 32-bit reals round -10 to -100 dBm


def not_swept(stay: Visit, noise_dbm_hz: float | None) -> str:
    """Return which earlier trace of a stay its latest one repeats, bit for bit or as a hold does, in words, or ''."""
    if not stay.swept or noise_dbm_hz is None:
        return ""
    latest = stay.swept[-1]
    begins_alike = stay.starts[float(latest.sweep.trace.level_dbm[0])] > 1
    if not begins_alike or not any(_same(before.sweep, latest.sweep) for before in stay.swept[:-1]):
        return _held(stay, noise_dbm_hz)
    if _by_chance(stay, latest.sweep, noise_dbm_hz) > CHANCE:
        return ""
    return (
        f"a trace of {latest.key!r} is the same in every bit as one before it, noise included, so nothing was swept: "
        "is the trace on hold, or is another program at the analyzer?"
    )


def _held(stay: Visit, noise_dbm_hz: float) -> str:
    """Return, in words, that the latest trace is a hold of the one before it with its settings, or ''."""
    latest = stay.swept[-1].sweep
    before = next((s.sweep for s in stay.swept[-2::-1] if same_settings(s.sweep.used, latest.used)), None)
    if before is None or before.trace.level_dbm.shape != latest.trace.level_dbm.shape:
        return ""
    level = latest.trace.level_dbm
    moved = level - before.trace.level_dbm
    rose, fell = int(np.sum(moved > 0.0)), int(np.sum(moved < 0.0))
    if min(rose, fell) > 0 or max(rose, fell) < LEAST_MOVED:
        return ""
    # the ends of a display repeat, too: a device's stopband below its bottom, while its passband drifts one way
    stood = (moved == 0.0) & (level > np.nanmin(level)) & (level < np.nanmax(level))
    if _by_chance(stay, latest, noise_dbm_hz, stood) > CHANCE:
        return ""
    return (
        f"of two sweeps of one setting {int(np.sum(stood))} points are the same in every bit, noise included, and the "
        f"others only {'rose' if rose else 'fell'}: the trace holds its {'highest' if rose else 'lowest'}. Set its "
        "mode to be written anew by every sweep (clear, write) at the front panel, and write that command under begin "
        "in the dialect"
    )


def _same(a: Sweep, b: Sweep) -> bool:
    first, second = a.trace.level_dbm, b.trace.level_dbm
    return same_settings(a.used, b.used) and np.array_equal(first, second)


def _by_chance(stay: Visit, sweep: Sweep, noise_dbm_hz: float, where: NDArray[np.bool_] | None = None) -> float:
    """Return the logarithm of the chance that noise repeats so: at each point, two fall into one step of the levels."""
    level, used = sweep.trace.level_dbm, sweep.used
    share = np.minimum(10.0 ** ((noise_dbm_of(sweep, noise_dbm_hz) - level) / 10.0), 1.0)
    dwell_s = (used.sweep_time_s or 0.0) / used.points
    samples = max(1.0, used.rbw_hz * dwell_s) if used.detector is Detector.POWER else 1.0
    samples *= max(1.0, used.rbw_hz / used.vbw_hz) if used.vbw_hz else 1.0
    # of power S + N the variance is 2 S N + N^2 for each sample of noise; two normal values of standard deviation u
    # differ by less than half a step with the probability step / (2 u sqrt(pi))
    scatter_db = 4.343 * np.sqrt((2.0 * share - share**2) / samples)
    chance = np.minimum(_step_db(stay) / (2.0 * math.sqrt(math.pi) * np.maximum(scatter_db, 1e-12)), 1.0)
    shared = max(1.0, 1.0 / (dwell_s * used.rbw_hz)) if dwell_s else 1.0  # neighbours that have their noise in common
    return float(np.nansum(np.log(chance), where=True if where is None else where)) / shared


def _step_db(stay: Visit) -> float:
    """Return the smallest difference of two levels in any trace of a stay: the display has no larger steps."""
    smallest = math.inf
    for swept in stay.swept:
        level = swept.sweep.trace.level_dbm
        steps = np.diff(np.unique(level[np.isfinite(level)]))
        smallest = min(smallest, float(np.min(steps, initial=math.inf)))
    return max(smallest, LEAST_STEP_DB)
