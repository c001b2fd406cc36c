"""What a requirement's value truly is on a simulated circuit: for proving intervals, never for measuring."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sequencer.core.circuit import Circuit, loss_db, return_loss_db
from sequencer.recipe.model import Quantity, Requirement

__all__ = ["true_value"]

_POINTS = 2001  # over the band asked for: steps of 8 Hz within +/- 8 kHz, far below any notch's width


def true_value(circuit: Circuit, requirement: Requirement) -> float:
    """Return the exact value, in the requirement's unit, from a fine grid of the exact circuit.

    A bandwidth is followed outwards from ``at_hz`` to where the loss first leaves the level; it is 0 where
    ``at_hz`` itself is outside.
    """
    at, within = requirement.at_hz, requirement.within_hz
    quantity = requirement.quantity
    if quantity in {Quantity.REJECTION_BANDWIDTH, Quantity.PASS_BANDWIDTH}:
        return _width_hz(circuit, requirement)
    freq = np.array([at]) if within is None else np.linspace(at - within, at + within, _POINTS)
    loss = _loss_db(circuit, requirement, freq)
    if quantity is Quantity.INSERTION_LOSS:
        return float(loss.max())
    if quantity is Quantity.NOTCH_FREQUENCY:
        return _notch_center_hz(circuit, requirement, float(freq[loss.argmax()]))
    if quantity is Quantity.NOTCH_DEPTH:
        return float(loss.max())
    if quantity is Quantity.RIPPLE:
        return float(loss.max() - loss.min())
    return float(loss.min())  # rejection, isolation, return loss: the worst is the least


def _notch_center_hz(circuit: Circuit, requirement: Requirement, lowest_hz: float) -> float:
    """Centre of the region within 10 dB of the bottom: what noise at the bottom cannot move (design)."""
    freq = lowest_hz + np.linspace(-0.004, 0.004, 40 * _POINTS) * lowest_hz
    loss = _loss_db(circuit, requirement, freq)
    bottom = int(loss.argmax())
    outside = loss < loss[bottom] - 10.0
    below, beyond = np.flatnonzero(outside[:bottom]), np.flatnonzero(outside[bottom:])
    return float(0.5 * (freq[below[-1] + 1] + freq[bottom + beyond[0] - 1]))


def _loss_db(circuit: Circuit, requirement: Requirement, freq_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    s = circuit.s(freq_hz)
    if requirement.port is not None:
        return return_loss_db(s, circuit, requirement.port)
    assert requirement.path is not None
    return loss_db(s, circuit, *requirement.path)


def _width_hz(circuit: Circuit, requirement: Requirement) -> float:
    """Width round ``at_hz`` where the loss is at least the level, or at most `above` more than the least loss.

    The least loss is the bottom of the dip that ``at_hz`` lies in.
    """
    at = requirement.at_hz
    reach = 0.01 * at  # wider than any pass or notch here
    freq = np.linspace(at - reach, at + reach, 40 * _POINTS)
    loss = _loss_db(circuit, requirement, freq)
    middle = freq.size // 2
    if requirement.quantity is Quantity.REJECTION_BANDWIDTH:
        assert requirement.level_db is not None
        outside = loss < requirement.level_db
    else:
        assert requirement.above_db is not None
        bottom = middle
        while 0 < bottom < freq.size - 1 and loss[bottom] > (least := min(loss[bottom - 1], loss[bottom + 1])):
            bottom += 1 if loss[bottom + 1] == least else -1
        outside = loss > loss[bottom] + requirement.above_db
    if outside[middle]:
        return 0.0
    below, beyond = np.flatnonzero(outside[:middle]), np.flatnonzero(outside[middle:])
    low = freq[below[-1] + 1] if below.size else freq[0]
    high = freq[middle + beyond[0] - 1] if beyond.size else freq[-1]
    return float(high - low)
