"""Where a name may stand in a plot: what is drawn weighs on the ground, and the lightest near place is taken.

Places are pixels of one picture, y downwards. Nothing here knows what is drawn, only where and how much it matters.
"""

from __future__ import annotations

import math

import numpy as np

from sequencer.core.trace import FloatArray

__all__ = ["Box", "Ground"]

Box = tuple[float, float, float, float]  # left, top, right, bottom

_STEP = 2  # px between the places that are tried
_FAR = (
    0.12  # weight of a pixel of distance: to keep a curve free a name moves some eight pixels for each it would cover
)
_ASIDE = 0.25  # of that for a pixel off the mark's middle, so that a name with room stands centred


class Ground:
    """The weight of every pixel of a frame; a name pays for the pixels it would cover, and for its distance."""

    def __init__(self, frame: Box) -> None:
        self.left, self.top = math.floor(frame[0]), math.floor(frame[1])
        width, height = math.ceil(frame[2]) - self.left, math.ceil(frame[3]) - self.top
        self.weight = np.zeros((height, width), dtype=np.float64)

    def box(self, box: Box, weight: float) -> None:
        """Weigh a box, as far as it lies in the frame."""
        rows = slice(max(math.floor(box[1]) - self.top, 0), max(math.ceil(box[3]) - self.top, 0))
        columns = slice(max(math.floor(box[0]) - self.left, 0), max(math.ceil(box[2]) - self.left, 0))
        self.weight[rows, columns] += weight

    def curve(self, x: FloatArray, y: FloatArray, weight: float) -> None:
        """Weigh the pixels that a curve passes, each column from where it enters to where it leaves; NaN is a gap.

        Parameters
        ----------
        x, y : (n,) float64, pixels, ``x`` not decreasing.
        """
        height, width = self.weight.shape
        drawn = np.flatnonzero(np.isfinite(y))
        for run in np.split(drawn, np.flatnonzero(np.diff(drawn) > 1) + 1):
            if run.size < 2:
                continue
            at, level = x[run] - self.left, y[run]
            first, last = max(math.floor(at[0]), 0), min(math.floor(at[-1]), width - 1)
            if last < first:
                continue
            ends = np.interp(np.arange(first, last + 2), at, level)  # where it enters and leaves; else it began there
            low, high = np.minimum(ends[:-1], ends[1:]), np.maximum(ends[:-1], ends[1:])
            column = np.floor(at).astype(np.intp)
            inside = (column >= first) & (column <= last)
            np.minimum.at(low, column[inside] - first, level[inside])
            np.maximum.at(high, column[inside] - first, level[inside])
            row, here = np.arange(self.top, self.top + height)[:, None], self.weight[:, first : last + 1]
            passed = (row >= np.floor(low)) & (row <= np.floor(high))
            here[passed] = np.maximum(here[passed], weight)

    def place(self, mark: Box, width: float, height: float) -> Box:
        """Return where a name of this size, at most the frame's, covers least and stands nearest to its mark."""
        rows, columns = self.weight.shape
        wide, high = min(math.ceil(width), columns), min(math.ceil(height), rows)
        total = np.zeros((rows + 1, columns + 1), dtype=np.float64)
        total[1:, 1:] = self.weight.cumsum(axis=0).cumsum(axis=1)
        tops, lefts = np.arange(0, rows - high + 1, _STEP), np.arange(0, columns - wide + 1, _STEP)
        t, s = tops[:, None], lefts[None, :]
        covered = total[t + high, s + wide] - total[t, s + wide] - total[t + high, s] + total[t, s]
        left, top, right, bottom = (at - (self.top if k % 2 else self.left) for k, at in enumerate(mark))
        beside = np.maximum(np.maximum(left - (s + wide), s - right), 0.0)
        along = np.maximum(np.maximum(top - (t + high), t - bottom), 0.0)
        off_middle = np.abs(s + wide / 2 - (left + right) / 2)
        cost = covered + _FAR * (np.hypot(beside, along) + _ASIDE * off_middle)
        row, column = np.unravel_index(int(np.argmin(cost)), cost.shape)
        x, y = self.left + float(lefts[column]), self.top + float(tops[row])
        return x, y, x + wide, y + high
