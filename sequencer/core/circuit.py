"""S-parameters of a duplexer from its circuit elements: cavities, harness lines, joints, tee or ring.

A leg is a cascade of elements (chain matrices); legs meet at nodes, and eliminating all nodes at once, for all
frequencies at once, gives the scattering matrix of the ports in 50 ohm. Every element is an exact lumped circuit
or a line, so another program can build the same thing from its own parts.

Time convention exp(+j w t): an inductance has positive reactance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sequencer.errors import AskedWrongError

__all__ = [
    "LIGHT_M_PER_S",
    "REFERENCE_OHM",
    "BpBrCavity",
    "Circuit",
    "Element",
    "Joint",
    "Leg",
    "Line",
    "PassCavity",
    "RejectCavity",
    "cascade_s",
    "loss_db",
    "return_loss_db",
]

REFERENCE_OHM = 50.0
LIGHT_M_PER_S = 299_792_458.0

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]
AnyComplex = NDArray[np.complexfloating[Any, Any]]
Chain = tuple[AnyComplex, AnyComplex, AnyComplex, AnyComplex]  # A, B, C, D, each (n,); impedances over REFERENCE_OHM


class Element(Protocol):
    """Anything that can stand in a leg."""

    def after(self, chain: Chain, freq_hz: Real) -> Chain:
        """Chain matrix of what came before, times this element's."""
        ...


def _series(chain: Chain, z: AnyComplex) -> Chain:
    a, b, c, d = chain
    return a, b + a * z, c, d + c * z


def _shunt(chain: Chain, y: AnyComplex) -> Chain:
    a, b, c, d = chain
    return a + b * y, b, c + d * y, d


def _tank(freq_hz: Real, resonance_hz: float, unloaded_q: float, inductance_h: float) -> Complex:
    """Impedance, over the reference, of L, C and R in parallel; R = w0 L Q does not change with frequency."""
    peak = 2.0 * math.pi * resonance_hz * inductance_h * unloaded_q / REFERENCE_OHM
    detuned = unloaded_q * (freq_hz / resonance_hz - resonance_hz / freq_hz)
    return np.asarray(peak * (1.0 - 1j * detuned) / (1.0 + detuned * detuned))


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A length of coaxial line, tee arms and connectors in the same leg included.

    ``loss_db_per_m`` holds at ``loss_at_hz`` and grows with the square root of frequency (skin effect).
    ``z0_ohm`` is taken as real.
    """

    length_m: float
    velocity_factor: float
    loss_db_per_m: float = 0.0
    loss_at_hz: float = 1e8
    z0_ohm: float = REFERENCE_OHM

    def after(self, chain: Chain, freq_hz: Real) -> Chain:
        """See `Element`."""
        a, b, c, d = chain
        z = self.z0_ohm / REFERENCE_OHM
        nepers = self.loss_db_per_m / (20.0 / math.log(10.0)) * self.length_m * np.sqrt(freq_hz / self.loss_at_hz)
        angle = 2.0 * math.pi * self.length_m / (self.velocity_factor * LIGHT_M_PER_S) * freq_hz
        half = np.tan(angle / 2.0)  # one tangent is many times faster than sine and cosine, and as exact
        sin = 2.0 * half / (1.0 + half * half)
        cos = 1.0 - half * sin
        grow = np.exp(nepers)
        shrink = 1.0 / grow
        cosh, sinh = (grow + shrink) / 2.0, (grow - shrink) / 2.0
        along, across = np.empty(freq_hz.size, dtype=np.complex128), np.empty(freq_hz.size, dtype=np.complex128)
        along.real, along.imag = cosh * cos, sinh * sin
        across.real, across.imag = sinh * cos, cosh * sin
        series, shunt = (across, across) if z == 1.0 else (across * z, across / z)
        return a * along + b * shunt, a * series + b * along, c * along + d * shunt, c * series + d * along


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """A connector, clamp or solder joint in series with the line: resistance, and what its spring adds."""

    resistance_ohm: float
    inductance_h: float = 0.0

    def after(self, chain: Chain, freq_hz: Real) -> Chain:
        """See `Element`."""
        z = (self.resistance_ohm + 2j * math.pi * self.inductance_h * freq_hz) / REFERENCE_OHM
        return _series(chain, z)


@dataclass(frozen=True, slots=True, kw_only=True)
class BpBrCavity:
    """Band-pass/band-reject cavity: one loop across the line, in series with a trimmer.

    The loop's inductance, the trimmer and a parallel R-L-C tank, all in series, stand across the line. The tank
    is the resonator as the loop sees it: ``L = coupling^2 * loop_h``, tuned to ``resonance_hz``, Q unloaded.
    It passes near the tank's resonance and rejects where the reactances of the branch cancel.
    """

    resonance_hz: float
    unloaded_q: float
    coupling: float
    loop_h: float
    trimmer_f: float

    @classmethod
    def with_notch_at(
        cls, notch_hz: float, *, resonance_hz: float, unloaded_q: float, coupling: float, loop_h: float
    ) -> BpBrCavity:
        """Return the cavity with the trimmer where the branch is resistive at ``notch_hz``."""
        tank = _tank(np.array([notch_hz]), resonance_hz, unloaded_q, coupling**2 * loop_h)
        omega = 2.0 * math.pi * notch_hz
        to_cancel = omega * loop_h + float(tank[0].imag) * REFERENCE_OHM
        if to_cancel <= 0:
            msg = f"no trimmer puts this cavity's notch at {notch_hz} Hz: coupling {coupling} is too tight"
            raise AskedWrongError(msg, notch_hz=notch_hz, coupling=coupling)
        return cls(
            resonance_hz=resonance_hz,
            unloaded_q=unloaded_q,
            coupling=coupling,
            loop_h=loop_h,
            trimmer_f=1.0 / (omega * to_cancel),
        )

    def after(self, chain: Chain, freq_hz: Real) -> Chain:
        """See `Element`."""
        omega = 2.0 * math.pi * freq_hz
        z = _tank(freq_hz, self.resonance_hz, self.unloaded_q, self.coupling**2 * self.loop_h)
        z += 1j * ((omega * self.loop_h - 1.0 / (omega * self.trimmer_f)) / REFERENCE_OHM)
        return _shunt(chain, 1.0 / z)


@dataclass(frozen=True, slots=True, kw_only=True)
class RejectCavity:
    """Notch cavity: a series R-L-C across the line, its R from the unloaded Q.

    ``inductance_h`` is the equivalent inductance the loop's coupling gives: less of it, a wider notch.
    """

    resonance_hz: float
    unloaded_q: float
    inductance_h: float

    def after(self, chain: Chain, freq_hz: Real) -> Chain:
        """See `Element`."""
        slope = 2.0 * math.pi * self.resonance_hz * self.inductance_h / REFERENCE_OHM
        detuned = freq_hz / self.resonance_hz - self.resonance_hz / freq_hz
        return _shunt(chain, 1.0 / (slope * (1.0 / self.unloaded_q + 1j * detuned)))


@dataclass(frozen=True, slots=True, kw_only=True)
class PassCavity:
    """Pass cavity with two equal loops: loop inductance, tank across the line, loop inductance.

    The tank is the resonator as the loops see it, as in `BpBrCavity`.
    """

    resonance_hz: float
    unloaded_q: float
    coupling: float
    loop_h: float

    def after(self, chain: Chain, freq_hz: Real) -> Chain:
        """See `Element`."""
        loop = (2j * math.pi * self.loop_h / REFERENCE_OHM) * freq_hz
        tank = _tank(freq_hz, self.resonance_hz, self.unloaded_q, self.coupling**2 * self.loop_h)
        return _series(_shunt(_series(chain, loop), 1.0 / tank), loop)


@dataclass(frozen=True, slots=True)
class Leg:
    """Elements in order from node ``start`` to node ``end``."""

    start: str
    end: str
    elements: tuple[Element, ...]


@dataclass(frozen=True, slots=True)
class Circuit:
    """Legs between nodes; the nodes named in ``ports`` are the connectors, the rest are inside (a tee).

    With more than one leg, each leg needs some length or series impedance: two nodes cannot be the same point.
    """

    ports: tuple[str, ...]
    legs: tuple[Leg, ...]

    def __post_init__(self) -> None:
        met = [node for leg in self.legs for node in (leg.start, leg.end)]
        lost = [port for port in self.ports if port not in met]
        if lost or not self.ports or len(set(self.ports)) < len(self.ports):
            msg = f"ports {', '.join(self.ports) or '(none)'}: each must be named once and be the end of a leg"
            raise AskedWrongError(msg, ports=self.ports, lost=lost)
        if any(leg.start == leg.end for leg in self.legs):
            msg = "a leg must join two different nodes"
            raise AskedWrongError(msg)

    def index(self, port: str) -> int:
        """Row and column of a port in the scattering matrix."""
        if port not in self.ports:
            msg = f"there is no port {port!r} (ports: {', '.join(self.ports)})"
            raise AskedWrongError(msg, port=port, ports=self.ports)
        return self.ports.index(port)

    def s(self, freq_hz: ArrayLike) -> Complex:
        """Scattering matrices, shape (n_freq, n_ports, n_ports), all ports 50 ohm, in the order of ``ports``.

        ``s[k, i, j]`` is what comes out of port i when one unit goes into port j at frequency k.
        """
        freq = np.atleast_1d(np.asarray(freq_hz, dtype=np.float64))
        if len(self.legs) == 1 and self.ports == (self.legs[0].start, self.legs[0].end):
            return cascade_s(self.legs[0].elements, freq)
        inside = sorted({node for leg in self.legs for node in (leg.start, leg.end)} - set(self.ports))
        nodes = [*self.ports, *inside]
        n, n_ports = len(nodes), len(self.ports)
        y = np.zeros((n, n, freq.size), dtype=np.complex128)
        for leg in self.legs:
            i, j = nodes.index(leg.start), nodes.index(leg.end)
            a, b, _, d = _chain(leg.elements, freq)
            through = 1.0 / b  # AD - BC = 1: every element is reciprocal
            y[i, i] += d * through
            y[j, j] += a * through
            y[i, j] -= through
            y[j, i] -= through
        for port in range(n_ports):
            y[port, port] += 1.0
        voltage = _inverse_of_symmetric(y)
        s = np.empty((freq.size, n_ports, n_ports), dtype=np.complex128)
        for i in range(n_ports):
            for j in range(n_ports):
                s[:, i, j] = 2.0 * voltage[i, j] - (1.0 if i == j else 0.0)
        return s


def _chain(elements: tuple[Element, ...], freq_hz: Real) -> Chain:
    one, nothing = np.ones(freq_hz.size, dtype=np.complex128), np.zeros(freq_hz.size, dtype=np.complex128)
    chain: Chain = (one, nothing, nothing, one)
    for element in elements:
        chain = element.after(chain, freq_hz)
    return chain


def _inverse_of_symmetric(m: Complex) -> Complex:
    """Invert (n, n, n_freq) in place by symmetric sweeps, the ports (which carry 1/50 ohm) first.

    No pivoting: a passive network's loaded nodes have conductance, and so have what elimination leaves.
    """
    n = m.shape[0]
    for k in range(n):
        pivot = 1.0 / m[k, k]
        others = [i for i in range(n) if i != k]
        scaled = {i: m[i, k] * pivot for i in others}
        for i in others:
            for j in others:
                if j >= i:
                    m[i, j] -= scaled[i] * m[j, k]
                    m[j, i] = m[i, j]
        for i in others:
            m[i, k] = m[k, i] = scaled[i]
        m[k, k] = -pivot
    np.negative(m, out=m)
    return m


def cascade_s(elements: tuple[Element, ...], freq_hz: ArrayLike) -> Complex:
    """Scattering matrices (n_freq, 2, 2) of one cascade between two 50 ohm ports."""
    freq = np.atleast_1d(np.asarray(freq_hz, dtype=np.float64))
    a, b, c, d = _chain(elements, freq)
    through = 2.0 / (a + b + c + d)
    s = np.empty((freq.size, 2, 2), dtype=np.complex128)
    s[:, 0, 0] = (a + b - c - d) * through / 2.0
    s[:, 1, 1] = (d + b - c - a) * through / 2.0
    s[:, 0, 1] = s[:, 1, 0] = through
    return s


def loss_db(s: Complex, circuit: Circuit, start: str, end: str) -> Real:
    """Loss of a path in positive dB, shape (n_freq,); the same for rejection and isolation."""
    size = np.abs(s[:, circuit.index(end), circuit.index(start)])
    return np.asarray(-20.0 * np.log10(size), dtype=np.float64)


def return_loss_db(s: Complex, circuit: Circuit, port: str) -> Real:
    """Return loss of a port, every other port loaded with 50 ohm, in positive dB, shape (n_freq,)."""
    return loss_db(s, circuit, port, port)
