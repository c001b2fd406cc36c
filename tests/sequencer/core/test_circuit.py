"""The circuit as physics: reciprocal, passive, and refusing what is no circuit."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments.simulated import devices
from sequencer.core.circuit import (
    BpBrCavity,
    Circuit,
    Joint,
    Leg,
    Line,
    PassCavity,
    RejectCavity,
    cascade_s,
    loss_db,
    return_loss_db,
)
from sequencer.errors import AskedWrongError

F0 = 146e6
resonances = st.floats(140e6, 152e6)
q_factors = st.floats(50, 20_000)
couplings = st.floats(0.005, 0.3)
loops = st.floats(5e-9, 200e-9)
lines = st.builds(
    Line,
    length_m=st.floats(0.001, 5.0),
    velocity_factor=st.floats(0.5, 1.0),
    loss_db_per_m=st.floats(0.001, 1.0),
    z0_ohm=st.floats(25, 100),
)
elements = st.one_of(
    lines,
    st.builds(Joint, resistance_ohm=st.floats(0, 100), inductance_h=st.floats(0, 50e-9)),
    st.builds(
        BpBrCavity,
        resonance_hz=resonances,
        unloaded_q=q_factors,
        coupling=couplings,
        loop_h=loops,
        trimmer_f=st.floats(2e-12, 200e-12),
    ),
    st.builds(RejectCavity, resonance_hz=resonances, unloaded_q=q_factors, inductance_h=st.floats(20e-9, 2e-6)),
    st.builds(PassCavity, resonance_hz=resonances, unloaded_q=q_factors, coupling=couplings, loop_h=loops),
)
cascades = st.tuples(lines, elements, lines, elements, lines)


def assert_passive_and_reciprocal(s):
    """No more comes out than goes in, and either way alike. 1e-12: rounding of unit-sized numbers."""
    unit = np.eye(s.shape[1])
    assert np.linalg.eigvalsh(unit - np.conj(np.swapaxes(s, 1, 2)) @ s).min() >= -1e-12
    assert np.array_equal(s, np.swapaxes(s, 1, 2))


@settings(max_examples=60, deadline=None)
@given(one=cascades, other=cascades, third=cascades)
def test_any_tee_is_passive_and_reciprocal(one, other, third):
    """Whatever the elements: the tee is an inside node here."""
    circuit = Circuit(("A", "B", "C"), (Leg("A", "tee", one), Leg("B", "tee", other), Leg("tee", "C", third)))
    assert_passive_and_reciprocal(circuit.s(np.linspace(140e6, 152e6, 41)))


@pytest.mark.parametrize("name", devices.names())
def test_every_device_is_passive_and_reciprocal(name):
    """Over a band much wider than the channels."""
    device = devices.build(name)
    centre = float(np.mean(list(device.frequencies.values())))
    s = device.circuit.s(np.linspace(0.9 * centre, 1.1 * centre, 401))
    assert s.shape == (401, len(device.ports), len(device.ports))
    assert_passive_and_reciprocal(s)


@settings(max_examples=40, deadline=None)
@given(cascade=cascades)
def test_nodes_and_chain_give_the_same_two_port(cascade):
    """One cascade, cut in two legs at an inside node, solved by nodes: the same as its chain matrix.

    1e-9: the nodal way divides by the chain's B, which the short lines here make as small as 1e-5.
    """
    freq = np.linspace(140e6, 152e6, 21)
    cut = Circuit(("A", "B"), (Leg("A", "x", cascade[:3]), Leg("x", "B", cascade[3:])))
    assert np.abs(cut.s(freq) - cascade_s(cascade, freq)).max() < 1e-9


def test_order_of_ports_and_direction_of_legs_do_not_matter():
    """S follows the names: legs drawn the other way round and ports listed otherwise give the same paths."""
    device = devices.build("vhf-600k")
    circuit = device.circuit
    turned = Circuit(("ANT", "RX", "TX"), tuple(Leg(leg.end, leg.start, leg.elements[::-1]) for leg in circuit.legs))
    freq = np.linspace(145e6, 148e6, 101)
    s, t = circuit.s(freq), turned.s(freq)
    for a, b in (("TX", "ANT"), ("ANT", "RX"), ("TX", "RX")):
        np.testing.assert_allclose(loss_db(s, circuit, a, b), loss_db(t, turned, a, b), rtol=1e-9)
    np.testing.assert_allclose(return_loss_db(s, circuit, "TX"), return_loss_db(t, turned, "TX"), rtol=1e-9)


def test_a_matched_line_only_delays_and_loses():
    """2 m of 0.1 dB/m at its reference frequency: 0.2 dB; at four times that, 0.4 dB (square root of frequency)."""
    line = Line(length_m=2.0, velocity_factor=0.66, loss_db_per_m=0.1, loss_at_hz=100e6)
    s = cascade_s((line,), [100e6, 400e6])
    np.testing.assert_allclose(-20 * np.log10(np.abs(s[:, 1, 0])), [0.2, 0.4], rtol=1e-12)
    assert np.abs(s[:, 0, 0]).max() < 1e-15
    # phase: exp(-j beta l), beta l = 2 pi f l / (vf c)
    delay = np.exp(-2j * math.pi * np.array([100e6, 400e6]) * 2.0 / (0.66 * 299_792_458.0))
    np.testing.assert_allclose(s[:, 1, 0] / np.abs(s[:, 1, 0]), delay, rtol=1e-12)


@pytest.mark.parametrize("notch_hz", [145.9e6, 146.3e6])
def test_the_trimmer_puts_the_notch_on_either_side(notch_hz):
    """The branch is resistive where asked; less capacitance below resonance of the loop, more above (notes 7.2)."""
    cavity = BpBrCavity.with_notch_at(notch_hz, resonance_hz=146.1e6, unloaded_q=4000, coupling=0.04, loop_h=60e-9)
    s = cascade_s((cavity,), [notch_hz])
    assert abs(s[0, 0, 0].imag) < 1e-9
    loop_resonance_f = 1 / ((2 * math.pi * 146.1e6) ** 2 * 60e-9)
    assert (cavity.trimmer_f < loop_resonance_f) == (notch_hz < 146.1e6)


def test_a_notch_no_trimmer_reaches_is_refused():
    """Coupling so tight that the loop cannot cancel the tank."""
    with pytest.raises(AskedWrongError, match="too tight"):
        BpBrCavity.with_notch_at(146.01e6, resonance_hz=146.0e6, unloaded_q=4000, coupling=0.9, loop_h=60e-9)


LINE = (Line(length_m=0.1, velocity_factor=0.7),)


@pytest.mark.parametrize(
    ("ports", "legs"),
    [
        pytest.param(("A", "B", "C"), (Leg("A", "B", LINE),), id="port-on-no-leg"),
        pytest.param(("A", "A"), (Leg("A", "B", LINE),), id="port-twice"),
        pytest.param((), (Leg("A", "B", LINE),), id="no-ports"),
        pytest.param(("A",), (Leg("A", "A", LINE),), id="leg-on-itself"),
    ],
)
def test_no_circuit_is_refused(ports, legs):
    """With an error for people, not an IndexError later."""
    with pytest.raises(AskedWrongError):
        Circuit(ports, legs)


def test_an_unknown_port_is_named_with_those_there_are():
    """The message lets the reader fix it."""
    circuit = Circuit(("IN", "OUT"), (Leg("IN", "OUT", LINE),))
    with pytest.raises(AskedWrongError, match=r"'TX' \(ports: IN, OUT\)"):
        circuit.index("TX")
