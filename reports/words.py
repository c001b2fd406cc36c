"""Numbers and statements in words: rounding to the uncertainty, limits, intervals, requirements."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

from sequencer.core.record import Limit, Record, Result, Statement
from sequencer.core.told import MINUS, between, bound_of, decimals, interval_text, percent, shown, value_text
from sequencer.units import show_hz

__all__ = [
    "MINUS",
    "between",
    "bound_of",
    "deciding",
    "deciding_text",
    "has_limit",
    "limit_text",
    "margin_text",
    "overall_sentence",
    "percent",
    "probability_text",
    "own_limits",
    "requirement_text",
    "interval_text",
    "value_text",
    "where_text",
]


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


def own_limits(results: Sequence[Result]) -> list[str]:
    """Return each result's own limit where they are not all judged against one; else empty texts."""
    texts = [limit_text(result.limit, result.unit) if has_limit(result.limit) else "" for result in results]
    return texts if len(set(texts)) > 1 else [""] * len(texts)


def margin_text(result: Result) -> str:
    """Write the margin with its sign, and with as many digits as show that it is not zero."""
    if result.margin is None:
        return "none"
    if result.value is None and result.margin > 0:  # a bound's margin is a bound: rounded down, like the bound
        return "+" + shown(result.margin, 1 if result.unit != "Hz" else 0, result.unit, ROUND_FLOOR)
    places = 2 if result.unit != "Hz" else 0
    if result.value is not None:
        places = min(places, decimals(result, result.value))
    return _signed(result.margin, places, result.unit)


def deciding(rule: str) -> tuple[str, str]:
    """Return the heading of the column that shows what decides beside the value's margin, and a sentence on both.

    ``rule`` : the recipe's decision rule, '' where it is not known; no heading where nothing but the value decides.
    """
    side = "+ lies on the side that the limit asks for."
    match rule:
        case "guarded" | "four-way":
            only = (
                "the value alone does not"
                if rule == "guarded"
                else "where only the value lies on that side, the pass is conditional"
            )
            end = "the end of the interval that faces the limit, rounded towards it"
            return "Interval to limit, decides", f"To limit: {side} What decides is {end}; {only}."
        case "risk":
            return "Probability it meets, decides", f"To limit: {side} What decides is how probable it is to be there."
        case "simple":
            return "", f"To limit: {side} The value decides; the interval is not used."
        case _:
            return "", f"To limit: the value's distance; {side}"


def deciding_text(result: Result, rule: str) -> str:
    """Write what decides a requirement: the margin of the interval's end that faces the limit, or the probability."""
    if rule == "risk":
        return "none" if result.probability_conforming is None else probability_text(result.probability_conforming)
    if bound_of(result):
        return margin_text(result)
    low, high = result.interval
    limit, left = result.limit, []
    if limit.min is not None:
        left.append(None if low is None else _less(low, limit.min))
    if limit.max is not None:
        left.append(None if high is None else _less(limit.max, high))
    ends = [end for end in left if end is not None]
    if not left or len(ends) < len(left):
        return "no end" if left else "none"
    assert result.value is not None
    return _signed(min(ends), decimals(result, result.value), result.unit, ROUND_FLOOR)


def _less(number: float, other: float) -> float:
    """Subtract as written, so that 74.3 less 75 is -0.7 and is not rounded down to -0.8."""
    return float(Decimal(repr(number)) - Decimal(repr(other)))


def _signed(number: float, places: int, unit: str, rounding: str = ROUND_HALF_EVEN) -> str:
    """Write a margin with its sign, and with as many digits as show that it is not zero."""
    if number:
        places = max(places, -math.floor(math.log10(abs(number))))
    return ("+" if number > 0 else "") + shown(number, min(places, 6 if unit != "Hz" else 3), unit, rounding)


def probability_text(share: float) -> str:
    """Write a probability; what rounds to certainty is written as beyond the last step before it."""
    text = f"{100.0 * share:.1f} %"
    return {"100.0 %": "over 99.9 %", "0.0 %": "below 0.1 %"}.get(text, text)


def setting(name: str) -> str:
    """Say which setting a name of ours means: 'reference_dbm' is the reference (of what is known of saved traces)."""
    plain = {
        "rbw_hz": "RBW",
        "vbw_hz": "video",
        "sweep_time_s": "sweep time",
        "generator_dbm": "generator",
        "taken": "time",
    }
    return plain.get(name, name.rpartition("_")[0] or name)


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
