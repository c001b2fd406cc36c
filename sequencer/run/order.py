"""The order of hookups in which a person touches the fewest connectors.

A hookup is a set of joints (connector, what is on it). Going from one to the next undoes the joints that
stand only in the first and makes those that stand only in the second: each is one touch. The order is the
shortest path through the hookups (exact dynamic programming over subsets; a device has at most five ports).
"""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.core.hookup import Hookup, HookupKind

__all__ = ["joints", "least_touches", "touches"]

_MOST_EXACT = 11  # 2^11 subsets x 11 ends is a blink; beyond that the order given is kept


def joints(hookup: Hookup) -> frozenset[tuple[str, str]]:
    """Return the joints of a hookup; equal loads are interchangeable."""
    loads = {(port, "load") for port in hookup.loads}
    if hookup.kind is HookupKind.THRU:
        return frozenset({("generator lead", "analyzer lead")})
    if hookup.kind is HookupKind.FLOOR:
        return frozenset({("generator lead", "load"), ("analyzer lead", "load")})
    if hookup.kind is HookupKind.PATH:
        ends = {("generator lead", str(hookup.generator)), ("analyzer lead", str(hookup.analyzer))}
        return frozenset(ends | loads)
    if hookup.kind is HookupKind.STANDARD:
        return frozenset({("generator lead", str(hookup.standard)), ("analyzer lead", str(hookup.standard))})
    bridge = {("generator lead", "bridge in"), ("analyzer lead", "bridge out")}
    return frozenset(bridge | {("bridge test port", str(hookup.test_port))} | loads)


def touches(before: Hookup | None, after: Hookup) -> int:
    """Return how many joints are undone and made between two hookups."""
    return len((joints(before) if before else frozenset()) ^ joints(after))


def least_touches(
    hookups: Sequence[Hookup],
    *,
    before: Hookup | None = None,
    after: Hookup | None = None,
    first: Sequence[str] = (),
) -> tuple[Hookup, ...]:
    """Return the hookups in an order of fewest touches.

    Parameters
    ----------
    before, after : what stands before the first and is made after the last, if anything.
    first : names that must precede all others (the bridge's open and short before any port).
    """
    count = len(hookups)
    if count < 2 or count > _MOST_EXACT:
        return tuple(hookups)
    early = {n for n, hookup in enumerate(hookups) if hookup.name in first}
    cost = [[touches(a, b) for b in hookups] for a in hookups]
    best: dict[tuple[int, int], tuple[int, tuple[int, ...]]] = {}
    for n in range(count):
        if not early or n in early:
            best[1 << n, n] = (touches(before, hookups[n]) if before else len(joints(hookups[n])), (n,))
    for _ in range(count - 1):
        grown: dict[tuple[int, int], tuple[int, tuple[int, ...]]] = {}
        for (seen, end), (so_far, path) in best.items():
            for n in range(count):
                if seen >> n & 1 or (n not in early and any(not seen >> e & 1 for e in early)):
                    continue
                state = (seen | 1 << n, n)
                candidate = (so_far + cost[end][n], (*path, n))
                if state not in grown or candidate < grown[state]:
                    grown[state] = candidate
        best = grown
    whole = [(total + (touches(hookups[end], after) if after else 0), path) for (_, end), (total, path) in best.items()]
    return tuple(hookups[n] for n in min(whole)[1])
