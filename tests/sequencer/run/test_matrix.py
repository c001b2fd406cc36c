"""A switch matrix that leaks: asked about, left out or done by hand, on journals made without sockets."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from sequencer.core.history import Adjusted, Answered, Connected, Judged, Role, Swept, Warned
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.record import CurveKind, Statement
from sequencer.core.trace import Sweep, Trace
from sequencer.recipe.model import Bench, Quantity, Recipe, SwitchFile, SwitchLoss
from sequencer.run.evaluate import evaluate
from sequencer.run.matrix import ENOUGH_DB, MATRIX, isolation_db
from sequencer.run.policy import decide
from sequencer.run.predict import TYPICAL, Predicted, forecast
from sequencer.run.steps import Adjust, Ask, Connect, Done, Judge, SweepStep, Warn
from sequencer.run.sweeps import Sweeps

AT = datetime(2026, 1, 1, tzinfo=UTC)
NAMES = ("thru", "floor", "TX-ANT", "TX-RX", "ANT-RX", "reflect-open", "reflect-short", "reflect-TX", "reflect-RX")
HOOKUPS = {name: f"ROUT:CLOS (@{number})" for number, name in enumerate((*NAMES, "reflect-ANT"), 1)}


@pytest.fixture
def switched(bench: Bench) -> Bench:
    return replace(bench, switch=SwitchFile(resource="S", hookups=HOOKUPS))


def changed(sweep: Sweep, by_db: float) -> Sweep:
    return replace(sweep, trace=Trace(sweep.trace.freq_hz, sweep.trace.level_dbm + by_db))


class Leaking(Predicted):
    """A bench whose matrix leaks; hands do not."""

    isolation_db = 110.0

    def _signal(self, hookup: Hookup, role: Role, grid):
        if hookup.kind is HookupKind.FLOOR and not hookup.by_hand:
            return self.thru_dbm - self.isolation_db
        return super()._signal(hookup, role, grid)


class Run:
    """Plays a run on the predicting bench; its matrix leaks."""

    def __init__(self, recipe: Recipe, bench: Bench, opening: list[object], *, isolation: float, answer: str) -> None:
        self.recipe, self.bench, self.answer = recipe, bench, answer
        self.history, self.questions = list(opening), []
        self.predicted = Leaking(recipe, bench, TYPICAL)
        self.predicted.isolation_db = isolation
        hookup = None
        for _ in range(600):
            step = decide(recipe, bench, self.history)
            match step:
                case Ask():
                    self.questions.append(step.question)
                    said = answer if step.question.key == MATRIX else "x"
                    self.history.append(Answered(at=AT, why="", question=step.question.key, answer=said, by="test"))
                case Connect():
                    assert not step.refused, step.refused
                    hookup = step.hookup
                    self.history.append(Connected(at=AT, why="", hookup=hookup, by="test"))
                case Adjust():
                    self.history.append(Adjusted(at=AT, why="", rbw_hz=step.rbw_hz, by="test"))
                case SweepStep():
                    self.history.append(self.swept(hookup, step))
                case Warn():
                    self.history.append(Warned(at=AT, why=step.why))
                case Judge():
                    self.history.append(Judged(at=AT, why="", result_id=step.requirement, statement="", text=""))
                case _:
                    assert isinstance(step, Done), step
                    return
        pytest.fail("the run does not end")

    def swept(self, hookup, step: SweepStep) -> Swept:
        sweep = self.predicted.sweep(hookup, step)
        return Swept(at=AT, why="", hookup=step.hookup, key=step.key, role=step.role, sweep=sweep, file="", sha256="")

    @property
    def connected(self) -> list[tuple[str, bool]]:
        return [(e.hookup.name, e.hookup.by_hand) for e in self.history if isinstance(e, Connected)]

    @property
    def asked(self) -> list[str]:
        return [q.key for q in self.questions if q.key == MATRIX]


def stated(run: Run) -> dict[str, object]:
    return {result.id: result for result in evaluate(run.recipe, run.bench, run.history).results}


def test_isolation_is_what_the_floor_shows_below_the_thru(
    recipe: Recipe, switched: Bench, opening: list[object]
) -> None:
    run = Run(recipe, switched, opening, isolation=80.0, answer="leave out")
    for requirement in recipe.requirements:
        if requirement.path is not None:
            # noise, subtracted, leaves a standard uncertainty 103 dB below the thru: 0.6 dB at this level
            assert isolation_db(requirement, Sweeps(run.history)) == pytest.approx(80.0, abs=0.5)


def test_a_tight_matrix_raises_no_question(recipe: Recipe, switched: Bench, opening: list[object]) -> None:
    run = Run(recipe, switched, opening, isolation=75.0 + ENOUGH_DB + 3.0, answer="leave out")
    assert run.asked == []
    assert run.connected[:2] == [("thru", False), ("floor", False)]
    assert not any(by_hand for _, by_hand in run.connected)


def test_a_leaking_matrix_is_asked_about_once_after_its_floor(
    recipe: Recipe, switched: Bench, opening: list[object]
) -> None:
    run = Run(recipe, switched, opening, isolation=75.0 + ENOUGH_DB - 3.0, answer="leave out")
    assert run.asked == [MATRIX]
    question = next(q for q in run.questions if q.key == MATRIX)
    assert question.safe_answer == "leave out"  # --yes never stands for hands
    assert "95.0 dB" in question.text
    assert "TX-ANT, ANT-RX, TX-RX" in question.text
    place = [type(e).__name__ for e in run.history].index("Connected")
    at = next(n for n, e in enumerate(run.history) if isinstance(e, Answered) and e.question == MATRIX)
    before = [e.hookup.name for e in run.history[place:at] if isinstance(e, Connected)]
    assert before == ["thru", "floor"]


def test_left_out_is_undecided_with_the_reason_and_the_rest_is_stated(
    recipe: Recipe, switched: Bench, opening: list[object]
) -> None:
    run = Run(recipe, switched, opening, isolation=80.0, answer="leave out")
    results = stated(run)
    for requirement in recipe.requirements:
        result = results[requirement.id]
        if requirement.quantity in (Quantity.REJECTION, Quantity.ISOLATION):
            assert (result.statement, result.value, result.interval) == (Statement.UNDECIDED, None, (None, None))
            assert "isolation of the switch matrix is" in result.notes[0]
            assert "needs 95.0 dB" in result.notes[0]
            assert any(requirement.id in e.why for e in run.history if isinstance(e, Warned))
        else:  # 21.6 dB are enough for an insertion loss of 1.6 dB, and a bridge does not need it
            assert result.interval[0] is not None


def test_by_hand_comes_last_with_its_own_thru_and_floor_and_is_stated(
    recipe: Recipe, switched: Bench, opening: list[object]
) -> None:
    run = Run(recipe, switched, opening, isolation=80.0, answer="by hand")
    hands = [name for name, by_hand in run.connected if by_hand]
    assert hands == ["thru by hand", "floor by hand", "TX-ANT", "TX-RX", "ANT-RX", "thru by hand"]
    assert run.connected[-len(hands) :] == [(name, True) for name in hands]  # the leads leave the matrix once
    assert [name for name, by_hand in run.connected if not by_hand][:3] == ["thru", "floor", "thru"]
    for result in stated(run).values():
        assert result.value is not None or result.interval[0] is not None, result


def test_only_the_paths_that_need_it_are_done_by_hand(recipe: Recipe, switched: Bench, opening: list[object]) -> None:
    needs = tuple(replace(r, minimum=55.0) if r.path == ("TX", "ANT") and r.minimum else r for r in recipe.requirements)
    run = Run(replace(recipe, requirements=needs), switched, opening, isolation=80.0, answer="by hand")
    assert ("TX-ANT", False) in run.connected
    assert ("TX-RX", True) in run.connected
    assert all(result.value is not None or result.interval[0] is not None for result in stated(run).values())


def test_without_a_switch_leakage_is_the_leads_own_and_stays_in_the_interval(
    recipe: Recipe, bench: Bench, opening: list[object]
) -> None:
    run = Run(recipe, bench, opening, isolation=80.0, answer="")
    assert run.asked == []
    result = stated(run)["rejection TX-ANT receive"]
    assert result.interval[0] is not None  # a bound of some 70 dB: stated, and honest


def test_a_stored_loss_is_taken_off_and_its_uncertainty_is_in_the_budget(
    recipe: Recipe, switched: Bench, opening: list[object]
) -> None:
    run = Run(recipe, switched, opening, isolation=120.0, answer="")
    assert switched.switch is not None

    def loss(**losses: SwitchLoss):
        bench = replace(switched, switch=replace(switched.switch, losses=losses))
        done = evaluate(recipe, bench, run.history)
        result = next(r for r in done.results if r.id == "insertion loss TX-ANT transmit")
        return result, next(c for c in done.curves if (c.kind, c.where) == (CurveKind.RETURN_LOSS, "TX")).value

    plain, reflected = loss(
        **{name: SwitchLoss(loss_db=0.0, u_db=0.0, date="2026-05-01") for name in ("TX-ANT", "reflect-TX")}
    )
    lossy, lossy_reflected = loss(
        **{
            "TX-ANT": SwitchLoss(loss_db=0.42, u_db=0.05, date="2026-05-01"),
            "reflect-TX": SwitchLoss(loss_db=0.3, u_db=0.05, date="2026-05-01"),
        }
    )
    assert plain.value - lossy.value == pytest.approx(0.42, abs=0.005)  # the loss of the relays was not the device's
    assert np.nanmax(np.abs(reflected - lossy_reflected - 0.3)) < 1e-9
    (row,) = [row for row in lossy.budget if row.name == "loss of the switch, TX-ANT"]
    assert (row.u, row.origin) == (pytest.approx(0.05), "bench file, 2026-05-01")
    assert not [row for row in plain.budget if row.name.startswith("loss of the switch")]
    unstated, _ = loss()
    (row,) = [row for row in unstated.budget if row.name == "loss of the switch, TX-ANT"]
    assert row.origin == "assumed"
    width = [high - low for low, high in (plain.interval, lossy.interval, unstated.interval)]
    assert width[0] < width[1] < width[2]
    assert any("loss of a switch's way" in w for w in evaluate(recipe, switched, run.history).warnings)


def test_a_thru_through_a_path_comes_just_before_it_and_is_its_reference(
    recipe: Recipe, switched: Bench, opening: list[object]
) -> None:
    assert switched.switch is not None
    hookups = {**HOOKUPS, "thru TX-ANT": "ROUT:CLOS (@11)"}
    bench = replace(switched, switch=replace(switched.switch, hookups=hookups))
    run = Run(recipe, bench, opening, isolation=120.0, answer="")
    names = [name for name, _ in run.connected]
    assert names[names.index("TX-ANT") - 1] == "thru TX-ANT"
    assert names.index("floor") == 1  # so that no thru follows another: a relay that sticks would not show
    before = stated(run)["insertion loss TX-ANT transmit"]
    moved = [
        replace(e, sweep=changed(e.sweep, -0.5)) if isinstance(e, Swept) and e.hookup == "thru TX-ANT" else e
        for e in run.history
    ]
    after = {r.id: r for r in evaluate(recipe, bench, moved).results}["insertion loss TX-ANT transmit"]
    assert before.value - after.value == pytest.approx(0.5, abs=1e-6)
    assert not [row for row in before.budget if row.name.startswith("loss of the switch")]


def test_check_foretells_what_the_matrix_must_isolate(recipe: Recipe, switched: Bench) -> None:
    """The forecast assumes 110 dB between the leads: a limit of 95 dB cannot be proved through a matrix."""
    needs = tuple(replace(r, minimum=95.0) if r.quantity is Quantity.ISOLATION else r for r in recipe.requirements)
    told = forecast(replace(recipe, requirements=needs), switched)
    limits = {limit.id: limit for limit in told.limits}
    assert not limits["isolation TX-RX receive"].ok
    assert "switch matrix" in limits["isolation TX-RX receive"].remedy
    assert limits["insertion loss TX-ANT transmit"].ok


def test_a_path_without_a_command_is_made_by_hand_and_that_is_said(
    recipe: Recipe, switched: Bench, opening: list[object]
) -> None:
    assert switched.switch is not None
    names = {name: command for name, command in switched.switch.hookups.items() if name != "TX-RX"}
    part = replace(switched, switch=replace(switched.switch, hookups=names))
    run = Run(recipe, part, opening, isolation=120.0, answer="")
    assert run.asked == []
    by_hand = [name for name, hand in run.connected if hand]
    assert by_hand == ["thru by hand", "floor by hand", "TX-RX", "thru by hand"]
    assert run.connected[-1] == ("thru by hand", True)
    assert any("no command for TX-RX: made by hand" in e.why for e in run.history if isinstance(e, Warned))
    results = stated(run)
    assert all(results[r.id].interval[0] is not None for r in recipe.requirements if r.hookup_name == "TX-RX")
    told = forecast(recipe, part)
    assert [h.hookup.name for h in told.hookups if h.hookup.by_hand] == by_hand
    assert told.touches > 0
    assert any("no command for TX-RX: made by hand" in text for text in told.assumptions)
