"""Each contribution of a budget alone: with all others stated as nothing, the standard uncertainty is its own.

Expected values are worked by hand beside each case: an error at its limit has the limit as standard uncertainty, an
amplitude r of unknown phase beside 1 has 8.686 r / sqrt(2) dB (JCGM 101 6.4.6), a mean of two half of each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from sequencer.core.curve import Shift
from sequencer.core.history import Connected, Role, Swept
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Detector, Sweep, SweepSettings, Trace
from sequencer.core.uncertainty import Draws
from sequencer.recipe.model import (
    AnalyzerFile,
    Bench,
    Bridge,
    Figure,
    KitItem,
    Pad,
    Recipe,
    Specifications,
    SwitchFile,
    SwitchLoss,
)
from sequencer.run.measured import Measured
from sequencer.run.visits import sweeps_of

AT_HZ = 146.0e6
START = datetime(2026, 1, 1, tzinfo=UTC)
RECIPE = Recipe(
    name="flat",
    title="Flat",
    ports=("TX", "RX", "ANT"),
    frequencies={"f": AT_HZ},
    overview_hz=(96e6, 196e6),
    requirements=(),
)
NONE = Figure(limit=0.0)
ONE = Figure(limit=1.0)
QUIET_SPECS = Specifications(
    scale_per_db=NONE,
    attenuator_switching_db=NONE,
    reference_switching_db=NONE,
    rbw_switching_db=NONE,
    drift_db_per_h=NONE,
    connection_db=NONE,
    load_vswr=ONE,
)
STANDARDS = tuple(KitItem(id=what, what=what, loss_db=NONE) for what in ("open", "short"))
QUIET = Bench(
    analyzer=AnalyzerFile(resource="none", vswr=ONE),
    generator_vswr=ONE,
    bridge=Bridge(directivity_db=Figure(limit=300.0), test_port_vswr=ONE),
    specifications=QUIET_SPECS,
    kit=STANDARDS,
)
PER_PART = 20.0 / math.log(10.0)
TENTH = Figure(limit=1.1 / 0.9)  # VSWR of a reflection of 0.1


def phase(share: float) -> float:
    """Standard uncertainty of an amplitude of unknown phase, as a share of the reading's, dB."""
    return PER_PART * share / math.sqrt(2.0)


@dataclass
class Run:
    """A flat device, in a run without noise at the same instant; what is not so is told."""

    losses_db: dict = field(default_factory=lambda: {"TX-ANT": 20.0, "TX-RX": 10.0, "ANT-RX": 10.0})
    returns_db: dict = field(default_factory=lambda: {"TX": 60.0, "RX": 60.0, "ANT": 60.0})
    noise_dbm: float = -300.0
    leakage_dbm: float = -300.0
    closing_db: float | None = None  # how much more the closing thru reads; None: there is none
    hours: float = 0.0  # from the reference to the device, and from the device to the closing thru
    rbw_hz: float = 1e6  # so wide that the generator's wander off the filter is nothing
    repeats: int = 1
    device: dict = field(default_factory=dict)  # settings of the device's sweep that differ
    noise_bottom_dbm: float | None = None
    history: list = field(default_factory=list)

    def take(self, hookup, kind, role, dbm, hours=0.0, **settings):
        at = START + timedelta(hours=hours)
        if not (self.history and self.history[-1].hookup == hookup):
            self.history.append(Connected(at=at, why="", hookup=Hookup(name=hookup, kind=kind), by="test"))
        asked = SweepSettings(
            start_hz=AT_HZ - 50e6,
            stop_hz=AT_HZ + 50e6,
            points=11,
            rbw_hz=self.rbw_hz,
            attenuation_db=0.0,
            reference_dbm=0.0,
            generator_dbm=0.0,
            detector=Detector.SAMPLE,
        )
        asked = replace(asked, **settings)
        sweep = Sweep(Trace(asked.grid_hz(), np.full(11, dbm)), asked, asked, frozenset(), at, 0.0)
        self.history.append(Swept(at=at, why="", hookup=hookup, key="f", role=role, sweep=sweep, file="", sha256=""))

    def measured(self, bench) -> Measured:
        self.take("thru", HookupKind.THRU, Role.THRU, -10.0)
        quiet = {"generator_dbm": None, "display_bottom_dbm": self.noise_bottom_dbm}
        self.take("floor", HookupKind.FLOOR, Role.NOISE, self.noise_dbm, **quiet)
        self.take("floor", HookupKind.FLOOR, Role.LEAKAGE, self.leakage_dbm)
        for path, loss_db in self.losses_db.items():
            for _ in range(self.repeats):
                self.take(path, HookupKind.PATH, Role.DEVICE, -10.0 - loss_db, self.hours, **self.device)
        if self.closing_db is not None:
            self.take("floor", HookupKind.FLOOR, Role.FOREIGN, -300.0)  # so that the thru is joined anew
            self.take("thru", HookupKind.THRU, Role.THRU, -10.0 + self.closing_db, 2.0 * self.hours)
        for end, role in (("open", Role.OPEN), ("short", Role.SHORT)):
            self.take(f"reflect-{end}", HookupKind.REFLECT, role, -16.0)
        for port, loss_db in self.returns_db.items():
            self.take(
                f"reflect-{port}", HookupKind.REFLECT, Role.REFLECTION, -16.0 - loss_db, self.hours, **self.device
            )
        return Measured(RECIPE, bench, sweeps_of(self.history))

    def path(self, bench, u_ratio=0.0):
        """The level model of TX-ANT, 20 dB."""
        measured = self.measured(bench)
        return measured.path_loss(measured.path(("TX", "ANT"), "f"), AT_HZ, 0.01, u_ratio)

    def port(self, bench, u_ratio=0.0):
        """The level model of the return loss at TX."""
        measured = self.measured(bench)
        ratio = 10.0 ** (-self.returns_db["TX"] / 10.0)
        return measured.return_loss(measured.port("TX", "f"), AT_HZ, ratio, u_ratio)


def specs(**stated) -> Bench:
    given = {key: Figure(limit=value) for key, value in stated.items()}
    return replace(QUIET, specifications=replace(QUIET_SPECS, **given))


def kit(*items: KitItem) -> Bench:
    return replace(QUIET, kit=items)


def drawn_u(model) -> float:
    return float(np.std(model.draw(Draws(1, 0, 40_000))))


def root(*parts: float) -> float:
    return math.sqrt(sum(part**2 for part in parts))


ADAPTER = (
    *(KitItem(id=f"lead {n}", what="lead", ends=("N plug", "N plug")) for n in (1, 2)),
    KitItem(
        id="joiner", what="adapter", ends=("N socket", "N socket"), loss_db=Figure(measured=0.1), u_db=0.02, vswr=ONE
    ),
    *STANDARDS,
)
MATRIX = SwitchFile(
    resource="none",
    hookups={"thru": "1", "TX-ANT": "2", "reflect-open": "3", "reflect-TX": "4"},
    losses={name: SwitchLoss(loss_db=0.0, u_db=0.05, date="2026-01-01") for name in ("TX-ANT", "reflect-TX")},
)
LOADED = replace(QUIET, specifications=replace(QUIET_SPECS, load_vswr=TENTH))
FIFTH = Figure(limit=1.5)  # VSWR of a reflection of 0.2
# (1 + z)/(1 + 0.01 z) of an RBW of 100 Hz: the generator leaves its centre by 0.02 RBW and 5 Hz/h; trade notes 1.9
WANDER_DB = 12.04 * (0.07**2 - 0.02**2)

PATHS = {
    "nothing": (Run(), QUIET, 0.0),
    "scale per dB, 20 dB": (Run(), specs(scale_per_db=0.01), 0.2),
    "scale over the range": (Run(), specs(scale_per_db=0.01, scale_over_range_db=0.12), 0.12),
    "attenuator": (Run(device={"attenuation_db": 10.0}), specs(attenuator_switching_db=0.3), 0.3),
    "reference": (Run(device={"reference_dbm": -10.0}), specs(reference_switching_db=0.2), 0.2),
    "RBW": (Run(device={"rbw_hz": 2e6}), specs(rbw_switching_db=0.15), 0.15),
    "nothing switched": (Run(), specs(attenuator_switching_db=0.3, rbw_switching_db=0.3), 0.0),
    "drift by its rate, no closing thru": (Run(hours=1.0), specs(drift_db_per_h=0.1), 0.1),
    "drift by its rate, half of it between the thrus": (
        Run(hours=1.0, closing_db=0.0),
        specs(drift_db_per_h=0.1),
        0.1,
    ),
    "drift seen, half of it": (Run(closing_db=0.3), QUIET, 0.15),
    "two joints and a thru": (Run(), specs(connection_db=0.03), 0.03 * math.sqrt(3.0)),
    "two joints and two thrus": (Run(closing_db=0.0), specs(connection_db=0.03), 0.03 * math.sqrt(2.5)),
    "generator off the filter's centre": (Run(hours=1.0, rbw_hz=100.0), QUIET, WANDER_DB),
    "adapter in the thru": (Run(), kit(*ADAPTER), 0.04),
    "the switch's way": (Run(), replace(QUIET, switch=MATRIX), 0.05),
    "leakage": (Run(leakage_dbm=-50.0), QUIET, phase(0.1)),
    "leakage enhanced by S11": (
        Run(leakage_dbm=-50.0, returns_db={"TX": 6.0206, "RX": 60.0, "ANT": 60.0}),
        QUIET,
        phase(0.15),
    ),
    "load on the other port": (Run(), LOADED, phase(0.1)),
    "test ports in the thru": (
        Run(),
        replace(QUIET, generator_vswr=FIFTH, analyzer=replace(QUIET.analyzer, vswr=FIFTH)),
        phase(0.04),
    ),
    "generator port with S11": (
        Run(returns_db={"TX": 6.0206, "RX": 60.0, "ANT": 60.0}),
        replace(QUIET, generator_vswr=TENTH),
        phase(0.05),
    ),
    "analyzer port with S22": (
        Run(returns_db={"TX": 60.0, "RX": 60.0, "ANT": 6.0206}),
        replace(QUIET, analyzer=replace(QUIET.analyzer, vswr=TENTH)),
        phase(0.05),
    ),
    "generator behind a pad of 3.0103 dB": (
        Run(returns_db={"TX": 6.0206, "RX": 60.0, "ANT": 60.0}),
        replace(QUIET, generator_vswr=TENTH, generator_pad=Pad(loss_db=3.0103, vswr=ONE)),
        phase(0.025),
    ),
    "the pad's own reflection": (
        Run(returns_db={"TX": 6.0206, "RX": 60.0, "ANT": 60.0}),
        replace(QUIET, generator_pad=Pad(loss_db=3.0103, vswr=TENTH)),
        phase(0.05),
    ),
}


@pytest.mark.parametrize(("run", "bench", "u_db"), PATHS.values(), ids=PATHS)
def test_a_contribution_to_a_loss_alone_is_its_own_uncertainty(run, bench, u_db):
    model = replace(run, history=[]).path(bench)
    assert drawn_u(model) == pytest.approx(u_db, rel=0.02, abs=0.005)  # second order; the far ports' 60 dB
    assert root(*(row.u for row in model.inputs())) == pytest.approx(u_db, rel=0.01, abs=0.005)


def test_the_loss_s_own_noise_counts_with_its_degrees_of_freedom():
    """5 % of a power is 0.217 dB; of two sweeps pooled over nine points, nine degrees: Student's t, wider."""
    model = Run(repeats=2, rbw_hz=1e3).path(QUIET, u_ratio=0.0005)
    assert model.dof == 9.0
    assert root(*(row.u for row in model.inputs())) == pytest.approx(4.343 * 0.05, rel=0.01)
    assert drawn_u(model) == pytest.approx(4.343 * 0.05 * math.sqrt(9.0 / 7.0), rel=0.03)
    assert drawn_u(Run().path(QUIET, u_ratio=0.0005)) == pytest.approx(4.343 * 0.05, rel=0.02)


def test_noise_that_is_itself_cut_off_may_be_none_or_all_of_its_bound():
    """Noise read at the display's bottom, 10 dB below the device: the loss is 0 or 0.414 dB less."""
    bottom = Run(noise_dbm=-40.0, noise_bottom_dbm=-40.0, device={"display_bottom_dbm": -100.0})
    measured = bottom.measured(QUIET)
    model = measured.path_loss(measured.path(("TX", "ANT"), "f"), AT_HZ, 0.01, 0.0)
    alone = replace(model, gains=(), leak=0.0, u_leak=0.0)  # the noise in thru and leakage apart
    assert drawn_u(alone) == pytest.approx(5.0 * math.log10(1.1), rel=0.03)


def test_the_noise_of_the_thru_counts():
    """One sample of a tone in noise 20 dB below it: variance 2 SN - N^2 of the power (trade notes 1.5)."""
    model = replace(Run(noise_dbm=-30.0).path(QUIET), leak=0.0, u_leak=0.0)  # the same noise in the leakage apart
    u_db = 4.343 * math.sqrt(2 * 0.01 - 0.01**2)
    assert drawn_u(model) == pytest.approx(u_db, rel=0.02)
    assert root(*(row.u for row in model.inputs())) == pytest.approx(u_db, rel=0.01)


RL20 = {"TX": 20.0, "RX": 60.0, "ANT": 60.0}
PORTS = {
    "nothing": (Run(returns_db=RL20), QUIET, 0.0),
    "scale": (Run(returns_db=RL20), specs(scale_per_db=0.01), 0.2),
    "attenuator": (Run(returns_db=RL20, device={"attenuation_db": 10.0}), specs(attenuator_switching_db=0.3), 0.3),
    "drift by its rate": (Run(returns_db=RL20, hours=1.0), specs(drift_db_per_h=0.1), 0.1),
    "a joint, and the mean of open and short": (
        Run(returns_db=RL20),
        specs(connection_db=0.03),
        0.03 * math.sqrt(1.5),
    ),
    "generator off the filter's centre": (Run(returns_db=RL20, hours=1.0, rbw_hz=100.0), QUIET, WANDER_DB),
    "open and short": (
        Run(returns_db=RL20),
        kit(*(replace(item, loss_db=Figure(limit=0.05)) for item in STANDARDS)),
        0.05,
    ),
    "the switch's way": (Run(returns_db=RL20), replace(QUIET, switch=MATRIX), 0.05),
    "directivity": (
        Run(returns_db=RL20),
        replace(QUIET, bridge=replace(QUIET.bridge, directivity_db=Figure(limit=40.0))),
        phase(0.1),
    ),
    # VSWR 1.0408 is 0.02: with the device's 0.1 it turns the reading by 0.002
    "test port with the device": (
        Run(returns_db=RL20),
        replace(QUIET, bridge=replace(QUIET.bridge, test_port_vswr=Figure(limit=1.02 / 0.98))),
        phase(0.002),
    ),
    # |S12|^2 = 0.1 to RX and 0.01 to ANT, loads of 0.1, beside 0.1
    "loads on the other ports": (Run(returns_db=RL20), LOADED, phase(0.1)),
}


@pytest.mark.parametrize(("run", "bench", "u_db"), PORTS.values(), ids=PORTS)
def test_a_contribution_to_a_return_loss_alone_is_its_own_uncertainty(run, bench, u_db):
    model = replace(run, history=[]).port(bench)
    assert drawn_u(model) == pytest.approx(u_db, rel=0.025, abs=0.002)  # second order
    assert root(*(row.u for row in model.inputs())) == pytest.approx(u_db, rel=0.01, abs=0.001)


def test_the_test_port_turns_the_mean_of_open_and_short_in_second_order():
    """Of a device that reflects nothing only that is left: the mean of |1/(1-s)| and |1/(1+s)|, |s| = 0.3."""
    s = 0.3 * np.exp(2j * np.pi * np.arange(3600) / 3600)
    mean_db = 20.0 * np.log10(0.5 * (np.abs(1 / (1 - s)) + np.abs(1 / (1 + s))))
    bench = replace(QUIET, bridge=replace(QUIET.bridge, test_port_vswr=Figure(limit=1.3 / 0.7)))
    assert drawn_u(Run().port(bench)) == pytest.approx(float(np.std(mean_db)), rel=0.02)


def test_a_return_loss_s_own_noise_counts():
    model = Run(returns_db=RL20).port(QUIET, u_ratio=0.0005)
    assert drawn_u(model) == pytest.approx(4.343 * 0.05, rel=0.02)
    assert root(*(row.u for row in model.inputs())) == pytest.approx(4.343 * 0.05, rel=0.01)


def test_the_frequency_reference_and_the_span_both_move_a_result():
    shift = Shift(reference=2e-6, span=0.01, center_hz=AT_HZ - 30e3)
    assert float(np.std(shift.draw(Draws(1, 0, 40_000), AT_HZ))) == pytest.approx(root(292.0, 300.0), rel=0.02)
