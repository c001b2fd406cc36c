"""Meets analyzers nobody has described: `python tests/benchmarks/strangers.py [--count 40] [--first 1] [--speed 0]`.

Each stranger is drawn at random (seeded by its number) from what trade notes 6.9 and issue 4 list, in combinations that
no shipped variant has: spellings, limits, manners. It is served as a process, probed with no help, and then measures
the quick recipe; every true value must lie in its interval, and the probe must have done no harm. Prints a table, one
line a stranger, and exits 1 if any failed. `--keep DIR` keeps variant, dialect and transcript of each.

What this does not show: whoever wrote these spellings and manners had read the probe and the list it tries
(dialects/spellings.yaml), so a share here is no first contact. It shows that combinations hold, not that every word is
known; and at speed 0 nothing of how the end of a sweep is seen in time (`--speed 1` does,
at ten minutes for six).
"""

from __future__ import annotations

import argparse
import itertools
import json
import random
import re
import subprocess
import sys
import tempfile
import time
import traceback
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from instruments import waiting
from instruments.link import Link
from instruments.probe import probe
from sequencer import wiring
from sequencer.cli.people import at_the_bench
from sequencer.learning import with_dialect
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.starters import read_recipe

RECIPE = "vhf-600k-quick"
MAXIMUM_DBM = 0.0
WIDEST_DB = 6.0  # an interval wider than this says nothing of a loss or a rejection
DB_STEPS = (1, 2, 4, 5, 10)
DETECTOR_HEADERS = ("DETector[:FUNCtion]", "DETector", "DETector:FUNCtion", "DETector1[:FUNCtion]")
LACKS = {"*OPC": 0.15, "STATUS": 0.15, "*ESR": 0.12, "*STB": 0.2}
POINTS = (
    *(None, None, [401, 551, 1001, 8192], [201, 401, 801], [461, 601], [101, 1024, 2048]),
    *([500], [1001], [631]),
)


class WallClock:
    """The computer's clock."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


# --- drawing one --------------------------------------------------------------------------------------------


def numbered(rng: random.Random, header: str) -> str:
    """Make a number that must be sent out of each '#', or none."""
    return header.replace("#", rng.choice(["", "", "1", "2"]))


def draw(number: int) -> dict[str, Any]:
    """Return one variant, as variants.yaml would hold it."""
    rng = random.Random(number)

    def some(chance: float) -> bool:
        return rng.random() < chance

    def spelled(*ways: str) -> str:
        return numbered(rng, ways[0] if some(0.4) else rng.choice(ways))

    sense = rng.choice(["[SENSe:]", "[SENSe:]", "SENSe:", "SENSe1:", ""])
    axis = sense + "FREQuency"
    bandwidth = sense + rng.choice(["BANDwidth|BWIDth", "BANDwidth", "BWIDth"])
    rbw = bandwidth + rng.choice(["[:RESolution]", ":RESolution"])
    sweep = sense + "SWEep"
    tail = rng.choice(["[:RF]", "[:AC]", ""])
    attenuation = spelled("INPut#:ATTenuation", f"{sense}POWer{tail}:ATTenuation")
    reference = spelled(
        "DISPlay[:WINDow]:TRACe#:Y[:SCALe]:RLEVel",
        f"{sense}POWer{tail}:REFerence",
        "DISPlay:WINDow#:TRACe:Y:SCALe:RLEVel",
    )
    family = rng.choice(["source", "source", "generator", "output"])
    word = rng.choice(["TGENerator", "TRACking", "GENerator"])
    if family == "source":
        level, output = spelled("SOURce#:POWer[:LEVel][:IMMediate][:AMPLitude]"), spelled("OUTPut#[:STATe]")
    elif family == "generator":
        level, output = (
            f"{word}:{rng.choice(['LEVel', 'POWer', 'AMPLitude'])}",
            f"{word}:{rng.choice(['STATe', 'OUTPut'])}",
        )
    else:
        level, output = spelled("OUTPut#:LEVel", "OUTPut#:POWer", f"SOURce:{word}:LEVel"), spelled("OUTPut#[:STATe]")
    if level.startswith("SOURce:" + word):
        output = f"SOURce:{word}:STATe"
    trace = rng.choice(["TRACe[:DATA]?", "TRACe:DATA?", "TRACe1[:DATA]?", "TRACe1:DATA?", "CALCulate1:DATA?"])
    commands: dict[str, str | None] = {
        "start": f"{axis}:STARt",
        "stop": f"{axis}:STOP",
        "points": f"{sweep}:POINts",
        "sweep time": f"{sweep}:TIME",
        "sweep time auto": f"{sweep}:TIME:AUTO" if some(0.75) else None,
        "rbw": rbw,
        "rbw auto": f"{rbw}:AUTO",
        "vbw": f"{bandwidth}:VIDeo" if some(0.85) else None,
        "vbw auto": f"{bandwidth}:VIDeo:AUTO",
        "detector": sense
        + rng.choice(["DETector[:FUNCtion]", "DETector", "DETector:FUNCtion", "DETector1[:FUNCtion]"]),
        "attenuation": attenuation,
        "attenuation auto": f"{attenuation}:AUTO",
        "reference": reference,
        "generator level": level,
        "generator output": output,
        "continuous": numbered(rng, "INITiate#:CONTinuous"),
        "initiate": numbered(rng, rng.choice(["INITiate#[:IMMediate]", "INITiate#:IMMediate"])),
        "abort": "ABORt" if some(0.8) else None,
        "trace": trace,
    }
    if commands["vbw"] is None or some(0.25):
        commands["vbw auto"] = None
    if some(0.3):
        commands["average"] = f"{sense}AVERage[:STATe]"
    queue = rng.choice([0, 0, 1, 1, 4, 20])
    if queue and some(0.15):
        commands["error queue"] = rng.choice(["STATus:QUEue[:NEXT]", "SYSTem:ERRor"])
    formats = rng.choice([["ASCii"], ["ASCii"], ["ASCii", "REAL,32"], ["REAL,32"], ["REAL,64", "ASCii"], ["REAL,64"]])
    if len(formats) > 1 or some(0.3):
        commands["format"] = "FORMat[:DATA]"
    if "REAL" in "".join(formats) and some(0.4):
        commands["byte order"] = "FORMat:BORDer"
    manners: dict[str, Any] = {}
    for key, chance, values in (
        ("hangs on unknown queries", 0.3, [True]),
        ("forms", 0.25, ["full"]),
        ("units in answers", 0.45, [True, "joined", "scaled"]),
        ("header echo", 0.3, [True]),
        ("opc", 0.55, ["early", "never"]),
        ("initiate blocks", 0.15, [True]),
        ("no data", 0.7, ["sentinel", "old", "error"]),
        ("limits asked", 0.5, [False]),
        ("out of range clamps", 0.3, [True]),
        ("sweeping bit", 0.4, [4, 8, 10, 0]),
        ("lower case", 0.25, [True]),
        ("boolean answers", 0.35, ["words"]),
        ("booleans taken", 0.3, ["words", "digits"]),
        ("suffix required", 0.12, [True]),
        ("steps only", 0.2, [True]),
        ("start above stop refused", 0.25, [True]),
        ("identification fields", 0.25, [3, 2]),
        ("error entries", 0.5, ["signed", "unquoted", "number"]),
        ("trace blocks", 0.3, ["indefinite", "text"]),
    ):
        if some(chance):
            manners[key] = rng.choice(values)
    lacks = [
        header for header, chance in (("*OPC", 0.15), ("STATUS", 0.15), ("*ESR", 0.12), ("*STB", 0.2)) if some(chance)
    ]
    if "STATUS" not in lacks and some(0.2):
        lacks.append(rng.choice(["STATUS:OPERATION:CONDITION", "STATUS:OPERATION:EVENT", "STATUS:QUESTIONABLE"]))
    if lacks:
        manners["lacks"] = lacks
    if some(0.15):
        commands["generator unit"] = rng.choice(
            [re.split(r"\[|:LEV|:POW|:AMP", level)[0] + ":POWer:UNIT", "UNIT:POWer:SOURce"]
        )
        manners["generator unit"] = "DBUV"
    choices = rng.choice(
        [None, None, [401, 551, 1001, 8192], [201, 401, 801], [461, 601], [500], [1001], [631], [101, 1024, 2048]]
    )
    if choices and len(choices) == 1:
        commands["points"] = f"{commands['points']}?"
    step = rng.choice(DB_STEPS)
    names = ["TRACE1", "1", "A", "TRA", "TRACE1", "TRC1"]
    least, most = rng.choice([10, 30, 100, 300]), rng.choice([1e6, 3e6, 5e6])
    variant: dict[str, Any] = {
        "commands": {name: pattern for name, pattern in commands.items() if pattern},
        "manners": manners,
        "trace name": rng.choice(names),
        "detectors": rng.choice(
            [
                {"RMS": "power", "SAMPle": "sample", "POSitive": "peak"},
                {"AVERage": "power", "SAMPle": "sample", "POSitive": "peak"},
                {"SAMPle": "sample", "POSitive": "peak"},
                {"NORMal": "sample", "POSitive": "peak"},
                {"POWer": "power", "NORMal": "sample", "POSitive": "peak"},
            ]
        ),
        "formats": formats,
        "swapped": some(0.5),
        "numbers": rng.choice(["%.12G", "%+.9E", "%.3f", "%.6E", "%+.4f", "%.10E"]),
        "ascii levels": rng.choice(["%.6E", "%.3f", "%+.2f", "%+.4E", "%.1f"]),
        "ascii trailing comma": some(0.35),
        "terminator": rng.choice(["\n", "\r\n"]),
        "questionable bits": {"overload": 9, "unlevelled": 10, "uncalibrated": rng.choice([8, 7, 12])},
        "error queue": queue,
        "continuous after reset": some(0.5),
        "output at power on": some(0.3),
        "frequency Hz": [rng.choice([9e3, 1e5, 1e6]), rng.choice([1.5e9, 1.8e9, 3e9])],
        "points": [choices[0], choices[-1]] if choices else [rng.choice([2, 11, 101]), rng.choice([2001, 10001])],
        "points after reset": choices[len(choices) // 2] if choices else 501,
        "rbw Hz": {"least": least, "most": most, "steps": rng.choice(["1-3-10", "1-2-5", "tenth", "percent"])},
        "attenuation dB": {
            "least": 0,
            "most": step * (40 // step),
            "step": step,
            "rounds": rng.choice(["up", "nearest", "down"]),
        },
        "reference dBm": [rng.choice([-70, -100, -110]), rng.choice([20, 30])],
        "generator dBm": {
            "least": -30,
            "most": rng.choice([0, 5]),
            "step": rng.choice([0.1, 0.5, 1, 5]),
            "levelled": [-30, 0],
        },
        "generator least RBW Hz": rng.choice([0, 0, 300, 1000]),
        "display range dB": rng.choice([None, None, 90, 100, 120]),
        "sweep time s": [rng.choice([1e-3, 1e-2, 2e-2]), 1e3],
        "sweep factor": rng.choice([2.0, 2.5, 3.0]),
    }
    averages_by_itself(number, sense, variant)
    if choices:
        variant["points choices"] = choices
    if some(0.2) and not variant["ascii trailing comma"]:
        variant["ascii separator"] = rng.choice([", ", ";", " "])
    return legal(variant)


def averages_by_itself(number: int, sense: str, variant: dict[str, Any]) -> None:
    """Let most of them average, in some spelling, of some kind; some were left averaging, and a reset keeps that."""
    rng = random.Random(f"averaging {number}")
    way = rng.choice(["switch", "switch", "switch", "mode", "none"])
    commands, words = variant["commands"], {"display": "log"}
    commands.pop("average", None)
    if way == "none":
        return
    if way == "switch":
        stem = rng.choice(
            [f"{sense}AVERage", f"{sense}AVERage", "TRACe:AVERage", "TRACe1:AVERage", "CALCulate1:AVERage"]
        )
        commands["average"] = stem + rng.choice(["[:STATe]", ":STATe"])
        commands["average count"] = f"{stem}:COUNt"
        if rng.random() < 0.6:
            commands["average kind"] = f"{stem}:TYPE"
            words = rng.choice(
                [{"LOG": "log", "RMS": "power"}, {"VIDeo": "log", "POWer": "power", "VOLTage": "voltage"}]
            )
    else:
        commands["trace mode"] = rng.choice(["TRACe:MODE", "TRACe1:TYPE", "DISPlay:WINDow:TRACe:MODE"])
    variant["average kinds"] = words
    if rng.random() < 0.5:
        variant["manners"]["averages after reset"] = True


def legal(variant: dict[str, Any]) -> dict[str, Any]:
    """Take back what contradicts itself: no instrument is like that."""
    manners, formats = variant["manners"], variant["formats"]
    if manners.get("units in answers") == "scaled":
        variant["numbers"] = "%.9G"
    if manners.get("steps only"):  # what can be sent must exist
        variant["rbw Hz"]["steps"] = random.Random(str(variant["commands"])).choice(["1-3-10", "1-2-5"])
        variant["rbw Hz"]["least"] = 100
    if manners.get("trace blocks") == "text" and "ASCii" not in formats:
        del manners["trace blocks"]
    if variant["error queue"] == 0:
        variant["commands"].pop("error queue", None)
    return variant


# --- meeting one --------------------------------------------------------------------------------------------


@dataclass
class Met:
    """What became of one stranger."""

    number: int | str
    features: str
    seconds: float = 0.0
    exchanges: int = 0
    failed: str = ""
    where: str = ""


def features(variant: dict[str, Any]) -> str:
    """Say in short what is unusual about it."""
    manners = dict(variant.get("manners", {}))
    words = [f"{key}={value}" if value is not True else key for key, value in manners.items()]
    words += [
        f"queue={variant['error queue']}",
        f"formats={'/'.join(variant['formats'])}",
        f"rbw={variant['rbw Hz']['steps']}",
    ]
    words += [f"points={variant.get('points choices', 'free')}"]
    return ", ".join(words)


def met_by_hand(name: str) -> dict[str, Any]:
    """Return a variant that somebody wrote who had not seen the probe (tests/data/strangers)."""
    path = Path(__file__).parent.parent / "data" / "strangers" / f"{name}.yaml"
    return next(iter(yaml.safe_load(path.read_text(encoding="utf-8")).values()))


def meet(number: int | str, speed: float, keep: Path | None) -> Met:
    variant = draw(number) if isinstance(number, int) else met_by_hand(number)
    met = Met(number, features(variant))
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        root = keep or Path(folder)
        path = root / f"stranger-{number}.yaml"
        path.write_text(yaml.safe_dump({f"stranger-{number}": variant}, sort_keys=False))
        sent: list[str] = []
        lines: list[str] = []
        text = ""
        try:
            text = _meet(met, path, speed, sent, lines, Path(folder), stack)
            met.failed = harm(text, sent)
        except AssertionError as exc:
            met.failed = str(exc)
        except Exception as exc:  # noqa: BLE001 - a benchmark's table tells of everything that went wrong
            met.failed = f"{type(exc).__name__}: {exc}"
            text = str(getattr(exc, "facts", {}).get("text", ""))
            if keep:
                lines.append(traceback.format_exc())
        if keep:
            (root / f"stranger-{number}.log").write_text("\n".join(lines))
            (root / f"stranger-{number}.dialect").write_text(text or "none\n")
        met.exchanges = len(sent)
    met.seconds = time.monotonic() - began
    return met


def _meet(met: Met, path: Path, speed: float, sent: list[str], lines: list[str], folder: Path, stack: ExitStack) -> str:
    command = [sys.executable, "-m", "instruments.simulated", "--variant", str(path), "--speed", str(speed)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdin is not None
    assert process.stdout is not None
    stack.callback(process.wait, 10.0)
    stack.callback(process.stdin.close)
    stack.callback(process.stdout.close)
    said = json.loads(process.stdout.readline())
    switch = Link.open(said["switch"])
    stack.callback(switch.close)

    def thru() -> bool:
        on = [one for one in sent if re.match(r"(OUTP|SOUR|TGEN|TRACK|GEN)[A-Z0-9:]* (ON|1)$", one)]
        on = [one for one in on if not re.search(r"POW|LEV|AMP|UNIT|AUTO", one)]
        assert not on, f"sent {on[0]!r} before the thru was confirmed"
        switch.query("ROUT:CLOS (@1);*ESR?")
        sent.append("# thru")
        return True

    def note(way: str, data: bytes) -> None:
        lines.append(f"{way} {data.decode('latin-1')[:200]!r}")
        if way == ">":
            sent.append(data.decode("ascii"))

    link = Link.open(said["analyzer"], transcript=note)
    stack.callback(link.close)
    met.where = "probe"
    # In no time, or in real time: then as patient as the command line is.
    patience_s, sweep_s = (0.02, 0.02) if speed == 0.0 else (0.5, 0.4)
    done = probe(link, WallClock(), maximum_dbm=MAXIMUM_DBM, confirm=thru, patience_s=patience_s, sweep_s=sweep_s)
    link.close()
    lines[:0] = done.text.splitlines()
    met.where = "measure"
    recipe = load_recipe(*read_recipe(RECIPE))
    bench = load_bench(with_dialect(said["bench_file"], done.text), "probed bench")
    asked = argparse.Namespace(set=[], yes=True)
    request = wiring.Request(recipe=recipe, bench="", root=folder, serial="", conditions={}, labels={})
    record, _ = wiring._take(request, bench, simulated=True, people=at_the_bench(asked, recipe.ports))
    met.where = "values"
    assert len(record.results) == len(recipe.requirements), "results are missing"
    for one, result in zip(recipe.requirements, record.results, strict=True):
        hz = recipe.frequencies[one.at] + np.linspace(-1.0, 1.0, 41) * (one.within_hz or 0.0)
        assert one.path is not None
        ports = "','".join(one.path)
        told = switch.query(f"SIM:TRUT? '{ports}'," + ",".join(f"{value:.1f}" for value in hz))
        true_db = min(float(loss) for loss in told.split(","))
        low, high = result.interval
        assert low is not None, f"{result.id}: no interval"
        assert low <= true_db, f"{result.id}: {true_db:.2f} dB is below {low:.2f}"
        if high is None:
            assert result.bound is not None, f"{result.id}: no upper end, and no bound"
        else:
            assert true_db <= high, f"{result.id}: {true_db:.2f} dB is above {high:.2f}"
            assert high - low < WIDEST_DB, f"{result.id}: {low:.2f} to {high:.2f} dB says nothing"
    met.where = ""
    return done.text


def harm(dialect: str, sent: list[str]) -> str:
    """Return what the probe did that it must never do, '' for nothing."""
    header = re.search(r'attenuation: \{set: "(\S+) \{value\}', dialect)
    level = re.search(r'level: \{set: "(\S+) \{value\}', dialect)
    for one in sent:
        if re.search(r"\*TST|\*SAV|\*RCL|(^|:)CAL[:? ]|CALIB|MEM:|COMM|GAIN|PREAMP", one.upper()):
            return f"sent {one!r}"
        for which, least, most in ((header, 10.0, np.inf), (level, -np.inf, MAXIMUM_DBM)):
            match = re.match(re.escape(which[1]) + r" (-?[\d.E+]+)", one) if which else None
            if match and not least <= float(match[1]) <= most:
                return f"sent {one!r}"
    return ""


def main() -> int:
    parser = argparse.ArgumentParser(description="Meet analyzers nobody has described.")
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--first", type=int, default=1, help="number of the first: each number is always the same one")
    parser.add_argument(
        "--only", default="", help="these numbers, or names of files in tests/data/strangers, with commas"
    )
    parser.add_argument("--speed", type=float, default=0.0, help="times real time; 0: sweeps take no time")
    parser.add_argument("--workers", type=int, default=4, help="met at the same time: most of it is waiting")
    parser.add_argument("--keep", type=Path, help="keep variant, dialect and transcript of each there")
    asked = parser.parse_args()
    numbers = [int(one) if one.isdigit() else one for one in asked.only.split(",") if one] or range(
        asked.first, asked.first + asked.count
    )
    if asked.keep:
        asked.keep.mkdir(parents=True, exist_ok=True)
    if asked.speed == 0.0:  # sweeps cost no wall time, also where nothing tells their end
        waiting._TIMED_FACTOR, waiting._TIMED_MORE_S = 0.0, 0.001
    failed = 0
    with ThreadPoolExecutor(asked.workers) as pool:
        for met in pool.map(meet, numbers, itertools.repeat(asked.speed), itertools.repeat(asked.keep)):
            failed += bool(met.failed)
            said = f"FAILED ({met.where}) {met.failed}" if met.failed else "measures alike"
            print(
                f"{met.number:>4} {met.seconds:6.1f} s {met.exchanges:6d} sent  {said}\n     {met.features}", flush=True
            )
    print(f"{len(numbers) - failed} of {len(numbers)} were probed unaided and measure the device within the intervals")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
