"""Averaging in power, refusing what does not fit, subtracting noise, marking what is hidden."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.core.curve import Reading, stretch
from sequencer.core.normalise import average, fitting, mw, response
from sequencer.core.trace import Sweep, SweepSettings, Trace
from sequencer.errors import GridMismatchError, MeasurementError

SETTINGS = SweepSettings(
    start_hz=146e6,
    stop_hz=147e6,
    points=201,
    rbw_hz=1e3,
    attenuation_db=10.0,
    reference_dbm=0.0,
    generator_dbm=0.0,
    sweep_time_s=1.0,
)
GRID = SETTINGS.grid_hz()
T0 = datetime(2026, 1, 1, tzinfo=UTC)


def sweep(level_dbm, used=SETTINGS, second=0):
    level = np.broadcast_to(level_dbm, GRID.shape)
    return Sweep(Trace(used.grid_hz(), level), used, used, frozenset(), T0 + timedelta(seconds=second), 1.0)


def noisy(rng, signal_mw, noise_mw, repeats, used=SETTINGS):
    tone = np.sqrt(np.broadcast_to(signal_mw, GRID.shape))
    parts = rng.standard_normal((repeats, 2, GRID.size)) * np.sqrt(noise_mw / 2)
    return [sweep(10 * np.log10(np.abs(tone + p[0] + 1j * p[1]) ** 2), used) for p in parts]


def test_average_is_of_power_not_of_decibels():
    """N03: log-averaged noise reads 2.507 dB low (Rice 1944-45); the mean power has no such bias."""
    rng = np.random.default_rng(1)
    mean = average(noisy(rng, 0.0, 1e-9, 400)).power_mw.mean()
    # 80,400 independent exponentials: 0.35 % standard deviation, five of them
    assert mean == pytest.approx(1e-9, rel=0.018)


def test_scatter_of_repeats_gives_the_uncertainty_of_the_mean():
    """u(M)/M = 1/sqrt(K) for noise alone (trade notes 1.5). Pooled over nine points: within 5 % on average."""
    u_rel = average(noisy(np.random.default_rng(2), 0.0, 1e-9, 16)).u_rel
    assert np.mean(u_rel) == pytest.approx(0.25, rel=0.05)


def test_normalising_by_itself_gives_zero_db():
    level = -10.0 - np.linspace(0.0, 5.0, GRID.size)
    thru = average([sweep(level)])
    assert np.allclose(response(thru, thru).loss_db, 0.0, atol=1e-12)


@given(shift=st.floats(-30.0, 30.0))
def test_adding_the_same_to_both_changes_nothing(shift):
    level = -60.0 + np.linspace(0.0, 5.0, GRID.size)
    plain = response(average([sweep(level)]), average([sweep(-10.0)])).loss_db
    moved = response(average([sweep(level + shift)]), average([sweep(-10.0 + shift)])).loss_db
    assert np.allclose(plain, moved, atol=1e-9)


@pytest.mark.parametrize(
    ("above_db", "correction_db"),
    # trade notes 1.5 and check value N08; S = M - N as power
    [(6.0, -1.26), (10.0, -0.46), (15.0, -0.14), (20.0, -0.04)],
)
def test_noise_is_subtracted_as_power(above_db, correction_db):
    device = replace(average([sweep(-80.0 + np.linspace(0, 1e-9, GRID.size))]), repeats=2)
    device = replace(device, u_rel=np.full(GRID.size, 1e-3))
    noise = replace(average([sweep(-80.0 - above_db)]), repeats=2, u_rel=np.full(GRID.size, 1e-3))
    loss = response(device, average([sweep(0.0)]), noise).loss_db
    assert loss == pytest.approx(80.0 - correction_db, abs=0.005)  # the notes give two decimals


def test_below_three_decibels_above_noise_there_is_only_a_bound():
    rng = np.random.default_rng(3)
    device, noise = (average(noisy(rng, s, 1e-9, 200)) for s in (0.3e-9, 0.0))
    out = response(device, average([sweep(0.0)]), noise)
    assert out.hidden.all()
    assert np.isnan(out.loss_db).all()
    true = -10 * np.log10(0.3e-9)
    # one-sided 95 %: of 201 independent points a 1 % binomial test allows 19 misses, the pooled scatter a few more
    assert np.sum(out.bound_db > true) <= 22


def test_display_bottom_makes_a_bound():
    used = replace(SETTINGS, display_bottom_dbm=-80.0)
    level = np.where(np.abs(GRID - 146.5e6) < 1e5, -80.0, -40.0)
    out = response(average([sweep(level, used)]), average([sweep(0.0, used)]))
    assert np.array_equal(out.hidden, level == -80.0)
    assert np.all(out.bound_db[out.hidden] <= 80.0 + 1e-9)


def test_a_reading_within_one_db_of_the_displays_bottom_is_a_bound():
    """Trade notes 12.3: else coverage on a short display falls to 80 %."""
    used = replace(SETTINGS, display_bottom_dbm=-80.0)
    level = -80.0 + np.linspace(0.0, 4.0, GRID.size)
    out = response(average([sweep(level, used)]), average([sweep(0.0, used)]))
    assert np.array_equal(out.cut_off, level <= -79.0)
    assert np.all(out.bound_db[out.hidden] <= 80.0 + 1e-9)


def test_a_coarse_trace_of_a_flat_pass_band_is_not_taken_for_the_bottom():
    out = response(average([sweep(-1.5)]), average([sweep(0.0)]))
    assert not out.hidden.any()


def test_grids_that_differ_are_refused():
    other = replace(SETTINGS, stop_hz=147.1e6)
    with pytest.raises(GridMismatchError, match="grids differ"):
        response(average([sweep(-10.0)]), average([sweep(0.0, other)]))
    with pytest.raises(GridMismatchError):
        average([sweep(0.0), sweep(0.0, other)])


@pytest.mark.parametrize("change", [{"generator_dbm": -5.0}, {"detector": "sample"}])
def test_other_generator_level_or_detector_is_refused(change):
    with pytest.raises(MeasurementError, match="again"):
        response(average([sweep(-10.0)]), average([sweep(0.0, replace(SETTINGS, **change))]))


@pytest.mark.parametrize("name", ["rbw_hz", "attenuation_db", "reference_dbm"])
def test_switched_settings_are_named(name):
    other = replace(SETTINGS, **{name: 5.0})
    assert response(average([sweep(-10.0)]), average([sweep(0.0, other)])).switched == (name,)


def test_closing_thru_is_averaged_in_with_the_opening_one():
    out = response(
        average([sweep(-10.0)]), average([sweep(0.0)]), closing=average([sweep(0.2 + np.linspace(0, 1e-9, GRID.size))])
    )
    assert out.loss_db == pytest.approx(10.1, abs=1e-6)  # double precision with the 1e-9 slope


def test_repeats_of_other_settings_are_refused():
    with pytest.raises(MeasurementError, match="rbw_hz"):
        average([sweep(0.0), sweep(0.0, replace(SETTINGS, rbw_hz=300.0))])
    with pytest.raises(MeasurementError, match="no sweep"):
        average([])


def test_noise_taken_at_another_rbw_is_scaled():
    """Floor moves by 10 log(RBW2/RBW1): 10 kHz to 100 Hz is 20.0 dB (trade notes 1.3)."""
    noise = average([sweep(-80.0, replace(SETTINGS, rbw_hz=1e5))])
    out = response(average([sweep(-60.0)]), average([sweep(0.0)]), noise)
    assert out.floor_db == pytest.approx(100.0, abs=1e-9)


def test_one_sweep_alone_has_an_uncertainty_from_theory():
    """1 s over 201 points at 1 kHz: 4.98 independent samples a point; noise alone has relative variance one each."""
    device = average([sweep(-100.0 + np.linspace(0, 1e-9, GRID.size))])
    out = response(device, average([sweep(0.0)]), average([sweep(-100.0)]))
    # sqrt of both variances, N each: sqrt(2/4.975) N
    assert out.u_ratio == pytest.approx(np.sqrt(2 / (1000 / 201)) * 1e-10, rel=1e-6)


def test_fit_has_the_noise_it_claims_and_no_bias():
    """The least of a noisy parabola is biased; its fit is not. 300 draws: 6 % of a standard deviation."""
    rng = np.random.default_rng(4)
    f = np.linspace(-1.0, 1.0, 41)
    true = 1.0 + 3.0 * f**2
    errors, claimed, raw = [], [], []
    for _ in range(300):
        y = true + 0.2 * rng.standard_normal(f.size)
        values, u = fitting(f, y, np.full(f.size, 0.2), np.array([0.0]))
        errors.append(values[0] - 1.0)
        claimed.append(u[0])
        raw.append(y.min() - 1.0)
    assert abs(np.mean(errors)) < 4 * np.std(errors) / np.sqrt(300)
    assert np.std(errors) == pytest.approx(np.mean(claimed), rel=0.25)  # degree chosen from the data costs some
    assert np.mean(raw) < -0.15


@pytest.mark.parametrize("shared", [1, 6])
def test_noise_that_neighbours_share_does_not_hinder_a_fit(shared):
    """A flat course of 396 points, so many of which have one noise, known within a fifth: nearly each is fitted."""
    f, rng, at = np.linspace(-1.0, 1.0, 396), np.random.default_rng(4), np.array([0.1])
    stated = np.full(f.size, 0.041)
    fits = []
    for _ in range(200):
        noise = np.repeat(rng.standard_normal(f.size // shared), shared)
        fits.append(fitting(f, 1.0 + 0.05 * noise, stated, at, shared=shared))
    there = [fit for fit in fits if fit is not None]
    assert len(there) >= 195  # of single points the least would be told
    errors = np.array([values[0] - 1.0 for values, _ in there])
    assert np.std(errors) == pytest.approx(np.mean([u[0] for _, u in there]), rel=0.25)  # the degree is chosen, too


def test_no_fit_is_claimed_of_a_step():
    f = np.linspace(-1.0, 1.0, 41)
    assert fitting(f, np.sign(f), np.full(f.size, 0.01), f) is None


def test_mw():
    assert mw(-30.0) == pytest.approx(1e-3)


def as_strong_as_noise(rng, samples, points=30):
    """Sweeps of one path at S = N = 1e-9 mW, so many samples of noise a point, against thru and noise known well."""
    used = replace(SETTINGS, points=points, sweep_time_s=samples * points / SETTINGS.rbw_hz)
    noise = rng.standard_normal((2, samples, points)) * np.sqrt(0.5e-9)
    power = np.mean(np.abs(np.sqrt(1e-9) + noise[0] + 1j * noise[1]) ** 2, axis=0)
    grid = used.grid_hz()

    def swept(level_dbm):
        level = np.broadcast_to(level_dbm, grid.shape)
        return average([Sweep(Trace(grid, level), used, used, frozenset(), T0, 1.0)])

    known = replace(swept(-90.0), repeats=2, u_rel=np.full(points, 1e-6), dof=1e6)
    return response(swept(10.0 * np.log10(power)), swept(0.0), known)


@pytest.mark.parametrize("samples", [1, 2, 4, 10, 40])
def test_a_fit_near_the_noise_does_not_follow_the_readings_that_noise_threw_low(samples):
    """Uncertainties reckoned from a point's own reading gave a mean fit of -0.6 N of a tone of 1 N (one sample)."""
    rng = np.random.default_rng(1)
    found, stated = [], []
    for _ in range(300):
        r = as_strong_as_noise(rng, samples)
        names = ("freq_hz", "ratio", "u_ratio", "raw", "noise", "cut_off", "shared", "expected")
        reading = Reading(**{name: getattr(r, name) for name in names})
        middle = float(r.freq_hz[14])
        here = stretch(reading, middle, middle, margin=30)
        if here.grid_db == here.single == 0.0:  # a fit
            found.append(here.ratio[0])
            stated.append(here.u[0])
    errors = np.array(found) / 1e-9 - 1.0
    u = np.array(stated) / 1e-9
    assert len(errors) >= 290
    # four standard deviations of a mean of 300, and what weights from few samples leave: a tenth of one fit's own u
    assert abs(np.mean(errors)) < 4.0 * np.std(errors) / np.sqrt(300) + 0.1 * np.mean(u)
    assert np.std(errors) == pytest.approx(np.mean(u), rel=0.25)  # the degree is chosen from the data, too
    # 5 % are meant; chi-squared of single samples is skew: a bound from one sweep of them is too high in 1 of 10
    assert np.mean(errors + 1.645 * u < 0.0) < (0.14 if samples < 4 else 0.09)


def test_no_point_near_the_noise_is_surer_than_noise_lets_it_be():
    r = as_strong_as_noise(np.random.default_rng(3), 4)
    assert np.all(r.u_ratio >= 1e-9 / np.sqrt(4) * (1.0 - 1e-6))  # N over the root of the samples, at S = 0


def test_an_expected_level_follows_a_notch_that_noise_does_not_touch():
    """A parabola 40 dB above the noise at its bottom and points that bend are themselves, not their neighbours."""
    level_dbm = -50.0 + 10.0 * np.log10(1.0 + np.linspace(-40.0, 40.0, GRID.size) ** 2)
    r = response(average([sweep(level_dbm)]), average([sweep(0.0)]), average([sweep(-90.0)]))
    assert r.expected == pytest.approx(r.raw, rel=0.05)
