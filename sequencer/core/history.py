"""The journal of a run as values: what was asked, done, read back and seen, each with its reason.

`decide` reads nothing else of the past, so a run can be planned, resumed and explained from it.
`sequencer.formats.journal` writes these as one JSON line each and reads them back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from sequencer.core.capability import Capabilities
from sequencer.core.hookup import Hookup
from sequencer.core.trace import Sweep, SweepSettings

__all__ = [
    "Adjusted",
    "Answered",
    "Began",
    "Connected",
    "Dropped",
    "Entry",
    "Finished",
    "Identified",
    "Judged",
    "MadeSafe",
    "Refused",
    "Resumed",
    "Role",
    "SavedKind",
    "SavedTrace",
    "Stopped",
    "Swept",
    "Voided",
    "Waited",
    "Warned",
]


class Role(StrEnum):
    """What a sweep is for."""

    FOREIGN = "foreign signals"  # generator off, thru in place
    THRU = "thru"
    NOISE = "noise"  # generator off, both leads loaded
    LEAKAGE = "leakage"  # generator on, both leads loaded
    DEVICE = "device"  # a path
    OPEN = "open"
    SHORT = "short"
    LOAD = "load"  # a good load on the bridge, to see its directivity
    REFLECTION = "reflection"  # a device port on the bridge
    WARM = "warm-up"  # thru: proves it, and shows by its successor whether the bench has settled
    TRACKING = "tracking"  # thru, the narrowest filter: what a generator beside the filter's centre loses
    COMPRESSION = "compression"  # thru and something weaker once more, with more attenuation
    STANDARD = "standard"  # a check standard where the device will sit
    RE_MATED = "re-mated"  # thru, its joint opened and closed again: how well a joint repeats
    CHECK = "check"  # the first reference once more, before anything taken in an earlier session is used


class SavedKind(StrEnum):
    """What a trace that was saved by an instrument holds."""

    LEVEL = "level"
    NORMALISED = "normalised"  # dB against a thru in the instrument's memory
    VECTOR = "vector"  # one S-parameter of a corrected vector analyzer, dB
    LINE = "0 dB line"  # no trace at all: what a normalised or vector one stands against


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedTrace:
    """A trace read from a file in place of a sweep, and how each of its settings is known.

    ``source`` is the file's name, '#' and a part of it where it holds several; unique in a run. ``station`` counts
    the hookups of the run from 0. ``from_file``, ``declared`` and ``unknown`` name settings; the unknown ones stand
    in ``settings`` as they were planned. ``averaging`` is the analyzer's own (off, power, log, voltage; '' where that
    is not known, and in runs of before it was asked). ``notes`` is what was concluded in reading it.
    """

    source: str
    sha256: str
    kind: SavedKind
    station: int
    hookup: Hookup
    key: str
    role: Role
    settings: SweepSettings
    from_file: tuple[str, ...] = ()
    declared: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    averaging: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """Common to all: when (aware UTC, the run's clock) and why, in words for the report."""

    at: datetime
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Began(Entry):
    """First entry of a run.

    ``bench``, ``seed`` and ``speed`` are what the command line gave; a simulated bench is started again from them.
    ``baseline`` is the id of the run whose change is stated, if any. ``traces`` is the folder of saved traces that
    stand in place of sweeps ('' for none), ``declared`` what the operator told of them.
    """

    run_id: str
    program: str
    recipe_sha256: str
    bench_sha256: str
    simulated: bool
    serial: str
    conditions: Mapping[str, str] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)
    bench: str = ""
    seed: int = 1
    speed: float = 0.0
    baseline: str = ""
    traces: str = ""
    declared: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Identified(Entry):
    """The instruments answered, and what the analyzer can do.

    ``switched_on``: the analyzer says that it was switched on since anybody last asked it. ``saved``: what there is
    in place of sweeps, where no instrument answers but files are read.
    """

    identification: Mapping[str, str]
    capabilities: Capabilities
    switched_on: bool = False
    saved: tuple[SavedTrace, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered(Entry):
    """A question was put and answered (``by`` operator, --set or --yes)."""

    question: str
    answer: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Connected(Entry):
    """A hookup is said to be in place; its first sweep has still to prove it.

    ``check``: only to compare the first reference with what it was before the run stopped.
    """

    hookup: Hookup
    by: str
    check: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjusted(Entry):
    """The generator's tracking was adjusted at this RBW: thrus taken before do not count.

    ``by``: command or operator; 'nobody' where it was found right, or could not be turned.
    """

    rbw_hz: float
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Swept(Entry):
    """A sweep was taken and stored. ``key`` is 'overview' or a frequency's name.

    ``source`` names the saved trace it was read from, if so; ``repeats`` is how many such sweeps were then planned.
    """

    hookup: str
    key: str
    role: Role
    sweep: Sweep
    file: str
    sha256: str
    source: str = ""
    repeats: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused(Entry):
    """The hookup in place did not prove itself, or a sweep cannot be used: it is taken again.

    ``hookup`` names it; what was swept since its Connected entry no longer counts. ``jump_db`` is how far its
    trace jumped between two sweeps, where that is the reason.
    """

    hookup: str
    jump_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Waited(Entry):
    """Time was let pass, for a bench to warm up."""

    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropped(Entry):
    """Sweeps of the hookup in place that no longer count, though it was not touched.

    ``key`` and ``role`` name them; where ``slower`` is set they are taken again in a sweep so many times as long.
    """

    hookup: str
    key: str
    role: Role
    slower: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Warned(Entry):
    """Something the report must say; the text is in ``why``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged(Entry):
    """A requirement's result became known."""

    result_id: str
    statement: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeSafe(Entry):
    """The generator was turned off; ``proven`` says whether the instrument confirmed it."""

    proven: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped(Entry):
    """The run ended early: an error, Ctrl-C, a signal. It can be resumed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Resumed(Entry):
    """A new session with the bench in the same run: by `resume`, or by the run ``itself`` after trouble on a link.

    ``hookup`` names the one that was in progress ('' for none): what was swept there no longer counts. The rest
    counts once a check has shown that the bench is as it was; a Voided entry says that it does not.
    """

    program: str
    hookup: str
    itself: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Voided(Entry):
    """Nothing swept before this counts any more: another bench, one that was switched off, or one that moved."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finished(Entry):
    """The run is whole; nothing follows."""
