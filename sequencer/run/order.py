"""The order of hookups in which a person touches the fewest joints, and which load goes where in it; pure.

The search knows the joints that `joints` carries from hookup to hookup, with the loads that stay on an idle device.
It goes best first, with a bound on what is left (`outlook`), so the first whole order it meets is the least. Every
path of a device with five ports, both ways, takes some hundred looks. Beyond `MOST_LOOKED_AT` it goes on with the
best beginning it has, and ``over`` says how far from the least that may be.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from heapq import heappop, heappush
from itertools import combinations

from sequencer.core.hookup import Hookup
from sequencer.recipe.model import Bench
from sequencer.run.fittings import loads_listed
from sequencer.run.joints import FREE, LOAD, Joint, Joints, carried, required
from sequencer.run.outlook import Outlook

__all__ = ["MOST_LOOKED_AT", "Order", "least_touches"]

MOST_LOOKED_AT = 10_000  # beginnings of an order; about a second


@dataclass(frozen=True, slots=True)
class Order:
    """Hookups in order, each with its loads by number; from free leads to the last of them ``touches`` touches.

    No order can do with more than ``over`` fewer; 0: this is the least.
    """

    hookups: tuple[Hookup, ...]
    touches: int
    over: int = 0


def least_touches(stages: Sequence[Sequence[Hookup]], bench: Bench | None, most: int = MOST_LOOKED_AT) -> Order:
    """Return the hookups in an order of fewest touches by hand; among equals, the one nearest to that given.

    Parameters
    ----------
    stages : one after the other; within a stage the order is free.
    bench : its kit says how many loads there are; fewer than a hookup needs are taken for as many as it needs.
    most : how many beginnings of an order to look at before one is gone on with.
    """
    hookups = tuple(hookup for stage in stages for hookup in stage)
    needs = tuple(_any_load(required(hookup, bench)) for hookup in hookups)
    pool = max([loads_listed(bench), *(_loads(need) for need in needs)], default=0)
    best = _best(hookups, needs, tuple(n for n, stage in enumerate(stages) for _ in stage), pool, most)
    return Order(_numbered([hookups[n] for n in best.path], best.states), best.touches, best.least_over)


@lru_cache(maxsize=8)  # a run plans anew whenever it learns something, mostly the same hookups
def _best(
    hookups: tuple[Hookup, ...], needs: tuple[Joints, ...], stage: tuple[int, ...], pool: int, most: int
) -> _Begun:
    return _Search(hookups, needs, stage, pool).best(most)


@dataclass(order=True, slots=True)
class _Begun:
    """The beginning of an order: ``path`` of hookups, the joints after each, and the least the whole can come to."""

    least: int
    path: tuple[int, ...]
    touches: int
    states: tuple[Joints, ...] = field(compare=False)
    least_over: int = 0


class _Search:
    def __init__(self, hookups: Sequence[Hookup], needs: Sequence[Joints], stage: Sequence[int], pool: int) -> None:
        self.needs, self.stage, self.pool = needs, stage, pool
        self.steps: dict[tuple[Joints, int], list[Joints]] = {}
        self.outlook = Outlook(hookups, needs, stage, self._after)

    def best(self, most: int) -> _Begun:
        """Return the least order, or after so much looking a good one."""
        queue = [_Begun(self.outlook.at_least((), FREE), (), 0, (FREE,))]
        seen: set[tuple[frozenset[int], Joints]] = set()
        deepest = queue[0]
        while True:
            at = heappop(queue)
            if len(at.path) == len(self.needs):
                return at
            state = (frozenset(at.path), at.states[-1])
            if state in seen:
                continue
            seen.add(state)
            deepest = max(deepest, at, key=lambda begun: len(begun.path))
            if len(seen) > most:
                return self._step_by_step(deepest, at.least)
            for further in self._further(at):
                heappush(queue, further)

    def _step_by_step(self, at: _Begun, least: int) -> _Begun:
        while len(at.path) < len(self.needs):
            at = min(self._further(at), key=lambda further: (further.least, further.path))
        at.least_over = at.touches - least
        return at

    def _further(self, at: _Begun) -> Iterator[_Begun]:
        left = [n for n in range(len(self.needs)) if n not in at.path]
        now = at.states[-1]
        for n in left:
            if self.stage[n] != self.stage[left[0]]:
                continue
            for after in self._after(now, n):
                path, touches = (*at.path, n), at.touches + len(now ^ after)
                least = touches + self.outlook.at_least(path, after)
                yield _Begun(least, path, touches, (*at.states, after))

    def _after(self, now: Joints, n: int) -> list[Joints]:
        """Return what may stand after a hookup; where the loads run out, one that idles must come off: each in turn."""
        if (now, n) not in self.steps:
            most = carried(now, self.needs[n])
            idle = sorted(joint for joint in most - self.needs[n] if joint.item == LOAD)
            lacking = max(_loads(most) - self.pool, 0)
            self.steps[now, n] = [most - set(taken) for taken in combinations(idle, lacking)]
        return self.steps[now, n]


def _any_load(joints: Sequence[Joint]) -> Joints:
    return frozenset(Joint(LOAD, joint.place) if joint.load else joint for joint in joints)


def _loads(joints: Joints) -> int:
    return sum(joint.item == LOAD for joint in joints)


def _numbered(hookups: Sequence[Hookup], states: Sequence[Joints]) -> tuple[Hookup, ...]:
    """Say which load is which: one that comes off goes where one is wanted, before another is fetched."""
    at: dict[str, int] = {}
    numbered = []
    for hookup, state in zip(hookups, states[1:], strict=True):
        carrying = {joint.place for joint in state if joint.item == LOAD}
        off = [at.pop(place) for place in sorted(set(at) - carrying)]
        others = [number for number in range(1, len(carrying) + len(off) + 1) if number not in (*off, *at.values())]
        spare = iter(off + others)
        for place in (*hookup.loads, *sorted(carrying)):
            if place not in at:
                at[place] = next(spare)
        numbered.append(replace(hookup, load_numbers=tuple(at[place] for place in hookup.loads)))
    return tuple(numbered)
