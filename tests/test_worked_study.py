"""The worked study that README shows, run as it says, gives the figures that README states."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from types import ModuleType

from instruments.simulated import devices
from instruments.simulated.bench import Bench as SimulatedBench
from instruments.simulated.benchfile import bench_file
from instruments.simulated.profile import PROFILES
from instruments.simulated.simtime import SimulatedTime
from sequencer.core.history import Began, Finished
from sequencer.core.record import Record
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.starters import read_recipe
from sequencer.run.evaluate import evaluate
from sequencer.run.recording import make_record
from sequencer.studies.study import study_of
from sequencer.units import LENGTH, parse

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
INCH_M = 0.0254
VARIANT = "free-binary"


def measured(direct: ModuleType, cut: str, label: str, visit: int) -> Record:
    """What `run vhf-600k-acceptance --bench simulated:,harness=CUT in,visit=VISIT --label harness=LABEL` measures."""
    device = devices.build("vhf-600k", harness_m=parse(f"{cut} in", LENGTH))
    world = SimulatedBench(device, PROFILES["lab"], 1, SimulatedTime(0.0), visit=visit, cable_move_s=0.1)
    text = bench_file(world.profile, analyzer="a", switch="s", dialect=VARIANT, ports=device.ports, relays=world.relays)
    recipe, bench = load_recipe(*read_recipe("vhf-600k-acceptance")), load_bench(text, "simulated bench")
    began, *history = direct.take(recipe, bench, direct.InProcess(world, VARIANT))
    assert isinstance(began, Began)
    labels = {"control": "yes"} if label == "control" else {"harness": f"{label} in"}
    told = replace(began, run_id=f"run-{visit:02d}", at=began.at + timedelta(hours=visit), serial="SN-1", labels=labels)
    done = (told, *history, Finished(at=history[-1].at, why=""))
    return make_record(recipe, bench, done, evaluate(recipe, bench, done), wall_seconds=0.0)


def test_the_worked_study_is_as_readme_says(inprocess: ModuleType) -> None:
    order = re.search(r"for length in ([\w ]+); do", README)
    assert order
    records = [
        measured(inprocess, "12" if length == "control" else length, length, visit)
        for visit, length in enumerate(order[1].split(), start=1)
    ]
    assert len(records) == 12
    study = study_of(records, "harness")
    assert study.missing == ()  # a sound experiment by its own measure
    curved = {each.id: each.curved for each in study.quantities}
    for quantity, words in (
        ("return loss ANT transmit", r"return loss at the transmit channel was best at"),
        ("rejection ANT-RX transmit", r"the receiver side's\s+rejection at"),
    ):
        told = re.search(words + r" ([\d.]+) in \(([\d.]+) to ([\d.]+) in\)", README)
        assert told, words
        best = curved[quantity]
        assert best is not None
        inches = [f"{metres / INCH_M:.1f}" for metres in (best.best, *best.interval)]
        assert inches == list(told.groups()), quantity
