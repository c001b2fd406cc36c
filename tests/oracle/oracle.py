"""What a bench's declared figures leave possible on a known device: the narrowest honest interval.

The oracle knows the device's scattering matrix, how loud the noise and how strong the leakage are, and, as the
measurement does, only the limits of everything else: a limit is taken at the limit, sign and phase unknown. It
throws benches, takes the reading each would give by exact network equations, and looks how far readings spread
about the truth. No line of the budget is used; the waves are those of `instruments.simulated.network`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from instruments.simulated.network import bridge_reading, loaded, reflection_of_vswr, transmitted
from instruments.simulated.profile import Profile
from instruments.simulated.receiver import NOISE_BANDWIDTH
from sequencer.core.circuit import Circuit
from sequencer.core.trace import Detector, Sweep

__all__ = ["Crossing", "Oracle", "Taken", "spread"]

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

TRIALS = 10_000


def spread(errors: Real, coverage: float = 0.95) -> float:
    """Width of the central interval of errors; infinite where an end is."""
    low, high = np.quantile(errors, [0.5 * (1 - coverage), 0.5 * (1 + coverage)], method="inverted_cdf")
    return float(high - low) if math.isfinite(low) and math.isfinite(high) else math.inf


@dataclass(frozen=True, slots=True)
class Taken:
    """What of a run's settings matters: its sweeps of one hookup and key."""

    sweeps: Sequence[Sweep]

    def noise_mw(self, profile: Profile) -> tuple[float, float]:
        """Mean noise power at the input, and how many independent samples were averaged."""
        used = self.sweeps[-1].used
        mean = 10.0 ** ((profile.noise_dbm_hz + used.attenuation_db) / 10.0) * NOISE_BANDWIDTH * used.rbw_hz
        dwell_s = (used.sweep_time_s or 0.0) / used.points
        each = max(1, math.floor(dwell_s * used.rbw_hz)) if used.detector is Detector.POWER else 1
        return mean, each * len(self.sweeps)


class Oracle:
    """Readings of one device on benches that state one profile."""

    def __init__(self, circuit: Circuit, profile: Profile, seed: int = 1, trials: int = TRIALS) -> None:
        self.circuit, self.profile, self.n = circuit, profile, trials
        self.rng = np.random.default_rng([seed, 99])
        p = profile
        through = 10.0 ** (-2.0 * p.pad_loss_db / 20.0)
        own = reflection_of_vswr(p.pad_vswr) if p.pad_loss_db else 0.0
        self.source, self.receiver = (
            own * self.phases() + behind * through * self.phases()
            for behind in (reflection_of_vswr(p.generator_vswr), reflection_of_vswr(p.analyzer_vswr))
        )
        self.loads = [reflection_of_vswr(p.load_vswr) * self.phases() for _ in circuit.ports]
        self.directivity = 10.0 ** (-p.directivity_db / 20.0) * self.phases()
        self.test_port = reflection_of_vswr(p.test_port_vswr) * self.phases()
        self._signs: dict[str, Real] = {}
        self.slope = self.signs()
        self.shift = self.signs(), self.signs()

    def phases(self) -> Complex:
        """Unknown phases."""
        return np.asarray(np.exp(2j * math.pi * self.rng.random(self.n)))

    def signs(self) -> Real:
        """Unknown signs."""
        return self.rng.choice([-1.0, 1.0], self.n)

    def sign_of(self, what: str) -> Real:
        """Unknown signs of something that is one for all frequencies of a hookup: its joints, its drift, a switching.

        Drawn once, so that both edges of a curve have the same. The phases of the ports and of the leakage are drawn
        anew at each frequency: an edge is where a cavity turns them, and nothing that is stated tells by how much.
        """
        if what not in self._signs:
            self._signs[what] = self.signs()
        return self._signs[what]

    def s_at(self, freq_hz: float, turned: bool = True) -> Complex:
        """S of the device for every trial; ``turned``: the ports' reference planes are not known, only magnitudes."""
        s = np.broadcast_to(self.circuit.s(np.array([freq_hz])), (self.n, *(2 * [len(self.circuit.ports)])))
        if not turned:
            return s
        ends = np.stack([self.phases() for _ in self.circuit.ports], axis=-1)
        return np.asarray(s * ends[:, :, None] * ends[:, None, :])

    def frequency_hz(self, freq_hz: float, center_hz: float) -> Real:
        """Where the analyzer really stands when it shows a frequency, less that frequency."""
        p = self.profile
        reference = p.reference_ppm * 1e-6 * freq_hz * self.shift[0]
        return np.asarray(reference + p.span_percent / 100.0 * (freq_hz - center_hz) * self.shift[1])

    def loss_errors(
        self,
        path: tuple[str, str],
        freq_hz: float,
        device: Taken,
        thru_dbm: float,
        *,
        leak: float,
        thrus: int,
        drift_db: float,
        switched: Sequence[str] = (),
    ) -> Real:
        """Reading less truth, dB, of a path's loss at one frequency; infinite where noise swallows a reading."""
        p, ports = self.profile, list(self.circuit.ports)
        keep = [ports.index(port) for port in path]
        s = self.s_at(freq_hz)
        loads = {k: self.loads[k] for k in range(len(ports)) if k not in keep}
        two = loaded(s, keep, loads)
        wave = transmitted(two, self.source, self.receiver) + leak * self.phases() * (1.0 + two[:, 0, 0])
        reference = 1.0 / np.abs(1.0 - self.source * self.receiver)
        noise, samples = device.noise_mw(p)
        top = 10.0 ** (thru_dbm / 10.0)
        power = np.abs(wave) ** 2 * top
        # the mean of `samples` powers |v + n|^2, less the mean noise
        u = np.sqrt((2.0 * power * noise + noise**2) / samples)
        seen = power + u * self.rng.standard_normal(self.n)
        true_db = -20.0 * np.log10(np.abs(s[0, keep[1], keep[0]]))
        with np.errstate(invalid="ignore", divide="ignore"):
            reading_db = -10.0 * np.log10(np.where(seen > 0.0, seen, 0.0) / (top * reference**2))
        error = reading_db - true_db
        depth = min(p.scale_per_db * true_db, p.scale_over_range_db)
        error = error + self.slope * depth + drift_db * self.sign_of("drift")
        for number, joint in enumerate((1.0, 1.0, *(1.0 / thrus for _ in range(thrus)))):
            error = error + joint * p.connection_db * self.sign_of(f"joint {number}")
        figures = {
            "attenuation_db": p.attenuator_switching_db,
            "reference_dbm": p.reference_switching_db,
            "rbw_hz": p.rbw_switching_db,
        }
        for name in switched:
            error = error + figures[name] * self.sign_of(name)
        return np.asarray(error)

    def return_loss_errors(self, port: str, freq_hz: float, device: Taken, top_dbm: float, *, hours: float) -> Real:
        """Reading less truth, dB, of a port's return loss at one frequency."""
        p, ports = self.profile, list(self.circuit.ports)
        one = ports.index(port)
        s = self.s_at(freq_hz)
        loads = {k: self.loads[k] for k in range(len(ports)) if k != one}
        gamma = loaded(s, [one], loads)[:, 0, 0]
        reading = np.abs(bridge_reading(gamma, self.directivity, self.test_port))
        ones = np.ones(self.n)
        both = [np.abs(bridge_reading(sign * ones, self.directivity, self.test_port)) for sign in (1.0, -1.0)]
        noise, samples = device.noise_mw(p)
        top = 10.0 ** (top_dbm / 10.0)
        power = reading**2 * top
        seen = power + np.sqrt((2.0 * power * noise + noise**2) / samples) * self.rng.standard_normal(self.n)
        true_db = -20.0 * np.log10(np.abs(s[0, one, one]))
        with np.errstate(invalid="ignore", divide="ignore"):
            shown_db = -10.0 * np.log10(np.maximum(seen, 0.0) / top) + 20.0 * np.log10(0.5 * (both[0] + both[1]))
        error = shown_db - true_db
        error = error + self.slope * min(p.scale_per_db * true_db, p.scale_over_range_db)
        error = error + self.signs() * p.drift_db_per_h * hours
        for joint in (1.0, 0.5, 0.5):
            error = error + joint * p.connection_db * self.signs()
        return np.asarray(error)

    def moved_db(
        self, port_path: tuple[str, str], at_hz: float, within_hz: float, center_hz: float, *, worst: bool
    ) -> Real:
        """What the frequency error adds to a level read at a frequency, or to the worst within an offset of it."""
        ports = list(self.circuit.ports)
        to, come = ports.index(port_path[1]), ports.index(port_path[0])
        moves = self.frequency_hz(at_hz, center_hz)
        four = np.unique(moves)
        out = np.zeros(self.n)

        def level(center: float) -> float:
            freq = np.linspace(center - within_hz, center + within_hz, 81) if within_hz else np.array([center])
            loss = -20.0 * np.log10(np.abs(self.circuit.s(freq)[:, to, come]))
            return float(loss.min() if worst else loss.max())

        here = level(at_hz)
        for move in four:
            out[moves == move] = level(at_hz + float(move)) - here
        return out

    def crossing(self, path: tuple[str, str], freq_hz: Real, start_hz: float, way: int, level_db: float) -> Crossing:
        """Where the true loss first crosses a level on the way out from a frequency, and its curve round there."""
        ports = list(self.circuit.ports)
        loss = -20.0 * np.log10(np.abs(self.circuit.s(freq_hz)[:, ports.index(path[1]), ports.index(path[0])]))
        start = int(np.argmin(np.abs(freq_hz - start_hz)))
        freq, out = freq_hz[start::way], loss[start::way]
        down = bool(out[0] > level_db)
        envelope = np.minimum.accumulate(out) if down else np.maximum.accumulate(out)
        return Crossing(freq[::-1] if down else freq, envelope[::-1] if down else envelope, level_db)


@dataclass(frozen=True, slots=True)
class Crossing:
    """A curve round one edge, its loss ascending."""

    freq_hz: Real
    loss_db: Real
    level_db: float

    @property
    def at_hz(self) -> float:
        """Where the true curve crosses."""
        return float(np.interp(self.level_db, self.loss_db, self.freq_hz))

    def moved_hz(self, error_db: Real) -> Real:
        """How far the crossing of a reading moves that is too high by ``error_db``."""
        return np.asarray(np.interp(self.level_db - error_db, self.loss_db, self.freq_hz) - self.at_hz)
