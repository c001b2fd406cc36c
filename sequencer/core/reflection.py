"""A port's reflection through a directional bridge: the interval in |G| first, decibels after.

One-port model with tracking removed: ``G = (Gm - D) / (1 + S (Gm - D))`` (EURAMET cg-12), D directivity, S source
match of the test port, all phases unknown. The reference is the mean of open and short in linear magnitude.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sequencer.core.trace import FloatArray, own
from sequencer.core.uncertainty import ComplexArray, Distribution, Draws, Input

__all__ = ["PortReflection", "ReturnLoss", "limits", "linear_reference"]

_DB = 20.0 / math.log(10.0)  # dB per relative change of an amplitude: 8.686


def linear_reference(open_amplitude: FloatArray, short_amplitude: FloatArray) -> FloatArray:
    """Return the full-reflection reference: open and short averaged as linear magnitudes (trade notes 2.2)."""
    result: FloatArray = 0.5 * (np.asarray(open_amplitude) + np.asarray(short_amplitude))
    return result


def limits(measured: float, directivity: float, source: float = 0.0) -> tuple[float, float]:
    """Return the least and greatest |G| for a measured one, over all phases (trade notes 2.3; least not below 0).

    Examples
    --------
    >>> [round(-20 * math.log10(x), 2) for x in limits(0.1, 0.01)]
    [20.92, 19.17]
    """
    least = (measured - directivity) / (1.0 + source * (measured - directivity))
    most = (measured + directivity) / (1.0 - source * (measured + directivity))
    return max(least, 0.0), most


@dataclass(frozen=True, slots=True, kw_only=True)
class PortReflection:
    """What is known of |G| of one port at one frequency; amplitudes are linear.

    ``where`` names the draws ('ANT 146610000'). ``measured`` is |Gm|, device over reference. ``gains`` are errors of
    that ratio in dB (scale, drift, connection, noise). ``loads`` are the changes of G, by name, that imperfect loads
    on the device's other ports can make.
    """

    where: str
    measured: float
    directivity: Input
    test_port: Input
    gains: tuple[Input, ...] = ()
    loads: tuple[Input, ...] = ()

    @property
    def unresolved(self) -> float:
        """The amplitude that adds to the reading with unknown phase, root sum of squares of its parts."""
        return math.hypot(self.directivity.value, *(load.value for load in self.loads))

    def draw(self, draws: Draws) -> FloatArray:
        """Return (n,) draws of the true |G| with perfect loads on the other ports, at most 1."""
        return _drawn(self, draws.seed, draws.block, draws.n)

    def _draw(self, draws: Draws) -> FloatArray:
        level = self.measured * 10.0 ** (sum((draws.of(gain) for gain in self.gains), np.zeros(draws.n)) / 20.0)
        d: ComplexArray = self.directivity.value * draws.phasor(f"directivity {self.where}")
        s: ComplexArray = self.test_port.value * draws.phasor(f"test port {self.where}")
        reference = 0.5 * (np.abs(d + 1.0 / (1.0 - s)) + np.abs(d - 1.0 / (1.0 + s)))
        off = level * reference * draws.phasor(f"reflection {self.where}") - d
        g = off / (1.0 + s * off)
        for load in self.loads:
            g = g + load.value * draws.phasor(f"{load.name} {self.where}")
        return own(_passive(np.abs(g)))

    def inputs(self) -> tuple[Input, ...]:
        """Return the budget of the return loss in dB, first order: amplitudes add to Gm in unknown phase."""
        per = _DB / max(self.measured, 1e-6)
        amplitudes = [
            _resized(self.directivity, per),
            # S acts on G^2 in the measurement; on the reference only in second order
            _resized(self.test_port, _DB * self.measured),
            *(_resized(load, per) for load in self.loads),
        ]
        return (*self.gains, *amplitudes)


@lru_cache(maxsize=64)  # every path of a run asks for its two ports again
def _drawn(port: PortReflection, seed: int, block: int, n: int) -> FloatArray:
    return port._draw(Draws(seed, block, n))


def _passive(size: FloatArray) -> FloatArray:
    """No port gives back more than it gets: draws that would are replaced by others that this reading leaves."""
    over = size > 1.0
    kept = size[~over]
    if kept.size == size.size:
        return size
    if kept.size < 100:  # a reading that the figures do not explain; the evaluation warns of it
        return np.minimum(size, 1.0)
    possible = size.copy()
    possible[over] = np.resize(kept, size.size - kept.size)
    return possible


def _resized(given: Input, sensitivity: float) -> Input:
    return Input(
        name=given.name,
        value=given.value,
        unit="1",
        distribution=Distribution.U_SHAPED,
        kind=given.kind,
        origin=given.origin,
        sensitivity=sensitivity,
        local=True,
    )


@dataclass(frozen=True, slots=True)
class ReturnLoss:
    """The same in dB, as a level that quantities can be read from."""

    port: PortReflection

    @property
    def nominal_db(self) -> float:
        """The reading as a return loss, dB."""
        return -20.0 * math.log10(self.port.measured)

    @property
    def unresolved(self) -> float:
        """Amplitude that adds with unknown phase (directivity, loads) over that of the reading."""
        return self.port.unresolved / self.port.measured

    def draw(self, draws: Draws) -> FloatArray:
        """Return (n,) draws of the true return loss, dB."""
        return np.asarray(-20.0 * np.log10(np.maximum(self.port.draw(draws), 1e-15)))  # 300 dB: no reflection at all

    def inputs(self) -> tuple[Input, ...]:
        """Return the budget in dB."""
        return self.port.inputs()
