"""One device over the years as a page: every quantity with intervals, limits and slope."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from reports.change_words import signed
from reports.charts import Chart, Dot, LimitLine, ladder, value_range
from reports.compare_page import page
from reports.figures import SIMULATED_MARK
from reports.study_words import slope_digits, slope_words
from reports.words import bound_of, has_limit, interval_text, limit_text, own_limits, requirement_text, value_text
from sequencer.core.comparison import Series, Slope, Trend
from sequencer.core.record import Limit, Result, Statement

__all__ = ["limit_lines", "render_trend", "scale_of"]

_LEAST_DB = 0.2  # a scale finer than this would draw the rounding of the values
_YEAR = timedelta(days=365.25)
_SCATTERS = "no slope, but the values jump more than their intervals say"
_LEAST_APART = 0.03  # of the axis: two runs of one evening would stand on each other


def render_trend(trend: Trend) -> str:
    """Return the page as one HTML text."""
    mark = SIMULATED_MARK if trend.simulated else ""
    first, last = trend.runs[0], trend.runs[-1]
    begun, ended = (record.measuring_began for record in (first, last))
    view = {
        "program": last.program,
        "mark": mark,
        "kind": "Trend of a device",
        "title": f"Device {trend.serial or 'without serial'}, {begun:%Y-%m-%d} to {ended:%Y-%m-%d}",
        "trend": trend,
        "series": [_section(number, one, mark) for number, one in enumerate(trend.series, start=1)],
        "Statement": Statement,
    }
    return page("trend.html.j2", view)


def _section(number: int, series: Series, mark: str) -> dict[str, object]:
    last = series.points[-1].result
    rows = [
        {
            "day": f"{p.at.astimezone(UTC):%Y-%m-%d}",
            "value": value_text(p.result),
            "interval": interval_text(p.result),
            "warm": "" if p.temperature_c is None else f"{p.temperature_c:g} °C",
            "statement": p.result.statement,
            "limited": has_limit(p.result.limit),
            "limit": limit,
            "run": p.run_id,
        }
        for p, limit in zip(series.points, own_limits([p.result for p in series.points]), strict=True)
    ]
    moving = ""
    if series.slope is not None:
        moving = "moves" if _moves(series.slope) else _SCATTERS if series.slope.inflated else "no slope shown"
    return {
        "name": requirement_text(last),
        "limit": limit_text(last.limit, last.unit),
        "chart": _chart(number, series, mark),
        "rows": rows,
        "slope": slope_words(series),
        "last": value_text(last),
        "last_statement": last.statement,
        "limited": has_limit(last.limit),
        "per_year": "" if series.slope is None else _per_year(series.slope, last.unit),
        "moving": moving,
    }


def _moves(slope: Slope) -> bool:
    return slope.interval[0] > 0.0 or slope.interval[1] < 0.0


def _per_year(slope: Slope, unit: str) -> str:
    return signed(slope.per_year, unit, slope_digits(slope, unit)) + " a year"


def scale_of(result: Result) -> tuple[float, str, float]:
    """Return factor, unit and offset of a chart's axis; a notch frequency is drawn as distance from its place."""
    if result.unit != "Hz":
        return 1.0, result.unit, 0.0
    offset = result.at_hz if result.quantity == "notch frequency" else 0.0
    return 1e-3, f"kHz from {result.at_hz / 1e6:.3f} MHz" if offset else "kHz", offset


def limit_lines(result: Result) -> tuple[LimitLine, ...]:
    """Return the limits as lines of a chart."""
    factor, _, offset = scale_of(result)
    made = []
    for value, greater in ((result.limit.max, True), (result.limit.min, False)):
        if value is not None:
            only = Limit(max=value) if greater else Limit(min=value)
            text = limit_text(only, result.unit) if not offset else f"{'at most' if greater else 'at least'} this"
            made.append(LimitLine((value - offset) * factor, greater, text))
    return tuple(made)


def _chart(number: int, series: Series, mark: str) -> str:
    last = series.points[-1].result
    factor, unit, offset = scale_of(last)
    start = series.points[0].at

    def years(at: datetime) -> float:
        return (at - start) / _YEAR

    def shown(value: float | None) -> float | None:
        return None if value is None else (value - offset) * factor

    places, moved = _side_by_side([years(p.at) for p in series.points])
    dots = tuple(
        Dot(
            x=place,
            value=None if bound_of(p.result) else shown(p.result.value),
            low=shown(p.result.interval[0]),
            high=shown(p.result.interval[1]),
        )
        for place, p in zip(places, series.points, strict=True)
    )
    limits = limit_lines(last)
    known = [v for dot in dots for v in (dot.value, dot.low, dot.high) if v is not None]
    x = (0.0, max(years(series.points[-1].at), 1e-6))
    line: tuple[tuple[float, float], ...] = ()
    if series.slope is not None and _moves(series.slope):  # what is not shown to move gets no line that says so
        from_start = series.slope.value + series.slope.per_year * (start - series.slope.at) / _YEAR
        line = tuple((at, (from_start + series.slope.per_year * at - offset) * factor) for at in x)
    if not known and not limits:
        return ""
    y = value_range(known or [limits[0].value], limits, _LEAST_DB)
    told = "; ".join(f"{p.at:%Y-%m-%d}: {value_text(p.result)}" for p in series.points)
    title = f"{series.id} over time" + (f" ({mark})" if mark else "")
    return ladder(
        Chart(
            id=f"trend{number}",
            title=title,
            desc=f"{told}. {slope_words(series)}",
            x_axis="date of the run" + (" (those close in time moved apart)" if moved else ""),
            y_axis=f"{last.quantity}, {unit}",
            dots=dots,
            x=x,
            y=y,
            x_ticks=_dates(start, series.points[-1].at),
            limits=limits,
            line=line,
            stamp=mark,
        )
    )


def _side_by_side(places: Sequence[float]) -> tuple[list[float], bool]:
    """Return ascending places on the axis, those that would stand on each other moved apart, and whether any was."""
    first, last = places[0], places[-1]
    least = min(_LEAST_APART, 1.0 / max(1, len(places) - 1)) * (last - first)
    made = [first]
    for place in places[1:]:
        made.append(max(place, made[-1] + least))
    limit = last
    for index in range(len(made) - 1, -1, -1):  # back from the end, where the axis leaves no room to the right
        made[index] = min(made[index], limit)
        limit = made[index] - least
    return made, any(abs(a - b) > 1e-9 * (last - first) for a, b in zip(made, places, strict=True))


def _dates(start: datetime, end: datetime) -> tuple[tuple[float, str], ...]:
    """Return at most four dates from the first run to the last, evenly apart."""
    span = end - start
    if span < timedelta(days=4):
        return (
            ((0.0, f"{start:%Y-%m-%d}"),)
            if span < timedelta(hours=1)
            else (
                (0.0, f"{start:%Y-%m-%d %H:%M}"),
                (span / _YEAR, f"{end:%Y-%m-%d %H:%M}"),
            )
        )
    return tuple((span * k / 3 / _YEAR, f"{start + span * k / 3:%Y-%m-%d}") for k in range(4))
