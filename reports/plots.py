"""Plots as SVG text: same bytes for the same data, readable without colour and by a screen reader.

Losses grow downwards, as the trade draws them. Each pixel column keeps its least and greatest value, so
no notch or spur is lost however many points a sweep has.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from reports.placing import Box, Ground
from sequencer.core.trace import FloatArray

__all__ = ["BandMark", "LimitMark", "Line", "Plot", "TargetMark", "decimate", "nice_step", "svg"]

# line styles differ in dash and weight first, in colour second; all colours are dark on white
STYLES = {
    "device": ("#12324a", 1.7, ""),
    "second": ("#8a3b12", 1.5, "6 3"),
    "noise": ("#5b5b5b", 1.3, "1.5 2.5"),
    "leakage": ("#8a3b12", 1.3, "8 4"),
    "display": ("#5b5b5b", 1.3, "10 3 2 3"),
    "third": ("#1d5b3a", 1.5, "1.5 3"),
    "fourth": ("#5a3a78", 1.5, "9 3 2 3"),
    "fifth": ("#5b5b5b", 1.5, "3 2"),
    "sixth": ("#7a5c00", 1.5, "12 4"),
}

# what a name in the frame would hide, by what it is: a weight for each pixel (see reports.placing)
_WEIGHTS = {"noise": 0.1, "leakage": 0.1, "display": 0.1}  # of a curve's style; any other is the device's
_WEIGHT_DEVICE, _WEIGHT_TARGET, _WEIGHT_BAR, _WEIGHT_NAME = 1.0, 0.1, 2.0, 10.0
_LETTER, _LINE = 6.4, 13  # px: the mean width of a letter of a name, and the height of its line


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One curve: its direct label, its style (a key of STYLES) and its points (NaN breaks the line)."""

    label: str
    style: str
    freq_hz: FloatArray
    value: FloatArray
    points: bool = False  # draw a ring at each point


@dataclass(frozen=True, slots=True)
class TargetMark:
    """A vertical line at a named frequency."""

    freq_hz: float
    label: str


@dataclass(frozen=True, slots=True)
class LimitMark:
    """A limit over a band; the hatched side, greater or lesser values, is not allowed."""

    low_hz: float
    high_hz: float
    value: float
    forbids_greater: bool
    label: str


@dataclass(frozen=True, slots=True)
class BandMark:
    """A band something must lie in, drawn at the foot of the frame."""

    low_hz: float
    high_hz: float
    label: str


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Plot:
    """What one picture shows. ``stamp`` is printed across its head ('' for none)."""

    id: str
    title: str
    desc: str
    axis: str
    lines: tuple[Line, ...]
    x_hz: tuple[float, float]
    y: tuple[float, float]
    targets: tuple[TargetMark, ...] = ()
    limits: tuple[LimitMark, ...] = ()
    bands: tuple[BandMark, ...] = ()
    downwards: bool = True
    wide: bool = False
    stamp: str = ""


def decimate(freq_hz: FloatArray, value: FloatArray, columns: int) -> tuple[FloatArray, FloatArray]:
    """Keep each column's least and greatest point, in the order they stand; NaN where a column has a gap.

    Parameters
    ----------
    freq_hz, value : (n,) float64, ``freq_hz`` increasing.
    columns : number of pixel columns.
    """
    if freq_hz.size <= 2 * columns:
        return freq_hz, value
    span = freq_hz[-1] - freq_hz[0]
    column = np.minimum((columns * (freq_hz - freq_hz[0]) / span).astype(np.intp), columns - 1)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    group = np.repeat(np.arange(starts.size), np.diff(starts, append=freq_hz.size))
    keep = np.zeros(freq_hz.size, dtype=bool)
    for kept in (
        value == np.fmin.reduceat(value, starts)[group],
        value == np.fmax.reduceat(value, starts)[group],
        np.isnan(value),
    ):
        points = np.flatnonzero(kept)
        keep[points[np.unique(group[points], return_index=True)[1]]] = True  # the first of each column
    return freq_hz[keep], value[keep]


def nice_step(span: float, most: int) -> float:
    """Return the least of 1, 2, 5 times a power of ten that needs at most ``most`` steps over the span."""
    power = 10.0 ** math.floor(math.log10(span / most))
    return next(power * factor for factor in (1, 2, 5, 10, 20) if span / (power * factor) <= most + 1e-9)


def _ticks(low: float, high: float, most: int, power: int = 0) -> list[tuple[float, str]]:
    """Return values and their texts, all with the decimals the step needs; ``power`` of ten scales the texts."""
    step = nice_step(high - low, most)
    first = math.ceil(low / step - 1e-9)
    decimals = max(power - math.floor(math.log10(step) + 1e-9), 0)
    values = [step * k for k in range(first, math.floor(high / step + 1e-9) + 1)]
    return [(value, f"{value / 10**power:.{decimals}f}".replace("-", "\N{MINUS SIGN}")) for value in values]


def _n(number: float) -> str:
    text = f"{number:.1f}"
    return "0" if text in {"-0.0", "0.0"} else text.removesuffix(".0")


class _Canvas:
    """Maps hertz and decibels to the picture and collects its elements."""

    def __init__(self, plot: Plot) -> None:
        self.plot = plot
        self.width, self.height = (800, 250) if plot.wide else (400, 228)  # four rows of pairs fit a page of A4
        self.y_ticks = _ticks(*plot.y, 8 if plot.wide else 6)
        self.left = round(24 + 6.2 * max(len(tick) for _, tick in self.y_ticks))
        self.right, self.bottom = 78, self.height - 40
        self.target_rows = rows = _rows(plot.targets, self.x)
        self.top = 14 + 13 * (max(rows, default=-1) + 1) + (15 if plot.stamp else 0)
        self.parts: list[str] = []
        self.ground = Ground((self.left + 3, self.top + 2, self.width - self.right - 3, self.bottom - 2))

    def x(self, hz: float) -> float:
        """Column of a frequency, kept inside the frame."""
        low, high = self.plot.x_hz
        share = min(max((hz - low) / (high - low), 0.0), 1.0)
        return self.left + share * (self.width - self.right - self.left)

    def y(self, value: float) -> float:
        """Row of a value, kept inside the frame."""
        low, high = self.plot.y
        share = (value - low) / (high - low)
        share = share if self.plot.downwards else 1.0 - share
        return min(max(self.top + share * (self.bottom - self.top), self.top), self.bottom)

    def text(self, x: float, y: float, text: str, kind: str = "", anchor: str = "middle") -> None:
        """Add a text."""
        css = f' class="{kind}"' if kind else ""
        self.parts.append(f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}"{css}>{html.escape(text)}</text>')

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """Add a straight line."""
        ends = f'x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}"'
        self.parts.append(f'<line {ends} class="{kind}"/>')


def _rows(targets: Sequence[TargetMark], x: Callable[[float], float]) -> list[int]:
    """Give each target label a row such that neighbours do not touch (6 px a letter)."""
    ends: list[float] = []
    rows: list[int] = []
    for mark in targets:
        half = 3.0 * len(mark.label)
        row = next((k for k, end in enumerate(ends) if end + 8 <= x(mark.freq_hz) - half), len(ends))
        if row == len(ends):
            ends.append(0.0)
        ends[row] = x(mark.freq_hz) + half
        rows.append(row)
    return rows


def svg(plot: Plot) -> str:
    """Return the plot as one SVG element with title and desc, its texts escaped."""
    canvas = _Canvas(plot)
    _frame(canvas)
    _targets(canvas)
    for line in plot.lines:
        _curve(canvas, line)
    for mark in plot.limits:
        _limit(canvas, mark)
    _limit_names(canvas)
    for band in plot.bands:
        _band(canvas, band)
    _labels(canvas)
    if plot.stamp:
        canvas.text((canvas.left + canvas.width - canvas.right) / 2, 12, plot.stamp, "stamp")
    title, desc = html.escape(plot.title), html.escape(plot.desc)
    named = f'role="img" aria-labelledby="{plot.id}-t {plot.id}-d"'
    head = f'<svg viewBox="0 0 {canvas.width} {canvas.height}" {named} class="plot">'
    head += f'<title id="{plot.id}-t">{title}</title><desc id="{plot.id}-d">{desc}</desc>'
    return head + "".join(canvas.parts) + "</svg>"


def _frame(canvas: _Canvas) -> None:
    plot = canvas.plot
    right = canvas.width - canvas.right
    for value, text in canvas.y_ticks:
        canvas.line(canvas.left, canvas.y(value), right, canvas.y(value), "grid")
        canvas.text(canvas.left - 6, canvas.y(value) + 4, text, "", "end")
    for hz, text in _ticks(*plot.x_hz, 8 if plot.wide else 4, power=6):
        canvas.line(canvas.x(hz), canvas.top, canvas.x(hz), canvas.bottom, "grid")
        canvas.text(canvas.x(hz), canvas.bottom + 15, text)
    size = f'width="{right - canvas.left}" height="{_n(canvas.bottom - canvas.top)}"'
    canvas.parts.append(f'<rect x="{canvas.left}" y="{canvas.top}" {size} class="frame"/>')
    canvas.text((canvas.left + right) / 2, canvas.height - 8, "frequency, MHz", "axis")
    middle = _n((canvas.top + canvas.bottom) / 2)
    label = html.escape(plot.axis)
    canvas.parts.append(
        f'<text transform="translate(12 {middle}) rotate(-90)" text-anchor="middle" class="axis">{label}</text>'
    )


def _targets(canvas: _Canvas) -> None:
    for mark, row in zip(canvas.plot.targets, canvas.target_rows, strict=True):
        x, y = canvas.x(mark.freq_hz), canvas.top - 5 - 13 * row
        canvas.line(x, y + 2, x, canvas.bottom, "target")
        canvas.ground.box((x, canvas.top, x + 1, canvas.bottom), _WEIGHT_TARGET)
        canvas.text(x, y, mark.label, "target-name")


def _bar(canvas: _Canvas, mark: LimitMark) -> Box:
    """Return what a limit's bar and its hatching take up; at least 18 px wide so that it is seen."""
    x1, x2, y = canvas.x(mark.low_hz), canvas.x(mark.high_hz), canvas.y(mark.value)
    if x2 - x1 < 18:
        middle = (x1 + x2) / 2
        x1, x2 = middle - 9, middle + 9
    return (x1, y, x2, y + 6) if mark.forbids_greater == canvas.plot.downwards else (x1, y - 6, x2, y)


def _limit(canvas: _Canvas, mark: LimitMark) -> None:
    """Draw a bar with hatching on the side that is not allowed."""
    x1, top, x2, bottom = _bar(canvas, mark)
    y, reach = (top, 6) if mark.forbids_greater == canvas.plot.downwards else (bottom, -6)
    canvas.line(x1, y, x2, y, "limit")
    canvas.ground.box((x1, top - 1, x2 + 4, bottom + 1), _WEIGHT_BAR)
    x = x1
    while x <= x2 + 0.01:
        canvas.line(x, y, min(x + 4, x2 + 4), y + reach, "hatch")
        x += 5


def _limit_names(canvas: _Canvas) -> None:
    """Name the limits where a name hides least; equal neighbours share a name."""
    groups: list[list[LimitMark]] = []
    for mark in sorted(canvas.plot.limits, key=lambda mark: (mark.label, mark.value, mark.low_hz)):
        last = groups[-1][-1] if groups else None
        near = last is not None and canvas.x(mark.low_hz) - canvas.x(last.high_hz) < 6 * len(mark.label)
        if last is not None and near and (last.label, last.value) == (mark.label, mark.value):
            groups[-1].append(mark)
        else:
            groups.append([mark])
    for group in sorted(groups, key=lambda g: (canvas.y(g[0].value), g[0].low_hz)):
        _name(canvas, [_bar(canvas, mark) for mark in group], group[0].label)


def _name(canvas: _Canvas, bars: Sequence[Box], text: str) -> None:
    """Write a name where it covers least near its bars; a thin line leads to the nearest where it stands away."""
    whole = (min(b[0] for b in bars), min(b[1] for b in bars), max(b[2] for b in bars), max(b[3] for b in bars))
    place = canvas.ground.place(whole, _LETTER * len(text) + 4, _LINE)
    canvas.ground.box(place, _WEIGHT_NAME)
    x, y = (place[0] + place[2]) / 2, (place[1] + place[3]) / 2
    ways = []
    for bar in bars:
        on_bar = min(max(x, bar[0]), bar[2]), min(max(y, bar[1]), bar[3])
        ways.append((on_bar, (min(max(on_bar[0], place[0]), place[2]), min(max(on_bar[1], place[1]), place[3]))))
    nearest = min(ways, key=lambda way: math.dist(*way))
    if math.dist(*nearest) > _LINE:
        canvas.line(*nearest[0], *nearest[1], "leader")
    canvas.text(x, place[3] - 3, text, "limit-name")


def _band(canvas: _Canvas, band: BandMark) -> None:
    x1, x2, y = canvas.x(band.low_hz), canvas.x(band.high_hz), canvas.bottom - 8
    canvas.line(x1, y, x2, y, "limit")
    for x in (x1, x2):
        canvas.line(x, y - 5, x, y + 5, "limit")
    _name(canvas, [(x1, y - 5, x2, y + 5)], band.label)


def _curve(canvas: _Canvas, line: Line) -> None:
    colour, width, dash = STYLES[line.style]
    inside = (line.freq_hz >= canvas.plot.x_hz[0]) & (line.freq_hz <= canvas.plot.x_hz[1])
    freq, value = decimate(line.freq_hz[inside], line.value[inside], canvas.width - canvas.left - canvas.right)
    x = np.array([canvas.x(hz) for hz in freq.tolist()])
    y = np.array([canvas.y(number) if math.isfinite(number) else math.nan for number in value.tolist()])
    canvas.ground.curve(x, y, _WEIGHTS.get(line.style, _WEIGHT_DEVICE))
    path, pen_up = [], True
    for column, row in zip(x.tolist(), y.tolist(), strict=True):
        if not math.isfinite(row):
            pen_up = True
            continue
        path.append(f"{'M' if pen_up else 'L'}{_n(column)} {_n(row)}")
        pen_up = False
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    pen = f'stroke="{colour}" stroke-width="{width}"{dashed}'
    canvas.parts.append(f'<path d="{"".join(path)}" fill="none" {pen} stroke-linejoin="round"/>')
    if line.points:
        rings = zip(x.tolist(), y.tolist(), strict=True)
        canvas.parts += [_ring(column, row, colour) for column, row in rings if math.isfinite(row)]


def _ring(x: float, y: float, colour: str) -> str:
    return f'<circle cx="{_n(x)}" cy="{_n(y)}" r="2" fill="#fff" stroke="{colour}"/>'


def _labels(canvas: _Canvas) -> None:
    """Write each line's name right of its end; names that would touch are moved apart, downwards first.

    A line that ends inside the frame has a level sample of its stroke before its name, with no bend towards it.
    """
    wanted = []
    for line in canvas.plot.lines:
        seen = np.isfinite(line.value) & (line.freq_hz >= canvas.plot.x_hz[0]) & (line.freq_hz <= canvas.plot.x_hz[1])
        if seen.any():
            wanted.append((canvas.y(float(line.value[seen][-1])), line))
    wanted.sort(key=lambda pair: pair[0])
    spots: list[float] = []
    for y, _ in wanted:
        spots.append(max(y, spots[-1] + 13) if spots else y)
    over = max(0.0, spots[-1] - canvas.bottom) if spots else 0.0
    edge = canvas.width - canvas.right
    for (y, line), spot in zip(wanted, spots, strict=True):
        colour, width, dash = STYLES[line.style]
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        ends_inside = line.freq_hz[np.isfinite(line.value)].max() < canvas.plot.x_hz[1] - 0.1 * np.ptp(canvas.plot.x_hz)
        bend = f"M{_n(edge + 2)} {_n(spot - over if ends_inside else y)}L{_n(edge + 14)} {_n(spot - over)}"
        canvas.parts.append(f'<path d="{bend}" fill="none" stroke="{colour}" stroke-width="{width}"{dashed}/>')
        if line.points:
            canvas.parts.append(_ring(edge + 8, spot - over if ends_inside else (y + spot - over) / 2, colour))
        canvas.text(edge + 17, spot - over + 4, line.label, "line-name", "start")
