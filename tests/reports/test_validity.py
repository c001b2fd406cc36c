"""What voids a report, and when the next check is due."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from reports.html import render
from reports.validity import next_check, recipe_notes, validity
from sequencer.core.history import Role, SavedKind, SavedTrace
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.recipe.starters import read_recipe


def dated(synthetic, months: str, began=datetime(2026, 1, 31, tzinfo=UTC)):
    text = read_recipe("vhf-600k-acceptance")[0] + (f"valid for: {months}\n" if months else "")
    return replace(synthetic.record(), recipe_text=text, began=began)


@pytest.mark.parametrize(
    ("months", "due"),
    [("1 month", date(2026, 2, 28)), ("12 months", date(2027, 1, 31)), ("2 years", date(2028, 1, 31)), ("", None),
     ("0.5 months", date(2026, 1, 31)), ("25 months", date(2028, 2, 29))],
)  # fmt: skip
def test_the_next_check_is_so_many_calendar_months_later(synthetic, months, due) -> None:
    record = dated(synthetic, months)
    assert next_check(record) == due
    assert (f"due by {due}" if due else "sets no day") in validity(record)


def test_files_are_valid_from_when_they_were_taken_not_from_when_they_were_read(synthetic) -> None:
    record = dated(synthetic, "12 months", began=datetime(2026, 8, 1, tzinfo=UTC))
    used = record.traces[0].used
    saved = SavedTrace(
        source="a.csv", sha256="", kind=SavedKind.LEVEL, station=0, key="overview", role=Role.THRU, settings=used,
        hookup=Hookup(name="thru", kind=HookupKind.THRU), from_file=("taken",),
    )  # fmt: skip
    days = (datetime(2025, 3, 7, tzinfo=UTC), datetime(2025, 3, 4, tzinfo=UTC))
    told = tuple(replace(record.traces[0], source=saved, began=day) for day in days)
    assert next_check(replace(record, traces=told)) == date(2026, 3, 4)  # the first of them
    silent = replace(record, traces=(replace(told[0], source=replace(saved, from_file=())),))
    assert next_check(silent) is None
    assert "no day can be set for the next check" in validity(silent)


def test_the_report_says_what_voids_it(synthetic) -> None:
    record = dated(synthetic, "24 months")
    text = render(record, ())
    assert "re-tuned or opened, its seal is broken" in text
    assert "due by 2028-01-31" in text
    assert next_check(replace(record, recipe_text="recipe: 99")) is None


def test_what_the_recipe_says_it_cannot_see_stands_beside_what_the_report_proves(synthetic) -> None:
    record = replace(synthetic.record(), recipe_text=read_recipe("vhf-600k-quick")[0])
    scope = render(record, ()).split('<section id="scope"')[1].split("</section>")[0]
    assert "From the recipe." in scope
    assert "What this check cannot see: one notch off by 5 kHz or less" in scope
    silent = replace(
        record, recipe_text=record.recipe_text.replace("notes: >-", "title: >-").replace("title: Q", "# Q")
    )
    assert recipe_notes(silent) == ""
    assert "From the recipe." not in render(silent, ())
    hostile = replace(record, recipe_text=record.recipe_text.replace("one notch off", "<script>one"))
    assert "<script" not in render(hostile, ())


@pytest.mark.parametrize(
    ("starter", "heading", "told"),
    [
        ("vhf-600k-acceptance", "Interval to limit, decides", "the value alone does not"),
        ("vhf-600k-quick", "", "The value decides; the interval is not used."),
    ],
)
def test_the_table_shows_what_decides_under_the_recipes_rule(synthetic, starter, heading, told) -> None:
    page = render(replace(synthetic.record(), recipe_text=read_recipe(starter)[0]), ())
    assert told in page
    assert ('class="n decides">' in page) == bool(heading)
    if heading:
        assert heading in page
        assert ">+0.09 dB<" in page  # at most 1.6 dB, interval to 1.507 dB: 0.093 dB, rounded towards the limit
    assert "decides" not in render(synthetic.record(), ()).split("<body")[1]  # a recipe that is not understood
