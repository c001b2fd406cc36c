"""Grids, filters and times follow from the limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sequencer.core.history import Role
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.plan import ALIGNED, ASSUMED_Q, RATE, ROOM_DB, Known, make_plan, seconds_of
from sequencer.run.predict import TYPICAL

FIXED = replace(TYPICAL, points=(401, 401), rbw_hz=(100.0, 300.0, 1e3, 3e3, 10e3, 30e3), display_range_db=100.0)


@pytest.fixture(params=[TYPICAL, FIXED], ids=["free points", "fixed points"])
def caps(request: pytest.FixtureRequest):
    return request.param


def every_sweep(recipe: Recipe, bench: Bench, caps):
    return [s for station in make_plan(recipe, bench, caps, Known()).stations for s in station.sweeps]


def test_target_frequencies_lie_on_the_grid(recipe: Recipe, bench: Bench, caps) -> None:
    for sweep in every_sweep(recipe, bench, caps):
        grid = sweep.settings.grid_hz()
        wanted = recipe.frequencies.values() if sweep.key == "overview" else [recipe.frequencies[sweep.key]]
        for hz in wanted:
            assert np.min(np.abs(grid - hz)) < 0.5, sweep.key


def test_edges_of_within_lie_on_the_grid(recipe: Recipe, bench: Bench, caps) -> None:
    for sweep in every_sweep(recipe, bench, caps):
        if sweep.key == "receive" and sweep.role is Role.DEVICE:
            grid = sweep.settings.grid_hz()
            for edge in (-8e3, 8e3):
                assert np.min(np.abs(grid - recipe.frequencies["receive"] - edge)) < 0.5


def test_floor_lies_ten_db_below_what_must_be_seen(recipe: Recipe, bench: Bench, caps) -> None:
    noise_dbm_hz, thru_dbm = -140.0, -21.0
    plan = make_plan(recipe, bench, caps, Known(noise_dbm_hz=noise_dbm_hz, thru_dbm=thru_dbm))
    for station in plan.stations:
        for sweep in station.sweeps:
            if station.hookup.name == "TX-ANT" and sweep.key == "receive":
                used = sweep.settings
                floor_dbm = noise_dbm_hz + used.attenuation_db + 10 * np.log10(used.rbw_hz)
                assert floor_dbm <= thru_dbm - 75.0 - 10.0
                assert floor_dbm >= thru_dbm - 75.0 - ROOM_DB - 12.0  # no narrower than needed: 1-3-10 steps and 2 dB


def test_zooms_are_slow_against_the_narrowest_notch(recipe: Recipe, bench: Bench, caps) -> None:
    for sweep in every_sweep(recipe, bench, caps):
        if sweep.key == "overview":
            continue
        rate = sweep.settings.span_hz / seconds_of(sweep.settings, caps)
        narrowest = ALIGNED * sweep.settings.center_hz / ASSUMED_Q
        assert rate <= RATE * narrowest**2 * 1.001


def test_no_single_sweep_is_longer_than_twenty_seconds(recipe: Recipe, bench: Bench, caps) -> None:
    assert max(seconds_of(s.settings, caps) for s in every_sweep(recipe, bench, caps)) <= 20.0


def test_a_sweep_and_its_thru_differ_only_in_what_may_differ(recipe: Recipe, bench: Bench, caps) -> None:
    plan = make_plan(recipe, bench, caps, Known())
    thru = {s.key: s.settings for s in plan.stations[0].sweeps if s.role is Role.THRU}
    for station in plan.stations:
        for sweep in station.sweeps:
            if sweep.role in {Role.DEVICE, Role.LEAKAGE}:
                same = replace(sweep.settings, reference_dbm=0.0, sweep_time_s=None)
                assert same == replace(thru[sweep.key], reference_dbm=0.0, sweep_time_s=None)


def test_a_short_display_is_moved_down_to_the_notch(recipe: Recipe, bench: Bench) -> None:
    short = replace(TYPICAL, display_range_db=80.0)
    plan = make_plan(recipe, bench, short, Known())
    station = next(s for s in plan.stations if s.hookup.name == "TX-ANT")
    notch = next(s.settings for s in station.sweeps if s.key == "receive")
    bottom = notch.reference_dbm - 80.0
    assert bottom < -21.0 - 75.0 - 5.0


def test_without_a_bridge_the_return_loss_is_a_gap(recipe: Recipe, bench: Bench) -> None:
    plan = make_plan(recipe, replace(bench, bridge=None), TYPICAL, Known())
    assert {gap for gap, _ in plan.gaps} == {r.id for r in recipe.requirements if r.port}
    assert not any(s.hookup.name.startswith("reflect") for s in plan.stations)


def test_more_noise_takes_more_time_never_less(recipe: Recipe, bench: Bench, caps) -> None:
    def seconds(noise_dbm_hz: float) -> float:
        plan = make_plan(recipe, bench, caps, Known(noise_dbm_hz=noise_dbm_hz, thru_dbm=-21.0))
        return sum(s.repeats * seconds_of(s.settings, caps) for station in plan.stations for s in station.sweeps)

    times = [seconds(noise) for noise in (-155.0, -145.0, -135.0)]
    assert times == sorted(times)
    assert times[-1] > 1.5 * times[0]


def test_noise_is_its_share_at_the_level_of_the_limit(recipe: Recipe, bench: Bench) -> None:
    plan = make_plan(recipe, bench, TYPICAL, Known(noise_dbm_hz=-140.0, thru_dbm=-21.0))
    station = next(s for s in plan.stations if s.hookup.name == "TX-ANT")
    sweep = next(s for s in station.sweeps if s.key == "receive")
    used = sweep.settings
    rng = np.random.default_rng(7)
    samples = max(1, round(used.rbw_hz * seconds_of(used, TYPICAL) / used.points)) * sweep.repeats
    noise_mw = 10 ** ((-140.0 + used.attenuation_db + 10 * np.log10(used.rbw_hz)) / 10)
    signal_mw = 10 ** ((-21.0 - 75.0) / 10)
    shape = (2000, samples)
    noise = rng.normal(size=shape) + 1j * rng.normal(size=shape)
    other = rng.normal(size=shape) + 1j * rng.normal(size=shape)
    power = np.mean(np.abs(np.sqrt(signal_mw) + noise * np.sqrt(noise_mw / 2)) ** 2, axis=1)
    alone = np.mean(np.abs(other * np.sqrt(noise_mw / 2)) ** 2, axis=1)
    u_db = np.std(10 * np.log10(power - alone))
    assert u_db < 0.22  # 0.2 dB planned, 2000 draws scatter by 2 %, curvature of the logarithm


def test_device_zooms_are_taken_at_least_twice(recipe: Recipe, bench: Bench, caps) -> None:
    for sweep in every_sweep(recipe, bench, caps):
        if sweep.role is Role.DEVICE and sweep.key != "overview":
            assert sweep.repeats >= 2
