"""Other transmitters, heard with the generator off; pure.

One that stands beside what is measured is said, and no hookup is blamed for it. One that stands on it would be taken
for the device, or for its leak: the run stops until it is gone.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sequencer.core.history import Entry, Role
from sequencer.core.trace import FloatArray, Sweep
from sequencer.run.planned import PlannedSweep, Station
from sequencer.run.steps import Stop, Warn, unsaid
from sequencer.run.windows import OVERVIEW

__all__ = ["foreign_peaks", "foreign_step", "foreign_text", "without_foreign"]

ABOVE_NOISE_DB = 20.0  # of the median: noise alone never stands so high
BELOW_THRU_DB = 100.0  # what is weaker lies below any limit that a bench can prove
WIDTHS = 3.0  # of its filter: farther off, a Gaussian one takes 100 dB and more (3 dB times (2 x 3)^2, derived)


def foreign_step(
    off: Sweep | None, stations: Sequence[Station], history: Sequence[Entry], expected_dbm: float
) -> Stop | Warn | None:
    """Return what the opening thru's sweep with the generator off calls for, None where nothing is heard."""
    peaks = [] if off is None else foreign_peaks(off, expected_dbm)
    if not peaks:
        return None
    zooms = [s for station in stations for s in station.sweeps if s.role is Role.DEVICE and s.key != OVERVIEW]
    for near_hz, near_dbm in peaks:
        zoom = next((z for z in zooms if _within(near_hz, z)), None)
        if zoom is not None:
            why = f"{_words(near_hz, near_dbm)}, where '{zoom.key}' is measured: find it, or wait until it is silent"
            return Stop(why=why)
    return unsaid(foreign_text(peaks), history)


def foreign_text(peaks: Sequence[tuple[float, float]]) -> str:
    """Return the strongest of them in words, and how many more there are; '' for none."""
    if not peaks:
        return ""
    more = f" (and {len(peaks) - 1} more)" if len(peaks) > 1 else ""
    return _words(*max(peaks, key=lambda peak: peak[1])) + more


def foreign_peaks(sweep: Sweep, expected_dbm: float) -> list[tuple[float, float]]:
    """Return (frequency in Hz, level in dBm) of each signal that stands out of a generator-off sweep."""
    level, out = sweep.trace.level_dbm, _stands_out(sweep, expected_dbm)
    runs = np.split(np.arange(level.size), np.flatnonzero(np.diff(out)) + 1)
    tops = [int(run[np.argmax(level[run])]) for run in runs if out[run[0]]]
    return [(float(sweep.trace.freq_hz[top]), float(level[top])) for top in tops]


def without_foreign(sweep: Sweep, off: Sweep | None, expected_dbm: float) -> FloatArray:
    """Return the levels of a sweep but for those where something else was heard with the generator off."""
    level = sweep.trace.level_dbm
    if off is None or off.trace.freq_hz.shape != sweep.trace.freq_hz.shape:
        return level
    return level[~_stands_out(off, expected_dbm)]


def _stands_out(sweep: Sweep, expected_dbm: float) -> NDArray[np.bool_]:
    level = sweep.trace.level_dbm
    return np.asarray((level > float(np.median(level)) + ABOVE_NOISE_DB) & (level > expected_dbm - BELOW_THRU_DB))


def _within(at_hz: float, zoom: PlannedSweep) -> bool:
    """Return whether a signal stands within a zoom; its place is known within the overview's filter."""
    room_hz = WIDTHS * zoom.settings.rbw_hz
    return zoom.settings.start_hz - room_hz <= at_hz <= zoom.settings.stop_hz + room_hz


def _words(at_hz: float, dbm: float) -> str:
    return f"with the generator off, a signal of {dbm:.0f} dBm stands at {at_hz / 1e6:.3f} MHz"
