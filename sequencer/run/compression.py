"""Whether the thru is so strong that the analyzer compresses it; pure.

Thru and something weaker are each swept at two attenuations. What the attenuator's switching does is the same in
both and cancels; what compression does is not: the thru gains by 10 dB more attenuation, the weaker one does not.
The weaker one is a check standard of a few dB if the kit has one, else the first path, where it loses 10 to 40 dB.
A bare thru would not do: switching alone may move it by more than the 0.1 dB allowed (trade notes 1.9, 1.12).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sequencer.core.capability import Capabilities
from sequencer.core.history import Role
from sequencer.core.hookup import HookupKind
from sequencer.core.trace import FloatArray, Sweep
from sequencer.run.planned import PlannedSweep, Station
from sequencer.run.proof import noise_dbm_of
from sequencer.run.visits import Visit, known_at
from sequencer.run.windows import OVERVIEW

__all__ = ["compression_text", "with_compression"]

MORE_DB = 10.0
ALLOWED_DB = 0.1  # common practice, no source (trade notes 1.12)
SMALL_DB = 10.0  # a check standard up to here is 'small'
WEAKER_DB = (10.0, 40.0)  # of a path: weak enough not to be compressed, strong enough not to be noise
FEWEST_POINTS = 5
ABOVE_NOISE_DB = 20.0  # 0.04 dB of noise in a mean power
SIGMAS = 4.0  # of noise: a false alarm in 16,000 runs
MEDIAN_FACTOR = 1.25  # standard uncertainty of a median over that of a mean, sqrt(pi / 2)
PARTS = 4
_WHY = f"with {MORE_DB:g} dB more attenuation nothing but compression can change the loss"


def with_compression(stations: Sequence[Station], caps: Capabilities, small: str) -> tuple[Station, ...]:
    """Return the stations with the two sweeps added; ``small`` names the hookup of a small standard, '' for none."""
    weaker = small or next((s.hookup.name for s in stations if s.hookup.kind is HookupKind.PATH), "")
    first = next((s for s in stations[0].sweeps if s.key == OVERVIEW and s.role is Role.THRU), None)
    if first is None or not weaker or first.settings.attenuation_db + MORE_DB > caps.attenuation_db[1]:
        return tuple(stations)
    settings = replace(first.settings, attenuation_db=first.settings.attenuation_db + MORE_DB)
    extra = PlannedSweep(key=OVERVIEW, role=Role.COMPRESSION, settings=settings, repeats=1, why=_WHY)
    return tuple(
        replace(s, sweeps=(*s.sweeps, extra)) if n == 0 or s.hookup.name == weaker else s
        for n, s in enumerate(stations)
    )


def compression_text(stays: Sequence[Visit]) -> str:
    """Return what speaks for a compressed thru, in words, or ''."""
    taken = [stay for stay in stays if stay.first(OVERVIEW, Role.COMPRESSION) is not None]
    if len(taken) < 2:
        return ""
    thru, weaker = taken[0], taken[1]
    plain, more = _loss_db(thru, weaker, after=False), _loss_db(thru, weaker, after=True)
    if plain is None or more is None or plain.shape != more.shape:
        return ""
    there = np.isfinite(plain) & np.isfinite(more) & _above_noise(weaker, known_at(stays).noise_dbm_hz)
    if weaker.hookup.kind is HookupKind.PATH:
        there &= (plain > WEAKER_DB[0]) & (plain < WEAKER_DB[1])
    if int(np.sum(there)) < FEWEST_POINTS:
        return ""
    less_db = float(np.median((more - plain)[there]))
    u_db = MEDIAN_FACTOR * float(np.std((more - plain)[there])) / math.sqrt(float(np.sum(there)))
    if abs(less_db) <= ALLOWED_DB + SIGMAS * u_db or _uneven_db((more - plain)[there]) > max(
        ALLOWED_DB, 0.5 * abs(less_db)
    ):
        return ""
    name = weaker.hookup.name
    return (
        f"with {MORE_DB:g} dB more attenuation the loss of {name} reads {abs(less_db):.2f} dB "
        f"{'more' if less_db > 0.0 else 'less'}: {ALLOWED_DB:g} dB are allowed. The thru is too strong for the "
        "analyzer's input: lower the generator's level or put a larger pad on the analyzer's lead"
    )


def _above_noise(weaker: Visit, noise_dbm_hz: float | None) -> np.ndarray:
    """Mark the points that noise adds less to than half of what is allowed, at either attenuation."""
    sweeps = [sweep for after in (False, True) if (sweep := _overview(weaker, after)) is not None]
    clear = [sweep.trace.level_dbm > noise_dbm_of(sweep, noise_dbm_hz) + ABOVE_NOISE_DB for sweep in sweeps]
    return np.asarray(np.logical_and.reduce(clear))


def _uneven_db(change_db: FloatArray) -> float:
    """How differently parts of the overview changed: what compresses a thru is even over it, a loose joint is not."""
    if change_db.size < PARTS * FEWEST_POINTS:
        return 0.0
    return float(np.ptp([np.median(part) for part in np.array_split(change_db, PARTS)]))


def _loss_db(thru: Visit, weaker: Visit, *, after: bool) -> FloatArray | None:
    """Return the loss over the overview, with the plain attenuation or with more."""
    first, second = (_overview(stay, after) for stay in (thru, weaker))
    if first is None or second is None:
        return None
    loss: FloatArray = first.trace.level_dbm - second.trace.level_dbm
    return loss


def _overview(stay: Visit, after: bool) -> Sweep | None:
    roles = {Role.COMPRESSION} if after else {Role.THRU, Role.DEVICE, Role.STANDARD}
    return next((s.sweep for s in stay.swept if s.key == OVERVIEW and s.role in roles), None)
