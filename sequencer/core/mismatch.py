"""Mismatch: what the reflections of both test ports do to a thru-normalised transmission.

Reflections are magnitudes (or complex values) at the device planes. Sources: F.L. Warner, IEE Proc. H 127(2) 66-69
(1980); the expressions are derived from the signal-flow graph.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "first_order_db",
    "gamma",
    "limits_db",
    "return_loss_db",
    "thru_normalised",
    "transfer_limits_db",
    "true_transmission",
    "vswr",
]

ComplexArray = NDArray[np.complex128]


def gamma(vswr: float) -> float:
    """Return the reflection magnitude of a VSWR (at least 1).

    Examples
    --------
    >>> round(gamma(1.5), 3)
    0.2
    """
    return (vswr - 1.0) / (vswr + 1.0)


def vswr(reflection: float) -> float:
    """Return the VSWR of a reflection magnitude below 1."""
    return (1.0 + reflection) / (1.0 - reflection)


def return_loss_db(reflection: float) -> float:
    """Return the return loss, dB, positive; infinite for no reflection."""
    return math.inf if reflection <= 0.0 else -20.0 * math.log10(reflection)


def thru_normalised(
    s11: ArrayLike, s12: ArrayLike, s21: ArrayLike, s22: ArrayLike, gs: ArrayLike, gl: ArrayLike
) -> ComplexArray:
    """Return the exact thru-normalised ratio (complex) of a two-port between a source gs and a load gl.

    ``M = s21 (1 - gs gl) / ((1 - gs s11)(1 - gl s22) - gs gl s21 s12)``
    """
    s11, s12, s21, s22, gs, gl = (np.asarray(x, dtype=np.complex128) for x in (s11, s12, s21, s22, gs, gl))
    ratio: ComplexArray = s21 * (1 - gs * gl) / ((1 - gs * s11) * (1 - gl * s22) - gs * gl * s21 * s12)
    return ratio


def true_transmission(
    measured: ArrayLike, s11: ArrayLike, s22: ArrayLike, gs: ArrayLike, gl: ArrayLike, direction: ArrayLike
) -> NDArray[np.float64]:
    """Return |S21| of a reciprocal two-port from the measured magnitude: `thru_normalised` solved for it.

    ``direction`` is the unit phasor of S21*S12. The |S21|^2 that stands in the product with gs*gl is found from
    the first solution; what is left is below |gs gl|^2, 0.001 dB for ports of VSWR 1.2.
    """
    gs, gl = np.asarray(gs, dtype=np.complex128), np.asarray(gl, dtype=np.complex128)
    both = gs * gl
    outer = (1 - gs * np.asarray(s11)) * (1 - gl * np.asarray(s22))
    level = np.asarray(measured, dtype=np.float64) / np.abs(1 - both)
    there = np.asarray(direction)
    first = level * np.abs(outer - both * np.asarray(measured) ** 2 * there)
    result: NDArray[np.float64] = level * np.abs(outer - both * first**2 * there)
    return result


def first_order_db(gs: float, gl: float, s11: float, s22: float, s21: float) -> float:
    """Return the standard uncertainty, dB, of the thru-normalised ratio for unknown phases, to first order.

    Source: Harris & Warner, IEE Proc. H 128 (1981) [from memory]: the root sum of squares of the four products.
    """
    products = (gs * s11, gl * s22, gs * gl * s21 * s21, gs * gl)
    return 20.0 / math.log(10.0) / math.sqrt(2.0) * math.sqrt(sum(p * p for p in products))


def limits_db(gs: float, gl: float, s11: float, s22: float, s21: float) -> tuple[float, float]:
    """Return the greatest and the least error, dB, of the thru-normalised ratio over all phases (derived)."""
    both = gs * gl
    most = (1 + both) / ((1 - gs * s11) * (1 - gl * s22) - both * s21 * s21)
    least = (1 - both) / ((1 + gs * s11) * (1 + gl * s22) + both * s21 * s21)
    return 20.0 * math.log10(most), 20.0 * math.log10(least)


def transfer_limits_db(gs: float, gl: float) -> tuple[float, float]:
    """Return the limits, dB, of power transfer between two reflections (EA-4/02, M3003; clauses from memory)."""
    return 20.0 * math.log10(1 + gs * gl), 20.0 * math.log10(1 - gs * gl)
