"""Numbers and statements in words: rounding to the uncertainty, limits, intervals, requirements."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import ROUND_FLOOR

from sequencer.core.record import Limit, Record, Result, Statement
from sequencer.core.told import MINUS, between, bound_of, decimals, interval_text, percent, shown, value_text
from sequencer.units import show_hz

__all__ = [
    "MINUS",
    "between",
    "bound_of",
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
    sign = "+" if result.margin > 0 else ""
    if result.value is None and result.margin > 0:  # a bound's margin is a bound: rounded down, like the bound
        return sign + shown(result.margin, 1 if result.unit != "Hz" else 0, result.unit, ROUND_FLOOR)
    places = 2 if result.unit != "Hz" else 0
    if result.value is not None:
        places = min(places, decimals(result, result.value))
    if result.margin:
        places = max(places, -math.floor(math.log10(abs(result.margin))))
    places = min(places, 6 if result.unit != "Hz" else 3)
    return sign + shown(result.margin, places, result.unit)


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
