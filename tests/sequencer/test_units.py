"""Quantities read and written: units, refusals, and that nothing is lost on the way."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer import units
from sequencer.errors import UnitError

DIMENSIONS = [value for value in vars(units).values() if isinstance(value, units.Dimension)]

READ = [
    pytest.param("146.610 MHz", units.FREQUENCY, 146_610_000.0, id="mhz"),
    pytest.param("146.610MHz", units.FREQUENCY, 146_610_000.0, id="no-space"),
    pytest.param(" 8 khz ", units.FREQUENCY, 8000.0, id="harmless-case"),
    pytest.param("925e6 Hz", units.FREQUENCY, 925e6, id="exponent"),
    pytest.param("1.3 GHz", units.FREQUENCY, 1.3e9, id="ghz"),
    pytest.param("-10 dBm", units.DBM, -10.0, id="dbm"),
    pytest.param(".5 dB", units.DB, 0.5, id="leading-point"),
    pytest.param("0.02 dB/dB", units.DB_PER_DB, 0.02, id="per-db"),
    pytest.param("0.1 dB/hour", units.DB_PER_HOUR, 0.1, id="per-hour"),
    # The inch is 25.4 mm and the foot 0.3048 m exactly (international yard and pound agreement, 1959; from memory)
    pytest.param("14 in", units.LENGTH, 0.3556, id="inch"),
    pytest.param("2 ft", units.LENGTH, 0.6096, id="foot"),
    pytest.param("30 min", units.TIME, 1800.0, id="minutes"),
    pytest.param("50 ms", units.TIME, 0.05, id="milliseconds"),
    pytest.param("21 °C", units.TEMPERATURE, 21.0, id="degrees"),
    pytest.param("2.5 %", units.PERCENT, 0.025, id="percent"),
    pytest.param("2 ppm", units.PPM, 2.0, id="ppm"),
    pytest.param("1.5", units.VSWR, 1.5, id="vswr"),
    pytest.param("1.5:1", units.VSWR, 1.5, id="vswr-to-one"),
    pytest.param("2 years", units.PERIOD, 24.0, id="years"),
    pytest.param("1.5", units.PLAIN, 1.5, id="plain"),
]


@pytest.mark.parametrize(("text", "dimension", "value"), READ)
def test_reads_what_a_technician_writes(text: str, dimension: units.Dimension, value: float) -> None:
    # exact but for the last bit: 14 * 0.0254 is rounded once
    assert units.parse(text, dimension) == pytest.approx(value, rel=2e-16)


REFUSED = [
    pytest.param("80", units.DB, "'80' has no unit; write for example '80 dB'", id="no-unit"),
    pytest.param("146.61", units.FREQUENCY, "write for example '146.61 MHz'", id="no-unit-frequency"),
    pytest.param("80 dBm", units.DB, "allowed: dB)", id="dbm-for-db"),
    pytest.param("80 dB", units.DBM, "'dB' is not a unit of level", id="db-for-dbm"),
    pytest.param("146 M", units.LENGTH, "'M' is not a unit of length", id="capital-m"),
    pytest.param("146 mHz", units.FREQUENCY, "write MHz", id="millihertz"),
    pytest.param("146,610 MHz", units.FREQUENCY, "'146.610 MHz'", id="comma"),
    pytest.param("nan dB", units.DB, "not a finite number", id="nan"),
    pytest.param(".inf dB", units.DB, "not a finite number", id="yaml-inf"),
    pytest.param("-Infinity dB", units.DB, "not a finite number", id="infinity"),
    pytest.param("1e999 dB", units.DB, "not a finite number", id="overflow"),
    pytest.param("1e305 GHz", units.FREQUENCY, "not a finite number", id="overflow-by-unit"),
    pytest.param("1e" + "9" * 5000 + " dB", units.DB, "is not a ratio", id="endless-exponent"),
    pytest.param("", units.DB, "is not a ratio", id="empty"),
    pytest.param("dB", units.DB, "is not a ratio", id="unit-only"),
    pytest.param("1.5 dB", units.PLAIN, "takes no unit", id="unit-on-plain"),
    pytest.param("1 2 dB", units.DB, "is not a unit", id="two-numbers"),
    pytest.param("٣ dB", units.DB, "is not a ratio", id="other-digits"),
]


@pytest.mark.parametrize(("text", "dimension", "words"), REFUSED)
def test_refuses_and_says_what_to_write(text: str, dimension: units.Dimension, words: str) -> None:
    with pytest.raises(UnitError, match=re.escape(words)) as caught:
        units.parse(text, dimension)
    assert len(str(caught.value)) < 250  # a line, however long the text was


@pytest.mark.parametrize("dimension", DIMENSIONS, ids=lambda d: d.name.replace(" ", "-"))
@given(value=st.floats(allow_nan=False, allow_infinity=False))
def test_what_is_shown_reads_back_exactly(dimension: units.Dimension, value: float) -> None:
    text = units.show(value, dimension)
    assert units.parse(text, dimension) == value
    assert re.search(units.pattern(dimension), text)


@given(hertz=st.integers(min_value=0, max_value=10**12))
def test_whole_hertz_survive_show_hz(hertz: int) -> None:
    assert units.parse(units.show_hz(float(hertz)), units.FREQUENCY) == hertz


@pytest.mark.parametrize("dimension", DIMENSIONS, ids=lambda d: d.name.replace(" ", "-"))
@given(text=st.text(max_size=12) | st.from_regex(r"\A-?[0-9.]{1,4} ?[a-zA-Z/%:1]{0,4}\Z"))
def test_any_text_is_a_finite_number_or_a_unit_error(dimension: units.Dimension, text: str) -> None:
    try:
        value = units.parse(text, dimension)
    except UnitError:
        return
    assert math.isfinite(value)
    assert re.search(units.pattern(dimension), text)  # the schema accepts what the loader accepts


@pytest.mark.parametrize("dimension", DIMENSIONS, ids=lambda d: d.name.replace(" ", "-"))
def test_the_example_in_messages_can_be_read(dimension: units.Dimension) -> None:
    assert math.isfinite(units.parse(dimension.example, dimension))


def test_show_refuses_what_parse_would() -> None:
    with pytest.raises(UnitError, match="finite"):
        units.show(math.nan, units.DB)


@pytest.mark.parametrize(
    ("value", "dimension", "text"),
    [
        (146.61e6, units.FREQUENCY, "146.61 MHz"),
        (8e3, units.FREQUENCY, "8 kHz"),
        (0.0, units.FREQUENCY, "0 Hz"),
        (0.025, units.PERCENT, "2.5 %"),
        (-10.0, units.DBM, "-10 dBm"),
        (0.05, units.TIME, "50 ms"),
        (1.5, units.VSWR, "1.5"),
    ],
)
def test_show_reads_well(value: float, dimension: units.Dimension, text: str) -> None:
    assert units.show(value, dimension) == text
    assert units.show_db(-0.001) == "0.00 dB"


@pytest.mark.parametrize("text", ["70 degF", "70 F", "70°F", "70 deg F", "70.0 f"])
def test_fahrenheit_is_refused_with_the_degrees_that_are_meant(text: str) -> None:
    with pytest.raises(UnitError, match=r"temperatures are told in degC; write '21\.1 degC'"):
        units.parse(text, units.TEMPERATURE)
