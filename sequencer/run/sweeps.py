"""The sweeps of a journal, sorted: which repeats belong together, which thru opens and which closes.

Sweeps taken since the connection of a hookup that was then refused, or in progress when the run stopped, do not
count, nor do those dropped. A tracking adjustment voids the thrus before it; in a resumed run a check decides about
them instead.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import TypeVar, cast

from sequencer.core.history import Adjusted, Began, Connected, Dropped, Entry, Refused, Resumed, Role, Swept, Voided
from sequencer.core.hookup import BY_HAND
from sequencer.core.normalise import Averaged, average, same_settings
from sequencer.core.trace import Sweep

__all__ = ["FORECAST", "Sweeps"]

FORECAST = "forecast"  # the id of a run that is only foretold: no day belongs to it


_Place = tuple[str, str, Role]
_Made = TypeVar("_Made")


class Sweeps:
    """Sweeps by hookup, key and role, each list split by the connection it was taken in."""

    def __init__(self, history: Iterable[Entry] = ()) -> None:
        self._places: dict[_Place, list[tuple[int, Sweep]]] = {}  # as they count, in the order of first appearance
        self._changes: Counter[str] = Counter()  # by hookup
        self._made: dict[Hashable, tuple[tuple[int, ...], object]] = {}
        self.by_hand: set[str] = set()  # hookups that were made past a switch matrix
        self.foretold = False  # whether nothing was measured
        self._session, self._resumed = 0, False
        self._began: dict[str, int] = {}
        for entry in history:
            self.take(entry)

    def take(self, entry: Entry) -> None:
        """Read the journal one entry on."""
        match entry:
            case Began():
                self.foretold = entry.run_id == FORECAST
            case Swept():
                place = (entry.hookup, entry.key, entry.role)
                self._places.setdefault(place, []).append((self._session, entry.sweep))
                self._changes[entry.hookup] += 1
            case Connected():
                self._session += 1
                (self.by_hand.add if entry.hookup.by_hand else self.by_hand.discard)(entry.hookup.name)
                self._began[entry.hookup.name] = self._session
            case Refused() | Resumed():
                since = self._began.get(entry.hookup, self._session)
                self._forget(since, [place for place in self._places if place[0] == entry.hookup])
                self._resumed |= isinstance(entry, Resumed)
            case Dropped():
                self._forget(self._session, [(entry.hookup, entry.key, entry.role)])
            case Voided():
                self._forget(0, [*self._places])
                self._resumed = False
            case Adjusted() if not self._resumed:
                self._forget(0, [place for place in self._places if place[2] is Role.THRU])
            case _:
                pass

    def _forget(self, since: int, places: Iterable[_Place]) -> None:
        """Drop what was taken at these places in a connection or after it."""
        for place in places:
            self._changes[place[0]] += 1
            left = [(session, sweep) for session, sweep in self._places.get(place, ()) if session < since]
            if left:
                self._places[place] = left
            else:
                self._places.pop(place, None)

    def once(self, what: Hashable, hookups: Sequence[str], make: Callable[[], _Made]) -> _Made:
        """Return what is made of the sweeps of these hookups, made again only where one of them has changed.

        A run asks for the same curves after each sweep, and again when it judges.
        """
        now = tuple(self._changes[hookup] for hookup in hookups)
        then, made = self._made.get(what, (None, None))
        if then != now:
            made = make()
            self._made[what] = now, made
        return cast(_Made, made)

    def taken(self, *hookups: str) -> tuple[Sweep, ...]:
        """Return every sweep of these hookups that counts, by place."""
        return tuple(
            sweep for (hookup, _, _), all_here in self._places.items() if hookup in hookups for _, sweep in all_here
        )

    def keys(self, hookup: str, role: Role) -> tuple[str, ...]:
        """Return the keys swept in a hookup with a role, in the order of first appearance."""
        return tuple(key for name, key, for_role in self._places if name == hookup and for_role is role)

    def covering(self, hookup: str, role: Role, low_hz: float, high_hz: float, prefer: str = "") -> tuple[str, ...]:
        """Return the keys whose sweep reaches from low to high: the preferred one first, then by rising span."""
        reach = {}
        for key in self.keys(hookup, role):
            for _, sweep in self._places[hookup, key, role]:
                freq = sweep.trace.freq_hz
                if freq[0] <= low_hz + 1 and freq[-1] >= high_hz - 1:
                    reach[key] = float(freq[-1] - freq[0])
        return tuple(sorted(reach, key=lambda key: (key != prefer, reach[key])))

    def groups(self, hookup: str, key: str, role: Role) -> list[list[Sweep]]:
        """Return the repeats of each connection: those with the settings of its last sweep."""
        sessions: dict[int, list[Sweep]] = {}
        for session, sweep in self._places.get((hookup, key, role), ()):
            sessions.setdefault(session, []).append(sweep)
        return [[sweep for sweep in group if same_settings(sweep.used, group[-1].used)] for group in sessions.values()]

    def latest(self, hookup: str, key: str, role: Role) -> Averaged | None:
        """Average the repeats of the last connection; None where there are none."""
        return self._average("latest", hookup, key, role, slice(-1, None))

    def opening(self, key: str, thru: str = "thru") -> Averaged | None:
        """Average the first thru of a key; ``thru`` names its hookup."""
        return self._average("opening", thru, key, Role.THRU, slice(0, 1))

    def closing(self, key: str, thru: str = "thru") -> Averaged | None:
        """Average the last thru of a key, if it is another connection than the first."""
        return self._average("closing", thru, key, Role.THRU, slice(1, None))

    def thru_of(self, path: str) -> str:
        """Name the hookup that is the reference of a path: made by hand like it, its own, or the common one."""
        if path in self.by_hand:
            return f"thru{BY_HAND}"
        own = f"thru {path}"
        return own if self.keys(own, Role.THRU) else "thru"

    def floor_of(self, path: str) -> str:
        """Name the hookup that tells noise and leakage of a path."""
        return f"floor{BY_HAND}" if path in self.by_hand else "floor"

    def _average(self, which: str, hookup: str, key: str, role: Role, part: slice) -> Averaged | None:
        def make() -> Averaged | None:
            groups = self.groups(hookup, key, role)[part]
            # the same sweeps average to the same object, by which what is made of it is known again
            return self.once(tuple(map(id, groups[-1])), (), lambda: average(groups[-1])) if groups else None

        return self.once((which, hookup, key, role), (hookup,), make)
