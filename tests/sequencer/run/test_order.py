"""The order of hookups touches the fewest joints: held against every order there is, by a second model of the bench."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import combinations, permutations, product

import pytest

from sequencer.core.hookup import Hookup, HookupKind
from sequencer.recipe.model import AnalyzerFile, Bench, KitItem
from sequencer.run.joints import touches_of
from sequencer.run.order import least_touches

PORTS = ("TX", "RX", "ANT")
THRU = Hookup(name="thru", kind=HookupKind.THRU)
FLOOR = Hookup(name="floor", kind=HookupKind.FLOOR, loads=("generator lead", "analyzer lead"))
STANDARD = Hookup(name="standard-S3", kind=HookupKind.STANDARD, standard="S3")


def path(a: str, b: str, ports: tuple[str, ...] = PORTS) -> Hookup:
    loads = tuple(p for p in ports if p not in (a, b))
    return Hookup(name=f"{a}-{b}", kind=HookupKind.PATH, generator=a, analyzer=b, loads=loads)


def reflect(what: str, ports: tuple[str, ...] = PORTS) -> Hookup:
    loads = tuple(p for p in ports if p != what) if what in ports else ()
    return Hookup(name=f"reflect-{what}", kind=HookupKind.REFLECT, test_port=what, loads=loads)


def kit(loads: int, *, adapter: bool = False) -> Bench:
    items = [KitItem(id=f"L{n}", what="load") for n in range(loads)]
    if adapter:
        items += [KitItem(id=f"G{n}", what="lead", ends=("plug", "plug")) for n in range(2)]
        items.append(KitItem(id="A", what="adapter", ends=("socket", "socket")))
    return Bench(analyzer=AnalyzerFile(resource="x"), kit=tuple(items))


# ---- a second model: what is screwed to what as a set of pairs; loads are only counted ---------------------------

Pairs = frozenset[tuple[str, str]]


def pairs(hookup: Hookup, adapter: bool) -> Pairs:
    """Written down anew from the definitions of the hookups, not taken from the planner."""
    loads = {(where, "~") for where in hookup.loads}
    if hookup.kind is HookupKind.THRU:
        through = (
            {("generator lead", "a1"), ("analyzer lead", "a2")} if adapter else {("analyzer lead", "generator lead")}
        )
        return frozenset(through)
    if hookup.kind is HookupKind.STANDARD:
        return frozenset({("generator lead", "s1"), ("analyzer lead", "s2")})
    if hookup.kind is HookupKind.PATH:
        return frozenset({("generator lead", hookup.generator), ("analyzer lead", hookup.analyzer)} | loads)
    if hookup.kind is HookupKind.REFLECT:
        return frozenset({("generator lead", "in"), ("analyzer lead", "out"), ("test", hookup.test_port)} | loads)
    return frozenset(loads)


def may_stand(need: Pairs, before: Pairs, loads: int) -> Iterator[Pairs]:
    """Every choice of what is left of ``before`` while ``need`` stands, however foolish."""
    taken = {end for pair in need for end in pair if end != "~"}
    could = [pair for pair in before - need if not taken & set(pair)]
    for size in range(len(could) + 1):
        for kept in combinations(could, size):
            standing = need | frozenset(kept)
            if sum("~" in pair for pair in standing) <= loads:
                yield standing


def cheapest(hookups: Iterable[Hookup], loads: int, *, adapter: bool) -> int:
    """The fewest joints opened and closed for hookups in this order, over every way of leaving things."""
    best: dict[Pairs, int] = {frozenset(): 0}
    for hookup in hookups:
        need = pairs(hookup, adapter)
        grown: dict[Pairs, int] = {}
        for before, cost in best.items():
            for after in may_stand(need, before, loads):
                grown[after] = min(grown.get(after, 10**9), cost + len(before ^ after))
        best = grown
    return min(best.values())


def orders(stages: list[list[Hookup]]) -> Iterator[list[Hookup]]:
    for choice in product(*(permutations(stage) for stage in stages)):
        yield [hookup for stage in choice for hookup in stage]


RING = ("TX", "RX", "ANT", "LOAD")
ENDS = [reflect("open"), reflect("short")]
DUPLEXER = [path("TX", "ANT"), path("ANT", "RX"), path("TX", "RX")]
RUNS = {
    "paths": [[THRU], [FLOOR, *DUPLEXER], [THRU]],
    "one path both ways": [[THRU], [FLOOR, *DUPLEXER, path("RX", "TX")], [THRU]],
    "with the bridge": [
        [THRU],
        [FLOOR, path("ANT", "RX"), path("TX", "RX")],
        [THRU],
        ENDS,
        [reflect(p) for p in PORTS],
    ],
    "with a standard": [[THRU], [FLOOR, STANDARD], DUPLEXER, [THRU], ENDS, [reflect("RX"), reflect("TX")]],
    "bridge alone": [ENDS, [reflect(p) for p in PORTS]],
    "one of two idle loads is wanted": [
        *([hookup] for hookup in (THRU, path("TX", "ANT", RING), FLOOR, path("TX", "RX", RING))),
        *([hookup] for hookup in (path("TX", "ANT", RING), FLOOR, path("TX", "LOAD", RING), THRU)),
    ],
    "single cavity": [[THRU], [FLOOR, path("IN", "OUT", ("IN", "OUT"))], [THRU]],
    "four ports": [
        [THRU],
        [FLOOR, path("TX", "ANT", RING), path("ANT", "RX", RING), path("LOAD", "RX", RING)],
        [THRU],
        ENDS,
        [reflect("TX", RING), reflect("LOAD", RING), reflect("RX", RING)],
    ],
}


@pytest.mark.parametrize("loads", [0, 2, 3, 5], ids=lambda n: f"{n} loads listed")
@pytest.mark.parametrize("adapter", [False, True], ids=["leads mate", "adapter"])
@pytest.mark.parametrize("name", RUNS)
def test_no_order_and_no_way_of_leaving_things_touches_less(name: str, adapter: bool, loads: int) -> None:
    stages = RUNS[name]
    bench = kit(loads, adapter=adapter)
    chosen = least_touches(stages, bench)
    plain = [replace(hookup, load_numbers=()) for hookup in chosen.hookups]
    assert plain in list(orders(stages))
    owned = max(loads, *(len(hookup.loads) for hookup in plain))
    assert chosen.touches == min(cheapest(each, owned, adapter=adapter) for each in orders(stages))
    assert chosen.over == 0
    assert touches_of(chosen.hookups, bench, PORTS) == chosen.touches  # with the loads by number it is the same count
    numbers = {number for hookup in chosen.hookups for number in hookup.load_numbers}
    assert numbers <= set(range(1, owned + 1))
    assert all(len(set(hookup.load_numbers)) == len(hookup.loads) for hookup in chosen.hookups)


def test_counted_by_hand() -> None:
    """Join; part, load, load; load off, lead, load across (2), lead; lead across (2), load across (2); off, off, join.

    A joint opened or closed is a touch, so a part that goes from one place to another is two.
    """
    paths = [path("TX", "ANT"), path("TX", "RX")]
    order_of = [THRU, FLOOR, *paths, THRU]
    assert least_touches([[hookup] for hookup in order_of], None).touches == 1 + 3 + 5 + 4 + 3


def every_path(ports: tuple[str, ...]) -> list[Hookup]:
    return [path(a, b, ports) for a, b in permutations(ports, 2)]


@pytest.mark.parametrize("both", [False, True], ids=["one way", "both ways"])
@pytest.mark.parametrize("count", [2, 3, 4, 5])
def test_every_path_of_a_device_at_once_is_put_in_the_least_order(count: int, both: bool) -> None:
    """Up to 20 paths, far more orders than can be tried: the search itself vouches for the least."""
    ports = tuple("ABCDE"[:count])
    paths = every_path(ports) if both else [path(a, b, ports) for a, b in combinations(ports, 2)]
    stages = [[THRU], [FLOOR, *paths], [THRU], ENDS, [reflect(port, ports) for port in ports]]
    assert least_touches(stages, None).over == 0


def test_where_the_search_is_cut_short_it_says_how_far_from_the_least() -> None:
    ports = tuple("ABCDE")
    ways = ("EC", "EB", "BA", "CE", "DE", "CD")  # drawn so that a first guess is not the least
    stages = [[THRU], [FLOOR, *(path(*way, ports) for way in ways)], [THRU]]
    least = least_touches(stages, None)
    assert least.over == 0
    cuts = [least_touches(stages, None, most) for most in range(1, 60)]
    for cut in cuts:
        assert least.touches <= cut.touches <= least.touches + cut.over
        assert sorted(hookup.name for hookup in cut.hookups) == sorted(h.name for stage in stages for h in stage)
        assert touches_of(cut.hookups, None, ports) == cut.touches
    assert any(cut.touches > least.touches for cut in cuts)


def test_an_order_as_good_as_the_one_given_is_not_changed() -> None:
    hookups = [path("TX", "ANT"), path("TX", "RX")]
    chosen = least_touches([[THRU], hookups, [THRU]], None).hookups
    assert [hookup.name for hookup in chosen] == ["thru", "TX-ANT", "TX-RX", "thru"]
