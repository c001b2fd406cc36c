"""Does what `decide` says, journals what happened and why, and asks again.

The generator is off before the first step and after the last, whatever happens in between. Every sweep is
stored before the next begins; every entry is on disk before it is acted upon.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from sequencer.core.history import (
    Adjusted,
    Answered,
    Began,
    Connected,
    Entry,
    Finished,
    Identified,
    Judged,
    MadeSafe,
    Refused,
    Stopped,
    Swept,
    Warned,
)
from sequencer.core.record import Record, Result
from sequencer.errors import HookupError, InterruptedRunError, NotchbookError
from sequencer.ports import Analyzer, Clock, Listener, Operator, Progress, ReportWriter, RunStore, Switch
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.evaluate import evaluate
from sequencer.run.plan import make_plan, seconds_of
from sequencer.run.policy import capabilities, decide
from sequencer.run.recording import make_record, result_text
from sequencer.run.steps import Adjust, Ask, Connect, Done, Judge, Step, Stop, SweepStep, Warn
from sequencer.run.visits import known, visits

__all__ = ["Bystanders", "Engine"]


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
    _results: Mapping[str, Result] = field(default_factory=dict)
    _done_s: float = 0.0

    def run(self) -> Record:
        """Run to the end and return the record.

        Raises
        ------
        NotchbookError
            Whatever went wrong, after the generator was turned off and the journal says so.
        """
        started = self.outside.wall()
        try:
            self._append(self.began)
            self._identify()
            while not isinstance(step := decide(self.recipe, self.bench, self.history), Done):
                self._do(step)
            self._make_safe()
            self._append(Finished(at=self._now(), why=step.why))
        except KeyboardInterrupt as exc:
            self._safe_and_stopped("Ctrl-C")
            msg = "interrupted by the operator; the run is kept"
            raise InterruptedRunError(msg) from exc
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
                answer, by = self.outside.operator.ask(step.question)
                self._append(Answered(at=self._now(), why=step.why, question=step.question.key, answer=answer, by=by))
            case Connect():
                self._connect(step)
            case Adjust():
                self.outside.analyzer.adjust_tracking(step.rbw_hz)
                self._append(Adjusted(at=self._now(), why=step.why, rbw_hz=step.rbw_hz, by="command"))
            case SweepStep():
                self._sweep(step)
            case Warn():
                self._append(Warned(at=self._now(), why=step.why))
            case Judge():
                self._judge(step)
            case Stop():
                raise HookupError(step.why)
            case Done():
                pass

    def _connect(self, step: Connect) -> None:
        if step.refused:
            self._append(Refused(at=self._now(), why=step.refused, hookup=step.hookup.name, jump_db=step.jump_db))
        by = self.outside.switch.connect(step.hookup)
        self._append(Connected(at=self._now(), why=step.why, hookup=step.hookup, by=by))

    def _sweep(self, step: SweepStep) -> None:
        self.outside.listener.progress(self._progress(step))
        sweep = self.outside.analyzer.sweep(step.settings)
        file, sha256 = self.outside.store.store_sweep(step.hookup, step.key, step.role.value, sweep)
        self._done_s += sweep.instrument_s
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
            )
        )

    def _judge(self, step: Judge) -> None:
        if not self._results:
            done = evaluate(self.recipe, self.bench, self.history)
            self._results = {result.id: result for result in done.results}
        result = self._results[step.requirement]
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

    def _identify(self) -> None:
        names = self.outside.analyzer.identification()
        caps = self.outside.analyzer.capabilities()
        why = "who answers, and what it can do"
        self._append(Identified(at=self._now(), why=why, identification=names, capabilities=caps))

    def _progress(self, step: SweepStep) -> Progress:
        caps = capabilities(self.history)
        stays = visits(self.history)
        if caps is None:
            return Progress(done_s=self._done_s, left_s=0.0, step=step.why)
        plan = make_plan(self.recipe, self.bench, caps, known(self.history))
        left = 0.0
        for number, station in enumerate(plan.stations):
            stay = stays[number] if number < len(stays) else None
            for planned in station.sweeps:
                missing = planned.repeats - (stay.count(planned) if stay else 0)
                left += max(0, missing) * seconds_of(planned.settings, caps)
        text = f"{step.hookup}: {step.key}, {step.role.value}"
        return Progress(
            done_s=self._done_s, left_s=left, step=text, hookups_done=len(stays), hookups_all=len(plan.stations)
        )

    def _append(self, entry: Entry) -> None:
        self.outside.store.append(entry)
        self.history.append(entry)
        self.outside.listener.heard(entry)

    def _now(self) -> datetime:
        return self.outside.clock.now()

    def _make_safe(self) -> None:
        proven = self.outside.analyzer.make_safe()
        why = "generator off, confirmed by the instrument" if proven else "generator off was sent but NOT confirmed"
        self._append(MadeSafe(at=self.history[-1].at if self.history else self._now(), why=why, proven=proven))

    def _safe_and_stopped(self, reason: str) -> None:
        """Turn the generator off first; then write what can still be written."""
        proven = self.outside.analyzer.make_safe()
        why = "generator off, confirmed by the instrument" if proven else "generator off was sent but NOT confirmed"
        at = self.history[-1].at if self.history else self.began.at
        for entry in (MadeSafe(at=at, why=why, proven=proven), Stopped(at=at, why=reason)):
            try:
                self._append(entry)
            except NotchbookError as exc:  # the store is what failed: the terminal still hears it
                self.outside.listener.heard(Warned(at=at, why=exc.message))

    def _record(self, started: float) -> Record:
        done = evaluate(self.recipe, self.bench, self.history)
        record = make_record(self.recipe, self.bench, self.history, done, wall_seconds=self.outside.wall() - started)
        record = self.outside.amend(record)
        return self.outside.store.finish(record, self.outside.write_report(record, done.curves))
