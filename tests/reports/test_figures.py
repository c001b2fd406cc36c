"""Which plots there are, and what is drawn on them."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from reports.figures import SIMULATED_MARK, figure_groups
from sequencer.core.record import Curve, CurveKind


@pytest.fixture(scope="module")
def groups(synthetic):
    return {group.id: group for group in figure_groups(synthetic.record(), synthetic.curves())}


def texts(figure, kind):
    return [text.text for text in ET.fromstring(figure.svg).iter("text") if text.get("class") == kind]


def test_every_curve_finds_its_plot(groups):
    assert {name: len(group.figures) for name, group in groups.items()} == {
        "whole": 2,
        "near": 4,
        "reflection": 2,
        "thru": 1,
    }


def test_whole_response_has_limits_and_targets(groups):
    whole = groups["whole"].figures[0]
    assert texts(whole, "target-name") == ["receive 146.010", "transmit 146.610"]
    assert texts(whole, "limit-name") == ["at most 1.6 dB", "at least 75 dB"]
    assert texts(whole, "line-name") == ["device", "noise"]


def test_a_notch_is_drawn_with_all_that_could_hide_it(groups):
    assert texts(groups["near"].figures[0], "line-name") == ["device", "leakage", "noise", "display end"]


def test_where_the_notch_must_lie_is_drawn(groups):
    assert "notch must lie here" in texts(groups["near"].figures[0], "limit-name")
    assert "notch must lie here" not in texts(groups["near"].figures[1], "limit-name")  # another frequency
    assert "notch must lie here" not in texts(groups["near"].figures[2], "limit-name")  # another path


def test_a_pass_band_is_not_squashed_by_the_noise_far_below(groups):
    near = groups["near"].figures[1]
    assert texts(near, "line-name") == ["device"]
    assert "noise at 92 dB" in near.caption
    assert "noise, dB" in near.head


def test_thru_tells_the_change(groups, synthetic):
    assert "Mean change \N{MINUS SIGN}0.06 dB" in groups["thru"].figures[0].caption  # the fixture closes 0.06 dB lower
    opening = [c for c in synthetic.curves() if c.kind is not CurveKind.THRU_CLOSING]
    alone = figure_groups(synthetic.record(), opening)[-1].figures[0]
    assert "no closing thru" in alone.caption


def test_the_table_reads_the_curve(groups, synthetic):
    curve = next(c for c in synthetic.curves() if c.kind is CurveKind.RESPONSE and c.key == "overview")
    rows = {row[0]: row[1] for row in groups["whole"].figures[0].rows}
    at_hz = np.argmin(np.abs(curve.freq_hz - synthetic.RECEIVE_HZ))
    assert rows["receive 146.010 MHz"] == f"{curve.value[at_hz]:.2f}"
    assert f"{curve.value.max():.2f}" in next(value for name, value in rows.items() if name.startswith("greatest"))


def test_every_plot_of_a_simulated_run_is_stamped(synthetic):
    for group in figure_groups(synthetic.record(simulated=True), synthetic.curves()):
        for figure in group.figures:
            assert texts(figure, "stamp") == [SIMULATED_MARK]
            assert SIMULATED_MARK in ET.fromstring(figure.svg).find("title").text


def test_no_plot_of_a_measured_run_is_stamped(groups):
    for group in groups.values():
        assert all(SIMULATED_MARK not in figure.svg for figure in group.figures)


def test_curves_without_a_drawable_point_are_left_out(synthetic):
    empty = [
        Curve(kind=CurveKind.RESPONSE, where="TX-ANT", key="overview", freq_hz=[1e8], value=[1.0]),
        Curve(kind=CurveKind.RESPONSE, where="TX-ANT", key="receive", freq_hz=[1e8, 2e8], value=[np.nan, np.nan]),
    ]
    assert figure_groups(synthetic.record(), empty) == ()
    assert figure_groups(synthetic.record(), []) == ()


@pytest.mark.parametrize("kind", list(CurveKind))
def test_odd_values_never_break_a_plot(kind, synthetic):
    grid = np.linspace(146e6, 146.1e6, 5)
    for values in ([np.nan, 1, 1, 1, np.nan], [np.inf, 1, 2, 3, -np.inf], [0, 0, 0, 0, 0]):
        odd = Curve(kind=kind, where="TX-ANT", key="receive", freq_hz=grid, value=values)
        base = replace(odd, kind=CurveKind.RESPONSE, value=np.array([1, 50, 1, 50, 1.0]))
        for group in figure_groups(synthetic.record(), [base, odd]):
            for figure in group.figures:
                assert "nan" not in ET.fromstring(figure.svg).find("path").get("d")
