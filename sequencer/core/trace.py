"""Traces and sweeps: what an analyzer gives, and the settings it really used."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import lru_cache
from typing import TypeGuard

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sequencer.errors import GridMismatchError

__all__ = ["Detector", "Flag", "FloatArray", "Sweep", "SweepSettings", "Trace", "impossible", "own"]

FloatArray = NDArray[np.float64]


def own(values: ArrayLike) -> FloatArray:
    """Return a private, read-only float64 array (a frozen dataclass does not freeze its arrays).

    It is a copy, unless the values are such an array already.
    """
    if _is_own(values):
        return values
    copy = np.array(values, dtype=np.float64)
    copy.setflags(write=False)
    return copy


def _is_own(values: ArrayLike) -> TypeGuard[FloatArray]:
    whole = isinstance(values, np.ndarray) and values.dtype == np.float64 and values.base is None
    return whole and not np.asarray(values).flags.writeable


class Detector(StrEnum):
    """How one trace point is made from the samples under it.

    ``POWER`` is the mean of power over the bucket (often called RMS): unbiased for noise. ``SAMPLE`` is
    one sample: unbiased as power, with more scatter. Others are refused: their noise cannot be
    subtracted as power.
    """

    POWER = "power"
    SAMPLE = "sample"


class Flag(StrEnum):
    """What an instrument, or the trace itself, says against a sweep."""

    OVERLOAD = "overload"
    UNLEVELLED = "unlevelled"
    UNCALIBRATED = "uncalibrated"


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepSettings:
    """Settings of one single sweep, as asked or as read back.

    ``generator_dbm`` is None for 'generator off'. ``vbw_hz`` is None for 'as wide as it goes' (a narrow
    video filter would average the logarithm). ``sweep_time_s`` is None, in an asked setting only, for
    'as the instrument couples it'. ``display_bottom_dbm`` is the lowest level the display can show, where
    the instrument has one and tells it (read back; None where unknown).
    """

    start_hz: float
    stop_hz: float
    points: int
    rbw_hz: float
    attenuation_db: float
    reference_dbm: float
    generator_dbm: float | None
    detector: Detector = Detector.POWER
    vbw_hz: float | None = None
    sweep_time_s: float | None = None
    display_bottom_dbm: float | None = None

    @property
    def span_hz(self) -> float:
        """Stop minus start."""
        return self.stop_hz - self.start_hz

    @property
    def center_hz(self) -> float:
        """Midpoint of the sweep."""
        return 0.5 * (self.start_hz + self.stop_hz)

    def grid_hz(self) -> FloatArray:
        """Frequencies of the points, shape (points,): linear from start to stop, both included."""
        return _grid_hz(self.start_hz, self.stop_hz, self.points)


@lru_cache(maxsize=64)  # repeats are swept on one grid
def _grid_hz(start_hz: float, stop_hz: float, points: int) -> FloatArray:
    return own(np.linspace(start_hz, stop_hz, points))


def impossible(used: SweepSettings) -> str:
    """Return which setting no analyzer can have used, in words, or '': nothing may be reckoned with it."""
    checks = (
        ("start_hz", 0.0 <= used.start_hz < used.stop_hz <= 1e13),
        ("points", 2 <= used.points <= 10_000_000),
        ("rbw_hz", 1e-3 <= used.rbw_hz <= 1e12),
        ("vbw_hz", used.vbw_hz is None or 1e-3 <= used.vbw_hz <= 1e12),
        ("attenuation_db", -200.0 <= used.attenuation_db <= 200.0),
        ("reference_dbm", -500.0 <= used.reference_dbm <= 500.0),
        ("generator_dbm", used.generator_dbm is None or -500.0 <= used.generator_dbm <= 500.0),
        ("sweep_time_s", used.sweep_time_s is None or 0.0 <= used.sweep_time_s <= 1e7),
        ("display_bottom_dbm", used.display_bottom_dbm is None or -1500.0 <= used.display_bottom_dbm <= 500.0),
    )
    return ", ".join(f"{name} {getattr(used, name)}" for name, fits in checks if not fits)


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Levels over frequency.

    Parameters
    ----------
    freq_hz : (n,) float64, strictly increasing.
    level_dbm : (n,) float64. NaN marks a point the instrument gave no data for.

    Raises
    ------
    GridMismatchError
        When the shapes differ, the grid is empty or does not increase strictly.
    """

    freq_hz: FloatArray
    level_dbm: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "freq_hz", own(self.freq_hz))
        object.__setattr__(self, "level_dbm", own(self.level_dbm))
        same = self.freq_hz.ndim == 1 and self.freq_hz.shape == self.level_dbm.shape and self.freq_hz.size > 0
        if not same or not np.all(np.isfinite(self.freq_hz)) or not np.all(np.diff(self.freq_hz) > 0):
            msg = f"bad grid: {self.freq_hz.size} frequencies, {self.level_dbm.size} levels"
            raise GridMismatchError(msg)


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """One single sweep: the trace, what was asked, what was used, and when.

    ``began`` is aware UTC. ``instrument_s`` is the time the instrument itself needed (sweep and settling).
    """

    trace: Trace
    asked: SweepSettings
    used: SweepSettings
    flags: frozenset[Flag]
    began: datetime
    instrument_s: float
