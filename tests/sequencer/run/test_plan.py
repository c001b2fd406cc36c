"""Grids, filters and times follow from the limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sequencer.core.history import Role
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Bench, Recipe, Rule
from sequencer.recipe.starters import read_recipe, starter_names
from sequencer.run.plan import Known, make_plan, seconds_of
from sequencer.run.predict import TYPICAL
from sequencer.run.settings import FEWEST_FITTED, MOST_FITTED, NOISE_SHARE_DB, Setter
from sequencer.run.windows import ALIGNED, ASSUMED_Q, LEAKAGE

FIXED = replace(TYPICAL, points=(401, 401), rbw_hz=(100.0, 300.0, 1e3, 3e3, 10e3, 30e3), display_range_db=100.0)

EVEN = replace(FIXED, points=(600, 600))
FEW = replace(TYPICAL, points=(101, 200))


@pytest.fixture(params=[TYPICAL, FIXED, EVEN, FEW], ids=["free points", "fixed points", "an even number", "few points"])
def caps(request: pytest.FixtureRequest):
    return request.param


def every_sweep(recipe: Recipe, bench: Bench, caps):
    return [s for station in make_plan(recipe, bench, caps, Known()).stations for s in station.sweeps]


def test_target_frequencies_lie_on_the_grid(recipe: Recipe, bench: Bench, caps) -> None:
    for sweep in every_sweep(recipe, bench, caps):
        grid = sweep.settings.grid_hz()
        name = sweep.key.removeprefix(f"{LEAKAGE} ")
        wanted = recipe.frequencies.values() if name == "overview" else [recipe.frequencies[name]]
        for hz in wanted:
            assert np.min(np.abs(grid - hz)) < 0.5, sweep.key


def test_no_more_or_fewer_points_are_asked_for_than_there_are(recipe: Recipe, bench: Bench, caps) -> None:
    for sweep in every_sweep(recipe, bench, caps):
        assert caps.points[0] <= sweep.settings.points <= caps.points[1], sweep.key


def test_edges_of_within_lie_on_the_grid(recipe: Recipe, bench: Bench, caps) -> None:
    for sweep in every_sweep(recipe, bench, caps):
        if sweep.key == "receive" and sweep.role is Role.DEVICE:
            grid = sweep.settings.grid_hz()
            for edge in (-8e3, 8e3):
                assert np.min(np.abs(grid - recipe.frequencies["receive"] - edge)) < 0.5


@pytest.mark.parametrize("noise_dbm_hz", [-150.0 + n for n in range(20)])
def test_floor_lies_ten_db_below_what_must_be_seen(recipe: Recipe, bench: Bench, caps, noise_dbm_hz: float) -> None:
    """In steps of 1 dB of noise, so that filters in steps of 1-3-10 cannot hide a smaller room."""
    thru_dbm = -21.0
    plan = make_plan(recipe, bench, caps, Known(noise_dbm_hz=noise_dbm_hz, thru_dbm=thru_dbm))
    station = next(station for station in plan.stations if station.hookup.name == "TX-ANT")
    used = next(sweep.settings for sweep in station.sweeps if sweep.key == "receive")
    floor_dbm = noise_dbm_hz + used.attenuation_db + 10 * np.log10(used.rbw_hz)
    assert floor_dbm <= thru_dbm - 75.0 - 10.0
    if noise_dbm_hz == -140.0:  # no narrower than needed: 1-3-10 steps and 2 dB
        assert floor_dbm >= thru_dbm - 75.0 - 10.0 - 12.0


@pytest.mark.parametrize("starter", starter_names())
def test_no_filter_of_a_zoom_is_wider_than_the_narrowest_notch(starter: str, bench: Bench, caps) -> None:
    """However little noise there is: three aligned notches of Q 10,000 are 0.51 f / Q wide (trade notes 1.8)."""
    recipe = load_recipe(*read_recipe(starter))
    plan = make_plan(recipe, bench, caps, Known(noise_dbm_hz=-175.0, thru_dbm=-21.0))
    zooms = [
        s for station in plan.stations for s in station.sweeps if s.key.removeprefix("wide ") in recipe.frequencies
    ]
    assert zooms
    for sweep in zooms:
        assert sweep.settings.rbw_hz <= 0.51 * sweep.settings.center_hz / 10_000.0, sweep.key


@pytest.mark.parametrize("noise_dbm_hz", [-140.0, -125.0, -105.0])
@pytest.mark.parametrize("factor", [2.5, 40.0])
def test_a_single_sweep_takes_at_most_20_s(recipe: Recipe, bench: Bench, caps, noise_dbm_hz: float, factor: float):
    """The issue's figure: an instrument that cannot be interrupted has its output off within a sweep. Noisy ones are
    asked for sweeps that are just so long, so this can fail."""
    slow = replace(caps, sweep_factor=factor)
    plan = make_plan(recipe, bench, slow, Known(noise_dbm_hz=noise_dbm_hz, thru_dbm=-21.0))
    longest = max(seconds_of(s.settings, slow) for station in plan.stations for s in station.sweeps)
    assert longest <= 20.0
    if noise_dbm_hz > -120.0:
        assert longest > 5.0


def test_zooms_are_slow_against_the_narrowest_notch(recipe: Recipe, bench: Bench, caps) -> None:
    for sweep in every_sweep(recipe, bench, caps):
        if sweep.key == "overview" or sweep.role is Role.LEAKAGE:  # leads do not ring
            continue
        rate = sweep.settings.span_hz / seconds_of(sweep.settings, caps)
        narrowest = ALIGNED * sweep.settings.center_hz / ASSUMED_Q
        assert rate <= 0.02 * narrowest**2 * 1.001  # trade notes 1.8: above it, halve the rate and compare


def test_no_single_sweep_is_longer_than_twenty_seconds(recipe: Recipe, bench: Bench, caps) -> None:
    assert max(seconds_of(s.settings, caps) for s in every_sweep(recipe, bench, caps)) <= 20.0


def test_a_sweep_and_its_thru_differ_only_in_what_may_differ(recipe: Recipe, bench: Bench, caps) -> None:
    plan = make_plan(recipe, bench, caps, Known())
    thru = {s.key: s.settings for s in plan.stations[0].sweeps if s.role is Role.THRU}
    for station in plan.stations:
        for sweep in station.sweeps:
            if sweep.role is Role.DEVICE or sweep.key == "overview":
                if sweep.role in {Role.FOREIGN, Role.OPEN, Role.SHORT, Role.REFLECTION, Role.COMPRESSION}:
                    continue
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
    # one of the points of a fit; 2000 draws scatter by 2 %, and the logarithm is curved
    assert u_db < 1.1 * NOISE_SHARE_DB * np.sqrt(used.points / FEWEST_FITTED)
    assert u_db > 0.5 * NOISE_SHARE_DB * np.sqrt(used.points / MOST_FITTED)


def test_leakage_is_seen_twenty_db_below_the_limit(recipe: Recipe, bench: Bench) -> None:
    """Trade notes 1.11: want L >= R + 20 dB; what noise hides of it counts with its 95 % bound."""
    plan = make_plan(recipe, bench, TYPICAL, Known(noise_dbm_hz=-140.0, thru_dbm=-21.0))
    station = next(s for s in plan.stations if s.hookup.name == "floor")
    rng = np.random.default_rng(3)
    for sweep in (s for s in station.sweeps if s.key.startswith(LEAKAGE)):
        used = sweep.settings
        noise_mw = 10 ** ((-140.0 + used.attenuation_db + 10 * np.log10(used.rbw_hz)) / 10)
        samples = round(used.rbw_hz * seconds_of(used, TYPICAL)) * sweep.repeats
        parts = rng.normal(size=(2000, samples, 2)) * np.sqrt(noise_mw / 2)
        left_mw = np.mean(np.sum(parts**2, axis=2), axis=1) - noise_mw
        assert 10 * np.log10(1.645 * np.std(left_mw)) < -21.0 - 75.0 - 20.0


@pytest.mark.parametrize("noise_dbm_hz", [-135.0, -134.0, -133.0])
def test_a_leak_that_is_small_enough_is_hardly_ever_doubted(recipe: Recipe, bench: Bench, noise_dbm_hz: float) -> None:
    """A leak 30 dB below the limit, read beside noise: the 95 % bound must clear 20 dB in 99 of 100 runs at least."""
    plan = make_plan(recipe, bench, TYPICAL, Known(noise_dbm_hz=noise_dbm_hz, thru_dbm=-21.0))
    station = next(s for s in plan.stations if s.hookup.name == "floor")
    rng = np.random.default_rng(5)
    for sweep in (s for s in station.sweeps if s.key.startswith(LEAKAGE) and s.role is Role.LEAKAGE):
        used = sweep.settings
        noise_mw = 10 ** ((noise_dbm_hz + used.attenuation_db + 10 * np.log10(used.rbw_hz)) / 10)
        limit_mw = 10 ** ((-21.0 - 75.0) / 10)
        count = round(used.rbw_hz * seconds_of(used, TYPICAL)) * sweep.repeats
        leak_mw = 1e-3 * limit_mw
        # means of `count` powers: a tone in noise is noncentral chi-squared (Rice), noise alone is gamma
        power = noise_mw / (2 * count) * rng.noncentral_chisquare(2 * count, 2 * count * leak_mw / noise_mw, 20_000)
        alone = noise_mw / count * rng.gamma(count, 1.0, 20_000)
        part = np.minimum(alone, power)
        u_mw = np.sqrt((2 * power * part - part**2 + alone**2) / count)
        doubted = np.mean(np.maximum(power - alone, 0.0) + 1.645 * u_mw > 1e-2 * limit_mw)
        assert doubted < 0.01, f"{sweep.key}: {doubted:.1%}"


def test_noise_and_leakage_take_a_small_part_of_the_time(recipe: Recipe, bench: Bench, caps) -> None:
    plan = make_plan(recipe, bench, caps, Known(noise_dbm_hz=-140.0, thru_dbm=-21.0))
    spent = {s.hookup.name: sum(p.repeats * seconds_of(p.settings, caps) for p in s.sweeps) for s in plan.stations}
    assert spent["floor"] < 0.6 * (spent["TX-ANT"] + spent["ANT-RX"] + spent["TX-RX"])


def test_device_zooms_are_taken_at_least_twice(recipe: Recipe, bench: Bench, caps) -> None:
    for sweep in every_sweep(recipe, bench, caps):
        if sweep.role is Role.DEVICE and sweep.key != "overview":
            assert sweep.repeats >= 2


def test_a_quick_look_takes_no_reflections_though_the_bench_has_a_bridge(bench: Bench) -> None:
    """`simple` judges the reading as it stands, so a narrower interval is not worth five hookups more."""
    assert bench.bridge is not None
    recipe = load_recipe(*read_recipe("vhf-600k-quick"))
    guarded = replace(recipe, decision=replace(recipe.decision, rule=Rule.GUARDED))
    hookups = {
        name: [s.hookup.name for s in make_plan(each, bench, TYPICAL, Known()).stations]
        for name, each in (("simple", recipe), ("guarded", guarded))
    }
    assert sorted(hookups["simple"]) == ["ANT-RX", "TX-ANT", "floor", "thru", "thru"]
    assert len(hookups["guarded"]) == 10


@pytest.mark.parametrize(
    ("low_hz", "generator_hz", "asked_hz", "expected_hz"),
    [
        (20.0, 0.0, 25.0, 30.0),
        (20.0, 0.0, 5.0, 30.0),
        (1.0, 500.0, 100.0, 1e3),
        (10.0, 1e3, 4e3, 3e3),
        (200.0, 0.0, 250.0, 300.0),
    ],
)
def test_no_filter_below_what_analyzer_and_generator_can(
    recipe: Recipe, bench: Bench, low_hz: float, generator_hz: float, asked_hz: float, expected_hz: float
) -> None:
    """Where it lists no filters: rounded down to 1-3-10, but never below its least, nor the generator's."""
    caps = replace(TYPICAL, rbw_hz=(), rbw_range_hz=(low_hz, 3e6), generator_min_rbw_hz=generator_hz)
    assert Setter(recipe, bench, caps, Known()).allowed_rbw_hz(asked_hz) == pytest.approx(expected_hz)
