"""What a switch matrix may be trusted with: its isolation is measured in the run and set against each limit; pure.

A leak past open contacts adds to what comes through the device with unknown phase, and other contacts are open in
the floor than in a path: it cannot be corrected. 20 dB more isolation than the limit leave less than 1 dB of it
(trade notes 1.11, 12.6). What the matrix cannot do is done by hand, or not stated.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sequencer.core.capability import Capabilities
from sequencer.core.history import Answered, Entry, Role, Warned
from sequencer.core.hookup import BY_HAND, HookupKind
from sequencer.core.normalise import NEAR_BOTTOM_DB, mw
from sequencer.core.trace import Sweep
from sequencer.core.transmission import greatest_leak
from sequencer.ports import Question
from sequencer.recipe.model import Bench, Recipe, Requirement
from sequencer.run.floor import leak_near
from sequencer.run.order import least_touches
from sequencer.run.plan import Plan, Station, make_plan
from sequencer.run.saved import saved_in, saved_plan
from sequencer.run.steps import Ask, Warn
from sequencer.run.sweeps import Sweeps
from sequencer.run.visits import Visit, as_begun, foretold, known, sweeps_of, visits
from sequencer.units import show_db, show_hz

__all__ = [
    "ENOUGH_DB",
    "MATRIX",
    "Shortfall",
    "ask_for_hands",
    "assumed_short",
    "isolation_db",
    "plan_for",
    "shortfall",
    "uncommanded",
    "with_hands",
]

ENOUGH_DB = 20.0
MATRIX = "matrix isolation"  # the question's key
HANDS, LEAVE_OUT = "by hand", "leave out"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortfall:
    """A requirement that the matrix isolates too little for; ``isolation_db`` None: not measured."""

    requirement: Requirement
    isolation_db: float | None
    needed_db: float

    @property
    def text(self) -> str:
        """The fact in words."""
        shown = "was not measured" if self.isolation_db is None else f"is {show_db(self.isolation_db, 1)}"
        return (
            f"the isolation of the switch matrix {shown} at {show_hz(self.requirement.at_hz)}; {self.requirement.id} "
            f"needs {show_db(self.needed_db, 1)}, {ENOUGH_DB:g} dB more than its limit"
        )


def plan_for(recipe: Recipe, bench: Bench, caps: Capabilities, history: Sequence[Entry]) -> Plan:
    """Return the plan as it stands: what the matrix has no command for, or too little isolation, is made by hand, last.

    For the isolation, where the operator agreed to it.
    """
    saved = saved_in(history)
    if saved:
        return saved_plan(saved)
    plan, stays = make_plan(recipe, bench, caps, known(history)), visits(history)
    if bench.switch is not None:
        by_hand = set(uncommanded(plan, bench))
        if _answer(history) == HANDS and _floor_is_whole(plan, stays):
            by_hand |= {short.requirement.hookup_name for short in _shortfalls(recipe, sweeps_of(history))}
        plan = _handed(plan, frozenset(by_hand), bench)
    return as_begun(plan, stays)


def uncommanded(plan: Plan, bench: Bench) -> tuple[str, ...]:
    """Name the paths of a plan that the matrix has no command for: hands make them, past it."""
    if bench.switch is None:
        return ()
    paths = [s.hookup.name for s in plan.stations if s.hookup.kind is HookupKind.PATH]
    return tuple(name for name in dict.fromkeys(paths) if name not in bench.switch.hookups)


def _handed(plan: Plan, names: frozenset[str], bench: Bench) -> Plan:
    if not names:
        return plan
    for known_plan, known_names, known_bench, made in _HANDED:
        if plan is known_plan and names == known_names and bench is known_bench:
            return made
    made = with_hands(plan, names, bench)
    _HANDED.append((plan, names, bench, made))
    return made


_HANDED: deque[tuple[Plan, frozenset[str], Bench, Plan]] = deque(maxlen=4)  # a run asks at every step


def ask_for_hands(
    recipe: Recipe, bench: Bench, caps: Capabilities, plan: Plan, stays: Sequence[Visit], history: Sequence[Entry]
) -> Ask | Warn | None:
    """Return what the matrix cannot make, then the question that a leak raises once its floor is measured, and so on.

    After the answer, what is left out.
    """
    answer, lacking = _answer(history), uncommanded(make_plan(recipe, bench, caps, known(history)), bench)
    if lacking:
        text = (
            f"the switch has no command for {', '.join(lacking)}: made by hand, past the matrix, after all that the "
            "matrix makes, with a thru and a floor of their own"
        )
        if not any(isinstance(e, Warned) and e.why == text for e in history):
            return Warn(why=text)
    if bench.switch is None or answer == HANDS or foretold(history) or not _floor_is_whole(plan, stays):
        return None
    short = tuple(s for s in _shortfalls(recipe, sweeps_of(history)) if s.requirement.hookup_name not in lacking)
    if not short:
        return None
    if answer:
        said = {e.why for e in history if isinstance(e, Warned)}
        return next(
            (Warn(why=f"{s.text}; it is left out") for s in short if f"{s.text}; it is left out" not in said), None
        )
    names = ", ".join(dict.fromkeys(each.requirement.hookup_name for each in short))
    worst = max(short, key=lambda each: each.needed_db - (each.isolation_db or 0.0))
    text = (
        f"{worst.text}. Make these hookups by hand, past the matrix: {names} (with a thru and a floor of their own)? "
        f"'{LEAVE_OUT}' measures the rest and states nothing that the leak could have made."
    )
    question = Question(key=MATRIX, text=text, safe_answer=LEAVE_OUT, choices=(HANDS, LEAVE_OUT))
    return Ask(question=question, why="a leak past open relays would be taken for the device")


def shortfall(requirement: Requirement, bench: Bench, sweeps: Sweeps) -> Shortfall | None:
    """Return what forbids stating a requirement from what the matrix connected, or None."""
    past_it = bench.switch is None or sweeps.foretold or requirement.hookup_name in sweeps.by_hand
    return None if past_it else _short(requirement, sweeps)


def _short(requirement: Requirement, sweeps: Sweeps) -> Shortfall | None:
    needed = _needed_db(requirement)
    if needed is None:
        return None
    found = isolation_db(requirement, sweeps)
    if found is not None and found >= needed:
        return None
    return Shortfall(requirement=requirement, isolation_db=found, needed_db=needed)


def assumed_short(requirement: Requirement, bench: Bench, assumed_db: float) -> str:
    """Return in words that an isolation assumed of the matrix does not do for a requirement; '' where it does."""
    needed_db = None if bench.switch is None else _needed_db(requirement)
    if needed_db is None or needed_db <= assumed_db:
        return ""
    return (
        f"the switch matrix is assumed to isolate by {show_db(assumed_db, 1)}, and {show_db(needed_db, 1)} are needed, "
        f"{ENOUGH_DB:g} dB more than the limit: the run measures it, and where it is less, make this hookup by "
        "hand, past the matrix"
    )


def isolation_db(requirement: Requirement, sweeps: Sweeps) -> float | None:
    """Return how far below the thru the leak stands with both leads in loads, dB; its 95 % bound where none is seen.

    Where the display ended, the leak may reach its bottom. None where thru or floor were not swept there.
    """
    at = requirement.at_hz
    key = next(iter(sweeps.covering("thru", Role.THRU, at, at, requirement.at)), None)
    thru = None if key is None else sweeps.opening(key)
    if thru is None:
        return None
    thru_dbm = 10.0 * math.log10(float(np.nanmedian(thru.power_mw)))
    leak = leak_near(sweeps, at, thru_dbm)
    if leak is None:
        return None
    power = greatest_leak(*leak) ** 2 + _hidden(sweeps, thru_dbm)
    return -10.0 * math.log10(max(power, 1e-30)) if math.isfinite(power) else None


def _hidden(sweeps: Sweeps, thru_dbm: float) -> float:
    """Return how much leak the display may have hidden, over the thru: it cut off noise that is then subtracted."""
    worst = 0.0
    for key in sweeps.keys("floor", Role.NOISE):
        noise = sweeps.latest("floor", key, Role.NOISE)
        if noise is None or not np.any(noise.cut_off):
            continue
        bottom_dbm = noise.used.display_bottom_dbm
        bottom_mw = np.inf if bottom_dbm is None else float(mw(bottom_dbm + NEAR_BOTTOM_DB))
        hidden_mw = np.where(noise.cut_off, np.minimum(noise.power_mw, bottom_mw), 0.0)
        worst = max(worst, float(np.nanmean(hidden_mw)))
    return worst / float(mw(thru_dbm))


def with_hands(plan: Plan, names: Collection[str], bench: Bench) -> Plan:
    """Return the plan with these paths at its end, made by hand between thrus by hand, after a floor by hand."""
    if not names:
        return plan
    paths = [replace(s, hookup=replace(s.hookup, by_hand=True)) for s in plan.stations if s.hookup.name in names]
    thrus = [s for s in plan.stations if s.hookup.name == "thru"]
    floor = next(s for s in plan.stations if s.hookup.kind is HookupKind.FLOOR)
    keys = {sweep.key for station in paths for sweep in station.sweeps}
    without = {*names, *(f"thru {name}" for name in names)}
    rest = tuple(s for s in plan.stations if s.hookup.name not in without)
    ends = [_by_hand(thru, keys, {Role.THRU}) for thru in (thrus[0], thrus[-1])]
    stages = ([ends[0]], [_by_hand(floor, None, set(Role))], paths, [ends[1]])
    order = least_touches([[station.hookup for station in stage] for stage in stages], bench)
    middle = {station.hookup.name: station for station in (*stages[1], *paths)}
    last = [ends[0], *(middle[hookup.name] for hookup in order.hookups[1:-1]), ends[1]]
    last = [replace(station, hookup=hookup) for station, hookup in zip(last, order.hookups, strict=True)]
    return replace(plan, stations=(*rest, *last), touches_over=order.over)


def _by_hand(station: Station, keys: Collection[str] | None, roles: Collection[Role]) -> Station:
    hookup = replace(station.hookup, name=f"{station.hookup.name}{BY_HAND}", by_hand=True)
    sweeps = tuple(s for s in station.sweeps if s.role in roles and (keys is None or s.key in keys))
    return Station(hookup=hookup, sweeps=sweeps, why=f"{station.why}, past the matrix")


# A run asks at every step, and nothing it rests on changes once the floor is whole.
_LATEST: deque[tuple[Recipe, tuple[Sweep, ...], tuple[Shortfall, ...]]] = deque(maxlen=4)


def _shortfalls(recipe: Recipe, sweeps: Sweeps) -> tuple[Shortfall, ...]:
    rests_on = sweeps.taken("thru", "floor")
    for known_for, rested_on, short in _LATEST:
        if known_for is recipe and rested_on == rests_on:  # a sweep equals itself alone
            return short
    found = (_short(requirement, sweeps) for requirement in recipe.requirements)
    short = tuple(each for each in found if each is not None)
    _LATEST.appendleft((recipe, rests_on, short))
    return short


def _needed_db(requirement: Requirement) -> float | None:
    """Return the isolation that a path's requirement needs; None for a port's."""
    if requirement.path is None:
        return None
    decibels = [requirement.minimum, requirement.maximum] if requirement.quantity.unit == "dB" else []
    limits = [value for value in (*decibels, requirement.level_db) if value is not None]
    return max(limits) + ENOUGH_DB if limits else None


def _answer(history: Sequence[Entry]) -> str:
    answers = [e.answer for e in history if isinstance(e, Answered) and e.question == MATRIX]
    return answers[-1] if answers else ""


def _floor_is_whole(plan: Plan, stays: Sequence[Visit]) -> bool:
    for number, station in enumerate(plan.stations):
        if station.hookup.kind is HookupKind.FLOOR:
            stay = stays[number] if number < len(stays) else None
            same = stay is not None and stay.hookup.name == station.hookup.name and not stay.waiting
            return same and stay is not None and all(stay.count(s) >= s.repeats for s in station.sweeps)
    return False
