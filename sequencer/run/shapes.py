"""Whether two overviews of one run are one curve: the same thing swept twice under two names; pure."""

from __future__ import annotations

import math

import numpy as np

from sequencer.core.history import Role
from sequencer.core.normalise import Averaged
from sequencer.core.trace import FloatArray
from sequencer.run.measured import Measured
from sequencer.run.windows import OVERVIEW

__all__ = ["ALIKE_DB", "FEWEST_POINTS", "one_curve", "one_shape"]

ALIKE_DB = 0.15  # two paths through one device, each mated anew, repeat within this; common practice, no source
SHAPED_DB = 6.0  # an overview that varies by less has no shape to know it by
OVER_NOISE_DB, FEWEST_POINTS = 15.0, 20  # nearer to noise, shapes are noise; of fewer points, chance
# A mating shifts a curve by one constant. Two sides of a symmetric device differ in shape, since each cavity is tuned
# by hand: the simulated rings differ by 0.1 dB or more in nine tenths of an overview, a path mated anew by 0.01 dB.
SAME_SHAPE_DB, MOST_OF_IT, SIGMAS = 0.04, 90.0, 2.0


def one_shape(measured: Measured, a: Averaged, b: Averaged, within_db: float = math.inf) -> bool:
    """Whether two overviews differ by one constant alone, over nine tenths of all that is clear of noise.

    ``within_db``: the constant is less than this.
    """
    found = _apart(measured, a, b)
    if found is None:
        return False
    apart_db, u_db = found
    shift_db = float(np.median(apart_db))
    beyond = np.abs(apart_db - shift_db) - SIGMAS * u_db
    return abs(shift_db) < within_db and bool(np.percentile(beyond, MOST_OF_IT) < SAME_SHAPE_DB)


def one_curve(measured: Measured, a: Averaged, b: Averaged) -> bool:
    """Whether two overviews repeat within a mating."""
    return one_shape(measured, a, b, ALIKE_DB)


def _apart(measured: Measured, a: Averaged, b: Averaged) -> tuple[FloatArray, FloatArray] | None:
    """Return the difference of two overviews and its noise, dB, where both are clear; None where they have no shape."""
    if a.freq_hz.shape != b.freq_hz.shape or np.any(np.abs(a.freq_hz - b.freq_hz) > 1.0):
        return None
    heard = measured.sweeps.latest("thru", OVERVIEW, Role.FOREIGN)
    share = []
    for of in (a, b):
        noise_mw = 0.0 if heard is None else float(np.nanmedian(heard.power_mw)) * of.used.rbw_hz / heard.used.rbw_hz
        share.append(noise_mw / of.power_mw)
    clear = np.isfinite(share[0]) & np.isfinite(share[1]) & (np.maximum(*share) < 10.0 ** (-OVER_NOISE_DB / 10.0))
    if int(np.sum(clear)) < FEWEST_POINTS:
        return None
    first, second = 10.0 * np.log10(a.power_mw[clear]), 10.0 * np.log10(b.power_mw[clear])
    low, high = np.percentile(first, (5.0, 95.0))
    if high - low < SHAPED_DB:
        return None
    u = np.sqrt(2.0 * share[0][clear] / a.independent + 2.0 * share[1][clear] / b.independent)
    return first - second, 4.343 * u
