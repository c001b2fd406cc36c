"""A journal that is read on tells the same as one read from its beginning."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.core.history import Refused, Role, Swept
from sequencer.core.trace import Flag
from sequencer.run.policy import decide
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
