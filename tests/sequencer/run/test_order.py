"""The order of hookups touches the fewest connectors."""

from __future__ import annotations

from itertools import pairwise, permutations

import pytest

from sequencer.core.hookup import Hookup, HookupKind
from sequencer.run.order import joints, least_touches, touches

PORTS = ("TX", "RX", "ANT")
THRU = Hookup(name="thru", kind=HookupKind.THRU)
FLOOR = Hookup(name="floor", kind=HookupKind.FLOOR, loads=("generator lead", "analyzer lead"))


def path(a: str, b: str, ports: tuple[str, ...] = PORTS) -> Hookup:
    loads = tuple(p for p in ports if p not in (a, b))
    return Hookup(name=f"{a}-{b}", kind=HookupKind.PATH, generator=a, analyzer=b, loads=loads)


def reflect(what: str, ports: tuple[str, ...] = PORTS) -> Hookup:
    loads = tuple(p for p in ports if p != what) if what in ports else ()
    return Hookup(name=f"reflect-{what}", kind=HookupKind.REFLECT, test_port=what, loads=loads)


def total(order: tuple[Hookup, ...] | list[Hookup]) -> int:
    return sum(touches(a, b) for a, b in pairwise(order))


def test_one_moved_lead_and_its_load_are_four_touches() -> None:
    # TX-ANT to TX-RX: analyzer lead off ANT, load off RX, analyzer lead on RX, load on ANT
    assert touches(path("TX", "ANT"), path("TX", "RX")) == 4
    assert touches(THRU, THRU) == 0
    assert len(joints(path("TX", "ANT"))) == 3


@pytest.mark.parametrize(
    "paths",
    [
        pytest.param([("TX", "ANT"), ("ANT", "RX"), ("TX", "RX")], id="duplexer"),
        pytest.param([("ANT", "RX"), ("TX", "RX"), ("TX", "ANT"), ("RX", "TX")], id="with one path both ways"),
    ],
)
def test_no_other_order_touches_less(paths: list[tuple[str, str]]) -> None:
    hookups = [FLOOR, *[path(*p) for p in paths]]
    chosen = least_touches(hookups, before=THRU, after=THRU)
    assert sorted(h.name for h in chosen) == sorted(h.name for h in hookups)
    best = min(total([THRU, *order, THRU]) for order in permutations(hookups))
    assert total([THRU, *chosen, THRU]) == best


def test_open_and_short_come_before_any_port() -> None:
    hookups = [reflect("TX"), reflect("open"), reflect("RX"), reflect("short"), reflect("ANT")]
    chosen = least_touches(hookups, first=("reflect-open", "reflect-short"))
    assert {h.name for h in chosen[:2]} == {"reflect-open", "reflect-short"}
    allowed = [o for o in permutations(hookups) if {h.name for h in o[:2]} == {"reflect-open", "reflect-short"}]
    assert total(chosen) == min(total(o) for o in allowed)
