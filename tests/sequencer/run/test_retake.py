"""Sweeps that a device's own trace shows to be too fast, or above the display, are taken again."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from sequencer.core.history import Dropped, Role, Swept
from sequencer.core.trace import Sweep, Trace
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.predict import TYPICAL
from sequencer.run.retake import dip
from sequencer.run.steps import Done, Drop, SweepStep, Warn
from sequencer.run.sweeps import Sweeps

_count = itertools.count(1)


def level(sweep: Sweep, values) -> Sweep:
    shown = np.broadcast_to(values, sweep.trace.freq_hz.shape) + 1e-9 * next(_count)  # no two sweeps are one
    return replace(sweep, trace=Trace(sweep.trace.freq_hz, shown))


def notch(sweep: Sweep, width_hz: float, deeper_db: float = 0.0) -> Sweep:
    """A trace with a notch of a given width, 3 dB above its bottom, in the middle."""
    freq = sweep.trace.freq_hz
    away = (freq - np.mean(freq)) / (0.5 * width_hz)
    return level(sweep, -95.0 - deeper_db + 10.0 * np.log10(1.0 + 0.9953 * away**2))


def hurried(play, width_hz: float, flatters, fastest_s: float = 0.02) -> None:
    """The instrument sweeps TX-ANT at receive too fast, and slower only as much as it is told to be."""
    planned: list[float] = []

    def falsify(step, sweep):
        if (step.hookup, step.key, step.role) != ("TX-ANT", "receive", Role.DEVICE):
            return sweep
        planned.append(step.settings.sweep_time_s or sweep.used.sweep_time_s)
        seconds = fastest_s * planned[-1] / planned[0]
        found = notch(sweep, width_hz, 18.0 + flatters(seconds))  # below what the overview's noise would contradict
        return replace(found, used=replace(sweep.used, sweep_time_s=seconds))

    play.falsify = falsify


def test_a_sweep_slow_against_the_notch_is_left(play) -> None:
    hurried(play, 40e3, lambda seconds: 0.0)  # 21 kHz in 20 ms: 0.0007 widths squared a second
    assert not any(isinstance(s, Drop) for s in play.whole())


def test_a_sweep_too_fast_for_its_notch_is_halved_until_two_agree(play) -> None:
    """The bottom looks 3 dB too deep at 20 ms, and right from 40 ms on: 20, 40 and 80 ms are taken."""
    hurried(play, 3e3, lambda seconds: 3.0 if seconds < 0.03 else 0.0)
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    drops = [s for s in steps if isinstance(s, Drop)]
    assert [d.slower for d in drops] == [2.0, 2.0]
    assert "times faster than a notch this narrow can follow" in drops[0].why
    counted = Sweeps(play.history).groups("TX-ANT", "receive", Role.DEVICE)[-1]
    assert {sweep.used.sweep_time_s for sweep in counted} == {0.08}
    assert sum(isinstance(e, Dropped) for e in play.history) == 2


def test_the_sweeps_taken_again_are_as_many(play) -> None:
    hurried(play, 6e3, lambda seconds: 0.0)
    steps = play.whole()
    first = next(n for n, s in enumerate(steps) if isinstance(s, Drop))
    here = [isinstance(s, SweepStep) and (s.hookup, s.key) == ("TX-ANT", "receive") for s in steps]
    assert sum(here[:first]) == sum(here[first:]) >= 2


def test_a_notch_that_never_stops_moving_is_said(play) -> None:
    hurried(play, 3e3, lambda seconds: 10.0 * np.log2(seconds / 0.002), fastest_s=0.002)
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    assert any("no slower sweep is possible" in s.why for s in steps if isinstance(s, Warn))


def test_what_stands_above_a_lowered_reference_is_swept_with_the_thrus(
    recipe: Recipe, bench: Bench, opening: list[object], play_on
) -> None:
    """A short display is moved down to the notch; a device without one then draws a flat top."""
    short = replace(TYPICAL, display_range_db=80.0)
    opening[1] = replace(opening[1], capabilities=short)
    play = play_on(recipe, bench, opening, short)

    def clipped(step, sweep):
        if (step.hookup, step.key, step.role) == ("TX-ANT", "receive", Role.DEVICE):
            return level(sweep, np.minimum(-30.0, sweep.used.reference_dbm))
        return sweep

    play.falsify = clipped
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    drops = [s for s in steps if isinstance(s, Drop)]
    assert len(drops) == 1
    assert "flat top at the reference level" in drops[0].why
    counted = [e for e in play.history if isinstance(e, Swept) and (e.hookup, e.key) == ("TX-ANT", "receive")]
    assert counted[0].sweep.used.reference_dbm < -30.0 < counted[-1].sweep.used.reference_dbm


def test_a_dip_is_as_wide_as_it_is(play) -> None:
    """Three dB above the bottom of 1 + x^2 is where x = 1 (10 log 2 = 3.01 dB)."""
    step = play.until(lambda s: isinstance(s, SweepStep))
    sweep = play.predicted.sweep(play.hookup, step)
    fine = replace(sweep, trace=notch(sweep, 100e3).trace)
    found = dip([Swept(at=sweep.began, why="", hookup="", key="", role=Role.DEVICE, sweep=fine, file="", sha256="")])
    assert found.width_hz == pytest.approx(100e3, abs=2 * (fine.trace.freq_hz[1] - fine.trace.freq_hz[0]))
    assert found.level_dbm == pytest.approx(-95.0, abs=0.01)


def test_noise_alone_is_no_notch(play) -> None:
    """A whole run of the predicting bench, whose stop bands are noise, halves nothing."""
    assert not any(isinstance(s, Drop) for s in play.whole())
