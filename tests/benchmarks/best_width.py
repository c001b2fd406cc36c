"""The oracle's width for one result of a run: which sweeps, which thru and which place it is about."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from random_benches import Draw

from sequencer.core.history import Entry, Role
from sequencer.core.normalise import differing
from sequencer.recipe.model import Quantity, Requirement
from sequencer.run.sweeps import Sweeps

sys.path.append(str(Path(__file__).parents[1] / "oracle"))
from oracle import Oracle, Taken, spread

__all__ = ["best_width"]

Real = NDArray[np.float64]
_SWITCHED = {"attenuation_db", "reference_dbm", "rbw_hz"}
_FINE = 4001
_WORST_IS_LEAST = frozenset({Quantity.REJECTION, Quantity.ISOLATION, Quantity.RETURN_LOSS})


def best_width(drawn: Draw, history: Sequence[Entry], requirement: Requirement) -> float:
    """Width of the interval that the declared figures leave possible, in the requirement's unit."""
    return _Case(drawn, Sweeps(history), requirement).width()


class _Case:
    def __init__(self, drawn: Draw, sweeps: Sweeps, requirement: Requirement) -> None:
        self.drawn, self.sweeps, self.requirement = drawn, sweeps, requirement
        self.oracle = Oracle(drawn.simulated.device.circuit, drawn.profile, drawn.seed)
        self.role = Role.REFLECTION if requirement.port else Role.DEVICE
        self.path = requirement.path or (requirement.port or "", requirement.port or "")
        at, within = requirement.at_hz, requirement.within_hz or 0.0
        keys = sweeps.covering(requirement.hookup_name, self.role, at - within, at + within, requirement.at)
        if requirement.quantity.unit == "Hz":  # the narrowest that holds both edges is the 'wide' one
            keys = tuple(key for key in keys if key.startswith("wide")) or keys
        self.key = keys[0]
        self.group = sweeps.groups(requirement.hookup_name, self.key, self.role)[-1]
        self.grid = self.group[0].trace.freq_hz
        self.center_hz = float(0.5 * (self.grid[0] + self.grid[-1]))

    def width(self) -> float:
        """See `best_width`."""
        return self._edges() if self.requirement.quantity.unit == "Hz" else self._level()

    def _level(self) -> float:
        at, within = self.requirement.at_hz, self.requirement.within_hz or 0.0
        worst = self.requirement.quantity in _WORST_IS_LEAST
        freq = np.linspace(at - within, at + within, 201) if within else np.array([at])
        loss = self._true_loss(freq)
        place = float(freq[np.argmin(loss) if worst else np.argmax(loss)])
        errors = self._reflected(place) if self.requirement.port else self._passed(place)
        return spread(errors + self.oracle.moved_db(self.path, at, within, self.center_hz, worst=worst))

    def _true_loss(self, freq_hz: Real) -> Real:
        ports = list(self.oracle.circuit.ports)
        s = self.oracle.circuit.s(freq_hz)[:, ports.index(self.path[1]), ports.index(self.path[0])]
        return np.asarray(-20.0 * np.log10(np.abs(s)))

    def _reflected(self, place_hz: float) -> Real:
        opened = self.sweeps.latest("reflect-open", self.key, Role.OPEN)
        assert opened is not None
        hours = (self.group[0].began - opened.began).total_seconds() / 3600.0
        top_dbm = float(10.0 * np.log10(np.median(opened.power_mw)))
        assert self.requirement.port is not None
        return self.oracle.return_loss_errors(self.requirement.port, place_hz, Taken(self.group), top_dbm, hours=hours)

    def _passed(self, place_hz: float) -> Real:
        thru, closing = self.sweeps.opening(self.key), self.sweeps.closing(self.key)
        assert thru is not None
        ended = closing.ended if closing is not None else self.group[-1].began
        hours = (ended - thru.began).total_seconds() / 3600.0
        there = int(np.argmin(np.abs(thru.freq_hz - place_hz)))
        return self.oracle.loss_errors(
            self.path,
            place_hz,
            Taken(self.group),
            float(10.0 * np.log10(thru.power_mw[there])),
            leak=float(np.abs(self.drawn.simulated.drawn.leakage(np.array([place_hz])))[0]),
            thrus=2 if closing is not None else 1,
            drift_db=(0.5 if closing is not None else 1.0) * self.drawn.profile.drift_db_per_h * hours,
            switched=[name for name in differing(self.group[-1].used, thru.used) if name in _SWITCHED],
        )

    def _edges(self) -> float:
        freq = np.linspace(self.grid[0], self.grid[-1], _FINE)
        loss, at = self._true_loss(freq), self.requirement.at_hz
        inside = np.abs(freq - at) <= (self.requirement.within_hz or np.inf)
        reference = np.zeros(self.oracle.n)
        start = at
        match self.requirement.quantity:
            case Quantity.NOTCH_FREQUENCY:
                bottom = int(np.argmax(np.where(inside, loss, -np.inf)))
                start, level = float(freq[bottom]), float(loss[bottom]) - 10.0
                reference = self._passed(start)
            case Quantity.PASS_BANDWIDTH:
                best = self._downhill(loss, int(np.argmin(np.abs(freq - at))))
                start, level = float(freq[best]), float(loss[best]) + (self.requirement.above_db or 0.0)
                reference = self._passed(start)
            case _:
                level = self.requirement.level_db or 0.0
        left, right = (self.oracle.crossing(self.path, freq, start, way, level) for way in (-1, 1))
        with np.errstate(invalid="ignore"):  # noise swallows a reading, and its reference as well
            moved = [edge.moved_hz(self._passed(edge.at_hz) - reference) for edge in (left, right)]
        if self.requirement.quantity is Quantity.NOTCH_FREQUENCY:
            middle = 0.5 * (left.at_hz + right.at_hz)
            return spread(0.5 * (moved[0] + moved[1]) - self.oracle.frequency_hz(middle, self.center_hz))
        stretched = self.drawn.profile.span_percent / 100.0 * (right.at_hz - left.at_hz) * self.oracle.shift[1]
        return spread(moved[1] - moved[0] - stretched)

    def _downhill(self, loss: Real, place: int) -> int:
        while 0 < place < loss.size - 1:
            below = place - 1 if loss[place - 1] < loss[place + 1] else place + 1
            if loss[below] >= loss[place]:
                break
            place = below
        return place
