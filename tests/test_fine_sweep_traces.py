"""Whole runs from one fine sweep over everything, saved as each hookup's overview: near the noise, and too fast."""

from __future__ import annotations

import importlib.util
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from instruments.simulated import devices
from instruments.simulated.bench import Bench, SweepRequest
from instruments.simulated.benchfile import bench_file
from instruments.simulated.profile import PROFILES
from instruments.simulated.receiver import Detect, ReceiverSettings
from instruments.simulated.simtime import SimulatedTime
from instruments.simulated.truth import true_value
from sequencer.core.trace import Sweep, SweepSettings, Trace
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.run.filing import expected_files
from sequencer.run.predict import forecast

_SPEC = importlib.util.spec_from_file_location("saved_runs", Path(__file__).with_name("test_traces.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
runs = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(runs)
pytestmark = pytest.mark.bench

RECIPE = """recipe: 1
name: one-fine-sweep
title: Invented
device: {ports: [TX, ANT]}
frequencies: {transmit: 146.610 MHz, receive: 146.010 MHz}
overview: {from: 145.5 MHz, to: 147 MHz}
limits:
  - {quantity: rejection, path: TX-ANT, at: receive, within: 2 kHz, min: LEAST dB}
  - {quantity: rejection, path: TX-ANT, at: receive, min: LEAST dB}
decision: {rule: guarded, coverage: 95 %}
"""


def judged(tmp_path: Path, seed: int, time_s: float, *, noise: float, rbw_hz: float, least: str, q_times: float = 1.0):
    """Save two sweeps of 3001 points of each hookup, all settings true, and judge them; (status, results, truths).

    ``noise`` in dBm/Hz.
    """
    profile = replace(PROFILES["lab"], noise_dbm_hz=noise, leakage_db=125.0)
    bench = Bench(devices.build("vhf-600k", q_times=q_times), profile, seed, SimulatedTime(), cable_move_s=30.0)
    text = bench_file(
        profile, analyzer="TCPIP::192.0.2.1::5025::SOCKET", switch="x", dialect="free-binary",
        ports=bench.device.ports, relays=bench.relays,
    )  # fmt: skip
    text = re.sub(r"^switch:.*?(?=^\S|\Z)", "", text, flags=re.DOTALL | re.MULTILINE)
    (tmp_path / "bench.yaml").write_text(text)
    recipe = load_recipe(RECIPE.replace("LEAST", least), "recipe")
    (tmp_path / "recipe.yaml").write_text(RECIPE.replace("LEAST", least))
    taken: dict[str, list[Sweep]] = {}
    for file in expected_files(forecast(recipe, load_bench(text, "bench"))):
        if file.key == "overview" or file.stem == "floor-off_receive":
            bench.connect(file.hookup.name)
            stem = file.stem.replace("receive", "overview")
            source = None if "off" in stem else 0.0
            for _ in range(2 if file.hookup.name == "TX-ANT" else 1):
                taken.setdefault(stem, []).append(_swept(bench, source, time_s, rbw_hz))
    folder = runs.save(tmp_path / "csv", taken, runs.comma)
    status, record, _ = runs.run(
        tmp_path / "runs", tmp_path / "bench.yaml", folder, "--serial", "X", recipe=str(tmp_path / "recipe.yaml")
    )
    return status, record.get("results", []), [true_value(bench.device.circuit, r) for r in recipe.requirements]


def _swept(bench: Bench, generator_dbm: float | None, time_s: float, rbw_hz: float) -> Sweep:
    settings = SweepSettings(
        start_hz=145.5e6, stop_hz=147e6, points=3001, rbw_hz=rbw_hz, attenuation_db=0.0, reference_dbm=-15.0,
        generator_dbm=generator_dbm, sweep_time_s=time_s,
    )  # fmt: skip
    receiver = ReceiverSettings(
        rbw_hz=rbw_hz, vbw_hz=rbw_hz, attenuation_db=0.0, reference_dbm=-15.0, detector=Detect.POWER, average_count=1,
        dwell_s=time_s / 3001, display_range_db=None,
    )  # fmt: skip
    asked = SweepRequest(
        start_hz=145.5e6, stop_hz=147e6, points=3001, sweep_time_s=time_s, generator_dbm=generator_dbm,
        levelled_dbm=(-50, 0), sweep_factor=1e-4, receiver=receiver,
    )  # fmt: skip
    level = bench.sweep(asked).level_dbm
    began = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=bench.time.now_s)
    bench.time.spend(time_s + 5.0)
    return Sweep(Trace(settings.grid_hz(), level), settings, settings, frozenset(), began, time_s)


def wrong(results: list[dict[str, Any]], truths: list[float], least: float) -> list[tuple[Any, ...]]:
    """Return what passed though the truth is below the limit."""
    return [
        (r["id"], r["interval"], truth)
        for r, truth in zip(results, truths, strict=bool(results))
        if r["statement"] == "pass" and truth < least
    ]


def test_a_notch_in_the_noise_of_few_samples_is_not_told_deeper_than_it_is(tmp_path: Path) -> None:
    """Truth 79 dB at a limit of 80 dB, as strong as the noise; 'at least 86 dB' passed, in five of seven evenings."""
    read = 0
    for seed, time_s in ((2, 2.0), (3, 2.0), (4, 6.0)):
        (there := tmp_path / str(seed)).mkdir()
        _, results, truths = judged(there, seed, time_s, noise=-130.0, rbw_hz=1e3, least="80")
        read += bool(results)
        assert max(truths) < 80.0
        assert wrong(results, truths, 80.0) == [], seed
    assert read >= 2  # an evening may be refused, but not all


def test_an_overview_that_stands_for_zooms_decides_nothing_where_it_was_too_fast(tmp_path: Path) -> None:
    """Notches eight times as sharp, 75 times too fast: the overview was held to the rate of a picture."""
    status, results, _ = judged(tmp_path, 3, 0.03, noise=-160.0, rbw_hz=30e3, least="60", q_times=8.0)
    assert status == 4
    assert all(r["statement"] == "undecided" for r in results)
    assert all("faster than a notch this narrow can follow" in " ".join(r["notes"]) for r in results)


def test_an_overview_that_stands_for_zooms_decides_where_it_was_slow(tmp_path: Path) -> None:
    status, results, _ = judged(tmp_path, 3, 60.0, noise=-160.0, rbw_hz=1e3, least="60")
    assert (status, {r["statement"] for r in results}) == (0, {"pass"})
