"""What a bench file says is said on: days that cannot be, zeros nobody has, losses nobody believes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from sequencer.recipe.model import Bench, Figure, KitItem, Specifications, SwitchFile, SwitchLoss
from sequencer.run.stated import remarks
from sequencer.run.steps import Done, Warn

DAY = date(2026, 6, 1)


def calibrated(bench: Bench, day: str) -> Bench:
    return replace(bench, analyzer=replace(bench.analyzer, calibrated=day))


def way(bench: Bench, loss_db: float, u_db: float = 0.1, day: str = "2026-05-01") -> Bench:
    losses = {"TX-ANT": SwitchLoss(loss_db=loss_db, u_db=u_db, date=day)}
    return replace(bench, switch=SwitchFile(resource="none", hookups={"TX-ANT": "X"}, losses=losses))


def test_a_bench_in_order_has_nothing_said_of_it(bench: Bench) -> None:
    assert remarks(way(calibrated(bench, "2025-03-14 no. 7"), 0.4), DAY) == ()


@pytest.mark.parametrize(
    ("day", "words"),
    [("2999-01-01", "later than this run (2026-06-01)"), ("1999-01-01", "more than 2 years before this run")],
)
def test_days_that_cannot_be_are_told(bench: Bench, day: str, words: str) -> None:
    item = KitItem(id="L1", what="load", calibrated=day)
    for changed in (calibrated(bench, day), replace(bench, kit=(item,)), way(bench, 0.0, day=day)):
        (text,) = remarks(changed, DAY)
        assert words in text
        assert remarks(changed, None) == ()  # a forecast belongs to no day


def test_zeros_are_told_as_what_the_file_states(bench: Bench) -> None:
    none = Figure(limit=0.0)
    specs = Specifications(scale_per_db=none, drift_db_per_h=none, load_vswr=Figure(limit=1.0))
    (text,) = remarks(replace(bench, specifications=specs), DAY)
    assert text.startswith("stated as zero by the bench file")
    for name in ("scale per dB", "drift", "reflection of the loads"):
        assert name in text
    assert "connection" not in text  # the file is silent on it, so it is assumed, and that is said elsewhere
    assert "uncertainty of switch.losses TX-ANT" in remarks(way(bench, 0.4, u_db=0.0), DAY)[0]


@pytest.mark.parametrize(("loss_db", "told"), [(0.4, False), (-0.8, False), (1.2, True), (-1.5, True), (3.0, True)])
def test_losses_that_relays_seldom_have_are_told(bench: Bench, loss_db: float, told: bool) -> None:
    assert bool(remarks(way(bench, loss_db), DAY)) == told


def test_a_run_says_it_before_the_first_sweep(play) -> None:
    play.bench = play.predicted.bench = calibrated(play.bench, "2999-01-01")
    steps = play.whole()
    assert isinstance(steps[-1], Done)
    said = [n for n, step in enumerate(steps) if isinstance(step, Warn) and "later than this run" in step.why]
    swept = next(n for n, step in enumerate(steps) if hasattr(step, "settings"))
    assert len(said) == 1
    assert said[0] < swept


def test_a_clock_that_was_never_set_is_said(bench: Bench) -> None:
    (text,) = remarks(bench, date(1970, 1, 1))
    assert "the clock of this computer says 1970-01-01" in text
    assert remarks(bench, date(2026, 1, 1)) == ()
