"""The generator is brought onto the narrowest filter by command or by hand, and what it was is said."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.core.history import Adjusted, Answered, Role
from sequencer.core.trace import Sweep, Trace
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.predict import TYPICAL
from sequencer.run.steps import Adjust, Ask, Connect, Done, SweepStep, Warn

MANUAL = replace(TYPICAL, adjusts_tracking=False)


@pytest.fixture
def by_hand(recipe: Recipe, bench: Bench, opening: list[object], play_on):
    """A bench whose generator is turned by a knob."""
    opening[1] = replace(opening[1], capabilities=MANUAL)
    return play_on(recipe, bench, opening, MANUAL)


def off_by(play, losses: list[float]) -> None:
    """Each reading in the narrowest filter is so much too low; the last goes on."""
    readings = {"n": 0}

    def falsify(step, sweep: Sweep) -> Sweep:
        if step.role is not Role.TRACKING:
            return sweep
        loss = losses[min(readings["n"], len(losses) - 1)]
        readings["n"] += 1
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, sweep.trace.level_dbm - loss))

    play.falsify = falsify


def answers(play, wanted: list[str]) -> list[object]:
    """Play a whole run; questions of the tracking are answered in turn."""
    steps = []
    left = list(wanted)
    while not isinstance(step := play.step(), Done):
        steps.append(step)
        if isinstance(step, Ask) and step.question.key.startswith("tracking"):
            play.history.append(
                Answered(at=play.history[-1].at, why="", question=step.question.key, answer=left.pop(0), by="operator")
            )
        else:
            play.do(step)
    return steps


def test_by_command_it_is_read_before_and_after(play) -> None:
    steps = play.whole()
    at = next(n for n, s in enumerate(steps) if isinstance(s, Adjust))
    around = steps[at - 1], steps[at + 1]
    assert all(isinstance(s, SweepStep) and s.role is Role.TRACKING for s in around)
    assert around[0].settings.rbw_hz == min(s.settings.rbw_hz for s in steps if isinstance(s, SweepStep))


def test_a_command_that_made_it_worse_is_said(play) -> None:
    off_by(play, [0.0, 1.5])
    assert any("fell by 1.5 dB" in s.why for s in play.whole() if isinstance(s, Warn))


def test_what_is_right_is_not_turned(by_hand) -> None:
    off_by(by_hand, [0.1])
    steps = by_hand.whole()
    assert not any(isinstance(s, Ask) and s.question.key.startswith("tracking") for s in steps)
    adjusted = [e for e in by_hand.history if isinstance(e, Adjusted)]
    assert [e.by for e in adjusted] == ["nobody"]


def test_by_hand_it_is_turned_until_the_level_is_highest(by_hand) -> None:
    """6 dB low, then 2 dB, then 0.1 dB: 'done' two dB below the best is not taken."""
    off_by(by_hand, [6.0, 0.05, 2.0, 0.1])
    steps = answers(by_hand, ["again", "again", "done", "done"])
    asked = [s for s in steps if isinstance(s, Ask) and s.question.key.startswith("tracking")]
    assert len(asked) == 4
    assert "the highest so far -21.05 dBm" in asked[2].question.text
    adjusted = [e for e in by_hand.history if isinstance(e, Adjusted)]
    assert [e.by for e in adjusted] == ["operator"]


def test_it_may_be_left_and_is_then_said(by_hand) -> None:
    off_by(by_hand, [4.0])
    steps = answers(by_hand, ["leave"])
    assert any("reads 4.0 dB low" in s.why for s in steps if isinstance(s, Warn))


@pytest.mark.parametrize(("simulated", "safe"), [(True, "leave"), (False, None)])
def test_nobody_turns_a_real_generator_by_yes(by_hand, simulated: bool, safe: str | None) -> None:
    by_hand.history[0] = replace(by_hand.history[0], simulated=simulated)
    off_by(by_hand, [4.0])
    step = by_hand.until(lambda s: isinstance(s, Ask) and s.question.key.startswith("tracking"))
    assert step.question.safe_answer == safe


def test_no_thru_counts_from_before_the_adjustment(by_hand) -> None:
    off_by(by_hand, [6.0, 0.1])
    steps = answers(by_hand, ["again", "done"])
    at = next(n for n, s in enumerate(steps) if isinstance(s, Adjust))
    assert not any(isinstance(s, SweepStep) and s.role is Role.THRU for s in steps[:at])
    assert sum(isinstance(s, Connect) for s in steps[:at]) == 1
