"""Whether three readings of three ports fit one junction: |S31| = |S21| |S32| / |1 + S22|, port 2 common; pure.

Exact for two arms joined at one point, whatever is in them: what comes out at the common port is the wave at the
junction, and the third port gets its share of that (derived; checked against the circuits of the simulated devices).
The lead from the junction to its port turns phases, which are unknown here anyway, and loses ARM_DB at most. Where the
common port's match was measured both sides are held, with the interval of everything in it; where it was not, one
side alone and loosely: |1 + S22| <= 2, so isolation is at most 6 dB more than both losses, and JUNCTION_DB has slack
for what each of the three readings is unsure of.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from sequencer.core.history import Role
from sequencer.core.trace import FloatArray
from sequencer.core.uncertainty import Draws
from sequencer.errors import MeasurementError
from sequencer.recipe.model import Quantity, Requirement
from sequencer.run.measured import Measured
from sequencer.run.passivity import Doubt
from sequencer.units import show_db, show_hz

__all__ = ["misfits"]

JUNCTION_DB = 10.0
ARM_DB = 0.3  # a tee, a connector and a foot of lead; common practice, no source
UNLOADED_DB = 3.0  # a port that matches to 14 dB gives 2 dB, an isolation 15 dB better 1.5 dB (derived)
SLACK_DB = 0.3  # what a draw in 2000 leaves out, of four readings at once; no source
_DRAWS = Draws(seed=1, block=0, n=2000)


class _Way(NamedTuple):
    """A path at one frequency: draws of its loss, and whether it may be more (its reading is hidden)."""

    name: str
    loss_db: FloatArray
    hidden: bool


def misfits(measured: Measured, only: str = "") -> Iterator[Doubt]:
    """Yield the paths whose isolation fits no junction; with ``only`` those that this hookup has a part in."""
    told: set[str] = set()
    for need in measured.recipe.requirements:
        if need.quantity is not Quantity.ISOLATION or need.path is None or need.hookup_name in told:
            continue
        try:
            doubt = (_misfit if len(measured.recipe.ports) == 3 else _unloaded)(measured, need, need.path)
        except MeasurementError:  # sweeps that do not fit are told of where they are used
            continue
        if doubt is not None and only in ("", *doubt.hookups):
            told.add(need.hookup_name)
            yield doubt


def _misfit(measured: Measured, need: Requirement, path: tuple[str, str]) -> Doubt | None:
    (middle,) = (port for port in measured.recipe.ports if port not in path)
    a, b = path
    match = measured.reflection_at(middle, need.at_hz)
    if match is None:
        return _loose(measured, need, a, middle, b)
    direct, one, two = (_way(measured, *ends, need.at_hz) for ends in ((a, b), (a, middle), (middle, b)))
    if direct is None or one is None or two is None:
        return None
    s22 = float(np.max(match.draw(_DRAWS)))
    more = direct.loss_db - one.loss_db - two.loss_db  # isolation over both losses, dB
    most_db = 20.0 * math.log10(1.0 + s22) + SLACK_DB
    least_db = 20.0 * math.log10(max(10.0 ** (-2.0 * ARM_DB / 20.0) - s22, 1e-3)) - SLACK_DB
    above = float(np.min(more)) > most_db and not (one.hidden or two.hidden)
    below = float(np.max(more)) < least_db and not direct.hidden
    if not (above or below):
        return None
    both_db = float(np.median(one.loss_db + two.loss_db))
    return Doubt(
        (direct.name, one.name, two.name),
        f"{direct.name} isolates {show_db(float(np.median(direct.loss_db)), 1)} at {show_hz(need.at_hz)}, where "
        f"{one.name} and {two.name} together lose {show_db(both_db, 1)}; joined at one point, with the match measured "
        f"at {middle}, it can be from {show_db(both_db + least_db, 1)} to {show_db(both_db + most_db, 1)}: one of the "
        "three was not what its name says. Look at the load on the port that was not in use, at the joints, and "
        f"for what stands between the junction and {middle} (a filter there is no plain junction)",
    )


def _unloaded(measured: Measured, need: Requirement, path: tuple[str, str]) -> Doubt | None:
    """A ring cancels, so its isolation may be anything; but one that fails by reading what goes over an idle port.

    A port without its load sends back all that reaches it: the reading is what both ways over it lose, give or take
    what |1 - S22| of that port and the true isolation do beside it. A ring that is bad can read so by chance too.
    """
    if need.minimum is None:
        return None
    direct = _way(measured, *path, need.at_hz)
    if direct is None or direct.hidden or float(np.median(direct.loss_db)) >= need.minimum:
        return None
    for idle in (port for port in measured.recipe.ports if port not in path):
        one, two = (_way(measured, end, idle, need.at_hz) for end in path)
        if one is None or two is None or one.hidden or two.hidden:
            continue
        read_db, both_db = float(np.median(direct.loss_db)), float(np.median(one.loss_db + two.loss_db))
        if abs(read_db - both_db) <= UNLOADED_DB:
            return Doubt(
                (direct.name,),
                f"{direct.name} isolates {show_db(read_db, 1)} at {show_hz(need.at_hz)}, just what {one.name} and "
                f"{two.name} together lose ({show_db(both_db, 1)}), as it does where the load on {idle} is missing or "
                f"its joint open: look at the load on {idle}, then take {direct.name} again",
            )
    return None


def _way(measured: Measured, a: str, b: str, f_hz: float) -> _Way | None:
    """Return a path at a frequency, either way round, from its narrowest sweep; None where it was not measured."""
    for path in ((a, b), (b, a)):
        name = "-".join(path)
        for key in measured.sweeps.covering(name, Role.DEVICE, f_hz, f_hz):
            try:
                curve = measured.path(path, key)
            except MeasurementError:
                continue
            r = curve.response
            at = int(np.argmin(np.abs(r.freq_hz - f_hz)))
            ratio, u = float(r.ratio[at]), float(np.nan_to_num(r.u_ratio[at]))
            hidden = bool(r.hidden[at])
            if hidden:
                ratio, u = 10.0 ** (-float(r.bound_db[at]) / 10.0), 0.0
            if not math.isfinite(ratio):
                continue
            return _Way(name, measured.path_loss(curve, f_hz, ratio, u).draw(_DRAWS), hidden)
    return None


def _loose(measured: Measured, need: Requirement, a: str, middle: str, b: str) -> Doubt | None:
    """Isolation beyond what any common junction gives, by amplitudes and their leakage alone."""
    direct = _amplitude(measured, a, b, need.at_hz)
    ways = [_amplitude(measured, end, middle, need.at_hz) for end in (a, b)]
    if direct is None or any(way is None or way[0] < 2.0 * way[1] for way in ways):
        return None
    least_db = -20.0 * math.log10(max(sum(direct), 1e-15))
    both_db = -20.0 * math.log10(math.prod(way[0] - way[1] for way in ways if way is not None))
    if least_db <= both_db + JUNCTION_DB:
        return None
    return Doubt(
        (need.hookup_name,),
        f"{need.hookup_name} isolates {show_db(least_db, 0)} or more at {show_hz(need.at_hz)}, where {a}-{middle} and "
        f"{middle}-{b} together lose {show_db(both_db, 0)}; through a common junction it can be 6 dB more at "
        f"most: look at the leads and at the load on {middle}",
    )


def _amplitude(measured: Measured, a: str, b: str, f_hz: float) -> tuple[float, float] | None:
    """Return |S_ab| as measured, or its bound, and what leakage may add to it or take from it; None if not known."""
    size = measured.coupling(a, b, f_hz)
    if size is None:
        return None
    leaks_db = [
        float(np.interp(f_hz, r.freq_hz, r.leakage_db))
        for path in ((a, b), (b, a))
        for key in measured.sweeps.covering("-".join(path), Role.DEVICE, f_hz, f_hz)[:1]
        if (r := measured.path(path, key).response).leakage_db is not None
    ]
    return size, max((10.0 ** (-db / 20.0) for db in leaks_db if math.isfinite(db)), default=0.0)
