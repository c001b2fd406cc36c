"""The simulated bench in this process: the run's own steps and the analyzer's own commands, without a socket.

What a socket would carry is carried by a call, so thousands of runs cost seconds and say the same digits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from instruments import dialects
from instruments.analyzer import LONGEST_SWEEP_S, ScpiAnalyzer
from instruments.simulated.analyzer import PEAKING_S, SETTLING_S, Analyzer
from instruments.simulated.bench import Bench as SimulatedBench
from instruments.simulated.commands import Exchange
from instruments.simulated.settings import Settings
from instruments.simulated.variants import Variant, load_variant
from sequencer.core.capability import Capabilities
from sequencer.core.history import Began, Entry
from sequencer.core.hookup import Hookup
from sequencer.core.trace import Flag, Sweep, SweepSettings, Trace
from sequencer.errors import MeasurementError
from sequencer.ports import Progress, Question
from sequencer.recipe.model import Bench, Recipe
from sequencer.run import matrix, policy, resume, steadiness, tracking, visits, warmup
from sequencer.run.engine import Bystanders, Engine
from sequencer.run.policy import decide
from sequencer.run.steps import Done, Judge

__all__ = ["InProcess", "take"]


def _remember() -> None:
    """What `decide` asks again at every step with the same values is asked once; both are pure."""
    plans: dict[object, Any] = {}
    make_plan, jump_db = matrix.make_plan, steadiness.jump_db
    jumps: dict[tuple[int, int, float], tuple[float, Sweep, Sweep]] = {}

    def remembered_plan(recipe: Recipe, bench: Bench, caps: Capabilities, known: Any) -> Any:
        key = (id(recipe), id(bench), id(caps), known)
        if key not in plans:
            if len(plans) > 50:
                plans.clear()
            plans[key] = (make_plan(recipe, bench, caps, known), recipe, bench, caps)  # kept alive: an id is for life
        return plans[key][0]

    def remembered_jump(first: Sweep, second: Sweep, noise_dbm_hz: float) -> float:
        key = (id(first), id(second), noise_dbm_hz)
        if key not in jumps:
            if len(jumps) > 5000:
                jumps.clear()
            jumps[key] = (jump_db(first, second, noise_dbm_hz), first, second)
        return jumps[key][0]

    matrix.make_plan = remembered_plan
    steadiness.jump_db = remembered_jump
    stays = _of_last_history(visits.visits)
    visits.visits = stays
    learnt = _of_last_history(visits.known)
    for module in (matrix, policy, resume, steadiness, tracking, warmup):
        for name, cached in (("visits", stays), ("known", learnt)):
            if hasattr(module, name):
                setattr(module, name, cached)


def _of_last_history(function: Callable[[Any], Any]) -> Callable[[Any], Any]:
    """Return the function with its last answer kept: one step asks it several times about one journal."""
    last: list[Any] = [None, None, None]

    def asked(history: Any) -> Any:
        if last[0] is not history or last[1] != len(history):
            last[:] = [history, len(history), function(history)]
        return last[2]

    return asked


_remember()

_variant = cache(load_variant)
COMMANDS_S = 0.015  # of simulated time, for the messages round one sweep
START = datetime(2026, 1, 1, tzinfo=UTC)


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

    def query_block(self, command: str) -> bytes:
        """Execute a message and return the payload of the block it answers with."""
        self.write(command)
        answer = self._exchange.take()
        digits = int(answer[1:2])
        return answer[2 + digits : 2 + digits + int(answer[2 : 2 + digits])]

    def close(self) -> None:
        """Nothing to let go of."""


class Direct:
    """The analyzer of a variant, its settings put where its commands would put them; asked once what it can do.

    Reading and writing text is most of a sweep's cost. That nothing else differs, `coverage.py --over-socket` shows.
    """

    def __init__(self, bench: SimulatedBench, variant: Variant, clock: InProcess) -> None:
        spoken = ScpiAnalyzer(
            CallLink(Analyzer(bench, variant), bench), dialects.load(variant.name), clock, pause=lambda _: None
        )  # type: ignore[arg-type]
        self._who, self._can = spoken.identification(), spoken.capabilities()
        self._bench, self._variant, self._clock = bench, variant, clock
        self._detectors = {kind: word for word, kind in variant.detectors.items()}
        self._last: Settings | None = None

    def identification(self) -> Mapping[str, str]:
        """See `Analyzer`."""
        return self._who

    def capabilities(self) -> Capabilities:
        """See `Analyzer`."""
        return self._can

    def switched_on(self) -> bool:
        """See `Analyzer`."""
        return False

    def sweep(self, asked: SweepSettings) -> Sweep:
        """See `Analyzer`."""
        v, now = self._variant, Settings(self._variant)
        low, high = self._can.points
        points = asked.points if low != high else low
        now.start_hz, now.stop_hz, now.points = asked.start_hz, asked.stop_hz, points
        now.fixed_rbw_hz, now.fixed_sweep_time_s = v.rbw(asked.rbw_hz), asked.sweep_time_s
        now.fixed_attenuation_db, now.reference_dbm = v.attenuation(asked.attenuation_db), asked.reference_dbm
        now.output, now.detector = asked.generator_dbm is not None, self._detectors[asked.detector.value]
        if asked.generator_dbm is not None:
            now.generator_dbm = v.generator(asked.generator_dbm)
        now.continuous, self._last = False, now
        if now.sweep_time_s > LONGEST_SWEEP_S:
            msg = f"one sweep would last {now.sweep_time_s:.0f} s"
            raise MeasurementError(msg)
        self._bench.time.spend(COMMANDS_S)
        began = self._clock.now()
        reading = self._bench.sweep(now.request())
        duration_s = SETTLING_S + now.sweep_time_s
        self._bench.time.spend(duration_s)
        bottom = None if v.display_range_db is None else now.reference_dbm - v.display_range_db
        used = replace(
            asked, points=points, rbw_hz=now.rbw_hz, attenuation_db=now.attenuation_db,
            generator_dbm=now.generator_dbm if now.output else None, sweep_time_s=now.sweep_time_s,
            display_bottom_dbm=bottom,
        )  # fmt: skip
        flags = frozenset(Flag(flag) for flag in reading.flags)
        return Sweep(Trace(used.grid_hz(), reading.level_dbm), asked, used, flags, began, duration_s)

    def adjust_tracking(self, rbw_hz: float) -> None:
        """See `Analyzer`: the instrument looks for a signal first, then peaks it."""
        assert self._last is not None
        self._last.fixed_rbw_hz, self._last.output = self._variant.rbw(rbw_hz), True
        self._bench.sweep(self._last.request())
        self._bench.time.spend(PEAKING_S)
        self._bench.adjust_tracking(self._last.rbw_hz)


class InProcess:
    """A simulated bench with its analyzer and clock; ``dialect`` and variant share their name."""

    def __init__(self, bench: SimulatedBench, variant: str, *, connect: bool = True) -> None:
        self.bench = bench
        if not connect:  # the analyzer is reached in some other way
            return
        self.analyzer: Any = Direct(bench, _variant(variant), self)

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

    def _progress(self, text: str) -> Progress:
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
