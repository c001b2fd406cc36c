"""How a result is written, in one place for report, terminal and journal: its digits, its interval rounded outwards."""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

from sequencer.core.record import Bound, Result

__all__ = ["MINUS", "between", "bound_of", "decimals", "interval_text", "percent", "shown", "value_text"]

MINUS = "\N{MINUS SIGN}"
_DB_DECIMALS = ((9.5, 0), (0.5, 1), (0.0, 2))  # from this half of an interval, dB: two digits at most, 0.01 dB at least
_SCALES = ((1e6, "MHz", 6), (1e3, "kHz", 3), (0.0, "Hz", 0))  # from this size, unit, power of ten


def _ends(result: Result) -> list[float]:
    return [end for end in result.interval if end is not None]


def decimals(result: Result, size: float) -> int:
    """Decimals in the base unit so that the uncertainty keeps at most two significant digits.

    Source: JCGM 100:2008 7.2.6. The larger half of a lopsided interval decides. A bound shows 0.1 dB.
    """
    in_db = result.unit != "Hz"
    halves = [abs(end - size) for end in _ends(result)]
    half = max(halves, default=0.0)
    if half <= 0.0:
        return 1 if in_db else 0
    if in_db:
        return next(decimals for size, decimals in _DB_DECIMALS if half >= size)
    return min(1 - math.floor(math.log10(half)), 0)


def _digits(number: float, places: int, rounding: str = ROUND_HALF_EVEN) -> str:
    rounded = Decimal(repr(float(number))).quantize(Decimal(1).scaleb(-places), rounding=rounding)
    text = f"{rounded:f}" if rounded != 0 else f"{abs(rounded):f}"
    return text.replace("-", MINUS)


def shown(number: float, places: int, unit: str, rounding: str = ROUND_HALF_EVEN, like: float | None = None) -> str:
    """Write a number with its unit; hertz take the prefix that suits ``like``."""
    if unit != "Hz":
        return f"{_digits(number, places, rounding)} {unit}"
    size = abs(number if like is None else like)
    factor, prefixed, power = next(scale for scale in _SCALES if size >= scale[0])
    scaled = float(Decimal(repr(float(number))).scaleb(-power)) if factor else number
    return f"{_digits(scaled, places + power, rounding)} {prefixed}"


def bound_of(result: Result) -> bool:
    """Whether only a bound is known, so that no value may be printed."""
    return result.bound is not None or result.value is None


def value_text(result: Result) -> str:
    """Write the value to the digits its interval allows; a bound as '≥ 88.1 dB', rounded down."""
    if not bound_of(result):
        assert result.value is not None
        return shown(result.value, decimals(result, result.value), result.unit)
    low = result.interval[0]
    if result.bound is Bound.AT_LEAST and low is not None:
        return f"≥ {shown(low, 1 if result.unit != 'Hz' else 0, result.unit, ROUND_FLOOR)}"
    return "no value"


def interval_text(result: Result) -> str:
    """Write the interval, its ends rounded outwards so that rounding never narrows it."""
    low, high = result.interval
    if bound_of(result):
        return f"one-sided, {percent(result.coverage)}" if low is not None else "none"
    assert result.value is not None
    if low is None and high is None:
        return "none"
    places, unit, like = decimals(result, result.value), result.unit, result.value
    if low is None:
        return f"up to {shown(high or 0.0, places, unit, ROUND_CEILING, like)}"
    if high is None:
        return f"from {shown(low, places, unit, ROUND_FLOOR, like)} upwards"
    return between(shown(low, places, unit, ROUND_FLOOR, like), shown(high, places, unit, ROUND_CEILING, like))


def between(low: str, high: str) -> str:
    """Join two quantities of one unit: '1.05 to 1.41 dB'."""
    number, _, unit = low.rpartition(" ")
    return f"{number} to {high}" if high.endswith(f" {unit}") else f"{low} to {high}"


def percent(share: float) -> str:
    """Write a share as '95 %'."""
    return f"{100.0 * share:.4g} %"
