"""The steps `decide` can ask for. Each carries its reason; the engine journals both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.core.history import Entry, Role, Warned
from sequencer.core.hookup import Hookup
from sequencer.core.trace import SweepSettings
from sequencer.ports import Question

__all__ = [
    "Adjust",
    "Ask",
    "Connect",
    "Done",
    "Drop",
    "Judge",
    "Step",
    "Stop",
    "SweepStep",
    "Void",
    "Wait",
    "Warn",
    "unsaid",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """Put a question to the operator; with the generator turned off first where the answer is about leads."""

    question: Question
    why: str
    generator_off: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Connect:
    """Bring a hookup about. ``refused`` says why what stood there before does not count, if so.

    ``jump_db`` is how far the trace jumped, where that is the reason.
    """

    hookup: Hookup
    why: str
    refused: str = ""
    jump_db: float = 0.0
    check: bool = False  # only to compare the first reference with what it was before the run stopped


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjust:
    """Adjust the generator's tracking at this RBW; anybody but 'command' has done so already."""

    rbw_hz: float
    why: str
    by: str = "command"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """Let time pass on the bench."""

    seconds: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    """Some sweeps of the hookup in place do not count; take them again, ``slower`` times as long."""

    hookup: str
    key: str
    role: Role
    why: str
    slower: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepStep:
    """Take one single sweep, or read the saved trace ``source`` in its place; one of ``repeats`` to be averaged."""

    hookup: str
    key: str
    role: Role
    settings: SweepSettings
    why: str
    source: str = ""
    repeats: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Warn:
    """Say something in the terminal and in the report, and go on."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Judge:
    """Everything a requirement needs is there: state it."""

    requirement: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """Going on would make a wrong number: stop, keep what was taken. ``for_good``: going on later cannot help."""

    why: str
    for_good: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Void:
    """Nothing taken so far can be used any more: say so and begin with the first reference."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """Nothing is left to do."""

    why: str


Step = Ask | Connect | Adjust | Wait | SweepStep | Drop | Warn | Judge | Stop | Void | Done


def unsaid(text: str, history: Sequence[Entry]) -> Warn | None:
    """Return a warning, unless there is nothing to say or it has been given before."""
    return None if not text or any(isinstance(e, Warned) and e.why == text for e in history) else Warn(why=text)
