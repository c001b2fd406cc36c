"""The least that the rest of an order can cost, whichever hookups come next; pure.

Hookups that ask alike of the bench (all paths; all ports of the bridge) are taken for one, and of loads that idle only
their number is kept. What is left is small enough to be solved whole, and it never costs more than the real thing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import combinations

from sequencer.core.hookup import Hookup
from sequencer.run.joints import FREE, LOAD, Joints

__all__ = ["Outlook"]


Idle = tuple[int, Joints]  # how many loads idle, and what else does
Like = tuple[int, str, int]  # stage, kind, how many joints: sorts by stage


class Outlook:
    """What is left to pay, at the least.

    Parameters
    ----------
    needs : the joints of each hookup; any load is `LOAD`.
    stage : of each hookup, counted from 0 in order.
    steps : all that may stand after a hookup (its number) is made of what stands.
    """

    def __init__(
        self,
        hookups: Sequence[Hookup],
        needs: Sequence[Joints],
        stage: Sequence[int],
        steps: Callable[[Joints, int], Sequence[Joints]],
    ) -> None:
        self._needs, self._stage, self._steps = needs, stage, steps
        self._like = [(stage[n], str(hookup.kind), len(needs[n])) for n, hookup in enumerate(hookups)]
        self._likes = sorted(set(self._like))
        self._rest: dict[tuple[tuple[int, ...], Like | None, Idle], int] = {}
        self._tables: dict[tuple[Like | None, Idle, Like], dict[Idle, int]] = {}

    def at_least(self, made: Sequence[int], now: Joints) -> int:
        """Bound the touches that are still to come after the hookups ``made``, where ``now`` stands."""
        done = [self._like[n] for n in made]
        left = tuple(self._like.count(like) - done.count(like) for like in self._likes)
        idle = _idle(now - self._needs[made[-1]]) if made else (0, FREE)
        return self._least(left, done[-1] if done else None, idle)

    def _least(self, left: tuple[int, ...], last: Like | None, idle: Idle) -> int:
        if not any(left):
            return 0
        if (left, last, idle) not in self._rest:
            stage = next(like[0] for like, count in zip(self._likes, left, strict=True) if count)
            self._rest[left, last, idle] = min(
                cost + self._least(tuple(c - (k == number) for k, c in enumerate(left)), like, after)
                for number, like in enumerate(self._likes)
                if left[number] and like[0] == stage
                for after, cost in self._table(last, idle, like).items()
            )
        return self._rest[left, last, idle]

    def _table(self, last: Like | None, idle: Idle, to: Like) -> dict[Idle, int]:
        """Return what may idle after a hookup like ``to``, and the least touches that this costs."""
        if (last, idle, to) not in self._tables:
            found: dict[Idle, int] = {}
            for came, now in self._standing(last, idle):
                for n, like in enumerate(self._like):
                    for after in self._steps(now, n) if like == to and n != came else ():
                        key, cost = _idle(after - self._needs[n]), len(now ^ after)
                        found[key] = min(found.get(key, cost), cost)
            self._tables[last, idle, to] = found
        return self._tables[last, idle, to]

    def _standing(self, last: Like | None, idle: Idle) -> Iterator[tuple[int, Joints]]:
        """Yield every hookup like ``last`` with every choice of so many idle loads."""
        if last is None:
            yield -1, FREE
        for n, like in enumerate(self._like):
            if like != last:
                continue
            taken = {end for joint in self._needs[n] | idle[1] for end in joint.ends}
            loads = sorted(
                {
                    joint
                    for m, need in enumerate(self._needs)
                    for joint in need
                    if joint.item == LOAD and self._stage[m] <= like[0] and joint.place not in taken
                }
            )
            for chosen in combinations(loads, idle[0]):
                yield n, self._needs[n] | idle[1] | frozenset(chosen)


def _idle(joints: Joints) -> Idle:
    others = frozenset(joint for joint in joints if joint.item != LOAD)
    return len(joints) - len(others), others
