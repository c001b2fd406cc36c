"""Prints the fault table: `python tests/benchmarks/faults.py [--only WORD]`.

Each row breaks something on the way to a simulated bench, once and then for ever, in a run of its own process. It must
end in recovery, said aloud, with the undisturbed run's values; or in exit 3 with a message, the generator off if it
can be reached, and a run that `resume` brings to its end once the fault is gone. None may end in a wrong number, a
traceback or a hang, or burn a core. Exits 1 if any row did.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
from fault_proxy import MISHAPS, Proxy

RECIPE = "vhf-600k-quick"
COMMAND = [sys.executable, "-m", "sequencer.cli"]
LONGEST_S = 90.0  # a sweep is waited for at most 1.5 times its time and 5 s, an answer 5 s, each tried twice
MOST_CPU_S = 4.0  # start, plan, budgets and report take 1.5 s of it
SIGMAS = 4.5  # as in kills.py


class Bench:
    """A simulated bench of its own, with a proxy before its analyzer."""

    def __init__(self, *arguments: str) -> None:
        command = [sys.executable, "-m", "instruments.simulated", *arguments]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        self.said = json.loads(self.process.stdout.readline())
        self.proxy = Proxy(_port(self.said["analyzer"]))
        self.text = self.said["bench_file"].replace(self.said["analyzer"], self.proxy.resource)

    def control(self, command: str) -> None:
        with socket.create_connection(("127.0.0.1", _port(self.said["switch"])), timeout=5.0) as wire:
            wire.sendall(f"{command};*OPC?\n".encode())
            wire.recv(64)

    def close(self) -> None:
        self.proxy.close()
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(10)
        self.process.stdout.close()


def _port(resource: str) -> int:
    return int(resource.split("::")[2])


@contextmanager
def a_bench(*arguments: str) -> Iterator[Bench]:
    bench = Bench("--recipe", RECIPE, *arguments)
    try:
        yield bench
    finally:
        bench.close()


class Ended:
    """How a command ended."""

    def __init__(self, *arguments: str) -> None:
        began, cpu = time.monotonic(), _children_cpu_s()
        process = subprocess.Popen(
            [*COMMAND, *arguments],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            _, self.said = process.communicate(timeout=LONGEST_S)
            self.status: int | str = process.returncode
        except subprocess.TimeoutExpired:
            process.kill()
            _, self.said = process.communicate()
            self.status = "hung"
        self.wall_s = time.monotonic() - began
        self.cpu_s = _children_cpu_s() - cpu


def _children_cpu_s() -> float:
    times = os.times()
    return times.children_user + times.children_system


def _folder(root: Path) -> Path | None:
    return next((path for path in root.glob("*") if (path / "journal.jsonl").exists()), None)


def _record(root: Path) -> Mapping[str, Any] | None:
    folder = _folder(root)
    path = None if folder is None else folder / "result.json"
    return json.loads(path.read_text(encoding="utf-8")) if path is not None and path.exists() else None


def _apart(record: Mapping[str, Any], whole: Mapping[str, Any]) -> float:
    """Largest difference of two records, in standard uncertainties of what the two runs do not share."""
    worst = 0.0
    for a, b in zip(record["results"], whole["results"], strict=True):
        lines = [*a["budget"], *b["budget"]]
        u = math.sqrt(
            sum(x["u"] ** 2 for x in lines if x["kind"] == "A" or x["name"].startswith(("connection", "drift")))
        )
        worst = max(worst, abs(a["value"] - b["value"]) / u)
    return worst


def hold(bench: Bench, name: str, arguments: list[str], whole: Mapping[str, Any], mend: Callable[[], None]) -> str:
    """Run into a fault; return what happened, beginning with FAIL where the promise was broken."""
    root = Path(tempfile.mkdtemp(prefix="notchbook-fault-"))
    try:
        ended = Ended("run", *arguments, "--yes", "--out", str(root))
        text = named(name, ended.said) + _judged(bench, ended, root, whole, mend)
    finally:
        mend()
        shutil.rmtree(root)
    return f"{text}  [{ended.wall_s:.1f} s, CPU {ended.cpu_s:.1f} s]"


def _judged(bench: Bench, ended: Ended, root: Path, whole: Mapping[str, Any], mend: Callable[[], None]) -> str:
    last = ended.said.strip().splitlines()[-1:] or [""]
    if ended.status == "hung" or "Traceback" in ended.said:
        return f"FAIL {ended.status}: {ended.said[-300:]}"
    if ended.cpu_s > MOST_CPU_S:
        return f"FAIL burnt {ended.cpu_s:.1f} s of CPU"
    if bench.proxy.ask("OUTP?") != "0":
        return "FAIL the generator is still on"
    if ended.status == 0:
        record = _record(root)
        if record is None:
            return "FAIL exit 0 without a record"
        apart = _apart(record, whole)
        if apart > SIGMAS:
            return f"FAIL wrong numbers: {apart:.1f} u from the undisturbed run"
        return f"recovered; {apart:.1f} u apart"
    if ended.status != 3:
        return f"FAIL exit {ended.status}: {last[0]}"
    said = next((line for line in ended.said.splitlines() if line.startswith("notchbook: ")), "")
    mend()
    folder = _folder(root)
    if folder is None:
        return f"exit 3, nothing begun: {said[:150]}"
    return f"exit 3, off, {_resumed(folder, whole)}: {said[11:150]}"


def _resumed(folder: Path, whole: Mapping[str, Any]) -> str:
    again = Ended("resume", str(folder), "--yes")
    if again.status != 0:
        return f"FAIL resume ended with {again.status}: {again.said[-300:]}"
    record = _record(folder.parent)
    assert record is not None
    apart = _apart(record, whole)
    return f"FAIL wrong numbers after resume: {apart:.1f} u" if apart > SIGMAS else f"resumed, {apart:.1f} u apart"


# --- rows that are no matter of a message ------------------------------------------------------------------------

SETUPS: dict[str, tuple[str, ...]] = {
    "overload": ("SIM:FAULT FOREIGN,146.3 MHZ,25 DBM",),
    "stuck relay": ('SIM:MISW "floor","thru"',),
    "relay stuck at the end": ('SIM:MISW "thru","floor"',),
    "lead on the wrong port": ('SIM:MISW "ANT-RX","ANT-TX"',),
    "lead on the wrong port, earlier": ('SIM:MISW "TX-ANT","RX-ANT"',),
    "lead off": ('SIM:MISW "TX-ANT","leads open"',),
    "loads of the floor forgotten": ('SIM:MISW "floor","TX-ANT"',),
}

SAYS = {
    "dropped": "closed the connection",
    "silent": "no answer within",
    "slow answers": "",  # each comes within its limit: nothing was recovered from, so there is nothing to say
    "block too short": "no answer within 5 s .* bytes came",
    "block too long": "bytes promised, then",
    "indefinite block": "a block of unstated length",
    "wrong length digits": "bytes promised, then",
    "no block header": "not a block header",
    "garbage for a status": "bytes came that are no text",
    "garbage": "a block starting with '#' expected",
    "NaN": "points without data",
    "infinity": "points without data",
    "no-data": "points without data",
    "error queue": '-113 "Undefined header',
    "the sweep never ends": "was not over after",
    "reset by another": "was it reset, or does another program",
    "RBW set by another": r"settings changed \(rbw_hz\)",
    "generator off by another": "the generator is off, not as asked",
    "overload": "input is overloaded",
    "stuck relay": "nothing seems to have been moved",
    "relay stuck at the end": "too little level",
    "lead on the wrong port": "on the wrong port",
    "lead off": "is a lead off",
    "loads of the floor forgotten": "where both leads should end in loads",
    "unlevelled": "unlevelled",
}
"""Beginning of a row's name -> what the terminal must say, so that nobody is sent after another fault."""


def named(name: str, said: str) -> str:
    """Return FAIL where a run does not say aloud which fault it met; the longest beginning of its name counts."""
    wanted = SAYS[max((known for known in SAYS if name.startswith(known)), key=len)]
    return "" if re.search(wanted, " ".join(said.split())) else f"FAIL never said {wanted!r}: "


def rows(whole: Mapping[str, Any], text: Path, bench: Bench) -> Iterator[tuple[str, Callable[[], str]]]:
    """Every row as (name, what runs it)."""
    proxy = bench.proxy
    arguments = [RECIPE, "--bench", str(text)]

    def clear() -> None:
        proxy.fault = None
        bench.control("SIM:FAULT NONE")

    def struck(name: str, times: int | None) -> str:
        proxy.fault = MISHAPS[name](times)
        return hold(bench, name, arguments, whole, clear)

    def set_up(name: str) -> str:
        for command in SETUPS[name]:
            bench.control(command)
        return hold(bench, name, arguments, whole, clear)

    def changed(name: str, old: str, new: str) -> str:
        other = text.with_name("other.yaml")
        assert old in bench.text
        other.write_text(bench.text.replace(old, new), encoding="utf-8")
        root = Path(tempfile.mkdtemp(prefix="notchbook-fault-"))
        ended = Ended("run", RECIPE, "--bench", str(other), "--yes", "--out", str(root))
        begun = _folder(root)
        # a run keeps its bench file: what was wrong in it is not mended by resuming, which must say so again
        again = "" if begun is None else Ended("resume", str(begun), "--yes").said
        shutil.rmtree(root)
        if begun is not None and named(name, again):
            return f"FAIL resumed, it says {again[-200:]}"
        said = next((line for line in ended.said.splitlines() if line.startswith("notchbook: ")), ended.said[-200:])
        good = ended.status in (2, 3) and "Traceback" not in ended.said and ended.cpu_s < MOST_CPU_S
        off = bench.proxy.ask("OUTP?") == "0"
        return f"{'' if good and off else 'FAIL '}exit {ended.status}: {said[11:160]}  [{ended.wall_s:.1f} s]"

    def two_runs() -> str:
        root = Path(tempfile.mkdtemp(prefix="notchbook-fault-"))
        both = [
            subprocess.Popen(
                [*COMMAND, "run", RECIPE, "--bench", str(text), "--yes", "--out", str(root / name)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                text=True,
            )
            for name in ("a", "b")
        ]
        out = []
        for name, process in zip("ab", both, strict=True):
            _, said = process.communicate(timeout=LONGEST_S)
            record = _record(root / name)
            wrong = process.returncode == 0 and (record is None or _apart(record, whole) > SIGMAS)
            ok = process.returncode in (0, 3) and "Traceback" not in said and not wrong
            out.append(f"{'' if ok else 'FAIL '}exit {process.returncode}")
            if process.returncode == 3 and not re.search("another (program|run)", " ".join(said.split())):
                out[-1] = f"FAIL exit 3 for another reason: {said[-200:]}"
        off = "" if proxy.ask("OUTP?") == "0" else "FAIL generator on; "
        for name in "ab":  # the one that gave way goes on, now alone
            folder = _folder(root / name)
            if folder is not None and _record(root / name) is None:
                out.append(_resumed(folder, whole))
        shutil.rmtree(root)
        return off + ", ".join(out)

    for name in MISHAPS:
        yield f"{name}, once", lambda name=name: struck(name, 1)
        yield f"{name}, for ever", lambda name=name: struck(name, None)
    for name in SETUPS:
        yield name, lambda name=name: set_up(name)
    yield "unlevelled", lambda: changed("unlevelled", "level: 0 dBm", "level: 9 dBm")
    yield (
        "name does not resolve",
        lambda: changed("no address", proxy.resource, "TCPIP::no-such-host.invalid::5025::SOCKET"),
    )
    yield "refused port", lambda: changed("no address", proxy.resource, f"TCPIP::127.0.0.1::{_free_port()}::SOCKET")
    yield "malformed resource", lambda: changed("no address", proxy.resource, "TCPIP::::x::SOCKET")
    yield "two runs at once", two_runs
    yield "port in use", lambda: port_in_use(proxy.port)


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def port_in_use(port: int) -> str:
    command = [sys.executable, "-m", "instruments.simulated", "--standalone", "--port", str(port)]
    ended = subprocess.run(command, capture_output=True, text=True, check=False, timeout=30)
    good = ended.returncode == 2 and "Traceback" not in ended.stderr and str(port) in ended.stderr
    return f"{'' if good else 'FAIL '}exit {ended.returncode}: {ended.stderr.strip()[:150]}"


def main() -> int:
    parser = argparse.ArgumentParser(description="Print the fault table.")
    parser.add_argument("--only", default="", help="rows whose name has this in it")
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="notchbook-faults-"))
    text = folder / "bench.yaml"
    good = True
    with a_bench() as bench:
        text.write_text(bench.text, encoding="utf-8")
        ended = Ended("run", RECIPE, "--bench", str(text), "--yes", "--out", str(folder / "whole"))
        whole = _record(folder / "whole")
        if whole is None:
            print(f"the undisturbed run ended with {ended.status}: {ended.said[-500:]}")
            return 1
        print(
            f"undisturbed: {ended.wall_s:.1f} s, CPU {ended.cpu_s:.1f} s; u: what noise, connections and drift explain"
        )
        for name, do in rows(whole, text, bench):
            if asked.only in name:
                said = do()
                good &= "FAIL" not in said
                print(f"{name:<36} {said}", flush=True)
    shutil.rmtree(folder)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
