"""Where a smooth curve through the points near the best one is best, with its interval.

A parabola through the four or five measured values nearest the best one: near its best place every smooth curve is
one. The interval comes from refitting with the joint draws of the errors, widened by the Birge ratio where the
points do not lie on a parabola as well as their errors say.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sequencer.core.comparison import Curved, LabelPoint
from sequencer.core.trace import FloatArray
from sequencer.studies.differences import ends

__all__ = ["LEAST_POINTS", "best_place"]

LEAST_POINTS = 4  # a parabola through three points always fits and so proves nothing
_MOST_POINTS = 5
_SURE = 0.975  # of the draws must curve the right way, else the curve has no best place


def best_place(
    points: Sequence[LabelPoint], errors: Sequence[FloatArray | None], wants: str
) -> tuple[Curved | None, str]:
    """Return the curve's best place, or None and why there is none ('' where there are too few values to ask)."""
    usable = [
        (p.number, p.value, error, p.label)
        for p, error in zip(points, errors, strict=True)
        if p.number is not None and p.value is not None and error is not None
    ]
    if len({x for x, *_ in usable}) < LEAST_POINTS or len(usable) < len(points):
        return None, ""
    usable.sort(key=lambda item: item[0])
    sign = -1.0 if wants == "least" else 1.0
    top = max(range(len(usable)), key=lambda k: sign * usable[k][1])
    count = min(_MOST_POINTS, len(usable))
    start = min(max(top - count // 2, 0), len(usable) - count)
    near = usable[start : start + count]
    x = np.array([item[0] for item in near])
    y = sign * np.array([item[1] for item in near])
    e = sign * np.stack([item[2] for item in near])
    if top in (0, len(usable) - 1):
        side = "below" if top == 0 else "above"
        return None, f"the best one is at the end of the range: measure {side} {usable[top][3]} too"
    return _parabola(x, y, e - e.mean(axis=0), sign, tuple(item[3] for item in near), (usable[0][0], usable[-1][0]))


def _parabola(
    x: FloatArray, y: FloatArray, e: FloatArray, sign: float, labels: tuple[str, ...], measured: tuple[float, float]
) -> tuple[Curved | None, str]:
    middle, scale = 0.5 * (x[0] + x[-1]), 0.5 * (x[-1] - x[0])
    design = np.stack([((x - middle) / scale) ** k for k in range(3)], axis=1)
    solve = np.linalg.pinv(design)
    fitted = solve @ y
    rest = y - design @ fitted
    expected = np.mean(np.sum((e - design @ (solve @ e)) ** 2, axis=0))
    misfit = max(math.sqrt(float(rest @ rest) / float(expected)) if expected > 0 else 1.0, 1.0)
    drawn = fitted[:, None] + misfit * (solve @ e)
    right_way = drawn[2] < 0.0
    if fitted[2] >= 0.0 or float(np.mean(right_way)) < _SURE:
        return None, "the points do not show a curve with a best place: best measured"
    places = middle + scale * (-0.5 * drawn[1, right_way] / drawn[2, right_way])
    low, high = ends(places)
    best = middle + scale * float(-0.5 * fitted[1] / fitted[2])
    if not measured[0] <= best <= measured[1]:
        return None, "the curve's best place lies outside what was measured: best measured"
    grid = np.linspace(x[0], x[-1], 41)
    line = sign * np.polynomial.polynomial.polyval((grid - middle) / scale, fitted)
    value = float(np.polynomial.polynomial.polyval((best - middle) / scale, fitted))
    return Curved(
        best=best,
        interval=(low, high),
        value=sign * value,
        outside=low < measured[0] or high > measured[1],
        used=labels,
        samples=tuple(zip(grid.tolist(), line.tolist(), strict=True)),
    ), ""
