"""What a plan is: hookups in order, and the sweeps taken at each."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.core.history import Role
from sequencer.core.hookup import Hookup
from sequencer.core.trace import SweepSettings

__all__ = ["Plan", "PlannedSweep", "Station"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSweep:
    """One setting, taken ``repeats`` times and averaged as power."""

    key: str
    role: Role
    settings: SweepSettings
    repeats: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A hookup at its place in the run, and the sweeps taken there, the proving one first."""

    hookup: Hookup
    sweeps: tuple[PlannedSweep, ...]
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The whole run in order. ``gaps`` says, per requirement id, what this bench cannot do at all.

    ``touches_over``: another order of the hookups might need so many touches fewer; 0: this is the least.
    ``tracking``: a narrow sweep in the narrowest filter of the paths; None where there is no path.
    """

    stations: tuple[Station, ...]
    narrowest_rbw_hz: float
    tracking: PlannedSweep | None = None
    gaps: tuple[tuple[str, str], ...] = ()
    touches_over: int = 0
