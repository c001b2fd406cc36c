"""What forbids a run is told before anything is touched, by `check` as by the run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from sequencer.cli.main import main
from sequencer.recipe.model import Bench, Recipe, SwitchFile
from sequencer.run.beginning import beyond_reach, unmade
from sequencer.run.plan import Known, make_plan
from sequencer.run.predict import TYPICAL

FIXED = replace(TYPICAL, points=(401, 401))


@pytest.mark.parametrize("caps", [TYPICAL, FIXED], ids=["free points", "fixed points"])
@pytest.mark.parametrize(
    "overview_hz", [(30e6, 300e6), (20e6, 220e6), (10e6, 200e6), (9e3, 3e9), (9e3, 160e6), (140e6, 3e9)]
)
def test_no_sweep_leaves_the_range_of_the_analyzer(recipe: Recipe, bench: Bench, caps, overview_hz) -> None:
    wide = replace(recipe, overview_hz=overview_hz)
    for station in make_plan(wide, bench, caps, Known()).stations:
        for sweep in station.sweeps:
            used = sweep.settings
            assert caps.frequency_hz[0] <= used.start_hz
            assert used.stop_hz <= caps.frequency_hz[1]
            assert caps.points[0] <= used.points <= caps.points[1]
            if sweep.key == "overview":
                step_hz = (used.stop_hz - used.start_hz) / (used.points - 1)
                assert used.start_hz < overview_hz[0] + step_hz
                assert used.stop_hz > overview_hz[1] - step_hz
    assert beyond_reach(wide, bench, caps) == ""


def test_what_is_swept_beyond_the_range_is_told(recipe: Recipe, bench: Bench) -> None:
    """A zoom may leave it though the recipe's own figures do not."""
    short = replace(TYPICAL, frequency_hz=(9e3, max(recipe.frequencies.values()) + 1.0))
    inside = replace(recipe, overview_hz=(140e6, short.frequency_hz[1]))
    assert "takes another analyzer" in beyond_reach(inside, bench, short)


def test_hookups_that_the_switch_lacks_are_all_told(recipe: Recipe, bench: Bench) -> None:
    names = {s.hookup.name: "x" for s in make_plan(recipe, bench, TYPICAL, Known()).stations}
    assert unmade(recipe, bench, TYPICAL) == ""
    whole = SwitchFile(resource="x", hookups=names)
    assert unmade(recipe, replace(bench, switch=whole), TYPICAL) == ""
    part = replace(whole, hookups={n: c for n, c in names.items() if n not in {"TX-RX", "reflect-ANT"}})
    told = unmade(recipe, replace(bench, switch=part), TYPICAL)
    assert "reflect-ANT" in told
    assert "TX-RX" not in told  # a path is made by hand
    assert "TX-ANT" not in told


@pytest.fixture
def written(tmp_path) -> Callable[[str, str], str]:
    """Writes a starter recipe with one text for another."""

    def write(old: str, new: str) -> str:
        from sequencer.recipe.starters import read_recipe

        text, _ = read_recipe("vhf-600k-acceptance")
        assert old in text
        file = tmp_path / "own.yaml"
        file.write_text(text.replace(old, new), encoding="utf-8")
        return str(file)

    return write


def test_check_refuses_as_the_run_does_and_no_resume_is_offered(written, tmp_path, capsys) -> None:
    far = written(
        "frequencies: {transmit: 146.610 MHz, receive: 146.010 MHz}\noverview: {from: 144 MHz, to: 148 MHz}",
        "frequencies: {transmit: 5.650 GHz, receive: 5.640 GHz}",
    )
    assert main(["check", far, "--bench", "simulated"]) == 2
    assert "takes another analyzer" in capsys.readouterr().err
    assert main(["run", far, "--bench", "simulated", "--yes", "--out", str(tmp_path / "runs")]) == 3
    said = capsys.readouterr().err
    assert "takes another analyzer" in said
    assert "notchbook resume" not in said


@pytest.mark.parametrize("slip", ["{from: 144 kHz, to: 148 MHz}", "{from: 144 MHz, to: 148 GHz}"])
def test_an_overview_of_another_unit_is_refused_by_its_line(written, capsys, slip: str) -> None:
    assert main(["check", written("{from: 144 MHz, to: 148 MHz}", slip), "--bench", "simulated"]) == 2
    said = capsys.readouterr().err
    assert "own.yaml:11: overview: " in said
    assert "is the unit right?" in said
