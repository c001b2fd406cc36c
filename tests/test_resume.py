"""Nothing lost: a run that dies at any write, fsync or rename is resumed to the same plan and the same values.

The bench here is deterministic: what it reads depends on the hookup, the setting and the how-manyeth repeat since the
hookup was connected, so taking a hookup again gives the same levels to the last bit. (The simulated bench of
`--bench simulated` goes on instead: new matings and new noise, as a real one. tests/benchmarks/kills.py resumes that
one, and compares within what noise and connections explain.)
"""

from __future__ import annotations

import dataclasses
import errno
import os
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO

import pytest

from sequencer.archive.disk import Disk
from sequencer.archive.reading import open_run, verify_run
from sequencer.archive.runfolder import RunFolder
from sequencer.core.history import (
    Adjusted,
    Answered,
    Began,
    Connected,
    Dropped,
    Entry,
    Finished,
    Judged,
    MadeSafe,
    Resumed,
    Role,
    Stopped,
    Swept,
    Voided,
    Waited,
)
from sequencer.core.record import Record
from sequencer.core.trace import Trace
from sequencer.errors import (
    GaveUpError,
    HookupError,
    InstrumentError,
    LinkError,
    LinkTimeoutError,
    NotchbookError,
    StoreError,
)
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Bench, Recipe
from sequencer.run import matrix
from sequencer.run.engine import Bystanders, Engine, left_to_sweep
from sequencer.run.plan import make_plan
from sequencer.run.planned import Plan
from sequencer.run.policy import LOCKED_OUT
from sequencer.run.predict import TYPICAL, TYPICAL_BENCH, Predicted
from sequencer.run.steps import SweepStep
from sequencer.run.visits import visits

AT = datetime(2026, 1, 1, tzinfo=UTC)

RECIPE = """\
recipe: 1
name: one-cavity
title: One cavity (invented)
device: {ports: [IN, OUT]}
frequencies: {pass: 146.610 MHz, stop: 146.010 MHz}
overview: {from: 145 MHz, to: 148 MHz}
limits:
  - {quantity: insertion loss, path: IN-OUT, at: pass, max: 1.6 dB}
  - {quantity: rejection, path: IN-OUT, at: stop, min: 15 dB}
  - {quantity: return loss, port: IN, at: pass, min: 15 dB}
"""


SETTLED = 6  # sweeps of the thru: noise, to warm up, tracking twice, to warm up again; then the one that counts


class Died(BaseException):
    """The process dies here: no handler of ours may run usefully after it."""


class FailingDisk(Disk):
    """Fails at the nth operation that changes something; a failing write leaves half of its data.

    ``dies``: the process is gone, so every later operation fails as well. Nothing is really synced: this is about
    order, not about the disk.
    """

    def __init__(self, fail_at: int = 0, *, dies: bool = False) -> None:
        self.fail_at, self.dies, self.done = fail_at, dies, 0

    def _step(self, half: Callable[[], object] = lambda: None) -> None:
        self.done += 1
        if self.done == self.fail_at or (self.dies and 0 < self.fail_at < self.done):
            if self.done == self.fail_at:
                half()
            if self.dies:
                raise Died
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def write(self, file: BinaryIO, data: bytes) -> None:
        self._step(lambda: file.write(data[: len(data) // 2]))
        super().write(file, data)

    def sync(self, file: BinaryIO) -> None:
        self._step()

    def rename(self, old: Path, new: Path) -> None:
        self._step()
        super().rename(old, new)

    def sync_folder(self, path: Path) -> None:
        self._step()

    def truncate(self, file: BinaryIO, length: int) -> None:
        self._step()
        super().truncate(file, length)


class Lab:
    """A deterministic bench, its operator and its clock, with planned mishaps; outlives the programs that use it."""

    def __init__(self, recipe: Recipe, bench: Bench) -> None:
        self.recipe, self.bench = recipe, bench
        self.mishap: Callable[[str], None] = lambda what: None
        self.lost_db = 0.0  # the reference reads this much less
        self.identity = "Invented,test,0,0"
        self.remark: Callable[[], str] = str
        self.others = {"switch": "Invented,matrix,0,0"}
        self.off = False  # was switched off since it was last asked
        self.on = False
        self.seconds = 0.0
        self.hookup = None
        self.connected: list[str] = []
        self.asked: list[str] = []
        self.dies_at: type[Entry] | None = None  # once judging has begun
        self.dies_after: type[Entry] | None = None  # the first of its kind
        self._repeats: Counter[object] = Counter()
        self._switched_on = self._judging = False

    # analyzer
    def identification(self):
        return {"analyzer": self.identity}

    def capabilities(self):
        return dataclasses.replace(TYPICAL, adjusts_tracking=True)

    def switched_on(self):
        on, self.off = self.off or self._switched_on, False
        return on

    def begin_anew(self):
        self.mishap("begin anew")
        self.on = False

    def sweep(self, asked):
        self.mishap(f"sweep in {self.hookup.name}")
        self.on = asked.generator_dbm is not None
        role = Role.DEVICE if self.on else Role.NOISE
        if self.hookup.test_port in {"open", "short"}:
            role = Role(self.hookup.test_port)
        step = SweepStep(hookup=self.hookup.name, key="", role=role, settings=asked, why="")
        place = (self.hookup.name, asked)
        self._repeats[place] += 1
        predicted = Predicted(self.recipe, self.bench, self.capabilities(), best=True)
        predicted.taken[self.hookup.name, "", role] = self._repeats[place] - 1
        sweep = predicted.sweep(self.hookup, step)
        if not self.lost_db or not self.on:
            return sweep
        trace = Trace(sweep.trace.freq_hz, sweep.trace.level_dbm - self.lost_db)
        return dataclasses.replace(sweep, trace=trace)

    def adjust_tracking(self, rbw_hz):
        self.mishap("adjust")

    def make_safe(self):
        self.on = False
        return True

    def close(self):
        self.make_safe()

    # switch and operator
    def connect(self, hookup):
        self.mishap(f"connect {hookup.name}")
        self.hookup = hookup
        self.connected.append(hookup.name)
        self._repeats.clear()
        return "test"

    def ask(self, question):
        self.asked.append(question.key)
        return question.safe_answer or "yes", "test"

    # clock and listener
    def now(self):
        self.seconds += 1.0
        return AT + timedelta(seconds=self.seconds)

    def sleep(self, seconds):
        pass

    def heard(self, entry):
        self._judging |= isinstance(entry, Judged)
        if self.dies_after is not None and isinstance(entry, self.dies_after):
            raise Died
        if self._judging and self.dies_at is not None and isinstance(entry, self.dies_at):
            raise Died

    def progress(self, progress):
        assert progress.left_s >= 0.0


@pytest.fixture(scope="module")
def recipe() -> Recipe:
    return load_recipe(RECIPE, "recipe.yaml")


@pytest.fixture(scope="module")
def bench() -> Bench:
    return load_bench(TYPICAL_BENCH, "bench.yaml")


@pytest.fixture
def lab(recipe: Recipe, bench: Bench) -> Lab:
    return Lab(recipe, bench)


def _began(lab: Lab) -> Began:
    return Began(
        at=AT,
        why="test",
        run_id="20260101-000000-one-cavity",
        program="test",
        recipe_sha256=lab.recipe.sha256,
        bench_sha256=lab.bench.sha256,
        simulated=True,
        serial="",
    )


def _engine(lab: Lab, store: RunFolder, history: tuple[Entry, ...] = ()) -> Engine:
    outside = Bystanders(
        analyzer=lab,
        switch=lab,
        operator=lab,
        store=store,
        clock=lab,
        listener=lab,
        write_report=lambda record, curves: f"{record.run_id} {len(curves)}",
        wall=lambda: 0.0,
        others=lambda: lab.others,
        remark=lab.remark,
    )
    return Engine(lab.recipe, lab.bench, outside, _began(lab), list(history))


def begin(lab: Lab, root: Path, disk: Disk | None = None) -> Record:
    store = RunFolder.create(
        root, _began(lab).run_id, lab.recipe.text, lab.bench.text, disk=disk or FailingDisk(), now=lambda: AT
    )
    return _engine(lab, store).run()


def go_on(lab: Lab, root: Path) -> Record:
    folder = root / _began(lab).run_id
    history = open_run(folder).history
    store = RunFolder.reopen(folder, disk=FailingDisk(), now=lambda: AT)
    engine = _engine(lab, store, history)
    return engine.resume("test") if left_to_sweep(lab.recipe, lab.bench, history) else engine.conclude()


def story(lab: Lab, root: Path) -> tuple[Entry, ...]:
    return open_run(root / _began(lab).run_id).history


def plan_done(history: tuple[Entry, ...]) -> list[tuple[str, list[tuple[str, Role]]]]:
    """The hookups in order, and what counts of each."""
    return [(stay.hookup.name, [(s.key, s.role) for s in stay.swept]) for stay in visits(history)]


def interrupt(lab: Lab, at: str, error: BaseException, count: int = 1) -> None:
    """Let the ``count``-th step called ``at`` fail with the error, once."""
    seen = Counter()

    def mishap(what: str) -> None:
        seen[what] += 1
        if what == at and seen[what] == count:
            raise error

    lab.mishap = mishap


# --- the store fails at every operation in turn ----------------------------------------------------------


@pytest.fixture(scope="module")
def undisturbed(recipe: Recipe, bench: Bench, tmp_path_factory: pytest.TempPathFactory):
    """A run without mishap: (record, journal, how many operations its store made)."""
    lab, root, disk = Lab(recipe, bench), tmp_path_factory.mktemp("undisturbed"), FailingDisk()
    record = begin(lab, root, disk)
    return record, story(lab, root), disk.done


@pytest.mark.parametrize("dies", [pytest.param(True, id="process dies"), pytest.param(False, id="disk full once")])
def test_a_run_cut_off_at_any_operation_of_its_store_is_resumed_to_the_same(
    undisturbed, recipe: Recipe, bench: Bench, tmp_path: Path, dies: bool
) -> None:
    whole, whole_story, operations = undisturbed
    assert operations > 150  # every line is written and synced, every trace also renamed
    resumed = concluded = 0
    every = 1 if "NOTCHBOOK_THOROUGH" in os.environ else 41 if dies else 67  # a sweep makes six: each comes up
    sealing = range(operations - 14, operations + 1, 1 + every // 7)
    for fail_at in sorted({*range(8, operations + 1, every), *sealing}):  # before: no folder yet, nothing has begun
        root = tmp_path / str(fail_at)
        lab = Lab(recipe, bench)
        try:
            begin(lab, root, FailingDisk(fail_at, dies=dies))
        except (Died, StoreError):
            pass
        else:  # only the transcript, whose loss never stops a run, or a folder's sync that came last
            assert not dies
            continue
        if not (root / _began(lab).run_id).exists():
            continue
        before = story(lab, root)
        if not before:
            continue
        if (root / _began(lab).run_id / "manifest.json").exists():
            assert open_run(root / _began(lab).run_id).record is not None
            continue  # the seal itself was whole: the run is finished, whatever its folder's sync said
        record = go_on(lab, root)
        after = story(lab, root)
        assert [repr(e) for e in after[: len(before)]] == [repr(e) for e in before]  # nothing taken is lost
        assert plan_done(after) == plan_done(whole_story), fail_at
        assert record.results == whole.results, fail_at
        assert record.complete
        assert verify_run(root / record.run_id) == []
        resumed += record.resumed
        concluded += not record.resumed
    assert resumed >= 100 // every
    assert concluded > 0  # died while it judged and sealed: nothing is measured again


@pytest.mark.parametrize("kind", [Dropped, Waited], ids=["dropped", "waited"])
def test_a_run_that_dies_after_what_kills_py_never_meets_is_resumed(
    lab: Lab, tmp_path: Path, undisturbed, kind: type[Entry]
) -> None:
    """The bench settles only after its third sweep of the thru: a thru is dropped, and five minutes are waited."""
    taken = Counter()

    def settle(what: str) -> None:
        taken[what] += 1
        lab.lost_db = 0.1 if what == "sweep in thru" and taken[what] < SETTLED else 0.0

    lab.mishap, lab.dies_after = settle, kind
    with pytest.raises(Died):
        begin(lab, tmp_path)
    before = story(lab, tmp_path)
    assert any(isinstance(e, kind) for e in before[-3:])  # then only that it stopped, safely
    lab.dies_after = None
    record = go_on(lab, tmp_path)
    after = story(lab, tmp_path)
    assert [repr(e) for e in after[: len(before)]] == [repr(e) for e in before]
    assert record.complete
    assert record.resumed
    assert {r.id for r in record.results} == {r.id for r in undisturbed[0].results}
    assert all(a.statement == b.statement for a, b in zip(record.results, undisturbed[0].results, strict=True))
    assert verify_run(tmp_path / record.run_id) == []


# --- what stays, and what not ----------------------------------------------------------------------------


def test_only_the_hookup_in_progress_is_taken_again_after_a_check_of_the_reference(lab: Lab, tmp_path: Path) -> None:
    interrupt(lab, "sweep in IN-OUT", GaveUpError("stopped"), count=3)
    with pytest.raises(GaveUpError):
        begin(lab, tmp_path)
    assert isinstance(story(lab, tmp_path)[-1], Stopped)
    done, asked = list(lab.connected), len(lab.asked)
    record = go_on(lab, tmp_path)
    assert done == ["thru", "floor", "IN-OUT"]
    assert lab.connected[len(done) :][:3] == ["thru", "IN-OUT", "thru"]  # check, again, closing
    assert lab.asked[asked:] == [LOCKED_OUT]  # asked again: it may be days later
    assert record.resumed == 1
    new = story(lab, tmp_path)
    new = new[next(n for n, e in enumerate(new) if isinstance(e, Resumed)) :]
    assert new[0].hookup == "IN-OUT"
    roles = [e.role for e in new if isinstance(e, Swept)]
    assert roles[:4] == [Role.CHECK, Role.TRACKING, Role.CHECK, Role.CHECK]
    assert Role.CHECK not in roles[4:]
    kinds = [type(e) for e in new]
    assert kinds[kinds.index(Swept) :][:4] == [Swept, Swept, Adjusted, Swept]  # the session began with a reset


def test_a_hookup_whose_sweeps_were_all_taken_is_not_taken_again(lab: Lab, tmp_path: Path) -> None:
    interrupt(lab, "connect IN-OUT", GaveUpError("stopped"))
    with pytest.raises(GaveUpError):
        begin(lab, tmp_path)
    go_on(lab, tmp_path)
    assert lab.connected[:4] == ["thru", "floor", "thru", "IN-OUT"]


def _switched_off(lab: Lab) -> None:
    lab.off = True


def _another(lab: Lab) -> None:
    lab.identity = "Invented,test,1,0"


def _another_matrix(lab: Lab) -> None:
    lab.others = {"switch": "Invented,matrix,1,0"}


def _moved(lab: Lab) -> None:
    lab.lost_db = 0.5


def _clock_back(lab: Lab) -> None:
    lab.seconds -= 3600.0


@pytest.mark.parametrize(
    ("meanwhile", "why", "checked"),
    [
        pytest.param(_clock_back, "clock of this computer went back by 35", False, id="clock set back"),
        pytest.param(_switched_off, "switched off", False, id="power-cycled"),
        pytest.param(_another, "another analyzer", False, id="another analyzer"),
        pytest.param(_another_matrix, "another switch", False, id="another switch"),
        pytest.param(_moved, "moved by 0.5", True, id="reference moved"),
    ],
)
def test_nothing_stays_where_the_bench_is_not_as_it_was(
    lab: Lab, tmp_path: Path, undisturbed, meanwhile: Callable[[Lab], None], why: str, checked: bool
) -> None:
    interrupt(lab, "sweep in reflect-open", GaveUpError("stopped"))
    with pytest.raises(GaveUpError):
        begin(lab, tmp_path)
    done = len(lab.connected)
    meanwhile(lab)
    record = go_on(lab, tmp_path)
    voided = [e for e in story(lab, tmp_path) if isinstance(e, Voided)]
    assert len(voided) == 1
    assert why in voided[0].why
    assert lab.connected[done:][:3] == (["thru", "thru", "floor"] if checked else ["thru", "floor", "IN-OUT"])
    assert plan_done(story(lab, tmp_path)) == plan_done(undisturbed[1])
    assert any(why in warning for warning in record.warnings)
    if not lab.lost_db:
        assert record.results == undisturbed[0].results


def test_a_journal_that_never_named_its_switch_goes_on(lab: Lab, tmp_path: Path) -> None:
    """Earlier versions asked only the analyzer; that the switch is named now is no other bench."""
    lab.others = {}
    interrupt(lab, "sweep in reflect-open", GaveUpError("stopped"))
    with pytest.raises(GaveUpError):
        begin(lab, tmp_path)
    lab.others = {"switch": "Invented,matrix,1,0"}
    record = go_on(lab, tmp_path)
    assert not [e for e in story(lab, tmp_path) if isinstance(e, Voided)]
    assert record.identification == {"analyzer": lab.identity, **lab.others}


def test_a_clock_that_goes_back_in_a_run_voids_it_once_and_then_stops_it(lab: Lab, tmp_path: Path, undisturbed) -> None:
    lab.mishap = _once(lab, "sweep in IN-OUT", 1)
    record = begin(lab, tmp_path / "once")
    assert any("went back by" in warning and "drift cannot be excluded" in warning for warning in record.warnings)
    assert plan_done(story(lab, tmp_path / "once")) == plan_done(undisturbed[1])
    lab.mishap = _once(lab, "sweep in IN-OUT", 99)
    with pytest.raises(HookupError, match="It did so before: set the clock right"):
        begin(lab, tmp_path / "again")


def _once(lab: Lab, where: str, most: int) -> Callable[[str], None]:
    left = [most]

    def mishap(what: str) -> None:
        if what == where and left[0]:
            left[0] -= 1
            _clock_back(lab)

    return mishap


def test_what_is_to_be_said_of_the_clock_stands_in_journal_and_report(lab: Lab, tmp_path: Path) -> None:
    texts = iter(["", "", "the clock was set"])
    lab.remark = lambda: next(texts, "")
    record = begin(lab, tmp_path)
    assert record.warnings[0] == "the clock was set"


def test_a_small_drift_is_let_pass_and_the_closing_thru_carries_it(lab: Lab, tmp_path: Path, undisturbed) -> None:
    interrupt(lab, "sweep in IN-OUT", GaveUpError("stopped"))
    with pytest.raises(GaveUpError):
        begin(lab, tmp_path)
    lab.lost_db = 0.09
    record = go_on(lab, tmp_path)
    assert not any(isinstance(e, Voided) for e in story(lab, tmp_path))
    loss, sure = record.results[0], undisturbed[0].results[0]
    assert loss.interval[1] - loss.interval[0] > sure.interval[1] - sure.interval[0]
    assert loss.interval[0] < sure.value < loss.interval[1]


def test_a_check_on_the_wrong_hookup_is_refused_not_believed(lab: Lab, tmp_path: Path) -> None:
    interrupt(lab, "sweep in IN-OUT", GaveUpError("stopped"))
    with pytest.raises(GaveUpError):
        begin(lab, tmp_path)
    lab.lost_db = 60.0  # the leads are not joined
    before = len(lab.connected)
    with pytest.raises(HookupError, match="too little level"):
        go_on(lab, tmp_path)
    assert lab.connected[before:] == ["thru"] * 3
    lab.lost_db = 0.0
    assert go_on(lab, tmp_path).complete  # and that one can be resumed as well
    assert go_on_is_refused(lab, tmp_path)


def go_on_is_refused(lab: Lab, root: Path) -> bool:
    with pytest.raises(NotchbookError, match="complete"):
        go_on(lab, root)
    return True


def test_a_run_interrupted_in_its_opening_thru_begins_with_it(lab: Lab, tmp_path: Path, undisturbed) -> None:
    interrupt(lab, "sweep in thru", GaveUpError("stopped"), count=3)
    with pytest.raises(GaveUpError):
        begin(lab, tmp_path)
    record = go_on(lab, tmp_path)
    assert lab.connected[:3] == ["thru", "thru", "floor"]  # nothing to check: nothing stays
    assert record.results == undisturbed[0].results


def test_resumed_twice(lab: Lab, tmp_path: Path, undisturbed) -> None:
    interrupt(lab, "sweep in floor", GaveUpError("stopped"), count=2)
    with pytest.raises(GaveUpError):
        begin(lab, tmp_path)
    interrupt(lab, "sweep in thru", GaveUpError("stopped"), count=2)  # in the middle of the check
    with pytest.raises(GaveUpError):
        go_on(lab, tmp_path)
    lab.mishap = lambda what: None
    record = go_on(lab, tmp_path)
    assert record.resumed == 2
    assert record.results == undisturbed[0].results


# --- recovery within a run -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "error",
    [
        pytest.param(LinkError("the instrument closed the connection"), id="dropped"),
        pytest.param(LinkTimeoutError("no answer"), id="silent"),
        pytest.param(InstrumentError("what came is no block"), id="garbage"),
    ],
)
@pytest.mark.parametrize(
    "at", ["sweep in thru", "sweep in floor", "sweep in IN-OUT", "sweep in reflect-IN", "adjust", "connect floor"]
)
def test_trouble_on_a_link_is_recovered_once_and_said(
    lab: Lab, tmp_path: Path, undisturbed, at: str, error: Exception
) -> None:
    interrupt(lab, at, error)
    record = begin(lab, tmp_path)
    assert record.results == undisturbed[0].results
    assert record.resumed == 0  # nobody resumed it; it went on by itself, and says so
    assert any(error.args[0] in warning and "new session" in warning for warning in record.warnings)
    assert lab.asked.count(LOCKED_OUT) == 1


def test_recovery_is_bounded(lab: Lab, tmp_path: Path) -> None:
    tried = Counter()

    def mishap(what: str) -> None:
        tried[what] += 1
        if what == "sweep in IN-OUT":
            raise LinkError("the cable is cut")

    lab.mishap = mishap
    with pytest.raises(LinkError, match="cut"):
        begin(lab, tmp_path)
    assert tried["sweep in IN-OUT"] == 2
    assert not lab.on
    history = story(lab, tmp_path)
    assert isinstance(history[-1], Stopped)
    lab.mishap = lambda what: None
    assert go_on(lab, tmp_path).complete


def test_a_bus_that_fails_again_and_again_is_given_up(lab: Lab, tmp_path: Path) -> None:
    seen = Counter()

    def mishap(what: str) -> None:
        seen[what] += 1
        if what.startswith("sweep in") and sum(n for w, n in seen.items() if w.startswith("sweep")) % 9 == 0:
            raise LinkTimeoutError("a loose plug")

    lab.mishap = mishap
    with pytest.raises(LinkTimeoutError):
        begin(lab, tmp_path)
    assert seen["begin anew"] == 3


# --- calls that cannot be answered -----------------------------------------------------------------------


@pytest.mark.parametrize("last", [Judged, Finished])
def test_a_run_cut_off_after_its_last_sweep_is_concluded_without_its_bench(
    lab: Lab, tmp_path: Path, undisturbed, last: type[Entry]
) -> None:
    lab.dies_at = last
    with pytest.raises(Died):
        begin(lab, tmp_path)
    lab.dies_at = None
    touched, asked = len(lab.connected), len(lab.asked)
    record = go_on(lab, tmp_path)
    assert (len(lab.connected), len(lab.asked)) == (touched, asked)
    assert record.results == undisturbed[0].results
    assert record.complete
    assert verify_run(tmp_path / record.run_id) == []


def test_the_generator_is_off_before_anything_is_reckoned(lab: Lab, undisturbed) -> None:
    del lab
    kinds = [type(entry) for entry in undisturbed[1]]
    last_swept = max(n for n, kind in enumerate(kinds) if kind is Swept)
    assert last_swept < kinds.index(MadeSafe, last_swept) < kinds.index(Judged)


def _other_order(plan: Plan) -> Plan:
    """The short before the open, as no version need do but one did with other reflections."""
    names = [station.hookup.name for station in plan.stations]
    stations, at = list(plan.stations), names.index("reflect-open")
    short = stations.pop(names.index("reflect-short"))
    return dataclasses.replace(plan, stations=(*stations[:at], short, *stations[at:]))


def test_a_run_begun_in_another_order_of_hookups_keeps_what_it_has(
    lab: Lab, tmp_path: Path, undisturbed, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Earlier versions ordered the reflections otherwise; going on must neither ask for ever nor take all again."""
    interrupt(lab, "sweep in reflect-open", GaveUpError("stopped"))
    with monkeypatch.context() as earlier:
        earlier.setattr(matrix, "make_plan", lambda *given: _other_order(make_plan(*given)))
        with pytest.raises(GaveUpError):
            begin(lab, tmp_path)
    done = lab.connected.copy()
    assert done.index("reflect-short") < done.index("reflect-open")
    record = go_on(lab, tmp_path)
    again = lab.connected[len(done) :]
    assert again[:3] == ["thru", "IN-OUT", "reflect-open"]  # the reference, the device, then where it stopped
    assert "reflect-short" not in again
    assert [r.statement for r in record.results] == [r.statement for r in undisturbed[0].results]


def test_a_run_with_a_hookup_that_the_plan_has_not_begins_afresh(
    lab: Lab, tmp_path: Path, undisturbed, monkeypatch: pytest.MonkeyPatch
) -> None:
    def renamed(plan: Plan) -> Plan:
        stations = [
            dataclasses.replace(s, hookup=dataclasses.replace(s.hookup, name="reflect-gone"))
            if s.hookup.name == "reflect-short"
            else s
            for s in plan.stations
        ]
        return dataclasses.replace(plan, stations=tuple(stations))

    interrupt(lab, "sweep in reflect-IN", GaveUpError("stopped"))
    with monkeypatch.context() as earlier:
        earlier.setattr(matrix, "make_plan", lambda *given: renamed(make_plan(*given)))
        with pytest.raises(GaveUpError):
            begin(lab, tmp_path)
    assert "reflect-gone" in lab.connected
    record = go_on(lab, tmp_path)
    assert any("this run has reflect-gone where the plan has" in warning for warning in record.warnings)
    assert plan_done(story(lab, tmp_path)) == plan_done(undisturbed[1])


def test_answers_stay(lab: Lab, tmp_path: Path) -> None:
    interrupt(lab, "sweep in floor", GaveUpError("stopped"))
    with pytest.raises(GaveUpError):
        begin(lab, tmp_path)
    go_on(lab, tmp_path)
    answered = Counter(e.question for e in story(lab, tmp_path) if isinstance(e, Answered))
    assert answered.pop(LOCKED_OUT) == 2
    assert set(answered.values()) == {1}


def test_a_journal_of_before_these_entries_is_read(tmp_path: Path, lab: Lab) -> None:
    """Lines written before there was a check, a bench argument or a switched-on mark lack those keys."""
    interrupt(lab, "sweep in floor", GaveUpError("stopped"))
    with pytest.raises(GaveUpError):
        begin(lab, tmp_path)
    path = tmp_path / _began(lab).run_id / "journal.jsonl"
    text = path.read_text(encoding="utf-8")
    for new in ('"check":false,', '"bench":"",', '"seed":1,', '"speed":0.0,', ',"switched_on":false'):
        assert new in text, new
        text = text.replace(new, "")
    path.write_text(text, encoding="utf-8")
    assert sum(isinstance(e, Connected) and not e.check for e in story(lab, tmp_path)) == 2
    assert go_on(lab, tmp_path).complete
