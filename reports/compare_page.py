"""Two or more runs as one page: what changed, by how much, what cancelled, what differed, and the responses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from reports.change_words import change_interval, difference, e_n, limit_on_change
from reports.charts import forest
from reports.figures import SIMULATED_MARK
from reports.html import environment
from reports.overlays import overlays
from reports.words import value_text
from sequencer.core.comparison import Against
from sequencer.core.record import Change, Curve, FamilyChange, Result, Statement

__all__ = ["change_row", "letters", "render_compare"]


def letters(number: int) -> str:
    """Return the name of the n-th run on a page, from 0: A to Z, then A2 ..."""
    again, place = divmod(number, 26)
    return chr(ord("A") + place) + (str(again + 1) if again else "")


def render_compare(against: Sequence[Against], curves: Sequence[Sequence[Curve]]) -> str:
    """Return the page as one HTML text.

    Parameters
    ----------
    against : each of the other runs against the same reference.
    curves : of the reference, then of each other run; empty where they are not to be drawn.
    """
    records = [against[0].reference, *(each.other for each in against)]
    names = [letters(number) for number in range(len(records))]
    mark = SIMULATED_MARK if any(record.simulated for record in records) else ""
    serials = list(dict.fromkeys(record.serial or "without serial" for record in records))
    view = {
        "program": records[-1].program,
        "mark": mark,
        "kind": "Comparison of runs",
        "title": f"Device {' and '.join(serials)}, {len(records)} runs",
        "runs": list(zip(names, records, strict=True)),
        "against": [_section(name, each, mark) for name, each in zip(names[1:], against, strict=True)],
        "figures": overlays(names, records, curves),
        "Statement": Statement,
    }
    return page("compare.html.j2", view)


def page(template: str, view: Mapping[str, object]) -> str:
    """Render one of the pages beside the report."""
    return environment().get_template(template).render(view) + "\n"


def _section(name: str, each: Against, mark: str) -> dict[str, object]:
    family = each.family
    rows = [change_row(q.before, q.after, q.change, family, q.why_not) for q in each.quantities]
    drawn = [(q.after.id, q.change.e_n) for q in each.quantities if q.change.e_n is not None]
    picture = ""
    if drawn and family.critical_e_n is not None:
        picture = forest(f"forest-{name}", drawn, family.critical_e_n, stamp=mark)
    return {"name": name, "family": family, "rows": rows, "forest": picture, "left_out": each.left_out}


def change_row(
    before: Result | None, after: Result, change: Change, family: FamilyChange, why_not: str = ""
) -> dict[str, object]:
    """Return the cells of one quantity's row."""
    return {
        "name": after.id if after.condition in after.id else f"{after.id}, {after.condition}",
        "before": "" if before is None else value_text(before),
        "now": value_text(after),
        "difference": difference(change, after.unit),
        "interval": change_interval(change, after.unit),
        "e_n": e_n(change.e_n),
        "allowed": limit_on_change(change, after.unit),
        "beyond": family.sees(after.id, change),
        "why_not": why_not,
    }
