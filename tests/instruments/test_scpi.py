"""Command text and reply parsing, without a bus."""

from __future__ import annotations

import math
import struct

import numpy as np
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
    [("1", True), ("0", False), ("ON", True), ("off", False), ("+1", True), (":OUTP:STAT 0", False)],
)
def test_booleans(answer: str, expected: bool) -> None:
    assert scpi.parse_boolean(answer, "OUTP?") is expected


@pytest.mark.parametrize("answer", ["", "2", "yes", "1;0"])
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


@pytest.mark.parametrize("answer", ["", "No error", 'x,"y"', '-113,"half'])
def test_a_nonsense_error_queue_is_an_error(answer: str) -> None:
    with pytest.raises(InstrumentError):
        scpi.parse_error_entry(answer, "SYST:ERR?")


def test_answers_of_one_message_are_counted() -> None:
    assert scpi.split_answers("1;2", 2, "A?;B?") == ["1", "2"]
    with pytest.raises(InstrumentError, match="3 answers expected, 2 came"):
        scpi.split_answers("1;2", 3, "A?;B?;C?")


# --- traces ---


@pytest.mark.parametrize(
    "text", ["-1.0,-2.0,-3.0", "-1,-2,-3,", "-1.0 , -2.0E0,-3.00\r", "-1 DBM,-2 DBM,-3 DBM", "TRAC -1,-2,-3"]
)
def test_ascii_traces(text: str) -> None:
    assert scpi.parse_ascii_trace(text, 3, "TRAC?").tolist() == [-1.0, -2.0, -3.0]


@pytest.mark.parametrize("text", ["", ",", "-1,-2", "-1,-2,-3,-4", "-1,,-3", "-1,nan,-3", "-1,x,-3", "-1,1_0,-3"])
def test_ascii_traces_that_are_not_three_numbers(text: str) -> None:
    with pytest.raises(InstrumentError):
        scpi.parse_ascii_trace(text, 3, "TRAC?")


@pytest.mark.parametrize("width", [32, 64])
@pytest.mark.parametrize("swapped", [False, True])
def test_reals_in_both_orders_and_widths(width: int, swapped: bool) -> None:
    code = ("<" if swapped else ">") + ("f" if width == 32 else "d")
    payload = b"".join(struct.pack(code, value) for value in (-85.0, 9.91e37, 9.9e37, -9.9e37))
    values = scpi.parse_reals(payload, 4, "TRAC?", width=width, swapped=swapped)
    assert values[0] == -85.0
    assert math.isnan(values[1])
    assert values[2:].tolist() == [math.inf, -math.inf]


@pytest.mark.parametrize("width", [32, 64])
@pytest.mark.parametrize("swapped", [False, True])
@pytest.mark.parametrize("level", [-85.0, -20.125, 3.7, -123.456])
def test_the_wrong_byte_order_is_noticed(width: int, swapped: bool, level: float) -> None:
    code = ("<" if swapped else ">") + ("f" if width == 32 else "d")
    payload = struct.pack(code, level) * 5
    wrong = scpi.parse_reals(payload, 5, "TRAC?", width=width, swapped=not swapped)
    with pytest.raises(InstrumentError, match="other order"):
        scpi.levels(wrong, "TRAC?")
    right = scpi.parse_reals(payload, 5, "TRAC?", width=width, swapped=swapped)
    assert scpi.levels(right, "TRAC?") == pytest.approx(level, rel=1e-6)  # single precision


def test_missing_points_of_a_trace_are_nan_and_zero_is_a_level() -> None:
    seen = scpi.levels(np.array([-1.0, 0.0, np.inf, -np.inf, np.nan]), "TRAC?")
    assert seen[:2].tolist() == [-1.0, 0.0]
    assert np.isnan(seen[2:]).all()


def test_reals_demand_the_exact_count() -> None:
    with pytest.raises(InstrumentError, match="3 values of 4 bytes expected, 8 bytes came"):
        scpi.parse_reals(bytes(8), 3, "TRAC?", width=32, swapped=False)


# --- block headers: IEEE 488.2 8.7.9, from memory ---


@pytest.mark.parametrize(
    ("start", "expected"),
    [(b"#15HELLO", (3, 5)), (b"#580008", (7, 80008)), (b"#", None), (b"", None), (b"#3", None), (b"#31", None)],
)
def test_block_headers(start: bytes, expected: tuple[int, int] | None) -> None:
    assert scpi.block_header(start, "TRAC?") == expected


@pytest.mark.parametrize("start", [b"5", b"#0abc", b"#x", b"#3a", b"#312x", b"#9999999999", b"-1.0,"])
def test_what_is_no_definite_block(start: bytes) -> None:
    with pytest.raises(InstrumentError):
        scpi.block_header(start, "TRAC?")


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
