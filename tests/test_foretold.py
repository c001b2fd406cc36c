"""What `check` foretells of the simulated bench, whose file states its noise, is what the run there does and states."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.archive.reading import open_run
from sequencer.cli.main import main
from sequencer.core.history import Connected, Identified, Swept
from sequencer.core.record import Statement
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.run.predict import forecast

pytestmark = pytest.mark.bench


FACTOR = 1.5  # a real device is not the likely one


@pytest.mark.parametrize("starter", ["vhf-600k-thorough", "vhf-600k-quick", "single-cavity-acceptance"])
def test_a_run_is_what_was_foretold(tmp_path: Path, starter: str) -> None:
    """Filters, points and numbers follow from the noise alone; sweep times also from what the thru read.

    Intervals of a healthy device are as wide as told within a factor.
    """
    assert main(["run", starter, "--bench", "simulated", "--yes", "--out", str(tmp_path)]) == 0
    stored = open_run(next(folder for folder in tmp_path.iterdir() if (folder / "journal.jsonl").exists()))
    recipe, bench = load_recipe(stored.recipe_text, "recipe"), load_bench(stored.bench_text, "bench")
    caps = next(e.capabilities for e in stored.history if isinstance(e, Identified))
    told = forecast(recipe, bench, caps)
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
    assert 0.8 * took_s < told_s < 1.25 * took_s
    assert stored.record is not None
    for limit, result in zip(told.limits, stored.record.results, strict=True):
        assert limit.id == result.id
        if limit.provable.startswith("within"):
            half = _size(limit.provable)
            assert 1.0 / FACTOR < half / (0.5 * (result.interval[1] - result.interval[0])) < FACTOR, limit.id
        else:
            assert (result.statement is Statement.PASS) == limit.ok


def _size(within: str) -> float:
    _, number, unit = within.split()
    return float(number) * {"dB": 1.0, "Hz": 1.0, "kHz": 1e3, "MHz": 1e6}[unit]
