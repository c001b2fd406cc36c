"""Waves between generator, device and analyzer: loads on ports, mismatch at both ends, a directional bridge."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["bridge_reading", "loaded", "reflection_of_vswr", "seen_through", "transmitted"]

Complex = NDArray[np.complex128]


def reflection_of_vswr(vswr: float) -> float:
    """Magnitude of the reflection that makes this standing wave."""
    return (vswr - 1.0) / (vswr + 1.0)


def loaded(s: Complex, keep: Sequence[int], loads: Mapping[int, Complex]) -> Complex:
    """Return S, shape (n_freq, k, k), of the kept ports while every other port carries its load.

    Parameters
    ----------
    s : (n_freq, n, n) scattering matrices.
    keep : ports that stay open to the world, in the order wanted.
    loads : reflection, (n_freq,), of the load on each port that is not kept.
    """
    rest = [port for port in range(s.shape[1]) if port not in keep]
    kept = s[:, keep][:, :, keep]
    if not rest:
        return kept
    into = s[:, rest][:, :, keep]
    out = s[:, keep][:, :, rest]
    gamma = np.stack([loads[port] for port in rest], axis=-1)  # (n_freq, r)
    inner = np.eye(len(rest)) - s[:, rest][:, :, rest] * gamma[:, np.newaxis, :]
    # Waves b leaving the loaded ports obey b = S_rk a + S_rr G b; what comes back is S_kr G b.
    waves = into / inner if len(rest) == 1 else np.linalg.solve(inner, into)
    return np.asarray(kept + np.matmul(out * gamma[:, np.newaxis, :], waves))


def transmitted(s: Complex, source: Complex, load: Complex) -> Complex:
    """Wave into the load over the wave a matched pair would pass, from a two-port S between two reflections.

    Exact; for a plain junction (S21 = S12 = 1, S11 = S22 = 0) it is 1 / (1 - Gs Gl). Source: signal flow graph;
    F. L. Warner, IEE Proc. H 127 (1980) 66-69 treats it (trade notes 3.1).
    """
    s11, s12, s21, s22 = s[:, 0, 0], s[:, 0, 1], s[:, 1, 0], s[:, 1, 1]
    return np.asarray(s21 / ((1.0 - source * s11) * (1.0 - load * s22) - source * load * s21 * s12))


def seen_through(behind: Complex, front: Complex, back: Complex, through: Complex) -> Complex:
    """Reflection seen through a pad and lead: own reflections front and back, one-way transmission through."""
    return np.asarray(front + through**2 * behind / (1.0 - back * behind))


def bridge_reading(reflection: Complex, directivity: Complex, source_match: Complex) -> Complex:
    """Return D + G / (1 - S G), tracking apart (EURAMET cg-12 one-port model; trade notes 2.3)."""
    return np.asarray(directivity + reflection / (1.0 - source_match * reflection))
