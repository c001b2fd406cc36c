"""The comparison page: verdict, differences, what cancelled; hostile texts stay texts."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser

import pytest

from reports.charts import forest
from reports.compare_page import letters, render_compare
from sequencer.studies.apart import what_differed
from sequencer.studies.changes import compare, with_baseline
from sequencer.studies.differences import has_value

MARK = "SIMULATED, NOT A MEASUREMENT"
VOID = {"meta", "path", "rect", "circle", "line", "br", "img", "input", "link", "hr"}


class Balance(HTMLParser):
    """Collects tags that were never closed, scripts and outside links."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.bad: list[str] = []
        self.ids: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        names = dict(attrs)
        if tag in ("script", "img", "link", "iframe") or any(name.startswith("on") for name in names):
            self.bad.append(tag)
        if (names.get("href") or "#")[0] != "#" or "src" in names:
            self.bad.append(f"{tag} {names}")
        if "id" in names:
            self.ids.append(names["id"])
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        if "id" in dict(attrs):
            self.ids.append(dict(attrs)["id"])

    def handle_endtag(self, tag):
        if tag not in VOID:
            assert self.open.pop() == tag


def sound(text: str) -> None:
    page = Balance(text)
    assert page.open == []
    assert page.bad == []
    assert len(page.ids) == len(set(page.ids))
    assert "default-src 'none'" in text
    assert "nan" not in re.sub(r"<[^>]*>", " ", text).lower().split()


def pair(synthetic, **more):
    first = synthetic.record()
    later = {"run_id": "20280314T093000Z-inv-0043", "began": first.began + timedelta(days=731)}
    return first, replace(synthetic.record(), **(later | more))


def moved(record, by: float):
    """The same record with its first result moved."""
    first, *rest = record.results
    shifted = replace(first, value=first.value + by, interval=tuple(end + by for end in first.interval))
    return replace(record, results=(shifted, *rest))


def test_an_unchanged_pair_says_so_with_every_quantity(synthetic) -> None:
    first, second = pair(synthetic)
    text = render_compare([compare(first, second)], [synthetic.curves(), synthetic.curves()])
    sound(text)
    known = sum(has_value(result) for result in first.results)
    assert known < len(first.results)
    assert f"NO CHANGE SHOWN IN {known} OF {len(first.results)} QUANTITIES." in text  # and not in green
    assert "verdict s-pass" not in text
    assert all(result.id in text for result in first.results)
    assert "there is no E_n" in text  # of the bounds
    assert MARK not in text
    assert text.count("<figure") > 3


def test_a_change_is_told_with_where_to_look(synthetic) -> None:
    first, second = pair(synthetic)
    text = render_compare([compare(first, moved(second, 3.0))], [(), ()])
    sound(text)
    assert "CHANGED." in text
    assert '<tr class="changed">' in text
    assert "a place to look, not a finding" in text
    assert "+3.00 dB" in text


def test_three_runs_carry_letters_and_simulated_ones_their_mark(synthetic) -> None:
    runs = [replace(run, simulated=True) for run in (*pair(synthetic), moved(pair(synthetic)[1], 1.0))]
    against = [compare(runs[0], other) for other in runs[1:]]
    text = render_compare(against, [synthetic.curves()] * 3)
    sound(text)
    assert "B against A" in text
    assert "C against A" in text
    svgs = re.findall(r'<svg[^>]*class="plot">.*?</svg>', text, re.DOTALL)
    assert svgs
    assert all(f'class="stamp">{MARK}' in svg for svg in svgs)
    assert text.count(f'<p class="banner">{MARK}</p>') == 1


def test_hostile_texts_stay_texts_and_the_bytes_are_the_same_each_time(synthetic) -> None:
    bad = synthetic.HOSTILE
    first, second = pair(synthetic, serial=bad, conditions={bad: bad}, labels={"x": bad}, bench_text=bad)
    against = [compare(first, second)]
    text = render_compare(against, [(), ()])
    sound(text)
    assert "<script" not in text
    assert render_compare(against, [(), ()]) == text


def test_what_differed_is_listed(synthetic) -> None:
    first, second = pair(synthetic, conditions={"temperature": "4 degC"})
    text = render_compare([compare(first, second)], [(), ()])
    assert "condition temperature" in text


def test_a_changed_setting_is_listed(synthetic) -> None:
    first, second = pair(synthetic)
    traces = tuple(replace(t, used=replace(t.used, rbw_hz=3.0 * t.used.rbw_hz)) for t in second.traces)
    assert any(line.startswith("RBW: ") for line in what_differed(first, replace(second, traces=traces)))
    assert not any(line.startswith("RBW: ") for line in what_differed(first, second))


def test_the_report_shows_limits_and_change_apart(synthetic) -> None:
    from reports.html import render

    first, second = pair(synthetic)
    record = with_baseline(moved(second, 2.0), first)
    text = render(record, ())
    sound(text)
    assert "Change since the baseline" in text
    assert first.run_id in text
    assert "Change since the baseline" not in render(second, ())


@pytest.mark.parametrize(("number", "name"), [(0, "A"), (25, "Z"), (26, "A2"), (53, "B3")])
def test_runs_are_named_by_letters(number, name) -> None:
    assert letters(number) == name


def test_the_forest_keeps_far_values_inside_and_says_them() -> None:
    drawing = forest("f", [("a <b>", 0.4), ("b", -31.4)], 1.3, stamp="MARK")
    places = [float(x) for x in re.findall(r'\bx[12]?="([\d.]+)"', drawing)]
    assert max(places) <= 800
    assert "\N{MINUS SIGN}31.4" in drawing
    assert "a &lt;b&gt;" in drawing
    assert "MARK" in drawing
