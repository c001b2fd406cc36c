"""The relays of the simulated switch: what each path loses, and what leaks past open contacts; drawn from the seed."""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

__all__ = ["Relays"]

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

LIGHT_M_PER_S = 299_792_458.0
FIGURE_U_DB = 0.03  # standard uncertainty of the figures that the bench file states
_STANDARDS = ("reflect-open", "reflect-short", "reflect-load")  # they hang on one connector
_ROUTE_M = 0.4  # the leak's way is longer than the signal's by about this: its phase turns with frequency


class Relays:
    """A switch matrix.

    Parameters
    ----------
    path_loss_db : most that a path loses; 0 for a switch that only moves the leads.
    isolation_db : how far below the signal of a thru the leak stands; infinite for leads moved by hand.
    """

    def __init__(self, seed: int, path_loss_db: float = 0.0, isolation_db: float = math.inf) -> None:
        self._seed = seed
        self._most_db = path_loss_db
        self._losses_db: dict[str, float] = {}
        self._leak = 10.0 ** (-isolation_db / 20.0)

    def loss_db(self, hookup: str) -> float:
        """Loss of the contacts and lines that a hookup uses; the thru of a path uses those of the path."""
        way = "reflect-open" if hookup in _STANDARDS else hookup.removeprefix("thru ")
        if way not in self._losses_db:
            self._losses_db[way] = float(self._rng(1, way).uniform(0.0, self._most_db))
        return self._losses_db[way]

    def leakage(self, hookup: str, freq_hz: Real) -> Complex:
        """Wave that gets past open contacts to the analyzer, over the thru's; other contacts, another phase."""
        phase = self._rng(2, hookup).uniform(0.0, 2.0 * math.pi)
        turn = 2.0 * math.pi * _ROUTE_M / LIGHT_M_PER_S
        return np.asarray(self._leak * np.exp(1j * (phase - turn * freq_hz)))

    def figures(self, hookups: tuple[str, ...]) -> Mapping[str, tuple[float, float]]:
        """Return (loss in dB over the thru's, its standard uncertainty) as a calibration found them."""
        u_db = FIGURE_U_DB if self._most_db > 0.0 else 0.0
        return {name: (self._over_thru_db(name) + u_db * self._error(name), u_db) for name in hookups}

    def _over_thru_db(self, hookup: str) -> float:
        if hookup.startswith("reflect-"):
            return self.loss_db(hookup) - self.loss_db("reflect-open")
        return self.loss_db(hookup) - self.loss_db("thru")

    def _error(self, hookup: str) -> float:
        return float(np.clip(self._rng(3, hookup).standard_normal(), -2.0, 2.0))

    def _rng(self, kind: int, hookup: str) -> np.random.Generator:
        return np.random.default_rng([self._seed, 9, kind, zlib.crc32(hookup.encode())])
