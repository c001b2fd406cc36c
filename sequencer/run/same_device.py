"""Whether the device of a resumed run is the one it began with, in the same leads; pure.

The thru proves the bench, not what hangs on it. So when a person goes on with a run, the overview of one device
hookup is swept once more and held against the stored one before device sweeps of two sessions stand in one record.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sequencer.core.history import Connected, Entry, Refused, Resumed, Role, Swept, Voided
from sequencer.core.hookup import HookupKind
from sequencer.core.trace import Sweep
from sequencer.recipe.model import Quantity, Recipe
from sequencer.run.proof import noise_dbm_of
from sequencer.run.steps import Connect, Step, SweepStep, Void
from sequencer.run.visits import Visit, known_at, without_sweeps
from sequencer.run.windows import OVERVIEW

__all__ = ["changed", "check_of", "device_step"]

SHIFT = 8.5e-5  # copper moves by 16.5 ppm a kelvin (trade notes 7.10): a cavity of it, by five kelvin between sessions
# What is far down is the difference of large things: a joint or a degree moves it more. Common practice, no source.
PER_DB = 0.05
OVER_NOISE_DB = 20.0  # nearer to it, noise moves a trace by more than a dB
LEAST_SHOWN = 0.3  # of the points, for a path to speak for the device; common practice, no source
MOST_SHARE = 0.05  # of the points: more is no single spike

_WHY = "nothing of the device taken before counts until one hookup shows that it is the same device in the same leads"


def device_step(recipe: Recipe, stays: Sequence[Visit], history: Sequence[Entry], joints_db: float) -> Step | None:
    """Return what must be done before a device swept earlier and what is connected now may stand in one record.

    ``stays`` are those of the earlier sessions, ``joints_db`` what making both joints anew may do.
    """
    if not any(isinstance(e, Resumed) and not e.itself for e in without_sweeps(history)):
        return None
    number = next(n for n in range(len(history) - 1, -1, -1) if _person(history[n]))
    swept = _stored(recipe, stays)
    if swept is None or isinstance(history[number], Voided):
        return None
    stay, old = swept
    check = check_of(history[number + 1 :], stay.hookup.name)
    if check is None or check.waiting:
        return Connect(hookup=stay.hookup, why=_WHY, check=True)
    now = check.first(OVERVIEW, Role.CHECK)
    if now is None:
        settings = old.sweep.asked
        return SweepStep(hookup=stay.hookup.name, key=OVERVIEW, role=Role.CHECK, settings=settings, why=_WHY)
    text = changed(old.sweep, now.sweep, known_at(stays).noise_dbm_hz, joints_db)
    if not text:
        return None
    text = f"{stay.hookup.name}: {text}: is it the same device, in the same leads?"
    if not check.refused:
        return Connect(hookup=stay.hookup, why="once more", refused=text, check=True)
    return Void(why=f"{text} It came back, so what was taken of the device before does not belong to what is here now")


def _person(entry: Entry) -> bool:
    """A new session by a person, or a fresh beginning: what a link's trouble began anew found the device in place."""
    return isinstance(entry, Voided) or (isinstance(entry, Resumed) and not entry.itself)


def _stored(recipe: Recipe, stays: Sequence[Visit]) -> tuple[Visit, Swept] | None:
    """Return a path through all of the device with its overview, else its latest path, else its latest port."""
    found = []
    for stay in stays:
        swept = stay.first(OVERVIEW, Role.DEVICE) or stay.first(OVERVIEW, Role.REFLECTION)
        if swept is not None and not stay.waiting and stay.hookup.test_port in (None, *recipe.ports):
            found.append((stay, swept))
    paths = [each for each in found if each[0].hookup.kind is HookupKind.PATH]
    isolated = {need.hookup_name for need in recipe.requirements if need.quantity is Quantity.ISOLATION}
    noise = known_at(stays).noise_dbm_hz
    whole = [each for each in paths if each[0].hookup.name in isolated and _shows(each[1].sweep, noise)]
    return next(reversed(whole or paths or found), None)


def _shows(sweep: Sweep, noise_dbm_hz: float | None) -> bool:
    """Whether an isolation, which runs through all of the device, stands clear of the noise in enough of its points."""
    return float(np.mean(sweep.trace.level_dbm > noise_dbm_of(sweep, noise_dbm_hz) + OVER_NOISE_DB)) > LEAST_SHOWN


def check_of(after: Sequence[Entry], hookup: str) -> Visit | None:
    """Return the stay at a hookup that was connected only to check it, None before it was."""
    check: Visit | None = None
    here = False
    for entry in after:
        if isinstance(entry, Connected):
            here = entry.check and entry.hookup.name == hookup
            if here and check is None:
                check = Visit(entry.hookup)
            elif here and check is not None:
                check.waiting = False
        elif isinstance(entry, Refused) and here and check is not None:
            check.keep()
            check.refused += 1
            check.waiting = True
        elif isinstance(entry, Swept) and here and check is not None:
            check.add(entry)
    return check


def changed(old: Sweep, new: Sweep, noise_dbm_hz: float | None, joints_db: float) -> str:
    """Return how far a device's overview differs from the stored one, in words, or '' where it may be the same."""
    freq, before, now = old.trace.freq_hz, old.trace.level_dbm, new.trace.level_dbm
    if before.shape != now.shape or before.size < 2:
        return "the analyzer no longer takes the same overview"
    aside = math.ceil(SHIFT * float(freq[-1]) / float(freq[1] - freq[0]))
    near = np.lib.stride_tricks.sliding_window_view(np.pad(before, aside, mode="edge"), 2 * aside + 1)
    lowest, highest = np.min(near, axis=-1), np.max(near, axis=-1)
    beyond = np.maximum(np.maximum(now - highest, lowest - now), 0.0)
    allowed = joints_db + PER_DB * (float(np.max(before)) - before)
    clear = np.maximum(before, now) > noise_dbm_of(new, noise_dbm_hz) + OVER_NOISE_DB
    far = clear & (beyond > allowed)
    if not np.any(clear) or float(np.mean(far[clear])) <= MOST_SHARE:
        return ""
    place = int(np.argmax(np.where(far, beyond - allowed, 0.0)))
    return (
        f"the overview reads {now[place] - before[place]:+.1f} dB against the stored one at {freq[place] / 1e6:.3f} MHz"
    )
