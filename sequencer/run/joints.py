"""The bench's joints: which end is screwed to which, carried from hookup to hookup; pure.

One model for all who speak of connectors: the planner's order (`order`), the count (`predict`) and the sentences a
person reads (`cli.moves`). A joint is two ends mated; a *touch* opens one joint or closes one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sequencer.core.hookup import Hookup, HookupKind
from sequencer.recipe.connectors import assumed_mating_db
from sequencer.recipe.model import Bench
from sequencer.run.fittings import (
    ANALYZER_LEAD,
    GENERATOR_LEAD,
    lead_family,
    load_numbers,
    standard_load,
    thru_adapter,
)

__all__ = [
    "BRIDGE_DETECTOR",
    "BRIDGE_SOURCE",
    "BRIDGE_TEST",
    "FREE",
    "LOAD",
    "MATRIX",
    "SECONDS_A_TOUCH",
    "Joint",
    "Joints",
    "adapter_end",
    "carried",
    "needed",
    "on_matrix",
    "re_opened",
    "required",
    "set_up",
    "standard_end",
    "touches_of",
]

BRIDGE_SOURCE, BRIDGE_DETECTOR, BRIDGE_TEST = "bridge source", "bridge detector", "bridge test"
MATRIX = "switch matrix"
SECONDS_A_TOUCH = 15.0  # make or break one joint, with care [common practice, no source]
LOAD = "load"  # any load; one of them is 'load 2'


@dataclass(frozen=True, slots=True, order=True)
class Joint:
    """``item`` (a lead's end, the bridge's test port, a load, an open) is screwed to ``place``."""

    item: str
    place: str

    @property
    def ends(self) -> frozenset[str]:
        """Both ends, each of which can be in one joint only; a load that is any load is never the one missing."""
        return frozenset({self.place} if self.item == LOAD else {self.item, self.place})

    @property
    def load(self) -> int:
        """The number of the load in it, 0 for none."""
        first, _, number = self.item.partition(" ")
        return int(number) if first == LOAD and number else 0


Joints = frozenset[Joint]
FREE: Joints = frozenset()


def required(hookup: Hookup, bench: Bench | None) -> tuple[Joint, ...]:
    """Return the joints of a hookup made by hand, in the order a person makes them."""
    leads = (GENERATOR_LEAD, ANALYZER_LEAD)
    places: tuple[str, ...] = ()
    found: list[Joint] = []
    if hookup.kind is HookupKind.THRU and not thru_adapter(bench):
        found = [Joint(GENERATOR_LEAD, ANALYZER_LEAD)]
    elif hookup.kind is HookupKind.THRU:
        places = (adapter_end(1), adapter_end(2))
    elif hookup.kind is HookupKind.STANDARD:
        places = (standard_end(1, hookup.standard or ""), standard_end(2, hookup.standard or ""))
    elif hookup.kind is HookupKind.PATH:
        places = (hookup.generator or "", hookup.analyzer or "")
    elif hookup.kind is HookupKind.REFLECT:
        places = (BRIDGE_SOURCE, BRIDGE_DETECTOR)
        if hookup.test_port == LOAD:
            found = [Joint(f"{LOAD} {standard_load(bench)}", BRIDGE_TEST)]
        elif hookup.test_port in ("open", "short"):
            found = [Joint(hookup.test_port, BRIDGE_TEST)]
        else:
            found = [Joint(BRIDGE_TEST, hookup.test_port or "")]
    on = zip(hookup.loads, load_numbers(hookup), strict=True)
    return (
        *(Joint(lead, place) for lead, place in zip(leads, places, strict=False)),
        *found,
        *(Joint(f"{LOAD} {number}", place) for place, number in on),
    )


def adapter_end(number: int) -> str:
    """Name one end of the thru's adapter."""
    return f"adapter {number}"


def standard_end(number: int, standard: str) -> str:
    """Name one end of a check standard."""
    return f"standard {number} {standard}"


def on_matrix(ports: Sequence[str]) -> tuple[Joint, ...]:
    """Return the joints of a bench whose switch matrix makes the hookups: both leads and every port are on it."""
    return tuple(Joint(end, f"{MATRIX} {end}") for end in (GENERATOR_LEAD, ANALYZER_LEAD, *ports))


def needed(hookup: Hookup, bench: Bench | None, ports: Sequence[str]) -> tuple[Joint, ...]:
    """Return what has to be joined by hand for a hookup: where the matrix makes it, only the matrix itself."""
    matrix = bench is not None and bench.switch is not None and not hookup.by_hand
    return on_matrix(ports) if matrix else required(hookup, bench)


def carried(now: Joints, after: Iterable[Joint]) -> Joints:
    """Return what stands once ``after`` is made: all else that is in nobody's way stays where it is.

    So a load stays on a device that is not in use. A matrix comes off whole.
    """
    wanted = frozenset(after)
    taken = {end for joint in wanted for end in joint.ends}
    by_hand = not any(joint.place.startswith(MATRIX) for joint in wanted)
    stays = {joint for joint in now if not joint.ends & taken and not (by_hand and joint.place.startswith(MATRIX))}
    return wanted | stays


def re_opened(hookup: Hookup, now: Joints, bench: Bench | None) -> Joint | None:
    """Return the joint that is opened and closed again for a hookup, though all of it stands; None where none is.

    With an adapter the thru has two: it is the one whose family of connector repeats worse, so that one scatter is
    that of one joint.
    """
    joints = required(hookup, bench)
    if not hookup.re_mated or not now.issuperset(joints):
        return None
    return max(joints, key=lambda joint: assumed_mating_db(lead_family(joint.item, bench)))


def set_up(bench: Bench | None, ports: Sequence[str]) -> Joints:
    """Return what stands when a run begins: both leads end free, or all is on the switch matrix."""
    return frozenset(on_matrix(ports)) if bench is not None and bench.switch is not None else FREE


def touches_of(hookups: Iterable[Hookup], bench: Bench | None, ports: Sequence[str]) -> int:
    """Return how many joints a person opens and closes for a whole run, counted from `set_up`."""
    now, touches = set_up(bench, ports), 0
    for hookup in hookups:
        after = carried(now, needed(hookup, bench, ports))
        again = None if now & set(on_matrix(ports)) else re_opened(hookup, now, bench)
        touches += len(now ^ after) + (0 if again is None else 2)
        now = after
    return touches
