"""What a journal whose times go back is good for: how long anything took is not known, nor then the drift; pure."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.core.history import Entry, Resumed, Voided
from sequencer.run.steps import Stop, Void
from sequencer.run.visits import went_back_s

__all__ = ["clock_step", "went_back_text"]

_CLOCK = "the clock of this computer went back by "


def went_back_text(seconds: float) -> str:
    """Return the fact in words."""
    return f"{_CLOCK}{seconds:.0f} s; how long the bench stood is not known, and drift cannot be excluded"


def clock_step(history: Sequence[Entry]) -> Void | Stop | None:
    """Begin afresh once where the times of a session go back, then stop: a clock that goes wrong goes on to."""
    back_s = went_back_s(history)
    if not back_s:
        return None
    why = went_back_text(back_s)
    for entry in reversed(history):
        if isinstance(entry, Voided) and entry.why.startswith(_CLOCK):
            return Stop(why=f"{why}. It did so before: set the clock right, and go on with 'notchbook resume'")
        if isinstance(entry, Resumed) and not entry.itself:
            break
    return Void(why=why)
