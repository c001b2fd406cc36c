"""Draws of the error of each run's value, joint over runs and quantities: what is shared is drawn once.

A budget line becomes an error by its distribution; amplitudes of unknown phase add as vectors, so that a difference
near the floor is as lopsided as the results are. Runs that share a contribution get the same draws of it, quantities
that share one (scale, references, drift, one hookup's connection) get the same too, so that one statement for all of
them needs no assumption of independence.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from sequencer.core.record import Contribution, Record, Result, Statement
from sequencer.core.trace import FloatArray
from sequencer.core.uncertainty import BLOCK, SEED, Distribution, Draws, Input
from sequencer.studies.sharing import Sharing, sharing

__all__ = ["Family", "ends", "has_value", "in_doubt", "standing"]

_DB = 20.0 / math.log(10.0)
_BLOCKS = 5  # 50,000 trials: the share beyond a 5 % point is known to 0.1 % (one standard deviation)
_OF_BENCH = ("scale", "attenuator", "reference", "RBW", "frequency", "span", "drift", "connection", "noise of the thru")


def has_value(result: Result) -> bool:
    """Whether a result has a value and both ends of its interval, so that an E_n can be made of it."""
    low, high = result.interval
    return result.value is not None and result.bound is None and low is not None and high is not None


def in_doubt(result: Result) -> bool:
    """Whether a result with a value is undecided because something speaks against it.

    Then its interval holds no limit; or it reaches from loss as far into gain, as with a thru of another day.
    """
    low, high = result.interval
    limits = [end for end in (result.limit.min, result.limit.max) if end is not None]
    if result.statement is not Statement.UNDECIDED or not has_value(result) or low is None or high is None:
        return False
    if result.unit == "dB" and low < -abs(result.value or 0.0):
        return True
    return bool(limits) and not any(low <= end <= high for end in limits)


class Family:
    """Errors of the same quantities in several runs, drawn together.

    Parameters
    ----------
    records : the runs; each quantity is compared only in those that have a value for it.
    device : False where the device itself was changed between the runs on purpose.
    """

    def __init__(self, records: Sequence[Record], *, device: bool = True, seed: int = SEED) -> None:
        self.records, self._seed = tuple(records), seed
        self._pairs: dict[tuple[int, int], Sharing] = {}
        self._device = device

    def pair(self, first: int, second: int) -> Sharing:
        """Return what two runs share."""
        if (first, second) not in self._pairs:
            self._pairs[first, second] = sharing(self.records[first], self.records[second], device=self._device)
        return self._pairs[first, second]

    def errors(self, results: Sequence[Result | None]) -> list[FloatArray | None]:
        """Return (n,) draws of each run's error of one quantity; None where the run has no value."""
        blocks: list[list[FloatArray]] = [[] for _ in results]
        for block in range(_BLOCKS):
            draws = Draws(self._seed, block, BLOCK)
            for number, result in enumerate(results):
                if result is not None and has_value(result):
                    blocks[number].append(self._one(draws, results, number))
        return [np.concatenate(parts) if parts else None for parts in blocks]

    def own_errors(self, number: int, result: Result) -> FloatArray:
        """Return (n,) draws of one run's error by itself, of a bound or an open interval too: nothing is shared."""
        alone: list[Result | None] = [None] * number + [result]
        return np.concatenate([self._one(Draws(self._seed, block, BLOCK), alone, number) for block in range(_BLOCKS)])

    def _one(self, draws: Draws, results: Sequence[Result | None], number: int) -> FloatArray:
        result = results[number]
        assert result is not None
        total = np.zeros(draws.n)
        vector = np.ones(draws.n, dtype=np.complex128)
        for row in result.budget:
            owner = self._owner(row, results, number)
            name = _name(row, result, owner)
            if row.name.startswith("scale fidelity") and result.unit == "dB":
                total = total + self._scale(draws, row, results, number, owner, name)
            elif _is_vector(row, result):
                vector = vector + row.value * abs(row.sensitivity) / _DB * draws.phasor(name)
            else:
                total = total + row.sensitivity * draws.of(_input(row, name))
        if np.all(vector == 1.0):
            return total
        return np.asarray(total + _DB * np.log(np.maximum(np.abs(vector), 1e-6)))

    def _owner(self, row: Contribution, results: Sequence[Result | None], number: int) -> int:
        """Return the first run that has the very same error: its number names the draws."""
        result = results[number]
        assert result is not None
        for earlier in range(number):
            other = results[earlier]
            if other is None or not has_value(other) or row.name not in {line.name for line in other.budget}:
                continue
            if self.pair(earlier, number).cancels(row.name, result):
                return earlier
        return number

    def _scale(
        self,
        draws: Draws,
        row: Contribution,
        results: Sequence[Result | None],
        number: int,
        owner: int,
        name: str,
    ) -> FloatArray:
        """Error of the scale; of a shared one, the first run's and what the slope adds from its reading to this."""
        result, first = results[number], results[owner]
        assert result is not None
        assert first is not None
        theirs = _row_of(first, row.name)
        common = theirs.sensitivity * draws.of(_input(theirs, name))
        if owner == number:
            return common
        per_db = self.pair(owner, number).scale_per_db()
        if per_db is None:  # only a figure for the whole range is stated: nothing is known of two places on it
            return row.sensitivity * draws.of(_input(row, f"{name} run {number}"))
        assert result.value is not None
        assert first.value is not None
        apart = min(per_db * abs(result.value - first.value), 2.0 * row.u)
        return np.asarray(common + apart * draws.sign(f"{name} slope"))


def _row_of(result: Result, name: str) -> Contribution:
    """Return the budget line of a name."""
    return next(row for row in result.budget if row.name == name)


def ends(errors: FloatArray, coverage: float = 0.95) -> tuple[float, float]:
    """Return the quantiles that hold the middle share of the draws."""
    low, high = np.quantile(errors, (0.5 - 0.5 * coverage, 0.5 + 0.5 * coverage))
    return float(low), float(high)


def standing(errors: FloatArray, coverage: float = 0.95) -> Callable[[FloatArray | float], FloatArray]:
    """Return the function that turns a difference into |E_n|: over the end of the interval it stands towards.

    A difference without any error that could explain it stands at infinity.
    """
    low, high = ends(errors, coverage)

    def of(difference: FloatArray | float) -> FloatArray:
        d = np.asarray(difference, dtype=np.float64)
        allowed = np.where(d >= 0.0, high, -low)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(d == 0.0, 0.0, np.abs(d) / np.maximum(allowed, 0.0))

    return of


def _name(row: Contribution, result: Result, owner: int) -> str:
    """Name the draws: errors of the bench are one for all quantities, others belong to their own."""
    own = "" if row.name.startswith(_OF_BENCH) else result.id
    return f"{owner} {row.name} {own}"


def _is_vector(row: Contribution, result: Result) -> bool:
    return row.unit == "1" and row.distribution == Distribution.U_SHAPED.value and result.unit == "dB"


def _input(row: Contribution, name: str) -> Input:
    try:
        return Input(name=name, value=row.value, distribution=Distribution(row.distribution))
    except ValueError:  # a distribution of a later version: its standard uncertainty is what we know
        return Input(name=name, value=row.value / row.divisor, distribution=Distribution.NORMAL)
