"""A bench that has not settled is waited for; the waits end."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sequencer.core.history import Answered, Role, Waited
from sequencer.core.trace import Sweep, Trace
from sequencer.run.steps import Adjust, Ask, Done, Drop, SweepStep, Wait, Warn
from sequencer.run.sweeps import Sweeps
from sequencer.run.warmup import APART_S, MOST_WAITS, STEADY_DB


def cooling(play, size_db: float, time_constant_s: float = 900.0) -> None:
    """The level moves as that of a cold bench does: exponentially, with the time waited."""

    def falsify(step, sweep: Sweep) -> Sweep:
        waited = sum(e.seconds for e in play.history if isinstance(e, Waited))
        drift = size_db * np.exp(-waited / time_constant_s)
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, sweep.trace.level_dbm - drift))

    play.falsify = falsify


def waits(steps) -> list[Wait]:
    return [s for s in steps if isinstance(s, Wait)]


def test_a_warm_bench_is_not_waited_for(play) -> None:
    assert not waits(play.whole())


def test_the_recipe_asks_for_two_thrus_that_agree(play) -> None:
    play.recipe = replace(play.recipe, warm_up_s=600.0)
    steps = play.whole()
    assert [w.seconds for w in waits(steps)] == [600.0]
    assert isinstance(steps[-1], Done)


def test_it_waits_until_two_thrus_agree(play) -> None:
    """0.4 dB exp(-t / 900 s) falls by less than 0.02 dB in 300 s after 1560 s: six waits of five minutes, and one."""
    play.recipe = replace(play.recipe, warm_up_s=APART_S)
    cooling(play, 0.4)
    steps = play.whole()
    falls = [0.4 * (np.exp(-n * 300 / 900) - np.exp(-(n + 1) * 300 / 900)) for n in range(20)]
    assert len(waits(steps)) == next(n for n, fall in enumerate(falls) if fall <= STEADY_DB) + 1
    assert "differ by" in waits(steps)[-1].why


@pytest.mark.parametrize(
    ("said", "waited"), [("5 min", True), ("2 h", False), ("not recorded", False), ("long", False)]
)
def test_a_bench_said_to_be_cold_is_waited_for(play, said: str, waited: bool) -> None:
    step = play.until(lambda s: isinstance(s, Ask) and s.question.key == "soak")
    play.history.append(
        Answered(at=play.history[-1].at, why="", question=step.question.key, answer=said, by="operator")
    )
    assert bool(waits(play.whole())) is waited


def raised(play, number: int) -> None:
    """Let the warm-up sweep of this number read 0.1 dB high."""
    seen = {"warm": 0}

    def falsify(step, sweep: Sweep) -> Sweep:
        seen["warm"] += step.role is Role.WARM
        off_db = 0.1 if step.role is Role.WARM and seen["warm"] == number else 0.0
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, sweep.trace.level_dbm + off_db))

    play.falsify = falsify


def test_what_adjusting_the_generator_did_is_no_warming_up(play) -> None:
    """The sweep that proves the hookup comes before the adjustment: another level after it is no drift."""
    raised(play, 1)
    steps = play.whole()
    adjusted = next(n for n, s in enumerate(steps) if isinstance(s, Adjust))
    warm = [n for n, s in enumerate(steps) if isinstance(s, SweepStep) and s.role is Role.WARM]
    assert warm[0] < adjusted < warm[1]
    assert len(warm) == 2
    assert not waits(steps)
    assert not any(isinstance(s, Drop) for s in steps)


def test_two_thrus_that_differ_at_once_start_the_wait(play) -> None:
    """The first counted thru differs by 0.1 dB from the one taken a few seconds before, both after the adjustment."""
    raised(play, 2)
    steps = play.whole()
    drop = next(s for s in steps if isinstance(s, Drop))
    assert (drop.key, drop.role) == ("overview", Role.THRU)
    assert "0.10 dB" in drop.why
    assert waits(steps)
    assert isinstance(steps[-1], Done)
    assert len(Sweeps(play.history).groups("thru", "overview", Role.THRU)[0]) == 1


def test_after_a_wait_the_tracking_is_adjusted(play) -> None:
    play.recipe = replace(play.recipe, warm_up_s=APART_S)
    steps = play.whole()
    last = max(n for n, s in enumerate(steps) if isinstance(s, Wait))
    first = next(n for n, s in enumerate(steps) if isinstance(s, SweepStep) and s.role is Role.TRACKING)
    assert last < first


def test_a_bench_that_never_settles_is_said_and_not_waited_for_for_ever(play) -> None:
    play.recipe = replace(play.recipe, warm_up_s=APART_S)
    cooling(play, 3.0, time_constant_s=10_000.0)
    steps = play.whole()
    assert len(waits(steps)) == MOST_WAITS
    assert any("still moves by" in s.why for s in steps if isinstance(s, Warn))
    assert isinstance(steps[-1], Done)
