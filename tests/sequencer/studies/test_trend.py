"""Slopes against the textbook line, and who may stand in a trend."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sequencer.studies.trend import trend_of

DAYS = (0, 400, 800, 1200)
YEARS = np.array(DAYS) / 365.25


def runs(make, values, *rows, days=DAYS, **more):
    return [
        make.record(make.result("insertion loss", "TX-ANT", "transmit", value, rows), days=day, **more)
        for day, value in zip(days, values, strict=True)
    ]


def slope_of(make, values, *rows, **more):
    return trend_of(runs(make, values, *rows, **more), "INV-1").series[0].slope


def textbook_u(u: float) -> float:
    """u(b) = u / sqrt(sum (t - mean)^2): least squares with equal, independent errors (JCGM 100:2008 H.3.3)."""
    return u / math.sqrt(np.sum((YEARS - YEARS.mean()) ** 2))


def test_a_line_is_found_with_the_textbook_uncertainty(make) -> None:
    slope = slope_of(make, 1.2 + 0.05 * YEARS, make.line("noise", 0.02))
    assert slope.per_year == pytest.approx(0.05)
    assert not slope.inflated
    half = 0.5 * (slope.interval[1] - slope.interval[0])
    assert half == pytest.approx(1.96 * textbook_u(0.02), rel=0.02)  # 2 %: 50,000 draws
    assert slope.value == pytest.approx(1.2)


def test_what_all_runs_share_does_not_count_against_a_slope(make) -> None:
    scale = make.line("scale fidelity", 0.3, "at its limit, sign unknown")
    noise = make.line("noise", 0.02)
    shared = slope_of(make, [1.2] * 4, scale, noise)
    assert shared.interval[1] == pytest.approx(1.96 * textbook_u(0.02), rel=0.02)
    others = [
        replace(run, identification={"analyzer": f"Invented Laboratory,analyzer,{number},1"})
        for number, run in enumerate(runs(make, [1.2] * 4, scale, noise))
    ]
    alone = trend_of(others, "INV-1").series[0].slope
    assert alone.interval[1] > 8 * shared.interval[1]


def test_scatter_beyond_the_budgets_widens_the_interval(make) -> None:
    """Birge ratio times Student's factor for two degrees of freedom, 4.303 (JCGM 100:2008 table G.2)."""
    values = 1.2 + np.array([0.1, -0.1, -0.1, 0.1])  # no slope at all, five times what the budgets allow
    slope = slope_of(make, values, make.line("noise", 0.02))
    assert slope.inflated
    birge = math.sqrt(np.sum((values - values.mean()) ** 2) / 2) / 0.02
    assert slope.interval[1] == pytest.approx(birge * 4.303 * textbook_u(0.02), rel=0.03)


def test_a_slope_needs_three_values_over_more_than_a_day(make) -> None:
    noise = make.line("noise", 0.02)
    assert slope_of(make, [1.2, 1.3], noise, days=(0, 400)) is None
    assert slope_of(make, [1.2, 1.3, 1.4], noise, days=(0, 0.01, 0.02)) is None
    bound = make.record(make.bound("insertion loss", "TX-ANT", "transmit", 1.0), days=900)
    series = trend_of([*runs(make, [1.2, 1.3], noise, days=(0, 400)), bound], "INV-1").series[0]
    assert len(series.points) == 3
    assert series.slope is None


def test_the_interval_holds_the_true_slope_as_often_as_it_says(make) -> None:
    """95 % of 400 histories with normal errors drawn here: at least 371 (a 1 % one-sided binomial bound)."""
    rng = np.random.default_rng(3)
    slope = slope_of(make, [1.2] * 4, make.line("noise", 0.02))
    half = 0.5 * (slope.interval[1] - slope.interval[0])  # does not depend on the values unless they scatter
    errors = 0.02 * rng.standard_normal((400, 4))
    found = np.polynomial.polynomial.polyfit(YEARS, errors.T, 1)[1]
    assert np.sum(np.abs(found) <= half) >= 371


def test_simulated_unfinished_and_judged_again_runs_stay_out(make) -> None:
    first, second, third, fourth = runs(make, [1.2] * 4, make.line("noise", 0.02))
    second = replace(second, simulated=True)
    third = replace(third, complete=False)
    fourth = replace(fourth, parent=first.run_id)
    foreign = make.record(days=5, serial="INV-2")
    trend = trend_of([fourth, third, second, first, foreign], "INV-1")
    assert [run.run_id for run in trend.runs] == [first.run_id]
    told = "\n".join(trend.left_out)
    assert all(word in told for word in ("simulated", "ended early", "judged again"))
    assert foreign.run_id not in told
    simulated = trend_of([first, second], "INV-1", simulated=True)
    assert [run.run_id for run in simulated.runs] == [second.run_id]
    assert simulated.left_out == (f"{first.run_id}: measured",)


def test_temperature_stands_beside_each_point_and_another_channel_is_another_series(make) -> None:
    warm = make.record(make.result("rejection", "TX-ANT", "receive", 80.0), conditions={"temperature": "21 degC"})
    moved = replace(warm.results[0], at_hz=145.9e6)
    other = make.record(moved, days=9)
    trend = trend_of([warm, other], "INV-1")
    assert [len(series.points) for series in trend.series] == [1, 1]
    assert [series.points[0].temperature_c for series in trend.series] == [None, 21.0]


def test_two_judgements_of_one_run_are_one_point(make) -> None:
    result = make.result("insertion loss", "TX-ANT", "transmit", 1.2, [make.line("noise", 0.02)])
    first = make.record(result, parent="20200101-000000-elsewhere")
    second = replace(first, run_id=f"{first.run_id}-more")
    trend = trend_of([first, second], "INV-1")
    assert len(trend.runs) == 1
    assert "judged again" in trend.left_out[0]
