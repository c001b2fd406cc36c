"""What of an earlier session still counts when a run goes on; pure.

Before anything taken earlier is used, the first reference (the thru; with a bridge alone, the open) is swept once
more. If it reads as it did, what was taken stays and only the hookup in progress is taken again. If the bench was
switched off, is another one, or reads otherwise, nothing stays: the run begins with its first reference. Then the
device itself is looked at (`same_device`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sequencer.core.capability import Capabilities
from sequencer.core.history import Adjusted, Entry, Identified, Resumed, Role, Swept, Voided
from sequencer.core.hookup import HookupKind
from sequencer.core.normalise import differing
from sequencer.recipe.connectors import assumed_mating_db
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.backwards import went_back_text
from sequencer.run.fittings import ANALYZER_LEAD, GENERATOR_LEAD, lead_family
from sequencer.run.plan import Plan, expected_thru_dbm, reflect_level_dbm
from sequencer.run.proof import hookup_fault, sweep_fault
from sequencer.run.same_device import check_of, device_step
from sequencer.run.steps import Adjust, Connect, Step, Stop, SweepStep, Void
from sequencer.run.visits import BACK_S, Visit, visits, without_sweeps

__all__ = ["MOST_TRIES", "allowed_db", "check_step", "moved", "since_session"]

MOST_TRIES = 3  # hookups refused this often in a row: something is wrong that trying again does not mend
DRIFT_DB = 0.1  # what a run lets pass between its opening and its closing thru without a word
ASSUMED_SIGMAS = 2.0  # of one mating, where what it repeats within is assumed

_REFERENCES = frozenset({Role.THRU, Role.OPEN})  # what the first hookup of a run is there for

_WHY = "nothing taken before counts until the reference shows that the bench is as it was"


def since_session(history: Sequence[Entry]) -> Sequence[Entry]:
    """Return the entries since the session began: after the last Resumed or Voided entry, else all."""
    for number in range(len(history) - 1, -1, -1):
        if isinstance(history[number], Resumed | Voided):
            return history[number + 1 :]
    return history


def allowed_db(bench: Bench) -> float:
    """Return how far the reference may have moved: drift as small as goes unsaid, and the joint made twice."""
    return DRIFT_DB + _matings_db(bench)


def _matings_db(bench: Bench) -> float:
    """What one joint made twice may differ by."""
    figure = bench.specifications.connection_db
    if figure is not None:
        return 2.0 * figure.worst
    families = (lead_family(lead, bench) for lead in (GENERATOR_LEAD, ANALYZER_LEAD))
    return 2.0 * ASSUMED_SIGMAS * max(assumed_mating_db(connector) for connector in families)


def check_step(recipe: Recipe, bench: Bench, caps: Capabilities, plan: Plan, history: Sequence[Entry]) -> Step | None:
    """Return what must be done in a resumed run before what an earlier session swept may be used, or None."""
    if not any(isinstance(e, Resumed) for e in without_sweeps(history)):
        return None
    number = next((n for n in range(len(history) - 1, -1, -1) if isinstance(history[n], Resumed | Voided)), None)
    if number is None or isinstance(history[number], Voided):
        return None
    stays = visits(history[: number + 1])
    if not any(stay.swept for stay in stays):
        return None
    after = history[number + 1 :]
    back_s = (history[number - 1].at - history[number].at).total_seconds() if number else 0.0
    other = went_back_text(back_s) if back_s > BACK_S else _other_bench(history[:number], after)
    if other:
        return Void(why=f"{other}: what was taken before cannot be set against what is taken now")
    first = plan.stations[0]
    check = check_of(after, first.hookup.name)
    if check is None or check.waiting:
        return Connect(hookup=first.hookup, why=_WHY, check=True)
    bridge = first.hookup.kind is HookupKind.REFLECT
    expected = reflect_level_dbm(bench, caps) if bridge else expected_thru_dbm(bench, caps)
    fault = _fault(check, expected, recipe)
    if fault:
        if check.refused + 1 >= MOST_TRIES:
            return Stop(why=f"{first.hookup.name}: {fault} (refused {check.refused + 1} times)")
        return Connect(hookup=first.hookup, why="once more", refused=fault, check=True)
    adjusted = not caps.adjusts_tracking or bridge or any(isinstance(e, Adjusted) for e in after)
    for planned in first.sweeps:
        lit = planned.settings.generator_dbm is not None and stays[0].first(planned.key, planned.role) is not None
        if not lit or check.first(planned.key, Role.CHECK) is not None:
            continue
        if check.swept and not adjusted:  # the overview, too wide to notice, has set the generator's level
            narrow = min(first.sweeps, key=lambda sweep: sweep.settings.rbw_hz)
            if check.first(narrow.key, Role.TRACKING) is None:
                why = "the level before the generator is adjusted"
                return SweepStep(
                    hookup=first.hookup.name, key=narrow.key, role=Role.TRACKING, settings=narrow.settings, why=why
                )
            why = "the session began with a reset; the check shows what it moved"
            return Adjust(rbw_hz=narrow.settings.rbw_hz, why=why)
        return SweepStep(
            hookup=first.hookup.name, key=planned.key, role=Role.CHECK, settings=planned.settings, why=_WHY
        )
    text = moved(stays[0].swept, [s for s in check.swept if s.role is Role.CHECK], allowed_db(bench))
    if text:
        return Void(why=text)
    return device_step(recipe, stays, history, allowed_db(bench) + _matings_db(bench))


def moved(before: Sequence[Swept], now: Sequence[Swept], allowed: float) -> str:
    """Return how the reference differs from what it was, in words, or '' where it does not by more than allowed."""
    for swept in now:
        old = next(s for s in before if s.key == swept.key and s.role in _REFERENCES)
        other = differing(old.sweep.used, swept.sweep.used)
        if other:
            return f"{swept.key}: the analyzer no longer takes the same settings ({', '.join(other)})"
        worst = float(np.max(np.abs(swept.sweep.trace.level_dbm - old.sweep.trace.level_dbm)))
        if not worst <= allowed:
            return (
                f"the reference moved by {worst:.2f} dB at {swept.key} while the run stood still, "
                f"{allowed:.2f} dB are allowed"
            )
    return ""


def _other_bench(before: Sequence[Entry], after: Sequence[Entry]) -> str:
    """Return why this is not the session's bench of before, in words, or ''."""
    old = next((e for e in reversed(before) if isinstance(e, Identified)), None)
    new = next((e for e in reversed(after) if isinstance(e, Identified)), None)
    if old is None or new is None:
        return ""
    if new.switched_on:
        return "the analyzer was switched off meanwhile"
    for role in sorted(old.identification.keys() & new.identification.keys()):  # earlier versions named no switch
        if old.identification[role] != new.identification[role]:
            return f"another {role}, or another version of its program, answers now"
    if old.capabilities != new.capabilities:
        return "the analyzer states other limits than before"
    return ""


def _fault(check: Visit, expected_dbm: float, recipe: Recipe) -> str:
    """Return what speaks against the check's hookup or its latest sweep."""
    if not check.swept:
        return ""
    first, latest = check.swept[0].sweep, check.swept[-1].sweep
    return sweep_fault(latest) or hookup_fault(
        check.hookup, first, expected_dbm=expected_dbm, thru=None, last=None, recipe=recipe
    )
