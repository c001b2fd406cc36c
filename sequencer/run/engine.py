"""Does what `decide` says, journals what happened and why, and asks again.

The generator is off before the first step and after the last, whatever happens in between. Every sweep is
stored before the next begins; every entry is on disk before it is acted upon.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from sequencer.core.history import (
    Adjusted,
    Answered,
    Began,
    Connected,
    Dropped,
    Entry,
    Finished,
    Identified,
    Judged,
    MadeSafe,
    Refused,
    Resumed,
    Role,
    Stopped,
    Swept,
    Voided,
    Waited,
    Warned,
)
from sequencer.core.record import Record
from sequencer.errors import HookupError, InstrumentError, InterruptedRunError, LinkError, NotchbookError, SignalStop
from sequencer.ports import Analyzer, Clock, Listener, Operator, Progress, ReportWriter, RunStore, SavedTraces, Switch
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.evaluate import Evaluation, evaluate
from sequencer.run.joints import SECONDS_A_TOUCH, touches_of
from sequencer.run.matrix import plan_for
from sequencer.run.plan import seconds_of
from sequencer.run.policy import capabilities, decide
from sequencer.run.recording import earlier_seconds, make_record, result_text
from sequencer.run.settings import SETTLING_S
from sequencer.run.steps import (
    Adjust,
    Ask,
    Connect,
    Done,
    Drop,
    Judge,
    Step,
    Stop,
    SweepStep,
    Void,
    Wait,
    Warn,
)
from sequencer.run.tracking import BY_COMMAND
from sequencer.run.visits import Journal, visits
from sequencer.run.warmup import wait_left_s

__all__ = ["Bystanders", "Engine", "left_to_sweep", "made_safe"]

_RESUMED = "the run went on after it had stopped; what was taken before counts only after a check of the reference"
_CONCLUDED = (
    "the run was cut off when everything had been swept; it was judged and reported later, from what was stored"
)
_PRELIMINARY = frozenset({Role.CHECK, Role.TRACKING, Role.WARM})  # taken anew in every session
MOST_RECOVERIES = 3  # in one run: a bus that fails more often is for a person to look at


@dataclass(frozen=True, slots=True, kw_only=True)
class Bystanders:
    """Everything outside that a run needs, chosen by `wiring`."""

    analyzer: Analyzer
    switch: Switch
    operator: Operator
    store: RunStore
    clock: Clock
    listener: Listener
    write_report: ReportWriter
    saved: SavedTraces | None = None
    remark: Callable[[], str] = str  # what is to be said of the clock since it was last asked, '' for nothing
    others: Callable[[], Mapping[str, str]] = dict  # the identification of what answers beside the analyzer, by role
    wall: Callable[[], float] = time.monotonic
    amend: Callable[[Record], Record] = lambda record: record  # adds what only other runs can tell (a baseline)


@dataclass(slots=True)
class Engine:
    """One run from its beginning to its record."""

    recipe: Recipe
    bench: Bench
    outside: Bystanders
    began: Began
    history: list[Entry] = field(default_factory=list)
    _evaluation: Evaluation | None = None  # of every sweep the run took; judging comes after the last of them
    _done_s: float = 0.0
    _recoveries: int = 0
    _got_on: bool = True  # whether anything of the plan was swept since the last recovery

    def __post_init__(self) -> None:
        self.history = Journal(self.history)

    def run(self) -> Record:
        """Run to the end and return the record.

        Raises
        ------
        NotchbookError
            Whatever went wrong, after the generator was turned off and the journal says so.
        """
        return self._to_the_end(self.began)

    def resume(self, program: str, moved: str = "") -> Record:
        """Go on with the run whose old journal ``history`` is; like `run`. ``moved`` says where instruments are now."""
        self._done_s = sum(e.sweep.instrument_s for e in self.history if isinstance(e, Swept))
        self._done_s += sum(e.seconds for e in self.history if isinstance(e, Waited))
        why = f"{_RESUMED}; {moved}" if moved else _RESUMED
        return self._to_the_end(self._resumed(why, program, itself=False))

    def conclude(self, safe: MadeSafe | None = None) -> Record:
        """Judge and report a run that has nothing left to sweep; the bench is not touched.

        ``safe`` tells what came of turning the generator off, which nobody had done before the run was cut off.
        """
        started = self.outside.wall()
        if safe is not None:
            self._append(safe)
        if not any(isinstance(e, Finished) for e in self.history):
            self._append(Warned(at=self._now(), why=_CONCLUDED))
            while not isinstance(step := decide(self.recipe, self.bench, self.history), Done):
                self._do(step)
            self._append(Finished(at=self._now(), why=step.why))
        return self._record(started)

    def _to_the_end(self, first: Entry) -> Record:
        started = self.outside.wall()
        try:
            self._append(first)
            self._identify()
            while not isinstance(step := decide(self.recipe, self.bench, self.history), Done):
                if isinstance(step, Judge) and _last_done(self.history) is None:  # reckoning needs no bench
                    self._make_safe()
                try:
                    self._do(step)
                except (LinkError, InstrumentError) as exc:
                    if not isinstance(step, Connect | Adjust | SweepStep) or not self._may_recover():
                        raise
                    self._recover(exc)
            if not made_safe(self.history):
                self._make_safe()
            self._append(Finished(at=self._now(), why=step.why))
        except KeyboardInterrupt as exc:
            by, status = (exc.name, exc.status) if isinstance(exc, SignalStop) else ("Ctrl-C", 130)
            self._safe_and_stopped(by)
            msg = f"interrupted by {by}; the run is kept"
            raise InterruptedRunError(msg, status=status) from exc
        except NotchbookError as exc:
            self._safe_and_stopped(exc.message)
            raise
        except BaseException as exc:
            self._safe_and_stopped(f"a fault of ours: {type(exc).__name__}")
            raise
        return self._record(started)

    # -- one step

    def _do(self, step: Step) -> None:
        match step:
            case Ask():
                if step.generator_off:
                    self._make_safe()
                answer, by = self.outside.operator.ask(step.question)
                self._append(Answered(at=self._now(), why=step.why, question=step.question.key, answer=answer, by=by))
            case Connect():
                self._connect(step)
            case Adjust():
                if step.by == BY_COMMAND:
                    self.outside.analyzer.adjust_tracking(step.rbw_hz)
                self._append(Adjusted(at=self._now(), why=step.why, rbw_hz=step.rbw_hz, by=step.by))
            case Wait():
                text = f"{step.seconds / 60.0:.3g} min to wait: {step.why}"
                self.outside.listener.progress(replace(self._progress(text), at_once=True))
                self.outside.clock.sleep(step.seconds)
                self._done_s += step.seconds
                self._append(Waited(at=self._now(), why=step.why, seconds=step.seconds))
            case Drop():
                self._append(
                    Dropped(
                        at=self._now(),
                        why=step.why,
                        hookup=step.hookup,
                        key=step.key,
                        role=step.role,
                        slower=step.slower,
                    )
                )
            case SweepStep():
                self._sweep(step)
            case Warn():
                self._append(Warned(at=self._now(), why=step.why))
            case Judge():
                self._judge(step)
            case Void():
                self._append(Voided(at=self._now(), why=step.why))
            case Stop():
                raise HookupError(step.why, for_good=step.for_good)
            case Done():
                pass

    def _connect(self, step: Connect) -> None:
        if step.refused:
            self._append(Refused(at=self._now(), why=step.refused, hookup=step.hookup.name, jump_db=step.jump_db))
        by_hand = self.bench.switch is None or step.hookup.by_hand
        if by_hand and _may_be_on(self.history):  # the noise sweeps turn it off and on anyway: no thru is worse for it
            self._make_safe()
        self.outside.listener.progress(self._progress(f"{step.hookup.name}: to be connected", check=step.check))
        by = self.outside.switch.connect(step.hookup)
        self._append(Connected(at=self._now(), why=step.why, hookup=step.hookup, by=by, check=step.check))

    def _sweep(self, step: SweepStep) -> None:
        self.outside.listener.progress(self._progress(f"{step.hookup}: {step.key}, {step.role.value}"))
        saved = self.outside.saved if step.source else None
        sweep = saved.read(step.source) if saved is not None else self.outside.analyzer.sweep(step.settings)
        file, sha256 = self.outside.store.store_sweep(step.hookup, step.key, step.role.value, sweep)
        self._done_s += sweep.instrument_s
        self._evaluation = None
        self._append(
            Swept(
                at=self._now(),
                why=step.why,
                hookup=step.hookup,
                key=step.key,
                role=step.role,
                sweep=sweep,
                file=file,
                sha256=sha256,
                source=step.source,
                repeats=step.repeats,
            )
        )
        self._got_on |= step.role not in _PRELIMINARY

    def _judge(self, step: Judge) -> None:
        result = next(r for r in self._evaluated().results if r.id == step.requirement)
        self._append(
            Judged(
                at=self._now(),
                why=step.why,
                result_id=result.id,
                statement=result.statement.value,
                text=result_text(result),
            )
        )

    # -- around the steps

    def _may_recover(self) -> bool:
        return self._got_on and self._recoveries < MOST_RECOVERIES

    def _recover(self, exc: NotchbookError) -> None:
        """Try once more after trouble on a link: generator off, a whole new session, the reference checked."""
        self._recoveries += 1
        self._got_on = False
        self._make_safe()
        why = f"{exc.message}; tried once more in a new session, after a check of the reference"
        self._append(self._resumed(why, self.began.program, itself=True))
        self.outside.analyzer.begin_anew()
        self._identify()

    def _resumed(self, why: str, program: str, *, itself: bool) -> Resumed:
        hookup = _in_progress(self.recipe, self.bench, self.history)
        return Resumed(at=self._now(), why=why, program=program, hookup=hookup, itself=itself)

    def _identify(self) -> None:
        names = {**self.outside.analyzer.identification(), **self.outside.others()}
        caps = self.outside.analyzer.capabilities()
        why = "who answers, and what it can do"
        on = self.outside.analyzer.switched_on()
        saved = self.outside.saved.traces if self.outside.saved is not None else ()
        self._append(
            Identified(at=self._now(), why=why, identification=names, capabilities=caps, switched_on=on, saved=saved)
        )

    def _progress(self, text: str, *, check: bool = False) -> Progress:
        caps = capabilities(self.history)
        stays = visits(self.history)
        if caps is None:
            return Progress(done_s=self._done_s, left_s=0.0, step=text)
        plan = plan_for(self.recipe, self.bench, caps, self.history)
        done_s, left_s = self._done_s, wait_left_s(self.recipe, stays[0] if stays else None, self.history)
        for number, station in enumerate(plan.stations):
            stay = stays[number] if number < len(stays) else None
            for planned in station.sweeps:
                missing = planned.repeats - (stay.count(planned) if stay else 0)
                left_s += max(0, missing) * (seconds_of(planned.settings, caps) + SETTLING_S)
        if self.outside.saved is None:
            stood = [e.hookup for e in self.history if isinstance(e, Connected)]
            whole = [*stood, *(station.hookup for station in plan.stations[len(stays) :])]
            hands_s = SECONDS_A_TOUCH * touches_of(stood, self.bench, self.recipe.ports)
            done_s += hands_s
            left_s += SECONDS_A_TOUCH * touches_of(whole, self.bench, self.recipe.ports) - hands_s
        return Progress(
            done_s=done_s,
            left_s=left_s,
            step=text,
            hookups_done=len(stays),
            hookups_all=len(plan.stations),
            check=check,
        )

    def _append(self, entry: Entry) -> None:
        text = self.outside.remark() if self.history else ""  # the beginning comes first
        for one in (Warned(at=entry.at, why=text), entry) if text else (entry,):
            self._write(one)

    def _write(self, entry: Entry) -> None:
        self.outside.store.append(entry)
        self.history.append(entry)
        self.outside.listener.heard(entry)

    def _now(self) -> datetime:
        return self.outside.clock.now()

    def _make_safe(self) -> None:
        if self.outside.saved is not None:  # no instrument to make safe
            return
        self._append(self._off(self.history[-1].at if self.history else self._now()))

    def _off(self, at: datetime) -> MadeSafe:
        """Turn the generator off, and once more where that was not confirmed: a link that failed is opened anew."""
        proven = self.outside.analyzer.make_safe() or self.outside.analyzer.make_safe()
        why = "generator off, confirmed by the instrument" if proven else "generator off was sent but NOT confirmed"
        return MadeSafe(at=at, why=why, proven=proven)

    def _safe_and_stopped(self, reason: str) -> None:
        """Turn the generator off first; then write what can still be written."""
        at = self.history[-1].at if self.history else self.began.at
        off = self._off(at)
        safe = (off,) if self.outside.saved is None else ()
        for entry in (*safe, Stopped(at=at, why=reason)):
            if not self.history:  # not even its beginning is stored: there is no run to end
                self.outside.listener.heard(entry)
                continue
            try:
                self._append(entry)
            except NotchbookError as exc:  # the store is what failed: the terminal still hears it
                self.outside.listener.heard(Warned(at=at, why=exc.message))

    def _evaluated(self) -> Evaluation:
        if self._evaluation is None:
            self._evaluation = evaluate(self.recipe, self.bench, self.history)
        return self._evaluation

    def _record(self, started: float) -> Record:
        done = self._evaluated()
        wall_seconds = earlier_seconds(self.history) + self.outside.wall() - started
        record = make_record(self.recipe, self.bench, self.history, done, wall_seconds=wall_seconds)
        record = self.outside.amend(record)
        return self.outside.store.finish(record, self.outside.write_report(record, done.curves))


def left_to_sweep(recipe: Recipe, bench: Bench, history: Sequence[Entry]) -> bool:
    """Return whether a run with this journal still needs its bench."""
    return not isinstance(_next(recipe, bench, history), Judge | Done)


def made_safe(history: Sequence[Entry]) -> bool:
    """Return whether the instrument has said that its generator is off since anything else was last done with it."""
    last = _last_done(history)
    return last is not None and last.proven


def _last_done(history: Sequence[Entry]) -> MadeSafe | None:
    """Return what came of turning the generator off, if that is the last thing that was done with the instrument."""
    touched = MadeSafe | Swept | Adjusted | Identified | Connected
    last = next((e for e in reversed(history) if isinstance(e, touched)), None)
    return last if isinstance(last, MadeSafe) else None


def _in_progress(recipe: Recipe, bench: Bench, history: Sequence[Entry]) -> str:
    """Return the hookup whose sweeps are not all taken, '' where none was begun."""
    stays = visits(history)
    step = _next(recipe, bench, history)
    if not stays or isinstance(step, Judge | Done):
        return ""
    elsewhere = (
        isinstance(step, Connect) and not step.refused and (step.check or step.hookup.name != stays[-1].hookup.name)
    )
    return "" if elsewhere else stays[-1].hookup.name


def _may_be_on(history: Sequence[Entry]) -> bool:
    """Return whether anything since the generator was last off may have turned it on."""
    for entry in reversed(history):
        if isinstance(entry, MadeSafe):
            return not entry.proven
        if isinstance(entry, Adjusted) or (isinstance(entry, Swept) and entry.sweep.used.generator_dbm is not None):
            return True
        if isinstance(entry, Swept | Began | Identified):  # swept with it off; a session begins with it off
            return False
    return True


def _next(recipe: Recipe, bench: Bench, history: Sequence[Entry]) -> Step:
    said = list(history)
    while isinstance(step := decide(recipe, bench, said), Warn):
        said.append(Warned(at=said[-1].at, why=step.why))
    return step
