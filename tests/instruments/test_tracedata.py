"""Traces as they come, and the blocks they come in."""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest

from instruments import tracedata
from sequencer.errors import InstrumentError


@pytest.mark.parametrize(
    "text", ["-1.0,-2.0,-3.0", "-1,-2,-3,", "-1.0 , -2.0E0,-3.00\r", "-1 DBM,-2 DBM,-3 DBM", "TRAC -1,-2,-3"]
)
def test_ascii_traces(text: str) -> None:
    assert tracedata.parse_ascii_trace(text, 3, "TRAC?").tolist() == [-1.0, -2.0, -3.0]


@pytest.mark.parametrize("text", ["-1;-2;-3", "-1 -2  -3", "-1;-2;-3;", "TRAC -1 -2 -3", "-1 DBM; -2 DBM; -3 DBM"])
def test_ascii_traces_with_other_separators(text: str) -> None:
    assert tracedata.parse_ascii_trace(text, 3, "TRAC?").tolist() == [-1.0, -2.0, -3.0]


@pytest.mark.parametrize("text", ["", ",", "-1,-2", "-1,-2,-3,-4", "-1,,-3", "-1,nan,-3", "-1,x,-3", "-1,1_0,-3"])
def test_ascii_traces_that_are_not_three_numbers(text: str) -> None:
    with pytest.raises(InstrumentError):
        tracedata.parse_ascii_trace(text, 3, "TRAC?")


@pytest.mark.parametrize("width", [32, 64])
@pytest.mark.parametrize("swapped", [False, True])
def test_reals_in_both_orders_and_widths(width: int, swapped: bool) -> None:
    code = ("<" if swapped else ">") + ("f" if width == 32 else "d")
    payload = b"".join(struct.pack(code, value) for value in (-85.0, 9.91e37, 9.9e37, -9.9e37))
    values = tracedata.parse_reals(payload, 4, "TRAC?", width=width, swapped=swapped)
    assert values[0] == -85.0
    assert math.isnan(values[1])
    assert values[2:].tolist() == [math.inf, -math.inf]


@pytest.mark.parametrize("width", [32, 64])
@pytest.mark.parametrize("swapped", [False, True])
@pytest.mark.parametrize("level", [-85.0, -20.125, 3.7, -123.456])
def test_the_wrong_byte_order_is_noticed(width: int, swapped: bool, level: float) -> None:
    code = ("<" if swapped else ">") + ("f" if width == 32 else "d")
    payload = struct.pack(code, level) * 5
    wrong = tracedata.parse_reals(payload, 5, "TRAC?", width=width, swapped=not swapped)
    with pytest.raises(InstrumentError, match="other order"):
        tracedata.levels(wrong, "TRAC?")
    right = tracedata.parse_reals(payload, 5, "TRAC?", width=width, swapped=swapped)
    assert tracedata.levels(right, "TRAC?") == pytest.approx(level, rel=1e-6)  # single precision


def test_missing_points_of_a_trace_are_nan_and_zero_is_a_level() -> None:
    seen = tracedata.levels(np.array([-1.0, 0.0, np.inf, -np.inf, np.nan]), "TRAC?")
    assert seen[:2].tolist() == [-1.0, 0.0]
    assert np.isnan(seen[2:]).all()


def test_reals_demand_the_exact_count() -> None:
    with pytest.raises(InstrumentError, match="3 values of 4 bytes expected, 8 bytes came"):
        tracedata.parse_reals(bytes(8), 3, "TRAC?", width=32, swapped=False)


# --- block headers: IEEE 488.2 8.7.9, from memory ---


@pytest.mark.parametrize(
    ("start", "expected"),
    [(b"#15HELLO", (3, 5)), (b"#580008", (7, 80008)), (b"#", None), (b"", None), (b"#3", None), (b"#31", None)],
)
def test_block_headers(start: bytes, expected: tuple[int, int] | None) -> None:
    assert tracedata.block_header(start, "TRAC?") == expected


@pytest.mark.parametrize("start", [b"5", b"#0abc", b"#x", b"#3a", b"#312x", b"#9999999999", b"-1.0,"])
def test_what_is_no_definite_block(start: bytes) -> None:
    with pytest.raises(InstrumentError):
        tracedata.block_header(start, "TRAC?")
