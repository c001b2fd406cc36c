"""A path that reads like another path is held against it only where one of the two cannot be right."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime

import numpy as np
import pytest

from sequencer.core.history import Role, Swept
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Sweep, SweepSettings, Trace
from sequencer.recipe.model import Recipe
from sequencer.run.mistaken import exchanged, mistaken_before, mistaken_for
from sequencer.run.visits import Visit

AT = datetime(2026, 1, 1, tzinfo=UTC)
SETTINGS = SweepSettings(
    start_hz=144e6, stop_hz=148e6, points=401, rbw_hz=3e4, attenuation_db=0.0, reference_dbm=-15.0, generator_dbm=0.0
)
GRID = SETTINGS.grid_hz()
THRU_DBM = -21.0


def sweep(loss_db: np.ndarray) -> Sweep:
    trace = Trace(GRID, THRU_DBM - loss_db)
    return Sweep(trace, SETTINGS, SETTINGS, frozenset(), AT, 1.0)


def visit(path: str, loss_db: np.ndarray) -> Visit:
    a, b = path.split("-")
    hookup = Hookup(name=path, kind=HookupKind.PATH, generator=a, analyzer=b)
    swept = Swept(
        at=AT, why="", hookup=path, key="overview", role=Role.DEVICE, sweep=sweep(loss_db), file="", sha256=""
    )
    return Visit(hookup, [swept])


def side(passes_hz: float, stops_hz: float) -> np.ndarray:
    """A pass band with a notch beside it (an invented curve: 1.4 dB and 62 dB at its two frequencies)."""
    here = 1.4 + 20.0 * ((GRID - passes_hz) / 1.5e6) ** 2
    return here + 60.0 / (1.0 + ((GRID - stops_hz) / 2e4) ** 2)


TX, RX = 146.61e6, 146.01e6
TX_SIDE, RX_SIDE = side(TX, RX), side(RX, TX)
THRU = sweep(np.zeros(GRID.size))


def test_two_sides_of_a_duplexer_are_not_mistaken(recipe: Recipe) -> None:
    assert mistaken_for(visit("ANT-RX", RX_SIDE), [visit("TX-ANT", TX_SIDE)], THRU, recipe) == ""


def test_a_lead_left_on_the_transmit_port_is_found(recipe: Recipe) -> None:
    text = mistaken_for(visit("ANT-RX", TX_SIDE + 0.04), [visit("TX-ANT", TX_SIDE)], THRU, recipe)
    assert text.startswith("it reads as TX-ANT did, not as ANT-RX must")


def test_the_earlier_of_the_two_may_have_been_the_wrong_one(recipe: Recipe) -> None:
    found = visit("ANT-RX", RX_SIDE), [visit("TX-ANT", RX_SIDE + 0.04)], THRU, recipe
    assert mistaken_for(*found) == ""
    assert mistaken_before(*found).startswith("TX-ANT read as ANT-RX does")


def test_swapped_sides_are_the_devices_fault_not_the_leads(recipe: Recipe) -> None:
    """Each path is far from its limits, but neither reads as the other: that device fails, and is measured."""
    assert mistaken_for(visit("ANT-RX", TX_SIDE), [visit("TX-ANT", RX_SIDE)], THRU, recipe) == ""


def test_a_path_that_keeps_the_other_sides_limits_is_asked_about(recipe: Recipe) -> None:
    text = "it reads as ANT-RX must, not as TX-ANT must"
    assert exchanged(visit("TX-ANT", RX_SIDE), THRU, recipe) == text
    assert exchanged(visit("TX-ANT", TX_SIDE), THRU, recipe) == ""


def test_a_path_that_keeps_nobodys_limits_is_only_a_bad_one(recipe: Recipe) -> None:
    assert exchanged(visit("TX-ANT", np.full(GRID.size, 30.0)), THRU, recipe) == ""


def test_branches_that_are_alike_and_within_their_limits_are_believed(recipe: Recipe) -> None:
    needs = [dataclasses.replace(r, minimum=None, maximum=5.0) if r.path else r for r in recipe.requirements]
    divider = dataclasses.replace(recipe, requirements=tuple(needs))
    flat = np.full(GRID.size, 3.2)
    assert mistaken_for(visit("ANT-RX", flat), [visit("TX-ANT", flat + 0.01)], THRU, divider) == ""


@pytest.mark.parametrize("other", ["RX-ANT", "ANT-RX"])
def test_a_path_is_like_itself_and_its_reverse(recipe: Recipe, other: str) -> None:
    assert mistaken_for(visit("ANT-RX", TX_SIDE), [visit(other, TX_SIDE)], THRU, recipe) == ""


def test_what_noise_reads_is_no_lost_rejection(recipe: Recipe) -> None:
    """Two alike paths that read 30 dB where 75 dB are wanted: with noise there nobody knows, without it a lead is off.

    The level is -51 dBm; -101 dBm in 1 Hz read -56 dBm in 30 kHz.
    """
    flat = np.minimum(RX_SIDE, 30.0)
    need = [r for r in recipe.requirements if r.minimum is not None]
    only = dataclasses.replace(recipe, requirements=tuple(need))
    both = visit("ANT-RX", flat), [visit("TX-ANT", flat)], THRU, only
    assert mistaken_for(*both, None)
    assert mistaken_for(*both, -160.0)
    assert mistaken_for(*both, -101.0) == ""
