"""An analyzer that says it averages power and shows a least or a greatest: near its noise nothing is decided.

The demo's acceptance on a noisy bench, in this process; everything is invented.
"""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from instruments.simulated import bench as simulated_bench
from instruments.simulated import devices
from instruments.simulated.bench import Bench as SimulatedBench
from instruments.simulated.benchfile import bench_file
from instruments.simulated.profile import PROFILES
from instruments.simulated.simtime import SimulatedTime
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.starters import read_recipe
from sequencer.run.evaluate import Evaluation, evaluate

VARIANT = "free-binary"
DEEP = ("rejection", "isolation")


def judged(direct: ModuleType, noise_dbm_hz: float) -> Evaluation:
    device = devices.build("vhf-600k")
    world = SimulatedBench(device, replace(PROFILES["lab"], noise_dbm_hz=noise_dbm_hz), 3, SimulatedTime(0.0))
    text = bench_file(world.profile, analyzer="a", switch="s", dialect=VARIANT, ports=device.ports, relays=world.relays)
    recipe, bench = load_recipe(*read_recipe("vhf-600k-acceptance")), load_bench(text, "simulated bench")
    return evaluate(recipe, bench, direct.take(recipe, bench, direct.InProcess(world, VARIANT)))


def shows(pick):
    """A detector that keeps one of eight samples."""

    def detected_mw(volts, noise_mw, settings, rng):
        del settings
        noise = rng.normal(scale=np.sqrt(0.5 * noise_mw), size=(2, 8, volts.size))
        return pick(np.abs(volts + noise[0] + 1j * noise[1]) ** 2, axis=0)

    return detected_mw


@pytest.mark.parametrize("pick", [np.min, np.max], ids=["least", "greatest"])
def test_what_is_no_power_average_decides_nothing_near_noise(inprocess, monkeypatch, pick) -> None:
    """Rejections of 78 dB read as 90 dB or more, or 2 dB too little, and passed."""
    monkeypatch.setattr(simulated_bench.receiver, "detected_mw", shows(pick))
    found = judged(inprocess, -130.0)
    deep = [result for result in found.results if result.quantity in DEEP]
    assert deep
    assert {result.statement.value for result in deep} == {"undecided"}
    assert any("whatever is said of its detector" in text for text in found.warnings)
    assert all(any("noise alone scatters" in note for note in result.notes) for result in deep)


@pytest.mark.parametrize("noise_dbm_hz", [-150.0, -130.0])
def test_power_averages_are_not_doubted(inprocess, noise_dbm_hz: float) -> None:
    found = judged(inprocess, noise_dbm_hz)
    assert not any("noise alone scatters" in text for text in found.warnings)
    assert {result.statement.value for result in found.results} == {"pass"}
