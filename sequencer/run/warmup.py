"""Whether the bench has settled: two thrus five minutes apart must agree; pure.

Asked for by the recipe, and done of itself where the person says that the bench has been on for less than half an
hour, or where the first two thrus, seconds apart, already differ.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sequencer.core.history import Adjusted, Answered, Dropped, Entry, Role, Swept, Waited
from sequencer.errors import NotchbookError
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.plan import PlannedSweep
from sequencer.run.steps import Drop, Step, SweepStep, Wait, Warn
from sequencer.run.tracking import NOBODY
from sequencer.run.visits import Visit
from sequencer.run.windows import OVERVIEW
from sequencer.units import TIME, parse

__all__ = ["again_step", "wait_left_s", "warm_up_step"]

APART_S = 300.0  # two thrus five minutes apart
WARM_S = 1800.0  # half an hour [common practice, trade notes 1.10]
MOST_WAITS = 12  # an hour
SECONDS_DB = 0.05  # what two sweeps seconds apart may differ on an old display; common practice, no source
STEADY_DB = 0.02  # as near as a joint that was not touched repeats; common practice, no source


def warm_up_step(
    recipe: Recipe, bench: Bench, stay: Visit, thru: PlannedSweep, history: Sequence[Entry]
) -> Step | None:
    """Return what is still to do before a thru may count, None where the bench has settled.

    ``thru`` is the planned overview of the opening thru, ``stay`` the stay at it.
    """
    warm = _warm(stay.swept)
    took = SweepStep(hookup=stay.hookup.name, key=thru.key, role=Role.WARM, settings=thru.settings, why=_FIRST)
    if not warm:
        return took
    counted = stay.first(OVERVIEW, Role.THRU)
    if counted is not None:
        moved_db = _apart_db(warm[-1], counted)
        if moved_db <= SECONDS_DB or _left(stay, history) == 0:
            return None
        why = f"two thrus seconds apart differ by {moved_db:.2f} dB: the bench has not settled"
        return Drop(hookup=stay.hookup.name, key=OVERVIEW, role=Role.THRU, why=why)
    apart_s = recipe.warm_up_s or APART_S
    if not _wanted(recipe, history) and not any(d.role is Role.THRU for d in stay.dropped):
        return None
    waited = _waits(stay, history)
    since = _since(stay, history)
    last = max((n for n, e in enumerate(since) if isinstance(e, Waited)), default=-1)
    if not _warm(since[last + 1 :]):
        why = f"does it read as it did {apart_s / 60.0:.3g} min ago?"
        return SweepStep(hookup=took.hookup, key=took.key, role=took.role, settings=took.settings, why=why)
    moved_db = _apart_db(*_around(since, last)) if waited else 0.0
    if waited and moved_db <= _allowed_db(bench, apart_s):
        return None
    if waited >= MOST_WAITS:
        text = f"the thru still moves by {moved_db:.2f} dB in {apart_s / 60.0:.3g} min"
        text += f" after {waited * apart_s / 60.0:.3g} min; the run goes on, and the intervals carry the drift"
        return None if any(e.why == text for e in history) else Warn(why=text)
    why = "the bench warms up; two thrus this far apart must agree"
    if waited:
        why += f" within {_allowed_db(bench, apart_s):.2f} dB, the last two differ by "
        why += f"{moved_db:.2f} dB"
    return Wait(seconds=apart_s, why=why)


def wait_left_s(recipe: Recipe, stay: Visit | None, history: Sequence[Entry]) -> float:
    """Return the wait that is still foreseen: one, before the opening thru counts, where the bench warms up.

    ``stay`` is the one at the opening thru, None before it. Whether more are needed only the next thru shows.
    """
    over = stay is not None and (stay.first(OVERVIEW, Role.THRU) is not None or _waits(stay, history) > 0)
    return 0.0 if over or not _wanted(recipe, history) else recipe.warm_up_s or APART_S


def _wanted(recipe: Recipe, history: Sequence[Entry]) -> bool:
    return recipe.warm_up_s > 0.0 or _said_cold(history)


def again_step(stay: Visit, thru: PlannedSweep, history: Sequence[Entry]) -> Step | None:
    """Return the sweep that the counted thru is held against, where the generator was adjusted since the last one.

    An adjusted generator gives another level: held against a sweep from before, a bench that stands still moved.
    """
    since = _since(stay, history)
    turned = max((n for n, e in enumerate(since) if isinstance(e, Adjusted) and e.by != NOBODY), default=-1)
    if turned < 0 or _warm(since[turned:]):
        return None
    return SweepStep(hookup=stay.hookup.name, key=thru.key, role=Role.WARM, settings=thru.settings, why=_AGAIN)


_FIRST = "proves the hookup, and shows with the next one whether the bench has settled"
_AGAIN = "once more, now that the generator is adjusted; shows with the next one whether the bench has settled"


def _around(since: Sequence[Entry], waited: int) -> tuple[Swept, Swept]:
    """Return the last thru before a wait and the first one after it."""
    return _warm(since[:waited])[-1], _warm(since[waited:])[0]


def _warm(entries: Sequence[Entry]) -> list[Swept]:
    return [e for e in entries if isinstance(e, Swept) and e.role is Role.WARM]


def _since(stay: Visit, history: Sequence[Entry]) -> Sequence[Entry]:
    """Return the entries since the first warm-up sweep that counts."""
    first = next((s for s in stay.swept if s.role is Role.WARM), None)
    return [] if first is None else history[next(n for n, e in enumerate(history) if e is first) :]


def _waits(stay: Visit, history: Sequence[Entry]) -> int:
    return sum(isinstance(e, Waited) for e in _since(stay, history))


def _left(stay: Visit, history: Sequence[Entry]) -> int:
    """Return how many more waits there may be; a bench that differs again and again is for the closing thru."""
    dropped = sum(isinstance(e, Dropped) for e in _since(stay, history))
    return 0 if dropped else MOST_WAITS - _waits(stay, history)


def _apart_db(first: Swept, second: Swept) -> float:
    """Return how far two thrus differ, as the median over their points."""
    a, b = first.sweep.trace.level_dbm, second.sweep.trace.level_dbm
    return float(abs(np.nanmedian(b - a))) if a.shape == b.shape else 0.0


def _allowed_db(bench: Bench, apart_s: float) -> float:
    figure = bench.specifications.drift_db_per_h
    return max(STEADY_DB, 0.0 if figure is None else figure.worst * apart_s / 3600.0)


def _said_cold(history: Sequence[Entry]) -> bool:
    """Return whether the person said that the bench has been on for less than half an hour."""
    answer = next((e.answer for e in reversed(history) if isinstance(e, Answered) and e.question == "soak"), "")
    try:
        return parse(answer, TIME) < WARM_S
    except NotchbookError:
        return False
