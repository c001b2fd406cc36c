"""A study as a page: which value of the label is best for what, whether that is sure, and what the experiment lacks."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence

from reports.change_words import signed
from reports.charts import Chart, Dot, ladder, value_range
from reports.compare_page import page
from reports.figures import SIMULATED_MARK
from reports.overlays import overlays
from reports.study_words import accepted_labels, best_words, like_label
from reports.trend_page import limit_lines, scale_of
from reports.words import between, limit_text, requirement_text
from sequencer.core.comparison import LabelPoint, Studied, Study
from sequencer.core.record import Curve, Record, Result, Statement

__all__ = ["render_study"]

_LEAST = 0.2


def render_study(study: Study, curves: Mapping[str, Sequence[Curve]]) -> str:
    """Return the page as one HTML text; ``curves`` by run id, of the runs whose responses are to be drawn."""
    mark = SIMULATED_MARK if study.simulated else ""
    records = [record for group in study.runs.values() for record in group]
    firsts: list[tuple[str, Record]] = [(label, group[0]) for label, group in study.runs.items()]
    serials = list(dict.fromkeys(record.serial or "without serial" for record in records))
    accepted, refused = accepted_labels(study)
    view = {
        "program": records[-1].program,
        "mark": mark,
        "kind": f"Study of {study.key}",
        "title": f"Which {study.key} is best? Device {' and '.join(serials)}, {len(records)} runs",
        "study": study,
        "runs": _runs(study),
        "best": [_best_row(one, accepted) for one in study.quantities],
        "accepted": accepted,
        "refused": refused,
        "quantities": [_section(number, one, study.key, mark) for number, one in enumerate(study.quantities, start=1)],
        "figures": overlays(
            [label for label, _ in firsts],
            [record for _, record in firsts],
            [curves.get(record.run_id, ()) for _, record in firsts],
        ),
        "Statement": Statement,
    }
    return page("study.html.j2", view)


def _runs(study: Study) -> list[tuple[str, Record, str]]:
    """Return (label, record, analyzer) of every run in the order in which they were measured, the control's too."""
    labelled = [(label, record) for label, group in study.runs.items() for record in group]
    labelled += [("control", record) for record in study.controls]
    ordered = sorted(labelled, key=lambda pair: (pair[1].measuring_began, pair[1].run_id))
    return [(label, record, record.identification.get("analyzer", "not recorded")) for label, record in ordered]


def _first(studied: Studied) -> Result:
    return next(result for point in studied.points for result in point.results)


def _best_row(studied: Studied, accepted: Container[str]) -> dict[str, object]:
    result = _first(studied)
    curve = ""
    if studied.curved is not None and studied.best is not None:
        write = like_label(studied.best)
        low, high = studied.curved.interval
        curve = f"{write(studied.curved.best)} ({between(write(low), write(high))})"
        curve += "; leaves the range" if studied.curved.outside else ""
    sure = "every other" if studied.apart and not studied.not_apart else ", ".join(studied.apart) or "none"
    return {
        "name": requirement_text(result),
        "limit": limit_text(result.limit, result.unit),
        "best": studied.best or "",
        "accepted": studied.best in accepted,
        "wants": studied.wants,
        "sure": sure if studied.best else "",
        "curve": curve,
    }


def _section(number: int, studied: Studied, key: str, mark: str) -> dict[str, object]:
    result = _first(studied)
    rows = [
        {
            "label": point.label,
            "runs": len(point.results),
            "value": "no value" if point.value is None else signed(point.value, result.unit).lstrip("+"),
            "half": "" if point.half is None else "± " + signed(point.half, result.unit).lstrip("+"),
            "spread": "" if point.spread is None else signed(point.spread, result.unit).lstrip("+"),
            "best": point.label == studied.best,
        }
        for point in studied.points
    ]
    return {
        "name": requirement_text(result),
        "chart": _chart(number, studied, key, mark),
        "rows": rows,
        "words": best_words(studied, key),
    }


def _places(points: Sequence[LabelPoint]) -> list[float]:
    """Return where each label stands: at its number, or evenly apart where one of them is none."""
    numbers = [point.number for point in points]
    if None in numbers:
        return [float(place) for place in range(len(points))]
    return [number or 0.0 for number in numbers]


def _chart(number: int, studied: Studied, key: str, mark: str) -> str:
    result = _first(studied)
    factor, unit, offset = scale_of(result)
    places = _places(studied.points)
    dots = []
    for place, point in zip(places, studied.points, strict=True):
        for each in point.results:
            if each.value is not None and len(point.results) > 1:
                dots.append(Dot(x=place, value=(each.value - offset) * factor, ring=True))
        if point.value is None:
            bounds = [each.interval[0] for each in point.results if each.interval[0] is not None]
            dots += [Dot(x=place, value=None, low=(min(bounds) - offset) * factor)] if bounds else []
        elif point.half is not None:
            middle, half = (point.value - offset) * factor, point.half * factor
            dots.append(Dot(x=place, value=middle, low=middle - half, high=middle + half))
    line: tuple[tuple[float, float], ...] = ()
    if studied.curved is not None:
        line = tuple((x, (value - offset) * factor) for x, value in studied.curved.samples)
    limits = limit_lines(result)
    known = [v for dot in dots for v in (dot.value, dot.low, dot.high) if v is not None]
    if not known:
        return ""
    told = "; ".join(f"{p.label}: {'no value' if p.value is None else f'{p.value:.2f}'}" for p in studied.points)
    return ladder(
        Chart(
            id=f"study{number}",
            title=f"{studied.id} against {key}" + (f" ({mark})" if mark else ""),
            desc=f"{told}. {best_words(studied, key)}",
            x_axis=key,
            y_axis=f"{result.quantity}, {unit}",
            dots=tuple(dots),
            x=(min(places), max(places)),
            y=value_range(known, limits, _LEAST),
            x_ticks=tuple(zip(places, (point.label for point in studied.points), strict=True)),
            limits=limits,
            line=line,
            stamp=mark,
        )
    )
