"""The simulated bench in this process: the run's own steps, the dialect's own messages, and no socket.

What a socket would carry is carried by a call into the instrument's message exchange; a setting that is swept again
and again for its average is asked for so once, then of the instrument itself. So thousands of runs cost minutes and
say the same digits (`coverage.py --over-socket` shows it).
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from instruments import dialects
from instruments.analyzer import ScpiAnalyzer
from instruments.simulated.analyzer import Analyzer
from instruments.simulated.bench import Bench as SimulatedBench
from instruments.simulated.commands import Exchange
from instruments.simulated.variants import load_variant
from sequencer.core.history import Began, Entry
from sequencer.core.hookup import Hookup
from sequencer.core.trace import Flag, FloatArray, Sweep, SweepSettings, Trace
from sequencer.ports import Progress, Question
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.engine import Bystanders, Engine
from sequencer.run.policy import decide
from sequencer.run.steps import Done, Judge

__all__ = ["InProcess", "dialect_of", "take"]


_variant, _dialect = cache(load_variant), cache(dialects.load)
_LEARNT = Path(__file__).resolve().parents[1] / "data" / "dialects"  # see SOURCE.md there
_DECIMALS = re.compile(r"%\+?\.(\d+)f")
START = datetime(2026, 1, 1, tzinfo=UTC)


def dialect_of(variant: str) -> str:
    """Return the shipped dialect that fits a variant, or the file that the probe wrote of it."""
    return variant if variant in dialects.names() else str(_LEARNT / f"{variant}.yaml")


def _payload(answer: bytes) -> bytes:
    """Return what is in a block of stated length, whatever header is repeated before it."""
    block = answer[answer.index(b"#") :]
    digits = int(block[1:2])
    return block[2 + digits : 2 + digits + int(block[2 : 2 + digits])]


class CallLink:
    """Looks like `instruments.link.Link`; a message is executed by calling the instrument."""

    def __init__(self, instrument: Analyzer, bench: SimulatedBench) -> None:
        self.resource, self.dead = "in process", ""
        self.timeout_s, self.log_must_work = 5.0, True
        self._exchange, self._time = Exchange(instrument), bench.time

    def write(self, command: str) -> None:
        """Execute a message and let its time pass, as the server does at speed 0."""
        for _ in self._exchange.write(command):
            self._time.finish()
        self._time.finish()
        self._time.owed_s = 0.0

    def query(self, command: str) -> str:
        """Execute a message and return its answer."""
        self.write(command)
        return self._exchange.take().decode("ascii").rstrip("\r\n")

    def query_block(self, command: str, unstated: int | None = None) -> bytes:
        """Execute a message and return the payload of the block it answers with; the bench states every length."""
        del unstated
        self.write(command)
        return _payload(self._exchange.take())

    def query_trace(self, command: str) -> bytes | str:
        """Return the payload where the answer is a block, else the text."""
        self.write(command)
        answer = self._exchange.take()
        return _payload(answer) if b"#" in answer[:100] else answer.decode("ascii").rstrip("\r\n")

    def close(self) -> None:
        """Nothing to let go of."""


class _Repeating(ScpiAnalyzer):
    """Takes the third and later repeats of one setting from the instrument itself, rounded as its traces are."""

    def __init__(self, link: Any, instrument: Analyzer, bench: SimulatedBench, dialect: Any, clock: Any) -> None:
        self._instrument, self._bench = instrument, bench
        self._last: Sweep | None = None
        self._again, self._took_s, self._ended_s = 0, 0.0, -1.0
        super().__init__(link, dialect, clock, pause=lambda _: None)

    def sweep(self, asked: SweepSettings) -> Sweep:
        """See `ScpiAnalyzer`; a repeat takes as long as the second one, which has set nothing up."""
        began_s, last = self._bench.time.now_s, self._last
        repeated = last is not None and asked == last.asked and began_s == self._ended_s and not last.flags
        self._again = self._again + 1 if repeated else 0
        if last is None or self._again < 2:
            self._last = super().sweep(asked)
            self._took_s = self._bench.time.now_s - began_s
        else:
            reading = self._instrument._sweep()
            flags = frozenset(map(Flag, reading.flags))
            trace = Trace(last.trace.freq_hz, self._rounded(reading.level_dbm))
            self._last = replace(last, trace=trace, began=self._clock.now(), flags=flags)
            self._bench.time.spend(self._took_s)
        self._ended_s = self._bench.time.now_s
        return self._last

    def _rounded(self, level_dbm: FloatArray) -> FloatArray:
        """Return levels as a trace would carry them: with so many decimals, or as 32-bit reals."""
        kind, form = self._instrument._settings.format, self._instrument._variant.ascii_levels
        if kind.startswith("REAL"):
            return level_dbm.astype(np.float32).astype(np.float64) if kind.endswith("32") else level_dbm
        decimals = _DECIMALS.fullmatch(form)
        if decimals is None:
            return np.array([float(form % level) for level in level_dbm])
        return np.round(level_dbm, int(decimals[1]))


class InProcess:
    """A simulated bench with its analyzer and clock."""

    def __init__(self, bench: SimulatedBench, variant: str, *, connect: bool = True) -> None:
        self.bench = bench
        if not connect:  # the analyzer is reached in some other way
            return
        known = _variant(variant)
        instrument = Analyzer(bench, known)
        self.analyzer: Any = _Repeating(
            CallLink(instrument, bench), instrument, bench, _dialect(dialect_of(variant)), self
        )

    def now(self) -> datetime:
        """Aware UTC of the simulated clock."""
        return START + timedelta(seconds=self.bench.time.now_s)

    def sleep(self, seconds: float) -> None:
        """Let simulated time pass."""
        self.bench.time.spend(seconds)


class _Bystanders:
    """Everything outside that the engine asks for, in memory."""

    def __init__(self, place: InProcess) -> None:
        self.place = place

    def connect(self, hookup: Hookup) -> str:
        """See `Switch`."""
        self.place.bench.connect(hookup.name)
        return "simulated switch"

    def ask(self, question: Question) -> tuple[str, str]:
        """See `Operator`."""
        return question.safe_answer or question.choices[0], "test"

    def store_sweep(self, hookup: str, key: str, role: str, sweep: Sweep) -> tuple[str, str]:
        """See `RunStore`."""
        return "", ""

    def append(self, entry: Entry) -> None:
        """See `RunStore`."""

    def heard(self, entry: Entry) -> None:
        """See `Listener`."""

    def progress(self, progress: Progress) -> None:
        """See `Listener`."""


class _Engine(Engine):
    """The engine without its account of the time left, which nobody looks at here."""

    def _progress(self, text: str, *, check: bool = False) -> Progress:
        del check
        return Progress(done_s=0.0, left_s=0.0, step=text)


def take(recipe: Recipe, bench: Bench, place: InProcess) -> list[Entry]:
    """Run a recipe by the engine's own steps until every sweep is taken; return the journal.

    Raises
    ------
    NotchbookError
        When the run stops itself.
    """
    around: Any = _Bystanders(place)
    outside = Bystanders(
        analyzer=place.analyzer, switch=around, operator=around, store=around, clock=place, listener=around,
        write_report=around,
    )  # fmt: skip
    began = Began(
        at=place.now(), why="", run_id="coverage", program="", recipe_sha256="", bench_sha256="", simulated=True,
        serial="",
    )  # fmt: skip
    engine = _Engine(recipe, bench, outside, began)
    engine._append(began)
    engine._identify()
    while not isinstance(step := decide(recipe, bench, engine.history), Judge | Done):
        engine._do(step)
    return engine.history
