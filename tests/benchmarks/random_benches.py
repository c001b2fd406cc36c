"""Random benches and devices for the coverage benchmark; benches err as families the budget does not assume.

Every bench states figures; the family says how its true errors sit within them. Nothing here is seen by the
measurement. All of it is drawn from one seed, so a draw can be repeated alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from instruments.simulated import devices
from instruments.simulated.bench import OPEN_LEADS
from instruments.simulated.bench import Bench as SimulatedBench
from instruments.simulated.benchfile import bench_file
from instruments.simulated.network import reflection_of_vswr
from instruments.simulated.profile import Drawn, Profile
from instruments.simulated.simtime import SimulatedTime
from instruments.simulated.variants import variant_names
from sequencer.core.circuit import BpBrCavity, Circuit, Leg, PassCavity, RejectCavity
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Bench, Recipe
from sequencer.recipe.starters import read_recipe, starter_names

__all__ = ["FAMILIES", "KIND", "Draw", "FamilyBench", "FamilyErrors", "draw"]

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]
Wave = Callable[[Real], Complex]

KIND = "stated 1.5 times too kind"
FAMILIES = ("at their limits", "60 to 95 %", "uniform below", "two-point", "correlated", "drift as a step")
VARIANTS = tuple(variant_names())
TOO_KIND = 1.5
EDGES = 0.22  # of draws, with the frequencies of edges asked for: they cost as much as all the rest
C_M_PER_S = 299_792_458.0
HOOKUPS = 12  # about as many as a run has: a step of drift is as large as the stated rate allows over that time


@dataclass(frozen=True, slots=True)
class _Sizes:
    """How large an error is, as a share of what is stated."""

    family: str
    rng: np.random.Generator

    def share(self) -> float:
        match self.family:
            case "at their limits":
                return 1.0
            case "uniform below":
                return float(self.rng.uniform(0.0, 1.0))
            case "two-point":
                return float(self.rng.choice([0.1, 1.0]))
            case _ if self.family == KIND:
                return TOO_KIND
            case _:
                return float(self.rng.uniform(0.6, 0.95))

    def sign(self, common: float) -> float:
        """Sign of an error; in the correlated family all have the sign that helps one another in a normalised loss.

        What makes a thru read less has the opposite sign there (``_Sizes.sign(-common)``), as thru and device differ.
        """
        return common if self.family == "correlated" else float(self.rng.choice([-1.0, 1.0]))

    def wave(self, limit: float, length_m: float, phase: float | None = None) -> Wave:
        """Return a reflection (or leakage) of constant size that turns along a length of air."""
        size = limit * self.share()
        start = float(self.rng.uniform(0.0, 2.0 * math.pi)) if phase is None else phase
        turns = 4.0 * math.pi * length_m / C_M_PER_S
        return lambda freq_hz: size * np.exp(1j * (start - turns * freq_hz))


class FamilyErrors(Drawn):
    """The errors of one bench: the family's sizes, unknown phases; sharp where the stated figures allow it."""

    def __init__(self, profile: Profile, seed: int, family: str, run_s: float) -> None:
        super().__init__(profile, seed)
        self._run_s = run_s
        self._known: dict[tuple[int, int], float] = {}
        rng = np.random.default_rng([seed, 11])
        sizes, p = _Sizes(family, rng), profile
        self._sizes, self.common = sizes, float(rng.choice([-1.0, 1.0]))
        phase = float(rng.uniform(0.0, 2.0 * math.pi)) if family == "correlated" else None
        lead_m = p.lead_m / p.lead_velocity_factor
        through = 10.0 ** (-2.0 * p.pad_loss_db / 20.0)
        self._ends = [
            (sizes.wave(reflection_of_vswr(p.pad_vswr), 0.03, phase), sizes.wave(behind * through, lead_m, phase))
            for behind in (reflection_of_vswr(p.generator_vswr), reflection_of_vswr(p.analyzer_vswr))
        ]
        self._loads = [sizes.wave(reflection_of_vswr(p.load_vswr), 0.02, phase) for _ in range(8)]
        self.test_port = sizes.wave(reflection_of_vswr(p.test_port_vswr), 0.1)
        self.directivity = sizes.wave(10.0 ** (-p.directivity_db / 20.0), 0.1)
        self._slope = sizes.share() * sizes.sign(self.common)
        self._rate = sizes.share() * sizes.sign(self.common) * p.drift_db_per_h / 3600.0
        self._step_at_s = float(rng.uniform(0.0, run_s)) if family == "drift as a step" else None
        self.reference_error = sizes.share() * sizes.sign(self.common) * p.reference_ppm * 1e-6
        self.span_error = sizes.share() * sizes.sign(self.common) * p.span_percent / 100.0

    def source(self, freq_hz: Real) -> Complex:
        """See `Drawn`: the pad's own reflection and the generator's through the pad twice."""
        own, behind = self._ends[0]
        return np.asarray(own(freq_hz) + behind(freq_hz))

    def receiver(self, freq_hz: Real) -> Complex:
        """See `Drawn`."""
        own, behind = self._ends[1]
        return np.asarray(own(freq_hz) + behind(freq_hz))

    def scale_db(self, below_reference_db: Real) -> Real:
        """See `Drawn`: a straight line of the stated slope, up to the figure for the whole range."""
        p = self.profile
        grown = np.minimum(p.scale_per_db * np.abs(below_reference_db), p.scale_over_range_db)
        return np.asarray(self._slope * np.sign(below_reference_db) * grown)

    def drift_db(self, now_s: Real, since_on_s: Real) -> Real:
        """See `Drawn`: a ramp, or one step as large as the stated rate allows in the time of a run."""
        if self._step_at_s is not None:
            return np.asarray(np.where(np.asarray(now_s) > self._step_at_s, self._rate * self._run_s, 0.0))
        return np.asarray(self._rate * np.asarray(now_s))

    def _fixed(self, kind: int, setting: float, most_db: float) -> float:
        name = kind, round(abs(setting) * 10.0)
        if name not in self._known:
            rng = np.random.default_rng([self.seed, *name])
            self._known[name] = self._sizes_of(kind) * _Sizes(self._sizes.family, rng).sign(self.common)
        return 0.5 * most_db * self._known[name]

    def _sizes_of(self, kind: int) -> float:
        rng = np.random.default_rng([self.seed, 12, kind])
        return _Sizes(self._sizes.family, rng).share()


class FamilyBench(SimulatedBench):
    """The simulated bench with a family's errors, matings included."""

    def __init__(self, device: devices.Device, profile: Profile, seed: int, family: str, cable_move_s: float) -> None:
        super().__init__(device, profile, seed, SimulatedTime(), cable_move_s=cable_move_s)
        self.family = family
        self.drawn: FamilyErrors = FamilyErrors(profile, seed, family, HOOKUPS * cable_move_s)

    def connect(self, hookup: str) -> None:
        """See the base: every joint comes out different, by what the family says."""
        super().connect(hookup)
        joints = {"floor": 0, OPEN_LEADS: 0}.get(hookup, 1 if hookup.startswith(("thru", "reflect-")) else 2)
        sizes = _Sizes(self.family, np.random.default_rng([self.seed, 13, self._matings]))
        helps = -self.drawn.common if hookup.startswith("thru") else self.drawn.common
        each = [sizes.share() * sizes.sign(helps) for _ in range(joints)]
        self._mating_db = sum(each) * self.profile.connection_db


@dataclass(frozen=True, slots=True)
class Draw:
    """One random bench with a device on it, and the recipe to run."""

    seed: int
    family: str
    variant: str
    recipe: Recipe
    bench: Bench
    simulated: FamilyBench
    profile: Profile


def draw(seed: int, family: str, *, near_floor: bool = False) -> Draw:
    """Return the draw that belongs to a seed; ``near_floor``: leakage and noise near what duplexers are asked for."""
    rng = np.random.default_rng([seed, 21])
    starters = [name for name in starter_names() if name.endswith("-acceptance")]
    starter = str(rng.choice(starters))
    device = _device(starter, rng)
    variant = str(rng.choice(VARIANTS))
    profile = _profile(rng)
    if near_floor:
        floor = np.random.default_rng([seed, 22])
        profile = replace(
            profile,
            leakage_db=float(floor.uniform(85.0, 110.0)),
            noise_dbm_hz=float(floor.uniform(-155.0, -125.0)) - 2.0 * profile.pad_loss_db,
        )
    simulated = FamilyBench(device, profile, seed, family, cable_move_s=float(rng.uniform(10.0, 120.0)))
    text = bench_file(profile, analyzer="in process", switch="in process", dialect=variant, ports=device.ports,
                      relays=simulated.relays)  # fmt: skip
    return Draw(
        seed,
        family,
        variant,
        _recipe(starter, rng),
        replace(load_bench(text, "random bench"), switch=None),
        simulated,
        profile,
    )


def _profile(rng: np.random.Generator) -> Profile:
    """Return a bench between excellent and hopeless."""
    pad_db = float(rng.choice([0.0, 0.0, 3.0, 6.0, 10.0, 20.0]))
    return Profile(
        generator_vswr=round(float(rng.uniform(1.1, 2.0)), 3),
        analyzer_vswr=round(float(rng.uniform(1.1, 2.0)), 3),
        pad_loss_db=pad_db,
        pad_vswr=1.0 if pad_db == 0.0 else round(float(rng.uniform(1.02, 1.25)), 3),
        load_vswr=round(float(rng.uniform(1.01, 1.1)), 3),
        lead_m=float(rng.uniform(0.5, 3.0)),
        lead_loss_db=float(rng.uniform(0.1, 0.6)),
        noise_dbm_hz=float(rng.uniform(-165.0, -105.0)),
        leakage_db=float(rng.uniform(75.0, 130.0)),
        scale_per_db=round(float(rng.uniform(0.003, 0.03)), 4),
        scale_over_range_db=round(float(rng.uniform(0.1, 1.0)), 3),
        attenuator_switching_db=round(float(rng.uniform(0.03, 0.5)), 3),
        reference_switching_db=round(float(rng.uniform(0.03, 0.5)), 3),
        rbw_switching_db=round(float(rng.uniform(0.03, 0.5)), 3),
        drift_db_per_h=round(float(rng.uniform(0.01, 0.3)), 3),
        connection_db=round(float(rng.uniform(0.003, 0.05)), 4),
        reference_ppm=round(float(10.0 ** rng.uniform(-1.0, 0.7)), 3),
        span_percent=round(float(rng.uniform(0.02, 1.0)), 3),
        directivity_db=round(float(rng.uniform(26.0, 46.0)), 1),
        test_port_vswr=round(float(rng.uniform(1.03, 1.3)), 3),
        warm_up_db=0.0,  # the stated drift is what a warm bench does
        warm_up_hz=0.0,
    )


def _device(starter: str, rng: np.random.Generator) -> devices.Device:
    """Return a unit for the starter: healthy or with a fault, its cavities a little worn and a little off."""
    name = devices.for_recipe(starter)
    lasting = [n for n in devices.names() if n.startswith(f"{name}-") and not n.endswith("intermittent")]
    chosen = str(rng.choice(lasting)) if lasting and rng.random() < 0.3 else name
    device = devices.build(chosen)

    def worn(element: object) -> object:
        if isinstance(element, BpBrCavity | PassCavity | RejectCavity):
            q = element.unloaded_q * float(rng.uniform(0.6, 1.1))
            return replace(element, unloaded_q=q, resonance_hz=element.resonance_hz * float(rng.normal(1.0, 1e-5)))
        return element

    legs = tuple(Leg(leg.start, leg.end, tuple(worn(e) for e in leg.elements)) for leg in device.circuit.legs)  # type: ignore[misc]
    return replace(device, circuit=Circuit(device.circuit.ports, legs), circuit_disturbed=None)


def _recipe(starter: str, rng: np.random.Generator) -> Recipe:
    """Return the acceptance recipe; every fifth time with the frequencies of its edges asked for as well."""
    text, source = read_recipe(starter)
    recipe = load_recipe(text, source)
    if rng.random() > EDGES:
        return recipe
    lines = []
    for requirement in recipe.requirements:
        path, at, within = "-".join(requirement.path or ()), requirement.at, requirement.within_hz
        near = recipe.frequencies
        split = abs(max(near.values()) - min(near.values())) if len(near) > 1 else requirement.at_hz * 4e-3
        if requirement.quantity.value == "rejection" and within:
            reach, level = split / 8.0, (requirement.minimum or 30.0) - 12.0
            lines.append(
                f"  - {{quantity: notch frequency, path: {path}, at: {at}, within: {reach:.0f} Hz, max: 9 kHz}}"
            )
            lines.append(
                f"  - {{quantity: rejection bandwidth, path: {path}, at: {at}, level: {level:.0f} dB, min: 20 kHz}}"
            )
        if requirement.quantity.value == "insertion loss":
            lines.append(
                f"  - {{quantity: pass bandwidth, path: {path}, at: {at}, above: 0.5 dB, min: {split / 4.0:.0f} Hz}}"
            )
    text = text.replace("decision:", "\n".join(lines) + "\ndecision:")
    return load_recipe(text, source)
