"""Three readings of three ports joined at one point; runs whose readings do not fit stand in tests/test_traces.py."""

from __future__ import annotations

import numpy as np
import pytest

from instruments.simulated import devices
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
