"""The loss of a path at one frequency: everything that stands between the reading and the true |S21|.

The model is drawn, not linearised: noise in power, leakage as a vector of unknown phase, mismatch by the exact
two-port expression in thru and measurement, loads on the other ports, and gain errors in dB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from sequencer.core.mismatch import true_transmission
from sequencer.core.reflection import PortReflection
from sequencer.core.trace import FloatArray
from sequencer.core.uncertainty import ComplexArray, Distribution, Draws, Input

__all__ = ["PathLoss", "Termination", "greatest_leak"]

_DB = 20.0 / math.log(10.0)  # dB per relative change of an amplitude
_TINY = 1e-30  # a power ratio of -300 dB: no reading is below it, no logarithm fails on it
_FAR_BELOW = -2.33  # sigmas below zero at which less than 1 % of a normal is positive: 100 of a block's 10,000 draws


@dataclass(frozen=True, slots=True, kw_only=True)
class Termination:
    """A test port as the device sees it: the pad's own reflection, and what stands behind it through the pad twice."""

    name: str
    own: float
    behind: float
    origin: str

    @property
    def size(self) -> float:
        """Root mean square magnitude over the unknown phase between the two."""
        return math.hypot(self.own, self.behind)

    def draw(self, draws: Draws, where: str) -> ComplexArray:
        """Return (n,) complex reflections."""
        result: ComplexArray = self.own * draws.phasor(f"{self.name} own {where}")
        if self.behind:
            result = result + self.behind * draws.phasor(f"{self.name} behind {where}")
        return result


@dataclass(frozen=True, slots=True, kw_only=True)
class PathLoss:
    """What is known of a path at one frequency; ratios are power ratios to the thru.

    ``where`` names the draws of the frequency ('146610000'), ``path`` those of the path. ``ratio`` has noise
    subtracted, with ``u_ratio`` and ``dof``; ``noise_share`` of its variance comes from the subtraction.
    ``noise_span`` is how much more it may be, where the noise reading is itself only a bound. ``leak`` and
    ``u_leak``: the leakage's power ratio. ``s1`` and ``s2`` are the path's ports (None: not measured, anything
    passive). ``gains`` are errors in dB; ``others`` amplitudes (relative to the thru) that loads on the device's
    other ports send into the path.
    """

    where: str
    path: str
    ratio: float
    u_ratio: float
    source: Termination
    load: Termination
    s1: PortReflection | None = None
    s2: PortReflection | None = None
    dof: float = math.inf
    noise_share: float = 0.0
    noise_span: float = 0.0
    leak: float = 0.0
    u_leak: float = 0.0
    leak_origin: str = "measured in this run"
    gains: tuple[Input, ...] = ()
    others: tuple[Input, ...] = ()

    @property
    def nominal_db(self) -> float:
        """The reading as a loss, dB."""
        return -10.0 * math.log10(max(self.ratio, _TINY))

    @property
    def leak_amplitude(self) -> float:
        """Greatest leakage amplitude to reckon with: its reading, or one-sided 95 % bound, enhanced by |S11|."""
        return greatest_leak(self.leak, self.u_leak) * (1.0 + self._size(self.s1))

    @property
    def unresolved(self) -> float:
        """Amplitude that adds with unknown phase (leakage, other ports' loads) over that of the reading."""
        adding = math.hypot(self.leak_amplitude, *(other.value for other in self.others))
        return adding / math.sqrt(max(self.ratio, self.u_ratio, _TINY))

    def _size(self, port: PortReflection | None) -> float:
        """Magnitude of a port's reflection for the budget: measured, at most what energy conservation leaves."""
        left = math.sqrt(max(1.0 - min(max(self.ratio, 0.0), 1.0), 0.0))
        return left if port is None else min(port.measured, left)

    def draw(self, draws: Draws) -> FloatArray:
        """Return (n,) draws of the true loss in dB; infinite where nothing need come through the device."""
        power = self._power(draws)
        error_db = sum((draws.of(gain) for gain in self.gains), np.zeros(draws.n))
        amplitude = np.sqrt(power) * 10.0 ** (error_db / 20.0)
        left = np.sqrt(np.clip(1.0 - power, 0.0, 1.0))
        s1 = left if self.s1 is None else np.minimum(self.s1.draw(draws), left)
        s2 = left if self.s2 is None else np.minimum(self.s2.draw(draws), left)
        if self.leak > 0.0 or self.u_leak > 0.0:
            leak = np.sqrt(_positive(draws, f"leakage noise {self.path} {self.where}", self.leak, self.u_leak))
            away = leak * (1.0 + s1) * draws.phasor(f"leakage {self.path} {self.where}")
            amplitude = np.abs(amplitude - away)
        true = true_transmission(
            amplitude,
            s1 * draws.phasor(f"S11 {self.path} {self.where}"),
            s2 * draws.phasor(f"S22 {self.path} {self.where}"),
            self.source.draw(draws, self.where),
            self.load.draw(draws, self.where),
            draws.phasor(f"S21 {self.path} {self.where}"),
        )
        for other in self.others:
            true = np.abs(true + other.value * draws.phasor(f"{other.name} {self.path} {self.where}"))
        return np.asarray(-20.0 * np.log10(np.maximum(true, math.sqrt(_TINY))))

    def _power(self, draws: Draws) -> FloatArray:
        power = _positive(draws, f"noise {self.path} {self.where}", self.ratio, self.u_ratio, self.dof)
        if self.noise_span > 0.0:
            power = power + np.where(draws.sign(f"noise bound {self.path} {self.where}") > 0, self.noise_span, 0.0)
        return power

    def inputs(self) -> tuple[Input, ...]:
        """Return the budget in dB, first order; products of reflections are U-shaped (EA-4/02 S6, S7).

        Noise is given as a share of the power read, all that adds with a phase as one of the amplitude read.
        """
        amplitude = math.sqrt(max(self.ratio, self.u_ratio, _TINY))
        s1, s2 = self._size(self.s1), self._size(self.s2)
        gs, gl = self.source.size, self.load.size
        known = [f"S11 {'not measured' if self.s1 is None else 'measured'}"]
        known.append(f"S22 {'not measured' if self.s2 is None else 'measured'}")
        parts = {
            "noise and averaging": self.u_ratio * math.sqrt(1.0 - self.noise_share),
            "near-floor correction: the noise that was subtracted": self.u_ratio * math.sqrt(self.noise_share),
            "detector bias: none, powers are averaged": 0.0,
        }
        inputs = [
            *(
                Input(
                    name=name,
                    value=value / amplitude**2,
                    unit="1",
                    distribution=Distribution.NORMAL,
                    kind="A",
                    origin="measured in this run",
                    sensitivity=0.5 * _DB,
                    local=True,
                )
                for name, value in parts.items()
            ),
            *self._noise_bound(amplitude**2),
            _product(
                f"mismatch: generator port with the device's first port ({known[0]})", gs * s1, self.source.origin
            ),
            _product(f"mismatch: analyzer port with the device's second port ({known[1]})", gl * s2, self.load.origin),
            _product("mismatch: both test ports in the thru", gs * gl, self.source.origin),
            _product("mismatch: both test ports through the device", gs * gl * self.ratio, self.source.origin),
            *self.gains,
        ]
        if self.leak > 0.0 or self.u_leak > 0.0:
            # what is drawn: amplitude and phase unknown, so twice the variance is the mean of its power
            leak = math.sqrt(_mean_positive(self.leak, self.u_leak)) * (1.0 + s1)
            inputs.append(_product("leakage round the device", leak / amplitude, self.leak_origin))
        inputs += [_product(other.name, other.value / amplitude, other.origin) for other in self.others]
        return tuple(inputs)

    def _noise_bound(self, power: float) -> tuple[Input, ...]:
        """What the noise may be more than was subtracted: nothing or all of it, so half of it to either side."""
        name, value = "noise that was subtracted: only a bound of it is known", 0.5 * self.noise_span / power
        limit, origin = Distribution.AT_LIMIT, "measured in this run"
        made = Input(
            name=name, value=value, unit="1", distribution=limit, origin=origin, sensitivity=0.5 * _DB, local=True
        )
        return (made,) if value > 0.0 else ()


def greatest_leak(leak: float, u_leak: float) -> float:
    """Amplitude of a leakage known as power ratio and its uncertainty; where none is seen, its 95 % bound."""
    seen = leak if leak > 2.0 * u_leak else max(leak, 0.0) + 1.645 * u_leak
    return math.sqrt(max(seen, 0.0))


def _product(name: str, size: float, origin: str) -> Input:
    shape = Distribution.U_SHAPED
    return Input(name=name, value=size, unit="1", distribution=shape, origin=origin, sensitivity=_DB, local=True)


def _positive(draws: Draws, name: str, value: float, u: float, dof: float = math.inf) -> FloatArray:
    """Draws of a power known as value and u, and known to be positive: the normal cut at zero."""
    if u <= 0.0:
        return np.full(draws.n, max(value, _TINY))
    trials = value + u * draws.normal(name, dof)
    kept = trials[trials > 0.0]
    if kept.size == trials.size:
        return trials
    if kept.size < 100:  # more than two sigma below zero: the normal's tail there is nearly an exponential
        return draws.rng(f"{name} tail").exponential(u * u / max(-value, u), draws.n)
    return np.resize(kept, draws.n)


def _mean_positive(value: float, u: float) -> float:
    """Mean of those draws: of a normal cut at zero, or of the exponential that its far tail nearly is."""
    if u <= 0.0:
        return max(value, 0.0)
    z = value / u
    if z < _FAR_BELOW:
        return u * u / -value
    density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    return value + u * density / NormalDist().cdf(z)
