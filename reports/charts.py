"""Charts of values with intervals as SVG text: over time, over a label, and differences against their limits.

The same hand as `reports.plots`: same bytes for the same data, told without colour, titled for a screen reader.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from reports.plots import nice_step
from reports.words import MINUS

__all__ = ["Chart", "Dot", "LimitLine", "forest", "ladder", "value_range"]

_WIDTH, _HEIGHT = 400, 250
_RIGHT, _BOTTOM = 14, 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """One value at ``x`` with its interval; ``value`` None and ``low`` set: only a bound. ``ring`` draws it hollow."""

    x: float
    value: float | None
    low: float | None = None
    high: float | None = None
    ring: bool = False


@dataclass(frozen=True, slots=True)
class LimitLine:
    """A limit over the whole width; the hatched side is not allowed."""

    value: float
    forbids_greater: bool
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Values over time or over a label. ``x_ticks`` are places with their texts; greater values stand higher."""

    id: str
    title: str
    desc: str
    x_axis: str
    y_axis: str
    dots: tuple[Dot, ...]
    x: tuple[float, float]
    y: tuple[float, float]
    x_ticks: tuple[tuple[float, str], ...]
    limits: tuple[LimitLine, ...] = ()
    line: tuple[tuple[float, float], ...] = ()
    line_name: str = ""
    stamp: str = ""


def value_range(values: Sequence[float], limits: Sequence[LimitLine], least: float) -> tuple[float, float]:
    """Return whole grid steps round the values, with room for each limit's label on its hatched side."""
    low, high = min(values), max(values)
    if high - low < least:
        low, high = 0.5 * (low + high) - 0.5 * least, 0.5 * (low + high) + 0.5 * least
    for mark in limits:
        low, high = min(low, mark.value), max(high, mark.value)
    room = 0.16 * (high - low)
    for mark in limits:
        high = max(high, mark.value + room) if mark.forbids_greater else high
        low = min(low, mark.value - room) if not mark.forbids_greater else low
    step = nice_step(high - low, 5)
    return step * math.floor(low / step + 1e-9), step * math.ceil(high / step - 1e-9)


def _n(number: float) -> str:
    text = f"{number:.1f}"
    return "0" if text in {"-0.0", "0.0"} else text.removesuffix(".0")


class _Sheet:
    """Collects elements; maps values to places inside the frame."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self.parts: list[str] = []

    def text(self, x: float, y: float, text: str, kind: str = "", anchor: str = "middle") -> None:
        css = f' class="{kind}"' if kind else ""
        self.parts.append(f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}"{css}>{html.escape(text)}</text>')

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        self.parts.append(f'<line x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}" class="{kind}"/>')

    def rect(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        size = f'width="{_n(width)}" height="{_n(height)}"'
        self.parts.append(f'<rect x="{_n(x)}" y="{_n(y)}" {size} class="{kind}"/>')

    def dot(self, x: float, y: float, kind: str) -> None:
        self.parts.append(f'<circle cx="{_n(x)}" cy="{_n(y)}" r="3.6" class="{kind}"/>')

    def finish(self, id_: str, title: str, desc: str) -> str:
        named = f'role="img" aria-labelledby="{id_}-t {id_}-d"'
        head = f'<svg viewBox="0 0 {self.width} {self.height}" {named} class="plot">'
        head += f'<title id="{id_}-t">{html.escape(title)}</title><desc id="{id_}-d">{html.escape(desc)}</desc>'
        return head + "".join(self.parts) + "</svg>"


def ladder(chart: Chart) -> str:
    """Return the chart as one SVG element."""
    sheet = _Sheet(_WIDTH, _HEIGHT)
    step = nice_step(chart.y[1] - chart.y[0], 5)
    decimals = max(-math.floor(math.log10(step) + 1e-9), 0)
    ticks = [chart.y[0] + step * k for k in range(round((chart.y[1] - chart.y[0]) / step) + 1)]
    names = [f"{tick:.{decimals}f}".replace("-", MINUS) for tick in ticks]
    left, top = round(26 + 6.2 * max(map(len, names))), 20 if chart.stamp else 8
    right, bottom = _WIDTH - _RIGHT, _HEIGHT - _BOTTOM

    def x(value: float) -> float:
        low, high = chart.x
        return left + 16 + (value - low) / (high - low) * (right - left - 32) if high > low else (left + right) / 2

    def y(value: float) -> float:
        low, high = chart.y
        return min(max(bottom - (value - low) / (high - low) * (bottom - top), top), bottom)

    for tick, name in zip(ticks, names, strict=True):
        sheet.line(left, y(tick), right, y(tick), "grid")
        sheet.text(left - 6, y(tick) + 4, name, "", "end")
    for place, name in chart.x_ticks:
        sheet.line(x(place), bottom, x(place), bottom + 4, "tick")
        sheet.text(x(place), bottom + 16, name)
    sheet.rect(left, top, right - left, bottom - top, "frame")
    bars = [(x(d.x), y(d.high or d.value or d.low or 0.0), y(d.low or d.value or 0.0)) for d in chart.dots]
    for mark in chart.limits:
        _limit(sheet, mark, left, right, y(mark.value), bars)
    if chart.line:
        path = "L".join(f"{_n(x(a))} {_n(y(b))}" for a, b in chart.line)
        sheet.parts.append(f'<path d="M{path}" class="fitted"/>')
    for dot in chart.dots:
        _dot(sheet, dot, x(dot.x), y, top)
    sheet.text((left + right) / 2, _HEIGHT - 6, chart.x_axis, "axis")
    middle = _n((top + bottom) / 2)
    turned = f'transform="translate(11 {middle}) rotate(-90)" text-anchor="middle" class="axis"'
    sheet.parts.append(f"<text {turned}>{html.escape(chart.y_axis)}</text>")
    if chart.stamp:
        sheet.text((left + right) / 2, 12, chart.stamp, "stamp")
    return sheet.finish(chart.id, chart.title, chart.desc)


def _limit(
    sheet: _Sheet, mark: LimitLine, left: float, right: float, y: float, bars: Sequence[tuple[float, float, float]]
) -> None:
    """Draw a limit; its name stands on the hatched side, where no interval (x, top, bottom) stands in its way."""
    reach = -6 if mark.forbids_greater else 6
    sheet.line(left, y, right, y, "limit")
    place = left + 3
    while place < right - 4:
        sheet.line(place, y, place + 4, y + reach, "hatch")
        place += 8
    base, wide = y + (-9 if mark.forbids_greater else 17), 6.0 * len(mark.label)
    near = [at for at, top, bottom in bars if top < base + 3 and bottom > base - 11]
    ends = [right - 4, left + 4 + wide, *(0.5 * (a + b + wide) for a, b in pairwise(sorted(at for at, *_ in bars)))]
    free = (end for end in ends if not any(end - wide - 6 < at < end + 6 for at in near) and left < end <= right)
    sheet.text(next(free, right - 4), base, mark.label, "limit-name", "end")


def _dot(sheet: _Sheet, dot: Dot, x: float, y: Callable[[float], float], top: float) -> None:
    if dot.value is None:
        if dot.low is not None:  # a bound: a bar at what is proven and an arrow into what is open
            at = y(dot.low)
            tip = max(at - 26, top + 4)
            sheet.line(x - 5, at, x + 5, at, "bar")
            sheet.line(x, at, x, tip, "bar")
            sheet.line(x, tip, x - 3.5, tip + 6, "bar")
            sheet.line(x, tip, x + 3.5, tip + 6, "bar")
        return
    if dot.low is not None and dot.high is not None:
        sheet.line(x, y(dot.low), x, y(dot.high), "bar")
        sheet.line(x - 4, y(dot.low), x + 4, y(dot.low), "bar")
        sheet.line(x - 4, y(dot.high), x + 4, y(dot.high), "bar")
    sheet.dot(x, y(dot.value), "ring" if dot.ring else "dot")


def forest(id_: str, rows: Sequence[tuple[str, float]], critical: float, *, stamp: str = "") -> str:
    """Draw each quantity's E_n on one scale between the lines that an unchanged device seldom passes.

    Parameters
    ----------
    rows : name and E_n of each quantity.
    critical : the |E_n| that the largest of an unchanged device exceeds in 5 % of comparisons.
    """
    line, head = 19, 34 if stamp else 20
    sheet = _Sheet(800, head + line * len(rows) + 42)
    left, right = 240, 780
    most = max(1.25 * critical, min(max((abs(value) for _, value in rows), default=0.0) * 1.08, 4.0 * critical))
    top, bottom = head, head + line * len(rows) + 4

    def x(value: float) -> float:
        return (left + right) / 2 + min(max(value / most, -1.0), 1.0) * (right - left) / 2

    sheet.rect(x(-critical), top, x(critical) - x(-critical), bottom - top, "inside")
    sheet.line(x(0), top, x(0), bottom, "grid")
    for end in (-critical, critical):
        sheet.line(x(end), top, x(end), bottom, "limit")
        sheet.text(x(end), bottom + 15, f"{end:+.2f}".replace("-", MINUS), "limit-name")
    sheet.text(x(0), bottom + 15, "0")
    note = "difference over its uncertainty: less to the left, more to the right"
    sheet.text((left + right) / 2, bottom + 32, note, "axis")
    for number, (name, value) in enumerate(rows):
        y = top + line * (number + 0.6)
        sheet.text(left - 12, y + 4, name, "", "end")
        sheet.line(x(0), y, x(value), y, "bar")
        beyond = abs(value) > most
        out = abs(value) > critical
        if beyond:
            way = math.copysign(1.0, value)
            for side in (-5, 5):
                sheet.line(x(value), y, x(value) - way * 8, y + side, "bar")
            sheet.text(
                x(value) - way * 14, y - 4, f"{value:+.1f}".replace("-", MINUS), "", "end" if way > 0 else "start"
            )
        else:
            sheet.dot(x(value), y, "dot" if out else "ring")
    if stamp:
        sheet.text(400, 14, stamp, "stamp")
    told = "; ".join(f"{name} {value:+.2f}" for name, value in rows)
    return sheet.finish(id_, "E_n of every quantity", f"Lines at {critical:.2f}. {told}")
