"""Hookups: what is joined to what, as a value with the names of design.md."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["BY_HAND", "RE_MATED", "Hookup", "HookupKind"]

BY_HAND = " by hand"  # end of the names of a thru and floor made past a switch matrix
RE_MATED = "thru re-mated"  # the name of a thru whose joint was opened and closed for nothing but to see its scatter


class HookupKind(StrEnum):
    """The kinds of hookup."""

    THRU = "thru"  # generator lead joined to analyzer lead
    FLOOR = "floor"  # both leads end in loads where the device's ports sit
    PATH = "path"  # generator into one port, analyzer on another, loads on the rest
    STANDARD = "standard"  # a check standard between the leads, where the device will sit
    REFLECT = "reflect"  # bridge: an open, a short, a load or one device port on its test port


@dataclass(frozen=True, slots=True, kw_only=True)
class Hookup:
    """One hookup.

    ``name`` is `thru`, `floor`, `standard-ID`, `A-B`, `reflect-open`, `reflect-short`, `reflect-load` or `reflect-A`.
    ``generator`` and ``analyzer`` name the device ports the leads go to (paths only). ``test_port`` names
    what hangs on the bridge ('open', 'short', 'load' or a device port). ``loads`` are the device ports
    that carry a 50 ohm load; for the floor, 'generator lead' and 'analyzer lead'. ``load_numbers`` says which
    load each of them is, from 1 in the kit's order (empty: in that order). ``standard`` is the id of the check
    standard.

    Each time the thru's joint is opened and closed again there is one more stay at `thru re-mated`.

    With a switch matrix there may be a `thru A-B` too (the leads joined through the contacts of that path, whose
    ports ``generator`` and ``analyzer`` name), and hookups ``by_hand`` past it, whose thru and floor are named
    `thru by hand` and `floor by hand`.
    """

    name: str
    kind: HookupKind
    generator: str | None = None
    analyzer: str | None = None
    test_port: str | None = None
    loads: tuple[str, ...] = ()
    load_numbers: tuple[int, ...] = ()
    by_hand: bool = False
    standard: str | None = None

    def __post_init__(self) -> None:
        """Refuse numbers of loads that do not fit the loads."""
        numbers = self.load_numbers
        if numbers and (len(numbers) != len(self.loads) or len(set(numbers)) < len(numbers) or min(numbers) < 1):
            msg = f"a number from 1 for each of {len(self.loads)} loads"
            raise ValueError(msg)

    @property
    def re_mated(self) -> bool:
        """Whether a joint that stands is opened and closed again for this hookup."""
        return self.name == RE_MATED
