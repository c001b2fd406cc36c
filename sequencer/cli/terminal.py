"""The terminal of a run: asks the person at the bench, is their hands, and tells what happens and why.

Everything goes to one stream (standard error), so that standard output stays free for a record. Options are
single keys before Enter: nothing = it is in place, ``?`` = every caution, ``<`` = correct the answer before, ``q`` =
stop the run safely.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TextIO

from sequencer.cli.diagram import diagram
from sequencer.cli.keys import forget_typed_ahead
from sequencer.cli.moves import EVERY_CAUTION, cautions, instruction
from sequencer.cli.story import tell
from sequencer.cli.summary import summary
from sequencer.cli.words import bounded_width, describe, duration, fold, printable
from sequencer.core.history import Began, Connected, Entry, Finished, Refused, Resumed, Stopped, Voided
from sequencer.core.hookup import Hookup
from sequencer.errors import GaveUpError, UsageError
from sequencer.ports import BACK, Progress, Question, Switch
from sequencer.recipe.model import Bench
from sequencer.run.joints import Joints, on_matrix

__all__ = ["Terminal", "require_hands", "summary"]

PLAIN_PROGRESS_S = 10.0  # without a live line, this often is enough to see that it goes on
STYLES = {"pass": "32", "fail": "31;1", "undecided": "33;1", "warning": "33", "again": "33", "danger": "31;1"}
STOP = "q = stop the run safely"
STOP_MEANS = f"{STOP}: the generator goes off, what was swept is kept"


def require_hands(*, simulated: bool, has_switch: bool, interactive: bool) -> None:
    """Refuse, before anything is touched, a real bench whose cables nobody could move.

    Raises
    ------
    UsageError
        A real bench without a switch and without a terminal.
    """
    if not (simulated or has_switch or interactive):
        msg = (
            "this bench has no 'switch', so a person has to move the cables, but standard input is not a terminal; "
            "run it in a terminal, or describe a switch in the bench file (--yes never stands for moved cables)"
        )
        raise UsageError(msg)


@dataclass(frozen=True, slots=True)
class _Standing:
    """The hookup in place, and every joint as it stands; None: nothing told yet."""

    hookup: Hookup | None
    joints: Joints | None


class Terminal:
    """Operator, hands (Switch) and Listener in one, on two text streams.

    Parameters
    ----------
    inp, out : where a person's answers come from (standard input), and where to write (standard error).
    yes : who answers what has a safe answer, and has a simulated bench's cables moved without asking: '--yes', or
        '' where nobody may but the person.
    sets : answers given with ``--set key=value``; they come before anybody is asked.
    interactive : whether a person is at ``inp``.
    moves : the switch that moves the cables (a matrix, or the simulated bench's own); None = the person does.
    past_matrix : the run stopped where hookups were made by hand, so its leads are not on the switch matrix.
    hookups_all : how many hookups the plan has; 0 where not known.
    now : a clock in seconds, only to space out plain progress lines.
    """

    def __init__(
        self,
        inp: TextIO,
        out: TextIO,
        *,
        yes: str,
        sets: Mapping[str, str],
        interactive: bool,
        simulated: bool,
        bench: Bench | None,
        ports: Sequence[str],
        moves: Switch | None = None,
        hookups_all: int = 0,
        hookups_done: int = 0,
        past_matrix: bool = False,
        now: Callable[[], float] = time.monotonic,
        environ: Mapping[str, str] | None = None,
    ) -> None:
        self._inp, self._out = inp, out
        self._yes, self._interactive, self._simulated = yes, interactive, simulated
        self._sets = {_plain(key): value for key, value in sets.items()}
        self._bench, self._ports, self._moves = bench, tuple(ports), moves
        self._all, self._done = hookups_all, hookups_done
        self._now = now
        env = os.environ if environ is None else environ
        tty = out.isatty()
        self._live = tty and env.get("TERM", "") not in ("", "dumb")
        self._colour = self._live and not env.get("NO_COLOR")
        self._columns = int(env["COLUMNS"]) if env.get("COLUMNS", "").isdigit() else 0
        self._line = ""
        self._progress: Progress | None = None
        self._last_plain_s = float("-inf")
        self._past_matrix = past_matrix
        matrix = moves is not None and not simulated and not past_matrix
        self._here = _Standing(None, frozenset(on_matrix(ports)) if matrix else None)
        self._before = self._here  # what stood before that: a refused hookup's moves are told again
        self._resumed, self._again = hookups_done > 0, False
        self._told: set[tuple[str, ...]] = set()

    # ---- Operator ----------------------------------------------------------------------------------

    def ask(self, question: Question) -> tuple[str, str]:
        """Return (answer, by): from --set, from --yes where that is safe, else from the person.

        Raises
        ------
        GaveUpError
            The person stopped, or nobody is there; then the message names the option to give.
        UsageError
            A --set answer is none of the choices.
        """
        given = None if question.in_person else self._sets.get(_plain(question.key))
        if given is not None:
            answer = _choose(given, question.choices)
            wrong = _allowed(question) if answer is None else question.wrong(answer)
            if answer is None or wrong:
                msg = f"--set {question.key}={given}: {wrong}"
                raise UsageError(msg, key=question.key)
            return printable(answer), "--set"
        if self._yes and question.safe_answer is not None:
            return question.safe_answer, self._yes
        if not self._interactive:
            also = "" if question.safe_answer is None else " or --yes"
            value = question.choices[0] if question.choices else "..."
            given = "" if question.in_person else f", or give --set '{question.key}={value}'{also}"
            msg = f"nobody is there to answer {question.key!r} ({printable(question.text)}); run in a terminal{given}"
            raise GaveUpError(msg, key=question.key)
        return self._ask_person(question), "operator"

    def _ask_person(self, question: Question) -> str:
        self._settle()
        self._write("")
        self._paragraph(question.text, "? ")
        for caution in question.cautions:
            self._paragraph(caution, "  ! ", style="danger")
        default = None if question.choices else question.safe_answer  # a choice is typed, never a mere Enter
        says = f"type {' or '.join(repr(choice) for choice in question.choices)}; " if question.choices else ""
        says += "" if default is None else f"Enter = {default}; "
        says += "< = correct the answer before; " if question.back else ""
        self._paragraph(f"{says}{STOP}", "  ")
        while True:
            typed = self._read(f"{question.key}> ", "the question was not answered")
            if typed == "?":
                self._every_caution()
            elif typed == "<" and question.back:
                return BACK
            elif typed or default is not None:
                answer = _choose(typed, question.choices) if typed else default
                wrong = _allowed(question) if answer is None else question.wrong(answer)
                if answer is not None and not wrong:
                    return answer
                self._paragraph(wrong if wrong.startswith(repr(typed)) else f"{typed!r}: {wrong}", "  ")
            else:
                self._paragraph(f"Enter alone is no answer here; {_allowed(question)}", "  ")

    # ---- Switch ------------------------------------------------------------------------------------

    def connect(self, hookup: Hookup) -> str:
        """Bring a hookup about; see the class for who moves the cables. Returns who did."""
        self._settle()
        matrix = self._moves is not None and not self._simulated and not hookup.by_hand
        unattended = self._moves is not None and self._simulated and bool(self._yes)
        said, joints = instruction(
            hookup, self._here.joints, self._ports, self._bench, matrix=matrix, resumed=self._resumed
        )
        if matrix and self._interactive and self._past_matrix:
            self._paragraph("Take all else off the leads and the device.", "  ")
            prompt = "Put both leads back on the switch matrix, and it on the device, then Enter> "
            self._read(prompt, "the leads are not on the matrix")
        if matrix or unattended:
            self._write("")
            self._paragraph(f"{self._number()}: {hookup.name}. {describe(hookup)}", "")
        elif self._interactive:
            self._show(hookup, said)
            while (typed := self._read("Enter when it is in place> ", f"hookup {hookup.name} is not in place")) != "":
                if typed == "?":
                    self._every_caution()
                else:
                    self._paragraph(f"Press Enter alone when it is in place; ? = every caution; {STOP}.", "  ")
        else:
            how = "add --yes" if self._simulated else "run in a terminal, or describe a switch in the bench file"
            msg = f"nobody is there to bring about hookup {hookup.name!r}; {how}"
            raise GaveUpError(msg, hookup=hookup.name)
        hands = self._moves is None or (hookup.by_hand and not self._simulated)
        by = "operator" if hands or self._moves is None else self._moves.connect(hookup)
        self._before, self._here, self._again = self._here, _Standing(hookup, joints), False
        self._past_matrix = hookup.by_hand
        self._done += 1
        return by

    def close(self) -> None:
        """End the live line and let the inner switch go."""
        self._settle()
        if self._moves is not None:
            self._moves.close()

    def _number(self) -> str:
        if self._progress is not None and self._progress.check:
            return "To check what was taken before"  # it stands in the plan already, under its own number
        number = self._done + 1
        return f"Hookup {number} of {max(self._all, number)}" if self._all else f"Hookup {number}"

    def _show(self, hookup: Hookup, said: Sequence[str]) -> None:
        width = self._width()
        self._write("", "-" * width)
        self._paragraph(f"{self._number()}: {hookup.name}. {describe(hookup)}", "", style="title")
        self._write("", *diagram(hookup, self._bench, self._ports, width).splitlines(), "")
        last = self._here.hookup
        previous = last if last is not None and last.by_hand == hookup.by_hand else None
        if self._again:
            self._paragraph("Told again, as from the hookup before: check each, and do what is not so.", "  ")
        for number, move in enumerate(said, 1):
            self._paragraph(move, f"{number:3d}. ")
        first = previous is None
        for caution in cautions(hookup, previous, self._bench, first):
            self._paragraph(caution, "  !  ", style="danger")
        self._write("")
        if self._simulated:
            self._paragraph("Simulated bench: its cables move when you press Enter.", "  ")
        if first:
            self._paragraph(f"? = every caution; {STOP_MEANS}.", "  ")

    def _every_caution(self) -> None:
        for caution in EVERY_CAUTION:
            self._paragraph(caution, "  !  ", style="danger")

    # ---- Listener ----------------------------------------------------------------------------------

    def heard(self, entry: Entry) -> None:
        """Print one entry's line, where it is worth one."""
        begun = isinstance(entry, Resumed) and entry.hookup != ""
        if begun or isinstance(entry, Refused) or (isinstance(entry, Connected) and entry.check):
            self._done = max(self._done - 1, 0)
            if isinstance(entry, Refused):
                self._here, self._again = self._before, True
        elif isinstance(entry, Voided):
            self._done = 0
        for label, text, style in tell(entry, self._told):
            if isinstance(entry, Began | Finished | Stopped):
                self._settle()
            self._paragraph(text, f"  {label:<9}", style=style)

    def progress(self, progress: Progress) -> None:
        """Show how far the run is: a line that updates itself, or now and then a plain one."""
        if progress.hookups_all:
            self._all = progress.hookups_all
        step_changed = (
            progress.at_once or self._progress is None or self._progress.hookups_done != progress.hookups_done
        )
        self._progress = progress
        whole_s = progress.done_s + progress.left_s
        share = min(max(progress.done_s / whole_s, 0.0), 1.0) if whole_s > 0 else 0.0
        where = f"hookup {progress.hookups_done} of {progress.hookups_all}: " if progress.hookups_all else ""
        text = f"{100 * share:.0f} %, {duration(progress.left_s)} left, {where}{printable(progress.step)}"
        if self._live:
            filled = round(10 * share)
            self._line = f"[{'#' * filled}{'.' * (10 - filled)}] {text}"[: self._width()]
            self._raw(f"\r\x1b[K{self._line}")
        elif step_changed or self._now() - self._last_plain_s >= PLAIN_PROGRESS_S:
            self._last_plain_s = self._now()
            self._write(*fold(text, self._width(), "  progress "))

    # ---- the streams -------------------------------------------------------------------------------

    def _read(self, prompt: str, undone: str) -> str:
        forget_typed_ahead(self._inp)
        self._raw(prompt)
        typed = self._inp.readline()
        if not typed:
            self._write("")
            msg = f"the terminal was closed: {undone}"
            raise GaveUpError(msg)
        typed = printable(typed)
        if typed == "q":
            msg = f"stopped by the operator: {undone}"
            raise GaveUpError(msg)
        return typed

    def _settle(self) -> None:
        """Wipe the live line; it comes back with the next progress."""
        if self._line:
            self._raw("\r\x1b[K")
            self._line = ""

    def _paragraph(self, text: str, first: str, style: str = "") -> None:
        lines = fold(text, self._width(), first)
        code = "1" if style == "title" else STYLES.get(style, "")
        if self._colour and code:
            lines = [f"\x1b[{code}m{line}\x1b[0m" for line in lines]
        self._write(*lines)

    def _write(self, *lines: str) -> None:
        wipe, again = ("\r\x1b[K", self._line) if self._line else ("", "")
        self._raw(wipe + "".join(f"{line}\n" for line in lines) + again)

    def _raw(self, text: str) -> None:
        encoding = getattr(self._out, "encoding", None) or "utf-8"
        try:
            self._out.write(text.encode(encoding, "replace").decode(encoding))
            self._out.flush()
        except OSError:  # nobody reads any more: the run goes on, its journal and report tell the same
            self._line = ""

    def _width(self) -> int:
        if self._columns:
            return bounded_width(self._columns)
        try:
            return bounded_width(os.get_terminal_size(self._out.fileno()).columns)
        except (OSError, ValueError):  # not a terminal, or a stream without a file
            return bounded_width(shutil.get_terminal_size((80, 24)).columns)


def _plain(key: str) -> str:
    return key.casefold().replace("_", " ").replace("-", " ").strip()


def _choose(typed: str, choices: Sequence[str]) -> str | None:
    """Return the choice meant (its beginning is enough where it is the only one), or None."""
    if not choices:
        return typed
    wanted = typed.casefold().strip()
    exact = [choice for choice in choices if choice.casefold() == wanted]
    begun = [choice for choice in choices if wanted and choice.casefold().startswith(wanted)]
    return exact[0] if exact else begun[0] if len(begun) == 1 else None


def _allowed(question: Question) -> str:
    return f"answer one of: {', '.join(question.choices)}"
