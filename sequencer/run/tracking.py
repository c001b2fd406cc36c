"""Bringing the generator onto the centre of the narrowest filter, by command or by hand; pure.

A generator beside the centre loses 3 dB times (2 offset / RBW) squared (trade notes 1.9). Constant loss cancels
against the thru, but an offset near the filter's edge turns every wander into an error.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sequencer.core.capability import Capabilities
from sequencer.core.history import Adjusted, Answered, Entry, Role, Swept, Waited
from sequencer.ports import Question
from sequencer.recipe.model import Bench
from sequencer.run.plan import PlannedSweep
from sequencer.run.resume import since_session
from sequencer.run.steps import Adjust, Ask, Step, SweepStep, Warn
from sequencer.run.visits import Visit

__all__ = ["BY_COMMAND", "NOBODY", "tracking_step"]

BY_COMMAND, BY_HAND, NOBODY = "command", "operator", "nobody"
QUESTION = "tracking"
ASSUMED_SWITCHING_DB = 0.5  # of RBW, where the bench file is silent
SMALL_DB = 0.2  # a loss of 0.2 dB is an eighth of the filter off its centre: a few Hz more cost 0.01 dB (derived)
FAR_DB = 6.0  # beyond it an instrument may find no signal to adjust to in the narrowest filter
NEARER = 10.0  # from filter to filter: an adjustment is good to a few hundredths of its filter
NEAR_BEST_DB = 0.1
MOST_READINGS = 30


def tracking_step(
    planned: PlannedSweep, bench: Bench, caps: Capabilities, stay: Visit, history: Sequence[Entry], *, simulated: bool
) -> Step | None:
    """Return what is still to do before a thru may count; ``planned`` is a narrow sweep in the narrowest filter."""
    session = _settled(since_session(history))
    readings = [s for s in stay.swept if s.role is Role.TRACKING and any(s is e for e in session)]
    at = next((n for n in range(len(session) - 1, -1, -1) if isinstance(session[n], Adjusted)), None)
    rbw_hz = planned.settings.rbw_hz
    if at is None and not readings:
        return _reading(stay, planned, "the level before the generator is adjusted")
    if at is not None:
        return _after(planned, stay, readings, session, at)
    if caps.adjusts_tracking and _lost_db(stay, readings[-1]) > FAR_DB:
        why = "the narrowest filter hardly sees the generator: it is brought near in wider ones first"
        return Adjust(rbw_hz=_wide_hz(stay, rbw_hz) / NEARER, why=why)
    if caps.adjusts_tracking:
        return Adjust(rbw_hz=rbw_hz, why="the generator must sit on the centre of the narrowest filter in use")
    lost_db = _lost_db(stay, readings[-1])
    figure = bench.specifications.rbw_switching_db
    small_db = SMALL_DB + (ASSUMED_SWITCHING_DB if figure is None else figure.worst)
    if lost_db <= small_db and len(readings) == 1:
        why = f"the narrowest filter reads the thru no more than {small_db:.2f} dB below a wide one: nothing to turn"
        return Adjust(rbw_hz=rbw_hz, why=why, by=NOBODY)
    return _by_hand(planned, stay, readings, session, lost_db, simulated=simulated)


def _by_hand(
    planned: PlannedSweep,
    stay: Visit,
    readings: Sequence[Swept],
    session: Sequence[Entry],
    lost_db: float,
    *,
    simulated: bool,
) -> Step:
    name = f"{QUESTION} {len(readings)}"
    now, best = _level_dbm(readings[-1]), max(_level_dbm(s) for s in readings)
    answer = next((e.answer for e in session if isinstance(e, Answered) and e.question == name), None)
    rbw_hz = planned.settings.rbw_hz
    if answer == "leave" or len(readings) >= MOST_READINGS:
        text = f"the tracking was left as it is: the narrowest filter reads {lost_db:.1f} dB low, and a wander shows"
        if not any(e.why == text for e in session):
            return Warn(why=text)
        return Adjust(rbw_hz=rbw_hz, why="it could not be turned", by=NOBODY)
    if answer == "done" and now >= best - NEAR_BEST_DB:
        return Adjust(rbw_hz=rbw_hz, why=f"turned by hand until the level was highest, {now:.2f} dBm", by=BY_HAND)
    if answer is not None:
        return _reading(stay, planned, "the level after turning")
    text = (
        f"Turn the generator's tracking adjustment until the level is highest. Now it is {now:.2f} dBm, the highest so "
        f"far {best:.2f} dBm. 'again' reads it once more; 'done' when it is highest; 'leave' if nothing can be turned."
    )
    choices = ("again", "done", "leave")
    question = Question(key=name, text=text, safe_answer="leave" if simulated else None, choices=choices)
    return Ask(question=question, why=f"the narrowest filter reads {lost_db:.1f} dB less than a wide one")


def _after(
    planned: PlannedSweep, stay: Visit, readings: Sequence[Swept], session: Sequence[Entry], at: int
) -> Step | None:
    """Read once more after an adjustment by command, and say where it made the level less."""
    adjusted = session[at]
    if not isinstance(adjusted, Adjusted) or adjusted.by != BY_COMMAND:
        return None
    rbw_hz = planned.settings.rbw_hz
    if adjusted.rbw_hz > rbw_hz and readings:
        return Adjust(rbw_hz=max(rbw_hz, adjusted.rbw_hz / NEARER), why="and on, in narrower filters")
    if not readings:  # adjusted elsewhere, in a check
        return None
    if not any(readings[-1] is e for e in session[at:]):
        return _reading(stay, planned, "the level after the adjustment")
    if len(readings) < 2:
        return None
    fell_db = _level_dbm(readings[-2]) - _level_dbm(readings[-1])
    text = f"the level fell by {fell_db:.1f} dB when the tracking was adjusted by command; look at the generator"
    return Warn(why=text) if fell_db > SMALL_DB and not any(e.why == text for e in session) else None


def _settled(session: Sequence[Entry]) -> Sequence[Entry]:
    """Return what came after the last wait: an adjustment belongs after the warm-up."""
    last = next((n for n in range(len(session) - 1, -1, -1) if isinstance(session[n], Waited)), -1)
    return session[last + 1 :]


def _reading(stay: Visit, planned: PlannedSweep, why: str) -> SweepStep:
    return SweepStep(hookup=stay.hookup.name, key=planned.key, role=Role.TRACKING, settings=planned.settings, why=why)


def _level_dbm(swept: Swept) -> float:
    return float(np.nanmedian(swept.sweep.trace.level_dbm))


def _wide_hz(stay: Visit, rbw_hz: float) -> float:
    """Return the filter that proved the thru."""
    wide = next((s for s in stay.swept if s.role is Role.WARM), None)
    return rbw_hz * NEARER if wide is None else max(wide.sweep.used.rbw_hz, rbw_hz * NEARER)


def _lost_db(stay: Visit, reading: Swept) -> float:
    """Return how much less the narrow filter reads than the overview at the same frequency."""
    wide = next((s for s in stay.swept if s.role is Role.WARM), None)
    if wide is None:
        return 0.0
    middle = float(np.median(reading.sweep.trace.freq_hz))
    return float(np.interp(middle, wide.sweep.trace.freq_hz, wide.sweep.trace.level_dbm)) - _level_dbm(reading)
