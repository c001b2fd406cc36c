"""The uncertainty machinery against the examples of JCGM 100:2008 and JCGM 101:2008."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.core.uncertainty import combine, coverage_factor, propagate


def correlated(draws, cov):
    """Rows of normal draws with a given covariance, zero mean."""
    return np.linalg.cholesky(cov) @ np.stack([draws.normal(f"z{k}") for k in range(len(cov))])


def test_g01_gum_h1_end_gauge():
    """JCGM 100 H.1: components 25, 9.7, 2.9, 16.6 nm: uc = 31.67, published 32 nm after rounding."""
    uc = combine([25.0, 9.7, 2.9, 16.6])
    assert uc == pytest.approx(31.6711, abs=0.001)
    assert round(uc) == 32


def test_g03_gum_h2_resistance():
    """JCGM 100 H.2 tables H.2 and H.3: R = 127.732 ohm, u = 0.071 ohm from five correlated sets of readings."""
    v = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    i = np.array([0.019663, 0.019639, 0.019640, 0.019685, 0.019678])
    phi = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    cov = np.cov(np.stack([v, i, phi])) / 5
    r = v.mean() / i.mean() * math.cos(phi.mean())
    sensitivity = [r / v.mean(), -r / i.mean(), -r * math.tan(phi.mean())]
    assert r == pytest.approx(127.732, abs=0.001)
    drawn = propagate(lambda d: r + np.asarray(sensitivity) @ correlated(d, cov), digits=2, block=50_000)
    assert drawn.u == pytest.approx(0.0710714, rel=0.01)  # 100,000 trials or more: 0.2 % standard deviation

    def resistance(draws):
        volts, amperes, angle = np.array([[v.mean()], [i.mean()], [phi.mean()]]) + correlated(draws, cov)
        return volts / amperes * np.cos(angle)

    assert propagate(resistance, digits=2, block=50_000).u == pytest.approx(0.0710714, rel=0.01)


def test_g05_gum_h3_thermometer():
    """JCGM 100 H.3: correction at 30 degC -0.1494, u = 0.0041 degC; intercept and slope correlate by -0.930."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    a = np.stack([np.ones(t.size), t - 20.0], axis=1)
    y, rest = np.linalg.lstsq(a, b, rcond=None)[:2]
    cov = np.linalg.inv(a.T @ a) * float(rest[0]) / (t.size - 2)
    u = np.sqrt(np.diag(cov))
    correlation = cov / np.outer(u, u)
    assert correlation[0, 1] == pytest.approx(-0.930, abs=0.001)
    assert y[0] + 10 * y[1] == pytest.approx(-0.149377, abs=1e-5)
    drawn = propagate(lambda d: y[0] + 10 * y[1] + np.array([1.0, 10.0]) @ correlated(d, cov), digits=2, block=50_000)
    assert drawn.u == pytest.approx(0.0041386, rel=0.01)  # 100,000 trials or more: 0.2 % standard deviation


@pytest.mark.parametrize(
    ("dof", "factor"),
    # JCGM 100 table G.2, columns 95 % and 99 % [from memory; agrees with scipy in the unit tests]
    [(1, (12.71, 63.66)), (2, (4.30, 9.92)), (5, (2.57, 4.03)), (10, (2.23, 3.17)), (20, (2.09, 2.85))],
)
def test_gum_table_g2(dof, factor):
    assert (coverage_factor(dof, 0.95), coverage_factor(dof, 0.99)) == pytest.approx(factor, abs=0.005)


def test_g06_sum_of_four_rectangulars():
    """JCGM 101 9.2.3: four rectangular quantities of unit standard deviation: interval +/- 3.88, not 3.92."""

    def model(draws):
        return sum(math.sqrt(3) * (2 * draws.uniform(f"x{i}") - 1) for i in range(4))

    out = propagate(model, digits=3, block=50_000, most_blocks=10)
    # 500,000 trials: standard deviation of each end 0.005
    assert out.interval(0.95) == pytest.approx((-3.87941, 3.87941), abs=0.02)
    assert out.u == pytest.approx(2.0, abs=0.01)


def test_jcgm_101_9_2_2_normal_inputs():
    """JCGM 101 9.2.2: the same with normal inputs: +/- 3.92."""
    out = propagate(lambda d: sum(d.normal(f"x{i}") for i in range(4)), digits=3, block=50_000, most_blocks=10)
    assert out.interval(0.95) == pytest.approx((-3.92, 3.92), abs=0.025)


def test_jcgm_101_9_2_4_one_dominant_rectangular():
    """JCGM 101 9.2.4 [from memory]: as 9.2.3 with the fourth of standard deviation 10: +/- 17.0, where first order
    gives +/- 19.9."""

    def model(draws):
        small = sum(math.sqrt(3) * (2 * draws.uniform(f"x{i}") - 1) for i in range(3))
        return small + 10 * math.sqrt(3) * (2 * draws.uniform("x3") - 1)

    out = propagate(model, digits=3, block=50_000, most_blocks=10)
    assert out.interval(0.95) == pytest.approx((-17.0, 17.0), abs=0.1)  # published to one decimal
    assert 1.96 * combine([1.0, 1.0, 1.0, 10.0]) == pytest.approx(19.9, abs=0.05)


def test_g09_mass_calibration():
    """JCGM 101 9.3: u = 0.0754 mg, where first order gives 0.0539 (inputs from memory)."""

    def model(draws):
        mass = 100_000.000 + 0.050 * draws.normal("mRc") + 1.234 + 0.020 * draws.normal("dmRc")
        air = 1.10 + 0.20 * draws.uniform("air")
        weight, reference = 7000 + 2000 * draws.uniform("W"), 7950 + 100 * draws.uniform("R")
        return mass * (1 + (air - 1.2) * (1 / weight - 1 / reference)) - 100_000.0

    out = propagate(model, digits=2, block=50_000, most_blocks=10)
    assert out.u == pytest.approx(0.0754776, abs=0.0004)
    assert out.mean == pytest.approx(1.234, abs=0.001)
    assert combine([0.050, 0.020]) == pytest.approx(0.0539, abs=0.0001)


@pytest.mark.parametrize(("r", "u_1e6"), [(0.0, 50.0), (0.9, 67.2681)])
def test_g08_comparison_loss_at_zero(r, u_1e6):
    """JCGM 101 9.4: X1^2 + X2^2 at zero: u = 50e-6 (r = 0) and 67e-6 (r = 0.9); first order gives 0."""

    def model(draws):
        x1 = draws.normal("x1")
        x2 = r * x1 + math.sqrt(1 - r * r) * draws.normal("x2")
        return (0.005 * x1) ** 2 + (0.005 * x2) ** 2

    out = propagate(model, digits=2, block=50_000, most_blocks=10)
    assert out.u * 1e6 == pytest.approx(u_1e6, abs=0.5)
    assert out.quantile(0.0) >= 0.0


def test_trade_notes_4_4_example_budgets():
    """Trade notes 4.4: insertion loss uc = 0.145 dB; 85 dB notch uc = 0.66 dB."""
    loss = combine([0.055, 0.2 / math.sqrt(3), 0.1 / math.sqrt(3), 0.03, 0.02])
    rejection = combine([0.266, 1.0 / math.sqrt(3), 0.1 / math.sqrt(3), 0.03, 0.15])
    assert loss == pytest.approx(0.145, abs=0.0006)
    assert rejection == pytest.approx(0.66, abs=0.005)
