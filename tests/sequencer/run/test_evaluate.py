"""From journals of a small synthetic bench, whose truth is known, to results.

The bench is this file's own: a three-port from lumped elements in numpy, errors added by solving the signal-flow
equations as a linear system (not by the expression under test), noise drawn as averaged exponential power.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy.stats import binom

from sequencer.core.history import Connected, Refused, Role, Swept
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.record import Bound, CurveKind, Statement
from sequencer.core.trace import Detector, Sweep, SweepSettings, Trace
from sequencer.recipe.model import (
    AnalyzerFile,
    Bench,
    Bridge,
    Decision,
    Figure,
    Pad,
    Quantity,
    Recipe,
    Requirement,
    Rule,
    Specifications,
)
from sequencer.run.evaluate import evaluate, overall

TX_HZ, RX_HZ = 146.61e6, 146.01e6
PORTS = ("TX", "RX", "ANT")
T0 = datetime(2026, 1, 1, tzinfo=UTC)


def cavity(f, pass_hz, notch_hz, loss_db=0.35, qu=4500.0):
    """Shunt impedance of a band-pass/band-reject cavity (trade notes 7.2)."""
    rp = 50.0 / (2.0 * (10 ** (loss_db / 20) - 1.0))
    xs = pass_hz * rp / (2.0 * qu * (notch_hz - pass_hz))
    return 1j * xs * f / pass_hz + rp / (1 + 2j * qu * (f - pass_hz) / pass_hz)


def line(f, degrees, at_hz):
    theta = np.deg2rad(degrees) * f / at_hz
    return np.array([[np.cos(theta), 50j * np.sin(theta)], [1j * np.sin(theta) / 50, np.cos(theta)]])


def duplexer(f):
    """Return S (n, 3, 3) of two legs of two cavities each, quarter waves between, joined at the antenna port."""

    def leg(pass_hz, notch_hz):
        chain = np.broadcast_to(np.eye(2, dtype=complex)[:, :, None], (2, 2, f.size))
        shunt = np.zeros((2, 2, f.size), dtype=complex)
        shunt[0, 0] = shunt[1, 1] = 1.0
        shunt[1, 0] = 1.0 / cavity(f, pass_hz, notch_hz)
        for part in (shunt, line(f, 90, pass_hz), shunt, line(f, 90, notch_hz)):
            chain = np.einsum("ijn,jkn->ikn", chain, part)
        a, b, d = chain[0, 0], chain[0, 1], chain[1, 1]
        return np.array([[d / b, -1.0 / b], [-1.0 / b, a / b]])  # reciprocal: determinant 1

    y = np.zeros((3, 3, f.size), dtype=complex)
    for port, two in ((0, leg(TX_HZ, RX_HZ)), (1, leg(RX_HZ, TX_HZ))):
        y[port, port] += two[0, 0]
        y[port, 2] += two[0, 1]
        y[2, port] += two[1, 0]
        y[2, 2] += two[1, 1]
    y = np.moveaxis(y, 2, 0) * 50.0
    return np.linalg.solve(np.eye(3) + y, np.eye(3) - y)


@dataclass
class World:
    """Errors of a bench, all zero by default, and its noise."""

    gs: complex = 0.0
    gl: complex = 0.0
    loads: complex = 0.0
    directivity: complex = 0.0
    source_match: complex = 0.0
    leak: complex = 0.0
    scale_per_db: float = 0.0
    drift_db: float = 0.0  # step between opening thru and all that follows
    noise_dbm: float = -130.0
    bottom_dbm: float | None = None
    repeats: int = 8
    seed: int = 1
    quantise: bool = False
    clock: datetime = T0
    history: list = field(default_factory=list)
    rng: np.random.Generator = field(init=False)

    def __post_init__(self):
        self.rng = np.random.default_rng(self.seed)

    def connect(self, hookup, kind=HookupKind.PATH):
        self.clock += timedelta(seconds=60)
        self.history.append(Connected(at=self.clock, why="test", hookup=Hookup(name=hookup, kind=kind), by="test"))

    def sweep(self, hookup, key, role, settings, amplitude, repeats=None):
        """Add sweeps: a tone of ``amplitude`` (n,) in noise, through scale and display."""
        grid = settings.grid_hz()
        for _ in range(repeats or self.repeats):
            parts = self.rng.standard_normal((2, grid.size)) * math.sqrt(10 ** (self.noise_dbm / 10) / 2)
            level = 20 * np.log10(np.abs(amplitude + parts[0] + 1j * parts[1]) + 1e-30)
            level = level + self.scale_per_db * (level - settings.reference_dbm)
            if self.bottom_dbm is not None:
                level = np.maximum(level, self.bottom_dbm)
            used = replace(settings, display_bottom_dbm=self.bottom_dbm)
            self.clock += timedelta(seconds=1)
            swept = Sweep(Trace(grid, level), settings, used, frozenset(), self.clock, 1.0)
            self.history.append(
                Swept(
                    at=self.clock, why="test", hookup=hookup, key=key, role=role, sweep=swept, file="t.csv", sha256="0"
                )
            )


def settings_of(key):
    common = {
        "rbw_hz": 1e3,
        "attenuation_db": 10.0,
        "reference_dbm": 0.0,
        "generator_dbm": 0.0,
        "detector": Detector.SAMPLE,
        "sweep_time_s": 1.0,
    }
    if key == "overview":
        return SweepSettings(start_hz=144e6, stop_hz=148e6, points=801, **common)
    centre = {"transmit": TX_HZ, "receive": RX_HZ}[key]
    return SweepSettings(start_hz=centre - 60e3, stop_hz=centre + 60e3, points=121, **common)


def through(s, i, j, gammas):
    """Wave leaving port j into a load, for a unit source wave at port i, all ports ending in ``gammas`` (n_ports,)."""
    n = s.shape[-1]
    gamma = np.diag(gammas)
    inner = np.eye(n) - s @ gamma
    b = np.linalg.solve(inner, np.broadcast_to(s[..., :, i : i + 1], (*s.shape[:-1], 1)))
    return b[..., j, 0]


THRU = np.array([[0, 1], [1, 0]], dtype=complex)


def play(world, keys=("overview", "transmit", "receive"), closing=True, reflections=True):
    """Take the whole run of a three-port duplexer on this bench."""
    off = 1e-30
    thru = through(THRU, 0, 1, np.array([world.gs, world.gl]))
    grids = {key: settings_of(key).grid_hz() for key in keys}
    device = {key: duplexer(grid) for key, grid in grids.items()}
    world.connect("thru", HookupKind.THRU)
    for key in keys:
        world.sweep("thru", key, Role.THRU, settings_of(key), np.full(grids[key].size, thru))
    gain = 10 ** (world.drift_db / 20)
    world.connect("floor", HookupKind.FLOOR)
    for key in keys:
        quiet = replace(settings_of(key), generator_dbm=None)
        world.sweep("floor", key, Role.NOISE, quiet, np.full(grids[key].size, off))
        around = np.full(grids[key].size, abs(world.leak) * gain + off)
        world.sweep("floor", key, Role.LEAKAGE, settings_of(key), around)
    for first, second in (("TX", "ANT"), ("ANT", "RX"), ("TX", "RX")):
        i, j = PORTS.index(first), PORTS.index(second)
        gammas = np.full(3, world.loads, dtype=complex)
        gammas[i], gammas[j] = world.gs, world.gl
        world.connect(f"{first}-{second}")
        for key in keys:
            wave = through(device[key], i, j, gammas) + world.leak
            world.sweep(f"{first}-{second}", key, Role.DEVICE, settings_of(key), wave * gain)
    if closing:
        world.connect("thru", HookupKind.THRU)
        for key in keys:
            world.sweep("thru", key, Role.THRU, settings_of(key), np.full(grids[key].size, thru * gain))
    if reflections:
        for name, role in (("open", Role.OPEN), ("short", Role.SHORT), *((port, Role.REFLECTION) for port in PORTS)):
            world.connect(f"reflect-{name}", HookupKind.REFLECT)
            for key in keys:
                if name in PORTS:
                    i = PORTS.index(name)
                    gammas = np.full(3, world.loads, dtype=complex)
                    gammas[i] = 0.0
                    g = through(device[key], i, i, gammas)
                else:
                    g = np.full(grids[key].size, 1.0 if name == "open" else -1.0)
                wave = world.directivity + g / (1 - world.source_match * g)
                world.sweep(f"reflect-{name}", key, role, settings_of(key), 0.25 * wave)
    return world.history


def requirement(quantity, where, at, **more):
    at_hz = TX_HZ if at == "transmit" else RX_HZ
    place = {"port": where} if isinstance(where, str) else {"path": where}
    name = where if isinstance(where, str) else "-".join(where)
    return Requirement(id=f"{quantity} {name} {at}", quantity=quantity, at=at, at_hz=at_hz, **place, **more)


REQUIREMENTS = (
    requirement(Quantity.INSERTION_LOSS, ("TX", "ANT"), "transmit", maximum=1.6),
    requirement(Quantity.INSERTION_LOSS, ("ANT", "RX"), "receive", maximum=1.6),
    requirement(Quantity.REJECTION, ("TX", "ANT"), "receive", within_hz=8e3, minimum=60.0),
    requirement(Quantity.ISOLATION, ("TX", "RX"), "transmit", minimum=60.0),
    requirement(Quantity.RETURN_LOSS, "TX", "transmit", minimum=14.0),
    requirement(Quantity.NOTCH_FREQUENCY, ("TX", "ANT"), "receive", within_hz=30e3),
    requirement(Quantity.NOTCH_DEPTH, ("TX", "ANT"), "receive", within_hz=30e3, minimum=60.0),
    requirement(Quantity.REJECTION_BANDWIDTH, ("TX", "ANT"), "receive", level_db=60.0),
    requirement(Quantity.PASS_BANDWIDTH, ("TX", "ANT"), "transmit", above_db=1.0),
    requirement(Quantity.RIPPLE, ("TX", "ANT"), "transmit", within_hz=50e3),
)
RECIPE = Recipe(
    name="synthetic",
    title="Synthetic duplexer of the tests",
    ports=PORTS,
    frequencies={"transmit": TX_HZ, "receive": RX_HZ},
    overview_hz=(144e6, 148e6),
    requirements=REQUIREMENTS,
    decision=Decision(rule=Rule.GUARDED),
)
BENCH = Bench(
    analyzer=AnalyzerFile(resource="none", vswr=Figure(limit=1.5)),
    generator_level_dbm=0.0,
    generator_vswr=Figure(limit=1.6),
    bridge=Bridge(directivity_db=Figure(limit=36.0), test_port_vswr=Figure(limit=1.12)),
    generator_pad=Pad(loss_db=10.0, vswr=Figure(limit=1.15)),
    analyzer_pad=Pad(loss_db=6.0, vswr=Figure(limit=1.15)),
    specifications=Specifications(
        scale_per_db=Figure(limit=0.02),
        scale_over_range_db=Figure(limit=0.3),
        drift_db_per_h=Figure(limit=0.1),
        frequency_reference_ppm=Figure(limit=2.0),
        frequency_span_percent=Figure(limit=1.0),
    ),
)


def truth():
    """True values at 50 ohm, from the S-parameters on a grid of 100 Hz."""
    f = {name: np.arange(c - 2e6, c + 2e6 + 50, 100.0) for name, c in (("transmit", TX_HZ), ("receive", RX_HZ))}
    s = {name: duplexer(grid) for name, grid in f.items()}

    def loss(i, j, at):
        return -20 * np.log10(np.abs(s[at][:, PORTS.index(j), PORTS.index(i)]))

    def width(curve, middle, inside):
        low = high = middle
        while inside(curve[low - 1]):
            low -= 1
        while inside(curve[high + 1]):
            high += 1
        return low, high

    mid = f["receive"].size // 2
    notch = loss("TX", "ANT", "receive")
    band = slice(mid - 300, mid + 301)
    bottom = mid - 300 + int(np.argmax(notch[band]))
    low, high = width(notch, bottom, lambda x: x >= notch[bottom] - 10)
    rej = width(notch, mid, lambda x: x >= 60.0)
    passing = loss("TX", "ANT", "transmit")
    # the least loss of the pass band round the transmit frequency, at most 1 MHz off
    least = mid - 3000 + int(np.argmin(passing[mid - 3000 : mid + 3001]))
    wide = width(passing, least, lambda x: x <= passing[least] + 1.0)
    ripple = passing[mid - 500 : mid + 501]
    return (
        passing[mid],
        loss("ANT", "RX", "receive")[mid],
        notch[mid - 80 : mid + 81].min(),
        loss("TX", "RX", "transmit")[mid],
        loss("TX", "TX", "transmit")[mid],
        0.5 * (f["receive"][low] + f["receive"][high]),
        notch[bottom],
        (rej[1] - rej[0]) * 100.0,
        (wide[1] - wide[0]) * 100.0,
        ripple.max() - ripple.min(),
    )


def one(history, requirement):
    """The result of one requirement, as a run states it."""
    return next(r for r in evaluate(RECIPE, BENCH, history).results if r.id == requirement.id)


@pytest.fixture(scope="module")
def true_values():
    return truth()


BAD_BENCH = {
    "gs": 0.08j,
    "gl": 0.06 + 0.08j,  # phases as they fall: a corner with every term in phase belongs to the 5 %
    "loads": 0.02,
    "directivity": 0.015,
    "source_match": 0.05j,
    "leak": 3e-6,
    "scale_per_db": -0.003,
    "drift_db": 0.05,
}


@pytest.mark.parametrize(
    "errors",
    [
        pytest.param({}, id="ideal bench"),
        pytest.param(BAD_BENCH, id="every error within its statement"),
        pytest.param({"noise_dbm": -92.0}, id="noise 10 dB below the notch"),
        pytest.param({"noise_dbm": -75.0}, id="noise above the notch"),
        pytest.param({"bottom_dbm": -60.0}, id="display ends above the notch"),
    ],
)
def test_every_quantity_covers_the_truth(errors, true_values):
    done = evaluate(RECIPE, BENCH, play(World(**{"noise_dbm": -110.0, **errors})))
    for result, true in zip(done.results, true_values, strict=True):
        low, high = result.interval
        # 1 % of the interval beside it: single draws of noise, and the truth's own grid of 100 Hz
        slack = 0.01 * abs(true) if result.unit == "Hz" and "bandwidth" in result.quantity else 0.0
        assert low is None or low <= true + slack, f"{result.id}: {result.interval} does not hold {true}"
        assert high is None or high >= true - slack, f"{result.id}: {result.interval} does not hold {true}"
        if result.value is not None:
            assert result.bound is None


def test_values_are_right_on_an_ideal_bench(true_values):
    """Tolerances: noise at -110 dBm under 8 averages leaves 0.01 dB at little loss and 0.2 dB at 82 dB."""
    done = evaluate(RECIPE, BENCH, play(World(noise_dbm=-110.0)))
    tolerances = (0.01, 0.01, 0.2, 0.2, None, 300.0, 0.2, 1000.0, 3000.0, 0.01)
    for result, true, tolerance in zip(done.results, true_values, tolerances, strict=True):
        if tolerance is not None:
            assert result.value == pytest.approx(true, abs=tolerance), result.id
    assert all(result.budget for result in done.results)
    assert done.results[0].statement is Statement.PASS


def test_intervals_cover_on_random_benches_at_their_limits(true_values):
    """End to end, bench errors at their stated limits with random phases; 1 % binomial test on all together."""
    rng = np.random.default_rng(7)
    count = inside = 0
    five = replace(RECIPE, requirements=REQUIREMENTS[:5])
    for seed in range(30):
        turn = np.exp(2j * np.pi * rng.random(8))
        world = World(
            gs=0.0698 * turn[0] + 0.0231 * turn[1],  # pad of VSWR 1.15; VSWR 1.6 behind 10 dB twice
            gl=0.0698 * turn[2] + 0.0502 * turn[3],  # VSWR 1.5 behind 6 dB twice
            loads=0.0244 * turn[4],  # VSWR 1.05
            directivity=10 ** (-36 / 20) * turn[5],
            source_match=0.0566 * turn[6],
            leak=3e-6 * turn[7],
            scale_per_db=rng.choice((-1, 1)) * 0.3 / 82,
            drift_db=rng.choice((-1, 1)) * 0.06,
            noise_dbm=-105.0,
            repeats=4,
            seed=seed,
        )
        history = play(world, keys=("transmit", "receive"))
        for result, true in zip(evaluate(five, BENCH, history).results, true_values, strict=False):
            low, high = result.interval
            count += 1
            inside += (low is None or low <= true) and (high is None or high >= true)
    assert inside >= binom.ppf(0.01, count, 0.95), f"{inside} of {count}"


def test_what_the_display_or_noise_hides_is_a_bound_and_never_a_fail():
    done = evaluate(RECIPE, BENCH, play(World(noise_dbm=-110.0, bottom_dbm=-50.0)))
    by_id = {result.id: result for result in done.results}
    rejection = by_id["rejection TX-ANT receive"]
    assert rejection.value is None
    assert rejection.bound is Bound.AT_LEAST
    assert rejection.interval[0] < 50.0
    assert rejection.statement is Statement.UNDECIDED
    assert overall(done.results) is Statement.UNDECIDED


@pytest.mark.parametrize("rule", [Decision(rule=Rule.RISK, max_risk=0.001), Decision(rule=Rule.GUARDED)])
def test_a_bound_that_meets_its_limit_with_more_risk_than_the_rule_allows_decides_nothing(rule):
    """JCGM 106: the bound shown is good for 95 %, the rules ask for 99.9 % and 97.5 %."""
    history = play(World(noise_dbm=-75.0), keys=("transmit", "receive"))
    rejection = replace(REQUIREMENTS[2], minimum=None)

    def stated(minimum):
        recipe = replace(RECIPE, decision=rule, requirements=(replace(rejection, minimum=minimum),))
        done = evaluate(recipe, BENCH, history)
        return done.results[0], done.probability_conforming

    shown = stated(None)[0].interval[0]
    at_the_bound, together = stated(shown - 1e-6)
    assert at_the_bound.bound is Bound.AT_LEAST
    assert at_the_bound.statement is Statement.UNDECIDED
    assert at_the_bound.probability_conforming is together is None
    (note,) = [note for note in at_the_bound.notes if "risk of the rule" in note]
    surer = float(note.split()[-2])
    assert surer < shown - 0.4  # so that 0.2 dB, the room between single trials of the far tail, tells them apart
    assert stated(surer + 0.2)[0].statement is Statement.UNDECIDED
    proven, _ = stated(surer - 0.2)
    assert proven.statement is Statement.PASS
    assert proven.interval[0] == shown
    assert proven.probability_conforming >= 1.0 - (rule.max_risk or 0.025)


@pytest.mark.parametrize("drift_db", [0.6, -0.6, 1.0])
def test_half_of_what_the_thru_moved_is_in_the_interval_whatever_the_stated_rate_allows(drift_db, true_values):
    """The bench states 0.1 dB/h and its thru moves by far more in minutes: the interval follows what was seen."""
    history = play(World(noise_dbm=-110.0, drift_db=drift_db), keys=("transmit", "receive"))
    done = evaluate(replace(RECIPE, requirements=REQUIREMENTS[:4]), BENCH, history)
    steady = evaluate(replace(RECIPE, requirements=REQUIREMENTS[:4]), BENCH, play(World(noise_dbm=-110.0)))
    for result, before, true in zip(done.results, steady.results, true_values, strict=False):
        (row,) = [line for line in result.budget if line.name.startswith("drift")]
        assert row.value == pytest.approx(0.5 * abs(drift_db), abs=0.02)  # noise of two thrus
        assert row.origin == "measured in this run"
        low, high = result.interval
        assert low <= true <= high, result.id
        assert high - low > before.interval[1] - before.interval[0]


def test_a_thru_that_hardly_moved_leaves_the_stated_rate():
    """Drift may come and go between: half of 0.1 dB/h over the time between the thrus, however little was seen."""
    history = play(World(noise_dbm=-110.0), keys=("transmit", "receive"))
    thrus = [e.at for e in history if isinstance(e, Swept) and e.hookup == "thru" and e.key == "transmit"]
    (row,) = [line for line in one(history, REQUIREMENTS[0]).budget if line.name.startswith("drift")]
    assert row.value == pytest.approx(0.5 * 0.1 * (thrus[-1] - thrus[0]).total_seconds() / 3600.0, rel=0.2)
    assert row.origin == "bench file"


def test_a_two_sided_limit_narrower_than_the_interval_is_decided_by_simple_acceptance_alone():
    history = play(World(noise_dbm=-110.0), keys=("transmit", "receive"))
    loss = one(history, REQUIREMENTS[0]).value

    def stated(**decision):
        limited = replace(REQUIREMENTS[0], minimum=loss - 0.001, maximum=loss + 0.001)
        recipe = replace(RECIPE, decision=Decision(**decision), requirements=(limited,))
        return evaluate(recipe, BENCH, history).results[0]

    simple = stated(rule=Rule.SIMPLE)
    assert simple.statement is Statement.PASS
    assert 0.0 <= simple.probability_conforming < 0.1
    assert any("cannot tell inside from outside" in note for note in simple.notes)
    for rule in ({"rule": Rule.GUARDED}, {"rule": Rule.FOUR_WAY}, {"rule": Rule.RISK, "max_risk": 0.05}):
        assert stated(**rule).statement is Statement.UNDECIDED
        assert stated(**rule).probability_conforming is None


def test_a_display_bottom_nobody_told_of_is_seen_in_the_trace(true_values):
    """Clipped traces stand at their minimum many times: 12.3 of the trade notes."""
    world = World(noise_dbm=-110.0, bottom_dbm=-55.0)
    history = play(world)
    silent = [
        replace(e, sweep=replace(e.sweep, used=replace(e.sweep.used, display_bottom_dbm=None)))
        if isinstance(e, Swept)
        else e
        for e in history
    ]
    result = one(silent, REQUIREMENTS[2])
    assert result.bound is Bound.AT_LEAST
    assert result.interval[0] <= 55.0


@pytest.mark.parametrize("missing", ["thru", "device", "everything", "open"])
def test_missing_sweeps_are_undecided_with_a_note(missing):
    history = play(World(), keys=("transmit", "receive"), closing=False)
    roles = {"thru": {Role.THRU}, "device": {Role.DEVICE}, "open": {Role.OPEN}, "everything": set(Role)}[missing]
    left = [entry for entry in history if not (isinstance(entry, Swept) and entry.role in roles)]
    done = evaluate(RECIPE, BENCH, left)
    assert len(done.results) == len(REQUIREMENTS)
    affected = done.results[4] if missing == "open" else done.results[0]
    assert affected.statement is Statement.UNDECIDED
    assert affected.notes


def test_a_refused_hookup_does_not_count():
    world = World(noise_dbm=-110.0)
    history = play(world, keys=("transmit",))
    place = max(i for i, e in enumerate(history) if isinstance(e, Swept) and e.hookup == "TX-ANT")
    refused = Refused(at=world.clock, why="test", hookup="TX-ANT")
    left = [*history[: place + 1], refused, *history[place + 1 :]]
    assert one(left, REQUIREMENTS[0]).statement is Statement.UNDECIDED
    assert one(history, REQUIREMENTS[0]).statement is Statement.PASS


@pytest.mark.parametrize(
    ("change", "usable"),
    [
        ({"generator_dbm": -10.0}, False),
        ({"detector": Detector.POWER}, False),
        ({"stop_hz": TX_HZ + 61e3}, False),
        ({"rbw_hz": 300.0}, True),
        ({"attenuation_db": 0.0}, True),
        ({"sweep_time_s": 5.0}, True),
    ],
)
def test_a_thru_of_other_settings_is_refused_or_costs_a_term(change, usable):
    history = play(World(noise_dbm=-110.0), keys=("transmit",))
    plain = one(history, REQUIREMENTS[0])
    changed = []
    for entry in history:
        if isinstance(entry, Swept) and entry.role is Role.DEVICE:
            used = replace(entry.sweep.used, **change)
            trace = Trace(used.grid_hz(), entry.sweep.trace.level_dbm)
            changed.append(replace(entry, sweep=replace(entry.sweep, used=used, trace=trace)))
        else:
            changed.append(entry)
    result = one(changed, REQUIREMENTS[0])
    if not usable:
        assert result.value is None
        assert "again" in " ".join(result.notes) or "grid" in " ".join(result.notes)
    else:
        switching = [row for row in result.budget if "switching" in row.name]
        assert bool(switching) == ("sweep_time_s" not in change)
        width = result.interval[1] - result.interval[0]
        assert width >= (plain.interval[1] - plain.interval[0]) * 0.999


def test_adding_the_same_level_to_thru_and_device_changes_nothing():
    history = play(World(noise_dbm=-300.0), keys=("transmit",), reflections=False)
    louder = [
        replace(e, sweep=replace(e.sweep, trace=Trace(e.sweep.trace.freq_hz, e.sweep.trace.level_dbm + 3.0)))
        if isinstance(e, Swept)
        else e
        for e in history
    ]
    a, b = (one(h, REQUIREMENTS[0]) for h in (history, louder))
    assert a.value == pytest.approx(b.value, abs=1e-9)  # rounding of double precision


def test_the_same_journal_gives_the_same_digits():
    history = play(World(noise_dbm=-100.0), keys=("transmit",))
    assert evaluate(RECIPE, BENCH, history).results == evaluate(RECIPE, BENCH, history).results


def test_curves_and_warnings():
    done = evaluate(RECIPE, Bench(analyzer=AnalyzerFile(resource="none")), play(World(bottom_dbm=-100.0)))
    assert {curve.kind for curve in done.curves} == set(CurveKind)
    assert {curve.where for curve in done.curves if curve.kind is CurveKind.RESPONSE} == {"TX-ANT", "ANT-RX", "TX-RX"}
    assert any("assumed" in text for text in done.warnings)


def test_an_open_and_short_that_differ_too_much_are_warned_of():
    done = evaluate(RECIPE, BENCH, play(World(source_match=0.3), keys=("transmit",)))
    assert any("open and short" in text for text in done.warnings)


def test_an_unmeasured_way_round_is_assumed_and_said():
    """Without TX-RX the load on the third port can only be reckoned by an assumption; the budget and a note say so."""
    history = play(World(noise_dbm=-110.0), keys=("receive",))
    left = [entry for entry in history if not (isinstance(entry, Swept) and entry.hookup == "TX-RX")]
    whole, part = (one(h, REQUIREMENTS[2]) for h in (history, left))
    assert not any("assumed isolated" in row.name for row in whole.budget)
    assert any("assumed isolated" in row.name and row.origin == "assumed" for row in part.budget)
    assert any("TX-RX" in note for note in part.notes)


@pytest.mark.parametrize("role", [Role.THRU, Role.DEVICE, Role.NOISE, Role.LEAKAGE, Role.OPEN, Role.REFLECTION])
@pytest.mark.parametrize("spoil", ["one point missing", "all missing", "nothing received"])
def test_spoiled_traces_never_raise_and_never_state_nan(role, spoil):
    """Points without data (NaN) and levels of no power: results stay numbers or nothing, without a warning."""
    history = []
    for entry in play(World(noise_dbm=-110.0, repeats=2), keys=("transmit", "receive")):
        if isinstance(entry, Swept) and entry.role is role:
            level = np.array(entry.sweep.trace.level_dbm)
            level[slice(60, 61) if spoil == "one point missing" else slice(None)] = (
                -400.0 if spoil == "nothing received" else np.nan
            )
            trace = Trace(entry.sweep.trace.freq_hz, level)
            history.append(replace(entry, sweep=replace(entry.sweep, trace=trace)))
        else:
            history.append(entry)
    for result in evaluate(RECIPE, BENCH, history).results:
        numbers = (result.value, *result.interval, result.margin, result.probability_conforming)
        assert all(number is None or math.isfinite(number) for number in numbers), result.id
        assert all(math.isfinite(row.u) for row in result.budget)
