"""The stays of a run at its hookups, and what they taught; read from the journal, pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from sequencer.core.history import Connected, Dropped, Entry, Refused, Resumed, Role, Swept, Voided
from sequencer.core.hookup import Hookup
from sequencer.core.trace import FloatArray
from sequencer.run.planned import PlannedSweep
from sequencer.run.proof import noise_dbm_hz
from sequencer.run.settings import Known

__all__ = ["Visit", "known", "known_at", "visits"]


@dataclass(slots=True)
class Visit:
    """One stay at a hookup: since its Connected entry, what was swept that still counts."""

    hookup: Hookup
    swept: list[Swept] = field(default_factory=list)
    dropped: list[Dropped] = field(default_factory=list)
    set_aside: list[Swept] = field(default_factory=list)  # what was dropped
    refused: int = 0
    jumped: bool = False  # it was refused because its trace jumped
    waiting: bool = False  # it must be connected again before anything is swept

    def count(self, planned: PlannedSweep) -> int:
        """Return how often this planned sweep was taken."""
        return sum(s.key == planned.key and s.role is planned.role for s in self.swept)

    def first(self, key: str, role: Role) -> Swept | None:
        """Return the first sweep of a key and role, if taken."""
        return next((s for s in self.swept if s.key == key and s.role is role), None)


def visits(history: Sequence[Entry]) -> list[Visit]:
    """Return the stays in order; a refused hookup that is connected again is one stay, begun anew.

    A resumed run goes on with its stays, the one in progress begun anew; what is connected only to check the
    reference is no stay. After a Voided entry the count begins again.
    """
    stays: list[Visit] = []
    jumped: set[str] = set()  # outlives a Voided entry: what once jumped is never again taken on two sweeps
    refused, aside = 0, False
    for entry in history:
        if isinstance(entry, Voided):
            jumped |= {stay.hookup.name for stay in stays if stay.jumped}
            stays.clear()
            refused, aside = 0, False
        elif isinstance(entry, Resumed):
            refused, aside = 0, False
            if stays and stays[-1].hookup.name == entry.hookup:
                stays[-1].swept.clear()
                stays[-1].refused, stays[-1].waiting = 0, True
        elif isinstance(entry, Connected) and entry.check:
            aside = True
        elif isinstance(entry, Connected):
            aside = False
            if stays and stays[-1].waiting and stays[-1].hookup.name == entry.hookup.name:
                stays[-1].refused, stays[-1].waiting = refused, False
            else:
                stays.append(Visit(entry.hookup, jumped=entry.hookup.name in jumped))
                refused = 0
        elif isinstance(entry, Refused) and stays and not aside:
            stays[-1].swept.clear()
            stays[-1].dropped.clear()
            stays[-1].jumped |= entry.jump_db > 0.0
            stays[-1].waiting = True
            refused += entry.jump_db == 0.0
        elif isinstance(entry, Dropped) and stays and not aside:
            gone = (entry.key, entry.role)
            stays[-1].dropped.append(entry)
            stays[-1].set_aside += [s for s in stays[-1].swept if (s.key, s.role) == gone]
            stays[-1].swept = [s for s in stays[-1].swept if (s.key, s.role) != gone]
        elif isinstance(entry, Swept) and stays and not aside:
            stays[-1].swept.append(entry)
    return stays


def known(history: Sequence[Entry]) -> Known:
    """Return what the opening thru's first two sweeps told."""
    return known_at(visits(history))


def known_at(stays: Sequence[Visit]) -> Known:
    """Return the same from stays already read."""
    if not stays:
        return Known()
    off = stays[0].first("overview", Role.FOREIGN)
    on = stays[0].first("overview", Role.WARM) or stays[0].first("overview", Role.THRU)
    return Known(
        noise_dbm_hz=noise_dbm_hz(off.sweep) if off is not None and _levels(off).size else None,
        thru_dbm=float(np.min(_levels(on))) if on is not None and _levels(on).size else None,
    )


def _levels(swept: Swept) -> FloatArray:
    """Return the levels there are data for: planning goes on before an empty trace is refused."""
    level_dbm = swept.sweep.trace.level_dbm
    return level_dbm[np.isfinite(level_dbm)]
