"""What of a device's zoom must be swept again though nothing was moved: too fast, or above the display; pure.

A cavity rings. A sweep faster than about 0.02 notch widths squared a second (trade notes 1.8) shows a notch too deep
or moved, so where the trace itself shows so narrow a notch, the sweep is taken half as fast until two agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from sequencer.core.capability import Capabilities
from sequencer.core.history import Entry, Role, Swept, Warned
from sequencer.core.trace import FloatArray, Sweep
from sequencer.run.plan import Plan, PlannedSweep, seconds_of
from sequencer.run.proof import above_display
from sequencer.run.settings import LONGEST_SWEEP_S, RATE
from sequencer.run.steps import Drop, Warn
from sequencer.run.visits import Visit
from sequencer.run.windows import ASSUMED_Q, OVERVIEW

__all__ = ["adapted", "dip", "retake_step", "too_fast_for"]

SLOWER = 2.0
MOST_HALVINGS = 5
AGREE_DB = 0.1  # two depths, beyond what noise does: a tenth of a dB is said to two decimals, no more is meant
AGREE_WIDTHS = 0.05  # two places of the bottom, in notch widths: 0.06 widths squared a second move it by so much
EDGE_DB = 3.0
FEWEST_INSIDE = 3  # points within the width: fewer are a spike of noise


@dataclass(frozen=True, slots=True)
class Dip:
    """The bottom of a trace: where, how low, and how wide 3 dB above it (None: its edges are not both there)."""

    at_hz: float
    level_dbm: float
    width_hz: float | None


def adapted(planned: PlannedSweep, stay: Visit, plan: Plan, caps: Capabilities) -> PlannedSweep:
    """Return a planned sweep as this stay has taught it to be: slower, or with the thru's reference level."""
    settings = planned.settings
    for dropped in stay.dropped:
        if (dropped.key, dropped.role) != (planned.key, planned.role):
            continue
        if dropped.slower > 1.0:
            settings = replace(settings, sweep_time_s=dropped.slower * seconds_of(settings, caps))
        else:
            settings = replace(settings, reference_dbm=_thru_reference_dbm(planned, plan))
    return planned if settings is planned.settings else replace(planned, settings=settings)


def retake_step(sweeps: Sequence[PlannedSweep], stay: Visit, history: Sequence[Entry]) -> Drop | Warn | None:
    """Return what to drop, or to say, of the zooms taken in this stay; ``sweeps`` are the planned ones, adapted."""
    for planned in sweeps:
        if planned.role is not Role.DEVICE or planned.key == OVERVIEW:
            continue
        taken = [s for s in stay.swept if s.key == planned.key and s.role is Role.DEVICE]
        if not taken:
            continue
        before = [d for d in stay.dropped if (d.key, d.role) == (planned.key, Role.DEVICE)]
        why = above_display(taken[-1].sweep)
        if why and not any(d.slower == 1.0 for d in before):
            why = f"{planned.key}: {why}; taken again with the reference level of the thru"
            return Drop(hookup=stay.hookup.name, key=planned.key, role=Role.DEVICE, why=why)
        if len(taken) >= planned.repeats:
            step = _slower(planned, stay, taken, sum(d.slower > 1.0 for d in before), history)
            if step is not None:
                return step
    return None


def _slower(
    planned: PlannedSweep, stay: Visit, taken: Sequence[Swept], halvings: int, history: Sequence[Entry]
) -> Drop | Warn | None:
    found = _hurry(stay, taken)
    if found is None:
        return None
    text, here, width_hz = found
    seconds = taken[-1].sweep.used.sweep_time_s or 0.0
    old = [s for s in stay.set_aside if (s.key, s.role) == (planned.key, Role.DEVICE)]
    if halvings and old:
        earlier = dip([s for s in old if s.sweep.used.sweep_time_s == old[-1].sweep.used.sweep_time_s])
        if earlier is not None and _agree(earlier, here, width_hz, taken):
            return None
    if halvings >= MOST_HALVINGS or SLOWER * seconds > LONGEST_SWEEP_S:
        said = f"{text}, and no slower sweep is possible: the notch may look deeper than it is, and elsewhere"
        return None if any(isinstance(e, Warned) and e.why == said for e in history) else Warn(why=said)
    why = f"{text}: a notch can look too deep so; taken again half as fast, until two agree"
    return Drop(hookup=stay.hookup.name, key=planned.key, role=Role.DEVICE, why=why, slower=SLOWER)


def too_fast_for(stay: Visit, taken: Sequence[Swept]) -> str:
    """Return that sweeps of one key are too fast for the notch they show, in words, or ''."""
    found = _hurry(stay, taken)
    return "" if found is None else found[0]


def _hurry(stay: Visit, taken: Sequence[Swept]) -> tuple[str, Dip, float] | None:
    """Return in words how much too fast sweeps are, their bottom and its width in Hz; None where they are not."""
    used = taken[-1].sweep.used
    seconds = used.sweep_time_s or 0.0
    here = dip(taken)
    if seconds <= 0.0 or here is None:
        return None
    width_hz = here.width_hz or used.center_hz / ASSUMED_Q
    rate = used.span_hz / seconds / width_hz**2
    if rate <= RATE:
        return None
    name = f"{stay.hookup.name}, {taken[-1].key}"
    return f"{name}: swept {rate / RATE:.1f} times faster than a notch this narrow can follow", here, width_hz


def dip(taken: Sequence[Swept]) -> Dip | None:
    """Return the bottom of the mean of repeats; None where they hold no data."""
    return _dip(tuple(s.sweep for s in taken))


@lru_cache(maxsize=64)  # every decision looks at all earlier stays again
def _dip(taken: tuple[Sweep, ...]) -> Dip | None:
    power = np.nanmean(np.stack([10.0 ** (sweep.trace.level_dbm / 10.0) for sweep in taken]), axis=0)
    freq: FloatArray = taken[-1].trace.freq_hz
    if power.size < FEWEST_INSIDE or not np.all(np.isfinite(power)):
        return None
    at = int(np.argmin(power))
    outside = power > power[at] * 10.0 ** (EDGE_DB / 10.0)
    left, right = np.flatnonzero(outside[:at]), np.flatnonzero(outside[at:])
    level_dbm = 10.0 * math.log10(float(power[at]))
    if left.size == 0 or right.size == 0 or at + int(right[0]) - int(left[-1]) - 1 < FEWEST_INSIDE:
        return Dip(float(freq[at]), level_dbm, None)
    level = 10.0 * np.log10(power)
    first, last = int(left[-1]), at + int(right[0])
    edge_dbm = level_dbm + EDGE_DB
    low = np.interp(-edge_dbm, -level[first : first + 2], freq[first : first + 2])
    high = np.interp(edge_dbm, level[last - 1 : last + 1], freq[last - 1 : last + 1])
    return Dip(float(freq[at]), level_dbm, float(high - low))


def _agree(first: Dip, second: Dip, width_hz: float, taken: Sequence[Swept]) -> bool:
    levels = np.stack([s.sweep.trace.level_dbm for s in taken])
    noise_db = 0.0
    if len(taken) > 1:  # of the mean at one point, pooled over all
        noise_db = float(np.sqrt(np.nanmean(np.nanvar(levels, axis=0, ddof=1)) / len(taken)))
    freq = taken[-1].sweep.trace.freq_hz
    step_hz = float(freq[1] - freq[0])
    deep = abs(first.level_dbm - second.level_dbm) <= AGREE_DB + 3.0 * math.sqrt(2.0) * noise_db
    return deep and abs(first.at_hz - second.at_hz) <= max(AGREE_WIDTHS * width_hz, 1.01 * step_hz)


def _thru_reference_dbm(planned: PlannedSweep, plan: Plan) -> float:
    thrus = [s.settings.reference_dbm for station in plan.stations for s in station.sweeps if s.role is Role.THRU]
    return max([planned.settings.reference_dbm, *thrus])
