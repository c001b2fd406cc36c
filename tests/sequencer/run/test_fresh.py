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


def holding(play, keep) -> None:
    """The analyzer shows the highest, or lowest, of all sweeps of each setting."""
    memory: dict[object, Sweep] = {}

    def falsify(step, sweep):
        before = memory.get((step.hookup, step.settings))
        if before is not None:
            level = keep(before.trace.level_dbm, sweep.trace.level_dbm)
            sweep = replace(sweep, trace=replace(sweep.trace, level_dbm=level))
        memory[step.hookup, step.settings] = sweep
        return sweep

    play.falsify = falsify


def test_a_trace_that_holds_its_highest_stops_the_run(play) -> None:
    holding(play, np.maximum)
    last = play.whole()[-1]
    assert isinstance(last, Stop)
    assert "only rose" in last.why
    assert "under begin" in last.why


@pytest.mark.parametrize(
    ("keep", "says"),
    [(np.maximum, "only rose"), (np.minimum, "only fell"), (lambda _, b: b, ""), (lambda a, _: a, "bit")],
)
def test_a_hold_is_told_from_noise(keep, says: str) -> None:
    settings = SweepSettings(
        start_hz=144e6, stop_hz=148e6, points=401, rbw_hz=1e4, attenuation_db=0.0, reference_dbm=0.0,
        generator_dbm=0.0, detector=Detector.SAMPLE,
    )  # fmt: skip
    grid, rng = settings.grid_hz(), np.random.default_rng(1)
    true = np.linspace(-40.0, -85.0, grid.size)
    scatter_db = 4.343 * np.sqrt(2.0 * 10.0 ** ((-100.0 - true) / 10.0))  # -140 dBm/Hz in 10 kHz
    one, two = (true + scatter_db * rng.standard_normal(grid.size) for _ in range(2))
    sweeps = [Sweep(Trace(grid, level), settings, settings, frozenset(), AT, 1.0) for level in (one, keep(one, two))]
    swept = [
        Swept(at=AT, why="", hookup="thru", key="k", role=Role.THRU, sweep=each, file="", sha256="") for each in sweeps
    ]
    found = not_swept(Visit(Hookup(name="thru", kind=HookupKind.THRU), swept), -140.0)
    assert (says in found) if says else found == ""


def test_a_stopband_below_the_display_under_a_passband_that_drifts_is_no_hold() -> None:
    settings = SweepSettings(
        start_hz=144e6, stop_hz=148e6, points=401, rbw_hz=1e4, attenuation_db=0.0, reference_dbm=0.0,
        generator_dbm=0.0, detector=Detector.SAMPLE,
    )  # fmt: skip
    grid = settings.grid_hz()
    level = np.maximum(np.linspace(-40.0, -140.0, grid.size), -100.0)
    drifted = np.where(level > -100.0, level + 0.01, level)
    sweeps = [Sweep(Trace(grid, one), settings, settings, frozenset(), AT, 1.0) for one in (level, drifted)]
    swept = [
        Swept(at=AT, why="", hookup="thru", key="k", role=Role.THRU, sweep=one, file="", sha256="") for one in sweeps
    ]
    assert not_swept(Visit(Hookup(name="thru", kind=HookupKind.THRU), swept), -140.0) == ""


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
