"""What each command does; answers 'yes', 'no', 'cannot say' or None (done). Imports happen when needed."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.cli.archive_commands import archive
from sequencer.cli.pairs import pairs, sets_of, trace_sets
from sequencer.cli.resume_command import resume
from sequencer.cli.study_commands import STUDY_COMMANDS, load_finished
from sequencer.errors import SignalStop, UsageError

if TYPE_CHECKING:
    from sequencer.core.record import Record

__all__ = ["COMMANDS", "answer", "write_new"]


def _out(text: str) -> None:
    sys.stdout.write(text if text.endswith("\n") else text + "\n")


def _load_recipe(argument: str) -> Any:
    from sequencer.recipe.loader import load_recipe
    from sequencer.recipe.starters import read_recipe

    return load_recipe(*read_recipe(argument))


def recipe(asked: argparse.Namespace) -> None:
    """`recipe list | new | show | schema`."""
    if asked.what == "list":
        from sequencer.recipe.starters import starters

        known = starters()
        width = max(len(name) for name, _ in known)
        _out("\n".join(f"{name:<{width}}  {title}" for name, title in known))
    elif asked.what == "schema":
        from sequencer.recipe.schema import recipe_schema

        _out(json.dumps(recipe_schema(), indent=2))
    elif asked.what == "show":
        from sequencer.recipe.starters import read_recipe

        _out(read_recipe(asked.recipe)[0])
    else:
        _recipe_new(asked)


def _recipe_new(asked: argparse.Namespace) -> None:
    from sequencer.recipe.new import new_recipe
    from sequencer.units import FREQUENCY, parse

    channels = parse(asked.transmit, FREQUENCY), parse(asked.receive, FREQUENCY)
    text = new_recipe(*channels, name=asked.name, **({"kind": asked.kind} if asked.kind else {}))
    if not asked.write:
        _out(text)
        return
    write_new(Path(asked.write), text)


def write_new(path: Path, text: str) -> None:
    """Write a file that must not exist yet."""
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        msg = f"{path} exists already; choose another name"
        raise UsageError(msg) from None
    except OSError as exc:
        msg = f"{path} cannot be written: {exc.strerror}"
        raise UsageError(msg) from exc
    sys.stderr.write(f"wrote {path}\n")


def check(asked: argparse.Namespace) -> str:
    """`check RECIPE [--bench FILE]`: yes where the bench can prove every limit."""
    from sequencer.cli.checktext import check_text
    from sequencer.recipe.bench_loader import load_bench
    from sequencer.run.beginning import beyond_reach, unmade
    from sequencer.run.predict import TYPICAL, TYPICAL_BENCH, forecast
    from sequencer.wiring import stated_bench, stated_limits

    recipe = _load_recipe(asked.recipe)
    bench = stated_bench(asked.bench, recipe) if asked.bench else load_bench(TYPICAL_BENCH, "typical bench")
    limits = stated_limits(bench)
    simulated = (asked.bench or "").partition(":")[0] == "simulated"
    if asked.bench and not asked.files:
        # a range that no dialect states is only what is usual, and refuses nothing
        told_hz = simulated or limits.frequency_hz != TYPICAL.frequency_hz
        cannot = (beyond_reach(recipe, bench, limits) if told_hz else "") or unmade(recipe, bench, limits)
        if cannot:
            msg = f"{asked.recipe} cannot be run on {asked.bench}: {cannot}"
            raise UsageError(msg)
    # saved traces are planned without an analyzer that could be asked, so what it can do is not counted on
    told = forecast(recipe, bench) if asked.files else forecast(recipe, bench, limits)
    if asked.files:
        from sequencer.cli.filestext import files_text

        _out(files_text(told, recipe, bench))
        return "yes"
    _out(check_text(told, recipe, bench, simulated=simulated))
    return "yes" if all(limit.ok for limit in told.limits) else "cannot say"


def bench(asked: argparse.Namespace) -> None:
    """`bench simulate | probe | schema`."""
    if asked.what == "schema":
        from sequencer.recipe.schema import bench_schema

        _out(json.dumps(bench_schema(), indent=2))
        return
    if asked.what == "probe":
        from sequencer.cli.probe_command import probe

        probe(asked)
        return
    command = [sys.executable, "-m", "instruments.simulated", "--standalone"]
    for option in ("device", "variant", "transport"):
        if getattr(asked, option):
            command += [f"--{option}", getattr(asked, option)]
    command += ["--seed", str(asked.seed), "--speed", repr(asked.speed), "--port", str(asked.port)]
    with subprocess.Popen(command) as process:  # noqa: S603 - our own module, arguments as a list
        try:
            status = process.wait()
        except KeyboardInterrupt as exc:  # on Ctrl-C the bench has it too, and ends; that is how one leaves it
            process.terminate()
            status = process.wait()
            if isinstance(exc, SignalStop):
                raise
    if status:
        msg = "the simulated bench ended with an error"
        raise UsageError(msg, status=status)


def run(asked: argparse.Namespace) -> str:
    """`run RECIPE --bench BENCH`: the acceptance run."""
    from sequencer.cli.people import at_the_bench
    from sequencer.cli.terminal import summary
    from sequencer.run.witness import questions
    from sequencer.studies.changes import check_limits_on_change
    from sequencer.wiring import Request, runs_root, take_run

    if not asked.bench:
        msg = (
            "which bench? --bench FILE for a real one (see README, 'Your bench'), or --bench simulated for the "
            "simulated one, whose results are marked SIMULATED, NOT A MEASUREMENT"
        )
        raise UsageError(msg)
    declared = trace_sets(asked.set)
    if declared and not asked.traces:
        msg = f"--set {next(iter(declared))}: tells of saved traces, and there are none; give --traces FOLDER"
        raise UsageError(msg)
    recipe = _load_recipe(asked.recipe)
    if not asked.baseline:
        check_limits_on_change(recipe)
    witness = questions(recipe)
    people = at_the_bench(asked, recipe.ports, witness=witness)
    request = Request(
        recipe=recipe,
        bench=asked.bench,
        root=runs_root(asked.out),
        serial=asked.serial,
        conditions=sets_of(asked.set, witness)[1],
        labels=pairs(asked.label, "--label"),
        seed=asked.seed,
        speed=asked.speed,
        baseline=load_finished(runs_root(asked.out), asked.baseline) if asked.baseline else None,
        sign=signer(asked.sign),
        traces=asked.traces,
        declared=declared,
    )
    record, folder = take_run(request, people)
    sys.stderr.write(summary(record, str(folder)) + "\n")
    if record.change is not None:
        from sequencer.cli.study_text import change_text

        sys.stderr.write("\n" + change_text(record) + "\n")
    if asked.json:
        from sequencer.formats.record import dump_record

        _out(dump_record(record))
    return answer(record, accept_conditional=recipe.decision.accept_conditional)


def signer(key: str | None) -> Callable[[bytes], bytes] | None:
    """Return what signs the report as its tester; the passphrase is asked before anything is measured."""
    if not key:
        return None
    from sequencer.archive.signing import as_tester, load_signing_key
    from sequencer.cli.archive_commands import read_passphrase

    return as_tester(load_signing_key(Path(key), read_passphrase(key)))


def answer(record: Record, *, accept_conditional: bool) -> str:
    """Return what a record's statement means to the caller.

    Against a baseline a change is a no: one beyond what the recipe allows that quantity or, of a quantity for which it
    allows none by a figure, any. Where a figure is set and it cannot be said whether it was kept, or nothing at all can
    be said of the change, the answer is that it cannot be said.
    """
    overall, change = record.overall.value, record.change
    if change is not None and (change.exceeded or record.changed_without_leave):
        return "no"
    if overall == "pass" or (overall == "conditional pass" and accept_conditional):
        changes = [result.change for result in record.results if result.change is not None]
        open_limit = any(one.max_change is not None and one.exceeded is None for one in changes)
        return "cannot say" if change is not None and (open_limit or change.changed is None) else "yes"
    return "no" if overall == "fail" else "cannot say"


def report(asked: argparse.Namespace) -> None:
    """`report RUN`: render a stored run's report again, from its record and traces."""
    from reports.html import render
    from sequencer.archive.reading import find_run, open_run, seal_again
    from sequencer.recipe.bench_loader import load_bench
    from sequencer.recipe.loader import load_recipe
    from sequencer.run.evaluate import evaluate
    from sequencer.run.recording import make_record
    from sequencer.wiring import runs_root

    stored = open_run(find_run(runs_root(asked.out), asked.run))
    recipe = load_recipe(stored.recipe_text, str(stored.folder / "recipe.yaml"))
    bench = load_bench(stored.bench_text, str(stored.folder / "bench.yaml"))
    done = evaluate(recipe, bench, stored.history)
    record = stored.record or make_record(recipe, bench, stored.history, done, wall_seconds=0.0)
    text = seal_again(stored, render(record, done.curves))
    if asked.write:
        write_new(Path(asked.write), text)
    else:
        _out(text)


COMMANDS: Mapping[str, Callable[[argparse.Namespace], str | None]] = {
    "recipe": recipe,
    "check": check,
    "bench": bench,
    "run": run,
    "resume": resume,
    "report": report,
    "archive": archive,
    **STUDY_COMMANDS,
}
