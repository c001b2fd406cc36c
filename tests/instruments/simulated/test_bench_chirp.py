"""Sweeps that are fast against the device: ringing as published, and as integrated directly."""

import math

import numpy as np
import pytest

from instruments.simulated.chirp import SLOW, swept_response

# Three aligned notches of trade notes 1.8: pass 147.0 MHz, notch 146.4 MHz, unloaded Q 4500, 0.35 dB each.
PASS_HZ, NOTCH_HZ, QU, Z0 = 147.0e6, 146.4e6, 4500.0, 50.0
B0_HZ = NOTCH_HZ / QU


def three_notches(freq_hz):
    peak = Z0 / 2 / (10 ** (0.35 / 20) - 1)
    detuned = 2 * QU * (NOTCH_HZ - PASS_HZ) / PASS_HZ
    series = peak * detuned / (1 + detuned**2)  # cancels the resonance's reactance at the notch
    z = 1j * series + peak / (1 + 2j * QU * (freq_hz - PASS_HZ) / PASS_HZ)
    return (2 * z / (2 * z + Z0)) ** 3


def bottom(rate, rbw_hz=1e7):
    freq = np.linspace(NOTCH_HZ - 300e3, NOTCH_HZ + 300e3, 6001)
    level = 20 * np.log10(np.abs(swept_response(three_notches, freq, rate_hz_s=rate, rbw_hz=rbw_hz)))
    at = int(np.argmin(level))
    return -level[at], freq[at] - NOTCH_HZ


# Source: trade notes 1.8, 'integrated exactly in the time domain, by two independent programs', true depth 105.2 dB.
# Tolerances: the table gives one decimal below 2 dB, whole decibels and whole kilohertz otherwise.
@pytest.mark.parametrize(
    ("ratio", "deeper_db", "tolerance_db"),
    [
        pytest.param(0.06, 0.0, 0.05, id="0.06-right"),
        pytest.param(0.23, 0.2, 0.05, id="0.23-a-little-too-deep"),
        pytest.param(0.5, 1.5, 0.1, id="0.5"),
        pytest.param(1.1, 17.0, 0.5, id="1.1-flatters-by-17-dB"),
        pytest.param(2.3, -7.0, 0.5, id="2.3-too-shallow"),
    ],
)
def test_depth_of_a_notch_swept_too_fast(ratio, deeper_db, tolerance_db):
    slow_depth, _ = bottom(1e-4 * B0_HZ**2)
    assert slow_depth == pytest.approx(105.2, abs=0.05)
    depth, _ = bottom(ratio * B0_HZ**2)
    assert depth - slow_depth == pytest.approx(deeper_db, abs=tolerance_db)


@pytest.mark.parametrize(("ratio", "shift_hz"), [(0.011, 1e3), (0.06, 2e3), (0.23, 5e3)])  # trade notes 1.8
def test_the_minimum_moves_before_the_depth_does(ratio, shift_hz):
    _, moved = bottom(ratio * B0_HZ**2)
    assert abs(moved) == pytest.approx(shift_hz, abs=500.0)  # whole kilohertz in the table


def test_one_resonance_against_the_integral_itself():
    # h(tau) of a resonance is known; the dechirped integral is summed directly, without transforms or windows.
    f0, width, rate = 146.4e6, 30e3, 1e9
    freq = np.linspace(f0 - 150e3, f0 + 150e3, 31)
    tau = np.linspace(0.0, 20.0 / (math.pi * width), 40001)
    ringing = math.pi * width * np.exp(-math.pi * width * tau) * np.exp(1j * math.pi * rate * tau**2)
    kernel = np.exp(-2j * math.pi * np.outer(freq - f0, tau))
    expected = np.trapezoid(kernel * ringing, tau, axis=1)
    got = swept_response(lambda f: 1 / (1 + 2j * (f - f0) / width), freq, rate_hz_s=rate, rbw_hz=1e9)
    assert np.max(np.abs(got - expected)) < 1e-4  # of 1; what is left is the trapezoid's own error


def test_series_and_convolution_meet():
    slowest = SLOW * (NOTCH_HZ / 1e4) ** 2
    freq = np.linspace(NOTCH_HZ - 50e3, NOTCH_HZ + 50e3, 501)
    both = [
        swept_response(three_notches, freq, rate_hz_s=slowest * side, rbw_hz=1e3, offset_hz=100.0)
        for side in (0.999, 1.001)
    ]
    deepest = np.min(np.abs(both[0]))
    assert np.max(np.abs(both[0] - both[1])) < 0.01 * deepest  # 0.1 dB at the very bottom


@pytest.mark.parametrize("rate", [1e3, 1e8], ids=["by-series", "by-convolution"])
def test_tracking_offset_costs_what_a_gaussian_filter_costs(rate):
    freq = np.linspace(146e6, 146.1e6, 101)
    level = swept_response(np.ones_like, freq, rate_hz_s=rate, rbw_hz=1e3, offset_hz=200.0)
    # Check value N17: 200 Hz off a 1 kHz Gaussian filter, 0.481648 dB within 0.003 (3.01*(2*offset/RBW)^2, derived).
    assert -20 * np.log10(np.abs(level)) == pytest.approx(np.full(101, 0.481648), abs=0.003)


def test_a_slow_sweep_shows_the_device_itself():
    freq = np.linspace(146.0e6, 147.2e6, 1201)
    for rate in (1.0, 1e7):
        got = swept_response(three_notches, freq, rate_hz_s=rate, rbw_hz=1e6)
        away = np.abs(freq - NOTCH_HZ) > 50e3
        loss = 20 * np.log10(np.abs(got / three_notches(freq)))
        assert np.max(np.abs(loss[away])) < 0.05  # r/B0^2 is below 0.01


def test_sweeping_down_to_the_lowest_frequencies_is_no_trouble():
    freq = np.linspace(9e3, 1e6, 101)
    assert np.abs(swept_response(np.ones_like, freq, rate_hz_s=1e8, rbw_hz=1e5)) == pytest.approx(
        np.ones(101), abs=1e-6
    )
