"""Plots: extremes survive, losses grow downwards, texts are escaped, labels do not touch."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.plots import LimitMark, Line, Plot, TargetMark, decimate, nice_step, svg

GRID = np.linspace(144e6, 148e6, 10_001)


def plot(**changes):
    loss = np.where(np.arange(GRID.size) == 5025, 87.0, 1.0)
    plain = Plot(
        id="fig1",
        title="Response",
        desc="What it shows",
        axis="loss, dB",
        lines=(Line("device", "device", GRID, loss),),
        x_hz=(144e6, 148e6),
        y=(0.0, 100.0),
        wide=True,
    )
    return replace(plain, **changes)


def points(text):
    """All points of the first curve: (n, 2) columns and rows."""
    path = ET.fromstring(text).find("path").get("d")
    return np.array([[float(n) for n in pair.split()] for pair in re.split("[ML]", path) if pair])


@given(seed=st.integers(0, 2**32 - 1), columns=st.integers(1, 400), size=st.integers(2, 3000))
def test_decimation_keeps_extremes_and_order(seed, columns, size):
    rng = np.random.default_rng(seed)
    freq, value = np.sort(rng.uniform(1e8, 2e8, size)), rng.normal(0, 30, size)
    kept_freq, kept = decimate(freq, value, columns)
    assert kept.max() == value.max()
    assert kept.min() == value.min()
    assert np.all(np.diff(kept_freq) >= 0)
    assert kept.size <= max(2 * columns, 2)


def test_every_column_keeps_its_extremes():
    value = np.random.default_rng(1).normal(0, 30, GRID.size)
    freq, kept = decimate(GRID, value, 100)
    for column in range(100):
        low, high = 144e6 + 4e4 * column, 144e6 + 4e4 * (column + 1)
        inside, shown = (low <= GRID) & (high > GRID), (freq >= low) & (freq < high)
        # a point exactly on a column's edge may fall to either side by rounding, so compare away from the edges
        assert kept[shown].max() >= value[inside][1:-1].max()
        assert kept[shown].min() <= value[inside][1:-1].min()


def test_gaps_survive_decimation():
    value = np.ones(GRID.size)
    value[3000:4000] = np.nan
    freq, kept = decimate(GRID, value, 100)
    assert np.isnan(kept).any()
    gap = (freq > GRID[3100]) & (freq < GRID[3900])
    assert np.isnan(kept[gap]).all()
    assert (
        ET.fromstring(svg(plot(lines=(Line("device", "device", GRID, value),)))).find("path").get("d").count("M") == 2
    )


@pytest.mark.parametrize(
    ("span", "most", "step"),
    [(100, 6, 20), (1, 5, 0.2), (4e6, 8, 5e5), (60e3, 4, 20e3), (0.7, 7, 0.1), (140, 6, 50), (9.99, 1, 10)],
)
def test_nice_steps_are_1_2_5(span, most, step):
    assert nice_step(span, most) == pytest.approx(step)


def test_one_deep_point_in_10001_reaches_the_paper_and_points_down():
    drawn = points(svg(plot()))
    deepest = drawn[drawn[:, 1].argmax()]
    # frame of a wide plot: 14 px from the top (no targets, no stamp) to 40 px above its foot at 250
    assert deepest[1] == pytest.approx(14 + 0.87 * (210 - 14), abs=0.1)
    assert drawn[:, 1].min() == pytest.approx(14 + 0.01 * (210 - 14), abs=0.1)


def test_levels_grow_upwards():
    drawn = points(svg(plot(downwards=False)))
    assert drawn[drawn[:, 1].argmin(), 1] == pytest.approx(210 - 0.87 * (210 - 14), abs=0.1)


def test_values_outside_stay_in_the_frame():
    wild = np.where(np.arange(GRID.size) % 2, 1e9, -1e9)
    drawn = points(svg(plot(lines=(Line("device", "device", GRID, wild),))))
    assert drawn[:, 1].min() >= 14
    assert drawn[:, 1].max() <= 210


def test_texts_are_escaped_and_named_for_screen_readers(synthetic):
    bad = '<script>&"'
    marks = {"targets": (TargetMark(146e6, bad),), "limits": (LimitMark(146e6, 146e6, 75.0, False, bad),)}
    text = svg(plot(title=bad, desc=bad, axis=bad, stamp=bad, lines=(Line(bad, "noise", GRID, GRID * 0),), **marks))
    assert "<script" not in text
    tree = ET.fromstring(text)
    assert tree.get("role") == "img"
    assert tree.get("aria-labelledby") == "fig1-t fig1-d"
    assert (tree.find("title").text, tree.find("desc").text) == (bad, bad)


def test_neighbouring_labels_do_not_touch():
    near = tuple(TargetMark(146e6 + 1e4 * k, f"channel {k} 146.0{k}0") for k in range(4))
    lines = tuple(Line(f"line {k}", "noise", GRID, np.full(GRID.size, 99.0 + 0.1 * k)) for k in range(5))
    tree = ET.fromstring(svg(plot(targets=near, lines=lines)))
    for kind in ("target-name", "line-name"):
        rows = sorted(float(text.get("y")) for text in tree.iter("text") if text.get("class") == kind)
        assert len(rows) in {4, 5}
        assert min(np.diff(rows)) >= 13  # the texts are 11 px high
        assert rows[0] > 0
        assert rows[-1] <= 250 - 30


def test_equal_limits_side_by_side_share_one_name():
    near, far = (
        LimitMark(146.0e6, 146.0e6, 18.0, False, "at least 18 dB"),
        LimitMark(147.5e6, 147.5e6, 18.0, False, "at least 18 dB"),
    )
    beside, other = replace(near, low_hz=146.1e6, high_hz=146.1e6), replace(near, value=20.0, label="at least 20 dB")
    tree = ET.fromstring(svg(plot(limits=(far, near, beside, other))))
    names = [text.text for text in tree.iter("text") if text.get("class") == "limit-name"]
    assert sorted(names) == ["at least 18 dB", "at least 18 dB", "at least 20 dB"]
    assert len([e for e in tree.iter("line") if e.get("class") == "limit"]) == 4


def name_boxes(text):
    """Left, top, right, bottom of each limit's name: 11 px high above its base line, 6 px a letter."""
    boxes = []
    for name in ET.fromstring(text).iter("text"):
        if name.get("class") == "limit-name":
            x, y, half = float(name.get("x")), float(name.get("y")), 3.0 * len(name.text)
            boxes.append((x - half, y - 9, x + half, y + 2))
    return boxes


def overlap(one, other):
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def notch(at_hz, width_hz=60e3):
    """A response that is 1 dB far away and 85 dB at the bottom of its notch."""
    return np.minimum(1.0 + 84.0 / (1.0 + ((GRID - at_hz) / width_hz) ** 2), 85.0)


@pytest.mark.parametrize("greater", [True, False])
def test_names_of_limits_at_one_place_do_not_lie_on_each_other(greater):
    marks = tuple(LimitMark(146.0e6, 146.1e6, db, greater, f"limit {db:.0f} dB") for db in (75.0, 77.0, 78.0))
    boxes = name_boxes(svg(plot(limits=marks)))
    assert len(boxes) == 3
    assert not any(overlap(one, other) for k, one in enumerate(boxes) for other in boxes[:k])


@pytest.mark.parametrize("at_hz", [144.02e6, 144.7e6, 146.01e6, 147.98e6])
@pytest.mark.parametrize("wide", [True, False])
def test_the_name_of_a_limit_hides_no_notch_wherever_it_lies(at_hz, wide):
    """The bar stands in the notch's mouth, and its name would cover both flanks there; it is led out."""
    mark = LimitMark(at_hz - 8e3, at_hz + 8e3, 75.0, False, "at least 75 dB")
    text = svg(plot(lines=(Line("device", "device", GRID, notch(at_hz)),), limits=(mark,), wide=wide))
    box, drawn = name_boxes(text)[0], points(text)
    fine = np.arange(0, drawn.shape[0] - 1, 0.02)  # the stroke between its points, too
    across, down = (np.interp(fine, np.arange(drawn.shape[0]), drawn[:, k]) for k in (0, 1))
    assert not np.any((across > box[0]) & (across < box[2]) & (down > box[1]) & (down < box[3]))


def test_a_name_with_room_stands_beside_its_bar_and_one_led_away_has_a_line_to_it():
    mark = LimitMark(146.0e6, 146.0e6, 40.0, False, "at least 40 dB")
    free = svg(plot(lines=(Line("device", "device", GRID, np.full(GRID.size, 80.0)),), limits=(mark,)))
    assert "leader" not in free
    box = name_boxes(free)[0]
    bar = next(e for e in ET.fromstring(free).iter("line") if e.get("class") == "limit")
    assert abs((box[0] + box[2]) / 2 - (float(bar.get("x1")) + float(bar.get("x2"))) / 2) < 3  # px: one place tried
    jagged = np.where(np.arange(GRID.size) % 2, 1.0, 60.0)  # covers all round the bar
    led = svg(plot(lines=(Line("device", "device", GRID, jagged),), limits=(mark,)))
    line = next(e for e in ET.fromstring(led).iter("line") if e.get("class") == "leader")
    box = name_boxes(led)[0]
    assert box[1] - 4 <= float(line.get("y2")) <= box[3] + 4


def test_hatching_lies_on_the_forbidden_side():
    for greater in (True, False):
        mark = LimitMark(145.9e6, 146.1e6, 50.0, greater, "limit")
        tree = ET.fromstring(svg(plot(limits=(mark,))))
        bar = float(next(e for e in tree.iter("line") if e.get("class") == "limit").get("y1"))
        ends = [float(e.get("y2")) for e in tree.iter("line") if e.get("class") == "hatch"]
        assert ends
        assert all((end > bar) == greater for end in ends)  # greater loss lies further down
