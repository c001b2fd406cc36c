"""A journal that is read on tells the same as one read from its beginning."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.core.history import Refused, Role, Swept
from sequencer.core.trace import Flag
from sequencer.run.policy import decide
from sequencer.run.predict import TYPICAL, Predicted
from sequencer.run.repeating import repeated_step
from sequencer.run.visits import Journal, visits, without_sweeps


def overloaded_once(step, sweep, seen=()):
    """Falsify the first sweep of a path: it is refused, connected again and swept anew."""
    if step.hookup == "ANT-RX" and step.role is Role.DEVICE and not seen:
        return replace(sweep, flags=frozenset({Flag.OVERLOAD}))
    return sweep


@pytest.mark.parametrize("spoilt", [False, True], ids=["sound", "refused once"])
def test_the_same_steps_from_a_journal_and_from_a_list(play, spoilt: bool) -> None:
    plain = play.history
    play.history = Journal(plain)
    if spoilt:
        play.falsify = lambda step, sweep: overloaded_once(
            step, sweep, [e for e in play.history if isinstance(e, Refused)]
        )
    play.whole()
    assert spoilt == any(isinstance(e, Refused) for e in play.history)
    read_on = Journal()
    for entry in play.history:
        read_on.append(entry)
        if len(read_on) > 2:
            again = list(read_on)
            assert decide(play.recipe, play.bench, read_on) == decide(play.recipe, play.bench, again)
            assert [s.swept for s in visits(read_on)] == [s.swept for s in visits(again)]
    assert list(without_sweeps(read_on)) == [e for e in read_on if not isinstance(e, Swept)]


def _third(spoil):
    """Spoil the third of a zoom's repeats, once."""

    def falsify(step, sweep, history):
        before = [e for e in history if isinstance(e, Swept) and (e.hookup, e.role) == ("TX-ANT", Role.DEVICE)]
        zooms = [e for e in before if e.key == step.key == "receive"]
        here = (step.hookup, step.key, step.role) == ("TX-ANT", "receive", Role.DEVICE)
        return spoil(sweep, zooms[-1].sweep) if here and len(zooms) == 2 else sweep

    return falsify


SPOILT = {
    "sound": lambda sweep, before: sweep,
    "overload": lambda sweep, before: replace(sweep, flags=frozenset({Flag.OVERLOAD})),
    "on hold": lambda sweep, before: replace(sweep, trace=before.trace),
    "jumps": lambda sweep, before: replace(sweep, trace=replace(sweep.trace, level_dbm=sweep.trace.level_dbm + 30.0)),
}


@pytest.mark.parametrize("spoil", SPOILT.values(), ids=SPOILT)
def test_the_short_way_through_repeats_decides_as_the_long_one(play, spoil) -> None:
    """Repeats are decided by their latest sweep alone; what speaks against it must be found all the same."""
    play.bench = replace(play.bench, generator_level_dbm=-25.0)
    play.predicted = Predicted(play.recipe, play.bench, TYPICAL, best=True)
    play.history = Journal(play.history)
    falsify = _third(spoil)
    play.falsify = lambda step, sweep: falsify(step, sweep, play.history)
    play.whole()
    short = 0
    read_on = Journal()
    for entry in play.history:
        read_on.append(entry)
        if len(read_on) > 2:
            short += repeated_step(read_on) is not None
            assert decide(play.recipe, play.bench, read_on) == decide(play.recipe, play.bench, list(read_on))
    assert short > 10
    assert any(isinstance(e, Refused) for e in play.history) == (spoil is not SPOILT["sound"])
