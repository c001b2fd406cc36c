"""The stays of a run at its hookups, and what they taught; read from the journal, pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from sequencer.core.history import Connected, Entry, Refused, Role, Swept
from sequencer.core.hookup import Hookup
from sequencer.run.plan import Known, PlannedSweep
from sequencer.run.proof import noise_dbm_hz

__all__ = ["Visit", "known", "visits"]


@dataclass(slots=True)
class Visit:
    """One stay at a hookup: since its Connected entry, what was swept that still counts."""

    hookup: Hookup
    swept: list[Swept] = field(default_factory=list)
    refused: int = 0
    jumped: bool = False  # it was refused because its trace jumped

    def count(self, planned: PlannedSweep) -> int:
        """Return how often this planned sweep was taken."""
        return sum(s.key == planned.key and s.role is planned.role for s in self.swept)

    def first(self, key: str, role: Role) -> Swept | None:
        """Return the first sweep of a key and role, if taken."""
        return next((s for s in self.swept if s.key == key and s.role is role), None)


def visits(history: Sequence[Entry]) -> list[Visit]:
    """Return the stays in order; a refused hookup that is connected again is one stay, begun anew."""
    stays: list[Visit] = []
    refused, again = 0, False
    for entry in history:
        if isinstance(entry, Refused) and stays:
            stays[-1].swept.clear()
            stays[-1].jumped |= entry.jump_db > 0.0
            refused += entry.jump_db == 0.0
            again = True
        elif isinstance(entry, Connected):
            if stays and again and stays[-1].hookup.name == entry.hookup.name:
                stays[-1].refused = refused
            else:
                stays.append(Visit(entry.hookup))
                refused = 0
            again = False
        elif isinstance(entry, Swept) and stays:
            stays[-1].swept.append(entry)
    return stays


def known(history: Sequence[Entry]) -> Known:
    """Return what the opening thru's first two sweeps told."""
    stays = visits(history)
    if not stays:
        return Known()
    off = stays[0].first("overview", Role.FOREIGN)
    on = stays[0].first("overview", Role.THRU)
    return Known(
        noise_dbm_hz=noise_dbm_hz(off.sweep) if off else None,
        thru_dbm=float(min(on.sweep.trace.level_dbm)) if on else None,
    )
