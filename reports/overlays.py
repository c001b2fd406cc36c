"""Responses of several runs over each other, each line named at its end."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from reports.figures import SIMULATED_MARK, Figure
from reports.plots import Line, Plot, TargetMark, nice_step, svg
from sequencer.core.record import Curve, CurveKind, Record

__all__ = ["STYLES", "overlays"]

STYLES = ("device", "second", "third", "fourth", "fifth", "sixth")
_OVERVIEW = "overview"


def overlays(names: Sequence[str], records: Sequence[Record], curves: Sequence[Sequence[Curve]]) -> tuple[Figure, ...]:
    """Return a figure for each path's response, and each port's overview, that at least two runs have.

    Parameters
    ----------
    names : direct label of each run; more than six share line styles, and are told apart by their labels.
    """
    found: dict[tuple[CurveKind, str, str], list[tuple[int, Curve]]] = {}
    for number, own in enumerate(curves):
        for curve in own:
            wanted = curve.kind is CurveKind.RESPONSE or (
                curve.kind is CurveKind.RETURN_LOSS and curve.key == _OVERVIEW
            )
            if wanted and curve.freq_hz.size > 1 and np.isfinite(curve.value).any():
                found.setdefault((curve.kind, curve.where, curve.key), []).append((number, curve))
    order = sorted(found, key=lambda key: (key[0] is CurveKind.RETURN_LOSS, key[2] != _OVERVIEW))
    shown = [key for key in order if len(found[key]) > 1]
    return tuple(_figure(number, names, records, *key, found[key]) for number, key in enumerate(shown, start=1))


def _figure(
    number: int,
    names: Sequence[str],
    records: Sequence[Record],
    kind: CurveKind,
    where: str,
    key: str,
    own: Sequence[tuple[int, Curve]],
) -> Figure:
    reflection = kind is CurveKind.RETURN_LOSS
    place = f"port {where}" if reflection else " to ".join(where.split("-"))
    title = f"{'Return loss' if reflection else 'Response'}, {place}" + ("" if key == _OVERVIEW else f", {key}")
    lines = tuple(
        Line(
            names[run],
            STYLES[run % len(STYLES)],
            curve.freq_hz,
            np.where(np.isfinite(curve.value), curve.value, np.nan),
        )
        for run, curve in own
    )
    x_hz = (min(float(line.freq_hz[0]) for line in lines), max(float(line.freq_hz[-1]) for line in lines))
    values = np.concatenate([line.value[np.isfinite(line.value)] for line in lines])
    low, high = float(values.min()), float(values.max())
    if key == _OVERVIEW or reflection:
        low = 0.0 if low > -0.5 else low  # scatter of a total reflection about 0 dB needs no grid step of its own
    high = max(high, low + 1.0)
    step = nice_step(high - low, 6)
    targets = tuple(
        TargetMark(hz, f"{name} {hz / 1e6:.3f}")
        for hz, name in sorted((hz, name) for name, hz in records[own[0][0]].frequencies.items())
        if x_hz[0] <= hz <= x_hz[1]
    )
    rows = tuple(
        (f"{mark.label} MHz", *(f"{float(np.interp(mark.freq_hz, line.freq_hz, line.value)):.2f}" for line in lines))
        for mark in targets
    )
    stamp = SIMULATED_MARK if any(record.simulated for record in records) else ""
    plot = Plot(
        id=f"fig{number}",
        title=f"{title} ({stamp})" if stamp else title,
        desc=f"{title}. " + "; ".join(f"{row[0]}: {', '.join(row[1:])}" for row in rows),
        axis="return loss, dB" if reflection else "loss, dB",
        lines=lines,
        x_hz=x_hz,
        y=(step * math.floor(low / step + 1e-9), step * math.ceil(1.02 * high / step - 1e-9)),
        targets=targets,
        wide=key == _OVERVIEW and not reflection,
        stamp=stamp,
    )
    caption = f"Figure {number}. {title}, {x_hz[0] / 1e6:.3f} to {x_hz[1] / 1e6:.3f} MHz."
    head = ("at", *(f"{line.label}, dB" for line in lines))
    return Figure(svg(plot), title, caption, head, rows, plot.wide)
