"""No sweep under another hookup's name, and no stay without an end: a last guard over what was decided; pure.

Every loop of the policy ends by itself: a refusal, a wait, a retake has its own count. What the guard holds is the case
nobody thought of, a journal that was changed for one: without it the run would sweep until the disk is full.
"""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.core.history import Connected, Entry, Swept
from sequencer.run.planned import Plan
from sequencer.run.retake import MOST_HALVINGS
from sequencer.run.steadiness import flexed
from sequencer.run.steps import Stop, SweepStep
from sequencer.run.tracking import MOST_READINGS
from sequencer.run.warmup import MOST_WAITS

__all__ = ["guarded", "most_sweeps"]


def guarded(step: SweepStep, plan: Plan, history: Sequence[Entry]) -> SweepStep | Stop:
    """Return the step, or why it is not to be done."""
    taken = 0
    for entry in reversed(history):
        if isinstance(entry, Connected):
            if entry.hookup.name == step.hookup:
                break
            why = (
                f"a sweep of {step.hookup} is asked for, and {entry.hookup.name} is connected: the journal and the plan"
            )
            return Stop(why=f"{why} do not belong together; look at the journal, or begin a new run")
        taken += isinstance(entry, Swept)
    most = most_sweeps(plan, step.hookup)
    if taken < most:
        return step
    why = f"{step.hookup}: this hookup was swept {taken} times and is still asked for; no plan needs more than {most}"
    return Stop(why=f"{why}. Go on with 'notchbook resume': it connects the hookup anew")


def most_sweeps(plan: Plan, hookup: str) -> int:
    """Return how many sweeps one stay may take: each one flexed, and again as often as any rule has it taken again.

    That is at the first try, with the reference level of the thru and at each halving of its speed; the thru besides
    may be looked at after every wait and after every turn of the tracking adjustment.
    """
    planned = [s.sweeps for s in plan.stations if s.hookup.name == hookup]
    most = max((sum(sweep.repeats for sweep in flexed(sweeps)) for sweeps in planned), default=1)
    return most * (2 + MOST_HALVINGS) + 2 * (MOST_WAITS + 1) + MOST_READINGS
