"""A step between neighbours is no cavity's: asked once, then nothing is decided on it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.core.record import Statement
from sequencer.core.trace import Trace
from sequencer.run.evaluate import evaluate
from sequencer.run.steps import Connect, Done, Warn


def stepping(play, size_db: float, times: int = 999) -> None:
    """Every sweep of TX-ANT reads more from its middle on, as a joint that lets go at one place does."""
    taken = {"n": 0}

    def falsify(step, sweep):
        if step.hookup != "TX-ANT" or taken["n"] >= times:
            return sweep
        taken["n"] += 1
        level = sweep.trace.level_dbm.copy()
        level[level.size // 2 :] += size_db
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, level))

    play.falsify = falsify


@pytest.mark.parametrize("size_db", [0.3, -0.3, -1.0])
def test_a_step_in_every_sweep_decides_nothing(play, size_db: float) -> None:
    stepping(play, size_db)
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    refused = [s.refused for s in steps if isinstance(s, Connect) and s.refused]
    assert len(refused) == 1
    assert "no cavity does" in refused[0]
    assert any("the doubt came back" in s.why for s in steps if isinstance(s, Warn))
    results = {r.id: r.statement for r in evaluate(play.recipe, play.bench, play.history).results}
    assert results["insertion loss TX-ANT transmit"] is Statement.UNDECIDED
    assert results["insertion loss ANT-RX receive"] is Statement.PASS


def test_a_step_that_is_gone_when_the_joint_was_made_anew_is_forgotten(play) -> None:
    stepping(play, 0.3, times=5)  # the overview and two zooms, twice each
    assert isinstance(play.whole()[-1], Done)
    results = evaluate(play.recipe, play.bench, play.history).results
    assert {r.statement for r in results} == {Statement.PASS}


def test_what_noise_does_is_no_step(play) -> None:
    steps = play.whole()
    assert not any(isinstance(s, Connect) and s.refused for s in steps)
