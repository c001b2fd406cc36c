"""Noise of saved traces against their stated settings: true ones are never accused, false ones by ten decibels are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from instruments.saved.facts import Facts
from sequencer.core.history import Role, SavedKind
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import SweepSettings, own
from sequencer.errors import UsageError
from sequencer.run.filing import Expected
from sequencer.saved_noise import refuse_below_noise
from sequencer.saved_pieces import Piece

NOISE_DBM = -110.0


def piece(role: Role, samples: float, seed: int, points: int = 3001) -> Piece:
    """Return a trace of noise at RBW 1 kHz, of so many samples a point; below 1 points share them."""
    rng = np.random.default_rng(seed)
    if samples >= 1.0:
        power = rng.gamma(samples, 1.0 / samples, points)
    else:  # noise through a Gaussian filter, whose response lasts sqrt(ln 2) / (pi RBW) seconds
        reach = round(4.0 * (sigma := np.sqrt(np.log(2.0)) / (np.pi * samples)))
        kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
        wave = rng.normal(size=(2, points + 2 * reach))
        power = sum(np.convolve(part, kernel, "valid") ** 2 for part in wave) / (2.0 * np.sum(kernel**2))
    settings = SweepSettings(
        start_hz=145.5e6, stop_hz=147e6, points=points, rbw_hz=1e3, attenuation_db=0.0, reference_dbm=-15.0,
        generator_dbm=None, sweep_time_s=samples * points / 1e3,
    )  # fmt: skip
    hookup = Hookup(name="floor" if role is Role.NOISE else "IN-OUT", kind=HookupKind.FLOOR)
    one = Expected(
        stem="x", hookup=hookup, station=0, key="overview", role=role, settings=settings, seconds=1.0, repeats=1
    )
    level = own(10.0 * np.log10(power) + NOISE_DBM)
    return Piece(
        role.value, "", SavedKind.LEVEL, one, settings.grid_hz(), level, Facts(), frozenset(), (),
        settings=settings, averaging="off",
    )  # fmt: skip


@pytest.mark.parametrize("samples", [0.05, 0.1, 1.0 / 6.0, 0.5, 1.0, 2.0, 5.0, 40.0])
def test_noise_at_its_true_settings_is_never_told_to_lie_below_itself(samples: float) -> None:
    """Points that share the filter's noise scatter little beside each other: nine of them are one sample, not many."""
    for seed in range(40):
        points = 3001 if seed < 10 else 17
        refuse_below_noise([piece(Role.NOISE, samples, seed, points), piece(Role.DEVICE, samples, 100 + seed, points)])


@pytest.mark.parametrize("samples", [0.1, 1.0, 5.0])
def test_settings_that_ten_decibels_of_noise_contradict_are_refused(samples: float) -> None:
    for seed in range(4):
        path = piece(Role.DEVICE, samples, seed)
        assert path.settings is not None
        path.settings = replace(path.settings, rbw_hz=10.0 * path.settings.rbw_hz)
        with pytest.raises(UsageError, match="no trace can lie so far below"):
            refuse_below_noise([piece(Role.NOISE, samples, 100 + seed), path])
