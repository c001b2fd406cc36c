"""Mismatch expressions against each other, and against waves solved as a linear system."""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.core.mismatch import first_order_db, gamma, return_loss_db, thru_normalised, true_transmission, vswr


def solved(s11, s21, s22, gs, gl):
    """Wave into the load of a reciprocal two-port by linear algebra."""
    a = np.array([[1 - s11 * gs, -s21 * gl], [-s21 * gs, 1 - s22 * gl]])
    return np.linalg.solve(a, np.array([s11, s21]))[1]


@pytest.mark.parametrize("seed", range(5))
def test_exact_expression_is_what_the_waves_do(seed):
    rng = np.random.default_rng(seed)
    s11, s22, s21, gs, gl = 0.5 * (rng.standard_normal(5) + 1j * rng.standard_normal(5)) / 2
    expected = solved(s11, s21, s22, gs, gl) / solved(0, 1, 0, gs, gl)
    assert thru_normalised(s11, s21, s21, s22, gs, gl) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("loss_db", [0.3, 1.2, 20.0, 80.0])
def test_inverse_returns_the_truth(loss_db):
    rng = np.random.default_rng(1)
    turn = np.exp(2j * np.pi * rng.random(5))
    s21 = 10 ** (-loss_db / 20) * turn[0]
    s11, s22, gs, gl = 0.3 * turn[1], 0.2 * turn[2], 0.09 * turn[3], 0.09 * turn[4]
    measured = np.abs(thru_normalised(s11, s21, s21, s22, gs, gl))
    back = true_transmission(measured, s11, s22, gs, gl, (s21 / abs(s21)) ** 2)
    assert 20 * np.log10(back / abs(s21)) == pytest.approx(0.0, abs=0.002)  # what one repetition leaves: (gs gl)^2


def test_first_order_agrees_with_simulation():
    """Trade notes 3.2: within 1 % (0.0877 against simulation of the exact expression); 200,000 phases: 0.2 %."""
    rng = np.random.default_rng(2)
    turn = np.exp(2j * np.pi * rng.random((5, 200_000)))
    exact = thru_normalised(0.2 * turn[0], 0.87 * turn[1], 0.87 * turn[1], 0.2 * turn[2], 0.1 * turn[3], 0.1 * turn[4])
    u = np.std(20 * np.log10(np.abs(exact)))
    assert first_order_db(0.1, 0.1, 0.2, 0.2, 0.87) == pytest.approx(u, rel=0.015)


def test_vswr_reflection_and_return_loss():
    assert vswr(gamma(1.37)) == pytest.approx(1.37)
    assert return_loss_db(gamma(1.22)) == pytest.approx(20.0, abs=0.1)  # trade notes 2.1
    assert return_loss_db(0.0) == np.inf
