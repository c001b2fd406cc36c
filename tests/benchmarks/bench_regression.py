"""How surely the quick recipe sees a fault, how often it calls a sound device changed, and what it cannot see.

    python tests/benchmarks/bench_regression.py [RUNS] [named]

Each draw is one simulated bench (its errors from the seed): the acceptance recipe on the sound device is the
baseline, then on another visit the quick recipe on the device with the fault. 'changed' is the one statement for all
quantities (5 % false alarms allowed); 'not accepted' is the recipe's own limits (failed, or undecided because a
reading jumped); 'seen' is either. Rows of sound devices are the false alarms: on the same bench, on another bench, and
with the acceptance recipe on both. 95 % intervals in brackets: Wilson's score interval for a share (E. B. Wilson, JASA
22, 209 (1927) [from memory]). `named`: only the sound device and the faults that `--bench simulated` has under a word.
Everything is invented.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from inprocess import InProcess, take

from instruments.simulated import devices
from instruments.simulated.bench import Bench as SimulatedBench
from instruments.simulated.benchfile import bench_file
from instruments.simulated.design import Design, Side
from instruments.simulated.designs import DESIGNS
from instruments.simulated.faults import FAULTS, Fault
from instruments.simulated.profile import PROFILES
from instruments.simulated.simtime import SimulatedTime
from sequencer.core.circuit import Circuit
from sequencer.core.history import Connected
from sequencer.core.record import Record, Statement
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Recipe
from sequencer.recipe.starters import read_recipe
from sequencer.run.evaluate import evaluate
from sequencer.run.recording import make_record
from sequencer.studies.changes import with_baseline

VARIANT = "free-binary"
SOUND = next(design for design in DESIGNS if design.name == "vhf-600k")
CANNOT_SEE = (
    "return loss and the connectors it tells of: no bridge, so no port is looked into",
    "a joint that lets go only when it is disturbed or warm, unless it does so during a sweep (flex while it sweeps)",
    "anything that needs power: arcing, heating, a capacitor that fails (key-down soak, by the licensed operator)",
    "which cavity of a side is at fault: both shift the same two numbers (trade notes 12.5)",
    "a fault that moves both baseline and run alike: same wrong lead, same wrong label",
)


@dataclass(frozen=True, slots=True)
class Device:
    """What the simulated bench needs of a device; ``disturbed`` is the same unit while a bad joint lets go."""

    design: Design
    disturbed: Design | None = None

    @property
    def ports(self) -> tuple[str, ...]:
        return self.design.ports

    @property
    def circuit(self) -> Circuit:
        return devices._circuit(self.design)

    @property
    def circuit_disturbed(self) -> Circuit | None:
        return None if self.disturbed is None else devices._circuit(self.disturbed)


def on_first(change: Callable[[Side], Side]) -> Device:
    """Change the transmitter's side."""
    first, *others = SOUND.sides
    return Device(replace(SOUND, sides=(change(first), *others)))


def with_q(share: float) -> Device:
    """Leave one cavity this share of its Q."""
    return on_first(lambda side: replace(side, condition=(share, *(1.0 for _ in side.rods_hz[1:]))))


def notch_moved(hz: float) -> Device:
    """Move the notch of one cavity (trimmer, or a knock)."""
    return on_first(lambda side: replace(side, notches_hz=(side.notches_hz[0] + hz, *side.notches_hz[1:])))


def rod_moved(hz: float) -> Device:
    """Move one cavity as a whole (rod slipped, temperature): pass and notch together."""

    def move(side: Side) -> Side:
        rods, notches = side.rods_hz, side.notches_hz
        return replace(side, rods_hz=(rods[0] + hz, *rods[1:]), notches_hz=(notches[0] + hz, *notches[1:]))

    return on_first(move)


def bad_joint(ohm: float) -> Device:
    """Put a resistance into the harness of one side."""
    return on_first(lambda side: replace(side, joint_ohm=ohm))


def harness(share: float) -> Device:
    """Change the length of one side's harness."""
    return on_first(lambda side: replace(side, harness_m=side.harness_m * share))


def named(fault: Fault) -> Device:
    """Return the unit with a fault that the simulated bench has under a word."""
    ill = fault.inflict(SOUND)
    return Device(SOUND, ill) if fault.comes_and_goes else Device(ill)


NAMED = tuple((fault.title, named(fault)) for fault in FAULTS)
ROWS: tuple[tuple[str, Device], ...] = (
    ("contacts: one cavity keeps 95 % of its Q", with_q(0.95)),
    ("contacts: one cavity keeps 90 %", with_q(0.90)),
    ("contacts: one cavity keeps 80 %", with_q(0.80)),
    ("contacts: one cavity keeps 50 %", with_q(0.50)),
    ("one notch moved by 1 kHz", notch_moved(1e3)),
    ("one notch moved by 2 kHz", notch_moved(2e3)),
    ("one notch moved by 5 kHz", notch_moved(5e3)),
    ("one rod slipped: 2 kHz", rod_moved(2e3)),
    ("one rod slipped: 5 kHz", rod_moved(5e3)),
    ("one rod slipped: 20 kHz", rod_moved(20e3)),
    ("joint in the harness: 0.5 ohm", bad_joint(0.5)),
    ("joint in the harness: 2 ohm", bad_joint(2.0)),
    ("joint in the harness: 5 ohm", bad_joint(5.0)),
    ("harness of one side 5 % short", harness(0.95)),
    ("harness of one side 20 % short", harness(0.80)),
    *NAMED,
)


def measure(device: Device, recipe: Recipe, seed: int, visit: int, number: int) -> Record:
    """Return the record of one run."""
    world = SimulatedBench(device, PROFILES["lab"], seed, SimulatedTime(0.0), visit=visit)
    text = bench_file(world.profile, analyzer="a", switch="s", dialect=VARIANT, ports=device.ports, relays=world.relays)
    bench = load_bench(text, "simulated bench")
    history = [
        replace(entry, by="simulated switch") if isinstance(entry, Connected) else entry
        for entry in take(recipe, bench, InProcess(world, VARIANT))
    ]
    done = evaluate(recipe, bench, history)
    record = make_record(recipe, bench, history, done, wall_seconds=0.0)
    later = record.began + timedelta(days=400 * number)
    return replace(record, run_id=f"run-{number}", serial="INVENTED-1", complete=True, began=later)


def wilson(seen: int, of: int) -> tuple[float, float]:
    """Return the 95 % score interval of a share."""
    z = 1.96
    centre = (seen + z * z / 2) / (of + z * z)
    half = z / (of + z * z) * math.sqrt(seen * (of - seen) / of + z * z / 4)
    return max(centre - half, 0.0), min(centre + half, 1.0)


def seen(record: Record) -> bool:
    """Whether the operator is told that something is wrong: changed, or not accepted."""
    return bool(record.change and record.change.changed) or record.overall is not Statement.PASS


def line(name: str, found: list[Record]) -> str:
    """Return a row of the table."""
    changed = sum(bool(record.change and record.change.changed) for record in found)
    refused = sum(record.overall is not Statement.PASS for record in found)
    either = sum(seen(record) for record in found)
    low, high = wilson(either, len(found))
    shares = " ".join(f"{100 * count / len(found):9.0f} %" for count in (changed, refused, either))
    return f"{name:<52} {shares} [{100 * low:3.0f}, {100 * high:3.0f}]"


def main(runs: int, *, only_named: bool = False) -> None:
    """Print the table."""
    began = time.perf_counter()
    quick, whole = (load_recipe(*read_recipe(f"vhf-600k-{name}")) for name in ("quick", "acceptance"))
    baselines = [measure(Device(SOUND), whole, seed, 0, 0) for seed in range(1, runs + 1)]

    def row(name: str, device: Device, recipe: Recipe = quick, other_bench: int = 0) -> None:
        found = [
            with_baseline(measure(device, recipe, seed + other_bench, 1, 1), base)
            for seed, base in enumerate(baselines, start=1)
        ]
        print(line(name, found), flush=True)

    print(f"{f'invented four-cavity set, {runs} benches a row':<52} {'changed':>11} {'not acc.':>11} {'seen':>11}")
    row("sound, quick recipe, same bench", Device(SOUND))
    if not only_named:
        row("sound, quick recipe, another bench", Device(SOUND), other_bench=10_000)
        row("sound, acceptance recipe, same bench", Device(SOUND), recipe=whole)
        row("sound, acceptance recipe, another bench", Device(SOUND), recipe=whole, other_bench=10_000)
    for name, device in NAMED if only_named else ROWS:
        row(name, device)
    print("\nWhat the quick recipe cannot see:")
    for text in CANNOT_SEE:
        print(f"- {text}")
    print(f"\n{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, only_named="named" in sys.argv[2:])
