"""What Notchbook itself costs: starting, checking, running. Medians of warm calls; targets beside each.

    python tests/benchmarks/bench_main_job.py [--quick]

The last figure runs in real time (--speed 1) for at least 60 instrument seconds; --quick leaves it out. It is one
ratio, over the sweeps' seconds: the CPU of the sequencer while no sweep runs, and every wait that the instrument did
not cause. Such waits are what a sweep's end was noticed late, and what else of the wall time went by without CPU and
without the bench's clock (its cable moves, settling, commands).
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from sequencer.recipe.starters import read_recipe

CALLS = 7
# one slow sweep over both channels, so that one run has more than 60 instrument seconds
EXTRA = "  - {path: TX-ANT, from: 146.000 MHz, to: 146.620 MHz, rbw: 300 Hz, points: 1001}\n"


def cpu_s(arguments: list[str]) -> float:
    """Return the user and system time of one `notchbook` process."""
    process = subprocess.Popen(
        [sys.executable, "-m", "sequencer.cli", *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    _, _, used = os.wait4(process.pid, 0)
    process.returncode = 0
    return used.ru_utime + used.ru_stime


def median_cpu_s(arguments: list[str]) -> float:
    cpu_s(arguments)  # warm the caches
    return statistics.median(cpu_s(arguments) for _ in range(CALLS))


def empty_python_s() -> float:
    took = []
    for _ in range(CALLS):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", ""], check=True)
        took.append(time.perf_counter() - began)
    return statistics.median(took)


def run(recipe: str, *more: str) -> tuple[dict, float, float]:
    """Return (record, wall seconds, CPU seconds of the sequencer alone); the bench is another process."""
    from sequencer.cli.main import main

    out = io.StringIO()
    quiet = contextlib.redirect_stderr(io.StringIO())
    with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(out), quiet:
        wall, cpu = time.perf_counter(), time.process_time()
        main(["run", recipe, "--bench", "simulated", "--yes", "--json", "--out", folder, *more])
        return json.loads(out.getvalue()), time.perf_counter() - wall, time.process_time() - cpu


@contextlib.contextmanager
def sweeps_watched() -> Iterator[dict[str, float]]:
    """Count wall and CPU seconds from each sweep's start to when its end was noticed, and the bench's own start."""
    from instruments.analyzer import ScpiAnalyzer
    from sequencer import wiring

    inside = {"wall": 0.0, "cpu": 0.0, "start": 0.0}
    plain, opened = ScpiAnalyzer._run, wiring.open_simulated

    def started(*choice: Any, **options: Any) -> Any:
        wall, cpu = time.perf_counter(), time.process_time()
        process = opened(*choice, **options)
        inside["start"] = time.perf_counter() - wall - (time.process_time() - cpu)
        return process

    def watched(self: ScpiAnalyzer, command: str, expected_s: float, limit_s: float) -> None:
        wall, cpu = time.perf_counter(), time.process_time()
        try:
            plain(self, command, expected_s, limit_s)
        finally:
            if expected_s:  # the tracking's adjustment is no sweep
                inside["wall"] += time.perf_counter() - wall
                inside["cpu"] += time.process_time() - cpu

    ScpiAnalyzer._run, wiring.open_simulated = watched, started
    try:
        yield inside
    finally:
        ScpiAnalyzer._run, wiring.open_simulated = plain, opened


def main() -> None:
    empty = empty_python_s()
    for name, arguments, target in (
        ("--help", ["--help"], 0.1),
        ("check", ["check", "vhf-600k-acceptance"], 0.5),
        ("check, thorough", ["check", "vhf-600k-thorough"], 0.5),
    ):
        took = median_cpu_s(arguments)
        print(f"{name:24} {took:6.3f} s of CPU, {took / empty:5.1f} times an empty interpreter (target {target} s)")
    run("vhf-600k-acceptance")
    walls = [run("vhf-600k-acceptance") for _ in range(3)]
    took = statistics.median(wall for _, wall, _ in walls)
    print(f"{'README demo, after set-up':24} {took:6.2f} s of wall time (target 15 s)")
    if "--quick" in sys.argv:
        return
    with tempfile.TemporaryDirectory() as folder:
        slow = Path(folder, "slow.yaml")
        slow.write_text(read_recipe("vhf-600k-acceptance")[0] + "sweeps:\n" + EXTRA, encoding="utf-8")
        with sweeps_watched() as inside:
            record, wall, cpu = run(str(slow), "--speed", "1")
    instrument = record["instrument_seconds"]
    there = (datetime.fromisoformat(record["ended"]) - datetime.fromisoformat(record["began"])).total_seconds()
    between_s = cpu - inside["cpu"]
    late_s = max(inside["wall"] - instrument, 0.0)
    start_s = inside["start"]
    other_s = max(wall - inside["wall"] - between_s - (there - instrument) - start_s, 0.0)
    whole = (between_s + late_s + start_s + other_s) / instrument
    print(f"real time: {instrument:.1f} s of sweeps, {there:.1f} s on the bench's clock, {wall:.1f} s of wall time")
    print(f"  overhead / sweeps: {whole:.4f} (target 0.02), of it")
    print(f"    CPU while no sweep runs     {between_s / instrument:.4f} ({between_s:.2f} of {cpu:.2f} s of CPU)")
    print(f"    sweeps' ends noticed late   {late_s / instrument:.4f} ({late_s:.2f} s)")
    print(f"    the simulated bench's start {start_s / instrument:.4f} ({start_s:.2f} s; a real one is on already)")
    print(f"    other waits                 {other_s / instrument:.4f} ({other_s:.2f} s)")


if __name__ == "__main__":
    main()
