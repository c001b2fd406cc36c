"""The attenuator: its spelling, its steps and its highest value; nothing below 10 dB is ever sent or kept."""

from __future__ import annotations

import itertools
import math

from instruments.probing.conversation import Conversation
from instruments.probing.knobs import Knob, put

__all__ = ["LEAST_ATTENUATION_DB", "learn", "learn_range"]

LEAST_ATTENUATION_DB = 10.0
_TRIED_DB = (20.0, 30.0, *(float(db) for db in range(21, 30)))
_MOST_DB = 80
_COARSEST_DB = 10.1


def learn(talk: Conversation) -> Knob | None:
    """Return the spelling under which it moves; whichever way it rounds, and whatever it refuses between its steps."""
    for header in talk.headers("attenuation"):
        knob = Knob(ask=f"{header}?")
        if talk.number(knob.ask) is None:
            continue
        for behind in ("", " DB", "DB"):
            knob.set = f"{header} {{value}}{behind}"
            if len(_taken(talk, knob, _TRIED_DB[:2])) > 1 or len(_taken(talk, knob, (20.0, LEAST_ATTENUATION_DB))) > 1:
                return knob
            if behind == "" and len(_taken(talk, knob, _TRIED_DB)) > 1:
                return knob
    return None


def _taken(talk: Conversation, knob: Knob, asked_db: tuple[float, ...]) -> list[float]:
    """Return the different values that came of those sent, ascending."""
    seen = set()
    for db in asked_db:
        got = put(talk, knob, db)
        if got is not None and not talk.last and abs(got - db) < _COARSEST_DB:
            seen.add(round(got, 3))
    return sorted(seen)


def learn_range(talk: Conversation, knob: Knob) -> None:
    """Find its steps and its ends, the lower one not below 10 dB, and leave it there."""
    seen = _taken(talk, knob, tuple(float(db) for db in range(20, 41)))
    if len(seen) < 2:
        seen = _taken(talk, knob, (LEAST_ATTENUATION_DB, 20.0))
    knob.step = min((round(b - a, 3) for a, b in itertools.pairwise(seen)), default=0.0)
    low, high = seen[0], seen[-1]
    if knob.step:
        low -= math.floor((low - LEAST_ATTENUATION_DB) / knob.step + 1e-9) * knob.step
        while high + knob.step <= _MOST_DB and _taken(talk, knob, (high + knob.step,)) == [high + knob.step]:
            high += knob.step
    knob.limits = (low, high)
    if put(talk, knob, low) != low:
        knob.limits = (seen[0], high)
        put(talk, knob, seen[0])
