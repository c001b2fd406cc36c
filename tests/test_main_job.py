"""The main job against outside truth: every starter on its device, over the socket, judged as the truth demands.

The truth of the demo comes from scikit-rf, built from the device's elements (never from our matrices); that
our circuit agrees with it for every device is tested beside the circuit. The margins that make a pass mean
something (0.2 dB of loss, 3 dB of rejection) are held in tests/instruments/simulated/test_devices.py.
"""

from __future__ import annotations

import importlib.util
import json
import re
from pathlib import Path

import pytest

from instruments.simulated import devices
from instruments.simulated.truth import true_value
from sequencer.cli.main import main
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.starters import read_recipe, starter_names

HERE = Path(__file__).parent
FAULTS = ("oxidised", "wrong-notch", "swapped-legs", "wrong-harness")
VARIANTS = ("fixed-ascii", "swapped-real32")

pytestmark = pytest.mark.bench


class ScikitRf:
    """A circuit whose S-parameters come from scikit-rf."""

    def __init__(self, circuit) -> None:
        spec = importlib.util.spec_from_file_location("twin", HERE / "sequencer/core/test_circuit_scikit_rf.py")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        self.s = lambda freq_hz: module.scikit_rf_s(circuit, freq_hz)
        self.index = circuit.index
        self.ports = circuit.ports


def run(capsys, tmp_path: Path, starter: str, bench: str, seed: int = 1) -> tuple[int, dict]:
    status = main([
        "run", starter, "--bench", bench, "--yes", "--json", "--out", str(tmp_path), "--seed", str(seed),
        "--serial", "INVENTED-1",
    ])  # fmt: skip
    return status, json.loads(capsys.readouterr().out)


def conforms(requirement, value: float) -> bool:
    above = requirement.minimum is None or value >= requirement.minimum
    below = requirement.maximum is None or value <= requirement.maximum
    return above and below


def check(record: dict, circuit, starter: str) -> None:
    """Each statement is what the truth demands, and the intervals hold it."""
    recipe = load_recipe(*read_recipe(starter))
    results = {result["id"]: result for result in record["results"]}
    missed = []
    for requirement in recipe.requirements:
        truth = true_value(circuit, requirement)
        result = results[requirement.id]
        demanded = "pass" if conforms(requirement, truth) else "fail"
        assert result["statement"] == demanded, (requirement.id, truth, result["interval"])
        low, high = result["interval"]
        if (low is not None and truth < low) or (high is not None and truth > high):
            missed.append((requirement.id, truth, result["interval"]))
    # 95 % intervals: of ten, two misses happen in 7 % of runs of an honest tool; the seed is fixed
    assert len(missed) <= 1, missed


@pytest.mark.parametrize("starter", starter_names())
def test_every_starter_accepts_its_healthy_device(capsys, tmp_path: Path, starter: str) -> None:
    status, record = run(capsys, tmp_path, starter, "simulated")
    assert status == 0
    assert record["overall"] == "pass"
    assert record["simulated"] is True
    check(record, devices.build(devices.for_recipe(starter)).circuit, starter)


def test_the_demo_agrees_with_scikit_rf(capsys, tmp_path: Path) -> None:
    status, record = run(capsys, tmp_path, "vhf-600k-acceptance", "simulated", seed=2)
    assert status == 0
    check(record, ScikitRf(devices.build("vhf-600k").circuit), "vhf-600k-acceptance")


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_fails_what_it_spoils_and_nothing_else(capsys, tmp_path: Path, fault: str) -> None:
    status, record = run(capsys, tmp_path, "vhf-600k-acceptance", f"simulated:{fault}")
    assert status == 1
    assert record["overall"] == "fail"
    check(record, devices.build(fault).circuit, "vhf-600k-acceptance")
    assert any("changed over" in text for text in record["warnings"]) == (fault == "swapped-legs")


# A joint that lets go in no two sweeps that overlap is accepted (so with seeds 14 and 110): nothing swept shows it.
@pytest.mark.parametrize("seed", [1, 2, 3, 136])
def test_a_joint_that_comes_and_goes_is_not_accepted_where_a_sweep_shows_it(capsys, tmp_path: Path, seed: int) -> None:
    status, record = run(capsys, tmp_path, "vhf-600k-acceptance", "simulated:intermittent", seed)
    assert status in {1, 4}
    assert any("jumped" in text for text in record["warnings"])


@pytest.mark.parametrize(
    ("starter", "seed"), [("vhf-600k-acceptance", 1), ("vhf-600k-acceptance", 3), ("vhf-600k-quick", 5)]
)
def test_on_a_path_that_does_not_repeat_nothing_is_decided_as_its_warning_says(
    capsys, tmp_path: Path, starter: str, seed: int
) -> None:
    """Neither for the device nor against it: with seed 1 the loss itself reads beyond its limit."""
    _, record = run(capsys, tmp_path, starter, "simulated:intermittent", seed)
    named = {found for text in record["warnings"] for found in re.findall(r"(\S+) does not repeat", text)}
    assert named
    for result in record["results"]:
        if result.get("path") in named:
            assert result["statement"] == "undecided", result["id"]
            assert any("a joint comes and goes" in note for note in result["notes"])


@pytest.mark.parametrize("variant", VARIANTS)
def test_other_analyzers_say_the_same(capsys, tmp_path: Path, variant: str) -> None:
    status, record = run(capsys, tmp_path, "vhf-600k-acceptance", f"simulated::{variant}")
    assert status == 0
    check(record, devices.build("vhf-600k").circuit, "vhf-600k-acceptance")
