"""The command line: arguments in, exit status out. Nothing heavy is imported before it is needed."""

from __future__ import annotations

import argparse
import shlex
import signal
import sys
from collections.abc import Sequence
from typing import NoReturn

from sequencer.cli.probe_command import add_probe

__all__ = ["build_parser", "main"]

YES, NO, CANNOT_SAY = 0, 1, 4
READER_GONE = 141  # 128 + SIGPIPE, as shells count

_EPILOG = """\
exit status: 0 yes (accepted); 1 no (not accepted); 2 recipe, files or call wrong; 3 the bench let us down
(run kept); 4 cannot be said (conditional or undecided); 70 a fault of ours; 130 and 143 interrupted, run kept
"""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of every command that works."""
    parser = argparse.ArgumentParser(
        prog="notchbook",
        description="Proves a refurbished duplexer on a spectrum analyzer with tracking generator.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")

    recipe = commands.add_parser("recipe", help="list, write or describe recipes")
    recipes = recipe.add_subparsers(dest="what", metavar="WHAT", required=True)
    recipes.add_parser("list", help="list the starter recipes")
    new = recipes.add_parser("new", help="write a commented recipe for a split of your own")
    new.add_argument("--transmit", required=True, metavar="FREQ", help="transmit frequency, e.g. '146.610 MHz'")
    new.add_argument("--receive", required=True, metavar="FREQ", help="receive frequency, e.g. '146.010 MHz'")
    new.add_argument("--name", metavar="NAME", help="name of the recipe")
    new.add_argument("--kind", metavar="KIND", help="band-pass/band-reject (default), reject-only or pass-only")
    new.add_argument("--write", metavar="FILE", help="write to this new file instead of the terminal")
    show = recipes.add_parser("show", help="print a starter recipe, to copy and change")
    show.add_argument("recipe", metavar="RECIPE")
    recipes.add_parser("schema", help="print the JSON Schema of recipe files")

    check = commands.add_parser("check", help="say what a run will do and what the bench can prove; touches nothing")
    _add_recipe(check)
    check.add_argument("--bench", metavar="FILE", help="bench file; without it a typical bench is assumed")
    check.add_argument("--files", action="store_true", help="print what to call the traces that `run --traces` reads")

    bench = commands.add_parser("bench", help="learn how an analyzer is spoken to, serve the simulated bench")
    add_probe(benches := bench.add_subparsers(dest="what", metavar="WHAT", required=True))
    simulate = benches.add_parser("simulate", help="serve the simulated bench to any SCPI client until Ctrl-C")
    simulate.add_argument("--device", default="", metavar="NAME", help="device on the bench ('list' names them)")
    simulate.add_argument("--variant", default="", metavar="NAME", help="kind of analyzer; 'random', 'list'")
    simulate.add_argument("--transport", default="", metavar="NAME", help="socket (the usual), hislip or serial")
    simulate.add_argument("--seed", type=int, default=1, metavar="N", help="seed of everything random")
    simulate.add_argument("--speed", type=float, default=1.0, metavar="X", help="times real time; 0: no waiting")
    simulate.add_argument("--port", type=int, default=0, metavar="N", help="port of the analyzer (0: a free one)")
    benches.add_parser("schema", help="print the JSON Schema of bench files")

    _add_run(commands)

    from sequencer.cli.resume_command import add_resume

    add_resume(commands)

    report = commands.add_parser("report", help="render the report of a stored run again")
    report.add_argument("run", metavar="RUN", help="run folder, or the start of a run's id")
    report.add_argument("--out", metavar="DIR", help="where runs live (else NOTCHBOOK_ARCHIVE, else ./runs)")
    report.add_argument("--write", metavar="FILE", help="write to this file instead of the terminal")

    from sequencer.cli.study_commands import add_study_parsers

    add_study_parsers(commands)

    from sequencer.cli.archive_commands import add_archive_parser

    add_archive_parser(commands)
    return parser


def _add_run(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    run = commands.add_parser("run", help="run a recipe on a bench and leave a report")
    _add_recipe(run)
    run.add_argument(
        "--bench", metavar="BENCH", help="bench FILE, or 'simulated' (or simulated:DEVICE, simulated:DEVICE:VARIANT)"
    )
    run.add_argument("--traces", default="", metavar="FOLDER", help="read saved traces from FOLDER instead of sweeping")
    run.add_argument("--serial", default="", metavar="S", help="serial number of the device")
    run.add_argument("--out", metavar="DIR", help="where runs live (else NOTCHBOOK_ARCHIVE, else ./runs)")
    run.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="K=V",
        help="temperature, operator, place, soak, customer ...",
    )
    run.add_argument("--label", action="append", default=[], metavar="K=V", help="label the run, e.g. harness='12 in'")
    run.add_argument("--baseline", metavar="RUN", help="state the change of every quantity since this run")
    run.add_argument("--sign", metavar="KEY", help="sign the report as its tester with this key file")
    run.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the simulated bench")
    run.add_argument("--speed", type=float, default=0.0, metavar="X", help="simulated: times real time; 0: no waiting")
    run.add_argument("--yes", action="store_true", help="answer questions that have a safe answer; never moves cables")
    run.add_argument("--json", action="store_true", help="print the record on standard output")


def _add_recipe(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("recipe", metavar="RECIPE", help="recipe FILE (with a slash, or ending in .yaml) or a starter")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    parser = build_parser()
    asked = parser.parse_args(argv)
    if asked.version:
        from sequencer import __version__

        print(f"notchbook {__version__}")  # noqa: T201 - the command line's output
        return YES
    if asked.command is None:
        parser.print_help()
        return 2
    return _guarded(asked)


def _guarded(asked: argparse.Namespace) -> int:
    """Run the command; every error ends in one clear message and the status of its branch."""
    from sequencer.errors import AskedWrongError, InterruptedRunError, NotchbookError, SignalStop

    def stop(number: int, _frame: object) -> NoReturn:
        raise SignalStop(number, signal.Signals(number).name)

    ends = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP", "SIGQUIT") if hasattr(signal, name)]
    heard = [number for number in ends if signal.getsignal(number) is not signal.SIG_IGN]  # nohup means it
    previous = {number: signal.signal(number, stop) for number in heard}
    try:
        from sequencer.cli import commands

        answer = commands.COMMANDS[asked.command](asked)
    except NotchbookError as exc:
        _say(f"notchbook: {exc.message}")
        folder = str(exc.facts.get("folder", ""))  # of a run that was being taken; none where it could not be begun
        begun = exc.facts.get("what") != "a new run" and not exc.facts.get("for_good")
        if folder and begun and not isinstance(exc, AskedWrongError):
            _say(f"notchbook: what was taken is kept; go on with\n\n    notchbook resume {shlex.quote(folder)}\n")
        status = exc.facts.get("status", exc.exit_code)
        return status if isinstance(status, int) else exc.exit_code
    except SignalStop as exc:
        _say(f"notchbook: {exc}")
        return exc.status
    except KeyboardInterrupt:
        _say("notchbook: interrupted")
        return InterruptedRunError.exit_code
    except BrokenPipeError:  # whoever read has gone: what the answer was they cannot know, so it is not 'yes'
        sys.stderr.close()
        return READER_GONE
    except Exception as exc:  # noqa: BLE001 - the last door: one line for people, the rest in a file
        return _crashed(exc)
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)
    if answer is None:
        return YES
    return {"yes": YES, "no": NO}.get(answer, CANNOT_SAY)


def _crashed(exc: Exception) -> int:
    import tempfile
    import traceback
    from pathlib import Path

    text = "".join(traceback.format_exception(exc))
    with tempfile.NamedTemporaryFile("w", prefix="notchbook-crash-", suffix=".txt", delete=False) as file:
        file.write(text)
    where = Path(file.name)
    _say(f"notchbook: a fault of ours ({type(exc).__name__}); please send us {where}")
    return 70


def _say(text: str) -> None:
    print(text, file=sys.stderr)  # noqa: T201 - the command line's output
