"""Whole runs whose switch says one thing and makes another: no result that rests on it is passed, none condemned.

What a healthy device and each fault come out as is held in test_main_job.py: the same checks stand behind it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from instruments.link import Link
from sequencer.cli.main import main
from sequencer.recipe.starters import read_recipe

pytestmark = pytest.mark.bench

STARTER = "vhf-600k-acceptance"
ISOLATIONS = {"isolation TX-RX transmit", "isolation TX-RX receive"}
ONE_LIMIT = """recipe: 1
name: one-limit
title: Insertion loss alone (invented)
device: {ports: [TX, RX, ANT]}
frequencies: {transmit: 146.610 MHz}
overview: {from: 144 MHz, to: 148 MHz}
limits:
  - {quantity: insertion loss, path: TX-ANT, at: transmit, max: 1.0 dB}
"""
NARROW = ONE_LIMIT.replace("144 MHz", "146.55 MHz").replace("148 MHz", "146.67 MHz")

Run = Callable[..., tuple[int, dict[str, Any]]]


@pytest.fixture(scope="module")
def said(served: Any) -> Iterator[dict[str, Any]]:
    """One bench served for all of them."""
    with served("--recipe", STARTER) as told:
        yield told


@pytest.fixture
def run(said: dict[str, Any], capsys: Any, tmp_path: Path) -> Run:
    def run(asked: str, made: str, text: str = "", edit: tuple[str, str] = ("", "")) -> tuple[int, dict[str, Any]]:
        assert edit[0] in said["bench_file"]
        (tmp_path / "bench.yaml").write_text(said["bench_file"].replace(*edit) if edit[0] else said["bench_file"])
        (tmp_path / "recipe.yaml").write_text(text or read_recipe(STARTER)[0])
        link = Link.open(said["switch"])
        link.write("SIM:FAULT NONE")
        for one in filter(None, asked.split()):
            link.write(f'SIM:MISW "{one}","{made}"')
        assert link.query("SYST:ERR?").startswith("0,")
        link.close()
        status = main([
            "run", str(tmp_path / "recipe.yaml"), "--bench", str(tmp_path / "bench.yaml"), "--yes", "--json",
            "--set", "transmitter=locked out", "--out", str(tmp_path / "runs"),
        ])  # fmt: skip
        told = capsys.readouterr()
        return status, json.loads(told.out) if told.out else {"said": told.err}

    return run


@pytest.mark.parametrize(
    ("asked", "made", "undecided", "words"),
    [
        pytest.param("TX-RX", "leads open", ISOLATIONS, "cannot show that the leads were on", id="leads off"),
        pytest.param("TX-RX", "floor", ISOLATIONS, "cannot show that the leads were on", id="leads in their loads"),
        pytest.param(
            "reflect-ANT",
            "reflect-load",
            {
                "return loss ANT transmit",
                "return loss ANT receive",
                "insertion loss TX-ANT transmit",
                "insertion loss ANT-RX receive",
            },
            "is the bridge still on the load?",
            id="bridge on the load",
        ),
        pytest.param(
            "reflect-ANT",
            "reflect-TX",
            {
                "return loss ANT transmit",
                "return loss ANT receive",
                "insertion loss TX-ANT transmit",
                "insertion loss ANT-RX receive",
                "rejection ANT-RX transmit",
            },
            "no passive device gives more than it gets",
            id="bridge on another port",
        ),
    ],
)
def test_what_rests_on_a_wrong_hookup_is_not_decided(
    run: Run, asked: str, made: str, undecided: set[str], words: str
) -> None:
    status, record = run(asked, made)
    assert status == 4, record.get("said", record)
    statements = {result["id"]: result["statement"] for result in record["results"]}
    assert {name for name, statement in statements.items() if statement == "undecided"} == undecided
    assert set(statements.values()) == {"pass", "undecided"}  # and nothing is condemned
    assert any(words in text for text in record["warnings"])
    assert any("connected once more, and the doubt came back" in text for text in record["warnings"])
    notes = [note for result in record["results"] if result["statement"] == "undecided" for note in result["notes"]]
    assert any(words in note for note in notes)


@pytest.mark.parametrize(
    ("asked", "made", "text"),
    [
        pytest.param("TX-ANT", "thru", ONE_LIMIT, id="the thru for the device"),
        pytest.param("thru", "TX-ANT", NARROW, id="the device for the thru"),
    ],
)
def test_a_path_like_the_thru_stops_the_run_whatever_the_recipe_asks(
    run: Run, asked: str, made: str, text: str
) -> None:
    status, told = run(asked, made, text)
    assert status == 3
    assert "looks like a piece of lead" in told["said"]


RETURN_LOSSES = {
    "return loss TX transmit",
    "return loss RX receive",
    "return loss ANT transmit",
    "return loss ANT receive",
}


def test_a_bridge_that_was_never_fitted_states_no_return_loss(run: Run) -> None:
    """The leads stay on TX-RX, which passes nothing at the channels: every port would read 35 dB or better."""
    status, record = run("reflect-TX reflect-RX reflect-ANT", "TX-RX")
    assert status == 4, record.get("said", record)
    undecided = {result["id"] for result in record["results"] if result["statement"] == "undecided"}
    assert undecided >= RETURN_LOSSES
    assert {result["statement"] for result in record["results"]} <= {"pass", "undecided"}
    for port in ("TX", "RX", "ANT"):
        assert any(f"reflect-{port} reads like TX-RX all over the overview" in text for text in record["warnings"])


@pytest.mark.parametrize(
    ("asked", "made"),
    [
        pytest.param("RX-LOAD", "TX-RX", id="a lead that keeps all limits of the path it is not on"),
        pytest.param("RX-LOAD", "TX-ANT", id="the path that reads alike by design"),
        pytest.param("TX-RX", "ANT-LOAD", id="the earlier of the two was the wrong one"),
    ],
)
def test_one_curve_under_two_names_decides_neither(
    served: Any, capsys: Any, tmp_path: Path, asked: str, made: str
) -> None:
    """A ring's TX-ANT and RX-LOAD truly read alike, within 0.1 dB in the middle: by their shapes they are told apart.

    That the ring itself is accepted is held in test_main_job.py.
    """
    with served("--recipe", "hybrid-ring-acceptance") as told:
        (tmp_path / "bench.yaml").write_text(told["bench_file"])
        link = Link.open(told["switch"])
        link.write(f'SIM:MISW "{asked}","{made}"')
        link.close()
        status = main([
            "run", "hybrid-ring-acceptance", "--bench", str(tmp_path / "bench.yaml"), "--yes", "--json",
            "--set", "transmitter=locked out", "--out", str(tmp_path / "runs"),
        ])  # fmt: skip
    record = json.loads(capsys.readouterr().out)
    assert status == 4
    undecided = {result["path"] for result in record["results"] if result["statement"] == "undecided"}
    assert undecided == {asked, made}
    assert any("read as one curve all over the overview" in text for text in record["warnings"])


def test_a_gain_decides_nothing_and_names_the_reference(run: Run) -> None:
    stated = "TX-ANT: {loss: 0.00 dB"
    status, record = run("", "", ONE_LIMIT, (stated, "TX-ANT: {loss: 2.00 dB"))  # the switch loses nothing there
    (result,) = record["results"]
    assert result["interval"][1] < 0.0  # the true loss is 1.45 dB (tests/instruments/simulated/test_devices.py)
    assert (status, result["statement"]) == (4, "undecided")
    assert any("its reference is wrong" in note for note in result["notes"])
