"""Whether the thru is so strong that the analyzer compresses it; pure.

Thru and something weaker are each swept at two attenuations. What the attenuator's switching does is the same in
both and cancels; what compression does is not: the thru gains by 10 dB more attenuation, the weaker one does not, so
the loss between them reads more. Where it reads less, the thru is not to blame.
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
from sequencer.core.normalise import shared_points
from sequencer.core.trace import FloatArray, Sweep
from sequencer.core.uncertainty import coverage_factor
from sequencer.recipe.model import Bench
from sequencer.run.figures import Figures
from sequencer.run.measured import scatter
from sequencer.run.planned import PlannedSweep, Station
from sequencer.run.proof import noise_dbm_of
from sequencer.run.visits import Visit, known_at
from sequencer.run.windows import OVERVIEW

__all__ = ["COMPRESSED", "compression_text", "with_compression"]

MORE_DB = 10.0
ALLOWED_DB = 0.1  # common practice, no source (trade notes 1.12)
SMALL_DB = 10.0  # a check standard up to here is 'small'
WEAKER_DB = (10.0, 40.0)  # of a path: weak enough not to be compressed, strong enough not to be noise
FEWEST_POINTS = 5
ABOVE_NOISE_DB = 20.0  # 0.04 dB of noise in a mean power, and that makes the loss read less
SURE = 0.9999  # two-sided, of noise alone: a false alarm in 20,000 runs
MEDIAN_FACTOR = 1.25  # standard uncertainty of a median over that of a mean, sqrt(pi / 2)
PARTS = 4
COMPRESSED = f"with {MORE_DB:g} dB more attenuation the loss of"  # begins every text
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


def compression_text(stays: Sequence[Visit], bench: Bench) -> str:
    """Return what speaks for a compressed thru, in words, or ''."""
    taken = [stay for stay in stays if stay.first(OVERVIEW, Role.COMPRESSION) is not None]
    if len(taken) < 2:
        return ""
    thru, weaker = taken[0], taken[1]
    plain, more = _loss_db(thru, weaker, after=False), _loss_db(thru, weaker, after=True)
    if plain is None or more is None or plain.shape != more.shape:
        return ""
    there = _usable(weaker, plain, more, known_at(stays).noise_dbm_hz)
    change_db = (more - plain)[there]
    if change_db.size < FEWEST_POINTS:
        return ""
    more_db, allowed_db = float(np.median(change_db)), ALLOWED_DB + _moved_db(thru, weaker, bench)
    if more_db <= allowed_db:
        return ""
    independent = max(change_db.size / max(_shared_points(stay) for stay in (thru, weaker)), 2.0)
    u_db = MEDIAN_FACTOR * float(np.std(change_db, ddof=1)) / math.sqrt(independent)
    if more_db <= allowed_db + coverage_factor(independent - 1.0, SURE) * u_db:
        return ""
    if _uneven_db(change_db) > max(ALLOWED_DB, 0.5 * more_db):
        return ""
    return (
        f"{COMPRESSED} {weaker.hookup.name} reads {more_db:.2f} dB more: "
        f"{allowed_db:.2f} dB are allowed. The thru is too strong for the analyzer's input: lower the generator's "
        "level or put a larger pad on the analyzer's lead"
    )


def _usable(weaker: Visit, plain: FloatArray, more: FloatArray, noise_dbm_hz: float | None) -> np.ndarray:
    """Mark the points to compare: well above noise at either attenuation, and of a path neither strong nor lost.

    They are picked by the mean of both readings that noise leaves uncorrelated with their difference (weights as the
    inverse of the variances): picked by one of them, what noise lifted over a threshold would fall back in the other.
    """
    first, second = _overview(weaker, after=False), _overview(weaker, after=True)
    assert first is not None  # both losses are there
    assert second is not None
    levels = first.trace.level_dbm, second.trace.level_dbm
    lag = math.ceil(_shared_points(weaker))
    one, other = (max(scatter(level, lag), 1e-6) ** -2.0 for level in levels)
    share = one / (one + other)
    level_dbm = share * levels[0] + (1.0 - share) * levels[1]
    loss_db = share * plain + (1.0 - share) * more
    noise_dbm = max(noise_dbm_of(sweep, noise_dbm_hz) for sweep in (first, second))
    there = np.isfinite(plain) & np.isfinite(more) & (level_dbm > noise_dbm + ABOVE_NOISE_DB)
    if weaker.hookup.kind is HookupKind.PATH:
        there &= (loss_db > WEAKER_DB[0]) & (loss_db < WEAKER_DB[1])
    return np.asarray(there)


def _shared_points(stay: Visit) -> float:
    """How many neighbouring points have their noise in common."""
    return max(shared_points(sweep.used) for after in (False, True) if (sweep := _overview(stay, after)) is not None)


def _moved_db(thru: Visit, weaker: Visit, bench: Bench) -> float:
    """How far the loss may move between the two attenuations without any compression.

    By drift between the sweeps of each hookup, and by a scale that is steeper at one level than at the other while the
    attenuator's switching moves both.
    """
    figures = Figures(bench)
    switched_db = figures.switching(("attenuation_db",))[0].value
    moved_db = 2.0 * figures.scale(switched_db).value
    for stay in (thru, weaker):
        first, second = _overview(stay, after=False), _overview(stay, after=True)
        if first is not None and second is not None:
            moved_db += figures.drift((second.began - first.began).total_seconds() / 3600.0).value
    return moved_db


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
