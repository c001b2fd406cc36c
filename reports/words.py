"""Numbers and statements in words: rounding to the uncertainty, limits, intervals, requirements."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

from sequencer.core.record import Bound, Limit, Record, Result, Statement
from sequencer.units import show_hz

__all__ = [
    "between",
    "bound_of",
    "has_limit",
    "limit_text",
    "margin_text",
    "overall_sentence",
    "percent",
    "probability_text",
    "requirement_text",
    "interval_text",
    "value_text",
    "where_text",
]

MINUS = "\N{MINUS SIGN}"
_DB_DECIMALS = ((9.5, 0), (0.5, 1), (0.0, 2))  # from this half of an interval, dB: two digits at most, 0.01 dB at least
_SCALES = ((1e6, "MHz", 6), (1e3, "kHz", 3), (0.0, "Hz", 0))  # from this size, unit, power of ten


def _ends(result: Result) -> list[float]:
    return [end for end in result.interval if end is not None]


def _place(result: Result, size: float) -> int:
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


def _show(number: float, places: int, unit: str, rounding: str = ROUND_HALF_EVEN, like: float | None = None) -> str:
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
        return _show(result.value, _place(result, result.value), result.unit)
    low = result.interval[0]
    if result.bound is Bound.AT_LEAST and low is not None:
        return f"≥ {_show(low, 1 if result.unit != 'Hz' else 0, result.unit, ROUND_FLOOR)}"
    return "no value"


def interval_text(result: Result) -> str:
    """Write the interval, its ends rounded outwards so that rounding never narrows it."""
    low, high = result.interval
    if bound_of(result):
        return f"one-sided, {percent(result.coverage)}" if low is not None else "none"
    assert result.value is not None
    if low is None and high is None:
        return "none"
    places, unit, like = _place(result, result.value), result.unit, result.value
    if low is None:
        return f"up to {_show(high or 0.0, places, unit, ROUND_CEILING, like)}"
    if high is None:
        return f"from {_show(low, places, unit, ROUND_FLOOR, like)} upwards"
    return between(_show(low, places, unit, ROUND_FLOOR, like), _show(high, places, unit, ROUND_CEILING, like))


def between(low: str, high: str) -> str:
    """Join two quantities of one unit: '1.05 to 1.41 dB'."""
    number, _, unit = low.rpartition(" ")
    return f"{number} to {high}" if high.endswith(f" {unit}") else f"{low} to {high}"


def _exact(number: float, unit: str) -> str:
    """Write a limit as it was required, never rounded."""
    return show_hz(number) if unit == "Hz" else f"{number:.10g} {unit}".replace("-", MINUS)


def has_limit(limit: Limit) -> bool:
    """Whether anything is required at all; if not, the result is stated for information."""
    return limit.min is not None or limit.max is not None


def limit_text(limit: Limit, unit: str) -> str:
    """Write a limit in words: 'at most 1.6 dB'."""
    if limit.min is not None and limit.max is not None:
        return between(_exact(limit.min, unit), _exact(limit.max, unit))
    if limit.max is not None:
        return f"at most {_exact(limit.max, unit)}"
    if limit.min is not None:
        return f"at least {_exact(limit.min, unit)}"
    return "none stated"


def margin_text(result: Result) -> str:
    """Write the margin with its sign, and with as many digits as show that it is not zero."""
    if result.margin is None:
        return "none"
    sign = "+" if result.margin > 0 else ""
    if result.value is None and result.margin > 0:  # a bound's margin is a bound: rounded down, like the bound
        return sign + _show(result.margin, 1 if result.unit != "Hz" else 0, result.unit, ROUND_FLOOR)
    places = 2 if result.unit != "Hz" else 0
    if result.value is not None:
        places = min(places, _place(result, result.value))
    if result.margin:
        places = max(places, -math.floor(math.log10(abs(result.margin))))
    places = min(places, 6 if result.unit != "Hz" else 3)
    return sign + _show(result.margin, places, result.unit)


def percent(share: float) -> str:
    """Write a share as '95 %'."""
    return f"{100.0 * share:.4g} %"


def probability_text(share: float) -> str:
    """Write a probability; what rounds to certainty is written as beyond the last step before it."""
    if share > 0.9995:
        return "over 99.9 %"
    return "below 0.1 %" if share < 0.0005 else f"{100.0 * share:.1f} %"


def where_text(result: Result) -> str:
    """Say where: 'TX to ANT', or 'port TX'."""
    if result.path is not None:
        return " to ".join(result.path.split("-")) if result.path.count("-") == 1 else result.path
    return f"port {result.port}" if result.port is not None else ""


def requirement_text(result: Result) -> str:
    """Say what is required, without its limit: 'Rejection TX to ANT at receive (146.010 MHz), within 8 kHz'."""
    of = " of" if result.port is not None else ","
    text = f"{result.quantity.capitalize()}{of} {where_text(result)}, at {result.at} ({show_hz(result.at_hz)})"
    return f"{text}, {result.condition}" if result.condition else text


def _count(results: Sequence[Result], *statements: Statement) -> int:
    return sum(result.statement in statements for result in results)


def overall_sentence(record: Record) -> str:
    """Say in one sentence what the overall statement means, with the count behind it."""
    judged = [result for result in record.results if has_limit(result.limit)]
    every = len(judged)
    noun = "requirement" if every == 1 else "requirements"
    if not every:
        return "No requirement was measured." if not record.results else "Nothing was required: no limit is set."
    fails = _count(judged, Statement.FAIL)
    maybe = _count(judged, Statement.CONDITIONAL_PASS, Statement.CONDITIONAL_FAIL)
    unknown = _count(judged, Statement.UNDECIDED)
    if fails + maybe + unknown == 0:
        opening = "The one requirement measured is met" if every == 1 else f"All {every} requirements measured are met"
        return f"{opening} under the decision rule of this report."
    parts = []
    if fails:
        parts.append(f"{fails} not met")
    if maybe:
        parts.append(f"{maybe} closer to the limit than the measurement can tell")
    if unknown:
        parts.append(f"{unknown} undecided")
    met = every - fails - maybe - unknown
    return f"Of {every} {noun} measured: {', '.join([f'{met} met', *parts])}, under the decision rule of this report."
