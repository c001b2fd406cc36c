"""The acceptance report: a Record and its curves as one self-contained HTML file.

Layout and words live in ``templates/``; numbers in `reports.words`, plots in `reports.plots`. The file
needs no network and no script, forbids both to itself, and has the same bytes for the same record.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, TypeVar

from reports import change_words, gathered, words
from reports.figures import SIMULATED_MARK, figure_groups
from reports.guidance import (
    CAUTIONS,
    CONDITIONS,
    ONLY_THIS_ITEM,
    checklist,
    condition,
    measured_text,
    not_proven,
    plain,
)
from reports.validity import decision_rule, recipe_notes, validity
from sequencer.core.history import SavedTrace
from sequencer.core.record import Contribution, Curve, Record, Result, Statement, TraceRecord
from sequencer.core.uncertainty import combine
from sequencer.errors import NotchbookError
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.packing import Packed, Stand, packing
from sequencer.units import show_hz

if TYPE_CHECKING:
    import jinja2

__all__ = ["environment", "render"]

_V = TypeVar("_V")

# in letters of a chain, 1.25 mm each: the text line of A4, 174 mm, and an item's frame with the stroke after it, 4 mm
_LINE_LETTERS, _FRAME_LETTERS = 138, 3.2

# control characters that no XML may hold, half surrogate pairs that no file can, and marks that turn the
# reading direction and so could make a hostile serial print as another
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]")


def render(record: Record, curves: Sequence[Curve]) -> str:
    """Return the report as one HTML text.

    Parameters
    ----------
    record : the run; everything the report states comes from it.
    curves : lines to draw. Kinds, places and keys that are missing leave their plots out.
    """
    record = _ordered(record)
    asked = {word for names in CONDITIONS for word in names}
    saved = _saved(record.traces)
    rule = decision_rule(record)
    decides, decides_told = words.deciding(rule)
    view = {
        "record": record,
        "mark": SIMULATED_MARK if record.simulated else "",
        "sentence": words.overall_sentence(record),
        "groups": figure_groups(record, curves),
        "conditions": [
            *((names[0], condition(record.conditions, names).replace(" degC", " °C")) for names in CONDITIONS),
            *((key, value) for key, value in record.conditions.items() if plain(key) not in asked),
        ],
        "items": checklist(record),
        "cautions": CAUTIONS,
        "not_proven": not_proven(record),
        "measured": measured_text(record),
        "saved": saved,
        "only_this_item": ONLY_THIS_ITEM,
        "packed": _packed(record),
        "validity": validity(record),
        "rule": rule,
        "decides": decides,
        "decides_told": decides_told,
        "recipe_notes": recipe_notes(record),
        "judged": change_words.judged_sentence(record),
        "leave": change_words.leave_sentence(record),
        "traceable": any(_calibrated(item.get("calibrated", "")) for item in record.equipment),
        "stated": any(set(item) - {"what", "id", "calibrated"} for item in record.equipment),
        "Statement": Statement,
    }
    return environment().get_template("report.html.j2").render(view) + "\n"


@functools.cache
def environment() -> jinja2.Environment:
    """Return the templates' environment: everything escaped, nothing undefined, our filters; other pages use it too."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("reports"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_printable,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters.update(
        figure=_figure,
        sensitivity=_sensitivity,
        budget_tables=gathered.budget_tables,
        by_reason=gathered.by_reason,
        by_settings=gathered.by_settings,
        calibrated=_calibrated,
        deciding=words.deciding_text,
        change=lambda result: change_words.difference(result.change, result.unit),
        change_interval=lambda result: change_words.change_interval(result.change, result.unit),
        change_allowed=lambda result: change_words.limit_on_change(result.change, result.unit),
        css_string=_css_string,
        day=lambda when: f"{when.astimezone(UTC):%Y-%m-%d}",
        e_n=change_words.e_n,
        family_detail=lambda family: change_words.typeset(change_words.family_detail(family)),
        family_verdict=change_words.family_verdict,
        hz=show_hz,
        interval=words.interval_text,
        in_traces=lambda file: file.removeprefix("traces/"),
        margin=words.margin_text,
        minute=_minute,
        notes_once=gathered.notes_once,
        on_one_line=_on_one_line,
        percent=words.percent,
        probability=words.probability_text,
        requirement=_unbroken,
        second=lambda when: f"{when.astimezone(UTC):%H:%M:%S}",
        settings=_settings,
        svg=_markup,
        u_total=_u_total,
        unfolded=gathered.unfolded,
        value=words.value_text,
    )
    environment.globals.update(
        limit_text=words.limit_text, has_limit=words.has_limit, is_bound=words.bound_of, sig=_significant
    )
    return environment


def _packed(record: Record) -> list[Packed]:
    """Return what lay on the table; connectors as far as the record's bench file tells, if it is understood here."""
    try:
        bench = load_bench(record.bench_text, "bench.yaml") if record.bench_text else None
    except NotchbookError:
        bench = None
    stands = [Stand(name=one.name, chain=one.chain, loads=one.loads) for one in record.hookups]
    return packing(stands, bench)


def _ordered(record: Record) -> Record:
    """Order every mapping by what it says, not by how it came: a record read from a file has its keys sorted."""

    def told(given: Mapping[str, _V], first: Sequence[str] = ()) -> Mapping[str, _V]:
        place = {name: number for number, name in enumerate(first)}
        return dict(sorted(given.items(), key=lambda item: (place.get(item[0], len(place)), item[0])))

    channels = list(dict.fromkeys(result.at for result in record.results))
    ends = (*record.ports, "generator lead", "analyzer lead")
    return replace(
        record,
        conditions=told(record.conditions),
        labels=told(record.labels),
        identification=told(record.identification),
        equipment=tuple(told(item) for item in record.equipment),
        frequencies=told(record.frequencies, channels),
        hookups=tuple(replace(hookup, loads=told(hookup.loads, ends)) for hookup in record.hookups),
    )


def _printable(value: object) -> object:
    """Replace what cannot be printed. Runs on every expression of the templates, before escaping."""
    if not isinstance(value, str) or not _UNPRINTABLE.search(value):
        return value
    return type(value)(_UNPRINTABLE.sub("\N{REPLACEMENT CHARACTER}", value))


def _markup(svg: str) -> object:
    """Mark a plot of ours, whose texts are escaped already, as markup."""
    from markupsafe import Markup

    return Markup(svg)  # noqa: S704 - reports.plots escapes every text


def _css_string(text: str) -> object:
    """Quote a text for CSS: everything but letters and digits becomes an escape, so nothing can end the style."""
    return _markup('"' + "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):X} " for c in text) + '"')


def _unbroken(result: Result) -> str:
    """Return the requirement in words, no line break between a number and its unit."""
    return re.sub(r"(?<=\d) (?=[kM]?Hz|dB)", "\N{NO-BREAK SPACE}", words.requirement_text(result))


def _minute(when: datetime) -> str:
    return f"{when.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _calibrated(text: str) -> str:
    """Return a calibration date as recorded, '' for what says there is none."""
    return "" if text.strip().casefold() in {"", "-", "none", "no", "unknown"} else text


def _on_one_line(chain: Sequence[str]) -> bool:
    """Whether a chain stands on one line of an A4 page, its items broken at their spaces; else it is folded."""
    return sum(max(map(len, item.split()), default=0) + _FRAME_LETTERS for item in chain) <= _LINE_LETTERS


def _saved(traces: Sequence[TraceRecord]) -> list[tuple[SavedTrace, list[str]]]:
    """Return the saved traces a record rests on, each once, with how its settings are known as three cells."""
    sources = dict.fromkeys(trace.source for trace in traces if trace.source is not None)
    return [
        (source, [", ".join(map(words.setting, names)) or "none" for names in _known(source)]) for source in sources
    ]


def _known(source: SavedTrace) -> tuple[tuple[str, ...], ...]:
    return source.from_file, source.declared, source.unknown


def _settings(trace: TraceRecord) -> list[str]:
    """Return the cells of a row of the table of settings as read back."""
    used = trace.used
    return [
        words.between(show_hz(used.start_hz), show_hz(used.stop_hz)),
        str(used.points),
        show_hz(used.rbw_hz),
        show_hz(used.vbw_hz) if used.vbw_hz is not None else "widest",
        used.detector.value,
        f"{used.sweep_time_s:.4g} s" if used.sweep_time_s is not None else "not told",
        f"{used.attenuation_db:g} dB",
        f"{used.reference_dbm:g} dBm".replace("-", words.MINUS),
        "off" if used.generator_dbm is None else f"{used.generator_dbm:g} dBm".replace("-", words.MINUS),
        ", ".join(trace.flags) or "none",
    ]


def _significant(number: float, digits: int = 3) -> str:
    """Write a figure of a budget to a few significant digits; very small and large ones with a power of ten."""
    if number == 0 or not math.isfinite(number):
        return "0" if number == 0 else "unlimited"
    power = math.floor(math.log10(abs(number)))
    if -4 <= power < 6:
        text = f"{number:.{max(digits - 1 - power, 0)}f}"
    else:
        text = f"{number / 10.0**power:.{digits - 1}f}e{power}"
    return text.replace("-", words.MINUS)


def _figure(line: Contribution) -> str:
    """Write what a budget line is made from, with its unit; a ratio in per cent."""
    if line.unit == "1":
        return f"{_significant(100.0 * line.value)} %"
    return f"{_significant(line.value)} {line.unit}"


def _sensitivity(line: Contribution, unit: str) -> str:
    """Write what the result changes by, in its unit, for each unit of the figure."""
    if line.unit == "1":
        return f"{_significant(line.sensitivity / 100.0)} {unit}/%"
    return f"{_significant(line.sensitivity)} {unit}/{line.unit}"


def _u_total(budget: Sequence[Contribution]) -> float:
    """Combined standard uncertainty, no correlation: a guide to what weighs most; the interval is from the draws."""
    return combine([line.u for line in budget])
