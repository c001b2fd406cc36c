"""No level is planned that joined leads would bring above what the analyzer's input takes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.core.hookup import HookupKind
from sequencer.recipe.model import Bench, Pad
from sequencer.run.drive import drive_remark, generator_level_dbm, too_strong
from sequencer.run.plan import Known, make_plan
from sequencer.run.predict import TYPICAL, forecast
from sequencer.run.steps import Done, Stop, SweepStep, Warn

STRONG = replace(TYPICAL, generator_dbm=(-30.0, 10.0))


def limited(bench: Bench, level: float | None, most: float | None, pads: float = 0.0) -> Bench:
    """``pads``: what each of the two leads' pads loses."""
    pad = Pad(loss_db=pads) if pads else None
    analyzer = replace(bench.analyzer, maximum_input_dbm=most)
    return replace(bench, analyzer=analyzer, generator_level_dbm=level, generator_pad=pad, analyzer_pad=pad)


@pytest.mark.parametrize(
    ("level", "most", "pads", "used"),
    [
        (None, None, 0.0, 0.0),
        (None, -10.0, 0.0, -10.0),
        (None, -25.0, 10.0, -5.0),  # both leads' pads count, and nothing else
        (None, 20.0, 0.0, 0.0),  # room is no reason to go higher
        (7.0, None, 0.0, 7.0),
        (7.0, -13.0, 10.0, 7.0),
        (40.0, None, 0.0, 10.0),
    ],
)
def test_the_level_used(bench: Bench, level: float | None, most: float | None, pads: float, used: float) -> None:
    assert generator_level_dbm(limited(bench, level, most, pads), STRONG) == used


def test_a_step_rounds_down(bench: Bench) -> None:
    assert generator_level_dbm(limited(bench, None, -7.0), replace(STRONG, generator_step_db=5.0)) == -10.0


@pytest.mark.parametrize("most", [None, -12.0, -3.0])
def test_every_sweep_of_a_plan_keeps_the_limit(recipe, bench: Bench, most: float | None) -> None:
    low = limited(bench, None, most)
    plan = make_plan(recipe, low, STRONG, Known())
    lit = [s.settings.generator_dbm for station in plan.stations for s in station.sweeps]
    lit += [plan.tracking.settings.generator_dbm]  # what a hand turns to is swept too
    kinds = {station.hookup.kind for station in plan.stations}
    assert {HookupKind.THRU, HookupKind.REFLECT} <= kinds
    assert max(level for level in lit if level is not None) == (0.0 if most is None else most)


def test_a_generator_that_goes_no_lower_is_not_switched_on(play_on, recipe, bench: Bench, opening) -> None:
    hot = limited(bench, None, -40.0)
    assert "goes no lower than -30 dBm" in too_strong(hot, TYPICAL)
    assert "at least 10 dB more" in too_strong(hot, TYPICAL)
    steps = play_on(recipe, hot, opening).whole()
    assert isinstance(steps[-1], Stop)
    assert "above its maximum input of -40 dBm" in steps[-1].why
    assert not [step for step in steps if isinstance(step, SweepStep)]


@pytest.mark.parametrize(
    ("level", "most", "said"),
    [
        (None, -10.0, "set to -10 dBm, not the usual 0 dBm"),
        (40.0, None, "goes from -30 to 0 dBm: 0 dBm is used"),
        (-50.0, None, "-30 dBm is used"),
        (0.0, None, ""),
        (None, 20.0, ""),
    ],
)
def test_another_level_than_stated_or_usual_is_said(play_on, recipe, bench, opening, level, most, said) -> None:
    other = limited(bench, level, most)
    assert said in drive_remark(other, TYPICAL)
    assert bool(drive_remark(other, TYPICAL)) is bool(said)
    steps = play_on(recipe, other, opening).whole()
    assert isinstance(steps[-1], Done)
    warned = [step.why for step in steps if isinstance(step, Warn) and "generator" in step.why and "dBm" in step.why]
    assert len(warned) == bool(said)


def test_a_forecast_takes_the_level_that_the_run_will(recipe, bench: Bench) -> None:
    """No instrument has answered yet: the typical one's range must not hide what the bench file states."""
    for level, most, used in ((3.0, None, 3.0), (None, -35.0, -35.0)):
        told = forecast(recipe, limited(bench, level, most))
        lit = {s.settings.generator_dbm for h in told.hookups for s in h.sweeps} - {None}
        assert lit == {used}
    assert any("not the usual 0 dBm" in text for text in told.assumptions)
