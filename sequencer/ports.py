"""What the sequencer asks of the outside. The consumer owns these interfaces."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from sequencer.core.capability import Capabilities
from sequencer.core.history import Entry, SavedTrace
from sequencer.core.hookup import Hookup
from sequencer.core.record import Curve, Record
from sequencer.core.trace import Sweep, SweepSettings

__all__ = [
    "BACK",
    "Analyzer",
    "Clock",
    "Listener",
    "Operator",
    "Progress",
    "Question",
    "ReportWriter",
    "RunStore",
    "SavedTraces",
    "Switch",
]


class Clock(Protocol):
    """Time. The simulated bench brings its own, so that a simulated soak costs no wall time."""

    def now(self) -> datetime:
        """Aware UTC."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let time pass on the bench."""
        ...


class Analyzer(Protocol):
    """A spectrum analyzer with tracking generator (real or simulated; one test suite runs on both)."""

    def identification(self) -> Mapping[str, str]:
        """Identification strings, instrument's role -> answer to *IDN?."""
        ...

    def capabilities(self) -> Capabilities:
        """What it can do."""
        ...

    def switched_on(self) -> bool:
        """Whether it says that it was switched on since anybody last asked it (False where it cannot say)."""
        ...

    def begin_anew(self) -> None:
        """Begin a whole new session: generator off, reset, asked again who it is and what it can do; BenchError."""
        ...

    def sweep(self, asked: SweepSettings) -> Sweep:
        """Take one single sweep; BenchError when it cannot be trusted. Never waits inside the instrument."""
        ...

    def adjust_tracking(self, rbw_hz: float) -> None:
        """Adjust the generator onto the centre of the RBW filter (thru in place, generator on)."""
        ...

    def make_safe(self) -> bool:
        """Generator off; True when the instrument confirmed it. Never raises."""
        ...

    def close(self) -> None:
        """Make safe and let go of the bus. Never raises."""
        ...


class SavedTraces(Protocol):
    """Traces that an instrument saved, in place of sweeps."""

    @property
    def traces(self) -> tuple[SavedTrace, ...]:
        """What there is, in the order of the run."""
        ...

    def read(self, source: str) -> Sweep:
        """Return one of them; its settings are the file's or the operator's, never read back."""
        ...


class Switch(Protocol):
    """Brings a hookup about: the operator's hands, or an RF switch matrix."""

    def connect(self, hookup: Hookup) -> str:
        """Bring it about; returns who did ('operator', 'switch', 'simulated switch'). GaveUpError if declined."""
        ...

    def close(self) -> None:
        """Let go. Never raises."""
        ...


BACK = "back to the answer before"


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A question to the operator. ``key`` names it in the journal; ``safe_answer`` is what --yes may say.

    A question without a safe answer (a locked-out transmitter on a real bench) is never answered by --yes. One that
    must be answered ``in_person`` is not answered by --set either. ``wrong`` says, in words, what is wrong with an
    answer ('' for a good one). One with ``choices`` is answered by typing one of them, never by Enter alone. With
    ``back``, the answer BACK takes the person's answer before this question back.
    """

    key: str
    text: str
    cautions: tuple[str, ...] = ()
    safe_answer: str | None = None
    choices: tuple[str, ...] = ()
    in_person: bool = False
    wrong: Callable[[str], str] = lambda _: ""
    back: bool = False


class Operator(Protocol):
    """The person at the bench."""

    def ask(self, question: Question) -> tuple[str, str]:
        """Return (answer, by) with by = 'operator', '--set' or '--yes'. GaveUpError if nobody can answer."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far the run is: seconds done and still expected, of sweeps, waits and hands.

    The hands' are counted as `check` counts them, however long a person really took; averages and waits that turn out
    to be needed come on top. ``check``: what is connected next only checks what an earlier session took.
    ``at_once``: nothing else will be told for long.
    """

    done_s: float
    left_s: float
    step: str
    hookups_done: int = 0
    hookups_all: int = 0
    check: bool = False
    at_once: bool = False


class Listener(Protocol):
    """Whoever follows the run: the terminal, a test."""

    def heard(self, entry: Entry) -> None:
        """One journal entry, after it was stored."""
        ...

    def progress(self, progress: Progress) -> None:
        """Before each sweep."""
        ...


class RunStore(Protocol):
    """Where a run lives. Every call is durable (fsync) before it returns; StoreError otherwise."""

    def store_sweep(self, hookup: str, key: str, role: str, sweep: Sweep) -> tuple[str, str]:
        """Write the next trace file; return (file relative to the run folder, sha256)."""
        ...

    def append(self, entry: Entry) -> None:
        """Append one line to the journal."""
        ...

    def finish(self, record: Record, report_html: str) -> Record:
        """Write result.json, report.html and the manifest, each whole or not at all.

        Returns the record as stored, with its place in the bench's chain of records.
        """
        ...


class ReportWriter(Protocol):
    """Renders a record."""

    def __call__(self, record: Record, curves: Sequence[Curve]) -> str:
        """Return the report as one HTML text."""
        ...
