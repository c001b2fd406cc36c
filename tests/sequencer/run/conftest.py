"""A recipe, a bench and a journal to decide on, made without files."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from sequencer.core.history import Began, Identified
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
from sequencer.run.predict import TYPICAL

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
