"""What noise explains is no fault of a hookup; what it does not explain still is."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Detector, Sweep, SweepSettings, Trace
from sequencer.run.proof import hookup_fault

POINTS, RBW_HZ, ATTENUATION_DB = 401, 30e3, 20.0
SETTINGS = SweepSettings(
    start_hz=144e6, stop_hz=148e6, points=POINTS, rbw_hz=RBW_HZ, attenuation_db=ATTENUATION_DB, reference_dbm=0.0,
    generator_dbm=0.0, detector=Detector.SAMPLE, sweep_time_s=0.1,
)  # fmt: skip
FLOOR = Hookup(name="floor", kind=HookupKind.FLOOR)
THRU = Hookup(name="thru", kind=HookupKind.THRU)


def sampled(signal_dbm: float, noise_dbm_hz: float, seed: int = 1) -> Sweep:
    """Single samples of a steady signal in Gaussian noise."""
    rng = np.random.default_rng(seed)
    mean_mw = 10.0 ** ((noise_dbm_hz + ATTENUATION_DB + 10.0 * np.log10(RBW_HZ)) / 10.0)
    wave = np.sqrt(mean_mw / 2.0) * (rng.standard_normal(POINTS) + 1j * rng.standard_normal(POINTS))
    level = 20.0 * np.log10(np.abs(wave + 10.0 ** (signal_dbm / 20.0)))
    return Sweep(
        Trace(SETTINGS.grid_hz(), level), SETTINGS, SETTINGS, frozenset(), datetime(2026, 1, 1, tzinfo=UTC), 1.0
    )


def fault(recipe, hookup: Hookup, sweep: Sweep, noise_dbm_hz: float | None) -> str:
    thru = None if hookup is THRU else sampled(-2.0, -160.0)
    return hookup_fault(
        hookup, sweep, expected_dbm=-2.0, thru=thru, last=None, recipe=recipe, noise_dbm_hz=noise_dbm_hz
    )


@pytest.mark.parametrize("seed", range(20))
def test_a_noisy_floor_is_no_wrong_hookup(recipe, seed: int) -> None:
    """-110 dBm in 1 Hz reads -45 dBm here: its peaks come within 40 dB of the thru, with both leads in loads."""
    noisy = sampled(-150.0, -110.0, seed)
    assert fault(recipe, FLOOR, noisy, -110.0) == ""
    assert "come through" in fault(recipe, FLOOR, noisy, None)


def test_a_lead_in_place_of_a_load_is_still_seen_in_noise(recipe) -> None:
    """-25 dBm come through: 20 dB above what noise reads."""
    assert "come through" in fault(recipe, FLOOR, sampled(-25.0, -110.0), -110.0)


@pytest.mark.parametrize("seed", range(20))
def test_noise_between_neighbours_is_no_loose_joint(recipe, seed: int) -> None:
    """30 dB of signal to noise: neighbours differ by 0.27 dB rms and by more than half a dB somewhere in 400."""
    noisy = sampled(-2.0, -96.8, seed)
    assert fault(recipe, THRU, noisy, -96.8) == ""
    assert "step" in fault(recipe, THRU, noisy, None)


def test_a_step_in_noise_is_still_a_loose_joint(recipe) -> None:
    noisy = sampled(-2.0, -96.8)
    level = np.array(noisy.trace.level_dbm)
    level[200:] -= 3.0
    stepped = Sweep(Trace(noisy.trace.freq_hz, level), SETTINGS, SETTINGS, frozenset(), noisy.began, 1.0)
    assert "step" in fault(recipe, THRU, stepped, -96.8)
