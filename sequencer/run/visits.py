"""The stays of a run at its hookups, and what they taught; read from the journal, pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np

from sequencer.core.history import Began, Connected, Dropped, Entry, Refused, Resumed, Role, Swept, Voided
from sequencer.core.hookup import Hookup
from sequencer.core.trace import FloatArray, Sweep
from sequencer.run.planned import Plan, PlannedSweep, Station
from sequencer.run.proof import noise_dbm_hz
from sequencer.run.settings import Known
from sequencer.run.steps import SweepStep
from sequencer.run.sweeps import FORECAST, Sweeps

__all__ = [
    "BACK_S",
    "FORECAST",
    "Journal",
    "Visit",
    "as_begun",
    "foretold",
    "known",
    "known_at",
    "sweeps_of",
    "visits",
    "went_back_s",
    "without_sweeps",
]

BACK_S = 60.0  # an assumed drift of 0.2 dB/h moves 0.003 dB in it; a clock is set right by less while it runs


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
    tally: Counter[tuple[str, Role]] = field(init=False)  # of what was swept
    starts: Counter[float] = field(init=False)  # the first level of each trace, dBm: noise seldom gives one twice
    going: SweepStep | None = None  # remembered by the policy: the step it last decided here
    passed: Station | None = None  # remembered by the policy: left behind, with nothing against it as this station

    def __post_init__(self) -> None:
        """Count what is there already."""
        self.keep(self.swept)

    def first_on(self) -> Swept | None:
        """Return the first sweep with the generator on: the one that proves the hookup."""
        return next((s for s in self.swept if s.sweep.used.generator_dbm is not None), None)

    def count(self, planned: PlannedSweep) -> int:
        """Return how often this planned sweep was taken."""
        return self.tally[planned.key, planned.role]

    def add(self, swept: Swept) -> None:
        """Count a sweep."""
        self.swept.append(swept)
        self.tally[swept.key, swept.role] += 1
        self.starts[float(swept.sweep.trace.level_dbm[0])] += 1

    def keep(self, swept: Iterable[Swept] = ()) -> None:
        """Let only these sweeps count."""
        kept, self.swept = list(swept), []
        self.tally, self.starts = Counter(), Counter()
        for each in kept:
            self.add(each)
        self.going = None

    def first(self, key: str, role: Role) -> Swept | None:
        """Return the first sweep of a key and role, if taken."""
        return next((s for s in self.swept if s.key == key and s.role is role), None)


class Journal(list[Entry]):
    """The entries of a run, appended only; its stays are read on from where they were, not from the beginning."""

    def __init__(self, entries: Iterable[Entry] = ()) -> None:
        super().__init__(entries)
        self._reader = _Reader()
        self._sweeps, self._sorted = Sweeps(), 0
        self._spoken: list[Entry] = []
        self._heard = 0

    def stays(self) -> list[Visit]:
        """See `visits`."""
        for entry in self[self._reader.read :]:
            self._reader.take(entry)
        return list(self._reader.stays)

    def sweeps(self) -> Sweeps:
        """See `sweeps_of`."""
        for entry in self[self._sorted :]:
            self._sweeps.take(entry)
        self._sorted = len(self)
        return self._sweeps

    def went_back_s(self) -> float:
        """See `went_back_s`."""
        self.stays()
        return self._reader.back_s

    def spoken(self) -> list[Entry]:
        """See `without_sweeps`."""
        self._spoken += [entry for entry in self[self._heard :] if not isinstance(entry, Swept)]
        self._heard = len(self)
        return self._spoken


def visits(history: Sequence[Entry]) -> list[Visit]:
    """Return the stays in order; a refused hookup that is connected again is one stay, begun anew.

    A resumed run goes on with its stays, the one in progress begun anew; what is connected only to check the
    reference is no stay. After a Voided entry the count begins again.
    """
    return history.stays() if isinstance(history, Journal) else Journal(history).stays()


def as_begun(plan: Plan, stays: Sequence[Visit]) -> Plan:
    """Return the plan in the order a run has followed so far: an earlier version ordered the same hookups otherwise."""
    if all(stay.hookup.name == station.hookup.name for stay, station in zip(stays, plan.stations, strict=False)):
        return plan
    rest, begun = list(plan.stations), []
    for stay in stays:
        station = next((s for s in rest if s.hookup.name == stay.hookup.name), None)
        if station is None:
            return plan
        begun.append(station)
        rest.remove(station)
    return replace(plan, stations=(*begun, *rest))


def went_back_s(history: Sequence[Entry]) -> float:
    """Return by how much the times of this session go back; 0 for as little as a clock is kept right by."""
    return history.went_back_s() if isinstance(history, Journal) else Journal(history).went_back_s()


def sweeps_of(history: Sequence[Entry]) -> Sweeps:
    """Return the sweeps that count, sorted; of a journal that grows, the same object each time, read on."""
    return history.sweeps() if isinstance(history, Journal) else Sweeps(history)


def without_sweeps(history: Sequence[Entry]) -> Sequence[Entry]:
    """Return all other entries, in order: they are few, and most questions to a journal are about them."""
    return history.spoken() if isinstance(history, Journal) else history


def foretold(history: Sequence[Entry]) -> bool:
    """Whether nothing was measured: the ideal device of a forecast is no junction, and nothing is wrong with leads."""
    return any(isinstance(e, Began) and e.run_id == FORECAST for e in without_sweeps(history))


class _Reader:
    """Stays as far as the journal has been read."""

    def __init__(self) -> None:
        self.stays: list[Visit] = []
        self.read = 0
        self.back_s, self._latest = 0.0, datetime.min.replace(tzinfo=UTC)
        self._jumped: set[str] = set()  # outlives a Voided entry: what once jumped is never again taken on two sweeps
        self._refused, self._aside = 0, False

    def take(self, entry: Entry) -> None:
        """Read one entry on."""
        self.read += 1
        stays = self.stays
        if isinstance(entry, Voided | Resumed):  # what went on meanwhile is for the check of the reference
            self.back_s, self._latest = 0.0, entry.at
        back_s = (self._latest - entry.at).total_seconds()
        self.back_s = max(self.back_s, back_s if back_s > BACK_S else 0.0)
        self._latest = max(self._latest, entry.at)
        if isinstance(entry, Voided):
            self._jumped |= {stay.hookup.name for stay in stays if stay.jumped}
            stays.clear()
            self._refused, self._aside = 0, False
        elif isinstance(entry, Resumed):
            self._refused, self._aside = 0, False
            if stays and stays[-1].hookup.name == entry.hookup:
                stays[-1].keep()
                stays[-1].refused, stays[-1].waiting = 0, True
        elif isinstance(entry, Connected):
            self._connected(entry)
        elif stays and not self._aside:
            self._at(stays[-1], entry)

    def _connected(self, entry: Connected) -> None:
        self._aside = entry.check
        if entry.check:
            return
        stays = self.stays
        if stays and stays[-1].waiting and stays[-1].hookup.name == entry.hookup.name:
            stays[-1].refused, stays[-1].waiting = self._refused, False
        else:
            stays.append(Visit(entry.hookup, jumped=entry.hookup.name in self._jumped))
            self._refused = 0

    def _at(self, stay: Visit, entry: Entry) -> None:
        if isinstance(entry, Swept):
            stay.add(entry)
        elif isinstance(entry, Refused):
            stay.keep()
            stay.dropped.clear()
            stay.jumped |= entry.jump_db > 0.0
            stay.waiting = True
            self._refused += entry.jump_db == 0.0
        elif isinstance(entry, Dropped):
            gone = (entry.key, entry.role)
            stay.dropped.append(entry)
            stay.set_aside += [s for s in stay.swept if (s.key, s.role) == gone]
            stay.keep(s for s in stay.swept if (s.key, s.role) != gone)


def known(history: Sequence[Entry]) -> Known:
    """Return what the opening thru's first two sweeps told."""
    return known_at(visits(history))


def known_at(stays: Sequence[Visit]) -> Known:
    """Return the same from stays already read."""
    if not stays:
        return Known()
    off = stays[0].first("overview", Role.FOREIGN)
    on = stays[0].first("overview", Role.WARM) or stays[0].first("overview", Role.THRU)
    return _taught(None if off is None else off.sweep, None if on is None else on.sweep)


@lru_cache(maxsize=8)
def _taught(off: Sweep | None, on: Sweep | None) -> Known:
    return Known(
        noise_dbm_hz=noise_dbm_hz(off) if off is not None and _levels(off).size else None,
        thru_dbm=float(np.min(_levels(on))) if on is not None and _levels(on).size else None,
    )


def _levels(sweep: Sweep) -> FloatArray:
    """Return the levels there are data for: planning goes on before an empty trace is refused."""
    level_dbm = sweep.trace.level_dbm
    return level_dbm[np.isfinite(level_dbm)]
