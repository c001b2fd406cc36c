"""The oracle's width for one result of a run: which sweeps, which thru and which place it is about."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from random_benches import Draw

from sequencer.core.history import Entry, Role
from sequencer.core.normalise import differing
from sequencer.recipe.model import Quantity, Requirement
from sequencer.run.sweeps import Sweeps

sys.path.append(str(Path(__file__).parents[1] / "oracle"))
from oracle import Crossing, Oracle, Taken, spread

__all__ = ["best_width"]

Real = NDArray[np.float64]
_SWITCHED = {"attenuation_db", "reference_dbm", "rbw_hz"}
_FINE = 8001
_WORST_IS_LEAST = frozenset({Quantity.REJECTION, Quantity.ISOLATION, Quantity.RETURN_LOSS})


def best_width(drawn: Draw, history: Sequence[Entry], requirement: Requirement) -> float:
    """Width of the interval that the declared figures leave possible, in the requirement's unit."""
    return _Case(drawn, Sweeps(history), requirement).width()


@dataclass(frozen=True, slots=True)
class _Curve:
    """Two edges of the true curve, and where the level that they stand at was read, if it is relative."""

    start_hz: float
    relative: bool
    edges: tuple[Crossing, Crossing]


class _Case:
    def __init__(self, drawn: Draw, sweeps: Sweeps, requirement: Requirement) -> None:
        self.drawn, self.sweeps, self.requirement = drawn, sweeps, requirement
        self.oracle = Oracle(drawn.simulated.device.circuit, drawn.profile, drawn.seed)
        self.role = Role.REFLECTION if requirement.port else Role.DEVICE
        self.path = requirement.path or (requirement.port or "", requirement.port or "")
        at, within = requirement.at_hz, requirement.within_hz or 0.0
        keys = sweeps.covering(requirement.hookup_name, self.role, at - within, at + within, requirement.at)
        self._use(keys[0])
        if requirement.quantity.unit == "Hz":  # of the narrowest sweep that holds both edges
            self.curve = self._curve(max(self._span_hz(key) for key in keys))
            left, right = (edge.at_hz for edge in self.curve.edges)
            keys = tuple(sorted(keys, key=self._span_hz))
            self._use(next((key for key in keys if self._reaches(key, left, right)), keys[-1]))

    def _use(self, key: str) -> None:
        self.key = key
        self.group = self.sweeps.groups(self.requirement.hookup_name, key, self.role)[-1]
        self.center_hz = self.group[-1].used.center_hz

    def _span_hz(self, key: str) -> float:
        return self.sweeps.groups(self.requirement.hookup_name, key, self.role)[-1][-1].used.span_hz

    def _reaches(self, key: str, left_hz: float, right_hz: float) -> bool:
        used = self.sweeps.groups(self.requirement.hookup_name, key, self.role)[-1][-1].used
        return used.start_hz < left_hz and right_hz < used.stop_hz

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

    def _curve(self, span_hz: float) -> _Curve:
        """Return the true curve well beyond the widest sweep: a reading's edges may stand further out than its own."""
        at = self.requirement.at_hz
        freq = np.linspace(at - span_hz, at + span_hz, _FINE)
        loss = self._true_loss(freq)
        inside = np.abs(freq - at) <= (self.requirement.within_hz or np.inf)
        start, level, relative = at, self.requirement.level_db or 0.0, False
        match self.requirement.quantity:
            case Quantity.NOTCH_FREQUENCY:
                bottom = int(np.argmax(np.where(inside, loss, -np.inf)))
                start, level, relative = float(freq[bottom]), float(loss[bottom]) - 10.0, True
            case Quantity.PASS_BANDWIDTH:
                best = self._downhill(loss, int(np.argmin(np.abs(freq - at))))
                start, level, relative = float(freq[best]), float(loss[best]) + (self.requirement.above_db or 0.0), True
        left, right = (self.oracle.crossing(self.path, freq, start, way, level) for way in (-1, 1))
        return _Curve(start, relative, (left, right))

    def _edges(self) -> float:
        left, right = self.curve.edges
        reference = self._passed(self.curve.start_hz) if self.curve.relative else np.zeros(self.oracle.n)
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
