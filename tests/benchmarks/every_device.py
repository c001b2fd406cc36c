"""Is every statement what the truth demands, on every starter and every simulated device that it fits?

Whole runs, as a user starts them, each statement against the device's true value. A device whose joint comes and goes
is never to be accepted as a whole; what it is then blamed for depends on the moment, so that is not held here.

    python tests/benchmarks/every_device.py [--seeds N]
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import sys
import tempfile

from instruments.simulated import devices
from instruments.simulated.truth import true_value
from sequencer.cli.main import main as notchbook
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.starters import read_recipe, starter_names


def fitting() -> list[tuple[str, str]]:
    """Return (starter, device) for each starter and each device that it is written for, healthy or with a fault."""
    pairs = []
    for starter in starter_names():
        family = devices.for_recipe(starter)
        pairs += [(starter, name) for name in devices.names() if name == family or _fault_of(family, name)]
    return pairs


def _fault_of(family: str, name: str) -> bool:
    return devices.build(name).fault != "" and name.startswith(f"{family}-")


def held(starter: str, device: str, seed: int) -> list[str]:
    """Run one and return what is not as the truth demands, in words."""
    out = io.StringIO()
    with (
        tempfile.TemporaryDirectory() as folder,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(io.StringIO()) as said,
    ):
        status = notchbook([
            "run", starter, "--bench", f"simulated:{device}", "--yes", "--json", "--out", folder, "--seed", str(seed)
        ])  # fmt: skip
    if not out.getvalue():
        return [f"exit {status}: {said.getvalue().strip().splitlines()[-1:]}"]
    built = devices.build(device)
    if built.circuit_disturbed is not None:
        return [] if status in {1, 4} else [f"exit {status}: accepted, though a joint comes and goes"]
    results = {result["id"]: result for result in json.loads(out.getvalue())["results"]}
    wrong, all_met = [], True
    for need in load_recipe(*read_recipe(starter)).requirements:
        try:
            truth = true_value(built.circuit, need)
        except IndexError:  # no notch where one is asked for: nothing is demanded of its frequency
            all_met = False
            continue
        met = (need.minimum is None or truth >= need.minimum) and (need.maximum is None or truth <= need.maximum)
        all_met &= met
        statement = results[need.id]["statement"]
        if statement != ("pass" if met else "fail"):
            wrong.append(f"{need.id}: {statement}, true {truth:.4g}, interval {results[need.id]['interval']}")
    if status != int(not all_met):
        wrong.append(f"exit {status}")
    return wrong


def main() -> int:
    """Print the table; exit status 1 where a statement is not what the truth demands."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=1)
    seeds = range(1, 1 + parser.parse_args().seeds)
    bad = 0
    for starter, device in fitting():
        wrong = {seed: found for seed in seeds if (found := held(starter, device, seed))}
        bad += len(wrong)
        print(f"{starter:26} {device:28} {len(seeds) - len(wrong)} of {len(seeds)} as the truth demands")
        for seed, found in wrong.items():
            print(*(f"    seed {seed}: {text}" for text in found), sep="\n")
    print("all of it holds" if not bad else f"{bad} runs do NOT hold")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
