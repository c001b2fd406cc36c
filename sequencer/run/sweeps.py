"""The sweeps of a journal, sorted: which repeats belong together, which thru opens and which closes.

Sweeps taken since the connection of a hookup that was then refused, or in progress when the run stopped, do not
count, nor do those dropped. A tracking adjustment voids the thrus before it; in a resumed run a check decides about
them instead.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sequencer.core.history import Adjusted, Connected, Dropped, Entry, Refused, Resumed, Role, Swept, Voided
from sequencer.core.hookup import BY_HAND
from sequencer.core.normalise import Averaged, average, same_settings
from sequencer.core.trace import Sweep

__all__ = ["Sweeps"]


class Sweeps:
    """Sweeps by hookup, key and role, each list split by the connection it was taken in."""

    def __init__(self, history: Iterable[Entry]) -> None:
        self._taken: list[tuple[int, Swept]] = []
        self._averaged: dict[tuple[int, ...], Averaged] = {}
        self.by_hand: set[str] = set()  # hookups that were made past a switch matrix
        session, resumed = 0, False
        began: dict[str, int] = {}
        for entry in history:
            match entry:
                case Connected():
                    session += 1
                    (self.by_hand.add if entry.hookup.by_hand else self.by_hand.discard)(entry.hookup.name)
                    began[entry.hookup.name] = session
                case Refused() | Resumed():
                    since = began.get(entry.hookup, session)
                    self._taken = [(s, swept) for s, swept in self._taken if s < since or swept.hookup != entry.hookup]
                    resumed |= isinstance(entry, Resumed)
                case Dropped():
                    gone = (entry.hookup, entry.key, entry.role)
                    self._taken = [
                        (s, swept)
                        for s, swept in self._taken
                        if s < session or (swept.hookup, swept.key, swept.role) != gone
                    ]
                case Voided():
                    self._taken, resumed = [], False
                case Adjusted() if not resumed:
                    self._taken = [(s, swept) for s, swept in self._taken if swept.role is not Role.THRU]
                case Swept():
                    self._taken.append((session, entry))
                case _:
                    pass

    def taken(self, *hookups: str) -> tuple[Sweep, ...]:
        """Return every sweep of these hookups that counts, in order."""
        return tuple(swept.sweep for _, swept in self._taken if swept.hookup in hookups)

    def keys(self, hookup: str, role: Role) -> tuple[str, ...]:
        """Return the keys swept in a hookup with a role, in the order of first appearance."""
        found = (swept.key for _, swept in self._taken if swept.hookup == hookup and swept.role is role)
        return tuple(dict.fromkeys(found))

    def covering(self, hookup: str, role: Role, low_hz: float, high_hz: float, prefer: str = "") -> tuple[str, ...]:
        """Return the keys whose sweep reaches from low to high: the preferred one first, then by rising span."""
        reach = {}
        for _, swept in self._taken:
            freq = swept.sweep.trace.freq_hz
            if swept.hookup == hookup and swept.role is role and freq[0] <= low_hz + 1 and freq[-1] >= high_hz - 1:
                reach[swept.key] = float(freq[-1] - freq[0])
        return tuple(sorted(reach, key=lambda key: (key != prefer, reach[key])))

    def groups(self, hookup: str, key: str, role: Role) -> list[list[Sweep]]:
        """Return the repeats of each connection: those with the settings of its last sweep."""
        sessions: dict[int, list[Sweep]] = {}
        for session, swept in self._taken:
            if (swept.hookup, swept.key, swept.role) == (hookup, key, role):
                sessions.setdefault(session, []).append(swept.sweep)
        return [[sweep for sweep in group if same_settings(sweep.used, group[-1].used)] for group in sessions.values()]

    def latest(self, hookup: str, key: str, role: Role) -> Averaged | None:
        """Average the repeats of the last connection; None where there are none."""
        return self._average(self.groups(hookup, key, role)[-1:])

    def opening(self, key: str, thru: str = "thru") -> Averaged | None:
        """Average the first thru of a key; ``thru`` names its hookup."""
        return self._average(self.groups(thru, key, Role.THRU)[:1])

    def closing(self, key: str, thru: str = "thru") -> Averaged | None:
        """Average the last thru of a key, if it is another connection than the first."""
        return self._average(self.groups(thru, key, Role.THRU)[1:][-1:])

    def thru_of(self, path: str) -> str:
        """Name the hookup that is the reference of a path: made by hand like it, its own, or the common one."""
        if path in self.by_hand:
            return f"thru{BY_HAND}"
        own = f"thru {path}"
        return own if self.keys(own, Role.THRU) else "thru"

    def floor_of(self, path: str) -> str:
        """Name the hookup that tells noise and leakage of a path."""
        return f"floor{BY_HAND}" if path in self.by_hand else "floor"

    def _average(self, groups: Sequence[Sequence[Sweep]]) -> Averaged | None:
        if not groups:
            return None
        name = tuple(id(sweep) for sweep in groups[0])  # the journal keeps the sweeps alive as long as this table
        if name not in self._averaged:
            self._averaged[name] = average(groups[0])
        return self._averaged[name]
