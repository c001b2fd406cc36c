"""Command text and reply parsing, without a bus."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments import scpi
from sequencer.errors import InstrumentError

# --- numbers ---

NUMBERS = [  # forms of IEEE 488.2 8.7.2 to 8.7.4 (NR1, NR2, NR3), from memory; the rest is common practice, no source
    pytest.param("601", 601.0, id="nr1"),
    pytest.param("-12.50", -12.5, id="nr2"),
    pytest.param("+1.4661E+08", 146.61e6, id="nr3-leading-plus"),
    pytest.param(" 3000 ", 3000.0, id="blanks"),
    pytest.param("1.5e3 HZ", 1500.0, id="unit-with-blank"),
    pytest.param("146.61MHZ", 146.61e6, id="mhz-is-mega"),
    pytest.param("20 MS", 0.02, id="ms-is-milli"),
    pytest.param("-30.0DBM", -30.0, id="dbm"),
    pytest.param(":FREQ:STAR 1.0E6", 1e6, id="header-echo"),
    pytest.param("9.9E37", math.inf, id="scpi-infinity"),
    pytest.param("-9.9E37", -math.inf, id="scpi-minus-infinity"),
]


@pytest.mark.parametrize(("answer", "expected"), NUMBERS)
def test_numbers(answer: str, expected: float) -> None:
    assert scpi.parse_number(answer, "X?") == pytest.approx(expected, rel=1e-15)  # one rounding of a scaled suffix


def test_scpi_not_a_number() -> None:
    assert math.isnan(scpi.parse_number("9.91E37", "X?"))


@pytest.mark.parametrize(
    "answer", ["", "  ", "1,2", "abc", "1.0 VOLT", "0x10", "nan", "inf", "1_0", "--1", "1e", "1 2"]
)
def test_what_is_no_number_names_command_and_answer(answer: str) -> None:
    with pytest.raises(InstrumentError) as caught:
        scpi.parse_number(answer, "FREQ:STAR?")
    assert "FREQ:STAR?" in caught.value.message
    assert repr(answer) in caught.value.message
    assert caught.value.facts["sent"] == "FREQ:STAR?"


def test_a_unit_of_another_kind_is_refused() -> None:
    with pytest.raises(InstrumentError, match="DBM"):
        scpi.parse_number("-30 DBM", "FREQ:STAR?", "HZ")


@pytest.mark.parametrize("answer", ["9.91E37", "9.9E37", "-9.9E37"])
def test_a_sentinel_is_no_setting_and_no_count(answer: str) -> None:
    with pytest.raises(InstrumentError, match="none"):
        scpi.parse_number(answer, "BAND?", finite=True)
    with pytest.raises(InstrumentError, match="none"):
        scpi.parse_integer(answer, "*ESR?")


@pytest.mark.parametrize("answer", ["1.5", "-1", "65536", "", "x"])
def test_a_status_register_is_a_whole_number_of_sixteen_bits(answer: str) -> None:
    with pytest.raises(InstrumentError):
        scpi.parse_integer(answer, "STAT:QUES?")


@given(st.floats(min_value=-1e30, max_value=1e30))
def test_numbers_survive_the_trip(value: float) -> None:
    assert scpi.parse_number(scpi.write_number(value), "X?") == value


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_never_sent(value: float) -> None:
    with pytest.raises(ValueError, match="cannot be sent"):
        scpi.write_number(value)


# --- booleans, strings, identification, error queue ---


@pytest.mark.parametrize(
    ("answer", "expected"),
    [
        ("1", True),
        ("0", False),
        ("ON", True),
        ("off", False),
        ("+1", True),
        ("+0.000000000E+00", False),
        ("1.0", True),
        (":OUTP:STAT 0", False),
    ],
)
def test_booleans(answer: str, expected: bool) -> None:
    assert scpi.parse_boolean(answer, "OUTP?") is expected


@pytest.mark.parametrize("answer", ["", "2", "yes", "1;0", "1 DB", "0.5"])
def test_other_answers_are_not_booleans(answer: str) -> None:
    with pytest.raises(InstrumentError, match="on or off"):
        scpi.parse_boolean(answer, "OUTP?")


def test_strings_of_both_quotes() -> None:
    assert scpi.parse_string('"say ""so"""', "X?") == 'say "so"'
    assert scpi.parse_string("'TRACE1'", "X?") == "TRACE1"
    for broken in ('"half', '"a"b"', "'", ""):
        with pytest.raises(InstrumentError):
            scpi.parse_string(broken, "X?")


def test_a_short_identification_has_empty_fields() -> None:
    assert scpi.parse_identification("Invented,Bench,7,1.0,extra") == ("Invented", "Bench", "7", "1.0,extra")
    assert scpi.parse_identification("Bench only") == ("Bench only", "", "", "")
    with pytest.raises(InstrumentError, match="empty"):
        scpi.parse_identification("")


@pytest.mark.parametrize(
    ("answer", "expected"),
    [  # SCPI-1999 Vol. 2, chapter 21: 0,"No error" and -113,"Undefined header"
        ('0,"No error"', (0, "No error")),
        ('+0,"No error"', (0, "No error")),
        ('-113,"Undefined header;FREQ:STRA"', (-113, "Undefined header;FREQ:STRA")),
        ("-222, 'Data out of range, 9 GHz'", (-222, "Data out of range, 9 GHz")),
        ("0", (0, "")),
    ],
)
def test_error_queue_entries(answer: str, expected: tuple[int, str]) -> None:
    assert scpi.parse_error_entry(answer, "SYST:ERR?") == expected


@pytest.mark.parametrize("answer", ["", "Some error", 'x,"y"', '-113,"half'])
def test_a_nonsense_error_queue_is_an_error(answer: str) -> None:
    with pytest.raises(InstrumentError):
        scpi.parse_error_entry(answer, "SYST:ERR?")


def test_answers_of_one_message_are_counted() -> None:
    assert scpi.split_answers("1;2", 2, "A?;B?") == ["1", "2"]
    with pytest.raises(InstrumentError, match="3 answers expected, 2 came"):
        scpi.split_answers("1;2", 3, "A?;B?;C?")


# --- templates ---


@pytest.mark.parametrize(
    "template",
    [
        "{0}",
        "{}",
        "{x.y}",
        "{x[0]}",
        "{x!r}",
        "{x:>10}",
        "{x:,}",
        "{x:d}",
        "{{x}}",
        "{x",
        "x}",
        "{x.__class__}",
        "A\nB",
    ],
)
def test_only_plain_names_stand_in_braces(template: str) -> None:
    with pytest.raises(ValueError, match="only"):
        scpi.names_in(template)


@pytest.mark.parametrize("word", ["1;OUTP ON", "a b", "", "x\n", "'", "@"])
def test_a_word_cannot_smuggle_in_a_command(word: str) -> None:
    with pytest.raises(ValueError, match="cannot stand"):
        scpi.fill("DET {word}", {"word": word})


def test_a_template_says_which_value_is_missing() -> None:
    with pytest.raises(ValueError, match="rbw_hz"):
        scpi.fill("BAND {rbw_hz}", {"vbw_hz": 1.0})


def test_joined_commands_start_at_the_root_except_common_ones() -> None:
    assert scpi.join("A 1", "B?", "*OPC", ":C?") == "A 1;:B?;*OPC;:C?"
