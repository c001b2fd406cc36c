"""Which plots a report carries, and the few numbers printed beside each."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reports.plots import BandMark, LimitMark, Line, Plot, TargetMark, nice_step, svg
from reports.words import limit_text
from sequencer.core.record import Curve, CurveKind, Limit, Record, Result
from sequencer.core.trace import FloatArray
from sequencer.errors import UnitError
from sequencer.units import DB, FREQUENCY, parse, show_hz

__all__ = ["SIMULATED_MARK", "Figure", "FigureGroup", "figure_groups"]

SIMULATED_MARK = "SIMULATED, NOT A MEASUREMENT"
_OVERVIEW = "overview"
_HIDERS = (  # what can hide the device: kind, direct label, style
    (CurveKind.FLOOR, "noise", "noise"),
    (CurveKind.LEAKAGE, "leakage", "leakage"),
    (CurveKind.DISPLAY_BOTTOM, "display end", "display"),
)
_DRAWN_AS_LOSS = ("insertion loss", "rejection", "isolation", "notch depth", "return loss")
_HIDDEN_WITHIN_DB = 10.0  # nearer than this to what hides it a reading is not the device's (trade notes 1.3)
_WIDER = " So wide a sweep needs a wider filter: noise and leakage stand higher here than in the close-ups."
_TWO_SWEEPS = (
    " Solid: the zoom, which is judged, with a ring at each point where they are few, and with what hides it."
    " Dashed: the wide sweep of the same path, through a wider filter; its own noise and leakage are drawn in the"
    " whole response."
)
_RINGS = 64  # more rings than this on a zoom run into one band
_CLOSE_UP_HZ = 100e3  # either side of a close-up: several notch widths, so that the notch's shape is seen
_NOTCHLIKE_DB = 30.0  # a response that reaches this loss is drawn together with what could hide it


@dataclass(frozen=True, slots=True)
class Figure:
    """A plot with its caption and its table: ``head`` names the columns of ``rows``."""

    svg: str
    title: str
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    wide: bool


@dataclass(frozen=True, slots=True)
class FigureGroup:
    """Plots under one heading."""

    id: str
    title: str
    lead: str
    figures: tuple[Figure, ...]


def figure_groups(record: Record, curves: Sequence[Curve]) -> tuple[FigureGroup, ...]:
    """Return the plots of a record in the order of the report; groups without curves are left out."""
    drawable = [curve for curve in curves if curve.freq_hz.size > 1 and np.isfinite(curve.value).any()]
    usable = [replace(curve, value=np.where(np.isfinite(curve.value), curve.value, np.nan)) for curve in drawable]
    number = iter(range(1, 10_000))
    responses = [curve for curve in usable if curve.kind is CurveKind.RESPONSE]
    whole = [curve for curve in responses if curve.key == _OVERVIEW]
    near = [curve for curve in responses if curve.key != _OVERVIEW]
    reflected = _telling(record, [curve for curve in usable if curve.kind is CurveKind.RETURN_LOSS])
    thrus = [curve for curve in usable if curve.kind is CurveKind.THRU_OPENING]
    legend = "Loss grows downwards. A bar is a limit; its hatched side is not allowed."
    hides = "Where the device comes near the noise, the leakage or the end of the display, only a bound is stated."
    zoomed = _TWO_SWEEPS if any(_around(usable, curve) is not None for curve in near) else ""
    wider = _WIDER if any(curve.kind in {kind for kind, *_ in _HIDERS} for curve in usable) and whole else ""
    groups = (
        ("whole", "Whole response", legend + wider, whole, lambda c: _loss_figure(record, usable, c, next(number))),
        ("near", "Near each frequency", hides + zoomed, near, lambda c: _loss_figure(record, usable, c, next(number))),
        (
            "reflection",
            "Return loss",
            "Less reflection lies further down.",
            reflected,
            lambda c: _loss_figure(record, usable, c, next(number)),
        ),
        (
            "thru",
            "Thru before and after",
            "The two leads joined, at the opening and at the closing of the run.",
            thrus,
            lambda c: _thru_figure(record, usable, c, next(number)),
        ),
    )
    return tuple(FigureGroup(id_, title, lead, _each(found, draw)) for id_, title, lead, found, draw in groups if found)


def _each(curves: Iterable[Curve], draw: Callable[[Curve], Figure]) -> tuple[Figure, ...]:
    return tuple(draw(curve) for curve in curves)


def _telling(record: Record, curves: Sequence[Curve]) -> list[Curve]:
    """Leave out close-ups that no limit stands on where the port's overview shows the same anyway."""
    whole = {curve.where for curve in curves if curve.key == _OVERVIEW}
    return [
        curve
        for curve in curves
        if curve.key == _OVERVIEW
        or curve.where not in whole
        or _limit_marks(record, curve, (float(curve.freq_hz[0]), float(curve.freq_hz[-1])))
    ]


def _loss_figure(record: Record, curves: Sequence[Curve], curve: Curve, number: int) -> Figure:
    """Draw a path's response, or a port's return loss, with everything that belongs on it."""
    reflection = curve.kind is CurveKind.RETURN_LOSS
    place = f"port {curve.where}" if reflection else " to ".join(curve.where.split("-"))
    what = "Return loss" if reflection else ("Response" if curve.key == _OVERVIEW else "Close-up")
    title = f"{what}, {place}" + ("" if curve.key == _OVERVIEW else f", {curve.key}")
    device = Line(f"port {curve.where}" if reflection else "device", "device", curve.freq_hz, curve.value)
    around = None if reflection else _around(curves, curve)
    low_hz, high_hz = float(curve.freq_hz[0]), float(curve.freq_hz[-1])
    if around is not None:
        low_hz, high_hz = float(around.freq_hz[0]), float(around.freq_hz[-1])
        device = replace(device, label="zoom", points=curve.freq_hz.size <= _RINGS)
    limits = _limit_marks(record, curve, (low_hz, high_hz))
    hiders = [
        Line(label, style, other.freq_hz, other.value)
        for kind, label, style in _HIDERS
        for other in curves
        if other.kind is kind and other.where == curve.where and other.key == curve.key
    ]
    if reflection:
        hiders = [
            Line("directivity", "leakage", curve.freq_hz, np.full(curve.freq_hz.size, db))
            for db in _directivity(record)
        ]
    y_from = [np.array([mark.value for mark in limits], dtype=np.float64), curve.value]
    drawn = [device]
    if around is not None:
        drawn.append(around)
        y_from.append(around.value)
    comes_near_db = _NOTCHLIKE_DB
    if reflection:
        comes_near_db = min((line.value[0] for line in hiders), default=np.inf) - _HIDDEN_WITHIN_DB
    if float(np.nanmax(curve.value)) >= comes_near_db:
        drawn += hiders
        y_from += [np.asarray([np.nanpercentile(line.value, (5, 95))]).ravel() for line in hiders]
    aside = [f"{line.label} at {np.nanmedian(line.value):.0f} dB" for line in hiders if line not in drawn]
    caption = f"Figure {number}. {title}, {low_hz / 1e6:.3f} to {high_hz / 1e6:.3f} MHz."
    caption += f" Off the plot, further down: {', '.join(aside)}." if aside else ""
    rows = _table(record, curve, [device, *hiders], hidden=True)
    plot = Plot(
        id=f"fig{number}",
        title=_stamped(record, title),
        desc=_desc(title, rows),
        axis="return loss, dB" if reflection else "loss, dB",
        lines=tuple(drawn),
        x_hz=(low_hz, high_hz),
        y=_range(np.concatenate(y_from), limits, from_zero=curve.key == _OVERVIEW or reflection),
        targets=_targets(record, low_hz, high_hz),
        limits=limits,
        bands=_bands(record, curve) if curve.key != _OVERVIEW else (),
        wide=curve.key == _OVERVIEW and not reflection,
        stamp=SIMULATED_MARK if record.simulated else "",
    )
    head = ("at", *(f"{line.label}, dB" for line in (device, *hiders)))
    return Figure(svg(plot), title, caption, head, rows, plot.wide)


def _around(curves: Sequence[Curve], curve: Curve) -> Line | None:
    """Return the wide sweep of a close-up's path beside it, left out where the close-up itself has points."""
    low, high = float(curve.freq_hz[0]), float(curve.freq_hz[-1])
    if curve.key == _OVERVIEW or high - low >= 2 * _CLOSE_UP_HZ:
        return None
    middle = (low + high) / 2
    for other in curves:
        if (other.kind, other.where, other.key) == (curve.kind, curve.where, _OVERVIEW):
            near = np.abs(other.freq_hz - middle) <= _CLOSE_UP_HZ
            outside = (other.freq_hz < low) | (other.freq_hz > high)
            if np.count_nonzero(near & outside) >= 8:  # fewer tell no shape
                value = np.where(outside, other.value, np.nan)
                return Line("wide sweep", "second", other.freq_hz[near], value[near])
    return None


def _thru_figure(record: Record, curves: Sequence[Curve], opening: Curve, number: int) -> Figure:
    """Draw the level of the joined leads before and, where it was taken, after."""
    closing = next((c for c in curves if c.kind is CurveKind.THRU_CLOSING and c.key == opening.key), None)
    title = f"Thru, {opening.key}"
    lines = [Line("opening", "device", opening.freq_hz, opening.value)]
    caption = f"Figure {number}. {title}: level with the two leads joined."
    if closing is None:
        caption += " There is no closing thru: the drift of this run is not known."
    else:
        lines.append(Line("closing", "second", closing.freq_hz, closing.value))
        if np.array_equal(closing.freq_hz, opening.freq_hz):
            change = closing.value - opening.value
            caption += f" Mean change {_signed(float(np.nanmean(change)))} dB, largest at one point "
            caption += f"{_signed(float(change[np.nanargmax(np.abs(change))]))} dB."
    x_hz = (float(opening.freq_hz[0]), float(opening.freq_hz[-1]))
    rows = _table(record, opening, lines)
    plot = Plot(
        id=f"fig{number}",
        title=_stamped(record, title),
        desc=_desc(title, rows),
        axis="level, dBm",
        lines=tuple(lines),
        x_hz=x_hz,
        y=_range(np.concatenate([line.value for line in lines])),
        targets=_targets(record, *x_hz),
        downwards=False,
        stamp=SIMULATED_MARK if record.simulated else "",
    )
    return Figure(svg(plot), title, caption, ("at", *(f"{line.label}, dBm" for line in lines)), rows, wide=False)


def _signed(db: float) -> str:
    return f"{db:+.2f}".replace("-", "\N{MINUS SIGN}")


def _stamped(record: Record, title: str) -> str:
    return f"{title} ({SIMULATED_MARK})" if record.simulated else title


def _desc(title: str, rows: Sequence[Sequence[str]]) -> str:
    """Say the plot's content to whoever does not see it: the device at each mark and its extremes."""
    return f"{title}. Device: " + "; ".join(f"{row[0]}: {row[1]}" for row in rows) + ". The table below has every line."


def _range(values: FloatArray, limits: Sequence[LimitMark] = (), *, from_zero: bool = False) -> tuple[float, float]:
    """Return the ends of the value axis: whole grid steps, with room for each limit's label on its hatched side.

    ``from_zero`` starts at 0 dB, or just above the least value where that is negative; at least 5 dB then, else 1 dB.
    """
    finite = values[np.isfinite(values)]
    low, high = float(finite.min()), float(finite.max())
    room = 0.16 * max(high - low, 1.0)  # a label and its hatching are about this share of a small frame's height
    for mark in limits:
        high = max(high, mark.value + room) if mark.forbids_greater else high
        low = min(low, mark.value - room) if not mark.forbids_greater else low
    if from_zero:
        high = max(high, 5.0)
        step = nice_step(high, 6)
        return (0.0 if low >= 0.0 else low - 0.02 * high), step * math.ceil(1.04 * high / step - 1e-9)
    if high - low < 1.0:
        low, high = (low + high) / 2 - 0.5, (low + high) / 2 + 0.5
    step = nice_step(high - low, 6)
    return step * math.floor(low / step + 1e-9), step * math.ceil((high + 0.04 * (high - low)) / step - 1e-9)


def _targets(record: Record, low_hz: float, high_hz: float) -> tuple[TargetMark, ...]:
    inside = [(hz, name) for name, hz in record.frequencies.items() if low_hz <= hz <= high_hz]
    return tuple(TargetMark(hz, f"{name} {hz / 1e6:.3f}") for hz, name in sorted(inside))


def _within(result: Result) -> float:
    """Half-width of the band a limit holds in, from the recipe's own words ('within 8 kHz')."""
    for part in result.condition.split(","):
        if part.strip().startswith("within "):
            try:
                return parse(part.strip().removeprefix("within "), FREQUENCY)
            except UnitError:  # a condition in other words: the limit is drawn at its frequency alone
                return 0.0
    return 0.0


def _limit_marks(record: Record, curve: Curve, x_hz: tuple[float, float]) -> tuple[LimitMark, ...]:
    """Return the limits that stand on this curve, each once."""
    marks: dict[tuple[float, float, float, bool], LimitMark] = {}
    for result in record.results:
        here = result.port if curve.kind is CurveKind.RETURN_LOSS else result.path
        wanted = (result.quantity == "return loss") == (curve.kind is CurveKind.RETURN_LOSS)
        if here != curve.where or not wanted or result.quantity not in _DRAWN_AS_LOSS:
            continue
        low, high = result.at_hz - _within(result), result.at_hz + _within(result)
        if high < x_hz[0] or low > x_hz[1]:
            continue
        for value, greater in ((result.limit.max, True), (result.limit.min, False)):
            if value is not None:
                only = Limit(max=value) if greater else Limit(min=value)
                label = limit_text(only, result.unit)
                marks.setdefault((low, high, value, greater), LimitMark(low, high, value, greater, label))
    return tuple(marks.values())


def _bands(record: Record, curve: Curve) -> tuple[BandMark, ...]:
    """Return where the notch of this path must lie, as far as it falls on this curve."""
    found = {}
    for result in record.results:
        low, high = result.limit.min, result.limit.max
        if result.quantity != "notch frequency" or result.path != curve.where or low is None or high is None:
            continue
        if high >= curve.freq_hz[0] and low <= curve.freq_hz[-1]:
            found[low, high] = BandMark(low, high, "notch must lie here")
    return tuple(found.values())


def _directivity(record: Record) -> list[float]:
    """Return what the bridge's equipment row states, dB: a return loss near it is the bridge's own."""
    stated = []
    for item in record.equipment:
        with contextlib.suppress(UnitError):  # a record from elsewhere may say it in words
            stated += [parse(item["directivity"], DB)] if "directivity" in item else []
    return stated


def _table(record: Record, curve: Curve, lines: Sequence[Line], *, hidden: bool = False) -> tuple[tuple[str, ...], ...]:
    """Tabulate every line at each target, and where the first line is least and greatest.

    ``hidden``: the first line is the device, and what the others hide is not read off it.
    """
    low_hz, high_hz = float(curve.freq_hz[0]), float(curve.freq_hz[-1])
    points = [(f"{m.label} MHz", m.freq_hz) for m in _targets(record, low_hz, high_hz)]
    for name, at in (("least", np.nanargmin(curve.value)), ("greatest", np.nanargmax(curve.value))):
        points.append((f"{name}, {show_hz(float(curve.freq_hz[at]))}", float(curve.freq_hz[at])))
    first, others = lines[0], lines[1:]
    return tuple(
        (
            label,
            (_hidden_by(first, others, hz) if hidden else "") or _reading(first, hz),
            *(_reading(line, hz) for line in others),
        )
        for label, hz in points
    )


def _hidden_by(device: Line, hiders: Sequence[Line], hz: float) -> str:
    """Say what stands so near a reading that it may be what was read; single points of noise scatter, so its middle."""
    value = float(device.value[_nearest(device, hz)])
    levels = {}
    for line in hiders:
        at = _nearest(line, hz)
        levels[line.label] = float(np.nanmedian(line.value[max(at - 5, 0) : at + 6]))
    near = min(levels, key=levels.__getitem__, default="")
    if near and value > levels[near] - _HIDDEN_WITHIN_DB:
        return f"hidden by {near}"
    return ""


def _nearest(line: Line, hz: float) -> int:
    return int(np.argmin(np.abs(line.freq_hz - hz)))


def _reading(line: Line, hz: float) -> str:
    value = float(line.value[_nearest(line, hz)])
    return f"{value:.2f}".replace("-", "\N{MINUS SIGN}") if math.isfinite(value) else "no data"
