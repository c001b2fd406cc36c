"""Noise, detectors, compression, scale and display of the simulated receiver."""

from dataclasses import replace

import numpy as np
import pytest

from instruments.simulated import receiver
from instruments.simulated.profile import Drawn, Profile
from instruments.simulated.receiver import Averages, Detect, ReceiverSettings

SETTINGS = ReceiverSettings(
    rbw_hz=1e3,
    vbw_hz=3e3,
    attenuation_db=0.0,
    reference_dbm=0.0,
    detector=Detect.POWER,
    average_count=1,
    dwell_s=10.5e-3,  # ten independent samples a bucket
    display_range_db=None,
)
NOTHING = np.zeros(20000, dtype=complex)


def mean_db(volts, settings, noise_mw=1.0, seed=1):
    power = receiver.detected_mw(volts, noise_mw, settings, np.random.default_rng(seed))
    return 10 * np.log10(np.mean(power))


def test_noise_bandwidth_of_a_gaussian_filter():
    # Integral of the filter's power response, 3 dB down at half the RBW, summed numerically.
    f = np.linspace(-5, 5, 100001)
    assert np.trapezoid(0.5 ** ((2 * f) ** 2), f) == pytest.approx(receiver.NOISE_BANDWIDTH, rel=1e-6)


@pytest.mark.parametrize(
    ("changed", "bias_db"),
    [
        pytest.param({}, 0.0, id="power-average-unbiased"),
        pytest.param({"detector": Detect.SAMPLE}, 0.0, id="sample-unbiased-as-power"),
        # Check value N15: largest of 10 samples, +4.66715 dB (harmonic number, derived).
        pytest.param({"detector": Detect.PEAK}, 4.66715, id="peak-of-10"),
        pytest.param({"average_count": 4}, 0.0, id="averaged"),
        pytest.param({"detector": Detect.PEAK, "average_count": 3}, 4.66715, id="averaged-peaks"),
    ],
)
def test_detectors_on_noise(changed, bias_db):
    # 20000 points, each scattering by at most 4.3 dB: the mean power is known within 0.03 dB (1 sigma).
    assert mean_db(NOTHING, replace(SETTINGS, **changed)) == pytest.approx(bias_db, abs=0.1)


def test_narrow_video_filter_averages_the_logarithm():
    power = receiver.detected_mw(NOTHING, 1.0, replace(SETTINGS, vbw_hz=50.0), np.random.default_rng(2))
    # Check value N03: the mean of 10 log10 of noise reads 2.50682 dB low (Rice 1944-45, Euler's constant).
    assert np.mean(10 * np.log10(power)) == pytest.approx(-2.50682, abs=0.03)  # 20000 x 20 samples: sigma 0.009 dB


@pytest.mark.parametrize(
    ("changed", "bias_db"),
    [  # check values N03 and N04: 10 lg e times Euler's constant; 10 lg(4 / pi) (Rice 1944-45)
        pytest.param({"averages": Averages.LOG}, -2.50682, id="log"),
        pytest.param({"averages": Averages.VOLTAGE}, -1.04910, id="voltage"),
        pytest.param({"averages": Averages.POWER}, 0.0, id="power"),
    ],
)
@pytest.mark.parametrize(
    "where",
    [
        pytest.param({"detector": Detect.SAMPLE, "average_count": 400}, id="sweeps"),
        pytest.param({"detector": Detect.AVERAGE, "average_count": 40}, id="within-a-point"),
    ],
)
def test_what_is_averaged_tells_how_noise_reads(changed, bias_db, where):
    averaged = replace(SETTINGS, **changed, **where)
    power = receiver.detected_mw(NOTHING[:2000], 1.0, averaged, np.random.default_rng(7))
    # 400 values a point scatter by 5.57 / 20 dB and less; over 2000 points the mean is known to 0.006 dB
    assert np.mean(10 * np.log10(power)) == pytest.approx(bias_db, abs=0.03)


def test_a_line_far_above_the_noise_reads_alike_whatever_is_averaged():
    strong = np.full(500, 30.0 + 0j)  # 29.5 dB above
    for kind in Averages:
        averaged = replace(SETTINGS, detector=Detect.SAMPLE, average_count=50, averages=kind)
        assert mean_db(strong, averaged) == pytest.approx(10 * np.log10(901.0 if kind == "power" else 900.0), abs=0.01)


def test_mean_of_many_samples_is_drawn_as_if_each_had_been():
    volts = np.full(20000, 1.0 + 0.5j)
    rng = np.random.default_rng(3)
    each = rng.normal(size=(10, 20000, 2)) * np.sqrt(0.5)
    slow = np.mean(np.abs(volts + each[..., 0] + 1j * each[..., 1]) ** 2, axis=0)
    fast = receiver.detected_mw(volts, 1.0, SETTINGS, rng)
    # Mean 2.25, variance 2*1.25/10 + 1/10: standard errors 0.004 and 0.0035 with 20000 points; five of them.
    assert np.mean(fast) == pytest.approx(np.mean(slow), abs=0.03)
    assert np.var(fast) == pytest.approx(np.var(slow), abs=0.03)


@pytest.mark.parametrize("dwell_s", [1e-3, 1e-4, 2e-5])
def test_points_closer_than_the_filter_forgets_share_their_noise(dwell_s):
    quick = replace(SETTINGS, detector=Detect.SAMPLE, dwell_s=dwell_s)
    volts = np.full(20000, 1e3 + 0j)  # far above the noise: power - mean is linear in the noise's real part
    power = receiver.detected_mw(volts, 1.0, quick, np.random.default_rng(5))
    wobble = (power - np.mean(power)) / np.std(power)
    # A Gaussian filter's noise has the autocorrelation exp(-(pi RBW t)^2 / (4 ln 2)) (Wiener-Khinchin).
    expected = np.exp(-((np.pi * 1e3 * dwell_s) ** 2) / (4 * np.log(2)))
    assert np.mean(wobble[1:] * wobble[:-1]) == pytest.approx(expected, abs=0.08)


def test_compression_is_one_decibel_where_stated():
    volts = np.array([1.0, 10 ** (-30 / 20)], dtype=complex)  # 0 dBm and -30 dBm
    out = receiver.compressed(volts, 0.0, 0.0)
    loss = 20 * np.log10(np.abs(volts / out))
    assert loss == pytest.approx([1.0, 0.0], abs=0.002)
    assert 20 * np.log10(np.abs(volts / receiver.compressed(volts, 20.0, 0.0)))[0] == pytest.approx(0.0, abs=0.012)


def test_display_ends():
    drawn = Drawn(Profile(scale_per_db=1e-9, scale_over_range_db=1e-9), 1)
    short = replace(SETTINGS, display_range_db=100.0, reference_dbm=-20.0)
    shown = receiver.shown_dbm(10 ** (np.array([-150.0, -60.0, -10.0]) / 10), short, drawn, np.zeros(3))
    assert shown[0] == -120.0
    assert shown[2] == -20.0
    assert shown[1] == pytest.approx(-60.0, abs=0.2)  # switching errors only


def test_a_hurried_sweep_loses_level_and_a_coupled_one_does_not():
    coupled = 1e6 / 2.5
    assert receiver.sweep_loss_db(coupled, SETTINGS, 2.5) == pytest.approx(0.0, abs=1e-12)
    assert receiver.sweep_loss_db(10 * coupled, SETTINGS, 2.5) > 1.0


@pytest.mark.parametrize("seed", range(30))
def test_drawn_errors_stay_within_what_the_bench_file_says(seed):
    p = Profile()
    drawn = Drawn(p, seed)
    freq = np.linspace(50e6, 950e6, 181)
    pads = (1.05 - 1) / (1.05 + 1)
    limit = pads + 10 ** (-20 / 20) * 0.2 / (1 - pads * 0.2)
    for reflection in (drawn.source(freq), drawn.receiver(freq)):
        assert np.max(np.abs(reflection)) < limit
    for port in range(6):
        assert np.max(np.abs(drawn.load(port, freq))) < (1.02 - 1) / (1.02 + 1)
    assert np.max(np.abs(drawn.directivity(freq))) < 0.01
    assert np.max(np.abs(drawn.test_port(freq))) < 0.1 / 2.1
    assert np.max(np.abs(drawn.leakage(freq))) < 10 ** (-115 / 20)
    depth = np.linspace(0, 130, 261)
    error = drawn.scale_db(depth)
    between = np.abs(error[:, None] - error[None, :])
    apart = np.abs(depth[:, None] - depth[None, :])
    assert np.all(between <= np.minimum(p.scale_per_db * apart, p.scale_over_range_db) + 1e-12)
    assert np.ptp(error) > 0.01  # it is an error, not a formality
    when = np.arange(0.0, 4 * 3600.0, 60.0)
    drift = drawn.drift_db(when, when + p.on_for_s)
    assert np.max(np.abs(np.diff(drift))) < p.drift_db_per_h / 60.0
    switched = [drawn.switching_db(attenuation_db=a, reference_dbm=-20.0, rbw_hz=1e3) for a in range(0, 60, 10)]
    assert np.ptp(switched) <= p.attenuator_switching_db
    assert abs(drawn.reference_error) < 1e-6
    assert abs(drawn.span_error) < 1e-3


def test_a_cold_bench_drifts_more():
    drawn = Drawn(Profile(), 1)
    when = np.array([0.0, 3600.0])
    warm, cold = drawn.drift_db(when, when + 7200.0), drawn.drift_db(when, when)
    assert abs(cold[1] - cold[0]) > 0.2
    assert abs(warm[1] - warm[0]) < 0.05
    assert abs(drawn.tracking_hz(0.0, 0.0) - drawn.tracking_hz(0.0, 7200.0)) == pytest.approx(60.0, abs=0.5)
