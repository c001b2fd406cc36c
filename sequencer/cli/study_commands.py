"""Commands on stored runs: judge, compare, trend, study. None of them touches an instrument."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.errors import NotchbookError, UsageError

if TYPE_CHECKING:
    from sequencer.core.record import Record

__all__ = ["STUDY_COMMANDS", "add_study_parsers"]


def add_study_parsers(commands: Any) -> None:
    """Add the parsers of judge, compare, trend and study to the command line's."""
    judge = commands.add_parser("judge", help="apply another recipe's limits to a stored run; makes a new run")
    judge.add_argument("run", metavar="RUN", help="run folder, or the start of a run's id")
    judge.add_argument("--recipe", required=True, metavar="RECIPE", help="recipe FILE or starter with the other limits")
    compare = commands.add_parser("compare", help="say what changed between runs: difference, interval, E_n")
    compare.add_argument("runs", nargs="+", metavar="RUN", help="two or more runs; the first is the reference")
    trend = commands.add_parser("trend", help="every quantity of one device over the years")
    trend.add_argument("serial", metavar="SERIAL", help="serial number of the device")
    trend.add_argument("--simulated", action="store_true", help="the simulated runs instead of the measured ones")
    study = commands.add_parser("study", help="runs side by side by a label: which value is best for what")
    study.add_argument("runs", nargs="+", metavar="RUN", help="runs made with --label KEY=VALUE")
    study.add_argument("--label", required=True, metavar="KEY", help="the label, e.g. harness")
    for parser in (judge, compare, trend, study):
        parser.add_argument("--out", metavar="DIR", help="where runs live (else NOTCHBOOK_ARCHIVE, else ./runs)")
    for parser in (compare, trend, study):
        parser.add_argument("--write", metavar="FILE", help="write the page (HTML) to this new file, too")


def _say(text: str) -> None:
    sys.stdout.write(text.rstrip("\n") + "\n")


def _root(asked: argparse.Namespace) -> Path:
    from sequencer.wiring import runs_root

    return runs_root(asked.out)


def load_finished(root: Path, run: str) -> Record:
    """Return the record of a stored, finished run.

    Raises
    ------
    UsageError
        When there is no such run, or it was never finished.
    StoredDataError
        When its files are damaged.
    """
    from sequencer.archive.reading import find_run, open_run

    stored = open_run(find_run(root, run))
    if stored.record is None:
        msg = f"{stored.folder}: this run was never finished, so there is no result in it"
        raise UsageError(msg, run=run)
    return stored.record


def _curves(root: Path, run: str) -> tuple[Any, ...]:
    """Evaluate a run's sweeps again for the lines of its plots."""
    from sequencer.archive.reading import find_run, open_run
    from sequencer.recipe.bench_loader import load_bench
    from sequencer.recipe.loader import load_recipe
    from sequencer.run.evaluate import evaluate

    stored = open_run(find_run(root, run))
    recipe = load_recipe(stored.recipe_text, str(stored.folder / "recipe.yaml"))
    bench = load_bench(stored.bench_text, str(stored.folder / "bench.yaml"))
    return evaluate(recipe, bench, stored.history).curves


def _page(asked: argparse.Namespace, render: Callable[[], str]) -> None:
    """Write the page where one was asked for; the name is refused before the work is done."""
    if not asked.write:
        return
    from sequencer.cli.commands import write_new

    write_new(Path(asked.write), render())


def judge(asked: argparse.Namespace) -> str:
    """`judge RUN --recipe RECIPE`: yes where the run meets the other recipe."""
    from sequencer.cli.commands import answer
    from sequencer.cli.study_text import change_text
    from sequencer.cli.summary import summary
    from sequencer.judging import judge_again
    from sequencer.recipe.loader import load_recipe
    from sequencer.recipe.starters import read_recipe

    recipe = load_recipe(*read_recipe(asked.recipe))
    root = _root(asked)
    record, folder = judge_again(root, asked.run, recipe)
    sys.stderr.write(summary(record, str(folder)) + "\n")
    if record.change is not None:
        sys.stderr.write("\n" + change_text(record) + "\n")
    return answer(record, accept_conditional=recipe.decision.accept_conditional)


def compare(asked: argparse.Namespace) -> str:
    """`compare RUN RUN ...`: yes where nothing changed, no where something did."""
    from sequencer.cli.study_text import against_text
    from sequencer.studies.changes import compare as compare_runs

    if len(asked.runs) < 2:
        msg = "compare needs two runs or more: the first is the reference"
        raise UsageError(msg)
    root = _root(asked)
    first, *others = [load_finished(root, run) for run in asked.runs]
    _refuse_mixed([first, *others])
    against = [compare_runs(first, other) for other in others]
    for each in against:
        _say(against_text(each) + "\n")

    def render() -> str:
        from reports.compare_page import render_compare

        return render_compare(against, [_curves(root, run) for run in asked.runs])

    _page(asked, render)
    verdicts = [each.family.changed for each in against]
    return "no" if True in verdicts else "cannot say" if None in verdicts else "yes"


def trend(asked: argparse.Namespace) -> str | None:
    """`trend SERIAL`: every quantity of the device over the years."""
    from sequencer.cli.study_text import trend_text
    from sequencer.studies.trend import trend_of

    found, damaged, spelled = _records_of(_root(asked), asked.serial)
    told = trend_of(found, asked.serial, simulated=asked.simulated)
    if not told.runs:
        kind = "simulated" if asked.simulated else "measured"
        others = [record for record in found if record.simulated != asked.simulated]
        hint = f"; there are {len(others)} of the other kind ({'without' if asked.simulated else 'with'} --simulated)"
        msg = f"no finished {kind} run of device {asked.serial!r} in {_root(asked)}{hint if others else ''}"
        if spelled:
            msg += f"; a serial counts as it is written, and there is {' and '.join(map(repr, sorted(spelled)))}"
        msg += "".join(f"\nnotchbook: left out: {line}" for line in damaged)
        raise UsageError(msg)
    _say(trend_text(told))
    for line in damaged:
        sys.stderr.write(f"notchbook: left out: {line}\n")

    def render() -> str:
        from reports.trend_page import render_trend

        return render_trend(told)

    _page(asked, render)
    return None


def study(asked: argparse.Namespace) -> str | None:
    """`study RUN RUN ... --label KEY`: runs side by side by a label."""
    from sequencer.cli.study_text import study_text
    from sequencer.studies.study import study_of

    root = _root(asked)
    records = [load_finished(root, run) for run in asked.runs]
    told = study_of(records, asked.label)
    _say(study_text(told))

    def render() -> str:
        from reports.study_page import render_study

        curves = {record.run_id: _curves(root, run) for record, run in zip(records, asked.runs, strict=True)}
        return render_study(told, curves)

    _page(asked, render)
    return None


def _refuse_mixed(records: Sequence[Record]) -> None:
    if len({record.simulated for record in records}) > 1:
        msg = "a simulated run and a measured run cannot be compared: one of them is no measurement"
        raise UsageError(msg)
    if len({record.run_id for record in records}) < len(records):
        msg = "a run is given twice: compare different runs"
        raise UsageError(msg)


def _records_of(root: Path, serial: str) -> tuple[list[Record], list[str], set[str]]:
    """Return the finished records of a serial, what could not be read, and how else the serial is spelled there.

    Traces are verified, not evaluated.
    """
    from sequencer.archive.index import Filter, look_up
    from sequencer.archive.names import RESULT
    from sequencer.archive.reading import verify_run
    from sequencer.formats.record import load_record

    found, damaged = [], []
    spelled: set[str] = set()
    for row in look_up(root, Filter(serial=serial)).rows:
        if row.state == "damaged":
            damaged.append(
                f"{row.run_id}: its record is not the one its manifest names; see `notchbook archive verify`"
            )
        if row.state != "complete":
            continue
        folder = root / row.run_id
        try:
            record = load_record((folder / RESULT).read_text(encoding="utf-8"), str(folder / RESULT))
            wrong = verify_run(folder)
        except (NotchbookError, OSError, UnicodeDecodeError) as exc:
            damaged.append(getattr(exc, "message", str(exc)))
            continue
        if wrong:
            damaged.append(f"{folder.name}: its files are not those its manifest names")
        elif record.serial == serial:
            found.append(record)
        elif record.serial.casefold() == serial.casefold():
            spelled.add(record.serial)
    return found, damaged, spelled


STUDY_COMMANDS: Mapping[str, Callable[[argparse.Namespace], str | None]] = {
    "judge": judge,
    "compare": compare,
    "trend": trend,
    "study": study,
}
