"""The interval of a path's loss, held against the truth of random benches with errors the budget does not assume."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from sequencer.core.reflection import PortReflection
from sequencer.core.transmission import PathLoss, Termination
from sequencer.core.uncertainty import Distribution, Input, combine, propagate

N = 400
BLOCK = 5_000  # trials: a quantile at 2.5 % is then good to 3 % of u, small against the 0.01 of the binomial criterion


def allowed(n):
    """Fewest covered that a one-sided 1 % binomial test does not reject at 95 %."""
    return int(binom.ppf(0.01, n, 0.95))


def sizes(rng, family, n):
    """Errors as shares of their limits, sign included, by family; none is the one the budget assumes throughout."""
    sign = rng.choice((-1.0, 1.0), n)
    match family:
        case "at limits":
            return sign
        case "60 to 95 %":
            return sign * rng.uniform(0.6, 0.95, n)
        case "uniform below":
            return rng.uniform(-1.0, 1.0, n)
        case "two-point":
            return sign * rng.choice((0.3, 1.0), n)
    raise AssertionError(family)


FAMILIES = ("at limits", "60 to 95 %", "uniform below", "two-point")
GS = Termination(name="generator port", own=0.07, behind=0.023, origin="bench file")
GL = Termination(name="analyzer port", own=0.07, behind=0.05, origin="bench file")
DIRECTIVITY = Input(name="directivity", value=10 ** (-36 / 20), distribution=Distribution.U_SHAPED, unit="1")
TEST_PORT = Input(name="test port match", value=0.057, distribution=Distribution.U_SHAPED, unit="1")
SCALE, DRIFT, CONNECTION = 0.2, 0.06, 0.03


def phases(rng, n):
    return np.exp(2j * np.pi * rng.random(n))


def received(s11, s21, s22, gs, gl):
    """Wave into the load for a unit source wave, by solving the two-port's four wave equations."""
    n = s21.size
    a = np.zeros((n, 2, 2), dtype=complex)
    a[:, 0, 0], a[:, 0, 1] = 1 - s11 * gs, -s21 * gl
    a[:, 1, 0], a[:, 1, 1] = -s21 * gs, 1 - s22 * gl
    b = np.stack([s11, s21], axis=1)[:, :, None]
    return np.linalg.solve(a, b)[:, 1, 0]


def benches(rng, family, loss_db, s1, s2, leak=0.0, noise=0.0, repeats=8):
    """Return the readings of N benches of one device: true loss, PathLoss as the tool would state it, each."""
    n = N
    s21 = 10 ** (-loss_db / 20) * phases(rng, n)
    s11, s22 = s1 * phases(rng, n), s2 * phases(rng, n)

    def port(term):
        own = term.own * np.abs(sizes(rng, family, n)) * phases(rng, n)
        return own + term.behind * np.abs(sizes(rng, family, n)) * phases(rng, n)

    gs, gl = port(GS), port(GL)
    one, nil = np.ones(n, dtype=complex), np.zeros(n, dtype=complex)
    wave = received(s11, s21, s22, gs, gl) / received(nil, one, nil, gs, gl)
    error_db = SCALE * sizes(rng, family, n) + DRIFT * sizes(rng, family, n) + CONNECTION * rng.standard_normal(n)
    wave = wave + leak * (1 + s1 * np.abs(sizes(rng, family, n))) * phases(rng, n)
    wave = wave * 10 ** (error_db / 20)

    def power(amplitude):
        parts = rng.standard_normal((2, repeats, n)) * math.sqrt(noise / 2)
        return np.mean(np.abs(amplitude + parts[0] + 1j * parts[1]) ** 2, axis=0)

    reading, floor, leaking = power(wave), power(nil), power(np.full(n, leak, dtype=complex))
    # relative variances from theory: here the statistics of the scatter are not under test
    u = np.sqrt((2 * np.maximum(reading - noise, 0) * noise + 2 * noise**2) / repeats)

    def bridge(g):
        d = DIRECTIVITY.value * np.abs(sizes(rng, family, n)) * phases(rng, n)
        s = TEST_PORT.value * np.abs(sizes(rng, family, n)) * phases(rng, n)
        return np.abs(d + g / (1 - s * g)) / (0.5 * (np.abs(d + 1 / (1 - s)) + np.abs(d - 1 / (1 + s))))

    m1, m2 = bridge(s11), bridge(s22)
    gains = (
        Input(name="scale fidelity", value=SCALE, distribution=Distribution.AT_LIMIT),
        Input(name="drift", value=DRIFT, distribution=Distribution.AT_LIMIT),
        Input(name="connection", value=CONNECTION, distribution=Distribution.NORMAL),
    )

    def reflection(name, measured):
        return PortReflection(where=name, measured=measured, directivity=DIRECTIVITY, test_port=TEST_PORT)

    return [
        PathLoss(
            where="1",
            path="A-B",
            ratio=float(reading[i] - floor[i]),
            u_ratio=float(u[i]),
            source=GS,
            load=GL,
            s1=reflection("A", float(m1[i])),
            s2=reflection("B", float(m2[i])),
            leak=float(leaking[i] - floor[i]),
            u_leak=float(np.sqrt((2 * leak**2 * noise + 2 * noise**2) / repeats)),
            gains=gains,
        )
        for i in range(n)
    ]


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize(
    ("loss_db", "s1", "s2", "leak_db", "noise_db"),
    [
        pytest.param(1.2, 0.15, 0.10, 130.0, 120.0, id="pass"),
        pytest.param(80.0, 0.97, 0.06, 110.0, 110.0, id="stop band"),
        pytest.param(80.0, 0.97, 0.06, 105.0, 92.0, id="stop band, 12 dB above the noise"),
    ],
)
def test_intervals_cover_the_truth(family, loss_db, s1, s2, leak_db, noise_db):
    rng = np.random.default_rng(FAMILIES.index(family) + int(loss_db))
    models = benches(rng, family, loss_db, s1, s2, 10 ** (-leak_db / 20), 10 ** (-noise_db / 10))
    inside = 0
    for index, model in enumerate(models):
        low, high = propagate(model.draw, seed=index, block=BLOCK, most_blocks=1).interval(0.95)
        inside += low <= loss_db <= high
    assert inside >= allowed(N), f"{inside} of {N}"


def test_bounds_hold_where_noise_hides_the_device():
    rng = np.random.default_rng(5)
    models = benches(rng, "at limits", 90.0, 0.97, 0.06, 10 ** (-115 / 20), 10 ** (-85 / 10))
    held = [propagate(m.draw, seed=i, block=BLOCK, most_blocks=1).quantile(0.05) <= 90.0 for i, m in enumerate(models)]
    assert sum(held) >= allowed(N)


@pytest.mark.parametrize(("loss_db", "s1", "s2"), [(1.2, 0.15, 0.10), (60.0, 0.97, 0.06)])
def test_first_order_and_monte_carlo_agree_where_they_should(loss_db, s1, s2):
    """JCGM 101:2008 clause 8: with small terms both ways give one standard uncertainty.

    Tolerance 6 %: the reflections' own uncertainty and second-order products are in the draws only.
    """
    model = benches(np.random.default_rng(1), "at limits", loss_db, s1, s2, 0.0, 1e-14)[0]
    model = replace(model, leak=0.0, u_leak=0.0)
    drawn = propagate(model.draw, most_blocks=10, digits=2).u
    assert combine([row.u for row in model.inputs()]) == pytest.approx(drawn, rel=0.06)


@pytest.mark.parametrize("seen", [10.0, 0.5, 0.0, -1.5, -5.0])
def test_leakage_stands_in_the_budget_as_it_is_drawn(seen):
    """Read as so many of its standard uncertainties: the line's u is that of the draws, not of the 95 % bound."""
    still = Termination(name="port", own=0.0, behind=0.0, origin="assumed")
    model = PathLoss(
        where="1", path="A-B", ratio=1e-8, u_ratio=1e-20, source=still, load=still, leak=seen * 1e-12, u_leak=1e-12
    )
    (row,) = [each for each in model.inputs() if each.name == "leakage round the device"]
    assert row.u == pytest.approx(propagate(model.draw, digits=3).u, rel=0.05)


def test_a_hidden_power_is_never_negative_and_its_bound_falls_with_the_noise():
    model = PathLoss(where="1", path="A-B", ratio=-1e-9, u_ratio=1e-9, source=GS, load=GL)
    loud = propagate(model.draw).quantile(0.05)
    quiet = propagate(replace(model, ratio=-1e-10, u_ratio=1e-10).draw).quantile(0.05)
    assert math.isfinite(loud)
    assert quiet == pytest.approx(loud + 10.0, abs=0.3)  # the noise is 10 dB less; draws good to 0.1 dB


def test_more_noise_lowers_the_bound_only():
    model = PathLoss(where="1", path="A-B", ratio=1e-8, u_ratio=1e-10, source=GS, load=GL)
    ends = [propagate(replace(model, u_ratio=u).draw).interval(0.95) for u in (1e-10, 1e-9, 3e-9)]
    assert ends[0][0] > ends[1][0] > ends[2][0]
    assert ends[0][1] < ends[1][1] < ends[2][1]


def test_unmeasured_reflections_cost_what_the_prototype_found():
    """Trade notes 12.1: the interval without the ports' reflections is about four times as wide at little loss."""
    models = benches(np.random.default_rng(2), "at limits", 1.2, 0.1, 0.1, 0.0, 0.0)
    known = propagate(models[0].draw)
    unknown = propagate(replace(models[0], s1=None, s2=None).draw)
    assert unknown.u > 1.5 * known.u
