"""The truth of a requirement, on a lone notch whose values are known in closed form."""

import math

import pytest
from scipy.optimize import brentq, minimize_scalar

from instruments.simulated.truth import true_value
from sequencer.core.circuit import Circuit, Leg, RejectCavity
from sequencer.recipe.model import Quantity, Requirement

F0, Q, REST_OHM = 146e6, 4500.0, 0.5
NOTCH = RejectCavity(resonance_hz=F0, unloaded_q=Q, inductance_h=Q * REST_OHM / (2 * math.pi * F0))
CIRCUIT = Circuit(("IN", "OUT"), (Leg("IN", "OUT", (NOTCH,)),))


def exact_loss_db(freq_hz):
    """Series R-L-C of 0.5 ohm across the line: S21 = 2Z/(2Z + 50). Derived."""
    z = REST_OHM * (1 + 1j * Q * (freq_hz / F0 - F0 / freq_hz))
    return -20 * math.log10(abs(2 * z / (2 * z + 50)))


def asked(quantity, at_hz=F0, **more):
    given = {"path": ("IN", "OUT")} | more
    return Requirement(id="x", quantity=quantity, at="here", at_hz=at_hz, **given)


@pytest.mark.parametrize(
    ("requirement", "expected"),
    [
        pytest.param(asked(Quantity.REJECTION), exact_loss_db(F0), id="at-the-bottom"),
        pytest.param(asked(Quantity.REJECTION, within_hz=8e3), exact_loss_db(F0 - 8e3), id="worst-is-an-edge"),
        pytest.param(
            asked(Quantity.INSERTION_LOSS, F0 + 3e6, within_hz=8e3), exact_loss_db(F0 + 3e6 - 8e3), id="worst-loss"
        ),
        pytest.param(asked(Quantity.NOTCH_DEPTH, F0 + 5e3, within_hz=20e3), exact_loss_db(F0), id="depth"),
        pytest.param(
            asked(Quantity.RIPPLE, F0 + 3e6, within_hz=8e3),
            exact_loss_db(F0 + 3e6 - 8e3) - exact_loss_db(F0 + 3e6 + 8e3),
            id="ripple",
        ),
        # all that does not pass a lossless-but-for-R shunt is reflected: S11 = -50/(2Z + 50)
        pytest.param(
            asked(Quantity.RETURN_LOSS, path=None, port="IN"), -20 * math.log10(50 / (2 * REST_OHM + 50)), id="return"
        ),
    ],
)
def test_values_in_db(requirement, expected):
    """1e-4 dB: the grid of 8 Hz may miss the bottom by half a step."""
    assert true_value(CIRCUIT, requirement) == pytest.approx(expected, abs=1e-4)


def test_notch_frequency():
    """Where the loss is greatest, to half a step of the grid (20 kHz / 1000)."""
    asked_for = asked(Quantity.NOTCH_FREQUENCY, F0 + 5e3, within_hz=20e3)
    assert true_value(CIRCUIT, asked_for) == pytest.approx(F0, abs=10.0)


def test_rejection_bandwidth():
    """Width at which the exact loss crosses the level, to two steps of the grid (73 Hz each at 146 MHz)."""
    edge_hz = 10e3
    asked_for = asked(Quantity.REJECTION_BANDWIDTH, level_db=exact_loss_db(F0 + edge_hz))
    assert true_value(CIRCUIT, asked_for) == pytest.approx(2 * edge_hz, abs=150.0)
    outside = asked(Quantity.REJECTION_BANDWIDTH, F0 + 3e6, level_db=30.0)
    assert true_value(CIRCUIT, outside) == 0.0


def test_pass_bandwidth_reaches_from_edge_to_edge_of_its_own_dip():
    """Between two notches 1 MHz apart: edges by scipy's root finder on the closed form, to two steps of the grid."""
    apart = (F0 - 0.5e6, F0 + 0.5e6)
    circuit = Circuit(
        ("IN", "OUT"),
        (
            Leg(
                "IN",
                "OUT",
                tuple(
                    RejectCavity(resonance_hz=f, unloaded_q=Q, inductance_h=Q * REST_OHM / (2 * math.pi * f))
                    for f in apart
                ),
            ),
        ),
    )

    def loss_db(freq_hz):
        y = sum(1 / (REST_OHM * (1 + 1j * Q * (freq_hz / f - f / freq_hz))) for f in apart)
        return 20 * math.log10(abs(1 + 25 * y))

    least = minimize_scalar(loss_db, bounds=(F0 - 0.1e6, F0 + 0.1e6), method="bounded", options={"xatol": 1.0})
    low, high = (brentq(lambda f: loss_db(f) - least.fun - 1.0, least.x, end) for end in apart)
    for at_hz in (F0 + 20e3, F0 - 20e3):
        width = true_value(circuit, asked(Quantity.PASS_BANDWIDTH, at_hz, above_db=1.0))
        assert width == pytest.approx(high - low, abs=150.0)
