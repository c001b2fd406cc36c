"""Changes and comparisons in words, for pages and terminals alike."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

from reports.words import MINUS, between, percent
from sequencer.core.record import Change, FamilyChange, Record

__all__ = [
    "change_interval",
    "difference",
    "e_n",
    "family_detail",
    "family_sentence",
    "family_verdict",
    "judged_sentence",
    "leave_sentence",
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
    """Write a change; what it is at least where only a bound proves it, 'not known' where nothing does."""
    low, high = change.interval
    if change.difference is not None:
        return signed(change.difference, unit)
    if high is not None and high < 0.0:
        return f"at least {_outwards(-high, unit, math.floor)} less"
    if low is not None and low > 0.0:
        return f"at least {_outwards(low, unit, math.floor)} more"
    return "not known"


def _outwards(end: float, unit: str, rounding: Callable[[float], int], sign: str = "") -> str:
    factor, shown = _scaled(unit)
    return f"{rounding(end * factor * 100) / 100:{sign}.2f} {shown}".replace("-", MINUS)


def change_interval(change: Change, unit: str) -> str:
    """Write the interval of a change, its ends rounded outwards; of a bound the one end there is."""
    low, high = change.interval
    least = "" if low is None else _outwards(low, unit, math.floor, "+")
    most = "" if high is None else _outwards(high, unit, math.ceil, "+")
    if least and most:
        return between(least, most)
    return f"from {least} upwards" if least else f"up to {most}" if most else ""


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
    """Say in a few words whether anything changed, all quantities together; those not known are counted."""
    if family.changed is False and family.unknown:
        return f"no change shown in {family.compared} of {family.compared + family.unknown} quantities"
    return {None: "cannot be said", True: "changed", False: "no change shown"}[family.changed]


def family_detail(family: FamilyChange) -> str:
    """Say what the verdict rests on."""
    return " ".join(
        text for text in (_by_e_n(family), _by_bounds(family), _unknown(family), _elsewhere(family)) if text
    )


def _by_e_n(family: FamilyChange) -> str:
    if family.largest_e_n is None or family.critical_e_n is None or family.p_value is None:
        return "No quantity has a value in both runs."
    count = "the one quantity" if family.compared == 1 else f"{family.compared} quantities"
    seen = f"The largest |E_n| of {count} is {abs(family.largest_e_n):.2f}"
    line = f"that of an unchanged device passes {family.critical_e_n:.2f} in {percent(family.level)} of comparisons"
    if abs(family.largest_e_n) <= family.critical_e_n:
        return f"{seen}; {line}."
    chance = "less than 0.1 %" if family.p_value < 1e-3 else f"{100.0 * family.p_value:.2g} %"
    return f"{seen}; {line}, and reaches this in {chance}."


def _by_bounds(family: FamilyChange) -> str:
    names = family.by_bounds
    if not names:
        return ""
    return f"Proven by a bound, which lies apart from the other run's whole interval: {', '.join(names)}."


def _unknown(family: FamilyChange) -> str:
    if not family.unknown:
        return ""
    count = f"{family.unknown} quantit{'y' if family.unknown == 1 else 'ies'}"
    return f"Of {count} it is not known: only a bound or an open interval, or nothing, is known in one of the runs."


def _elsewhere(family: FamilyChange) -> str:
    if not family.elsewhere:
        return ""
    return f"Changed, though this recipe does not ask for it: {', '.join(family.elsewhere)}."


def judged_sentence(record: Record) -> str:
    """Say that a record was judged again, from which run, when and by which recipe; '' where it was measured."""
    if not record.parent:
        return ""
    when = "on a day that was not recorded" if record.judged is None else f"on {record.judged:%Y-%m-%d}"
    return f"Judged again from run {record.parent} {when} under recipe {record.recipe_name}; nothing was measured anew."


def leave_sentence(record: Record) -> str:
    """Say whether the recipe allows the change; '' where it limits none."""
    family = record.change
    if family is None or not any(r.change is not None and r.change.max_change is not None for r in record.results):
        return ""
    told = {
        True: "The change is more than the recipe allows.",
        False: "Where the recipe limits the change, it is within what it allows.",
        None: "Whether the change is within what the recipe allows cannot be said.",
    }[family.exceeded]
    without = record.changed_without_leave
    return told + (f" It sets no limit on the change of {', '.join(without)}, so that counts." if without else "")


def typeset(text: str) -> object:
    """Escape a sentence for a page; set E_n with its index and keep numbers with what they count."""
    from markupsafe import Markup, escape

    safe = re.sub(r"(?<=[0-9]) (?=[%dk])", "\N{NO-BREAK SPACE}", str(escape(text)))
    return Markup(safe.replace("E_n", "E<sub>n</sub>"))  # noqa: S704 - escaped in the line above


def family_sentence(family: FamilyChange) -> str:
    """Say whether anything changed, and what that rests on."""
    verdict = family_verdict(family)
    return f"{verdict[0].upper()}{verdict[1:]}. {family_detail(family)}"
