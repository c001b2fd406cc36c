"""Both directions of a vector analyzer's file: cavities and cables pass one like the other; pure.

Where S_ij and S_ji differ by more than the stated uncertainty, one of them is not the device's: the correction holds in
one direction only, a switch is worn, or two files were put together.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.core.trace import FloatArray
from sequencer.errors import UsageError
from sequencer.recipe.model import Bench
from sequencer.run.figures import Figures
from sequencer.units import show_hz

__all__ = ["Direction", "refuse_one_way"]

_UNSEEN_DB = 0.1  # for what no figure states; common practice, no source
_RUN = 5  # points: the median of so many leaves out what one point's noise does
_FLOOR_TIMES = 4.0  # a noise reading is this much above its rms once in 10^7 points (exp(-16))
_NO_FLOOR_DB = -60.0  # where the floor was not saved nothing below this is compared; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Direction:
    """|S| in dB from one port of the device into another, or (``ports`` empty) of the floor."""

    source: str
    ports: tuple[str, str] | tuple[()]
    freq_hz: FloatArray
    level_db: FloatArray


def refuse_one_way(directions: Sequence[Direction], bench: Bench) -> None:
    """Refuse files whose two directions of one path differ by more than the bench file's figures allow.

    Raises
    ------
    UsageError
        With both levels where they differ most beyond that.
    """
    floors = [10.0 ** (d.level_db / 20.0) for d in directions if not d.ports]
    floor = math.sqrt(max((float(np.mean(f**2)) for f in floors), default=0.0))
    for there, back in _pairs(directions):
        level = np.interp(there.freq_hz, back.freq_hz, back.level_db)
        inside = (there.freq_hz >= back.freq_hz[0]) & (there.freq_hz <= back.freq_hz[-1])
        both = _middle(np.stack([there.level_db, level])[:, inside])
        if both.shape[1] == 0:
            continue
        apart, allowed = np.abs(both[0] - both[1]), _allowed_db(both, bench, floor)
        allowed = allowed + (0.0 if _same(there, back) else _between_points(both))
        if not floors:
            apart = np.where(both.max(axis=0) < _NO_FLOOR_DB, 0.0, apart)
        at = int(np.argmax(apart - allowed))
        if apart[at] > allowed[at]:
            msg = (
                f"{there.source} and {back.source} are one path in both directions, and read {both[0][at]:.2f} and "
                f"{both[1][at]:.2f} dB at {show_hz(float(there.freq_hz[inside][at]))}. Cavities and cables pass both "
                f"ways alike, and the bench file's figures allow {allowed[at]:.2f} dB: correct the vector analyzer "
                "anew and sweep again, or see whether these are traces of one device"
            )
            raise UsageError(msg, source=there.source)


def _pairs(directions: Sequence[Direction]) -> Iterator[tuple[Direction, Direction]]:
    for n, one in enumerate(directions):
        for other in directions[n + 1 :]:
            if one.ports and one.ports == other.ports[::-1]:
                yield one, other


def _same(a: Direction, b: Direction) -> bool:
    return a.freq_hz.shape == b.freq_hz.shape and bool(np.all(np.abs(a.freq_hz - b.freq_hz) < 1.0))


def _middle(both: FloatArray) -> FloatArray:
    """Running median along the frequencies."""
    if both.shape[1] < 2 * _RUN:
        return both
    ends = np.pad(both, ((0, 0), (_RUN // 2, _RUN // 2)), mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(ends, _RUN, axis=1), axis=-1))


def _between_points(both: FloatArray) -> FloatArray:
    """Return how far a level read between two points may be off: as far as it goes from point to point, dB."""
    return np.abs(np.gradient(both, axis=1)).max(axis=0) if both.shape[1] > 1 else np.zeros(both.shape[1])


def _allowed_db(both: FloatArray, bench: Bench, floor: float) -> FloatArray:
    """Return the most the two may differ at each point, dB: scale, match at both ends, and floor, each way."""
    figures = Figures(bench)
    match = 1.0
    for end in (figures.source(), figures.load()):
        match *= 1.0 / (1.0 - min(end.own + end.behind, 0.9))
    made = np.full(both.shape[1], 2.0 * 20.0 * math.log10(match) + _UNSEEN_DB)
    for level in both:
        made += [figures.scale(float(loss)).value for loss in level]
        made += 20.0 * np.log10(1.0 + _FLOOR_TIMES * floor / 10.0 ** (level / 20.0))
    return made
