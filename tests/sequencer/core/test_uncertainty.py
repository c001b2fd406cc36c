"""Distributions, named draws, adaptive Monte Carlo. Published examples stand in tests/published."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import t as student

from sequencer.core.uncertainty import (
    Distribution,
    Draws,
    Input,
    coverage_factor,
    propagate,
)


@pytest.mark.parametrize(
    ("distribution", "u"),
    [
        # JCGM 100:2008 4.3.7 eq. (7) and 4.3.9; arc-sine JCGM 101:2008 6.4.6 [clause from memory]
        pytest.param(Distribution.RECTANGULAR, 0.173205, id="gum-4.3.7-rectangular"),
        pytest.param(Distribution.TRIANGULAR, 0.122474, id="gum-4.3.9-triangular"),
        pytest.param(Distribution.U_SHAPED, 0.212132, id="arc-sine"),
        pytest.param(Distribution.NORMAL, 0.3, id="normal"),
        pytest.param(Distribution.AT_LIMIT, 0.3, id="two points"),
    ],
)
def test_divisor_and_draws_agree(distribution, u):
    given = Input(name="x", value=0.3, distribution=distribution)
    assert given.u == pytest.approx(u, rel=1e-5)
    drawn = Draws(1, 0, 200_000).of(given)
    assert np.std(drawn) == pytest.approx(u, rel=0.01)  # 200,000 draws: 0.2 % standard deviation
    assert abs(np.mean(drawn)) < 5 * u / math.sqrt(200_000)


def test_draws_belong_to_names():
    draws = Draws(7, 0, 100)
    assert np.array_equal(draws.normal("a"), Draws(7, 0, 100).normal("a"))
    assert not np.array_equal(draws.normal("a"), draws.normal("b"))
    assert not np.array_equal(draws.normal("a"), Draws(7, 1, 100).normal("a"))


def test_few_degrees_of_freedom_draw_wider():
    """JCGM 101:2008 6.4.9: a mean of few readings is t-distributed. Five degrees: variance 5/3."""
    drawn = Draws(1, 0, 200_000).normal("a", dof=5.0)
    assert np.var(drawn) == pytest.approx(5.0 / 3.0, rel=0.05)  # kurtosis 9: 0.7 % standard deviation, tails more


def test_monte_carlo_stops_when_settled_and_says_so():
    easy = propagate(lambda draws: draws.normal("a"))
    assert easy.settled
    assert easy.trials < 100_000
    assert easy.interval(0.95) == pytest.approx((-1.96, 1.96), abs=0.06)  # its own tolerance: half of 0.1
    hard = propagate(lambda draws: draws.normal("a"), digits=4, most_blocks=3)
    assert not hard.settled


def test_the_same_seed_gives_the_same_digits():
    first, second = (propagate(lambda draws: draws.normal("a")).interval(0.95) for _ in range(2))
    assert first == second


def test_an_infinite_tail_does_not_spoil_the_other_end():
    out = propagate(lambda draws: np.where(draws.uniform("a") < 0.1, np.inf, draws.normal("b")))
    low, high = out.interval(0.95)
    assert high == math.inf
    assert low == pytest.approx(-1.915, abs=0.06)  # 2.5 % of all is 2.78 % of the finite nine tenths


def test_a_constant_has_no_width():
    assert propagate(lambda draws: np.full(draws.n, 2.0)).interval(0.95) == (2.0, 2.0)


def test_share_within():
    out = propagate(lambda draws: draws.normal("a"), digits=2, most_blocks=20)
    assert out.share_within(0.0, None) == pytest.approx(0.5, abs=0.01)
    assert out.share_within(None, 1.0) == pytest.approx(0.8413, abs=0.01)
    assert out.share_within(None, None) == 1.0
    assert out.share_within(5.0, -5.0) == 0.0


@pytest.mark.parametrize("dof", [1, 2, 5, 10, 50, 200])
@pytest.mark.parametrize("coverage", [0.6827, 0.95, 0.99])
def test_coverage_factor_against_scipy(dof, coverage):
    expected = student.ppf(0.5 + coverage / 2, dof)
    assert coverage_factor(dof, coverage) == pytest.approx(expected, rel=1e-4)  # trapezoids of 1/20,000 of the angle


def test_row_is_what_the_record_wants():
    row = Input(name="scale", value=0.3, distribution=Distribution.RECTANGULAR, sensitivity=-2.0).row()
    assert row.u == pytest.approx(abs(row.sensitivity) * row.value / row.divisor)
    assert (row.kind, row.origin, row.unit) == ("B", "assumed", "dB")
