"""Numbers in words: rounding to the uncertainty, bounds that never read as values."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports import words
from sequencer.core.record import Bound, Limit, Result, Statement

PLAIN = Result(
    id="x",
    quantity="rejection",
    at="receive",
    at_hz=146.01e6,
    unit="dB",
    value=80.0,
    interval=(79.0, 81.0),
    coverage=0.95,
    statement=Statement.PASS,
    path="TX-ANT",
)


def made(value, low, high, unit="dB", **more):
    return replace(PLAIN, value=value, interval=(low, high), unit=unit, **more)


CASES = [
    # JCGM 100:2008 7.2.6: 10,057 62 ohm with u = 27 milliohm is given as 10,058 ohm (here hertz for ohm)
    pytest.param(
        made(10057.62, 10057.62 - 27, 10057.62 + 27, "Hz"), "10.058 kHz", "10.030 to 10.085 kHz", id="gum-7.2.6"
    ),
    pytest.param(made(1.3249, 1.146, 1.507), "1.32 dB", "1.14 to 1.51 dB", id="loss-two-digits"),
    pytest.param(made(84.349, 82.93, 86.14), "84.3 dB", "82.9 to 86.2 dB", id="rejection-lopsided"),
    pytest.param(made(60.4, 48.0, 75.2), "60 dB", "48 to 76 dB", id="two-figures-of-uncertainty"),
    pytest.param(made(-0.001, -0.1, 0.1), "0.00 dB", "\N{MINUS SIGN}0.10 to 0.10 dB", id="no-negative-zero"),
    pytest.param(made(1.2345, 1.2344, 1.2346), "1.23 dB", "1.23 to 1.24 dB", id="never-finer-than-a-hundredth"),
    pytest.param(made(2345.0, 2000.0, 2690.0, "Hz"), "2.34 kHz", "2.00 to 2.69 kHz", id="kilohertz-half-to-even"),
    pytest.param(made(22.4, 19.3, None), "22.4 dB", "from 19.3 dB upwards", id="no-upper-end"),
    pytest.param(made(22.4, None, 25.0), "22.4 dB", "up to 25.0 dB", id="no-lower-end"),
    pytest.param(made(3.0, None, None), "3.0 dB", "none", id="no-ends"),
    pytest.param(made(None, 88.19, None, bound=Bound.AT_LEAST), "≥ 88.1 dB", "one-sided, 95 %", id="bound-rounds-down"),
    pytest.param(made(90.0, 88.19, None, bound=Bound.AT_LEAST), "≥ 88.1 dB", "one-sided, 95 %", id="bound-beats-value"),
    pytest.param(made(None, None, None), "no value", "none", id="nothing-known"),
]


@pytest.mark.parametrize(("result", "value", "interval"), CASES)
def test_value_and_interval(result, value, interval):
    assert words.value_text(result) == value
    assert words.interval_text(result) == interval


@given(
    value=st.floats(-20, 150),
    below=st.floats(0.001, 40),
    above=st.floats(0.001, 40),
)
def test_rounding_never_narrows_an_interval(value, below, above):
    shown = words.interval_text(made(value, value - below, value + above)).replace("\N{MINUS SIGN}", "-")
    low, high = (float(number) for number in re.fullmatch(r"(\S+) to (\S+) dB", shown).groups())
    assert low <= value - below
    assert high >= value + above


@given(low=st.floats(-5, 160))
def test_a_bound_is_never_overstated(low):
    shown = words.value_text(made(None, low, None, bound=Bound.AT_LEAST)).replace("\N{MINUS SIGN}", "-")
    assert shown.startswith("≥ ")
    assert low - 0.1 <= float(shown.removeprefix("≥ ").removesuffix(" dB")) <= low


@pytest.mark.parametrize(
    ("limit", "unit", "text"),
    [
        (Limit(max=1.6), "dB", "at most 1.6 dB"),
        (Limit(min=75.0), "dB", "at least 75 dB"),
        (Limit(min=146.007e6, max=146.013e6), "Hz", "146.007 to 146.013 MHz"),
        (Limit(min=999e3, max=1.001e6), "Hz", "999 kHz to 1.001 MHz"),
        (Limit(), "dB", "none stated"),
    ],
)
def test_limits(limit, unit, text):
    assert words.limit_text(limit, unit) == text


@pytest.mark.parametrize(
    ("margin", "text"),
    [
        (0.2751, "+0.28 dB"),
        (-0.004, "\N{MINUS SIGN}0.004 dB"),
        (0.0, "0.0 dB"),
        (None, "none"),
    ],
)
def test_a_margin_that_is_not_zero_never_prints_as_zero(margin, text):
    wide = 1.0 if margin == 0.0 else 0.1
    assert words.margin_text(made(1.5, 1.5 - wide, 1.5 + wide, margin=margin)) == text


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (1.0, "over 99.9 %"),
        (0.9996, "over 99.9 %"),
        (0.9995, "over 99.9 %"),
        (0.9994, "99.9 %"),
        (0.0005, "0.1 %"),
        (0.0004, "below 0.1 %"),
        (0.5, "50.0 %"),
        (0.0, "below 0.1 %"),
    ],
)
def test_nothing_is_called_certain(share, text):
    assert words.probability_text(share) == text


def test_the_margin_of_a_bound_is_rounded_down_like_the_bound():
    bound = made(None, 88.19, None, bound=Bound.AT_LEAST, limit=Limit(min=75.0), margin=13.19)
    assert words.margin_text(bound) == "+13.1 dB"


@pytest.mark.parametrize(
    ("rule", "result", "text"),
    [  # ILAC-G8:09/2019 4.2.2: the acceptance limit is the limit less the guard band; the ends print rounded outwards
        ("guarded", made(1.464, 1.377, 1.5516, limit=Limit(max=1.6), margin=0.136), "+0.04 dB"),
        ("guarded", made(75.1, 74.3, 75.9, limit=Limit(min=75.0), margin=0.1), "\N{MINUS SIGN}0.7 dB"),
        ("four-way", made(75.6, 74.96, 76.2, limit=Limit(min=75.0), margin=0.6), "\N{MINUS SIGN}0.04 dB"),
        ("guarded", made(2.0, 1.5, 2.7, limit=Limit(min=1.0, max=3.0), margin=1.0), "+0.3 dB"),
        ("guarded", made(80.0, None, 90.0, limit=Limit(min=75.0), margin=5.0), "no end"),
        ("guarded", made(80.0, 78.0, None, limit=Limit(min=75.0), margin=5.0), "+3.0 dB"),
        ("risk", made(80.0, 78.0, 82.0, limit=Limit(min=75.0), margin=5.0, probability_conforming=0.987), "98.7 %"),
    ],
)
def test_what_decides_is_shown_beside_the_values_margin(rule, result, text):
    assert words.deciding_text(result, rule) == text


def test_requirement_in_words():
    inside = replace(PLAIN, condition="within 8 kHz")
    assert words.requirement_text(inside) == "Rejection, TX to ANT, at receive (146.010 MHz), within 8 kHz"
    port = replace(PLAIN, quantity="return loss", path=None, port="ANT")
    assert words.requirement_text(port) == "Return loss of port ANT, at receive (146.010 MHz)"
    assert words.where_text(replace(PLAIN, path="A-1-B")) == "A-1-B"


def test_overall_sentence_counts_every_statement(synthetic):
    record = synthetic.record()
    sentence = words.overall_sentence(record)
    assert "Of 12 requirements measured: 7 met, 1 not met, 2 closer" in sentence
    assert "2 undecided" in sentence
    passed = replace(record, results=tuple(replace(r, statement=Statement.PASS) for r in record.results))
    assert words.overall_sentence(passed).startswith("All 12 requirements measured are met")
    assert words.overall_sentence(replace(passed, results=passed.results[:1])).startswith("The one requirement")
    unasked = replace(record.results[0], limit=Limit(), statement=Statement.UNDECIDED)
    assert words.overall_sentence(replace(passed, results=(*passed.results, unasked))).startswith("All 12 requirements")
    assert words.overall_sentence(replace(record, results=(unasked,))) == "Nothing was required: no limit is set."
    assert words.overall_sentence(replace(record, results=())) == "No requirement was measured."
