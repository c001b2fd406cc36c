"""The engine: the generator is off at both ends, every sweep is stored before it counts, errors keep the run."""

from __future__ import annotations

import dataclasses
import itertools
from datetime import UTC, datetime, timedelta

import pytest

from sequencer.core.history import (
    Adjusted,
    Began,
    Connected,
    Finished,
    Identified,
    Judged,
    MadeSafe,
    Refused,
    Role,
    Stopped,
    Swept,
)
from sequencer.errors import GaveUpError, HookupError, InstrumentError, InterruptedRunError, StoreError
from sequencer.ports import Progress
from sequencer.recipe.model import Bench, Recipe, SwitchFile
from sequencer.run.engine import Bystanders, Engine
from sequencer.run.predict import TYPICAL, Predicted, forecast
from sequencer.run.steps import SweepStep

AT = datetime(2026, 1, 1, tzinfo=UTC)

SWITCH = SwitchFile(
    resource="none",
    hookups=dict.fromkeys(
        (
            "thru",
            "floor",
            "TX-ANT",
            "TX-RX",
            "ANT-RX",
            *(f"reflect-{end}" for end in ("open", "short", "TX", "RX", "ANT")),
        ),
        "CLOSE",
    ),
)


class World:
    """Analyzer, switch, operator, store, clock and listener in one, with a log and planned mishaps."""

    def __init__(self, recipe: Recipe, bench: Bench) -> None:
        self.predicted = Predicted(recipe, bench, TYPICAL, best=True)
        self.log: list[str] = []
        self.entries: list[object] = []
        self.stored = 0
        self.finished = None
        self.hookup = None
        self.on = False
        self.mishap = lambda what: None
        self.time = 0.0
        self.told: list[Progress] = []

    # analyzer
    def identification(self):
        return {"analyzer": "Invented,test,0,0"}

    def capabilities(self):
        return TYPICAL

    def switched_on(self):
        return False

    def begin_anew(self):
        self.mishap("begin anew")

    def sweep(self, asked):
        self.mishap(f"sweep {self.stored + 1}")
        self.on = asked.generator_dbm is not None
        role = Role.NOISE if not self.on else Role.DEVICE
        if self.hookup.test_port in {"open", "short"}:
            role = Role(self.hookup.test_port)
        step = SweepStep(hookup=self.hookup.name, key="", role=role, settings=asked, why="")
        self.log.append("sweep")
        return self.predicted.sweep(self.hookup, step)

    def adjust_tracking(self, rbw_hz):
        self.log.append("adjust")

    def make_safe(self):
        self.on = False
        self.log.append("safe")
        return True

    def close(self):
        self.make_safe()

    # switch and operator
    def connect(self, hookup):
        self.mishap(f"connect {hookup.name}")
        self.hookup = hookup
        return "test"

    def ask(self, question):
        return question.safe_answer or "yes", "test"

    # store
    def store_sweep(self, hookup, key, role, sweep):
        self.mishap("store")
        self.stored += 1
        return f"traces/{self.stored:03d}.csv", "0" * 64

    def append(self, entry):
        self.mishap("append")
        if isinstance(entry, Swept):
            assert entry.file == f"traces/{self.stored:03d}.csv"  # on disk before the journal names it
        self.entries.append(entry)

    def finish(self, record, report_html):
        self.finished = (record, report_html)
        return record

    # clock and listener
    def now(self):
        self.time += 1.0
        return AT + timedelta(seconds=self.time)

    def sleep(self, seconds):
        pass

    def heard(self, entry):
        pass

    def progress(self, progress):
        assert progress.left_s >= 0.0
        self.told.append(progress)


@pytest.fixture
def world(recipe: Recipe, bench: Bench) -> World:
    return World(recipe, bench)


def engine(recipe: Recipe, bench: Bench, world: World) -> Engine:
    began = Began(
        at=AT,
        why="test",
        run_id="r",
        program="p",
        recipe_sha256="",
        bench_sha256="",
        simulated=True,
        serial="S",
    )
    outside = Bystanders(
        analyzer=world,
        switch=world,
        operator=world,
        store=world,
        clock=world,
        listener=world,
        write_report=lambda record, curves: f"{record.run_id} {len(curves)}",
        wall=lambda: 0.0,
    )
    return Engine(recipe, bench, outside, began)


def test_a_whole_run_leaves_a_complete_record(recipe: Recipe, bench: Bench, world: World) -> None:
    record = engine(recipe, bench, world).run()
    assert world.finished is not None
    assert world.finished[0] is record
    assert record.complete
    assert [r.id for r in record.results] == [r.id for r in recipe.requirements]
    assert record.instrument_seconds > 0.0
    assert len(record.traces) == world.stored
    kinds = [type(e) for e in world.entries]
    assert kinds[:2] == [Began, Identified]
    assert kinds[-1] is Finished
    last_swept = max(n for n, kind in enumerate(kinds) if kind is Swept)
    assert next(kind for kind in kinds[last_swept:] if kind in (MadeSafe, Judged)) is MadeSafe
    assert kinds.count(Adjusted) == 1
    assert not world.on


@pytest.mark.parametrize(
    ("when", "error"),
    [
        pytest.param("sweep 5", InstrumentError("error queue: -222"), id="instrument"),
        pytest.param("connect TX-ANT", GaveUpError("declined"), id="operator declines"),
        pytest.param("store", StoreError("disk full"), id="disk full"),
    ],
)
def test_any_error_turns_the_generator_off_and_keeps_the_run(
    recipe: Recipe, bench: Bench, world: World, when: str, error: Exception
) -> None:
    def mishap(what: str) -> None:
        if what == when:
            raise error

    world.mishap = mishap
    with pytest.raises(type(error)):
        engine(recipe, bench, world).run()
    assert not world.on
    assert world.log[-1] == "safe"
    assert world.finished is None
    assert isinstance(world.entries[-1], Stopped)
    assert isinstance(world.entries[-2], MadeSafe)


def test_ctrl_c_is_an_interrupted_run(recipe: Recipe, bench: Bench, world: World) -> None:
    def mishap(what: str) -> None:
        if what == "sweep 7":
            raise KeyboardInterrupt

    world.mishap = mishap
    with pytest.raises(InterruptedRunError):
        engine(recipe, bench, world).run()
    assert world.log[-1] == "safe"
    assert isinstance(world.entries[-1], Stopped)
    assert sum(isinstance(e, Swept) for e in world.entries) == 6


def test_a_journal_that_cannot_be_written_still_turns_the_generator_off(
    recipe: Recipe, bench: Bench, world: World
) -> None:
    count = {"n": 0}

    def mishap(what: str) -> None:
        if what == "append":
            count["n"] += 1
            if count["n"] > 12:
                raise StoreError("share gone")

    world.mishap = mishap
    with pytest.raises(StoreError):
        engine(recipe, bench, world).run()
    assert world.log[-1] == "safe"


def test_a_hookup_that_never_proves_itself_stops_the_run(recipe: Recipe, bench: Bench, world: World) -> None:
    honest = world.predicted._signal
    world.predicted._signal = lambda hookup, role, grid: -40.0 if hookup.name == "floor" else honest(hookup, role, grid)
    with pytest.raises(HookupError, match="come through where both leads should end in loads"):
        engine(recipe, bench, world).run()
    assert sum(isinstance(e, Connected) and e.hookup.name == "floor" for e in world.entries) == 3


@pytest.mark.parametrize("switch", [None, SWITCH], ids=["by hand", "by a switch"])
def test_the_generator_is_off_while_a_person_moves_leads(
    recipe: Recipe, bench: Bench, world: World, switch: SwitchFile | None
) -> None:
    """And stays as it is where relays do it: nobody is near, and nothing is gained."""
    bench = dataclasses.replace(bench, switch=switch)
    was_on: list[bool] = []
    world.mishap = lambda what: was_on.append(world.on) if what.startswith("connect") else None
    engine(recipe, bench, world).run()
    assert len(was_on) >= 8
    assert any(was_on) == (switch is not None)
    assert bool(world.log.count("safe") > 3) == (switch is None)


def test_a_generator_that_does_not_confirm_is_told_before_each_lead(
    recipe: Recipe, bench: Bench, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(world, "make_safe", lambda: False)
    engine(recipe, bench, world).run()
    for before, entry in itertools.pairwise(world.entries):
        if isinstance(entry, Connected) and entry.hookup.name != "thru":
            read_back_off = isinstance(before, Swept) and before.sweep.used.generator_dbm is None
            assert read_back_off or isinstance(before, MadeSafe | Refused)
    assert not any(entry.proven for entry in world.entries if isinstance(entry, MadeSafe))


def test_an_off_that_is_not_confirmed_is_sent_once_more(
    recipe: Recipe, bench: Bench, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(world, "make_safe", itertools.cycle([False, True]).__next__)
    monkeypatch.setattr(world, "connect", lambda hookup: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(InterruptedRunError):
        engine(recipe, bench, world).run()
    assert [entry.proven for entry in world.entries if isinstance(entry, MadeSafe)] == [True]


@pytest.mark.parametrize("switch", [None, SWITCH], ids=["by hand", "by a switch"])
@pytest.mark.parametrize("warm_up_s", [0.0, 600.0])
def test_the_time_left_is_what_check_foretells_and_shrinks_to_nothing(
    recipe: Recipe, bench: Bench, world: World, switch: SwitchFile | None, warm_up_s: float
) -> None:
    """Hands, sweeps and waits alike: on a bench without a switch the hands are nearly all of it."""
    bench = dataclasses.replace(bench, switch=switch)
    recipe = dataclasses.replace(recipe, warm_up_s=warm_up_s)
    told = forecast(recipe, bench)
    assert (told.hands_s > 300.0) == (switch is None)
    sweeping_s = told.total_s - told.hands_s - warm_up_s
    engine(recipe, bench, world).run()
    first, last = world.told[0], world.told[-1]
    assert first.done_s == 0.0
    # what adjusts the generator and proves the thru is no part of the plan, and the median of noise that planning goes
    # by once it is swept stands 1 dB below the noise that is assumed
    small_s = 0.15 * sweeping_s
    assert first.left_s == pytest.approx(told.total_s, abs=small_s)
    assert last.left_s < small_s
    for before, after in itertools.pairwise(world.told):
        assert after.done_s >= before.done_s
        assert after.done_s + after.left_s == pytest.approx(told.total_s, abs=small_s)
    half = next(p for p in world.told if p.hookups_done == 5)
    assert 0.3 * told.hands_s <= half.left_s <= 0.8 * told.total_s


def test_an_interrupted_run_goes_on_with_the_time_that_was_left(recipe: Recipe, bench: Bench, world: World) -> None:
    recipe = dataclasses.replace(recipe, warm_up_s=600.0)
    world.mishap = lambda what: (_ for _ in ()).throw(GaveUpError("declined")) if what == "connect TX-ANT" else None
    with pytest.raises(GaveUpError):
        engine(recipe, bench, world).run()
    before = world.told[-1]
    world.mishap = lambda what: None
    again = engine(recipe, bench, world)
    again.history.extend(world.entries)
    world.told.clear()
    again.resume("p")
    assert world.told[0].done_s == pytest.approx(before.done_s)
    assert world.told[0].left_s == pytest.approx(before.left_s)
    assert world.told[0].done_s > 600.0


@pytest.mark.parametrize("switch", [None, SWITCH], ids=["by hand", "by a switch"])
@pytest.mark.parametrize("noise_dbm_hz", [-150.0, -140.0, -128.0])
def test_what_check_foretells_is_what_a_run_on_that_bench_does(
    recipe: Recipe, bench: Bench, monkeypatch, switch: SwitchFile | None, noise_dbm_hz: float
) -> None:
    """Hookup by hookup: every sweep with its settings, how often, and the seconds; on the bench that it foretells."""
    bench = dataclasses.replace(bench, switch=switch)
    caps = dataclasses.replace(TYPICAL, noise_dbm_hz=noise_dbm_hz)
    told = forecast(recipe, bench, caps)
    world = World(recipe, bench)
    world.predicted = Predicted(recipe, bench, caps, best=True)
    monkeypatch.setattr(world, "capabilities", lambda: caps)
    record = engine(recipe, bench, world).run()
    done: list[tuple[str, list[tuple[str, Role, object]]]] = []
    for entry in world.entries:
        if isinstance(entry, Connected):
            done.append((entry.hookup.name, []))
        elif isinstance(entry, Swept):
            done[-1][1].append((entry.key, entry.role, entry.sweep.asked))
    foretold = [
        (h.hookup.name, [(s.key, s.role, s.settings) for s in h.sweeps for _ in range(s.repeats)]) for h in told.hookups
    ]
    assert done == foretold
    sweeping_s = sum(s.seconds for h in told.hookups for s in h.sweeps)
    assert record.instrument_seconds == pytest.approx(sweeping_s)
    assert told.total_s == pytest.approx(sweeping_s + told.hands_s)
