"""With the leads exchanged a passive device reads the same, or nothing is decided."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.core.history import Role
from sequencer.core.record import Statement
from sequencer.core.trace import Trace
from sequencer.recipe.model import Figure, SwitchFile
from sequencer.run.evaluate import evaluate
from sequencer.run.steps import Connect, Done, SweepStep, Warn

LOSS = "insertion loss TX-ANT transmit"


@pytest.fixture
def both_ways(play):
    play.recipe = play.predicted.recipe = replace(play.recipe, exchange=(("TX", "ANT"),))
    return play


def shifted(play, by_db: float) -> None:
    """The path reads otherwise the other way round, as a lead with a bad pad makes it."""

    def falsify(step, sweep):
        more = by_db if step.hookup == "ANT-TX" else 0.01
        if step.role is Role.DEVICE:
            return replace(sweep, trace=Trace(sweep.trace.freq_hz, sweep.trace.level_dbm - more))
        return sweep

    play.falsify = falsify


def result_of(play):
    return next(r for r in evaluate(play.recipe, play.bench, play.history).results if r.id == LOSS)


def test_the_other_way_is_swept_as_the_path_is(both_ways) -> None:
    shifted(both_ways, 0.05)
    steps = both_ways.whole()
    assert isinstance(steps[-1], Done)
    taken = {
        name: [s.settings for s in steps if isinstance(s, SweepStep) and s.hookup == name and s.role is Role.DEVICE]
        for name in ("TX-ANT", "ANT-TX")
    }
    assert taken["ANT-TX"] == taken["TX-ANT"]


def test_what_agrees_is_said_to_agree(both_ways) -> None:
    shifted(both_ways, 0.05)
    both_ways.whole()
    result = result_of(both_ways)
    assert result.statement is Statement.PASS
    assert any("they agree" in note for note in result.notes)


def test_what_does_not_agree_decides_nothing(both_ways) -> None:
    shifted(both_ways, 0.6)
    both_ways.whole()
    done = evaluate(both_ways.recipe, both_ways.bench, both_ways.history)
    result = result_of(both_ways)
    assert result.statement is Statement.UNDECIDED
    assert any("cannot read so differently" in text for text in done.warnings)


def test_what_both_readings_share_does_not_make_them_agree(both_ways) -> None:
    """A scale known to 1 dB widens both intervals so that they meet; it is one scale, and moves both alike."""
    loose = Figure(limit=1.0)
    stated = replace(both_ways.bench.specifications, scale_per_db=None, scale_over_range_db=loose)
    both_ways.bench = replace(both_ways.bench, specifications=stated)
    shifted(both_ways, 0.6)
    both_ways.whole()
    result = result_of(both_ways)
    low, high = result.interval
    assert high - low > 2.0
    assert result.statement is Statement.UNDECIDED
    assert any("what both share apart" in note for note in result.notes)


def test_a_trace_that_repeats_the_last_is_asked_for_once_more(both_ways) -> None:
    """The predicting bench is the same both ways to the last digit: as if no lead had been moved."""
    steps = both_ways.whole()
    assert isinstance(steps[-1], Done)
    order = [s.hookup.name for s in steps if isinstance(s, Connect)]
    if abs(order.index("ANT-TX") - order.index("TX-ANT")) == 1:
        assert sum(isinstance(s, Connect) and s.refused != "" for s in steps) == 1
        assert any("so does a lead that was not moved" in s.why for s in steps if isinstance(s, Warn))


def test_a_switch_that_cannot_is_told(both_ways) -> None:
    ends = [f"reflect-{end}" for end in ("open", "short", "TX", "RX", "ANT")]
    hookups = dict.fromkeys(("thru", "floor", "TX-ANT", "ANT-RX", "TX-RX", *ends), "ROUT:CLOS (@1)")
    both_ways.bench = replace(both_ways.bench, switch=SwitchFile(resource="none", hookups=hookups))
    steps = both_ways.whole()
    assert any("the switch has no such hookup" in s.why for s in steps if isinstance(s, Warn))
    assert not any(isinstance(s, Connect) and s.hookup.name == "ANT-TX" for s in steps)
