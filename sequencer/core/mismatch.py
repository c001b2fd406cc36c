"""Mismatch: what the reflections of both test ports do to a thru-normalised transmission.

Reflections are magnitudes (or complex values) at the device planes. Sources: F.L. Warner, IEE Proc. H 127(2) 66-69
(1980); the expressions are derived from the signal-flow graph.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "gamma",
    "return_loss_db",
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


def true_transmission(
    measured: ArrayLike, s11: ArrayLike, s22: ArrayLike, gs: ArrayLike, gl: ArrayLike, direction: ArrayLike
) -> NDArray[np.float64]:
    """Return |S21| of a reciprocal two-port from the measured, thru-normalised magnitude.

    The ratio is ``M = s21 (1 - gs gl) / ((1 - gs s11)(1 - gl s22) - gs gl s21 s12)``, here solved for s21.

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
