"""Where a change points, by the patterns of the trade (trade notes 7.3 and 9: common practice, no source)."""

from __future__ import annotations

import re

import pytest

from sequencer.studies.changes import compare
from sequencer.studies.reasons import temperature_c

PLACES = {
    "loss": ("insertion loss", "TX-ANT", "transmit", 1.3),
    "other loss": ("insertion loss", "ANT-RX", "receive", 1.3),
    "rejection": ("rejection", "TX-ANT", "receive", 80.0),
    "other rejection": ("rejection", "ANT-RX", "transmit", 80.0),
    "match": ("return loss", "TX", "transmit", 22.0),
    "other match": ("return loss", "ANT", "transmit", 22.0),
    "notch": ("notch frequency", "TX-ANT", "receive", 146.01e6),
    "other notch": ("notch frequency", "ANT-RX", "transmit", 146.61e6),
}


def told(make, moved, before=None, now=None) -> str:
    def run(shift, **more):
        results = [
            make.result(quantity, where, at, value + shift.get(name, 0.0),
                        [make.line(f"noise {name}", 100.0 if "notch" in name else 0.03)])
            for name, (quantity, where, at, value) in PLACES.items()
        ]  # fmt: skip
        return make.record(*results, **more)

    first, second = ({} if t is None else {"conditions": {"temperature": t}} for t in (before, now))
    return compare(run({}, **first), run(moved, days=1, **second)).family.reason


@pytest.mark.parametrize(
    ("moved", "says"),
    [
        pytest.param({}, "", id="nothing"),
        pytest.param({"loss": 1.0, "rejection": -6.0}, "TX-ANT loses more .* lower Q", id="oxidised"),
        pytest.param({"rejection": -6.0}, "TX-ANT rejects less at about the same loss", id="notch-moved"),
        pytest.param({"loss": 1.0}, "only the loss of TX-ANT grew", id="joint"),
        pytest.param({"match": -6.0}, "only the return loss of TX changed", id="connector"),
        pytest.param(
            {"loss": 70.0, "rejection": -70.0, "other loss": 70.0, "other rejection": -70.0},
            "two sides look changed over",
            id="swapped",
        ),
        pytest.param(
            {"loss": 0.4, "rejection": 0.4, "other loss": 0.4, "other rejection": 0.4},
            r"every loss shifted by about \+0\.40 dB: the thru",
            id="thru",
        ),
        pytest.param({"notch": 3e3, "other notch": 3e3}, "all notches moved the same way", id="temperature-unknown"),
        pytest.param({"match": -6.0, "loss": 1.0, "other rejection": -6.0}, "", id="points-nowhere"),
    ],
)
def test_a_change_points_where_the_trade_would_look(make, moved, says) -> None:
    reason = told(make, moved)
    assert (reason == "") if not says else re.search(says, reason)


def test_a_recorded_temperature_is_told_with_the_notches(make) -> None:
    assert "(18 degC before, 29 degC now)" in told(make, {"notch": 3e3, "other notch": 2e3}, "18 degC", "29 degC")
    assert told(make, {"notch": 3e3}, "18 degC", "29 degC").startswith("a notch moved, and it was 18 degC")
    assert told(make, {"notch": 3e3}, "18 degC", "19 degC") == ""


@pytest.mark.parametrize(("text", "value"), [("21 degC", 21.0), ("21.5 C", 21.5), ("not recorded", None), ("70", None)])
def test_a_temperature_is_read_where_it_has_a_unit(make, text, value) -> None:
    assert temperature_c(make.record(conditions={"Temperature": text})) == value
    assert temperature_c(make.record()) is None
