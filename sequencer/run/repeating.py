"""The short way to a decision while one setting is swept again and again for its average; pure.

Nothing but the latest sweep is new then: where it is whole, fresh, on the display and like the one before it, the
step before it is the step after it. Whatever is not so, and the last of the repeats, is for the long way to decide.
"""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.core.history import Entry, Role, Swept
from sequencer.run.fresh import not_swept
from sequencer.run.proof import above_display, sweep_fault
from sequencer.run.steadiness import DEVICE_ROLES, jump_db
from sequencer.run.steps import SweepStep
from sequencer.run.visits import Journal, Visit, known_at, visits, went_back_s
from sequencer.run.windows import OVERVIEW

__all__ = ["repeated_step"]

_AVERAGED = DEVICE_ROLES | {Role.THRU, Role.NOISE, Role.LEAKAGE}


def repeated_step(history: Sequence[Entry]) -> SweepStep | None:
    """Return the step once more where the journal ends in two sweeps of it and more are wanted; None if in doubt."""
    if not isinstance(history, Journal) or len(history) < 2 or went_back_s(history):
        return None
    before, latest = history[-2:]
    if not isinstance(before, Swept) or not isinstance(latest, Swept):
        return None
    place = (latest.hookup, latest.key, latest.role)
    if (before.hookup, before.key, before.role) != place or latest.key == OVERVIEW or latest.role not in _AVERAGED:
        return None
    stays = visits(history)
    stay = stays[-1]
    step = stay.going
    if step is None or (step.hookup, step.key, step.role) != place or stay.swept[-1] is not latest:
        return None
    if stay.tally[latest.key, latest.role] >= step.repeats:
        return None
    noise = known_at(stays).noise_dbm_hz
    return None if _spoilt(stay, before, latest, noise) else step


def _spoilt(stay: Visit, before: Swept, latest: Swept, noise: float | None) -> bool:
    moved = noise is not None and latest.role in DEVICE_ROLES and jump_db(before.sweep, latest.sweep, noise) > 0.0
    return moved or bool(sweep_fault(latest.sweep) or above_display(latest.sweep) or not_swept(stay, noise))
