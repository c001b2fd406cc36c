"""The result model: the one truth that is stored, judged again and rendered.

Plain frozen dataclasses; `sequencer.formats.record` turns them into canonical JSON and back. No NaN
ever stands in here: what has no value is None.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from sequencer.core.history import SavedTrace
from sequencer.core.trace import FloatArray, SweepSettings, own

__all__ = [
    "RECORD_VERSION",
    "Bound",
    "Change",
    "Contribution",
    "Curve",
    "CurveKind",
    "FamilyChange",
    "HookupRecord",
    "JournalNote",
    "Limit",
    "Record",
    "Result",
    "Statement",
    "TraceRecord",
    "Witnessed",
]

RECORD_VERSION = 1


class Statement(StrEnum):
    """A statement of conformity (ILAC-G8:09/2019 4.2 names the four decided ones)."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    UNDECIDED = "undecided"


class Bound(StrEnum):
    """Which side of the true value is known where noise, leakage or the display hid the rest."""

    AT_LEAST = "at least"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """What the user requires, in the unit of the result; exactly one or both ends."""

    min: float | None = None
    max: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One line of an uncertainty budget.

    ``value`` is the half-width, standard deviation or limit the distribution is made from, in ``unit``;
    ``u`` is |sensitivity| * value / divisor, in the unit of the result. ``kind`` is 'A' (statistics of this
    run) or 'B' (everything else), JCGM 100:2008 2.3.2 and 2.3.3. ``origin`` says where it came from:
    'measured in this run', 'bench file', 'kit', 'assumed'.
    """

    name: str
    value: float
    unit: str
    distribution: str
    divisor: float
    sensitivity: float
    u: float
    kind: str
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One quantity against a baseline: this run minus that one.

    ``interval`` covers the true change; what both runs share has cancelled in it. ``e_n`` is the difference over
    its expanded uncertainty (ISO 13528:2015 9.7 [clause from memory]), None where either run gives only a bound;
    then ``interval`` may still have an end on one side.
    ``exceeded`` says whether the change is beyond ``max_change``: None where that cannot be said, or none is set.
    """

    baseline: str
    difference: float | None
    interval: tuple[float | None, float | None]
    e_n: float | None
    max_change: float | None = None
    exceeded: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyChange:
    """All quantities of a run against a baseline, as one statement.

    ``changed`` is None where nothing could be compared. ``critical_e_n`` is what the largest |E_n| of an unchanged
    device exceeds with probability ``level``; ``p_value`` is how often it would reach ``largest_e_n``. ``by_bounds``
    are ids of quantities of which a bound proves that they changed; ``unknown`` counts those of which neither that nor
    an E_n is known. ``elsewhere`` are changed quantities of the run this one was judged again from that its recipe no
    longer asks for. ``shared`` and ``differing`` are what cancelled and what the benches had not in common, in words.
    """

    baseline: str
    level: float
    compared: int
    largest_e_n: float | None
    critical_e_n: float | None
    p_value: float | None
    changed: bool | None
    exceeded: bool | None = None
    reason: str = ""
    shared: tuple[str, ...] = ()
    differing: tuple[str, ...] = ()
    by_bounds: tuple[str, ...] = ()
    unknown: int = 0
    elsewhere: tuple[str, ...] = ()

    def sees(self, quantity: str, change: Change) -> bool:
        """Whether this quantity is one of those that changed."""
        critical, e_n = self.critical_e_n, change.e_n
        return quantity in self.by_bounds or (e_n is not None and critical is not None and abs(e_n) > critical)


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One requirement, measured and judged.

    ``value`` is None where only a bound is known; then ``interval[0]`` is the one-sided bound. ``interval``
    ends are None where there is no end. ``margin`` is positive on the conforming side of the limit.
    """

    id: str
    quantity: str
    at: str
    at_hz: float
    unit: str
    value: float | None
    interval: tuple[float | None, float | None]
    coverage: float
    statement: Statement
    path: str | None = None
    port: str | None = None
    bound: Bound | None = None
    limit: Limit = field(default_factory=Limit)
    margin: float | None = None
    probability_conforming: float | None = None
    budget: tuple[Contribution, ...] = ()
    condition: str = ""  # 'within 8 kHz', 'at 70 dB', ... as the recipe states it
    notes: tuple[str, ...] = ()
    change: Change | None = None


class CurveKind(StrEnum):
    """What a plotted curve is."""

    RESPONSE = "response"  # loss of a path, dB, positive
    FLOOR = "floor"  # loss at which noise would hide the device, dB
    LEAKAGE = "leakage"  # loss at which leakage would, dB
    DISPLAY_BOTTOM = "display bottom"  # loss at which the display ends, dB
    RETURN_LOSS = "return loss"  # dB, positive
    THRU_OPENING = "opening thru"  # dBm
    THRU_CLOSING = "closing thru"  # dBm


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Curve:
    """A line of a plot, derived from stored traces; never stored itself.

    ``where`` is a path ('TX-ANT'), a port or 'thru'; ``key`` names the sweep ('overview', 'receive').
    ``value`` may hold NaN where there is nothing to draw; the unit follows from ``kind``.
    """

    kind: CurveKind
    where: str
    key: str
    freq_hz: FloatArray
    value: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "freq_hz", own(self.freq_hz))
        object.__setattr__(self, "value", own(self.value))


@dataclass(frozen=True, slots=True, kw_only=True)
class HookupRecord:
    """One hookup as it stood: what was joined to what, in the order a signal meets it.

    ``chain`` lists the items from generator to analyzer, the device's ports included ('generator', 'lead G',
    '10 dB pad', 'device TX', 'device ANT', ...). ``loads`` maps a port to the load on it.
    ``confirmed_by`` is 'operator', 'switch' or 'simulated switch'.
    """

    name: str
    kind: str
    chain: tuple[str, ...]
    loads: Mapping[str, str]
    confirmed_by: str
    at: datetime
    proof: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceRecord:
    """One stored sweep: file, hash, where it belongs and the settings as read back.

    ``source`` is the saved trace it was read from, None where it was swept; then nothing was read back, and the
    settings are the file's or the operator's.
    """

    file: str
    sha256: str
    hookup: str
    key: str
    role: str
    began: datetime
    used: SweepSettings
    flags: tuple[str, ...] = ()
    source: SavedTrace | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalNote:
    """One thing the run decided, and why; ``kind`` is the journal entry's kind."""

    at: datetime
    kind: str
    what: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Witnessed:
    """A step that a person did and told of: not measured by this bench, and no part of any statement.

    ``readings`` are as typed; none where it was not done.
    """

    name: str
    do: str
    at: datetime
    done: bool
    readings: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A finished (or interrupted) run, whole."""

    record: int = RECORD_VERSION
    program: str
    run_id: str
    simulated: bool
    overall: Statement
    complete: bool
    title: str
    recipe_name: str
    recipe_text: str
    recipe_sha256: str
    bench_text: str
    bench_sha256: str
    decision: str  # the decision rule in plain words
    coverage: float
    serial: str
    conditions: Mapping[str, str]  # temperature, humidity, operator, place, soak, customer ...
    labels: Mapping[str, str]
    identification: Mapping[str, str]  # 'analyzer' -> *IDN? answer, 'switch' -> ...
    equipment: tuple[Mapping[str, str], ...]  # kit items: what, id, calibrated ...
    frequencies: Mapping[str, float]  # name -> Hz
    ports: tuple[str, ...]
    began: datetime
    ended: datetime
    instrument_seconds: float
    wall_seconds: float
    hookups: tuple[HookupRecord, ...]
    traces: tuple[TraceRecord, ...]
    notes: tuple[JournalNote, ...]
    warnings: tuple[str, ...]
    results: tuple[Result, ...]
    parent: str | None = None  # the run whose sweeps were judged again
    judged: datetime | None = None  # when that was done
    resumed: int = 0
    chain: str = ""  # which bench's chain of records this one stands in (see archive.chain); '' in none
    chain_number: int = 0  # 1 for that bench's first record
    previous: str | None = None  # SHA-256 of result.json of that bench's previous record
    change: FamilyChange | None = None
    witnessed: tuple[Witnessed, ...] = ()
    probability_conforming: float | None = None  # that the device meets every limit, from draws of all together

    @property
    def read_from_files(self) -> bool:
        """Whether the sweeps were read from files: then `began` and `ended` are of the reading."""
        return any(trace.source is not None for trace in self.traces)

    @property
    def measured(self) -> tuple[datetime, datetime] | None:
        """Return when the device was measured, first to last; None where that was in files that do not tell it."""
        if not self.read_from_files:
            return self.began, self.ended
        told = [t.began for t in self.traces if t.source is not None and "taken" in t.source.from_file]
        return (min(told), max(told)) if told else None

    @property
    def measuring_began(self) -> datetime:
        """Return when the measuring began, or where no file tells it, when the files were read."""
        return self.measured[0] if self.measured is not None else self.began

    @property
    def changed_without_leave(self) -> tuple[str, ...]:
        """Return the ids of quantities that changed since the baseline and have no `max change` that decides it."""
        family = self.change
        if family is None or not family.changed:
            return ()
        compared = [(result.id, result.change) for result in self.results if result.change is not None]
        seen = [name for name, one in compared if one.max_change is None and family.sees(name, one)]
        return (*seen, *family.elsewhere)
