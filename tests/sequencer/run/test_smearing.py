"""What a swept filter, as wide as the planner lets it be, makes of a notch: nothing that counts."""

from __future__ import annotations

import numpy as np
import pytest

from instruments.simulated import devices
from instruments.simulated.chirp import swept_response
from sequencer.core.history import Role
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Quantity
from sequencer.recipe.starters import read_recipe
from sequencer.run.plan import Known, make_plan, seconds_of
from sequencer.run.predict import TYPICAL, TYPICAL_BENCH

MOST_DB = 0.02  # of a good budget of 0.45 dB nobody would see it; the sweep-rate rule alone allows 0.05 dB
STOPPED = {Quantity.REJECTION, Quantity.ISOLATION, Quantity.NOTCH_DEPTH, Quantity.NOTCH_FREQUENCY}
HEALTHY = [name for name in devices.names() if devices.build(name).healthy]


@pytest.mark.parametrize("name", HEALTHY)
def test_bottom_and_within_are_those_of_a_steady_sweep(name: str) -> None:
    """Twice the Q of the device (some 10,000), and no noise that would ask for a narrower filter."""
    device = devices.build(name, q_times=2.0)
    recipe = load_recipe(*read_recipe(device.recipe))
    bench = load_bench(TYPICAL_BENCH, "typical")
    plan = make_plan(recipe, bench, TYPICAL, Known(noise_dbm_hz=-165.0, thru_dbm=-21.0))
    seen = 0
    for station in plan.stations:
        path = (station.hookup.generator, station.hookup.analyzer)
        for sweep in station.sweeps:
            needs = [
                r
                for r in recipe.requirements
                if r.path == path and r.quantity in STOPPED and sweep.key.removeprefix("wide ") == r.at
            ]
            if sweep.role is not Role.DEVICE or not needs:
                continue
            seen += 1
            first, second = (device.ports.index(port) for port in path)

            def steady(freq_hz, first=first, second=second):
                return device.circuit.s(freq_hz)[:, second, first]

            asked = sweep.settings
            grid = asked.grid_hz()
            rate = asked.span_hz / seconds_of(asked, TYPICAL)
            true_db = -20.0 * np.log10(np.abs(steady(grid)))
            wave = swept_response(steady, grid, rate_hz_s=rate, rbw_hz=asked.rbw_hz, offset_hz=0.05 * asked.rbw_hz)
            swept_db = -20.0 * np.log10(np.abs(wave)) - 10.0 * np.log10(2.0) * 0.1**2  # the offset's own loss
            middle = int(np.argmin(np.abs(grid - asked.center_hz)))
            within = np.abs(grid - asked.center_hz) <= max(r.within_hz or 0.0 for r in needs) + 1.0
            assert abs(swept_db[middle] - true_db[middle]) < MOST_DB
            assert abs(swept_db[within].min() - true_db[within].min()) < MOST_DB
            assert abs(swept_db.max() - true_db.max()) < MOST_DB
    assert seen
