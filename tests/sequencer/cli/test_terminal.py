"""The terminal on text streams: who answers, who moves the cables, what is told and how it looks."""

import io
import os
import re
import threading
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from sequencer.cli.terminal import Terminal, require_hands
from sequencer.cli.words import sweep_name
from sequencer.core.history import (
    Answered,
    Began,
    Connected,
    Entry,
    Finished,
    Judged,
    MadeSafe,
    Refused,
    Role,
    Stopped,
    Swept,
    Warned,
)
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Flag, Sweep, SweepSettings, Trace
from sequencer.errors import GaveUpError, UsageError
from sequencer.ports import BACK, Listener, Operator, Progress, Question, Switch

AT = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
PATH = Hookup(name="TX-ANT", kind=HookupKind.PATH, generator="TX", analyzer="ANT", loads=("RX",))
NEXT = Hookup(name="TX-RX", kind=HookupKind.PATH, generator="TX", analyzer="RX", loads=("ANT",))
LOCKED = Question(key="locked out", text="Is the transmitter locked out?", choices=("yes", "no"))
PLACE = Question(key="place", text="Where is this done?", safe_answer="not stated")


class Tty(io.StringIO):
    def isatty(self) -> bool:
        return True


class Matrix:
    def __init__(self, by: str) -> None:
        self.by, self.moved, self.closed = by, [], False

    def connect(self, hookup: Hookup) -> str:
        self.moved.append(hookup.name)
        return self.by

    def close(self) -> None:
        self.closed = True


def terminal(
    typed: str = "",
    *,
    out: io.StringIO | None = None,
    yes: bool | str = False,
    sets: Mapping[str, str] | None = None,
    interactive: bool = True,
    simulated: bool = False,
    moves: Matrix | None = None,
    now: object = None,
    environ: Mapping[str, str] | None = None,
    **more: int,
) -> tuple[Terminal, io.StringIO]:
    out = io.StringIO() if out is None else out
    built = Terminal(
        io.StringIO(typed),
        out,
        yes="--yes" if yes is True else yes or "",
        sets=sets or {},
        interactive=interactive,
        simulated=simulated,
        bench=None,
        ports=("TX", "RX", "ANT"),
        moves=moves,
        now=now or (lambda: 0.0),
        environ=environ or {"TERM": "xterm", "COLUMNS": "80"},
        **more,
    )
    return built, out


def test_it_is_all_three() -> None:
    built, _ = terminal()
    as_operator: Operator = built
    as_switch: Switch = built
    as_listener: Listener = built
    assert as_operator is as_switch is as_listener


# ---- questions -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("question", "typed", "yes", "sets", "interactive", "answer"),
    [
        pytest.param(LOCKED, "", True, {"locked-out": "yes"}, False, ("yes", "--set"), id="--set first, key as typed"),
        pytest.param(LOCKED, "", False, {"LOCKED_OUT": "Y"}, True, ("yes", "--set"), id="--set, beginning of a choice"),
        pytest.param(LOCKED, "no\n", True, {}, True, ("no", "operator"), id="--yes never stands for a lock-out"),
        pytest.param(LOCKED, "perhaps\n\n y \n", False, {}, True, ("yes", "operator"), id="asks until it is a choice"),
        pytest.param(PLACE, "shed 4\n", False, {}, True, ("shed 4", "operator"), id="free text"),
        pytest.param(PLACE, "\n", False, {}, True, ("not stated", "operator"), id="Enter takes the safe answer"),
        pytest.param(PLACE, "", True, {}, True, ("not stated", "--yes"), id="--yes takes the safe answer unasked"),
        pytest.param(PLACE, "?\nhere\n", False, {}, True, ("here", "operator"), id="cautions on request, then answer"),
    ],
)
def test_who_answers(
    question: Question, typed: str, yes: bool, sets: Mapping[str, str], interactive: bool, answer: tuple[str, str]
) -> None:
    built, _ = terminal(typed, yes=yes, sets=sets, interactive=interactive)
    assert built.ask(question) == answer


LOCKED_ON_SIMULATED = Question(key="transmitter", text="Locked out?", choices=("locked out",), safe_answer="locked out")


def test_enter_alone_never_answers_a_choice() -> None:
    """A lock-out that a mere Enter confirms is none, on the simulated bench, where it is rehearsed, too."""
    built, out = terminal("\n\nlocked out\n", simulated=True)
    assert built.ask(LOCKED_ON_SIMULATED) == ("locked out", "operator")
    assert out.getvalue().count("Enter alone is no answer here; answer one of: locked out") == 2
    assert "Enter =" not in out.getvalue()
    assert terminal(yes=True)[0].ask(LOCKED_ON_SIMULATED) == ("locked out", "--yes")


def test_what_nobody_answered_is_not_told_as_an_option_that_was_not_given() -> None:
    built, _ = terminal(yes="simulated bench, nobody there", interactive=False, simulated=True)
    assert built.ask(LOCKED_ON_SIMULATED) == ("locked out", "simulated bench, nobody there")


def test_a_person_can_go_back_to_the_answer_before() -> None:
    built, out = terminal("<\n")
    assert built.ask(replace(PLACE, back=True)) == (BACK, "operator")
    assert "< = correct the answer before" in out.getvalue()
    assert terminal("<\n")[0].ask(PLACE) == ("<", "operator")  # where nothing is before, it is an answer


def test_nobody_there_names_the_option_to_give() -> None:
    with pytest.raises(GaveUpError, match=r"--set 'locked out=yes'$"):
        terminal(interactive=False, yes=True)[0].ask(LOCKED)
    with pytest.raises(GaveUpError, match=r"--set 'place=\.\.\.' or --yes"):
        terminal(interactive=False)[0].ask(PLACE)


def test_a_set_answer_that_is_no_choice_is_a_wrong_call() -> None:
    with pytest.raises(UsageError, match="answer one of: yes, no"):
        terminal(sets={"locked out": "maybe"})[0].ask(LOCKED)


@pytest.mark.parametrize("typed", ["q\n", ""], ids=["q", "terminal closed"])
def test_a_person_can_stop_at_any_prompt(typed: str) -> None:
    with pytest.raises(GaveUpError, match="the question was not answered"):
        terminal(typed)[0].ask(LOCKED)
    with pytest.raises(GaveUpError, match="TX-ANT is not in place"):
        terminal(typed)[0].connect(PATH)


def test_answers_cannot_carry_control_characters() -> None:
    answer, _ = terminal("bench\x1b[31m 2\n")[0].ask(PLACE)
    assert answer == "bench?[31m 2"


# ---- hookups ---------------------------------------------------------------------------------------


def test_a_person_sees_the_hookup_and_confirms_it() -> None:
    built, out = terminal("\n\n", hookups_all=9)
    assert built.connect(PATH) == "operator"
    first = out.getvalue()
    assert "Hookup 1 of 9: TX-ANT. Generator into TX, analyzer on ANT, 50 ohm on RX." in first
    assert "| TX   ANT |" in first
    assert "Connect the generator lead to TX." in first
    assert "locked out" in first
    assert "q = stop the run safely" in first
    assert built.connect(NEXT) == "operator"
    second = out.getvalue()[len(first) :]
    assert "Hookup 2 of 9" in second
    assert "Move the analyzer lead from ANT to RX." in second
    assert "generator lead to" not in second  # it stays
    assert "key-up" not in second  # the whole list does not come every time
    assert all(len(line) <= 80 for line in out.getvalue().splitlines())


def test_only_enter_alone_confirms() -> None:
    built, out = terminal("ok\n?\n\n")
    built.connect(PATH)
    assert "Press Enter alone" in out.getvalue()
    assert "Solvents" not in out.getvalue()
    assert "licensed person" in out.getvalue()  # the ? list


@pytest.mark.parametrize(
    ("simulated", "yes", "interactive", "typed", "by"),
    [
        pytest.param(True, False, True, "\n", "simulated switch", id="simulated: asks, then its cables move"),
        pytest.param(True, True, False, "", "simulated switch", id="simulated with --yes: no waiting"),
        pytest.param(False, False, False, "", "switch", id="a real matrix needs nobody"),
    ],
)
def test_who_moves_the_cables(simulated: bool, yes: bool, interactive: bool, typed: str, by: str) -> None:
    moves = Matrix(by)
    built, out = terminal(typed, simulated=simulated, yes=yes, interactive=interactive, moves=moves)
    assert built.connect(PATH) == by
    assert moves.moved == ["TX-ANT"]
    assert ("Enter" in out.getvalue()) is bool(typed)
    built.close()
    assert moves.closed


def test_yes_never_stands_for_moved_cables() -> None:
    built, _ = terminal("", yes=True, interactive=False)
    with pytest.raises(GaveUpError, match="TX-ANT"):
        built.connect(PATH)
    asked, out = terminal("\n", yes=True, interactive=True)
    assert asked.connect(PATH) == "operator"
    assert "Enter when it is in place" in out.getvalue()


def test_the_simulated_bench_moves_nothing_before_enter() -> None:
    moves = Matrix("simulated switch")
    built, _ = terminal("q\n", simulated=True, moves=moves)
    with pytest.raises(GaveUpError):
        built.connect(PATH)
    assert moves.moved == []


def test_hands_are_required_before_anything_is_touched() -> None:
    with pytest.raises(UsageError, match="--yes never stands for moved cables"):
        require_hands(simulated=False, has_switch=False, interactive=False)
    for simulated, has_switch, interactive in ((True, False, False), (False, True, False), (False, False, True)):
        require_hands(simulated=simulated, has_switch=has_switch, interactive=interactive)


def test_keys_pressed_before_the_prompt_confirm_nothing() -> None:
    """An impatient Enter during a sweep must not stand for a hookup nobody has read."""
    pytest.importorskip("termios")
    master, slave = os.openpty()
    out = io.StringIO()
    with os.fdopen(slave, encoding="utf-8") as inp:
        built = Terminal(
            inp, out, yes="", sets={}, interactive=True, simulated=False, bench=None, ports=("TX", "RX", "ANT")
        )
        os.write(master, b"\n\n")
        done: list[str] = []
        waiting = threading.Thread(target=lambda: done.append(built.connect(PATH)))
        waiting.start()
        waiting.join(0.3)  # far longer than reading a waiting line takes
        assert done == []
        os.write(master, b"\n")
        waiting.join(5.0)
        assert done == ["operator"]
    os.close(master)


def test_a_refused_hookup_keeps_its_number() -> None:
    built, out = terminal("\n\n", hookups_all=3)
    built.connect(PATH)
    built.heard(Refused(at=AT, why="the trace looks like the last hookup's", hookup="TX-ANT"))
    built.connect(PATH)
    assert out.getvalue().count("Hookup 1 of 3") == 2
    assert "TX-ANT is not accepted; the trace looks like the last hookup's" in " ".join(out.getvalue().split())
    first, again = out.getvalue().split("TX-ANT is not accepted")
    move = "Connect"
    assert first.count(move) == again.count(move) > 0  # what may not have been done is told once more


def test_a_hookup_that_only_checks_has_no_number_of_the_plan() -> None:
    """'Hookup 3 of 11: thru', and later another hookup 3: which is it?"""
    built, out = terminal("\n\n", hookups_all=3, hookups_done=2)
    built.progress(Progress(done_s=1.0, left_s=1.0, step="", hookups_done=2, hookups_all=3, check=True))
    built.connect(PATH)
    built.heard(Connected(at=AT, why="", hookup=PATH, by="operator", check=True))
    built.progress(Progress(done_s=1.0, left_s=1.0, step="", hookups_done=2, hookups_all=3))
    built.connect(NEXT)
    titles = [line for line in out.getvalue().splitlines() if line.startswith(("Hookup ", "To check "))]
    assert [title.partition(":")[0] for title in titles] == ["To check what was taken before", "Hookup 3 of 3"]


# ---- what is told ----------------------------------------------------------------------------------


def swept(key: str = "receive", why: str = "floor 12 dB below the limit", flags: tuple[Flag, ...] = ()) -> Swept:
    used = SweepSettings(
        start_hz=145.91e6,
        stop_hz=146.11e6,
        points=3,
        rbw_hz=300.0,
        attenuation_db=10.0,
        reference_dbm=0.0,
        generator_dbm=0.0,
    )
    sweep = Sweep(Trace(used.grid_hz(), np.zeros(3)), used, used, frozenset(flags), AT, 1.0)
    return Swept(at=AT, why=why, hookup="TX-ANT", key=key, role=Role.DEVICE, sweep=sweep, file="f", sha256="0")


BEGAN = Began(
    at=AT,
    why="",
    run_id="run-1",
    program="notchbook 1",
    recipe_sha256="",
    bench_sha256="",
    simulated=True,
    serial="INVENTED-1",
)


@pytest.mark.parametrize(
    ("entry", "line"),
    [
        pytest.param(BEGAN, "SIMULATED, NOT A MEASUREMENT", id="began"),
        pytest.param(
            Answered(at=AT, why="", question="place", answer="x", by="--yes"), "place: x (--yes)", id="answer"
        ),
        pytest.param(
            Connected(at=AT, why="first sweep proves it", hookup=PATH, by="operator"),
            "hookup TX-ANT in place, by operator; first sweep proves it",
            id="connected",
        ),
        pytest.param(
            swept(),
            "sweep receive: 145.910 to 146.110 MHz, RBW 300 Hz, 3 points; floor 12 dB below the limit",
            id="swept",
        ),
        pytest.param(swept(flags=(Flag.OVERLOAD,)), "[OVERLOAD]", id="overload"),
        pytest.param(Warned(at=AT, why="drift is large"), "warning drift is large", id="warned"),
        pytest.param(
            Judged(at=AT, why="", result_id="rejection TX-ANT receive", statement="pass", text=">= 84.2 dB"),
            "result PASS: rejection TX-ANT receive: >= 84.2 dB",
            id="judged",
        ),
        pytest.param(MadeSafe(at=AT, why="", proven=True), "generator off, confirmed", id="safe"),
        pytest.param(MadeSafe(at=AT, why="", proven=False), "DANGER generator off NOT confirmed", id="not safe"),
        pytest.param(Stopped(at=AT, why="link dropped"), "stopped link dropped", id="stopped"),
        pytest.param(Finished(at=AT, why="all judged"), "finished all judged", id="finished"),
    ],
)
def test_each_entry_is_told_in_words(entry: Entry, line: str) -> None:
    built, out = terminal()
    built.heard(entry)
    assert line in " ".join(out.getvalue().split())


def test_repeats_of_a_sweep_are_told_once_and_a_reason_once() -> None:
    built, out = terminal()
    for _ in range(5):
        built.heard(swept())
    assert out.getvalue().count("sweep") == 1
    built.heard(Connected(at=AT, why="", hookup=PATH, by="operator"))
    built.heard(swept())
    assert out.getvalue().count("  sweep") == 2
    assert out.getvalue().count("floor 12 dB") == 1


def test_sweeps_that_are_averaged_are_told_in_one_line() -> None:
    built, out = terminal()
    for _ in range(7):
        built.heard(replace(swept(why="rejection TX-ANT receive"), repeats=7))
    text = " ".join(out.getvalue().split())
    assert text.count("sweep") == 1
    assert "3 points, 7 times; rejection TX-ANT receive" in text


@pytest.mark.parametrize(
    ("key", "role", "name"),
    [
        ("tracking", "tracking", "tracking"),
        ("leakage transmit", "leakage", "leakage transmit"),
        ("overview", "leakage", "overview (leakage)"),
        ("receive", "device", "receive"),
    ],
)
def test_a_sweep_is_named_once(key: str, role: str, name: str) -> None:
    assert sweep_name(key, role) == name


def test_an_instruments_answer_cannot_steer_the_terminal() -> None:
    built, out = terminal(out=Tty())
    built.heard(Warned(at=AT, why="answer was \x1b]0;owned\x07\x1b[2J\u202etxt"))
    said = re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue())
    assert "\x1b" not in said
    assert "\x07" not in said
    assert "\u202e" not in said


# ---- progress and looks ----------------------------------------------------------------------------


def step(done_s: float, left_s: float, hookup: int = 1) -> Progress:
    return Progress(done_s=done_s, left_s=left_s, step="TX-ANT receive", hookups_done=hookup, hookups_all=4)


def test_a_terminal_has_one_line_that_updates_itself() -> None:
    built, out = terminal(out=Tty())
    built.progress(step(25.0, 75.0))
    built.progress(step(50.0, 50.0))
    built.heard(Warned(at=AT, why="noted"))
    text = out.getvalue()
    assert "25 %, 1 min 15 s left, hookup 1 of 4: TX-ANT receive" in text
    assert "[#####.....] 50 %, 50 s left" in text
    assert text.count("\n") == 1  # the warning's own
    assert text.endswith("TX-ANT receive")  # the live line is back below it
    built.close()
    assert out.getvalue().endswith("\r\x1b[K")


def test_a_live_line_never_wraps() -> None:
    built, out = terminal(out=Tty(), environ={"TERM": "xterm", "COLUMNS": "50"})
    built.progress(Progress(done_s=1.0, left_s=1.0, step="x" * 200))
    assert len(out.getvalue().removeprefix("\r\x1b[K")) < 50


@pytest.mark.parametrize(
    ("out", "environ"),
    [
        pytest.param(io.StringIO, {"TERM": "xterm"}, id="not a terminal"),
        pytest.param(Tty, {"TERM": "dumb"}, id="dumb terminal"),
    ],
)
def test_elsewhere_progress_is_plain_and_occasional(out: type[io.StringIO], environ: Mapping[str, str]) -> None:
    clock = iter(float(second) for second in range(1000))
    built, stream = terminal(out=out(), environ=environ, now=lambda: next(clock))
    for done in range(8):
        built.progress(step(float(done), 100.0 - done))
    built.progress(step(9.0, 91.0, hookup=2))
    text = stream.getvalue()
    assert "\r" not in text
    assert "\x1b" not in text
    assert text.count("progress") == 2  # the first, and the new hookup
    built.progress(replace(step(9.0, 91.0, hookup=2), at_once=True))  # a wait is told before it begins
    assert stream.getvalue().count("progress") == 3


def test_plain_progress_comes_again_after_a_while() -> None:
    clock = iter([0.0, 9.0, 10.1, 10.1])
    built, stream = terminal(now=lambda: next(clock))
    for done in range(3):
        built.progress(step(float(done), 10.0))
    assert stream.getvalue().count("progress") == 2


def test_nothing_known_yet_is_no_division_by_zero() -> None:
    built, out = terminal()
    built.progress(Progress(done_s=0.0, left_s=0.0, step="start"))
    assert "0 %" in out.getvalue()


@pytest.mark.parametrize(
    ("out", "environ", "coloured"),
    [
        pytest.param(Tty, {"TERM": "xterm"}, True, id="terminal"),
        pytest.param(Tty, {"TERM": "xterm", "NO_COLOR": "1"}, False, id="NO_COLOR"),
        pytest.param(io.StringIO, {"TERM": "xterm"}, False, id="a file"),
    ],
)
def test_colour_only_decorates(out: type[io.StringIO], environ: Mapping[str, str], coloured: bool) -> None:
    built, stream = terminal(out=out(), environ={"COLUMNS": "80", **environ})
    built.heard(Judged(at=AT, why="", result_id="r", statement="fail", text="too little"))
    assert ("\x1b[31" in stream.getvalue()) is coloured
    assert "FAIL: r: too little" in re.sub(r"\x1b\[[0-9;]*m", "", stream.getvalue())


def test_a_stream_that_knows_no_degree_sign_gets_a_question_mark() -> None:
    raw = io.BytesIO()
    out = io.TextIOWrapper(raw, encoding="ascii")
    built = Terminal(
        io.StringIO(), out, yes=False, sets={}, interactive=False, simulated=True, bench=None, ports=(), environ={}
    )
    built.heard(Warned(at=AT, why="it is 31 °C"))
    assert b"31 ?C" in raw.getvalue()


def test_a_terminal_that_went_away_does_not_end_the_run() -> None:
    class Gone(io.StringIO):
        def write(self, _text: str) -> int:
            raise BrokenPipeError

    built, _ = terminal(out=Gone())
    built.heard(Warned(at=AT, why="x"))
    built.progress(step(1.0, 1.0))
    built.close()


# ---- past a switch matrix ------------------------------------------------------------------------------

BY_HAND = Hookup(name="thru by hand", kind=HookupKind.THRU, by_hand=True)
HAND_PATH = Hookup(name="TX-ANT", kind=HookupKind.PATH, generator="TX", analyzer="ANT", loads=("RX",), by_hand=True)


def test_by_hand_the_person_is_asked_though_there_is_a_matrix() -> None:
    moves = Matrix("switch")
    built, out = terminal("\n\n\n\n", moves=moves)
    assert built.connect(NEXT) == "switch"
    assert built.connect(BY_HAND) == "operator"
    shown = out.getvalue()
    assert "Take both leads off the switch matrix" in shown
    assert "Transmitter disconnected" in shown  # hands come to the device for the first time
    assert built.connect(HAND_PATH) == "operator"
    assert out.getvalue().count("off the switch matrix") == 1
    assert built.connect(NEXT) == "switch"
    assert "Put both leads back on the switch matrix" in out.getvalue()
    assert moves.moved == ["TX-RX", "TX-RX"]


def test_a_resumed_run_says_that_leads_left_off_the_matrix_go_back_first() -> None:
    built, out = terminal("\n", moves=Matrix("switch"), past_matrix=True)
    assert built.connect(NEXT) == "switch"
    assert built.connect(NEXT) == "switch"
    assert out.getvalue().count("Put both leads back on the switch matrix") == 1


def test_nobody_there_means_no_hookup_by_hand() -> None:
    moves = Matrix("switch")
    built, _ = terminal(moves=moves, interactive=False, yes=True)
    with pytest.raises(GaveUpError, match="nobody is there"):
        built.connect(BY_HAND)
    assert moves.moved == []


def test_the_simulated_bench_has_hands_of_its_own() -> None:
    moves = Matrix("simulated switch")
    built, _ = terminal(simulated=True, yes=True, interactive=False, moves=moves)
    assert built.connect(BY_HAND) == "simulated switch"
    assert moves.moved == ["thru by hand"]
