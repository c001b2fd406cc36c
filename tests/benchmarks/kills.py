"""Kills runs as processes and resumes them: `python tests/benchmarks/kills.py [--seed N] [--moments 20]`.

Twenty kills at seeded moments and one after each kind of journal entry. Killed means SIGKILL, so nothing of ours runs
any more; only for the kind 'stopped' the run is asked to end (SIGTERM). Then `notchbook resume` must bring the run to
its end: every sweep that the journal had named is still there, unchanged; the plan is the undisturbed run's; and the
values are the undisturbed run's within what noise, connections and drift explain, by the runs' own budgets. (The
simulated bench goes on as a real one does: leads are mated anew, noise is new. That the values are equal to the last
bit on a bench that repeats itself is what tests/test_resume.py holds, at every write, fsync and rename:
`NOTCHBOOK_THOROUGH=1 pytest tests/test_resume.py`.) Every second moment and every kind is killed on a bench of its own
that lives on, as a real one does: after `resume`, whatever came of it, the bench itself must say that its generator is
off. The other moments are killed on a bench that the run itself started: none may be left behind.

Prints a table, and exits 1 if any row failed.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import random
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import psutil

sys.path.insert(0, str(Path(__file__).parent))
from faults import Bench

from sequencer.formats.journal import kinds

RECIPE = "vhf-600k-acceptance"
SPEED = 6.0  # times real time: slow enough for a kill to fall into a sweep, too
SIGMAS = 4.5  # ten quantities in 34 rows: one false alarm in about 400 tables, were all else right (normal law)
WITHOUT = {
    "dropped": "only after a jump, which this bench never has; test_resume holds it in process",
    "waited": "only on a cold bench, five minutes of its clock each; test_resume holds it in process",
}
KINDS = tuple(kind for kind in kinds() if kind not in WITHOUT)
MARK = "NOTCHBOOK_KILLS"  # tells our processes from another's on the same machine
COMMAND = [sys.executable, "-m", "sequencer.cli"]


class Failed(Exception):
    """A row that did not hold; the text says why."""


def start(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen([*COMMAND, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)


def start_run(root: Path) -> subprocess.Popen[str]:
    own = root / "bench.yaml"
    bench = (str(own),) if own.exists() else ("simulated", "--speed", str(SPEED))
    return start("run", RECIPE, "--yes", "--out", str(root), "--bench", *bench)


def folder_of(root: Path) -> Path | None:
    found = [path for path in root.glob("[!.]*") if (path / "journal.jsonl").exists()]  # not one that is being made
    return found[0] if found else None


def journal(folder: Path | None) -> list[dict[str, Any]]:
    """Whole lines of the journal, as a reader that knows nothing of our code."""
    if folder is None:
        return []
    lines = []
    for line in (folder / "journal.jsonl").read_bytes().split(b"\n")[:-1]:
        try:
            lines.append(json.loads(line))
        except ValueError:
            break  # torn
    return lines


def wait_for(process: subprocess.Popen[str], root: Path, kind: str, since: int = 0, within_s: float = 60.0) -> None:
    """Return as soon as the journal has an entry of the kind (after its first ``since`` entries)."""
    until = time.monotonic() + within_s
    while not any(entry["kind"] == kind for entry in journal(folder_of(root))[since:]):
        if process.poll() is not None or time.monotonic() > until:
            raise Failed(f"no entry {kind!r} came (exit status {process.returncode})")
        time.sleep(0.002)


def wait_for_folder(process: subprocess.Popen[str], root: Path) -> None:
    while folder_of(root) is None and process.poll() is None:
        time.sleep(0.002)


def kill(process: subprocess.Popen[str]) -> None:
    process.kill()
    process.communicate()


def to_the_switch(root: Path, command: str) -> None:
    """Tell the simulated bench of a running run something; its switch is named in the run's bus.log or bench.yaml."""
    folder = folder_of(root)
    assert folder is not None
    text = (folder / "bench.yaml").read_text(encoding="utf-8").partition("switch:")[2]
    port = int(re.search(r"TCPIP::127\.0\.0\.1::(\d+)::SOCKET", text)[1])  # type: ignore[index]
    with socket.create_connection(("127.0.0.1", port), timeout=5.0) as wire:
        wire.sendall(f"{command};*OPC?\n".encode())
        wire.recv(64)


def kill_after(kind: str, root: Path) -> None:
    """Run until an entry of this kind is in the journal, then kill."""
    process = start_run(root)
    if kind == "refused":
        wait_for(process, root, "began")
        to_the_switch(root, 'SIM:MISW "floor","thru"')
    elif kind == "warned":
        wait_for(process, root, "began")
        to_the_switch(root, "SIM:FAULT FOREIGN,146300000,-60")
    elif kind == "voided":
        wait_for(process, root, "adjusted")
        time.sleep(0.5)
        to_the_switch(root, "SIM:FAULT POWER")
    elif kind == "stopped":
        wait_for(process, root, "adjusted")
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=60)
        if process.returncode != 143:
            raise Failed(f"SIGTERM ended it with {process.returncode}: {said[-200:]}")
        return
    elif kind == "resumed":
        wait_for(process, root, "adjusted")
        kill(process)
        folder = folder_of(root)
        process = start("resume", str(folder), "--yes")
    wait_for(process, root, kind)
    kill(process)
    if kind == "refused":  # the bench lives on, and so would its fault
        to_the_switch(root, 'SIM:MISW "floor","floor"')


def kill_at(moment_s: float, root: Path) -> None:
    process = start_run(root)
    wait_for_folder(process, root)
    time.sleep(moment_s)
    kill(process)


def check(root: Path, whole: Mapping[str, Any], plan: list[str]) -> str:
    """Resume what was killed and hold it against the undisturbed run; return what to say of it."""
    folder = folder_of(root)
    before = journal(folder)
    last = before[-1]["kind"] if before else "nothing"
    if folder is None:
        return "before the run had a folder: nothing to resume"
    resume = [*COMMAND, "resume", str(folder), "--yes"]
    ended = subprocess.run(resume, capture_output=True, text=True, check=False, timeout=120)
    if "Traceback" in ended.stderr:
        raise Failed(f"traceback: {ended.stderr[-300:]}")
    if not before:
        if ended.returncode != 2 or "start a new one" not in ended.stderr:
            raise Failed(f"an empty run ended with {ended.returncode}: {ended.stderr[-200:]}")
        return "before the first entry: told to start anew"
    if last == "finished" and (folder / "manifest.json").exists() and ended.returncode == 2:
        return "after it was finished and sealed: nothing to resume"
    if ended.returncode != 0:
        raise Failed(f"resume ended with {ended.returncode}: {ended.stderr[-300:]}")
    after = journal(folder)
    if after[: len(before)] != before:
        raise Failed("the old journal is not the beginning of the new one")
    record = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    taken = {entry["file"]: entry["sha256"] for entry in before if entry["kind"] == "swept"}
    kept = {trace["file"]: trace["sha256"] for trace in record["traces"]}
    if not taken.items() <= kept.items():
        raise Failed("a sweep that had been taken is not in the record")
    if not record["complete"] or [result["id"] for result in record["results"]] != plan:
        raise Failed("the record is not whole")
    worst = max(
        (abs(a["value"] - b["value"]) / explained(a, b), a["id"])
        for a, b in zip(record["results"], whole["results"], strict=True)
    )
    if worst[0] > SIGMAS:
        raise Failed(f"{worst[1]} differs by {worst[0]:.1f} standard uncertainties of noise, connections and drift")
    verified = subprocess.run(
        [sys.executable, "-c", _VERIFY, str(folder)], capture_output=True, text=True, check=False, timeout=60
    )
    if verified.returncode:
        raise Failed(f"the folder does not verify: {verified.stdout}{verified.stderr[-200:]}")
    how = "judged and sealed" if not record["resumed"] else f"resumed, {len(after) - len(before)} entries"
    voided = ", begun afresh" if any(e["kind"] == "voided" for e in after[len(before) :]) else ""
    return f"after '{last}' ({len(before)} entries): {how}{voided}; differs by {worst[0]:.1f} u"


_VERIFY = (
    "import sys, pathlib; from sequencer.archive.reading import verify_run; "
    "found = verify_run(pathlib.Path(sys.argv[1])); print(found); sys.exit(bool(found))"
)


def explained(a: Mapping[str, Any], b: Mapping[str, Any]) -> float:
    """Standard uncertainty of the difference of two runs on one bench: what is not common to both."""
    parts = [
        line["u"]
        for result in (a, b)
        for line in result["budget"]
        if line["kind"] == "A" or line["name"].startswith(("connection", "drift"))
    ]
    return math.sqrt(sum(u * u for u in parts))


def leftovers() -> int:
    """Simulated benches that outlived who started them."""
    found = 0
    for process in psutil.process_iter():
        with contextlib.suppress(psutil.Error):  # gone, or another's
            command = process.cmdline()
            found += "instruments.simulated" in command and process.environ().get(MARK) == str(os.getpid())
    return found


@contextlib.contextmanager
def _bench(*, own: bool) -> Iterator[Bench | None]:
    bench = Bench("--recipe", RECIPE, "--speed", str(SPEED)) if own else None
    try:
        yield bench
    finally:
        if bench is not None:
            bench.close()


def row(name: str, do: Callable[[Path], None], whole: Mapping[str, Any], plan: list[str], *, own: bool) -> bool:
    """Kill, resume and hold one run; on a bench of its ``own`` ask that at the end whether its generator is on."""
    root = Path(tempfile.mkdtemp(prefix="notchbook-kill-"))
    began = time.monotonic()
    try:
        with _bench(own=own) as bench:
            if bench is not None:
                (root / "bench.yaml").write_text(bench.text, encoding="utf-8")
            do(root)
            said, ok = check(root, whole, plan), True
            if bench is not None:
                if bench.proxy.ask("OUTP?") != "0":
                    raise Failed(f"{said}; and its generator is still ON")
                said += "; generator off"
        shutil.rmtree(root)
    except Failed as exc:
        said, ok = f"{exc} (kept in {root})", False
    print(f"{'ok  ' if ok else 'FAIL'}  {name:<22}  {time.monotonic() - began:4.1f} s  {said}", flush=True)
    return ok


def main() -> int:
    parser = argparse.ArgumentParser(description="Kill runs and resume them.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--moments", type=int, default=20)
    parser.add_argument("--kinds", default=",".join(KINDS), help="kinds of journal entries to kill after")
    asked = parser.parse_args()
    root = Path(tempfile.mkdtemp(prefix="notchbook-whole-"))
    os.environ[MARK] = str(os.getpid())
    process = start_run(root)
    wait_for_folder(process, root)
    began = time.monotonic()
    _, said = process.communicate(timeout=120)
    lasts_s = time.monotonic() - began
    folder = folder_of(root)
    if process.returncode != 0 or folder is None:
        print(f"the undisturbed run ended with {process.returncode}: {said[-500:]}")
        return 1
    whole = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    plan = [result["id"] for result in whole["results"]]
    print(f"undisturbed: {lasts_s:.1f} s, {len(journal(folder))} entries, {len(whole['traces'])} sweeps")
    moments = random.Random(asked.seed)
    good = True
    for number in range(asked.moments):
        moment_s = moments.uniform(0.0, 0.9 * lasts_s)  # at the very end it is sealed, and nothing is left to kill
        own = bool(number % 2)
        good &= row(f"moment {number + 1}: {moment_s:.3f} s", lambda r, m=moment_s: kill_at(m, r), whole, plan, own=own)
    for kind in filter(None, asked.kinds.split(",")):
        good &= row(f"after {kind!r}", lambda r, k=kind: kill_after(k, r), whole, plan, own=True)
    time.sleep(1.0)
    left = leftovers()
    print(f"{'ok  ' if left == 0 else 'FAIL'}  simulated benches left behind: {left}")
    shutil.rmtree(root)
    return 0 if good and left <= 0 else 1


if __name__ == "__main__":
    sys.exit(main())
