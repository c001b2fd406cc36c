"""What `check` foretells of the simulated bench, told its noise, is what the run there does."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.archive.reading import open_run
from sequencer.cli.main import main
from sequencer.core.history import Connected, Identified, Swept
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.run.predict import forecast
from sequencer.run.visits import known

pytestmark = pytest.mark.bench


@pytest.mark.parametrize("starter", ["vhf-600k-acceptance", "vhf-600k-thorough"])
def test_hookups_sweeps_and_settings_are_those_foretold(tmp_path: Path, starter: str) -> None:
    """Filters, points and numbers follow from the noise alone; sweep times also from what the thru read."""
    assert main(["run", starter, "--bench", "simulated", "--yes", "--out", str(tmp_path)]) == 0
    stored = open_run(next(folder for folder in tmp_path.iterdir() if (folder / "journal.jsonl").exists()))
    recipe, bench = load_recipe(stored.recipe_text, "recipe"), load_bench(stored.bench_text, "bench")
    caps = next(e.capabilities for e in stored.history if isinstance(e, Identified))
    told = forecast(recipe, bench, replace(caps, noise_dbm_hz=known(stored.history).noise_dbm_hz))
    done: list[tuple[str, list[tuple]]] = []
    for entry in stored.history:
        if isinstance(entry, Connected):
            done.append((entry.hookup.name, []))
        elif isinstance(entry, Swept):
            asked = entry.sweep.asked
            done[-1][1].append((entry.key, entry.role, asked.start_hz, asked.stop_hz, asked.points, asked.rbw_hz))
    foretold = []
    for hookup in told.hookups:
        rows = [
            (s.key, s.role, s.settings.start_hz, s.settings.stop_hz, s.settings.points, s.settings.rbw_hz)
            for s in hookup.sweeps
            for _ in range(s.repeats)
        ]
        foretold.append((hookup.hookup.name, rows))
    assert done == foretold
    took_s = sum(e.sweep.instrument_s for e in stored.history if isinstance(e, Swept))
    told_s = sum(sweep.seconds for hookup in told.hookups for sweep in hookup.sweeps)
    assert 0.5 * took_s < told_s < 1.5 * took_s
