"""decide(recipe, bench, history) -> the next step. Pure: same recipe, bench and history, same step.

The history is the journal; nothing else is remembered. From this one function follow the run itself, the
forecast of `check` (decide, fed by a predicting bench) and resuming (decide, on an old journal).
"""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.core.capability import Capabilities
from sequencer.core.history import (
    Answered,
    Began,
    Entry,
    Identified,
    Judged,
    Resumed,
    Role,
    Voided,
    Warned,
)
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Sweep
from sequencer.ports import Question
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.backwards import clock_step
from sequencer.run.beginning import beyond_reach, unmade
from sequencer.run.bound import guarded
from sequencer.run.compression import COMPRESSED, compression_text
from sequencer.run.conditions import condition_question
from sequencer.run.drive import drive_remark, too_strong
from sequencer.run.foreign import foreign_step
from sequencer.run.fresh import not_swept
from sequencer.run.matrix import ask_for_hands, plan_for
from sequencer.run.mistaken import exchanged, mistaken_before, mistaken_for
from sequencer.run.plan import expected_thru_dbm, reflect_level_dbm
from sequencer.run.planned import Plan, PlannedSweep, Station
from sequencer.run.proof import above_display, hookup_fault, repeats, short_level, sweep_fault
from sequencer.run.repeating import repeated_step
from sequencer.run.resume import MOST_TRIES, check_step, since_session
from sequencer.run.retake import adapted, retake_step
from sequencer.run.saved import saved_in, saved_step
from sequencer.run.standards import standard_fault
from sequencer.run.stated import remarks
from sequencer.run.steadiness import flexed, jumpy, located_text, new_jump, unlocated
from sequencer.run.steps import Adjust, Ask, Connect, Done, Judge, Step, Stop, SweepStep, Void, Wait, Warn, unsaid
from sequencer.run.suspect import came_back, contradicted, suspicion, unproven
from sequencer.run.tracking import tracking_step
from sequencer.run.visits import FORECAST, Visit, foretold, known_at, sweeps_of, visits, without_sweeps
from sequencer.run.warmup import again_step, warm_up_step
from sequencer.run.windows import OVERVIEW
from sequencer.run.witness import witness_step

__all__ = ["LOCKED_OUT", "capabilities", "decide"]

LOCKED_OUT = "transmitter"
DRIFT_TO_SAY_DB = 0.1

_LOCK_OUT_CAUTIONS = (
    "Never key a transmitter while analyzer, generator, bridge or pads are connected: it destroys them "
    "and can burn you.",
    "Disconnect the transmitter, lock it out and tag it. Local codes and your licence prevail.",
)


def capabilities(history: Sequence[Entry]) -> Capabilities | None:
    """Return what the analyzer said it can do, the last time it was asked."""
    return next((e.capabilities for e in reversed(history) if isinstance(e, Identified)), None)


def decide(recipe: Recipe, bench: Bench, history: Sequence[Entry]) -> Step:
    """Return the next step of the run.

    ``history`` begins with Began and Identified (the engine writes both before it asks).
    """
    again = repeated_step(history)
    if again is not None:
        return again
    spoken = without_sweeps(history)
    began = next((e for e in spoken if isinstance(e, Began)), None)
    caps = capabilities(spoken)
    if began is None or caps is None:
        return Stop(why="the journal does not begin with a bench that answered")
    if not caps.generator_fitted:
        return Stop(why="this analyzer has no tracking generator, or its generator does not answer")
    saved = saved_in(spoken)
    if not saved and began.run_id != FORECAST:  # `check` asks for itself: it may know the analyzer's range or not
        cannot = beyond_reach(recipe, bench, caps) or unmade(recipe, bench, caps)
        if cannot:
            return Stop(why=cannot, for_good=True)
    if not saved and (strong := too_strong(bench, caps)):
        return Stop(why=strong)
    question = _question(spoken, simulated=began.simulated, at_a_bench=not saved)
    if question is not None:
        return question
    day = began.at.date() if began.run_id != FORECAST else None
    said = (*remarks(bench, day), *([] if saved else [drive_remark(bench, caps)]))
    remark = next(filter(None, (unsaid(text, spoken) for text in said)), None)
    if remark is not None:
        return remark
    step: Step | None = saved_step(recipe, bench, caps, saved, history) if saved else None
    step = step or (None if saved else _live_step(recipe, bench, caps, history, spoken))
    step = step or witness_step(recipe, spoken, simulated=began.simulated)
    if step is not None:
        return step
    judged = {e.result_id for e in since_session(history) if isinstance(e, Judged)}
    for requirement in recipe.requirements:
        if requirement.id not in judged:
            return Judge(requirement=requirement.id, why="every sweep it rests on is stored")
    return Done(why="every planned sweep is stored and every requirement is stated")


def _live_step(
    recipe: Recipe, bench: Bench, caps: Capabilities, history: Sequence[Entry], spoken: Sequence[Entry]
) -> Step | None:
    """Return what is still to do at the bench, None when everything was swept."""
    back = clock_step(history)
    if back is not None:
        return back
    plan = plan_for(recipe, bench, caps, history)
    gap = _unsaid_gap(plan, spoken)
    if gap is not None:
        return gap
    stays = visits(history)
    hands = None if bench.switch is None else ask_for_hands(recipe, bench, caps, plan, stays, history)
    if hands is not None:
        return hands
    step = _otherwise(plan, stays, spoken) or _at_stations(recipe, bench, caps, plan, stays, history)
    if isinstance(step, Connect | Adjust | SweepStep | Wait):  # a resumed run looks at its reference first
        step = check_step(recipe, bench, caps, plan, history) or step
    return guarded(step, plan, history) if isinstance(step, SweepStep) else step


def _question(history: Sequence[Entry], *, simulated: bool, at_a_bench: bool) -> Ask | None:
    if at_a_bench and not _locked_out(history):
        text = "Is the transmitter disconnected from the device, locked out and tagged?"
        safe = "locked out" if simulated else None
        question = Question(
            key=LOCKED_OUT, text=text, cautions=_LOCK_OUT_CAUTIONS, safe_answer=safe, choices=("locked out",)
        )
        return Ask(question=question, why="a transmitter keyed into the bench destroys it and can hurt people")
    asked = condition_question(history)
    return None if asked is None else Ask(question=asked, why="conditions belong in the report")


def _locked_out(history: Sequence[Entry]) -> bool:
    """Return whether it was confirmed since a person last came to this bench: a run may be resumed days later."""
    for entry in reversed(history):
        if isinstance(entry, Answered) and entry.question == LOCKED_OUT:
            return True
        if isinstance(entry, Resumed) and not entry.itself:
            return False
    return False


def _voided_for(why: str, history: Sequence[Entry]) -> bool:
    """Return whether all was begun afresh for a reason that begins so since a person last came to the bench."""
    for entry in reversed(history):
        if isinstance(entry, Voided) and entry.why.startswith(why):
            return True
        if isinstance(entry, Resumed) and not entry.itself:
            return False
    return False


def _unsaid_gap(plan: Plan, history: Sequence[Entry]) -> Warn | None:
    said = {e.why for e in history if isinstance(e, Warned)}
    for requirement, why in plan.gaps:
        text = f"{requirement} cannot be measured: {why}"
        if text not in said:
            return Warn(why=text)
    return None


def _otherwise(plan: Plan, stays: Sequence[Visit], history: Sequence[Entry]) -> Void | Stop | None:
    """What was connected must be what the plan has there: a run that was planned otherwise begins afresh, once."""
    for stay, station in zip(stays, plan.stations, strict=False):
        if stay.hookup.name != station.hookup.name:
            why = (
                f"this run has {stay.hookup.name} where the plan has {station.hookup.name}: another version planned it"
            )
            return Stop(why=f"{why}, again") if _voided_for(why, history) else Void(why=why)
    return None


def _at_stations(
    recipe: Recipe, bench: Bench, caps: Capabilities, plan: Plan, stays: list[Visit], history: Sequence[Entry]
) -> Step | None:
    thru = _opening_thru(stays)
    noise = known_at(stays).noise_dbm_hz
    last: Sweep | None = None
    before: Hookup | None = None
    for number, station in enumerate(plan.stations):
        stay = stays[number] if number < len(stays) else None
        if stay is None:
            return Connect(hookup=station.hookup, why=station.why)
        if stay.hookup.by_hand:
            thru = _opening_thru(stays, by_hand=True)
        if stay.passed is station:  # its leads are elsewhere now, and nothing can be added to what spoke for it
            last, before = _proof(stay), stay.hookup
            continue
        if stay.waiting:
            return Connect(hookup=station.hookup, why="again: what was swept here before does not count")
        expected = reflect_level_dbm(bench, caps) if stay.hookup.kind is HookupKind.REFLECT else None
        expected = expected_thru_dbm(bench, caps) if expected is None else expected
        shaky = jumpy(stays[:number], noise) if stay.hookup.kind is HookupKind.THRU else []
        sweeps = flexed(station.sweeps) if stay.jumped or shaky else station.sweeps
        sweeps = tuple(adapted(planned, stay, plan, caps) for planned in sweeps)
        again = retake_step(sweeps, stay, history)
        if again is not None:
            return again
        here = number + 1 == len(stays)  # only what is still connected can be asked about
        fault = not_swept(stay, noise) if here else ""
        fault = fault or _fault(stay, expected, thru, last, before, recipe, noise, _heard(stays))
        fault = fault or mistaken_for(stay, stays[:number], thru, recipe, noise)
        other_side = exchanged(stay, thru, recipe, noise)
        if other_side and not stay.refused:
            fault = fault or f"{other_side}: are the leads on the wrong ports?"
        doubt = suspicion(stay, recipe, bench, history) if here and not fault else ""
        fault = fault or ("" if stay.refused else doubt)
        if fault:
            if stay.refused + 1 >= MOST_TRIES:
                return Stop(why=f"{stay.hookup.name}: {fault} (refused {stay.refused + 1} times)")
            return Connect(hookup=stay.hookup, why="once more", refused=fault)
        wrong = mistaken_before(stay, stays[:number], thru, recipe, noise)
        if wrong:
            return Stop(why=f"{wrong}, again") if _voided_for(wrong, history) else Void(why=wrong)
        side = f"{stay.hookup.name}: {other_side}; are the device's sides changed over?" if other_side else ""
        said: Step | None = _short_level(stay, expected, history) if number == 0 else None
        said = said or new_jump(stay, noise, history) or _unsaid_twin(stay, last, before, recipe, history)
        said = said or unsaid(side, history) or unsaid(came_back(stay, doubt), history)
        if said is not None:
            return said
        step = _before(recipe, bench, caps, plan, stays, number, history)
        step = step or _next_sweep(sweeps, stay)
        step = step or _compressed(stays[: number + 1], bench, history)
        if step is None and stay.hookup.kind is HookupKind.STANDARD:
            step = _wrong_standard(station, stay, bench, history)
        if step is None and here:
            step = _unproven(stay, recipe, bench, history)
        if step is None and shaky:
            step = unsaid(located_text(stay, shaky, noise), history)
        if step is not None:
            return step
        last, before = _proof(stay), stay.hookup
        stay.passed = station if number + 1 < len(stays) else None
    return unlocated(stays, noise, history) or _drift(stays, history)


def _compressed(stays: Sequence[Visit], bench: Bench, history: Sequence[Entry]) -> Void | Stop | None:
    """One sweep that glitched looks like a compressed thru, too; what is really compressed comes back."""
    strong = compression_text(stays, bench)
    if not strong:
        return None
    return Stop(why=f"{strong} (it came back)") if _voided_for(COMPRESSED, history) else Void(why=strong)


def _wrong_standard(station: Station, stay: Visit, bench: Bench, history: Sequence[Entry]) -> Connect | Stop | None:
    """A standard that reads wrong is mated once more; if it reads wrong again, nothing else is measured here."""
    key = next((s.key for s in station.sweeps if s.key != OVERVIEW), OVERVIEW)
    fault = standard_fault(stay.hookup, key, bench, sweeps_of(history))
    if not fault:
        return None
    if stay.refused + 1 >= MOST_TRIES:
        return Stop(why=f"{fault} (measured {stay.refused + 1} times)")
    return Connect(hookup=stay.hookup, why="once more, tightened anew", refused=fault)


def _unproven(stay: Visit, recipe: Recipe, bench: Bench, history: Sequence[Entry]) -> Connect | Warn | None:
    """A path that shows nothing but noise and leakage is connected once more; then it is said and kept.

    So is a hookup whose zooms contradict its overview: a jump between two sweeps, and taken again as one.
    """
    if foretold(history):
        return None
    text = unproven(stay, recipe, bench, history)
    if text and not stay.refused:
        return Connect(hookup=stay.hookup, why="once more, to see whether it comes back", refused=text)
    apart, size_db = contradicted(stay, recipe, bench, history)
    if apart and not text and not stay.jumped:
        why = "overview and zooms must show whether it comes back"
        return Connect(hookup=stay.hookup, why=why, refused=apart, jump_db=size_db)
    return unsaid(came_back(stay, text or apart), history)


def _short_level(stay: Visit, expected_dbm: float, history: Sequence[Entry]) -> Warn | None:
    counted = stay.first(OVERVIEW, Role.THRU) if stay.hookup.kind is HookupKind.THRU else None
    text = "" if counted is None else short_level(counted.sweep, expected_dbm)
    return unsaid(text, history)


def _before(
    recipe: Recipe,
    bench: Bench,
    caps: Capabilities,
    plan: Plan,
    stays: Sequence[Visit],
    number: int,
    history: Sequence[Entry],
) -> Step | None:
    """Return what the opening thru needs before it counts: foreign signals looked for, warmed up, adjusted."""
    if number > 0 or len(stays) > 1 or plan.tracking is None:
        return None
    stay, sweeps = stays[0], plan.stations[0].sweeps
    expected = expected_thru_dbm(bench, caps)
    early = tuple(planned for planned in sweeps if planned.role is Role.FOREIGN)
    step = _next_sweep(early, stay) or foreign_step(_heard(stays), plan.stations, history, expected)
    if step is not None:
        return step
    first = next(planned for planned in sweeps if planned.role is Role.THRU)
    step = warm_up_step(recipe, bench, stay, first, history)
    if step is not None or stay.count(first):
        return step
    began = next(e for e in history if isinstance(e, Began))
    step = tracking_step(plan.tracking, bench, caps, stay, history, simulated=began.simulated)
    return step or again_step(stay, first, history)


def _heard(stays: Sequence[Visit]) -> Sweep | None:
    """Return what the opening thru heard with the generator off."""
    swept = stays[0].first(OVERVIEW, Role.FOREIGN) if stays else None
    return None if swept is None else swept.sweep


def _next_sweep(sweeps: Sequence[PlannedSweep], stay: Visit) -> Step | None:
    for planned in sweeps:
        if stay.tally[planned.key, planned.role] < planned.repeats:
            stay.going = SweepStep(
                hookup=stay.hookup.name,
                key=planned.key,
                role=planned.role,
                settings=planned.settings,
                why=planned.why,
                repeats=planned.repeats,
            )
            return stay.going
    return None


def _fault(
    stay: Visit,
    expected: float,
    thru: Sweep | None,
    last: Sweep | None,
    left: Hookup | None,
    recipe: Recipe,
    noise: float | None,
    off: Sweep | None,
) -> str:
    """Return what speaks against what this stay has taken so far: the latest sweep itself, then the hookup."""
    spoilt = sweep_fault(stay.swept[-1].sweep) if stay.swept else ""
    first = _proof(stay)
    if spoilt or first is None:
        return spoilt
    if stay.swept[-1].sweep is first:  # the first sweep with the generator on is the proof; it is judged once
        # a thru that was only re-mated may repeat the one before closely: a good joint does
        before = None if stay.hookup.re_mated or _may_be_a_twin(stay, left, recipe) else last
        fault = hookup_fault(
            stay.hookup,
            first,
            expected_dbm=expected,
            thru=thru,
            last=before,
            recipe=recipe,
            noise_dbm_hz=noise,
            off=off,
        )
        if fault:
            return fault
    latest = stay.swept[-1]
    if (latest.key, latest.role) == ("overview", Role.THRU):  # the reference itself, after what came before it
        fault = hookup_fault(
            stay.hookup, latest.sweep, expected_dbm=expected, thru=thru, last=None, recipe=recipe, noise_dbm_hz=noise
        )
        if fault:
            return fault
    return above_display(latest.sweep)


def _may_be_a_twin(stay: Visit, left: Hookup | None, recipe: Recipe) -> bool:
    """Two reflections may truly be alike: open and short on a good bridge, two ports of a symmetric device.

    So may two paths of it, or a path and the same path with its leads exchanged, if ``left`` was a path.

    A like trace is refused once (a lead may not have been moved); when it comes back it is said and kept.
    """
    ports = stay.hookup.test_port in recipe.ports
    if stay.hookup.kind is HookupKind.PATH and left is not None:
        return left.kind is HookupKind.PATH and stay.refused > 0  # `mistaken_for` asks whether it keeps its limits
    if stay.hookup.kind is not HookupKind.REFLECT:
        return False
    symmetric = ports and len(recipe.ports) == 2
    return symmetric or (stay.refused > 0 and (not ports or (left is not None and left.test_port in recipe.ports)))


def _unsaid_twin(
    stay: Visit, last: Sweep | None, left: Hookup | None, recipe: Recipe, history: Sequence[Entry]
) -> Warn | None:
    first = _proof(stay)
    if first is None or last is None or not _may_be_a_twin(stay, left, recipe) or not repeats(first, last):
        return None
    reason = "reads like the hookup before it; with leads exchanged, or between alike ports, a passive device does"
    if stay.hookup.kind is HookupKind.REFLECT:
        reason = "reflects like the hookup before it; a symmetric device or a very good bridge does"
    text = f"{stay.hookup.name} {reason}, and so does a lead that was not moved"
    return unsaid(text, history)


def _proof(stay: Visit) -> Sweep | None:
    swept = stay.first_on()
    return None if swept is None else swept.sweep


def _opening_thru(stays: Sequence[Visit], *, by_hand: bool = False) -> Sweep | None:
    for stay in stays:
        if stay.hookup.kind is HookupKind.THRU and stay.hookup.by_hand == by_hand:
            swept = stay.first("overview", Role.THRU)
            return swept.sweep if swept else None
    return None


def _drift(stays: Sequence[Visit], history: Sequence[Entry]) -> Warn | None:
    thrus = [stay for stay in stays if stay.hookup.name == "thru"]
    if len(thrus) < 2:
        return None
    opening, closing = (stay.first("overview", Role.THRU) for stay in (thrus[0], thrus[-1]))
    if opening is None or closing is None:
        return None
    moved = closing.sweep.trace.level_dbm - opening.sweep.trace.level_dbm
    worst = float(max(abs(moved)))
    if worst <= DRIFT_TO_SAY_DB:
        return None
    text = f"the thru moved by up to {worst:.2f} dB during the run; the intervals carry it"
    return unsaid(text, history)
