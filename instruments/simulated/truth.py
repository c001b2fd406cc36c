"""What a requirement's value truly is on a simulated circuit: for proving intervals, never for measuring."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sequencer.core.circuit import Circuit, loss_db, return_loss_db
from sequencer.recipe.model import Quantity, Requirement

__all__ = ["true_value"]

_COARSE, _FINER = 8001, 11  # where a curve leaves a level: steps of 360 Hz at 146 MHz, then of 36 Hz
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
    freq = lowest_hz + np.linspace(-0.004, 0.004, _COARSE) * lowest_hz
    loss = _loss_db(circuit, requirement, freq)
    bottom = int(loss.argmax())
    near = np.linspace(freq[max(bottom - 1, 0)], freq[min(bottom + 1, freq.size - 1)], _POINTS)
    level = float(_loss_db(circuit, requirement, near).max()) - 10.0
    low, high = _left(circuit, requirement, freq, loss < level, bottom, lambda found: found < level)
    if low is None or high is None:
        msg = "there is no region within 10 dB of a bottom"
        raise IndexError(msg)
    return 0.5 * (low + high)


def _left(
    circuit: Circuit,
    requirement: Requirement,
    freq: NDArray[np.float64],
    outside: NDArray[np.bool_],
    start: int,
    leaves: Callable[[NDArray[np.float64]], NDArray[np.bool_]],
) -> tuple[float | None, float | None]:
    """Return the last frequencies inside a region on both sides of a point, found again on a finer grid."""
    below, beyond = np.flatnonzero(outside[:start]), np.flatnonzero(outside[start:])
    steps = [
        (int(below[-1]) + 1, int(below[-1])) if below.size else None,
        (start + int(beyond[0]) - 1, start + int(beyond[0])) if beyond.size else None,
    ]
    found: list[float | None] = []
    for step in steps:
        if step is None:
            found.append(None)
            continue
        fine = np.linspace(freq[step[0]], freq[step[1]], _FINER)
        first = int(np.argmax(leaves(_loss_db(circuit, requirement, fine))))
        found.append(float(fine[max(first - 1, 0)]))
    return found[0], found[1]


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
    freq = np.linspace(at - reach, at + reach, _COARSE)
    loss = _loss_db(circuit, requirement, freq)
    middle = freq.size // 2
    if requirement.quantity is Quantity.REJECTION_BANDWIDTH:
        assert requirement.level_db is not None
        level = requirement.level_db

        def leaves(found: NDArray[np.float64]) -> NDArray[np.bool_]:
            return found < level
    else:
        assert requirement.above_db is not None
        bottom = middle
        while 0 < bottom < freq.size - 1 and loss[bottom] > (least := min(loss[bottom - 1], loss[bottom + 1])):
            bottom += 1 if loss[bottom + 1] == least else -1
        near = np.linspace(freq[max(bottom - 1, 0)], freq[min(bottom + 1, freq.size - 1)], _POINTS)
        level = float(_loss_db(circuit, requirement, near).min()) + requirement.above_db

        def leaves(found: NDArray[np.float64]) -> NDArray[np.bool_]:
            return found > level

    outside = leaves(loss)
    if outside[middle]:
        return 0.0
    low, high = _left(circuit, requirement, freq, outside, middle, leaves)
    return (float(freq[-1]) if high is None else high) - (float(freq[0]) if low is None else low)
