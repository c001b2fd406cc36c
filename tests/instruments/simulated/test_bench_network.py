"""Mismatch, loads and the bridge against formulas, extremes and scikit-rf."""

import itertools

import numpy as np
import pytest
import skrf
from skrf.network import connect

from instruments.simulated.network import bridge_reading, loaded, reflection_of_vswr, seen_through, transmitted


def passive(rng, n, points=7):
    s = rng.normal(size=(points, n, n)) + 1j * rng.normal(size=(points, n, n))
    return 0.5 * s / np.linalg.norm(s, 2, axis=(1, 2))[:, None, None]


def network(s):
    return skrf.Network(f=np.arange(1, s.shape[0] + 1), f_unit="MHz", s=s, z0=50)


@pytest.mark.parametrize("ports", [2, 3, 4, 5])
def test_loads_on_the_other_ports_as_scikit_rf_connects_them(ports):
    rng = np.random.default_rng(ports)
    s = passive(rng, ports)
    keep = [ports - 1, 0]
    loads = {port: 0.3 * np.exp(1j * rng.uniform(0, 6, 7)) for port in range(ports) if port not in keep}
    expected = network(s)
    for port in sorted(loads, reverse=True):
        expected = connect(expected, port, network(loads[port].reshape(-1, 1, 1)), 0)
    swapped = expected.s[:, ::-1, ::-1]  # scikit-rf keeps the order 0, n-1
    assert np.allclose(loaded(s, keep, loads), swapped, atol=1e-12)


def test_transmission_between_mismatched_ends_as_scikit_rf_cascades_them():
    rng = np.random.default_rng(4)
    s = passive(rng, 2)
    source, load = 0.2 * np.exp(1j * rng.uniform(0, 6, (2, 7)))

    def junction(reflection, looks_right):  # a wave passes with 1, what comes from the device meets the reflection
        two = np.zeros((7, 2, 2), dtype=complex)
        two[:, 1 if looks_right else 0, 1 if looks_right else 0] = reflection
        two[:, 0, 1] = two[:, 1, 0] = 1.0
        return network(two)

    expected = (junction(source, True) ** network(s) ** junction(load, False)).s[:, 1, 0]
    assert np.allclose(transmitted(s, source, load), expected, atol=1e-12)


def test_worst_mismatch_of_thru_and_device_together():
    # Check value M11: |Gs| = |Gl| = 0.1, |S11| = |S22| = 0.2, 1.2 dB: +0.506263 / -0.494404 dB (derived, optimised).
    through = 10 ** (-1.2 / 20)
    turns = np.exp(2j * np.pi * np.arange(8) / 8)
    seen = []
    for a, b, c, d, e in itertools.product(turns, repeat=5):
        source, load = 0.1 * a, 0.1 * b
        s = np.array([[[0.2 * c, through * e], [through * e, 0.2 * d]]])
        ratio = transmitted(s, source, load) * (1 - source * load)
        seen.append(abs(ratio[0]) / through)
    assert 20 * np.log10([max(seen), min(seen)]) == pytest.approx([0.506263, -0.494404], abs=0.005)


def test_bridge_reading_range():
    # Check value M05: reading 20 dB, directivity 40 dB: true return loss 19.1721 to 20.9151 dB.
    turns = np.exp(2j * np.pi * np.arange(360) / 360)
    for true_db in (19.1721, 20.9151):
        readings = -20 * np.log10(np.abs(bridge_reading(10 ** (-true_db / 20), 0.01 * turns, 0.0 * turns)))
        assert min(abs(readings - 20.0)) < 0.01


def test_bridge_source_match():
    # EURAMET cg-12 one-port model: G = Gm' / (1 + S Gm') with Gm' = Gm - D.
    gamma, d, s = 0.5 * np.exp(0.3j), 0.01j, 0.05 + 0.02j
    measured = bridge_reading(gamma, d, s) - d
    assert measured / (1 + s * measured) == pytest.approx(gamma, abs=1e-12)


def test_pad_hides_what_stands_behind_it():
    # Trade notes 3.5: a pad of A dB adds 2A dB to the return loss seen through it.
    seen = seen_through(np.array([0.2]), np.array([0.0]), np.array([0.0]), np.array([10 ** (-10 / 20)]))
    assert 20 * np.log10(abs(seen[0]) / 0.2) == pytest.approx(-20.0, abs=1e-9)


def test_vswr():
    # Check value M02: 18 dB of return loss is VSWR 1.28805.
    assert -20 * np.log10(reflection_of_vswr(1.28805)) == pytest.approx(18.0, abs=0.005)
