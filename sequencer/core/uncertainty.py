"""Uncertainty in two ways that must agree: JCGM 100 combination and JCGM 101 Monte Carlo.

Draws are *named*: the same input of a bench (its scale error, its generator port) gets the same draws in every
result of a run, so results share what they share in truth and a joint statement for the device needs no new code.

A figure that is only known as a limit is taken **at** the limit with unknown sign (or phase): benches at their
limits exist, and a rectangular reading of the limit covers them too seldom (trade notes 12.1).
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from sequencer.core.record import Contribution
from sequencer.core.trace import FloatArray, own

__all__ = [
    "BLOCK",
    "SEED",
    "Distribution",
    "Draws",
    "End",
    "Input",
    "Propagated",
    "budget",
    "combine",
    "coverage_factor",
    "propagate",
]

ComplexArray = NDArray[np.complex128]

SEED = 101_2008  # fixed, so that judging a run again gives the same digits; any other number would do
BLOCK = 10_000  # trials a block: JCGM 101:2008 7.9.4 b, for coverages up to 0.99
_REMEMBERED = 200  # of each kind, 80 or 160 kB a block: about what two results of a run need
_PHASES = 4096  # phases are drawn from this many directions: relative error of a quantile below 1e-6
_PHASOR: ComplexArray = np.exp(2j * np.pi * (np.arange(_PHASES) + 0.5) / _PHASES)


class Distribution(StrEnum):
    """What is known of an input; `divisor` turns its value into a standard uncertainty."""

    NORMAL = "normal"  # value is the standard deviation
    RECTANGULAR = "rectangular"  # JCGM 100:2008 4.3.7
    TRIANGULAR = "triangular"  # JCGM 100:2008 4.3.9
    U_SHAPED = "U-shaped"  # a known magnitude with unknown phase: JCGM 101:2008 6.4.6 [clause from memory]
    AT_LIMIT = "at its limit, sign unknown"  # two points

    @property
    def divisor(self) -> float:
        """Value divided by this is the standard uncertainty."""
        return _DIVISOR[self]


_DIVISOR = {
    Distribution.NORMAL: 1.0,
    Distribution.RECTANGULAR: math.sqrt(3.0),
    Distribution.TRIANGULAR: math.sqrt(6.0),
    Distribution.U_SHAPED: math.sqrt(2.0),
    Distribution.AT_LIMIT: 1.0,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One input quantity of a budget: a zero-mean error of stated size, and where the size came from.

    ``value`` is the limit, amplitude or standard deviation that ``distribution`` is made from, in ``unit``;
    ``dof`` are the degrees of freedom of a normal one estimated from few readings. ``local``: drawn anew at every
    frequency (a phase, noise), so that two ends of a result do not share it.
    """

    name: str
    value: float
    distribution: Distribution
    unit: str = "dB"
    kind: str = "B"
    origin: str = "assumed"
    sensitivity: float = 1.0
    dof: float = math.inf
    local: bool = False

    @property
    def u(self) -> float:
        """Standard uncertainty it gives the result, in the result's unit."""
        return abs(self.sensitivity) * self.value / self.distribution.divisor

    @property
    def most(self) -> float:
        """As much as it can be, in its own unit: its limit, three standard deviations of a normal one."""
        return 3.0 * self.value if self.distribution is Distribution.NORMAL else self.value

    def row(self) -> Contribution:
        """Return its line of the record's budget."""
        return Contribution(
            name=self.name,
            value=float(self.value),
            unit=self.unit,
            distribution=self.distribution.value,
            divisor=self.distribution.divisor,
            sensitivity=float(self.sensitivity),
            u=float(self.u),
            kind=self.kind,
            origin=self.origin,
        )


@dataclass(frozen=True, slots=True)
class End:
    """One level that a result is made of: its name for people, its inputs, and what the result changes per dB of it."""

    name: str
    inputs: Sequence[Input]
    sensitivity: float


def budget(ends: Sequence[End]) -> tuple[Contribution, ...]:
    """Return the budget of a result made of several levels: what they share stands once, and cancels where it does.

    JCGM 100:2008 5.2.2: an input common to several levels is fully correlated between them, so its sensitivities are
    added with their signs; what is drawn anew at every level stands once for each. The rows are independent of each
    other then, and the root of the sum of their squares is the combined standard uncertainty.
    """
    common: dict[str, list[Input]] = {}
    own: list[Input] = []
    for end in ends:
        for given in end.inputs:
            there = replace(given, sensitivity=given.sensitivity * end.sensitivity)
            if given.local:
                own.append(replace(there, name=f"{given.name} ({end.name})"))
            else:
                common.setdefault(given.name, []).append(there)
    shared = []
    for same in common.values():
        largest = max(same, key=lambda each: each.value)
        effect = math.fsum(each.sensitivity * each.value for each in same)
        shared.append(replace(largest, sensitivity=effect / largest.value if largest.value else 0.0))
    return tuple(each.row() for each in (*own, *shared) if each.u > 0.0)


@dataclass(frozen=True, slots=True)
class Draws:
    """One block of trials. Every method takes the input's name and returns (n,) draws that belong to it.

    Unit draws are read-only and remembered: the results of a run share most of their inputs.
    """

    seed: int
    block: int
    n: int = BLOCK

    def rng(self, name: str) -> np.random.Generator:
        """Return the generator that belongs to this name and block."""
        return np.random.Generator(np.random.PCG64([self.seed, self.block, zlib.crc32(name.encode())]))

    def normal(self, name: str, dof: float = math.inf) -> FloatArray:
        """Unit normal; with few degrees of freedom a scaled and shifted t (JCGM 101:2008 6.4.9.2)."""
        return _normal(self, name, dof)

    def sign(self, name: str) -> FloatArray:
        """Minus or plus one."""
        return _sign(self, name)

    def phasor(self, name: str) -> ComplexArray:
        """Unit phasors of unknown phase."""
        return _phasor(self, name)

    def uniform(self, name: str) -> FloatArray:
        """Rectangular over (0, 1)."""
        return self.rng(name).random(self.n)

    def of(self, given: Input) -> FloatArray:
        """Draws of an input, in its own unit (sensitivity not applied)."""
        match given.distribution:
            case Distribution.NORMAL:
                return given.value * self.normal(given.name, given.dof)
            case Distribution.AT_LIMIT:
                return given.value * self.sign(given.name)
            case Distribution.U_SHAPED:
                return given.value * self.phasor(given.name).real
            case Distribution.RECTANGULAR:
                return given.value * (2.0 * self.uniform(given.name) - 1.0)
            case Distribution.TRIANGULAR:
                rng = self.rng(given.name)
                return given.value * (rng.random(self.n) - rng.random(self.n))


@lru_cache(maxsize=_REMEMBERED)
def _normal(draws: Draws, name: str, dof: float) -> FloatArray:
    rng = draws.rng(name)
    return own(rng.standard_normal(draws.n) if dof > 200 else rng.standard_t(max(dof, 1.0), draws.n))


@lru_cache(maxsize=_REMEMBERED)
def _sign(draws: Draws, name: str) -> FloatArray:
    return own(2.0 * draws.rng(name).integers(0, 2, draws.n, dtype=np.uint8) - 1.0)


@lru_cache(maxsize=_REMEMBERED)
def _phasor(draws: Draws, name: str) -> ComplexArray:
    drawn = _PHASOR[draws.rng(name).integers(0, _PHASES, draws.n, dtype=np.uint16)]
    drawn.setflags(write=False)
    return drawn


@dataclass(frozen=True, slots=True, eq=False)
class Propagated:
    """What a Monte Carlo gave: the trials in ascending order, how many, and whether they settled.

    ``drawn``: the same trials as they were drawn. Trial k of two results belongs to the same draws of what they
    share, so statements about several results are counted trial by trial.
    """

    ordered: FloatArray
    trials: int
    seed: int
    settled: bool
    drawn: FloatArray

    @property
    def mean(self) -> float:
        """Mean of the trials."""
        return float(np.mean(self.ordered))

    @property
    def u(self) -> float:
        """Standard uncertainty: standard deviation of the trials."""
        return float(np.std(self.ordered, ddof=1))

    def quantile(self, p: float) -> float:
        """Return the p-quantile of the trials (JCGM 101:2008 7.6: from the ordered trials)."""
        return _quantile(self.ordered, p)

    def interval(self, coverage: float) -> tuple[float, float]:
        """Return the probabilistically symmetric coverage interval (JCGM 101:2008 7.7)."""
        return self.quantile(0.5 * (1.0 - coverage)), self.quantile(0.5 * (1.0 + coverage))

    def share_within(self, low: float | None, high: float | None) -> float:
        """Return the share of trials from low to high, both ends included; None is no end."""
        first = 0 if low is None else int(np.searchsorted(self.ordered, low, side="left"))
        last = self.ordered.size if high is None else int(np.searchsorted(self.ordered, high, side="right"))
        return max(last - first, 0) / self.ordered.size


def _quantile(ordered: FloatArray, p: float) -> float:
    place = min(max(p * ordered.size - 0.5, 0.0), ordered.size - 1.0)
    lower = int(place)
    upper = min(lower + 1, ordered.size - 1)
    a, b = float(ordered[lower]), float(ordered[upper])
    if not (math.isfinite(a) and math.isfinite(b)):  # no mean of the two: the outer one
        return a if p < 0.5 else b
    return a + (place - lower) * (b - a)


def propagate(
    model: Callable[[Draws], FloatArray],
    *,
    coverage: float = 0.95,
    seed: int = SEED,
    digits: int = 1,
    block: int = BLOCK,
    most_blocks: int = 10,
) -> Propagated:
    """Run the model in blocks of trials until its interval has settled (JCGM 101:2008 7.9.4, adaptive procedure).

    Parameters
    ----------
    model : takes a block of `Draws`, returns (n,) values of the result; infinite values are allowed in the tails.
    digits : significant digits of the standard uncertainty that must be stable: the tolerance is half a unit of
        the last of them (7.9.2).
    most_blocks : the procedure stops here even if not settled; the returned value says so.
    """
    raw: list[FloatArray] = []
    parts: list[FloatArray] = []
    ends: list[tuple[float, float]] = []
    settled = False
    while len(parts) < most_blocks and not settled:
        raw.append(np.asarray(model(Draws(seed, len(parts), block)), dtype=np.float64))
        part = np.sort(raw[-1])
        parts.append(part)
        ends.append((_quantile(part, 0.5 * (1 - coverage)), _quantile(part, 0.5 * (1 + coverage))))
        if len(parts) > 1:
            settled = _settled(np.asarray(ends), parts, digits)
    ordered = np.sort(np.concatenate(parts), kind="stable")  # merges the sorted parts
    return Propagated(own(ordered), ordered.size, seed, settled, np.concatenate(raw))


def _settled(ends: FloatArray, parts: Sequence[FloatArray], digits: int) -> bool:
    finite = ends[:, np.all(np.isfinite(ends), axis=0)]
    inner = np.concatenate([part[np.isfinite(part)] for part in parts])
    u = float(np.std(inner)) if inner.size else 0.0
    if u == 0.0 or finite.size == 0:
        return True
    tolerance = 0.5 * 10.0 ** (math.floor(math.log10(u)) - digits + 1)
    scatter = np.std(finite, axis=0, ddof=1) / math.sqrt(finite.shape[0])
    return bool(np.all(2.0 * scatter <= tolerance))


def combine(u: Sequence[float]) -> float:
    """Return the combined standard uncertainty of independent contributions (JCGM 100:2008 5.1.2 eq. 10).

    Examples
    --------
    >>> round(combine([25.0, 9.7, 2.9, 16.6]), 2)
    31.67
    """
    return math.sqrt(math.fsum(each * each for each in u))


def coverage_factor(dof: float, coverage: float = 0.95) -> float:
    """Return t_p(nu): the two-sided factor of Student's distribution (JCGM 100:2008 table G.2).

    Source: the distribution function is the integral of cos^(nu-1) with t = sqrt(nu) tan(angle); found by bisection.
    """
    if not math.isfinite(dof):
        return NormalDist().inv_cdf(0.5 * (1.0 + coverage))
    angle = np.linspace(0.0, 0.5 * np.pi, 20_001)
    density = np.cos(angle) ** (dof - 1.0)
    inside = np.concatenate(([0.0], np.cumsum(0.5 * (density[1:] + density[:-1]))))
    return math.sqrt(dof) * math.tan(float(np.interp(coverage, inside / inside[-1], angle)))
