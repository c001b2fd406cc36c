"""The only room that chooses analyzer, switch, clock, archive and report writer."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer import __version__
from sequencer.clocks import BenchClock, SystemClock
from sequencer.errors import NotchbookError, StoredDataError, UsageError
from sequencer.recipe.model import Bench, Recipe
from sequencer.simulated_process import open_simulated

if TYPE_CHECKING:
    from sequencer.archive.reading import StoredRun
    from sequencer.archive.runfolder import RunFolder
    from sequencer.core.capability import Capabilities
    from sequencer.core.history import Began, Entry, MadeSafe
    from sequencer.core.record import Record
    from sequencer.from_files import FromFiles
    from sequencer.ports import Clock
    from sequencer.run.engine import Bystanders

__all__ = [
    "Request",
    "load_bench_file",
    "resume_run",
    "runs_root",
    "stated_bench",
    "stated_limits",
    "stored_task",
    "take_run",
]

Sign = Callable[[bytes], bytes]  # a sealed report in, a signed one out
PROGRAM = f"notchbook {__version__}"


def runs_root(out: str | None) -> Path:
    """Return where runs live: --out, else NOTCHBOOK_ARCHIVE, else ./runs."""
    return Path(out or os.environ.get("NOTCHBOOK_ARCHIVE") or "runs")


def load_bench_file(path: str) -> Bench:
    """Return the bench a file describes."""
    from sequencer.recipe.bench_loader import load_bench
    from sequencer.recipe.starters import read_text

    return load_bench(*read_text(path))


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What `run` was asked for."""

    recipe: Recipe
    bench: str
    root: Path
    serial: str
    conditions: Mapping[str, str]
    labels: Mapping[str, str]
    seed: int = 1
    speed: float = 0.0
    baseline: Record | None = None
    sign: Sign | None = None
    traces: str = ""  # folder of saved traces in place of sweeps
    declared: Mapping[str, str] = field(default_factory=dict)  # what is told of them


@contextmanager
def _bench(request: Request) -> Iterator[tuple[Bench, bool]]:
    """Yield the bench and whether it is simulated; a simulated one lives as long as the block."""
    kind, _, choice = request.bench.partition(":")
    if kind == "simulated" and request.traces:
        msg = "--traces: a simulated bench needs none; give the bench FILE of the bench the traces were taken on"
        raise UsageError(msg)
    if kind != "simulated":
        yield load_bench_file(request.bench), False
        return
    from sequencer.recipe.bench_loader import load_bench

    process = open_simulated(choice, recipe=request.recipe, seed=request.seed, speed=request.speed)
    try:
        yield load_bench(process.said["bench_file"], "simulated bench"), True
    finally:
        process.close()


def stated_bench(name: str, recipe: Recipe) -> Bench:
    """Return a bench by what its file states; of a simulated one, no message is sent to it."""
    from sequencer.recipe.bench_loader import load_bench, refuse_overdrive

    kind, _, choice = name.partition(":")
    if kind == "simulated":
        process = open_simulated(choice, recipe=recipe)
        process.close()
        bench = load_bench(process.said["bench_file"], "simulated bench")
    else:
        bench = load_bench_file(name)
    refuse_overdrive(bench)
    return bench


def stated_limits(bench: Bench) -> Capabilities:
    """Return what the analyzer of a bench can do as far as its dialect states it, for the rest as is usual.

    Raises
    ------
    RecipeError
        When the dialect is wrong or not complete: a bench that no sweep could be taken on proves nothing.
    """
    from instruments.dialects import of_bench, stated_capabilities
    from sequencer.run.predict import TYPICAL

    dialect = of_bench(bench.analyzer)
    return TYPICAL if dialect is None else stated_capabilities(dialect, TYPICAL)


def take_run(request: Request, people: Any) -> tuple[Record, Path]:
    """Run a recipe on a bench and return the record and the run folder.

    ``people`` makes, from (bench, simulated, switch or None), one object that is Operator, Switch and Listener.
    """
    with _bench(request) as (bench, simulated):
        return _take(request, bench, simulated=simulated, people=people)


def _take(request: Request, bench: Bench, *, simulated: bool, people: Any) -> tuple[Record, Path]:
    from sequencer.archive.runfolder import RunFolder
    from sequencer.core.history import Began
    from sequencer.recipe.bench_loader import refuse_overdrive
    from sequencer.run.engine import Engine
    from sequencer.run.recording import says_simulated
    from sequencer.studies.changes import check_baseline

    if request.baseline is not None:
        check_baseline(request.baseline, serial=request.serial, simulated=simulated)
    files: FromFiles | None = None
    learning: Sequence[tuple[str, bytes]] = ()
    if request.traces:
        from sequencer.from_files import FromFiles

        files = FromFiles.open(request.recipe, bench, request.traces, request.declared, people, _tell)
    else:
        refuse_overdrive(bench)
        people(bench, simulated, None)  # refuses early where nobody could move the cables
        bench, learning = _settled(bench, people, simulated=simulated)
    store = RunFolder.create_named(request.root, request.recipe, request.serial, bench.text, sign=request.sign)
    for way, data in learning:
        store.transcript(f"learning {way}", data)  # apart from the run's own: its traces are nowhere kept
    with _kept(store), _outside(bench, store, people, simulated=simulated, files=files) as outside:
        names = {**outside.analyzer.identification(), **outside.others()}
        simulated = simulated or says_simulated(names)
        if request.baseline is not None:
            check_baseline(request.baseline, serial=request.serial, simulated=simulated)
        began = Began(
            at=outside.clock.now(),
            why="asked for on the command line",
            run_id=store.folder.name,
            program=PROGRAM,
            recipe_sha256=request.recipe.sha256,
            bench_sha256=bench.sha256,
            simulated=simulated,
            serial=request.serial,
            conditions=request.conditions,
            labels=request.labels,
            bench=request.bench,
            seed=request.seed,
            speed=request.speed,
            baseline=request.baseline.run_id if request.baseline is not None else "",
            traces=files.folder if files is not None else "",
            declared=files.declared if files is not None else {},
        )
        whole = _against(outside, request.baseline)
        return Engine(request.recipe, bench, whole, began).run(), store.folder


def _against(outside: Bystanders, baseline: Record | None) -> Bystanders:
    """Return the bystanders of a run that states its change since a baseline, if there is one."""
    from sequencer.studies.changes import with_baseline

    return outside if baseline is None else replace(outside, amend=lambda record: with_baseline(record, baseline))


def _settled(bench: Bench, people: Any, *, simulated: bool) -> tuple[Bench, Sequence[tuple[str, bytes]]]:
    """Return the bench with ``dialect: auto`` settled, and what was said to learn it."""
    if bench.analyzer.dialect != "auto":
        return bench, ()
    from instruments.link import Link
    from instruments.switch import MatrixSwitch
    from sequencer.learning import learn, thru_by

    with ExitStack() as stack:
        clock = SystemClock()
        matrix: MatrixSwitch | None = None
        if bench.switch is not None:
            link = Link.open(bench.switch.resource, bench.switch.visa, baud=bench.switch.baud)
            stack.callback(link.close)
            matrix = MatrixSwitch(link, bench.switch, clock)
        person = people(bench, simulated, matrix)
        learning = learn(bench, clock, thru_by(person, simulated=simulated), _tell)
    return learning.bench, learning.said


def _tell(text: str) -> None:
    sys.stderr.write(text + "\n")


@contextmanager
def _kept(store: RunFolder) -> Iterator[None]:
    """Say with an error where the run is kept; one in which nothing happened would only be in the way."""
    try:
        yield
    except BaseException as exc:
        store.discard()
        if isinstance(exc, NotchbookError) and store.folder.exists():
            exc.facts["folder"] = str(store.folder)
        raise


@contextmanager
def _outside(
    bench: Bench,
    store: RunFolder,
    people: Any,
    *,
    simulated: bool,
    began: datetime | None = None,
    files: FromFiles | None = None,
) -> Iterator[Bystanders]:
    """Open switch, analyzer and clock, make the person, and close all of it at the end; or take files for them."""
    from instruments.analyzer import open_analyzer
    from instruments.link import Link
    from instruments.switch import MatrixSwitch
    from reports.html import render
    from sequencer.run.engine import Bystanders

    if files is not None:
        yield files.bystanders(store, SystemClock(), render)
        return
    with ExitStack() as stack:
        own = SystemClock()
        clock: Clock = own
        matrix: MatrixSwitch | None = None
        if bench.switch is not None:
            link = Link.open(bench.switch.resource, bench.switch.visa, _of_the_switch(store), baud=bench.switch.baud)
            stack.callback(link.close)
            clock = BenchClock(link, began) if simulated else clock
            by, hand = ("simulated switch", 'SIM:HAND "{name}"') if simulated else ("switch", "")
            matrix = MatrixSwitch(link, bench.switch, clock, by, hand)
        person: Any = people(bench, simulated, matrix)
        analyzer = open_analyzer(bench.analyzer, clock, store.transcript)
        stack.callback(analyzer.close)
        yield Bystanders(
            analyzer=analyzer,
            switch=person,
            operator=person,
            store=store,
            clock=clock,
            listener=person,
            write_report=render,
            remark=own.remark,
            others=lambda: {} if matrix is None else {"switch": matrix.identification()},
        )


def stored_task(stored: StoredRun) -> tuple[Recipe, Bench, Began]:
    """Return recipe, bench and beginning of a stored run; what lies in its folder counts, and must be what it was.

    Raises
    ------
    UsageError
        When nothing had begun.
    StoredDataError
        When recipe.yaml or bench.yaml is not the one the run was begun with.
    """
    from sequencer.core.history import Began
    from sequencer.recipe.bench_loader import load_bench
    from sequencer.recipe.loader import load_recipe

    began = stored.history[0] if stored.history else None
    if not isinstance(began, Began):
        msg = f"{stored.folder}: this run stopped before it had begun, nothing is in it; start a new one"
        raise UsageError(msg, folder=str(stored.folder))
    recipe = load_recipe(stored.recipe_text, str(stored.folder / "recipe.yaml"))
    bench = load_bench(stored.bench_text, str(stored.folder / "bench.yaml"))
    for name, now, then in (
        ("recipe.yaml", recipe.sha256, began.recipe_sha256),
        ("bench.yaml", bench.sha256, began.bench_sha256),
    ):
        if now != then:
            msg = f"{stored.folder / name}: changed since the run began; put the old file back, or start a new run"
            raise StoredDataError(msg, folder=str(stored.folder), file=name)
    return recipe, bench, began


def resume_run(
    stored: StoredRun,
    people: Any,
    *,
    baseline: Record | None = None,
    sign: Sign | None = None,
    analyzer: str = "",
    switch: str = "",
) -> tuple[Record, Path]:
    """Go on with a run that stopped; ``people`` as for `take_run`.

    Its bench is opened only if it is still needed, or its generator was left on.

    ``baseline`` is the record the run was begun against, if any; ``sign`` as in `Request`; ``analyzer``, ``switch``:
    resources under which the same instruments are reached now. That they are the same is told by *IDN?, as ever.

    Raises
    ------
    UsageError
        When the run is finished, or nothing of it had begun.
    RecipeError
        When its bench file states a level that its analyzer cannot take.
    """
    from reports.html import render
    from sequencer.archive.runfolder import RunFolder
    from sequencer.recipe.bench_loader import refuse_overdrive
    from sequencer.run.engine import Bystanders, Engine, left_to_sweep, made_safe

    recipe, bench, began = stored_task(stored)
    bench, moved = _moved(bench, began, analyzer, switch)
    history = list(stored.history)
    if not left_to_sweep(recipe, bench, history):
        store = RunFolder.reopen(stored.folder, sign=sign)
        nobody: Any = people(bench, True, None)
        missing: Any = None  # no step of what is left asks for a bench
        outside = Bystanders(
            analyzer=missing,
            switch=missing,
            operator=nobody,
            store=store,
            clock=SystemClock(),
            listener=nobody,
            write_report=render,
        )
        with _kept(store):
            here = not began.traces and not _simulated(began)  # a simulated one ended with its run
            safe = _switched_off(bench, history, store) if here and not made_safe(history) else None
            return Engine(recipe, bench, _against(outside, baseline), began, history).conclude(safe), store.folder
    files: FromFiles | None = None
    if began.traces:
        from sequencer.from_files import FromFiles

        files = FromFiles.open(recipe, bench, began.traces, began.declared, people, _tell, at=began.at)
    with _same_bench(stored, recipe, bench, began) as (there, simulated):
        if files is None:
            refuse_overdrive(there)
            people(there, simulated, None)  # refuses early where nobody could move the cables
        store = RunFolder.reopen(stored.folder, sign=sign)
        since = began.at if simulated else None
        with _kept(store), _outside(there, store, people, simulated=simulated, began=since, files=files) as outside:
            whole = _against(outside, baseline)
            return Engine(recipe, bench, whole, began, history).resume(PROGRAM, moved), store.folder


def _simulated(began: Began) -> bool:
    return began.bench.partition(":")[0] == "simulated"


def _switched_off(bench: Bench, history: Sequence[Entry], store: RunFolder) -> MadeSafe:
    """Turn off the generator of a bench that a run was cut off at; what came of it."""
    from instruments.analyzer import open_analyzer
    from sequencer.core.history import Identified, MadeSafe

    try:
        analyzer = open_analyzer(bench.analyzer, SystemClock(), store.transcript)
        try:
            proven, why = analyzer.make_safe(), "generator off was sent but NOT confirmed: look at it"
            known = next((e.identification for e in reversed(history) if isinstance(e, Identified)), {})
            if analyzer.identification()["analyzer"] != known.get("analyzer"):
                proven, why = False, "another analyzer answered where the run's own was: see that its generator is off"
        finally:
            analyzer.close()
    except NotchbookError as exc:
        proven, why = (
            False,
            f"the generator may still be on, and cannot be reached: switch it off yourself ({exc.message})",
        )
    why = "generator off, confirmed by the instrument; the run had been cut off before that" if proven else why
    return MadeSafe(at=max(datetime.now(UTC), history[-1].at), why=why, proven=proven)


def _moved(bench: Bench, began: Began, analyzer: str, switch: str) -> tuple[Bench, str]:
    """Return the bench with its instruments where they are now, and what to say of it."""
    if not analyzer and not switch:
        return bench, ""
    if _simulated(began):
        msg = "a simulated bench is started again where it must be; --analyzer and --switch are for real ones"
        raise UsageError(msg)
    told = []
    if analyzer:
        told.append(f"the analyzer is now at {analyzer}, no longer at {bench.analyzer.resource}")
        bench = replace(bench, analyzer=replace(bench.analyzer, resource=analyzer))
    if switch:
        if bench.switch is None:
            msg = "--switch: this run's bench has none"
            raise UsageError(msg)
        told.append(f"the switch is now at {switch}, no longer at {bench.switch.resource}")
        bench = replace(bench, switch=replace(bench.switch, resource=switch))
    return bench, "; ".join(told)


@contextmanager
def _same_bench(stored: StoredRun, recipe: Recipe, bench: Bench, began: Began) -> Iterator[tuple[Bench, bool]]:
    """Yield the bench of a stored run; a simulated one is started again where its process had stopped."""
    from sequencer.core.history import Adjusted, Connected, Swept

    kind, _, choice = began.bench.partition(":")
    if kind != "simulated":
        if began.simulated and not began.bench:
            msg = f"{stored.folder}: an earlier version did not note which simulated bench it used; start a new run"
            raise UsageError(msg, folder=str(stored.folder))
        yield bench, False
        return
    elapsed_s = (max(datetime.now(UTC), stored.history[-1].at) - began.at).total_seconds()
    sweeps = sum(isinstance(e, Swept | Adjusted) for e in stored.history)
    matings = sum(isinstance(e, Connected) for e in stored.history)
    goes_on = f"{elapsed_s:.6f},{sweeps},{matings}"
    process = open_simulated(choice, recipe=recipe, seed=began.seed, speed=began.speed, goes_on=goes_on)
    try:
        analyzer = replace(bench.analyzer, resource=process.said["analyzer"])
        switch = None if bench.switch is None else replace(bench.switch, resource=process.said["switch"])
        yield replace(bench, analyzer=analyzer, switch=switch), True
    finally:
        process.close()


def _of_the_switch(store: RunFolder) -> Callable[[str, bytes], None]:
    """Mark the switch's exchanges in bus.log, which is the analyzer's as well."""
    return lambda direction, data: store.transcript(f"switch {direction}", data)
