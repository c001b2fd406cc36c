"""Going on with a run: the device must read as it did before its sweeps of two sessions stand in one record."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from sequencer.core.history import Connected, Refused, Resumed, Role, Swept
from sequencer.core.trace import Trace
from sequencer.run.steps import Connect, Done, SweepStep, Void

AT = datetime(2026, 1, 1, tzinfo=UTC)


def at_the_bridge(step) -> bool:
    return isinstance(step, SweepStep) and step.hookup == "reflect-TX"


def gone_on(play, *, itself: bool = False, shift_hz: float = 0.0, more_db: float = 0.0, swept: bool = True):
    """Interrupt a run when all paths are swept, go on with this device; return what was done until the bridge again."""
    if swept:
        play.until(at_the_bridge)
    else:
        play.until(lambda step: isinstance(step, SweepStep) and step.hookup == "floor")
    play.history.append(Resumed(at=AT, why="", program="p", hookup=play.hookup.name, itself=itself))

    def falsify(step, sweep):
        if step.hookup not in ("TX-ANT", "ANT-RX", "TX-RX"):
            return sweep
        freq, level = sweep.trace.freq_hz, sweep.trace.level_dbm
        return replace(sweep, trace=Trace(freq, np.interp(freq + shift_hz, freq, level) - more_db))

    play.falsify = falsify
    steps = []
    for _ in range(60):
        step = play.step()
        steps.append(step)
        if isinstance(step, Void | Done) or at_the_bridge(step):
            break
        checks = isinstance(step, Connect) and step.check
        if checks and step.refused:
            play.history.append(Refused(at=AT, why=step.refused, hookup=step.hookup.name))
        if checks:
            play.hookup = step.hookup
            play.history.append(Connected(at=AT, why=step.why, hookup=step.hookup, by="test", check=True))
        else:
            play.do(step)
    return steps


def checked(steps) -> list[str]:
    return [s.hookup.name for s in steps if isinstance(s, Connect) and s.check]


def test_the_same_device_is_looked_at_once_and_the_run_goes_on(play) -> None:
    steps = gone_on(play)
    thru, *device = checked(steps)
    assert thru == "thru"
    assert device == ["TX-RX"] or device == ["ANT-RX"]
    assert at_the_bridge(steps[-1])
    taken = [e for e in play.history if isinstance(e, Swept) and e.role is Role.CHECK and e.hookup == device[0]]
    assert [e.key for e in taken] == ["overview"]


@pytest.mark.parametrize(("shift_hz", "more_db"), [(150e3, 0.0), (0.0, 1.5)])
def test_another_device_or_other_leads_begin_the_run_afresh(play, shift_hz: float, more_db: float) -> None:
    steps = gone_on(play, shift_hz=shift_hz, more_db=more_db)
    assert isinstance(steps[-1], Void)
    assert "is it the same device, in the same leads?" in steps[-1].why
    device = checked(steps)[1:]
    assert len(device) == 2  # asked once more before it is believed
    assert device[0] == device[1]


def test_a_few_kelvin_and_joints_made_anew_are_the_same_device(play) -> None:
    steps = gone_on(play, shift_hz=5e3, more_db=0.05)
    assert at_the_bridge(steps[-1])


def test_trouble_on_the_link_moves_no_leads(play) -> None:
    steps = gone_on(play, itself=True, more_db=1.5)
    assert checked(steps) == ["thru"]


def test_nothing_is_looked_at_before_the_device_was_swept(play) -> None:
    steps = gone_on(play, swept=False)
    assert checked(steps) in ([], ["thru"])
