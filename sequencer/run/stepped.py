"""Whether a path's zoom has a step between neighbours, which no cavity makes and a loose joint does; pure.

A response is smooth over a few points of a zoom, so its differences are alike from point to point: one that stands
out from its neighbours by more than noise explains is the joint's, or the instrument's, and not the device's.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from sequencer.core.history import Role
from sequencer.core.trace import FloatArray
from sequencer.errors import MeasurementError
from sequencer.run.measured import Measured, PathCurve
from sequencer.run.passivity import Doubt
from sequencer.run.windows import OVERVIEW
from sequencer.units import show_db, show_hz

__all__ = ["stepped"]

STEP_DB = 0.1  # as a jump between two sweeps: smaller ones are inside what re-mating a connector does
SIGMAS = 6.0  # of noise: a false step once in 10^8 points
STRONG_DB = 20.0  # looked at where the level is this near its highest: the bottom of a notch bends within few points
OVER_NOISE_DB = 10.0  # nearer to it, an amplitude does not scatter evenly, and no number of sigmas holds
_BESIDE = 2  # neighbours on each side


def stepped(measured: Measured, only: str = "") -> Iterator[Doubt]:
    """Yield the paths that have one; of all, or ``only`` of one."""
    for path in dict.fromkeys(need.path for need in measured.recipe.requirements if need.path is not None):
        name = "-".join(path)
        for key in measured.sweeps.keys(name, Role.DEVICE) if only in ("", name) else ():
            if key == OVERVIEW:  # too few points over what a notch is wide
                continue
            try:
                found = _greatest(measured.path(path, key))
            except MeasurementError:  # sweeps that do not fit are told of where they are used
                continue
            if found is not None:
                size_db, at_hz = found
                yield Doubt(
                    (name,),
                    f"{name} steps by {show_db(size_db, 1)} between neighbouring points at {show_hz(at_hz)}, and no "
                    "cavity does: look for a loose joint, or for an instrument that switches within its sweep",
                )
                break


def _greatest(curve: PathCurve) -> tuple[float, float] | None:
    """Return the size of the greatest step of a path's curve, dB, and where it is; None where there is none."""
    r = curve.response
    with np.errstate(divide="ignore", invalid="ignore"):
        level = 10.0 * np.log10(r.raw)
        u_db = 4.343 * np.nan_to_num(r.u_ratio) / r.raw
    if level.size < 2 * _BESIDE + 2 or not np.all(np.isfinite(level)):
        return None
    rise = np.diff(level)
    beside = np.stack([rise[_BESIDE + shift : rise.size - _BESIDE + shift] for shift in (-2, -1, 1, 2)])
    here = slice(_BESIDE, rise.size - _BESIDE)
    apart: FloatArray = np.abs(rise[here] - np.median(beside, axis=0))
    bent = np.ptp(beside, axis=0)
    noise: FloatArray = SIGMAS * np.sqrt(2.0) * np.maximum(u_db[:-1], u_db[1:])[here]
    lower = np.minimum(level[:-1], level[1:])[here]
    strong = lower > float(np.max(level)) - STRONG_DB
    if np.any(r.noise > 0.0):
        strong &= lower > 10.0 * np.log10(float(np.nanmax(r.noise))) + OVER_NOISE_DB
    size = np.where(strong & (apart > STEP_DB + bent + noise), apart, 0.0)
    place = int(np.argmax(size))
    if size[place] == 0.0:
        return None
    return float(size[place]), float(0.5 * (r.freq_hz[here.start + place] + r.freq_hz[here.start + place + 1]))
