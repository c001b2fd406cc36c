"""Three readings of three ports joined at one point; runs whose readings do not fit stand in tests/test_traces.py."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from instruments.simulated import devices
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.starters import read_recipe
from sequencer.run import junction
from sequencer.run.junction import ARM_DB


@pytest.mark.parametrize("name", ["vhf-600k", "six-cavity", "reject-only", "pass-only", "70cm-5m"])
def test_the_circuits_of_the_simulated_devices_are_such_junctions(name: str) -> None:
    """|S31| (1 + S22) = |S21| |S32| to within what the lead from the tee to its port loses and turns."""
    device = devices.build(name)
    middle = device.ports.index("ANT")
    one, three = (n for n in range(3) if n != middle)
    s = device.circuit.s(np.array(sorted(device.frequencies.values())))
    more_db = 20.0 * np.log10(np.abs(s[:, middle, one] * s[:, three, middle] / s[:, three, one]))
    match = np.abs(s[:, middle, middle])
    assert np.all(more_db < 20.0 * np.log10(1.0 + match) + 0.01)
    assert np.all(more_db > 20.0 * np.log10(1.0 - match) - 2.0 * ARM_DB)


@pytest.mark.parametrize("reflected", [0.0, *(np.exp(1j * turn) for turn in np.arange(0.0, 6.0, 1.0))])
@pytest.mark.parametrize("idle", ["ANT", "LOAD"])
def test_a_ring_that_fails_by_what_goes_over_an_idle_port_asks_for_its_load(
    monkeypatch, idle: str, reflected: complex
) -> None:
    """15 dB of isolation lost to a port without its load are not the ring's; a good one is told nothing."""
    device, recipe = devices.build("hybrid-ring"), load_recipe(*read_recipe("hybrid-ring-acceptance"))

    def way(_, a: str, b: str, f_hz: float) -> junction._Way:
        s = device.circuit.s(np.array([f_hz]))[0]
        one, two, port = (device.ports.index(each) for each in (a, b, idle))
        through = s[two, one]
        if {a, b} == {"TX", "RX"}:
            through += s[two, port] * s[port, one] * reflected / (1.0 - s[port, port] * reflected)
        return junction._Way(f"{a}-{b}", np.full(9, -20.0 * np.log10(abs(through))), hidden=False)

    monkeypatch.setattr(junction, "_way", way)
    doubts = list(junction.misfits(SimpleNamespace(recipe=recipe)))
    if reflected == 0.0:
        assert not doubts
        return
    assert [doubt.hookups for doubt in doubts] == [("TX-RX",)]
    assert "load on" in doubts[0].text


def test_a_ring_that_isolates_badly_otherwise_fails(monkeypatch) -> None:
    """Far from what goes over its idle ports, a low isolation is the ring's own."""
    recipe = load_recipe(*read_recipe("hybrid-ring-acceptance"))
    losses = {"TX-RX": 70.0, "RX-TX": 70.0}

    def way(_, a: str, b: str, f_hz: float) -> junction._Way:
        del f_hz
        return junction._Way(f"{a}-{b}", np.full(9, losses.get(f"{a}-{b}", 30.5)), hidden=False)

    monkeypatch.setattr(junction, "_way", way)
    needs = tuple(need for need in recipe.requirements if need.hookup_name == "TX-RX")
    assert not list(junction.misfits(SimpleNamespace(recipe=replace(recipe, requirements=needs))))
