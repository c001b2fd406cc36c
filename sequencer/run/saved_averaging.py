"""What averaging by the analyzer itself does to saved traces, and where that leaves a result undecided; pure.

A mean of decibels ('log', 'video') reads noise 10 lg e times Euler's constant = 2.51 dB low, one of voltage 1.05 dB
(Rice, BSTJ 1944-45, from memory). A line S/N above the noise reads 4.343 E1(S/N) dB high in the first (E1: exponential
integral): nothing from 10 dB on. So what goes wrong is what such a floor does to others. Noise that is taken off as
power, N/S of the reading, is taken off 44 % too small or, the other way round, too large: 20 dB above the noise as
read that is at most 10 lg(1 + 0.44 * 10^-1.75) = 0.034 dB, nothing beside any interval. Leakage acts by its amplitude:
read 2.51 dB low, it is a third too small, which 35 dB above it is 20 lg(1 + 0.33 * 10^-1.75) = 0.05 dB; but only where
it is noise that was read for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from sequencer.core.history import Entry, Role, SavedKind, SavedTrace, Swept
from sequencer.core.trace import Sweep, SweepSettings

__all__ = ["NEAR_NOISE_DB", "averaging_doubts"]

NEAR_NOISE_DB = 20.0
_NEAR_LEAKAGE_DB = 35.0
_LINE_DB = 10.0  # from so far above the noise on, a mean of decibels reads leakage right to 0.0001 dB
_RIGHT = ("off", "power")


def averaging_doubts(
    trace: SavedTrace, low_dbm: float, against: Sequence[SavedTrace], history: Sequence[Entry]
) -> Iterator[str]:
    """Yield why a trace that reads no less than ``low_dbm`` cannot be trusted beside its floor, in words.

    Parameters
    ----------
    against : the traces that are subtracted from it, or bound what it reads.
    """
    if trace.kind is SavedKind.VECTOR:
        return
    noise = next((o for o in against if o.role is Role.NOISE), None)
    read = {o.source: _median_dbm(o, trace.settings, history) for o in against}
    for other in (trace, *against):
        if other.averaging in _RIGHT or other.role not in (trace.role, Role.NOISE, Role.LEAKAGE):
            continue
        limit = None
        if other.role is Role.LEAKAGE:
            above = None if noise is None else read[other.source] - read[noise.source]
            limit = read[other.source] + _NEAR_LEAKAGE_DB if above is None or above < _LINE_DB else None
        elif noise is not None:
            limit = read[noise.source] + NEAR_NOISE_DB
        if limit is not None and low_dbm < limit:
            how = f"was averaged as {other.averaging}" if other.averaging else "may have been averaged in decibels"
            yield (
                f"{trace.source} reads near the noise, and {other.source} {how} by the analyzer, which reads noise up "
                "to 2.5 dB low: nothing that rests on it is decided; average as power (RMS) or save single sweeps"
                + ("" if other.averaging else ", or declare which it was (--set averaging=off, power or log)")
            )
            return


def _median_dbm(other: SavedTrace, used: SweepSettings, history: Sequence[Entry]) -> float:
    """Return the level of a floor, brought to another filter and attenuation."""
    sweep: Sweep | None = next((e.sweep for e in history if isinstance(e, Swept) and e.source == other.source), None)
    if sweep is None:
        return -np.inf
    gain_db = [s.attenuation_db + 10.0 * float(np.log10(s.rbw_hz)) for s in (used, other.settings)]
    return float(np.nanmedian(sweep.trace.level_dbm)) + gain_db[0] - gain_db[1]
