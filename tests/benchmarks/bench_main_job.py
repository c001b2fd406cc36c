"""What Notchbook itself costs: starting, checking, running. Medians of warm calls; targets beside each.

    python tests/benchmarks/bench_main_job.py [--quick]

The last figure runs in real time (--speed 1) for at least 60 instrument seconds; --quick leaves it out.
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
from datetime import datetime
from pathlib import Path

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
        record, wall, cpu = run(str(slow), "--speed", "1")
    instrument = record["instrument_seconds"]
    there = (datetime.fromisoformat(record["ended"]) - datetime.fromisoformat(record["began"])).total_seconds()
    print(f"real time: {instrument:.1f} s of sweeps, {there:.1f} s on the bench's clock, {wall:.1f} s of wall time")
    print(f"  sequencer CPU, whole command: {cpu:.2f} s, {cpu / instrument:.4f} of the sweeps")
    print(f"  (wall - the bench's clock) / sweeps: {(wall - there) / instrument:.4f} (target 0.02; starting included)")


if __name__ == "__main__":
    main()
