"""What a bound or an open interval proves of a change: in one direction, that it is at least so large.

A true value lies above the low end that is stated of it and below the high end. So where the low end in one run lies
above the high end in the other, the quantity changed, and by how much at least is known, though there is no E_n of it.
The interval of that change is made of the stated ends. What the runs share moves both alike; of what they do not share
both ends must miss together, or one by far: less than 5 % for the budgets of a run (a test draws them).

For the statement on all quantities the ends are first moved outwards to the family's critical factor, which an E_n has
to pass too: a closed end stands at 1 of its own half-interval, the end of a bound, which leaves out 5 % and not 2.5 %,
at 1.645/1.96 of it; and no end moves farther than its errors reach at all. `Sided.standing` is the factor at which two
readings of an unchanged device would just not prove a change, draw by draw; it counts in the largest, of which the
factor is the 95 % point. So an unchanged device is called changed in 5 % of comparisons, and more seldom where the runs
share errors: here nothing is taken off for what cancels. Since both halves are added, not squared, a change has to be
greater than one with an E_n, and never does a proven one rest on ends that meet. A bound that noise made is
kept on the safe side: its budget is of first order, 4.34 dB (z/1.645 - 1) where the true end moves 10 log(z/1.645) dB.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from sequencer.core.record import Result
from sequencer.core.trace import FloatArray
from sequencer.studies.differences import ends

__all__ = ["End", "Sided", "high_end", "lie_apart", "low_end", "meeting", "sided"]

_TWO_SIDED = NormalDist().inv_cdf(0.975)


@dataclass(frozen=True, slots=True, eq=False)
class End:
    """An end of a result's interval, in the result's unit; ``outwards`` are (n,) draws of how far it may miss.

    ``half`` is the half-interval of the errors on that side, ``stated`` how much of it the stated end has taken.
    """

    at: float
    sign: float
    half: float
    stated: float
    outwards: FloatArray

    def reach(self, factor: float) -> float:
        """Return how far off the reading the end stands when its half-interval counts ``factor`` times."""
        return min(factor * self.half, self.most)

    def moved(self, factor: float) -> float:
        """Return where the end stands then; never inside the stated one."""
        return self.at + self.sign * max(self.reach(factor) - self.stated * self.half, 0.0)

    @property
    def most(self) -> float:
        """How far its errors reach."""
        return max(float(np.max(self.outwards)), 0.0)


def low_end(result: Result, errors: FloatArray) -> End | None:
    """Return the low end; ``errors`` are (n,) draws of reading minus true value."""
    return _end(result, result.interval[0], errors, -1.0)


def high_end(result: Result, errors: FloatArray) -> End | None:
    """Return the high end."""
    return _end(result, result.interval[1], -errors, 1.0)


def _end(result: Result, at: float | None, outwards: FloatArray, sign: float) -> End | None:
    if at is None:
        return None
    one_sided = None in result.interval
    covered = NormalDist().inv_cdf(result.coverage if one_sided else 0.5 * (1.0 + result.coverage))
    half = max(ends(outwards)[1], 0.0)
    return End(at=at, sign=sign, half=half, stated=covered / _TWO_SIDED, outwards=outwards)


@dataclass(frozen=True, slots=True, eq=False)
class Sided:
    """A change of which one direction is open: each pair is the end that would lie above and the one below it."""

    fell: tuple[End, End] | None  # low end before, high end now
    rose: tuple[End, End] | None  # low end now, high end before

    @property
    def interval(self) -> tuple[float | None, float | None]:
        """Return what is known of the change, now minus before, by the stated ends."""
        least = None if self.rose is None else self.rose[0].at - self.rose[1].at
        most = None if self.fell is None else self.fell[1].at - self.fell[0].at
        return least, most

    def standing(self) -> FloatArray:
        """Return (n,) draws of the factor that keeps an unchanged device from being called changed."""
        pairs = [pair for pair in (self.fell, self.rose) if pair is not None]
        return np.asarray(np.max([meeting(*pair) for pair in pairs], axis=0), dtype=np.float64)

    def proven(self, factor: float) -> bool:
        """Whether the ends of one direction lie apart by the factor."""
        return any(lie_apart(*pair, factor) for pair in (self.fell, self.rose) if pair is not None)


def meeting(above: End, below: End) -> FloatArray:
    """Return (n,) draws of the factor at which the two ends, both moved, would just meet."""
    knots = sorted({0.0, *(end.most / end.half for end in (above, below) if end.half > 0.0)})
    reached = [above.reach(knot) + below.reach(knot) for knot in knots]
    return np.asarray(np.interp(above.outwards + below.outwards, reached, knots), dtype=np.float64)


def sided(before: Result, after: Result, errors: tuple[FloatArray, FloatArray]) -> Sided | None:
    """Return what is known of a change of which not all four ends are; None where no direction can be told.

    ``errors`` are each run's own draws, nothing shared.
    """
    first = low_end(before, errors[0]), high_end(before, errors[0])
    second = low_end(after, errors[1]), high_end(after, errors[1])
    fell = None if first[0] is None or second[1] is None else (first[0], second[1])
    rose = None if second[0] is None or first[1] is None else (second[0], first[1])
    return None if fell is None and rose is None else Sided(fell, rose)


def lie_apart(above: End, below: End, factor: float) -> bool:
    """Whether the ends lie apart when each half-interval counts ``factor`` times, at least once."""
    return above.moved(max(factor, 1.0)) > below.moved(max(factor, 1.0))
