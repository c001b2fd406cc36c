"""`resume RUN`: goes on with a run that stopped before its end."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from sequencer.errors import UsageError

__all__ = ["add_resume", "resume"]


def add_resume(commands: Any) -> None:
    """Add the command to the parser's sub-commands."""
    parser = commands.add_parser("resume", help="go on with a run that stopped before its end")
    parser.add_argument("run", metavar="RUN", help="run folder, or the start of a run's id")
    parser.add_argument("--out", metavar="DIR", help="where runs live (else NOTCHBOOK_ARCHIVE, else ./runs)")
    parser.add_argument(
        "--set", action="append", default=[], metavar="K=V", help="answer a question: temperature, operator, place ..."
    )
    parser.add_argument(
        "--yes", action="store_true", help="answer questions that have a safe answer; never moves cables"
    )
    parser.add_argument("--analyzer", default="", metavar="RESOURCE", help="where the analyzer is now, if it moved")
    parser.add_argument("--switch", default="", metavar="RESOURCE", help="where the switch is now, if it moved")
    parser.add_argument("--sign", metavar="KEY", help="sign the report as its tester with this key file")
    parser.add_argument("--json", action="store_true", help="print the record on standard output")


def resume(asked: argparse.Namespace) -> str:
    """Go on where the run stopped; what was taken stays if the bench proves to be as it was.

    Raises
    ------
    UsageError
        When the run is finished, or nothing of it had begun.
    """
    from sequencer.archive.reading import check_order, find_run, open_run
    from sequencer.cli.commands import answer, signer
    from sequencer.cli.people import at_the_bench
    from sequencer.cli.study_commands import load_finished
    from sequencer.cli.terminal import summary
    from sequencer.core.history import Connected
    from sequencer.run.visits import visits
    from sequencer.run.witness import questions
    from sequencer.wiring import resume_run, runs_root, stored_task

    stored = open_run(find_run(runs_root(asked.out), asked.run))
    check_order(stored)
    if stored.record is not None and stored.record.complete:
        msg = f"{stored.folder}: this run is finished; there is nothing to resume. Start a new run instead"
        raise UsageError(msg, folder=str(stored.folder))
    recipe, _, began = stored_task(stored)
    baseline = load_finished(runs_root(asked.out), began.baseline) if began.baseline else None
    last = next((e.hookup for e in reversed(stored.history) if isinstance(e, Connected)), None)
    people = at_the_bench(
        asked,
        recipe.ports,
        hookups_done=len(visits(stored.history)),
        witness=questions(recipe),
        past_matrix=last is not None and last.by_hand,
    )
    record, folder = resume_run(
        stored, people, baseline=baseline, sign=signer(asked.sign), analyzer=asked.analyzer, switch=asked.switch
    )
    sys.stderr.write(summary(record, str(folder)) + "\n")
    if asked.json:
        from sequencer.formats.record import dump_record

        sys.stdout.write(dump_record(record))
    return answer(record, accept_conditional=recipe.decision.accept_conditional)
