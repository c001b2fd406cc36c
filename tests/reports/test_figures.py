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
    assert sorted(texts(whole, "limit-name")) == ["at least 75 dB", "at most 1.6 dB"]
    assert texts(whole, "line-name") == ["device", "noise"]


def test_a_notch_is_drawn_with_all_that_could_hide_it(groups):
    assert texts(groups["near"].figures[0], "line-name") == ["wide sweep", "zoom", "leakage", "noise", "display end"]


def test_a_close_up_shows_the_shape_of_the_notch_around_its_points(groups, synthetic):
    near = groups["near"].figures[0]
    ticks = [t.text for t in ET.fromstring(near.svg).iter("text") if t.text and t.text.startswith("146.")]
    mhz = [float(text) for text in ticks]
    assert max(mhz) - min(mhz) > 0.09  # several notch widths of about 10 kHz; the zoom alone spans 0.02
    few = [
        replace(c, freq_hz=c.freq_hz[::50], value=c.value[::50]) if c.key == "receive" and c.where == "TX-ANT" else c
        for c in synthetic.curves()
    ]
    thinned = {group.id: group for group in figure_groups(synthetic.record(), few)}["near"].figures[0]
    assert len(list(ET.fromstring(thinned.svg).iter("circle"))) == 21 + 1  # 1001 / 50 points, and one beside the name
    assert "Dashed: the wide sweep" in groups["near"].lead


def test_where_the_notch_must_lie_is_drawn(groups):
    assert "notch must lie here" in texts(groups["near"].figures[0], "limit-name")
    assert "notch must lie here" not in texts(groups["near"].figures[1], "limit-name")  # another frequency
    assert "notch must lie here" not in texts(groups["near"].figures[2], "limit-name")  # another path


def test_a_pass_band_is_not_squashed_by_the_noise_far_below(groups):
    near = groups["near"].figures[1]
    assert set(texts(near, "line-name")) == {"wide sweep", "zoom"}
    assert "noise at 92 dB" in near.caption
    assert "noise, dB" in near.head


def test_a_limit_at_the_edge_of_the_data_keeps_its_label_in_the_frame(synthetic):
    grid = np.linspace(synthetic.RECEIVE_HZ - 10e3, synthetic.RECEIVE_HZ + 10e3, 17)
    deep = Curve(kind=CurveKind.RESPONSE, where="TX-ANT", key="receive", freq_hz=grid, value=np.full(17, 78.0))
    figure = figure_groups(synthetic.record(), [deep])[0].figures[0]
    tree = ET.fromstring(figure.svg)
    top = float(tree.find("rect").get("y"))
    name = next(text for text in tree.iter("text") if text.text == "at least 75 dB")
    assert float(name.get("y")) - 8 >= top  # the capitals of 11 px text are about 8 px high


def test_return_loss_starts_at_zero_and_skips_what_tells_nothing(synthetic):
    def made(key, half_hz, loss_db):
        grid = np.linspace(synthetic.RECEIVE_HZ - half_hz, synthetic.RECEIVE_HZ + half_hz, 50)
        return Curve(kind=CurveKind.RETURN_LOSS, where="TX", key=key, freq_hz=grid, value=np.full(50, loss_db))

    # TX has its limit at transmit, so the flat close-up at receive adds nothing to the overview
    group = figure_groups(synthetic.record(), [made("overview", 2e6, 0.1), made("receive", 1e4, 0.1)])[0]
    assert [figure.title for figure in group.figures] == ["Return loss, port TX"]
    assert len(figure_groups(synthetic.record(), [made("receive", 1e4, 0.1)])[0].figures) == 1
    ticks = [t.text for t in ET.fromstring(group.figures[0].svg).iter("text") if t.get("text-anchor") == "end"]
    assert ticks[0] == "0"


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


def _curve(synthetic, kind: CurveKind, db: float) -> Curve:
    grid = np.linspace(synthetic.RECEIVE_HZ - 2e6, synthetic.RECEIVE_HZ + 2e6, 51)
    where = "ANT" if kind is CurveKind.RETURN_LOSS else "TX-ANT"
    return Curve(kind=kind, where=where, key="overview", freq_hz=grid, value=np.full(51, db))


@pytest.mark.parametrize(
    ("device_db", "said"), [(86.15, "hidden by leakage"), (67.9, "hidden by leakage"), (65.0, "65.00")]
)
def test_what_leakage_made_is_not_told_as_the_devices(synthetic, device_db: float, said: str) -> None:
    curves = [
        _curve(synthetic, CurveKind.RESPONSE, device_db),
        _curve(synthetic, CurveKind.FLOOR, 84.0),
        _curve(synthetic, CurveKind.LEAKAGE, 76.4),
    ]
    group = figure_groups(synthetic.record(), curves)[0]
    assert {row[1] for row in group.figures[0].rows} == {said}
    assert "wider filter" in group.lead  # said once, not under each picture


@pytest.mark.parametrize(("device_db", "said"), [(53.84, "hidden by directivity"), (22.0, "22.00")])
def test_what_the_bridge_made_is_not_told_as_the_devices(synthetic, device_db: float, said: str) -> None:
    bridge = {"what": "directional bridge", "id": "", "calibrated": "", "directivity": "40 dB"}
    record = replace(synthetic.record(), equipment=(bridge,))
    figure = figure_groups(record, [_curve(synthetic, CurveKind.RETURN_LOSS, device_db)])[0].figures[0]
    assert {row[1] for row in figure.rows} == {said}
    assert ("directivity" in figure.svg) == (device_db > 30.0)


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
