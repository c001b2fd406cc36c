"""A zoom and the overview of its own hookup are one thing read twice: where they differ, nothing is decided on it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.core.record import Statement
from sequencer.core.trace import Trace
from sequencer.run.evaluate import evaluate
from sequencer.run.steadiness import FLEX_SWEEPS
from sequencer.run.steps import Connect, Done, SweepStep, Warn


def losing(play, hookup: str, size_db: float, times: int = 999) -> None:
    """The overview of one hookup reads so much more loss than its zooms, as often as it is taken."""
    taken = {"n": 0}

    def falsify(step, sweep):
        if (step.hookup, step.key) != (hookup, "overview") or taken["n"] >= times:
            return sweep
        taken["n"] += 1
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, sweep.trace.level_dbm - size_db))

    play.falsify = falsify


def statements(play) -> dict[str, Statement]:
    return {r.id: r.statement for r in evaluate(play.recipe, play.bench, play.history).results}


@pytest.mark.parametrize(
    ("hookup", "spoilt"), [("TX-ANT", "insertion loss TX-ANT transmit"), ("reflect-TX", "return loss TX transmit")]
)
def test_what_contradicts_in_every_sweep_decides_nothing(play, hookup: str, spoilt: str) -> None:
    losing(play, hookup, 1.3)
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    asked = [s for s in steps if isinstance(s, Connect) and s.refused]
    assert len(asked) == 1
    assert asked[0].jump_db > 1.0
    assert "the overview reads" in asked[0].refused
    assert "of the same hookup" in asked[0].refused
    assert any("the doubt came back" in s.why for s in steps if isinstance(s, Warn))
    zooms = [s for s in steps if isinstance(s, SweepStep) and (s.hookup, s.key) == (hookup, "transmit")]
    assert sum("flex" in s.why for s in zooms) == FLEX_SWEEPS  # taken again as a jump is
    found = statements(play)
    assert found[spoilt] is Statement.UNDECIDED
    assert found["insertion loss ANT-RX receive"] is Statement.PASS


def test_a_joint_open_for_the_overview_alone_is_forgotten_when_it_holds(play) -> None:
    losing(play, "TX-ANT", 3.0, times=1)
    assert isinstance(play.whole()[-1], Done)
    assert set(statements(play).values()) == {Statement.PASS}


def test_what_a_mating_does_is_no_contradiction(play) -> None:
    losing(play, "TX-ANT", 0.05)
    assert not any(isinstance(s, Connect) and s.refused for s in play.whole())
