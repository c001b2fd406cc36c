"""A recipe, a bench and a journal to decide on, made without files."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from sequencer.core.history import (
    Adjusted,
    Answered,
    Began,
    Connected,
    Dropped,
    Identified,
    Judged,
    Refused,
    Swept,
    Voided,
    Waited,
    Warned,
)
from sequencer.recipe.model import (
    AnalyzerFile,
    Bench,
    Bridge,
    Figure,
    Pad,
    Quantity,
    Recipe,
    Requirement,
    Specifications,
)
from sequencer.run.policy import decide
from sequencer.run.predict import TYPICAL, Predicted
from sequencer.run.steps import Adjust, Ask, Connect, Done, Drop, Judge, Stop, SweepStep, Void, Wait, Warn

TX, RX = 146.61e6, 146.01e6


def _need(quantity: Quantity, where: tuple[str, str] | str, at: str, **more: float) -> Requirement:
    hz = {"transmit": TX, "receive": RX}[at]
    name = where if isinstance(where, str) else "-".join(where)
    place = {"port": where} if isinstance(where, str) else {"path": where}
    return Requirement(id=f"{quantity.value} {name} {at}", quantity=quantity, at=at, at_hz=hz, **place, **more)


@pytest.fixture
def recipe() -> Recipe:
    """The design's example: a four-cavity VHF duplexer, 600 kHz split (invented)."""
    needs = (
        _need(Quantity.INSERTION_LOSS, ("TX", "ANT"), "transmit", maximum=1.6),
        _need(Quantity.INSERTION_LOSS, ("ANT", "RX"), "receive", maximum=1.6),
        _need(Quantity.REJECTION, ("TX", "ANT"), "receive", within_hz=8e3, minimum=75.0),
        _need(Quantity.REJECTION, ("ANT", "RX"), "transmit", within_hz=8e3, minimum=75.0),
        _need(Quantity.ISOLATION, ("TX", "RX"), "transmit", minimum=75.0),
        _need(Quantity.ISOLATION, ("TX", "RX"), "receive", minimum=75.0),
        _need(Quantity.RETURN_LOSS, "TX", "transmit", minimum=18.0),
        _need(Quantity.RETURN_LOSS, "RX", "receive", minimum=18.0),
        _need(Quantity.RETURN_LOSS, "ANT", "transmit", minimum=18.0),
    )
    return Recipe(
        name="example",
        title="Example",
        ports=("TX", "RX", "ANT"),
        frequencies={"transmit": TX, "receive": RX},
        overview_hz=(144e6, 148e6),
        requirements=needs,
    )


@pytest.fixture
def bench() -> Bench:
    """A laboratory bench (invented)."""
    pad = Pad(loss_db=10.0, vswr=Figure(limit=1.05))
    return Bench(
        analyzer=AnalyzerFile(resource="none", vswr=Figure(limit=1.5)),
        generator_level_dbm=0.0,
        generator_vswr=Figure(limit=1.5),
        bridge=Bridge(directivity_db=Figure(limit=40.0), test_port_vswr=Figure(limit=1.1)),
        generator_pad=pad,
        analyzer_pad=pad,
        specifications=Specifications(scale_per_db=Figure(limit=0.01), scale_over_range_db=Figure(limit=0.3)),
    )


@pytest.fixture
def opening() -> list[object]:
    """The first two entries of every journal."""
    at = datetime(2026, 1, 1, tzinfo=UTC)
    return [
        Began(
            at=at,
            why="test",
            run_id="r",
            program="p",
            recipe_sha256="",
            bench_sha256="",
            simulated=True,
            serial="",
        ),
        Identified(at=at, why="test", identification={}, capabilities=TYPICAL),
    ]


AT = datetime(2026, 1, 1, tzinfo=UTC)


class Play:
    """Plays a run: does each step on the predicting bench, with a hook to falsify a sweep."""

    def __init__(self, recipe: Recipe, bench: Bench, opening: list[object], caps=TYPICAL) -> None:
        self.recipe, self.bench = recipe, bench
        self.history = list(opening)
        self.predicted = Predicted(recipe, bench, caps, best=True)
        self.falsify = lambda step, sweep: sweep
        self.hookup = None

    def step(self):
        return decide(self.recipe, self.bench, self.history)

    def do(self, step) -> None:
        match step:
            case Ask():
                self.history.append(Answered(at=AT, why="", question=step.question.key, answer="a", by="test"))
            case Connect():
                if step.refused:
                    self.history.append(Refused(at=AT, why=step.refused, hookup=step.hookup.name, jump_db=step.jump_db))
                self.hookup = step.hookup
                self.history.append(Connected(at=AT, why=step.why, hookup=step.hookup, by="test", check=step.check))
            case Adjust():
                self.history.append(Adjusted(at=AT, why="", rbw_hz=step.rbw_hz, by=step.by))
            case Wait():
                self.history.append(Waited(at=AT, why=step.why, seconds=step.seconds))
            case Drop():
                entry = Dropped(
                    at=AT, why=step.why, hookup=step.hookup, key=step.key, role=step.role, slower=step.slower
                )
                self.history.append(entry)
            case SweepStep():
                sweep = self.falsify(step, self.predicted.sweep(self.hookup, step))
                self.history.append(
                    Swept(
                        at=AT,
                        why=step.why,
                        hookup=step.hookup,
                        key=step.key,
                        role=step.role,
                        sweep=sweep,
                        file="",
                        sha256="",
                    )
                )
            case Void():
                self.history.append(Voided(at=AT, why=step.why))
            case Warn():
                self.history.append(Warned(at=AT, why=step.why))
            case Judge():
                self.history.append(Judged(at=AT, why="", result_id=step.requirement, statement="", text=""))

    def until(self, stop, most: int = 400):
        for _ in range(most):
            step = self.step()
            if stop(step):
                return step
            self.do(step)
        pytest.fail("never got there")

    def whole(self) -> list[object]:
        steps = []
        for _ in range(400):
            step = self.step()
            steps.append(step)
            if isinstance(step, Done | Stop):
                return steps
            self.do(step)
        return pytest.fail("never ended")


@pytest.fixture
def play(recipe: Recipe, bench: Bench, opening: list[object]) -> Play:
    """A run of the example on its bench, ready to be played."""
    return Play(recipe, bench, opening)


@pytest.fixture
def play_on() -> type[Play]:
    """Makes a run to be played: (recipe, bench, opening, capabilities)."""
    return Play
