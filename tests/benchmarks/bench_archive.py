"""How look-up and filing behave with the size of an archive; prints ratios, and CPU seconds to know the scale.

Run: python tests/benchmarks/bench_archive.py [runs]     (default 100000; takes a few minutes and about 1 GB)
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sequencer.archive.index import Filter, look_up
from sequencer.archive.runfolder import RunFolder
from sequencer.core.history import Began
from sequencer.core.record import Record, Statement
from sequencer.formats.canonical import sha256_bytes
from sequencer.formats.record import dump_record

MOST_CPU_S = 0.3  # the figure, interpreter's start included
MOST_SLOWER = 1.5  # filing does not grow with the archive; half as much again is left to the machine's moods
START = datetime(2016, 1, 1, tzinfo=UTC)
COMMAND = "import sys; from sequencer.cli.main import main; sys.exit(main())"


def record(number: int) -> Record:
    """A record as small as they come: what is measured is the archive, not the reading of budgets."""
    began = START + timedelta(minutes=50 * number)
    return Record(
        program="bench", run_id=f"{began:%Y%m%d-%H%M%S}-r{number}", simulated=number % 10 == 0,
        overall=list(Statement)[number % 5], complete=True, title="t", recipe_name=f"recipe-{number % 7}",
        recipe_text="", recipe_sha256="0" * 64, bench_text="", bench_sha256=f"{number % 3:064d}",
        decision="d", coverage=0.95,
        serial=f"SN {number % 500}", conditions={}, labels={}, identification={"analyzer": f"Maker,{number % 3}"},
        equipment=(), frequencies={}, ports=("IN", "OUT"), began=began, ended=began, instrument_seconds=0.0,
        wall_seconds=0.0, hookups=(), traces=(), notes=(), warnings=(), results=(), chain=f"{number % 3:064d}",
        chain_number=number // 3 + 1, previous="0" * 64,
    )  # fmt: skip


def grow(root: Path, first: int, last: int) -> None:
    """Write run folders with just the files that the index looks at."""
    for number in range(first, last):
        made = record(number)
        folder = root / made.run_id
        folder.mkdir(parents=True)
        (folder / "journal.jsonl").touch()
        result = dump_record(made).encode("utf-8")
        (folder / "manifest.json").write_text(json.dumps({"result.json": sha256_bytes(result)}))
        (folder / "result.json").write_bytes(result)


def command_cpu(root: Path, *options: str) -> float:
    """CPU of the whole command, the interpreter's start included; the least of three."""
    least = float("inf")
    for _ in range(3):
        before = os.times()
        command = [sys.executable, "-c", COMMAND, "archive", "list", "--out", str(root), "--json", *options]
        out = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        assert json.loads(out)["runs"]
        after = os.times()
        used = after.children_user - before.children_user + after.children_system - before.children_system
        least = min(least, used)
    return least


def filing_cpu(root: Path, name: str) -> float:
    """CPU of filing a run: create, one journal line, finish; the median of twenty."""
    took = []
    for number in range(20):
        before = time.process_time()
        made = record(number)
        run_id = f"{name}-{number}"
        store = RunFolder.create(root, run_id, "", "")
        began = Began(
            at=START, why="", run_id=run_id, program="", recipe_sha256="", bench_sha256="", simulated=True, serial=""
        )
        store.append(began)
        store.finish(
            Record(**{k: getattr(made, k) for k in Record.__dataclass_fields__} | {"run_id": run_id}), "<html>"
        )
        took.append(time.process_time() - before)
    return sorted(took)[len(took) // 2]


def main() -> int:
    """Grow an archive and look at it small and large; exit status 1 where a limit below is not held."""
    slow: list[str] = []
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    small = max(runs // 100, 200)
    searches: dict[str, tuple[str, ...]] = {
        "list the newest 50": (),
        "filter by serial": ("--serial", "sn 123"),
        "filter by recipe, statement, dates": ("--recipe", "recipe-3", "--statement", "fail", "--since", "2016-01-02"),
        "filter by bench": ("--bench", "maker,2", "--measured"),
    }
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "runs"
        grow(root, 0, small)
        look_up(root, Filter(), 1)
        before = {name: command_cpu(root, *options) for name, options in searches.items()}
        filed_small = filing_cpu(root, "small")
        grow(root, small, runs)
        began = time.process_time()
        look_up(root, Filter(), 1)
        each_us = 1e6 * (time.process_time() - began) / (runs - small)
        print(f"reading {runs - small} new folders: {each_us:.0f} us a run, once")
        for name, options in searches.items():
            fresh = command_cpu(root, *options)
            slow += [name] if fresh > MOST_CPU_S else []
            print(f"{name}: {runs} runs, {fresh:.3f} s of CPU, {fresh / before[name]:.2f} times that of {small} runs")
        (root / "x").mkdir()  # the folder has just changed: its listing is read again
        (root / "x").rmdir()
        listed = command_cpu(root)
        print(f"the same just after a change: {listed:.3f} s, {listed / before['list the newest 50']:.2f} times")
        filed = filing_cpu(root, "large")
        slow += ["list after a change"] if listed > MOST_CPU_S else []
        slow += ["filing a run"] if filed > MOST_SLOWER * filed_small else []
        print(f"filing a run: {filed / filed_small:.2f} times that among {small} runs ({filed * 1e3:.1f} ms of CPU)")
    print(f"too slow: {', '.join(slow)}" if slow else "all of it holds")
    return int(bool(slow))


if __name__ == "__main__":
    sys.exit(main())
