"""The trend page: every quantity over time, bounds as bounds, slopes in words."""

from __future__ import annotations

import importlib.util
import itertools
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from reports.charts import Chart, Dot, LimitLine, ladder, value_range
from reports.study_words import like_label, slope_words
from reports.trend_page import render_trend
from reports.words import limit_text
from sequencer.cli.study_text import trend_text
from sequencer.core.record import Limit
from sequencer.studies.trend import trend_of

spec = importlib.util.spec_from_file_location("compare_page_tests", Path(__file__).with_name("test_compare_page.py"))
shared = importlib.util.module_from_spec(spec)
spec.loader.exec_module(shared)


def history(synthetic, steps, **more):
    first = synthetic.record(conditions={"temperature": "21 degC"}, **more)
    return [
        replace(shared.moved(first, step), run_id=f"run-{number}", began=first.began + timedelta(days=300 * number))
        for number, step in enumerate(steps)
    ]


def test_three_years_are_drawn_with_slope_and_temperature(synthetic) -> None:
    runs = history(synthetic, (0.0, 0.3, 0.6, 0.9))
    text = render_trend(trend_of(runs, runs[0].serial))
    shared.sound(text)
    assert shared.MARK not in text
    assert "21 °C" in text
    assert "a year" in text
    assert text.count('class="fitted"') >= 1
    assert "moves" in text  # 0.3 dB each 300 days against a budget of about 0.1 dB
    assert text.count("<h3") == len(runs[0].results)


@pytest.mark.parametrize(
    ("steps", "says"),
    [
        pytest.param((0.0, 0.01, 0.0), "no slope shown", id="steady"),
        pytest.param((0.0, 0.3, 0.6), "moves", id="slope"),
        pytest.param((0.0, 0.02, 1.5), "jump more than their intervals say", id="a-step-at-the-end"),
    ],
)
def test_at_a_glance_a_step_is_no_quiet_quantity(synthetic, steps, says) -> None:
    """Of the first quantity; the others stay as they are."""
    runs = history(synthetic, steps)
    text = render_trend(trend_of(runs, runs[0].serial))
    (row,) = re.findall(r'<tr[^>]*><th scope="row"><a href="#q1">.*?</tr>', text)
    assert says in row
    assert ('class="changed"' in row) == (says != "no slope shown")


def test_runs_of_one_evening_stand_side_by_side_and_the_axis_says_so(synthetic) -> None:
    first, second, third = history(synthetic, (0.0, 0.1, 0.2))
    apart = render_trend(trend_of([first, third], first.serial))
    assert "moved apart" not in apart
    second = replace(second, began=third.began - timedelta(minutes=20))
    text = render_trend(trend_of([first, second, third], first.serial))
    shared.sound(text)
    assert "moved apart" in text
    svg = re.search(r'<svg[^>]*id="trend1".*?</svg>|<svg[^>]*class="plot">.*?</svg>', text, re.DOTALL)[0]
    centres = sorted({float(x) for x in re.findall(r'<circle[^>]*cx="([\d.]+)"', svg)})
    assert len(centres) == 3
    assert min(b - a for a, b in itertools.pairwise(centres)) > 7.2  # a dot is 7.2 wide


def test_each_statement_names_its_own_limit_where_the_limits_changed(synthetic) -> None:
    first, second = history(synthetic, (0.0, 0.1))
    stricter = replace(second.results[0], limit=Limit(min=None, max=1.55))
    second = replace(second, results=(stricter, *second.results[1:]))
    trend = trend_of([first, second], first.serial)
    for text in (render_trend(trend), trend_text(trend)):
        assert text.count("(at most 1.55 dB)") == 1
        assert text.count(f"({limit_text(first.results[0].limit, 'dB')})") == 1


def test_one_run_is_a_page_too_and_a_simulated_one_is_marked(synthetic) -> None:
    runs = history(synthetic, (0.0,), simulated=True)
    text = render_trend(trend_of(runs, runs[0].serial, simulated=True))
    shared.sound(text)
    svgs = re.findall(r'<svg[^>]*class="plot">.*?</svg>', text, re.DOTALL)
    assert svgs
    assert all(f'class="stamp">{shared.MARK}' in svg for svg in svgs)
    assert "No slope: it takes three values" in text


def test_the_closing_line_never_stands_alone_on_a_sheet(synthetic) -> None:
    """Paper only, seen with a browser: the foot clings to what stands before it, if both are in one flow."""
    runs = history(synthetic, (0.0,))
    page = render_trend(trend_of(runs, runs[0].serial))
    print_rules = page.split("@media print")[1].split("</style>")[0]
    assert re.search(r"main \{ display: contents; \}", print_rules)
    assert re.search(r"footer, \.end \{ break-before: avoid; \}", print_rules)


def test_hostile_texts_stay_texts(synthetic) -> None:
    runs = history(synthetic, (0.0, 0.1, 0.2), serial=synthetic.HOSTILE)
    text = render_trend(trend_of(runs, synthetic.HOSTILE))
    shared.sound(text)
    assert "<script" not in text


def test_slope_words_say_when_nothing_moves(synthetic) -> None:
    runs = history(synthetic, (0.0, 0.0, 0.0))
    words = slope_words(trend_of(runs, runs[0].serial).series[0])
    assert words.endswith("no slope is shown.")


def chart(dots, **more):
    plain = {
        "id": "c", "title": "t", "desc": "d", "x_axis": "x", "y_axis": "y", "dots": tuple(dots), "x": (0.0, 2.0),
        "y": (0.0, 10.0), "x_ticks": ((0.0, "a"), (2.0, "b")),
    }  # fmt: skip
    return ladder(Chart(**(plain | more)))


def test_greater_values_stand_higher_and_stay_inside() -> None:
    drawing = chart([Dot(x=0.0, value=2.0, low=1.0, high=3.0), Dot(x=1.0, value=8.0), Dot(x=2.0, value=99.0)])
    heights = [float(y) for y in re.findall(r'<circle cx="[\d.]+" cy="([\d.]+)"', drawing)]
    assert heights[0] > heights[1] > heights[2] >= 0


def test_a_bound_is_an_arrow_and_no_dot() -> None:
    drawing = chart([Dot(x=1.0, value=None, low=5.0)])
    assert "<circle" not in drawing
    assert drawing.count('class="bar"') == 4


@pytest.mark.parametrize("forbids_greater", [True, False])
def test_the_hatched_side_of_a_limit_is_the_forbidden_one(forbids_greater) -> None:
    drawing = chart([], limits=(LimitLine(5.0, forbids_greater, "limit"),))
    y1, y2 = map(float, re.search(r'y1="([\d.]+)" x2="[\d.]+" y2="([\d.]+)" class="hatch"', drawing).groups())
    assert (y2 < y1) == forbids_greater


def test_the_range_leaves_room_for_the_limits_names() -> None:
    low, high = value_range([1.3, 1.4], (LimitLine(1.6, True, "at most 1.6 dB"),), 0.2)
    assert low <= 1.3
    assert high >= 1.6 + 0.1 * (1.6 - 1.3)


def test_a_length_is_written_in_the_labels_own_unit() -> None:
    assert like_label("12 in")(0.3048) == "12.00 in"
    assert like_label("30 cm")(0.305) == "30.50 cm"
    assert like_label("7")(7.2) == "7.20"
    for label, written in (
        ('12"', '12.00"'),
        ("12,5 in", "12.00 in"),
        ("12.5\u2033", "12.00\u2033"),
        ("12 \u201d", "12.00\u201d"),
        ("12 IN", "12.00 IN"),
        ("0,3 m", "0.30 m"),
        ("+1.2e1 in", "12.00 in"),
        ("3e2mm", "304.80 mm"),
    ):
        assert like_label(label)(0.3048) == written
