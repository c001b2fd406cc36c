"""Every simulated device against scikit-rf, built from scikit-rf's own lines, R, L, C, tees and Circuit.

Nothing of our matrices is used on the other side: only the elements' values (henries, farads, ohms, metres).
"""

import math
import warnings
from dataclasses import replace

import numpy as np
import pytest
import skrf
from skrf.circuit import Circuit as SkrfCircuit
from skrf.media import DefinedGammaZ0

from instruments.simulated import devices
from sequencer.core.circuit import BpBrCavity, Joint, Line, PassCavity, RejectCavity

LIGHT = 299_792_458.0  # m/s, exact (SI)


def _plain(frequency):
    return DefinedGammaZ0(frequency, z0=50, gamma=1j * 2 * np.pi * frequency.f / LIGHT)


def _line(frequency, line):
    alpha = line.loss_db_per_m * math.log(10) / 20 * np.sqrt(frequency.f / line.loss_at_hz)  # nepers per metre
    beta = 2 * np.pi * frequency.f / (line.velocity_factor * LIGHT)
    medium = DefinedGammaZ0(frequency, z0=line.z0_ohm, gamma=alpha + 1j * beta)
    return medium.line(line.length_m, "m")


def _tank_one_port(medium, cavity):
    """Parallel R, L and C as a one-port: shunt elements in front of an open."""
    inductance = cavity.coupling**2 * cavity.loop_h
    omega = 2 * math.pi * cavity.resonance_hz
    capacitance = 1 / (omega**2 * inductance)
    resistance = omega * inductance * cavity.unloaded_q
    return (
        medium.shunt(medium.resistor(resistance) ** medium.short())
        ** medium.shunt_inductor(inductance)
        ** medium.shunt_capacitor(capacitance)
        ** medium.open()
    )


def _element(frequency, element):
    medium = _plain(frequency)
    if isinstance(element, Line):
        return _line(frequency, element)
    if isinstance(element, Joint):
        return medium.resistor(element.resistance_ohm) ** medium.inductor(element.inductance_h)
    if isinstance(element, BpBrCavity):
        branch = medium.inductor(element.loop_h) ** medium.capacitor(element.trimmer_f)
        return medium.shunt(branch ** _tank_one_port(medium, element))
    if isinstance(element, PassCavity):
        loop = medium.inductor(element.loop_h)
        return loop ** medium.shunt(_tank_one_port(medium, element)) ** loop
    assert isinstance(element, RejectCavity)
    omega = 2 * math.pi * element.resonance_hz
    branch = (
        medium.inductor(element.inductance_h)
        ** medium.capacitor(1 / (omega**2 * element.inductance_h))
        ** medium.resistor(omega * element.inductance_h / element.unloaded_q)
    )
    return medium.shunt(branch ** medium.short())


def _leg(frequency, leg):
    return skrf.network.cascade_list([_element(frequency, element) for element in leg.elements])


def scikit_rf_s(circuit, freq_hz):
    """Scattering matrices by scikit-rf: cascades, joined by skrf.Circuit where more than two meet."""
    frequency = skrf.Frequency.from_f(freq_hz, unit="Hz")
    if len(circuit.legs) == 1:
        return _leg(frequency, circuit.legs[0]).s
    nodes = {node: [] for leg in circuit.legs for node in (leg.start, leg.end)}
    for number, leg in enumerate(circuit.legs):
        network = _leg(frequency, leg)
        network.name = f"leg {number}"
        nodes[leg.start].append((network, 0))
        nodes[leg.end].append((network, 1))
    for port in circuit.ports:
        nodes[port].insert(0, (SkrfCircuit.Port(frequency, name=port, z0=50), 0))
    return SkrfCircuit([nodes[node] for node in (*circuit.ports, *(set(nodes) - set(circuit.ports)))]).s_external


def _cases():
    for name in devices.names():
        device = devices.build(name)
        yield pytest.param(device, device.circuit, id=name)
        if device.circuit_disturbed is not None:
            yield pytest.param(device, device.circuit_disturbed, id=f"{name}-disturbed")


@pytest.mark.parametrize(("device", "circuit"), list(_cases()))
def test_every_device_agrees_with_scikit_rf(device, circuit):
    """1e-9 in S is 0.0003 dB at a 90 dB notch; the two programs differ by rounding only."""
    low, high = min(device.frequencies.values()), max(device.frequencies.values())
    margin = 2 * (high - low)
    freq_hz = np.unique([*np.linspace(low - margin, high + margin, 301), *device.frequencies.values()])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # scikit-rf's, on its way through an ideal open
        expected = scikit_rf_s(circuit, freq_hz)
    assert np.abs(circuit.s(freq_hz) - expected).max() < 1e-9


def test_the_comparison_can_fail():
    """A trimmer off by one part in a million is seen: the tolerance is not too wide to tell."""
    device = devices.build("single-cavity")
    freq_hz = np.array([device.frequencies["reject"]])
    leg = device.circuit.legs[0]
    before, cavity, after = leg.elements
    other = replace(
        device.circuit,
        legs=(replace(leg, elements=(before, replace(cavity, trimmer_f=cavity.trimmer_f * (1 + 1e-6)), after)),),
    )
    assert np.abs(other.s(freq_hz) - scikit_rf_s(device.circuit, freq_hz)).max() > 1e-8
