"""A trace that repeats bit for bit was not swept; one that is only coarse was."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from sequencer.core.history import Role, Swept
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Detector, Sweep, SweepSettings, Trace
from sequencer.run.fresh import not_swept
from sequencer.run.steps import Done, Stop
from sequencer.run.visits import Visit

AT = datetime(2026, 1, 1, tzinfo=UTC)


def remembering(play) -> None:
    """The analyzer answers with the first trace of each setting again."""
    memory: dict[object, object] = {}

    def falsify(step, sweep):
        return memory.setdefault((step.hookup, step.key, step.role, step.settings), sweep)

    play.falsify = falsify


def test_an_analyzer_that_repeats_itself_stops_the_run(play) -> None:
    remembering(play)
    last = play.whole()[-1]
    assert isinstance(last, Stop)
    assert "same in every bit" in last.why
    assert "on hold" in last.why


def test_sweeps_that_differ_are_sweeps(play) -> None:
    assert isinstance(play.whole()[-1], Done)


@pytest.mark.parametrize(("rounded_db", "swept"), [(0.0, False), (0.001, False), (0.1, True), (1.0, True)])
def test_a_display_too_coarse_for_its_noise_is_no_fault(rounded_db: float, swept: bool) -> None:
    """At 60 dB above the noise a point scatters by 0.006 dB (4.343 sqrt(2 N / S), derived)."""
    settings = SweepSettings(
        start_hz=144e6, stop_hz=148e6, points=401, rbw_hz=1e4, attenuation_db=0.0, reference_dbm=0.0,
        generator_dbm=0.0, detector=Detector.SAMPLE,
    )  # fmt: skip
    grid = settings.grid_hz()
    level = np.linspace(-40.0, -41.0, grid.size) + 0.005 * np.random.default_rng(1).standard_normal(grid.size)
    if rounded_db:
        level = np.round(level / rounded_db) * rounded_db
    sweep = Sweep(Trace(grid, level), settings, settings, frozenset(), AT, 1.0)
    one = Swept(at=AT, why="", hookup="thru", key="k", role=Role.THRU, sweep=sweep, file="", sha256="")
    stay = Visit(Hookup(name="thru", kind=HookupKind.THRU), [one, replace(one, why="again")])
    assert (not_swept(stay, -140.0) == "") == swept
