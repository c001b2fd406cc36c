"""The simulated bench: what is plugged into what, and what one sweep of the analyzer then shows."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from instruments.simulated import receiver
from instruments.simulated.chirp import Memory, swept_response
from instruments.simulated.network import bridge_reading, loaded, transmitted
from instruments.simulated.profile import Drawn, Profile
from instruments.simulated.relays import Relays
from instruments.simulated.simtime import SimulatedTime

__all__ = ["OPEN_LEADS", "Bench", "Circuit", "Device", "Reading", "SweepRequest", "hookup_names"]

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

LOWEST_HZ = 1.0e3
OPEN_LEADS = "leads open"  # nothing connected yet: both leads hang open
RE_MATED = "thru re-mated"  # the thru, its joint opened and closed again


class Circuit(Protocol):
    """Anything with S-parameters."""

    def s(self, freq_hz: ArrayLike) -> Complex:
        """Scattering matrices (n_freq, n, n)."""
        ...


class Device(Protocol):
    """What the bench needs to know of a device."""

    @property
    def ports(self) -> tuple[str, ...]:
        """Names of the ports, in the order of the circuit's S-parameters."""
        ...

    @property
    def circuit(self) -> Circuit:
        """The device."""
        ...

    @property
    def circuit_disturbed(self) -> Circuit | None:
        """The device while a bad joint lets go; None for a sound one."""
        ...


def hookup_names(ports: tuple[str, ...], standards: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Every hookup of a device; the switch's channel n is the n-th, from 1."""
    paths = [f"{a}-{b}" for a, b in itertools.permutations(ports, 2)]
    bridge = ("reflect-open", "reflect-short", "reflect-load", *(f"reflect-{p}" for p in ports))
    checks = (f"standard-{name}" for name in standards)
    return ("thru", "floor", *paths, *bridge, *(f"thru {path}" for path in paths), *checks, RE_MATED)


MOST_GRIDS = 16  # whose scattering is remembered, up to 9 MB each


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRequest:
    """One sweep, every setting resolved. ``generator_dbm`` None: output off."""

    start_hz: float
    stop_hz: float
    points: int
    sweep_time_s: float
    generator_dbm: float | None
    levelled_dbm: tuple[float, float]
    sweep_factor: float
    receiver: receiver.ReceiverSettings


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """What a sweep shows, and which of 'overload', 'unlevelled', 'uncalibrated' it raises."""

    level_dbm: Real
    flags: frozenset[str]


@dataclass(frozen=True, slots=True, eq=False)
class _Axis:
    """Points of a sweep: true frequencies, and the generator's amplitude there behind leads and pads over its level."""

    true_hz: Real
    level: Real


@dataclass(slots=True)
class Faults:
    """What a test may break on purpose."""

    foreign: tuple[float, float] | None = None  # Hz, dBm at the analyzer's input
    extra_leakage_db: float = 0.0
    miswired: dict[str, str] = field(default_factory=dict)  # asked -> really made


class Bench:
    """A device, a bench of one profile with errors drawn from the seed, and simulated time.

    ``visit`` is another time at the same bench: noise and matings differ, its errors do not.
    """

    def __init__(
        self,
        device: Device,
        profile: Profile,
        seed: int,
        time: SimulatedTime,
        *,
        visit: int = 0,
        cable_move_s: float = 0.1,
        relays: Relays | None = None,
    ) -> None:
        self.device = device
        self.profile = profile
        self.seed = seed
        self.visit = visit
        self.time = time
        self.cable_move_s = cable_move_s
        self.drawn = Drawn(profile, seed)
        self.relays = Relays(seed) if relays is None else relays
        self.faults = Faults(foreign=profile.foreign)
        self.hookups = hookup_names(device.ports, tuple(each.id for each in profile.standards))
        self.connected = OPEN_LEADS  # what the switch was told
        self._made = OPEN_LEADS  # what really is in place
        self._by_hand = False
        self._mating_db = 0.0
        self._matings = 0
        self._sweeps = 0
        self._trim_hz = 0.0
        self.on_since_s = -profile.on_for_s
        self._steadies: dict[tuple[float, int], tuple[Callable[[Real], Complex], Memory]] = {}  # of what is in place
        self._scattering: dict[tuple[int, bytes], tuple[Circuit, Complex]] = {}
        self._axes: dict[tuple[float, float, int], _Axis] = {}
        self.when_switched_on: list[Callable[[], None]] = []  # what the instruments do then

    def go_on(self, elapsed_s: float, sweeps: int, matings: int) -> None:
        """Be the bench that an earlier process had begun: as old, its noise and matings not repeated."""
        self.time.spend(elapsed_s)
        self.time.owed_s = 0.0
        self._sweeps, self._matings = sweeps, matings

    def power_cycle(self) -> None:
        """Switch the analyzer off and on: cold, its tracking adjustment and every setting gone."""
        self.on_since_s = self.time.now_s
        self._trim_hz = 0.0
        for tell in self.when_switched_on:
            tell()

    def connect(self, hookup: str, *, by_hand: bool = False) -> None:
        """Move the leads; each mating of connectors comes out a little different. By hand, no relay is in the way."""
        self.time.spend(self.cable_move_s)
        self._matings += 1
        self.connected = hookup
        made = self.faults.miswired.get(hookup, hookup)
        self._made = "thru" if made == RE_MATED else made  # every hookup's joints are made anew; here that is all
        self._by_hand = by_hand
        self._steadies.clear()
        self._axes.clear()
        one = self._made.startswith(("thru", "reflect-"))
        joints = {"floor": 0, OPEN_LEADS: 0}.get(self._made, 1 if one else 2)
        rng = np.random.default_rng([self.seed, 5, self._matings, self.visit])
        self._mating_db = float(np.sum(rng.uniform(-0.95, 0.95, joints))) * self.profile.connection_db

    def truth_db(self, start: str, end: str, freq_hz: Real) -> Real:
        """True loss of a path, or return loss of a port (start = end), every port in exactly 50 ohm."""
        s = self.device.circuit.s(freq_hz)
        wave = s[:, self.device.ports.index(end), self.device.ports.index(start)]
        return np.asarray(-20.0 * np.log10(np.abs(wave)))

    def tracking_offset_hz(self) -> float:
        """Distance of the generator from the filter's centre now."""
        now = self.time.now_s
        return self.drawn.tracking_hz(now, now - self.on_since_s) + self._trim_hz

    def turn_tracking(self, by_hz: float) -> None:
        """Turn the generator's adjustment, as a hand does."""
        self._trim_hz += by_hz

    def adjust_tracking(self, rbw_hz: float) -> None:
        """Bring the generator onto the filter's centre, as exactly as this filter shows it."""
        rng = np.random.default_rng([self.seed, 8, self._sweeps, self.visit])
        self._trim_hz += float(rng.uniform(-0.01, 0.01)) * rbw_hz - self.tracking_offset_hz()

    def sweep(self, asked: SweepRequest) -> Reading:
        """Return what the analyzer shows for a sweep that begins now. The time it takes is the caller's to spend."""
        self._sweeps += 1
        rng = np.random.default_rng([self.seed, 6, self._sweeps, self.visit])
        settings = asked.receiver
        axis = self._axis(asked)
        at_s = np.asarray(self.time.now_s + np.arange(asked.points) * settings.dwell_s, dtype=np.float64)

        rate = (asked.stop_hz - asked.start_hz) / asked.sweep_time_s
        flags = set()
        volts = np.zeros(asked.points, dtype=np.complex128)
        if asked.generator_dbm is not None:
            level_dbm, levelled = _generator_level(asked.generator_dbm, asked.levelled_dbm)
            if not levelled:
                flags.add("unlevelled")
            level = 10.0 ** ((level_dbm - self._mating_db) / 20.0)
            volts = self._received(axis.true_hz, rate, settings.rbw_hz) * (axis.level * level)
        if self.faults.foreign is not None:
            volts = volts + self._foreign(axis.true_hz, settings.rbw_hz, rng)
        mixer_dbm = 20.0 * math.log10(float(np.max(np.abs(volts))) + 1e-30) - settings.attenuation_db
        if mixer_dbm > self.profile.mixer_overload_dbm:
            flags.add("overload")
        volts = receiver.compressed(volts, settings.attenuation_db, self.profile.mixer_compression_dbm)
        coupled_s = (
            asked.sweep_factor
            * (asked.stop_hz - asked.start_hz)
            / (settings.rbw_hz * min(settings.rbw_hz, settings.vbw_hz))
        )
        if asked.sweep_time_s < 0.98 * coupled_s:  # 2 %: rounding of a sweep time sent as text
            flags.add("uncalibrated")
            volts = volts * 10.0 ** (-receiver.sweep_loss_db(rate, settings, asked.sweep_factor) / 20.0)
        noise_dbm = (
            self.profile.noise_dbm_hz
            + 10.0 * math.log10(receiver.NOISE_BANDWIDTH * settings.rbw_hz)
            + settings.attenuation_db
        )
        power = receiver.detected_mw(volts, 10.0 ** (noise_dbm / 10.0), settings, rng)
        drift = self.drawn.drift_db(at_s, at_s - self.on_since_s)
        return Reading(receiver.shown_dbm(power, settings, self.drawn, drift), frozenset(flags))

    def _axis(self, asked: SweepRequest) -> _Axis:
        """Return where the points of a sweep truly lie, and how strong what is in place leaves the generator there."""
        key = asked.start_hz, asked.stop_hz, asked.points
        if key not in self._axes:
            shown_hz = np.linspace(asked.start_hz, asked.stop_hz, asked.points)
            centre_hz = (asked.start_hz + asked.stop_hz) / 2.0
            true_hz = shown_hz * (1.0 + self.drawn.reference_error) + (shown_hz - centre_hz) * self.drawn.span_error
            true_hz = np.maximum(true_hz, LOWEST_HZ)  # the whole range's span error would reach below nothing
            level_db = self.drawn.flatness(true_hz)
            level_db = level_db - 2.0 * (self.profile.pad_loss_db + self.drawn.lead_loss_db(true_hz))
            if not self._by_hand:
                level_db = level_db - self.relays.loss_db(self._made)
            self._axes[key] = _Axis(true_hz, np.asarray(10.0 ** (level_db / 20.0)))
        return self._axes[key]

    def _received(self, freq_hz: Real, rate: float, rbw_hz: float) -> Complex:
        """Wave at the analyzer over the generator's, along one sweep, but for what leads and pads lose."""
        offset = self.tracking_offset_hz()

        def along(circuit: Circuit) -> Complex:
            steady, memory = self._remembered(circuit)
            return swept_response(steady, freq_hz, rate_hz_s=rate, rbw_hz=rbw_hz, offset_hz=offset, memory=memory)

        wave = along(self.device.circuit)
        disturbed = self.device.circuit_disturbed
        if (
            disturbed is not None
            and self._made not in ("floor", OPEN_LEADS)
            and not self._made.startswith(("thru", "standard-"))
        ):
            gone = self._lets_go(7, freq_hz.size)
            if np.any(gone):
                wave = np.where(gone, along(disturbed), wave)
        if self.profile.loose_lead_db:
            wave = wave * self._loose(freq_hz.size)
        return wave

    def _remembered(self, circuit: Circuit) -> tuple[Callable[[Real], Complex], Memory]:
        """Until leads are moved: a repeated sweep finds the same device, only other noise."""
        key = self.faults.extra_leakage_db, id(circuit)
        if key not in self._steadies:
            self._steadies[key] = self._steady(circuit), {}
        return self._steadies[key]

    def _lets_go(self, joint: int, points: int) -> NDArray[np.bool_]:
        """Where in this sweep a bad joint lets go, in four sweeps of ten; it may come back before the end."""
        rng = np.random.default_rng([self.seed, joint, self._sweeps, self.visit])
        if rng.random() >= 0.4:
            return np.zeros(points, dtype=np.bool_)
        begins, lasts = rng.uniform(0.05, 0.8), rng.uniform(0.1, 1.0)
        part = np.arange(points) / points
        return np.asarray((part >= begins) & (part < begins + lasts))

    def _loose(self, points: int) -> Real:
        return np.where(self._lets_go(10, points), 10.0 ** (-self.profile.loose_lead_db / 20.0), 1.0)

    def _steady(self, circuit: Circuit) -> Callable[[Real], Complex]:
        """Transfer function of what is plugged in, over that of a matched thru."""
        drawn, ports, made, by_hand = self.drawn, self.device.ports, self._made, self._by_hand
        more = 10.0 ** (self.faults.extra_leakage_db / 20.0)

        def loads(keep: list[int], freq_hz: Real) -> dict[int, Complex]:
            return {port: drawn.load(port, freq_hz) for port in range(len(ports)) if port not in keep}

        def reflection(freq_hz: Real) -> Complex:
            what = made.removeprefix("reflect-")
            if what in ports:
                one = ports.index(what)
                return loaded(self._s(circuit, freq_hz), [one], loads([one], freq_hz))[:, 0, 0]
            if what == "load":
                return drawn.load(len(ports), freq_hz)
            return drawn.open(freq_hz) if what == "open" else drawn.short(freq_hz)

        def transfer(freq_hz: Real) -> Complex:
            leak = more * drawn.leakage(freq_hz)
            if not by_hand:
                leak = leak + self.relays.leakage(made, freq_hz)
            if made.startswith("thru"):
                return np.asarray(1.0 / (1.0 - drawn.source(freq_hz) * drawn.receiver(freq_hz)) + leak)
            if made == OPEN_LEADS:
                return np.asarray(2.0 * leak)
            if made == "floor":
                return np.asarray(leak * (1.0 + drawn.load(0, freq_hz)))
            if made.startswith("reflect-"):
                gamma = reflection(freq_hz)
                reading = bridge_reading(gamma, drawn.directivity(freq_hz), drawn.test_port(freq_hz))
                return np.asarray(reading * 10.0 ** (-self.profile.bridge_loss_db / 20.0) + leak * (1.0 + gamma))
            if made.startswith("standard-"):
                s = drawn.standard(made.removeprefix("standard-"), freq_hz)
                through = transmitted(s, drawn.source(freq_hz), drawn.receiver(freq_hz))
                return np.asarray(through + leak * (1.0 + s[:, 0, 0]))
            keep = [ports.index(name) for name in made.split("-")]
            s = loaded(self._s(circuit, freq_hz), keep, loads(keep, freq_hz))
            # What the device throws back at the generator's lead leaks too (trade notes 12.4).
            through = transmitted(s, drawn.source(freq_hz), drawn.receiver(freq_hz))
            return np.asarray(through + leak * (1.0 + s[:, 0, 0]))

        return transfer

    def _s(self, circuit: Circuit, freq_hz: Real) -> Complex:
        """Scattering of the device, remembered: hookup after hookup asks on the same grids."""
        key = id(circuit), freq_hz.tobytes()
        if key not in self._scattering:
            if len(self._scattering) >= MOST_GRIDS:
                self._scattering.clear()
            self._scattering[key] = circuit, circuit.s(freq_hz)
        return self._scattering[key][1]

    def _foreign(self, freq_hz: Real, rbw_hz: float, rng: np.random.Generator) -> Complex:
        """Another transmitter, heard through the RBW filter where the sweep passes it."""
        assert self.faults.foreign is not None
        at_hz, dbm = self.faults.foreign
        shape_db = 10.0 * math.log10(2.0) * (2.0 * (freq_hz - at_hz) / rbw_hz) ** 2
        phase = rng.uniform(0.0, 2.0 * math.pi)
        return np.asarray(10.0 ** ((dbm - np.minimum(shape_db, 300.0)) / 20.0) * np.exp(1j * phase))


def _generator_level(asked_dbm: float, levelled_dbm: tuple[float, float]) -> tuple[float, bool]:
    """Outside its flat range the generator gives half of the decibels asked beyond it."""
    flat = min(max(asked_dbm, levelled_dbm[0]), levelled_dbm[1])
    return flat + (asked_dbm - flat) / 2.0, flat == asked_dbm
