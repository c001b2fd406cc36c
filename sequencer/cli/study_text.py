"""Comparisons, trends and studies as plain text, at most 80 columns wide."""

from __future__ import annotations

from collections.abc import Sequence

from reports.change_words import (
    change_interval,
    difference,
    e_n,
    family_sentence,
    leave_sentence,
    limit_on_change,
    signed,
)
from reports.study_words import accepted_labels, best_words, slope_words
from reports.words import has_limit, interval_text, limit_text, own_limits, value_text
from sequencer.cli.words import fold, plain, table
from sequencer.core.comparison import Against, Series, Studied, Study, Trend
from sequencer.core.record import FamilyChange, Record

__all__ = ["against_text", "change_text", "study_text", "trend_text"]

WIDTH = 80
_MARK = "SIMULATED, NOT A MEASUREMENT"


def _head(simulated: bool, title: str) -> list[str]:
    return ["=" * (WIDTH - 1), *([_MARK, ""] if simulated else []), *fold(title, WIDTH), ""]


def _bullets(lead: str, lines: Sequence[str]) -> list[str]:
    return [lead, *(part for line in lines for part in fold(plain(line), WIDTH, "  - "))] if lines else []


def change_text(record: Record) -> str:
    """Return what changed since the baseline: the family in a sentence, then a table."""
    family = record.change
    if family is None:
        return ""
    rows = [(r.id, r.change, r.unit) for r in record.results if r.change is not None]
    cells = [[plain(t) for t in (name, difference(c, u), change_interval(c, u), e_n(c.e_n))] for name, c, u in rows]
    lines = [f"Against the baseline {family.baseline}:", ""]
    lines += [*table(("quantity", "change", "95 % interval", "E_n"), cells, WIDTH), ""]
    lines += _family(family, leave_sentence(record))
    allowed = [f"{name}: {limit_on_change(c, u)}" for name, c, u in rows if c.max_change is not None]
    return "\n".join([*lines, *_bullets("Change allowed by the recipe:", allowed)])


def _family(family: FamilyChange, leave: str = "") -> list[str]:
    lines = fold(plain(family_sentence(family)), WIDTH)
    lines += fold(plain(leave), WIDTH) if leave else []
    if family.reason:
        lines += fold(plain(f"Where to look first: {family.reason}."), WIDTH)
    shared = "; ".join(family.shared) or "nothing"
    return lines + fold(f"Cancelled, because both runs share it: {shared}.", WIDTH)


def against_text(against: Against) -> str:
    """Return one run against the reference."""
    before, after = against.reference, against.other
    title = f"{after.run_id} (device {after.serial or 'without serial'}) against {before.run_id}"
    cells = [
        (
            each.after.id,
            value_text(each.before),
            value_text(each.after),
            difference(each.change, each.after.unit),
            e_n(each.change.e_n),
        )
        for each in against.quantities
    ]
    rows = [[plain(cell) for cell in row] for row in cells]
    lines = _head(before.simulated or after.simulated, title)
    lines += table(("quantity", "before", "now", "change", "E_n"), rows, WIDTH)
    lines += ["", *_family(against.family)]
    lines += _bullets("What differed:", against.family.differing)
    lines += _bullets("Not compared:", against.left_out)
    return "\n".join(lines)


def trend_text(trend: Trend) -> str:
    """Return every quantity's table, with its slope from three values on."""
    kind = "simulated run" if trend.simulated else "run"
    many = f"{len(trend.runs)} {kind}{'s' * (len(trend.runs) != 1)}"
    lines = _head(trend.simulated, f"Device {trend.serial}: {many}")
    for series in trend.series:
        lines += _series(series)
    return "\n".join([*lines, *_bullets("Left out:", trend.left_out)])


def _series(series: Series) -> list[str]:
    last = series.points[-1].result
    own = own_limits([point.result for point in series.points])
    limit = f", {limit_text(last.limit, last.unit)}" if has_limit(last.limit) and not any(own) else ""
    rows = []
    for point, against in zip(series.points, own, strict=True):
        warm = "not recorded" if point.temperature_c is None else f"{point.temperature_c:g} degC"
        rows.append(
            (
                f"{point.at:%Y-%m-%d}",
                plain(value_text(point.result)),
                plain(interval_text(point.result)),
                warm,
                point.result.statement.value + (f" ({plain(against)})" if against else ""),
            )
        )
    told = [*fold(plain(f"{series.id}{limit}"), WIDTH)]
    told += table(("date", "value", "95 % interval", "temperature", "statement"), rows, WIDTH)
    return [*told, *fold(plain(slope_words(series)), WIDTH, "  "), ""]


def study_text(study: Study) -> str:
    """Return each quantity against the label, what is best, and what the experiment lacks."""
    lines = _head(study.simulated, f"Study of {study.key}: {sum(map(len, study.runs.values()))} runs")
    accepted, refused = accepted_labels(study)
    lines += fold(plain(f"All limits passed in every run with: {', '.join(accepted) or 'none'}."), WIDTH)
    if refused:
        lines += fold(plain(f"Not accepted, whatever they are best at: {', '.join(refused)}."), WIDTH)
    lines.append("")
    for studied in study.quantities:
        lines += _studied(studied, study.key)
    if study.control:
        lines += fold(f"Control: {study.control}.", WIDTH)
    lines += [part for warning in study.warnings for part in fold(warning, WIDTH, "Warning: ", "  ")]
    return "\n".join([*lines, *_bullets("To make it a sound experiment:", study.missing)])


def _studied(studied: Studied, key: str) -> list[str]:
    unit = next(r.unit for p in studied.points for r in p.results)
    rows = []
    for point in studied.points:
        value = "no value" if point.value is None else plain(signed(point.value, unit).lstrip("+"))
        half = "" if point.half is None else f"+/- {plain(signed(point.half, unit).lstrip('+'))}"
        spread = "" if point.spread is None else plain(signed(point.spread, unit).lstrip("+"))
        rows.append((point.label, str(len(point.results)), value, half, spread, "best" * (point.label == studied.best)))
    told = fold(studied.id, WIDTH)
    told += table((key, "runs", "mean", "within the evening", "repeats differ", ""), rows, WIDTH)
    return [*told, *fold(plain(best_words(studied, key)), WIDTH, "  "), ""]
