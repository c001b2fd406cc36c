"""What a simulated bench states of itself, and the errors it really has: drawn from the seed, within the statements."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from instruments.simulated.network import reflection_of_vswr, seen_through

__all__ = ["PROFILES", "Drawn", "Profile", "Standard"]

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

LIGHT_M_PER_S = 299_792_458.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """A check standard of the bench's kit: about what it loses, and what its certificate says.

    ``wrong_db`` is how far the certificate is off beyond its uncertainty: 0 for an honest one.
    """

    id: str
    loss_db: float
    u_db: float
    wrong_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """True limits of a bench: what its bench file may say. Figures are common practice, no source.

    ``lies`` are figures that its bench file states otherwise; below it what no bench file would state.
    """

    generator_dbm: float = 0.0
    generator_vswr: float = 1.5
    analyzer_vswr: float = 1.5
    pad_loss_db: float = 10.0
    pad_vswr: float = 1.05
    load_vswr: float = 1.02
    lead_m: float = 1.2
    lead_velocity_factor: float = 0.7
    lead_loss_db: float = 0.3  # each, at 100 MHz, growing with the square root of frequency
    noise_dbm_hz: float = -150.0  # mean noise power in 1 Hz at 0 dB attenuation
    leakage_db: float = 115.0  # below the thru
    scale_per_db: float = 0.015
    scale_over_range_db: float = 0.3
    attenuator_switching_db: float = 0.1
    reference_switching_db: float = 0.05
    rbw_switching_db: float = 0.1
    drift_db_per_h: float = 0.05
    connection_db: float = 0.02  # each mating
    reference_ppm: float = 1.0
    span_percent: float = 0.1
    directivity_db: float = 40.0
    test_port_vswr: float = 1.1
    bridge_loss_db: float = 12.0
    maximum_input_dbm: float = 20.0
    mixer_compression_dbm: float = 0.0  # 1 dB of compression at this mixer level
    mixer_overload_dbm: float = -10.0  # flagged above this mixer level
    on_for_s: float = 7200.0  # switched on this long before the run: warmed up
    warm_up_db: float = 0.4
    warm_up_hz: float = 60.0  # tracking error of a cold generator
    warm_up_s: float = 900.0
    tracking_hz: float = 20.0  # off the filter's centre before any adjustment
    tracking_drift_hz_per_h: float = 1.0
    standards: tuple[Standard, ...] = ()
    standard_vswr: float = 1.05
    lies: Mapping[str, float] = field(default_factory=dict)
    scale_tilt_per_db: float = 0.0  # more than the scale's figures tell: each dB below the reference reads so much more
    lead_hole: tuple[float, float, float] | None = None  # Hz, width in Hz, dB: a stub, a crushed or a wet lead
    loose_lead_db: float = 0.0  # a lead's joint loses this while it lets go, in four sweeps of ten
    foreign: tuple[float, float] | None = None  # Hz, dBm at the analyzer's input: another transmitter near by

    @property
    def stated(self) -> Profile:
        """What the bench file says."""
        figures: dict[str, Any] = dict(self.lies)
        return replace(self, **figures)


_SMALL = Standard(id="S3", loss_db=3.0, u_db=0.03)
_DEEP = Standard(id="S70", loss_db=70.0, u_db=0.15)

PROFILES = {
    "lab": Profile(),
    # Switched on a minute ago.
    "cold": replace(Profile(), on_for_s=60.0),
    # An input that compresses far below its maximum.
    "soft-mixer": replace(Profile(), mixer_compression_dbm=-14.0),
    # A kit with check standards, and one whose small standard was mixed up with another.
    "standards": replace(Profile(), standards=(_SMALL, _DEEP)),
    "wrong-standard": replace(Profile(), standards=(replace(_SMALL, wrong_db=0.6), _DEEP)),
    "soft-mixer-kit": replace(Profile(), mixer_compression_dbm=-15.0, standards=(_SMALL, _DEEP)),
    # A scale that reads 0.02 dB a dB too much; the file states 0.3 dB over the range, as in a lab. With standards, and
    # without any that could tell.
    "bent-scale": replace(Profile(), scale_tilt_per_db=0.02, standards=(_SMALL, _DEEP)),
    "bent-scale-bare": replace(Profile(), scale_tilt_per_db=0.02),
    # Pads that are not what the bench file says: together 7 dB less, or not in the file at all.
    "thin-pads": replace(Profile(), pad_loss_db=6.0, lies={"pad_loss_db": 9.5}),
    "long-leads": replace(Profile(), lead_loss_db=2.5),
    "forgotten-pads": replace(Profile(), lies={"pad_loss_db": 0.0}),
    # Pads whose match was lost: nothing in the file says so, exchanged leads do.
    "bad-pads": replace(Profile(), pad_vswr=1.9, lies={"pad_vswr": 1.05}),
    # Leads: with a hole, with one so narrow that it is a step, with a joint that lets go.
    "wet-lead": replace(Profile(), lead_hole=(146.9e6, 0.3e6, 2.5)),
    "cracked-lead": replace(Profile(), lead_hole=(146.9e6, 0.02e6, 1.6)),
    "loose-lead": replace(Profile(), loose_lead_db=0.35),
    # An input that says early that it is overloaded; a generator asked for more than it can level.
    "overloaded": replace(Profile(), mixer_overload_dbm=-45.0),
    "unlevelled": replace(Profile(), generator_dbm=8.0),
    # A generator far beside the centre of a narrow filter.
    "mistuned": replace(Profile(), tracking_hz=900.0),
    # Another transmitter near by.
    "busy-site": replace(Profile(), foreign=(146.31e6, -60.0)),
    "busy-channel": replace(Profile(), foreign=(146.012e6, -60.0)),
    # Nothing between instruments and device: the match of the ports decides what can be said of a notch.
    "no-pads": replace(Profile(), pad_loss_db=0.0, pad_vswr=1.0),
    # A braid-only patch lead: leakage limits every notch (trade notes 1.11).
    "patch-lead": replace(Profile(), leakage_db=90.0),
}


@dataclass(frozen=True, slots=True)
class Ripple:
    """A smooth function of bounded size: a sum of sines."""

    amplitudes: Real
    rates: Real  # radians per unit
    phases: Real

    def __call__(self, x: Real) -> Real:
        """Value at each x, same shape."""
        angles = np.multiply.outer(np.asarray(x, dtype=np.float64), self.rates) + self.phases
        return np.asarray(np.sin(angles) @ self.amplitudes)


class Drawn:
    """The errors this bench has: one draw of everything the profile bounds.

    Every drawn size stays below its bound with a little to spare, so that the bench file tells the truth
    even where two small effects add.
    """

    def __init__(self, profile: Profile, seed: int) -> None:
        self.profile = profile
        self.seed = seed
        rng = np.random.default_rng([seed, 1])
        p = profile
        self._generator = _reflection(rng, p.generator_vswr, length_m=p.lead_m / p.lead_velocity_factor)
        self._analyzer = _reflection(rng, p.analyzer_vswr, length_m=p.lead_m / p.lead_velocity_factor)
        self._pad_ends = [_reflection(rng, p.pad_vswr, length_m=0.03) for _ in range(4)]
        self._loads = [_reflection(rng, p.load_vswr, length_m=0.02) for _ in range(8)]
        self.test_port = _reflection(rng, p.test_port_vswr, length_m=0.1)
        worst = 10.0 ** (-p.directivity_db / 20.0)
        self.directivity = _rotating(rng, worst, length_m=0.1)
        self.open = _standard(rng, sign=1.0)
        self.short = _standard(rng, sign=-1.0)
        leak = 10.0 ** (-p.leakage_db / 20.0)
        self._leak = _rotating(rng, leak, length_m=1.5, least=0.8)
        self._scale = _scale(rng, p.scale_per_db, p.scale_over_range_db)
        self.flatness = Ripple(np.array([0.2, 0.1]), rng.uniform(1e-7, 4e-7, 2), rng.uniform(0.0, 7.0, 2))
        per_second = 0.6 * p.drift_db_per_h / 3600.0
        self._drift = _bounded_slope(rng, per_second)
        self._tracking = _bounded_slope(rng, 0.9 * p.tracking_drift_hz_per_h / 3600.0)
        self._tracking_start_hz = float(rng.uniform(-0.9, 0.9) * p.tracking_hz)
        self._warm_up_sign = float(rng.choice([-1.0, 1.0]))
        kit = np.random.default_rng([seed, 9])
        self._standards = {
            each.id: (
                each.loss_db + float(kit.uniform(-0.1, 0.1)),
                float(kit.normal(0.0, each.u_db)) + each.wrong_db,
                _reflection(kit, p.standard_vswr, length_m=0.03),
                _reflection(kit, p.standard_vswr, length_m=0.03),
            )
            for each in p.standards
        }
        self.reference_error = float(rng.uniform(-0.95, 0.95)) * p.reference_ppm * 1e-6
        self.span_error = float(rng.uniform(-0.95, 0.95)) * p.span_percent / 100.0

    def source(self, freq_hz: Real) -> Complex:
        """Reflection of the generator where the device's port sits, through lead and pad."""
        return self._through_pad(self._generator(freq_hz), freq_hz, self._pad_ends[0], self._pad_ends[1])

    def receiver(self, freq_hz: Real) -> Complex:
        """Reflection of the analyzer where the device's port sits, through lead and pad."""
        return self._through_pad(self._analyzer(freq_hz), freq_hz, self._pad_ends[2], self._pad_ends[3])

    def _through_pad(
        self, behind: Complex, freq_hz: Real, front: Callable[[Real], Complex], back: Callable[[Real], Complex]
    ) -> Complex:
        loss_db = self.profile.pad_loss_db + self.lead_loss_db(freq_hz)
        passed = np.asarray(
            10.0 ** (-loss_db / 20.0), dtype=np.complex128
        )  # the lead's phase is in the reflection's own rotation
        return seen_through(behind, front(freq_hz), back(freq_hz), passed)

    def certificate_db(self, standard: str) -> float:
        """What the certificate of a check standard says it loses."""
        true_db, off_db, _, _ = self._standards[standard]
        return true_db + off_db

    def standard(self, standard: str, freq_hz: Real) -> Complex:
        """S-parameters (n, 2, 2) of a check standard: a pad."""
        true_db, _, first, second = self._standards[standard]
        s = np.empty((np.size(freq_hz), 2, 2), dtype=np.complex128)
        s[:, 0, 0], s[:, 1, 1] = first(freq_hz), second(freq_hz)
        s[:, 0, 1] = s[:, 1, 0] = 10.0 ** (-true_db / 20.0)
        return s

    def load(self, port: int, freq_hz: Real) -> Complex:
        """Reflection of the load that belongs to a device port."""
        return self._loads[port % len(self._loads)](freq_hz)

    def leakage(self, freq_hz: Real) -> Complex:
        """Wave that reaches the analyzer round the device, over the thru's."""
        return self._leak(freq_hz)

    def lead_loss_db(self, freq_hz: Real) -> Real:
        """Loss of one lead; a hole is in either, so that of one counts half."""
        loss_db = self.profile.lead_loss_db * np.sqrt(freq_hz / 1e8)
        if self.profile.lead_hole is not None:
            at_hz, width_hz, deep_db = self.profile.lead_hole
            loss_db = loss_db + 0.5 * deep_db * np.exp(-np.log(2.0) * (2.0 * (freq_hz - at_hz) / width_hz) ** 2)
        return np.asarray(loss_db)

    def scale_db(self, below_reference_db: Real) -> Real:
        """Error of the logarithmic scale at each distance below the reference level."""
        return self._scale(below_reference_db) - self.profile.scale_tilt_per_db * below_reference_db

    def drift_db(self, now_s: Real, since_on_s: Real) -> Real:
        """Drift of the level at these simulated times."""
        cold = self._warm_up_sign * self.profile.warm_up_db * np.exp(-since_on_s / self.profile.warm_up_s)
        return np.asarray(self._drift(now_s) + cold)

    def tracking_hz(self, now_s: float, since_on_s: float) -> float:
        """Distance of the generator from the filter's centre, before any adjustment."""
        cold = self._warm_up_sign * self.profile.warm_up_hz * math.exp(-since_on_s / self.profile.warm_up_s)
        return float(self._tracking(np.array(now_s))) + self._tracking_start_hz + cold

    def switching_db(self, *, attenuation_db: float, reference_dbm: float, rbw_hz: float) -> float:
        """Sum of the fixed errors of the three settings; two settings of one kind differ by its figure at most."""
        p = self.profile
        return (
            self._fixed(2, attenuation_db, p.attenuator_switching_db)
            + self._fixed(3, reference_dbm + 500.0, p.reference_switching_db)
            + self._fixed(4, rbw_hz, p.rbw_switching_db)
        )

    def _fixed(self, kind: int, setting: float, most_db: float) -> float:
        return _half(self.seed, kind, round(abs(setting) * 10.0)) * most_db


@lru_cache(maxsize=256)
def _half(*seed: int) -> float:
    """Return the number between -0.5 and 0.5 that belongs to a seed."""
    return float(np.random.default_rng(seed).uniform(-0.5, 0.5))


def _rotating(
    rng: np.random.Generator, most: float, *, length_m: float, least: float = 0.4
) -> Callable[[Real], Complex]:
    """Return a phasor of nearly constant size, between least * most and most, that turns along a length of air."""
    size = most * float(rng.uniform(least, 0.98))
    phase = float(rng.uniform(0.0, 2.0 * math.pi))
    turns = 4.0 * math.pi * length_m * float(rng.uniform(0.8, 1.2)) / LIGHT_M_PER_S
    wave = Ripple(np.array([0.05]), rng.uniform(1e-7, 3e-7, 1), rng.uniform(0.0, 7.0, 1))
    return lambda freq_hz: size * (0.95 + wave(freq_hz)) * np.exp(1j * (phase - turns * freq_hz))


def _reflection(rng: np.random.Generator, vswr: float, *, length_m: float) -> Callable[[Real], Complex]:
    return _rotating(rng, reflection_of_vswr(vswr), length_m=length_m)


def _standard(rng: np.random.Generator, *, sign: float) -> Callable[[Real], Complex]:
    """Return an open or short: a little lossy, a little late, so that the two are not perfectly opposite."""
    size = float(rng.uniform(0.995, 1.0))
    late_s = float(rng.uniform(5e-12, 25e-12))
    return lambda freq_hz: sign * size * np.exp(-4j * math.pi * freq_hz * late_s)


def _scale(rng: np.random.Generator, per_db: float, over_range_db: float) -> Callable[[Real], Real]:
    """Return a smooth error over the display; slope and largest difference stay below the two figures."""
    rates = 2.0 * math.pi / rng.uniform(25.0, 160.0, 4)
    phases = rng.uniform(0.0, 2.0 * math.pi, 4)
    shape = Ripple(rng.uniform(0.2, 1.0, 4) / rates, rates, phases)
    depth = np.linspace(-20.0, 200.0, 2201)
    values = shape(depth)
    room = min(per_db / np.max(np.abs(np.gradient(values, depth))), over_range_db / np.ptp(values))
    size = room * float(rng.uniform(0.4, 0.97))
    offset = float(shape(np.array(0.0)))
    return lambda below_db: size * (shape(np.clip(below_db, -20.0, 200.0)) - offset)


def _bounded_slope(rng: np.random.Generator, per_second: float) -> Ripple:
    """Return a slow wander whose slope never exceeds per_second."""
    rates = 2.0 * math.pi / rng.uniform(1200.0, 9000.0, 4)
    share = rng.dirichlet(np.ones(4))
    return Ripple(share * per_second / rates, rates, rng.uniform(0.0, 2.0 * math.pi, 4))
