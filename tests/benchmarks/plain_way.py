"""How much less sweep time a run takes than the plain way, at equal noise standard uncertainty at the notch.

Run ``python tests/benchmarks/plain_way.py [STARTER ...]``. Each starter is run on its healthy simulated device with
each analyzer; all sweeps of that run count. The plain way is fixed: one uniform sweep of four splits for the thru and
for each path, step an eighth of the notch's width (3 dB above its bottom, the true one), RBW by trade notes 1.3 (floor
10 dB below the limit) in the analyzer's own filters, sweep time 2 span / RBW^2 or longer, same level; repeated or
slowed until noise at each path's notch gives the standard uncertainty that our run states there (its budget's line
'noise and averaging'). The thru is swept once, unrepeated; bias by noise, leakage and reflections are not its matter.

Command latency: 0.1 s a sweep for both (settling, commands and answers; common practice, no source).
"""

import io
import json
import math
import sys
import tempfile
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from instruments.simulated import devices
from instruments.simulated.profile import PROFILES
from instruments.simulated.receiver import NOISE_BANDWIDTH
from sequencer.cli.main import main as notchbook
from sequencer.core.circuit import loss_db
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Quantity
from sequencer.recipe.starters import read_recipe

STARTERS = ("vhf-600k-acceptance", "6m-1m-acceptance", "70cm-5m-acceptance", "33cm-25m-acceptance")
# variant: (filters or None for any, least filter of the generator, power detector, most points, least sweep time)
ANALYZERS = {
    "free-binary": (None, 0.0, True, 10_001, 1e-3),
    "fixed-ascii": ((100.0, 300.0, 1e3, 3e3, 10e3, 30e3), 0.0, False, 401, 0.02),
    "swapped-real32": ((1e3, 3e3, 10e3, 30e3), 1e3, True, 2001, 1e-3),
}
DEEP = {Quantity.REJECTION, Quantity.ISOLATION}
MARGIN_DB = 10.0  # trade notes 1.3
SPLITS, STEPS_A_NOTCH, FACTOR = 4.0, 8.0, 2.0
LATENCY_S = 0.1
SEEDS = (1, 2, 3)  # an uncertainty estimated from the scatter of few repeats scatters itself
WANTED = (0.10, 0.20)  # of the plain way's sweep time, without and with latency


@dataclass(frozen=True)
class Spent:
    """Sweep time and number of sweeps."""

    seconds: float
    sweeps: int

    @property
    def with_latency_s(self) -> float:
        return self.seconds + LATENCY_S * self.sweeps


def plain_way(split_hz, width_hz, thru_dbm, limit_db, losses, noise_dbm_hz, attenuation_db, analyzer) -> Spent:
    """``losses``: for each path [(loss at its notch in dB, wanted u in dB), ...]."""
    filters, least_hz, averages_power, most_points, least_s = analyzer
    span_hz = SPLITS * split_hz
    points = math.ceil(span_hz / (width_hz / STEPS_A_NOTCH)) + 1
    widest_hz = 10 ** ((thru_dbm - limit_db - MARGIN_DB - noise_dbm_hz - attenuation_db) / 10)
    filters = filters or (widest_hz,)
    rbw_hz = max((b for b in filters if b <= widest_hz), default=min(filters))
    rbw_hz = max(rbw_hz, least_hz)
    segments = math.ceil(points / most_points)
    once_s = max(FACTOR * span_hz / rbw_hz**2, segments * least_s)
    spent_s, sweeps = once_s, segments  # the thru
    for path in losses:
        needed = 1.0
        for loss, u_db in path:
            ratio = 10 ** ((noise_dbm_hz + attenuation_db + 10 * math.log10(rbw_hz) - (thru_dbm - loss)) / 10)
            relative = u_db * math.log(10) / 10
            # variance of the mean power of K samples of a tone in noise (Rice), over its mean squared
            needed = max(needed, (2 * ratio + ratio**2) / (1 + ratio) ** 2 / relative**2)
        if averages_power:
            spent_s += max(once_s, needed * points / rbw_hz)
            sweeps += segments
        else:
            spent_s += math.ceil(needed) * once_s
            sweeps += math.ceil(needed) * segments
    return Spent(spent_s, sweeps)


def notch_width_hz(circuit, path, at_hz) -> float:
    freq_hz = np.linspace(at_hz * 0.998, at_hz * 1.002, 40_001)
    loss = loss_db(circuit.s(freq_hz), circuit, *path)
    bottom = int(np.argmax(np.where(np.abs(freq_hz - at_hz) < at_hz * 3e-4, loss, -np.inf)))
    above = np.flatnonzero(loss < loss[bottom] - 3.0)
    return float(freq_hz[above[above > bottom][0]] - freq_hz[above[above < bottom][-1]])


def our_run(starter: str, variant: str, seed: int) -> dict:
    with tempfile.TemporaryDirectory() as folder:
        out = io.StringIO()
        with redirect_stdout(out), redirect_stderr(io.StringIO()):
            notchbook([
                "run", starter, "--bench", f"simulated::{variant}", "--yes", "--json", "--out", folder,
                "--seed", str(seed),
            ])  # fmt: skip
    return json.loads(out.getvalue())


def compare(starter: str, variant: str, seed: int) -> tuple[Spent, Spent, float]:
    recipe = load_recipe(*read_recipe(starter))
    record = our_run(starter, variant, seed)
    traces = record["traces"]
    ours = Spent(sum(t["used"]["sweep_time_s"] for t in traces), len(traces))
    circuit = devices.build(devices.for_recipe(starter)).circuit
    results = {r["id"]: r for r in record["results"]}
    paths: dict[tuple[str, str], list[tuple[float, float]]] = {}
    widths, limits, uncertainties = [], [], []
    for need in recipe.requirements:
        if need.quantity not in DEEP:
            continue
        result = results[need.id]
        noise = [row["u"] for row in result["budget"] if row["name"].startswith("noise and averaging")]
        # a budget leaves out lines below a hundredth of its largest
        u_db = noise[0] if noise else 0.01 * max(row["u"] for row in result["budget"])
        paths.setdefault(need.path, []).append((result["value"], u_db))
        uncertainties.append(u_db)
        limits.append(need.minimum)
        if need.quantity is Quantity.REJECTION:
            widths.append(notch_width_hz(circuit, need.path, need.at_hz))
    hz = sorted(recipe.frequencies.values())
    used = next(t["used"] for t in traces if t["role"] == "device")
    lead_db = 2 * 0.3 * math.sqrt(hz[0] / 1e8) + 2 * PROFILES["lab"].pad_loss_db
    noise = PROFILES["lab"].noise_dbm_hz + 10 * math.log10(NOISE_BANDWIDTH)
    plain = plain_way(
        hz[-1] - hz[0], min(widths), -lead_db, max(limits), list(paths.values()), noise, used["attenuation_db"],
        ANALYZERS[variant],
    )  # fmt: skip
    return ours, plain, max(uncertainties)


def main() -> int:
    good = True
    print(f"{'starter':26}{'analyzer':16}{'u, dB':>7}{'ours':>16}{'plain':>18}{'time':>8}{'with latency':>14}")
    for starter in sys.argv[1:] or STARTERS:
        for variant in ANALYZERS:
            each = [compare(starter, variant, seed) for seed in SEEDS]
            ours, plain = (
                Spent(sum(e[n].seconds for e in each) / len(each), sum(e[n].sweeps for e in each) // len(each))
                for n in (0, 1)
            )
            u_db = sum(e[2] for e in each) / len(each)
            time, late = ours.seconds / plain.seconds, ours.with_latency_s / plain.with_latency_s
            good &= time <= WANTED[0] and late <= WANTED[1]
            print(
                f"{starter:26}{variant:16}{u_db:7.3f}{ours.seconds:8.2f} s {ours.sweeps:4} x"
                f"{plain.seconds:10.1f} s {plain.sweeps:4} x{time:8.1%}{late:14.1%}"
            )
    print(f"wanted: at most {WANTED[0]:.0%} and {WANTED[1]:.0%} on every line: {'yes' if good else 'NO'}")
    return 0 if good else 1


if __name__ == "__main__":
    if not Path(__file__).exists():
        raise SystemExit(2)
    sys.exit(main())
