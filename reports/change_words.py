"""Changes and comparisons in words, for pages and terminals alike."""

from __future__ import annotations

import math
import re

from reports.words import MINUS, percent
from sequencer.core.record import Change, FamilyChange

__all__ = [
    "change_interval",
    "difference",
    "e_n",
    "family_detail",
    "family_sentence",
    "family_verdict",
    "limit_on_change",
    "signed",
    "typeset",
]


def _scaled(unit: str) -> tuple[float, str]:
    return (1e-3, "kHz") if unit == "Hz" else (1.0, unit)


def signed(number: float, unit: str, places: int = 2) -> str:
    """Write a difference with its sign; hertz as kilohertz."""
    factor, shown = _scaled(unit)
    text = f"{number * factor:+.{places}f}"
    if float(text) == 0.0:
        text = text.lstrip("+-")
    return f"{text} {shown}".replace("-", MINUS)


def difference(change: Change, unit: str) -> str:
    """Write a change; 'none stated' where only a bound is known."""
    return "not known" if change.difference is None else signed(change.difference, unit)


def change_interval(change: Change, unit: str) -> str:
    """Write the interval of a change, its ends rounded outwards."""
    low, high = change.interval
    if low is None or high is None:
        return ""
    factor, shown = _scaled(unit)
    ends = (math.floor(low * factor * 100) / 100, math.ceil(high * factor * 100) / 100)
    return f"{ends[0]:+.2f} to {ends[1]:+.2f} {shown}".replace("-", MINUS)


def e_n(number: float | None) -> str:
    """Write an E_n."""
    if number is None:
        return "none"
    text = f"{number:+.2f}"
    return (text.lstrip("+-") if float(text) == 0.0 else text).replace("-", MINUS)


def limit_on_change(change: Change, unit: str) -> str:
    """Say what the recipe allows a quantity to change, and whether it did."""
    if change.max_change is None:
        return ""
    factor, shown = _scaled(unit)
    said = {True: "exceeded", False: "kept", None: "cannot be said"}[change.exceeded]
    return f"at most {change.max_change * factor:.4g} {shown}: {said}"


def family_verdict(family: FamilyChange) -> str:
    """Say in a few words whether anything changed, all quantities together."""
    return {None: "cannot be said", True: "changed", False: "no change shown"}[family.changed]


def family_detail(family: FamilyChange) -> str:
    """Say what the verdict rests on."""
    if family.largest_e_n is None or family.critical_e_n is None or family.p_value is None:
        return "No quantity has a value in both runs."
    count = "the one quantity" if family.compared == 1 else f"{family.compared} quantities"
    seen = f"The largest |E_n| of {count} is {abs(family.largest_e_n):.2f}"
    line = f"that of an unchanged device passes {family.critical_e_n:.2f} in {percent(family.level)} of comparisons"
    if not family.changed:
        return f"{seen}; {line}."
    chance = "less than 0.1 %" if family.p_value < 1e-3 else f"{100.0 * family.p_value:.2g} %"
    return f"{seen}; {line}, and reaches this in {chance}."


def typeset(text: str) -> object:
    """Escape a sentence for a page; set E_n with its index and keep numbers with what they count."""
    from markupsafe import Markup, escape

    safe = re.sub(r"(?<=[0-9]) (?=[%dk])", "\N{NO-BREAK SPACE}", str(escape(text)))
    return Markup(safe.replace("E_n", "E<sub>n</sub>"))  # noqa: S704 - escaped in the line above


def family_sentence(family: FamilyChange) -> str:
    """Say whether anything changed, and what that rests on."""
    verdict = family_verdict(family)
    return f"{verdict[0].upper()}{verdict[1:]}. {family_detail(family)}"
