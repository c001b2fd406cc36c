"""Mismatch expressions against each other, and against waves solved as a linear system."""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.core.mismatch import gamma, return_loss_db, true_transmission, vswr


def thru_normalised(s11, s12, s21, s22, gs, gl):
    """The exact expression, forwards (F.L. Warner, IEE Proc. H 127(2) 66-69, 1980 [from memory]; signal-flow graph)."""
    return s21 * (1 - gs * gl) / ((1 - gs * s11) * (1 - gl * s22) - gs * gl * s21 * s12)


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


def test_vswr_reflection_and_return_loss():
    assert vswr(gamma(1.37)) == pytest.approx(1.37)
    assert return_loss_db(gamma(1.22)) == pytest.approx(20.0, abs=0.1)  # trade notes 2.1
    assert return_loss_db(0.0) == np.inf
