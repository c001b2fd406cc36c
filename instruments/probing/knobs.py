"""One setting at a time: which spelling is understood, proven by setting it and reading it back, and its limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from instruments import scpi
from instruments.probing.conversation import Conversation

__all__ = [
    "Knob",
    "close",
    "ends",
    "filterlike",
    "learn",
    "learn_auto",
    "learn_filters",
    "learn_points",
    "put",
    "settable",
    "step_of",
]

Near = Callable[[float, float], bool]
"""Whether (asked, got) is the value that was sent, as this kind of setting may round it."""

_FINE = 8  # that many different filters in a decade are steps of 10 % or so, not worth a list
_POINTS = tuple(  # round numbers, one more than those, and binary ones
    sorted(
        {
            odd + more
            for odd in (*range(50, 1001, 50), *range(32, 1281, 32), 625, 690, 750, 1920, 2560)
            for more in (0, 1)
        }
        | {
            many + more
            for many in (1200, 1250, 1600, 2000, 2048, 2500, 3000, 3200, 4000, 4096, 5000)
            for more in (0, 1)
        }
        | {many + more for many in (6000, 6400, 8000, 8192, 10000) for more in (0, 1)}
    )
)
_MOST_POINTS = 10_001  # more are never planned
_MOST_MISSES = 10  # steps of 10 dB, and three of a series of filters, are the coarsest met


@dataclass(slots=True)
class Knob:
    """What was learnt of one setting, as a dialect will state it; ``set`` is empty where it is fixed."""

    ask: str
    set: str = ""
    coupled: str = ""
    limits: tuple[float, float] | None = None
    step: float = 0.0
    choices: tuple[float, ...] = ()
    note: str = ""


def put(talk: Conversation, knob: Knob, value: float) -> float | None:
    """Set a value and return what the instrument then says it uses."""
    talk.order(scpi.fill(knob.set, {"value": value}))
    return talk.number(knob.ask)


def learn(talk: Conversation, function: str, unit: str, values: Sequence[float], near: Near) -> Knob | None:
    """Return the first spelling under which every one of ``values`` reads back as ``near``; None if there is none.

    A spelling that answers but cannot be set is returned (``set`` empty) if no other does better.
    """
    fixed: Knob | None = None
    for header in talk.headers(function):
        if talk.number(f"{header}?") is None:
            continue
        if knob := settable(talk, header, unit, values, near):
            return knob
        fixed = fixed or Knob(ask=f"{header}?")
    return fixed


def settable(talk: Conversation, header: str, unit: str, values: Sequence[float], near: Near) -> Knob | None:
    """Return how a header that answers is set, with or without its unit; None where what is sent does not read back."""
    knob = Knob(ask=f"{header}?")
    for behind in ("", f" {unit}", unit) if unit else ("",):
        knob.set = f"{header} {{value}}{behind}"
        told = [put(talk, knob, value) for value in values]
        held = all(got is not None and near(value, got) for value, got in zip(values, told, strict=True))
        if held and len(set(told)) == len(set(values)):  # it really moved
            return knob
    return None


def learn_auto(talk: Conversation, function: str, knob: Knob) -> Iterable[str]:
    """Yield every command that hands a setting to the instrument without a complaint; its own AUTO first."""
    own = f"{knob.ask.removesuffix('?')}:AUTO"
    for header in dict.fromkeys((own, *talk.headers(function))):
        if command := talk.switch(header, on=True):
            yield command


def close(asked: float, got: float) -> bool:
    """Whether a value was taken as it was sent, but for rounding."""
    return math.isclose(got, asked, rel_tol=1e-3, abs_tol=1e-9)


def filterlike(asked: float, got: float) -> bool:
    """Whether it may be the filter nearest to what was asked (1-3-10 is the coarsest series)."""
    return asked / 2.2 <= got <= asked * 2.2


def ends(
    talk: Conversation, knob: Knob, inside: float, low: float, high: float, near: Near = close
) -> tuple[float, float]:
    """Return the limits of a setting: asked with MINimum and MAXimum, else found by trying between low and high.

    Never sets anything outside ``low`` .. ``high``; leaves the setting at ``inside``.
    """
    told = _told_ends(talk, knob)
    if told is None:
        told = (_edge(talk, knob, inside, low, near), _edge(talk, knob, inside, high, near))
    put(talk, knob, inside)
    return told


def _told_ends(talk: Conversation, knob: Knob) -> tuple[float, float] | None:
    if not talk.knows_limits:
        return None
    low = talk.number(f"{knob.ask} MIN")
    high = talk.number(f"{knob.ask} MAX") if low is not None else None
    if low is None or high is None or not low < high:
        talk.knows_limits = False
        return None
    return low, high


def _edge(talk: Conversation, knob: Knob, inside: float, outside: float, near: Near) -> float:
    """Return the value nearest to ``outside`` that is taken, as the instrument tells it."""
    first = put(talk, knob, inside)
    got = put(talk, knob, outside)
    if got is not None and near(outside, got):
        return got
    if got is not None and got != first and min(inside, outside) < got < max(inside, outside):
        put(talk, knob, inside)
        again = put(talk, knob, got)
        if again is not None and close(got, again):
            return got  # whatever lies outside is taken as the nearest end
    by_ratio = inside > 0.0 and outside > 0.0
    good, bad, told = inside, outside, first if first is not None else inside
    put(talk, knob, inside)
    for _halving in range(14):
        middle = math.sqrt(good * bad) if by_ratio else round((good + bad) / 2.0, 1)
        middle = float(f"{middle:.4g}") if by_ratio else middle
        if middle in {good, bad}:
            break
        got = put(talk, knob, middle)
        if got is not None and near(middle, got):
            good, told = middle, got
        else:
            bad = middle
            put(talk, knob, good)
    return told if told != first else _stepwise(talk, knob, inside, outside, near)


def _stepwise(talk: Conversation, knob: Knob, inside: float, outside: float, near: Near) -> float:
    """Return the last value on the way to ``outside`` that is taken, in round steps: for who takes nothing between."""
    if inside > 0.0 and outside > 0.0:
        decades = range(math.floor(math.log10(min(inside, outside))), math.ceil(math.log10(max(inside, outside))) + 1)
        all_steps = [digit * 10.0**decade for decade in decades for digit in (1.0, 2.0, 3.0, 5.0)]
    else:
        all_steps = [
            inside + math.copysign(step, outside - inside) for step in range(1, int(abs(outside - inside)) + 1)
        ]
    way = [value for value in all_steps if min(inside, outside) <= value <= max(inside, outside)]
    told = put(talk, knob, inside) or inside
    misses = 0
    for value in sorted(way, reverse=outside < inside):
        got = put(talk, knob, value)
        held = got is not None and near(value, got) and not talk.last
        misses = 0 if held else misses + 1
        told = got if held and got is not None else told
        if misses > _MOST_MISSES:
            break
    return told


def step_of(talk: Conversation, knob: Knob, base: float, steps: Sequence[float], highest: float) -> float:
    """Return the smallest of ``steps`` that is taken exactly above ``base``; the largest where none is."""
    for step in steps:
        if base + step > highest:
            break
        got = put(talk, knob, base + step)
        if got is not None and abs(got - base - step) < 0.02 * step:
            return step
    return steps[-1]


def learn_points(talk: Conversation) -> Knob | None:
    """Return what numbers of points there are: any between limits, a few, or one."""
    fixed: Knob | None = None
    for header in talk.headers("points"):
        knob = Knob(f"{header}?", f"{header} {{value}}")
        number = talk.number(knob.ask)
        if number is None or number < 2 or number != int(number):
            continue
        if put(talk, knob, 257) == 257 and put(talk, knob, 263) == 263:  # any number
            low, high = ends(talk, knob, 401, 11, _MOST_POINTS, lambda asked, got: round(asked) == got)
            knob.limits = (max(2.0, low), high)
            return knob
        told = {number, *(put(talk, knob, value) for value in _POINTS)}
        knob.choices = tuple(sorted(value for value in told if value is not None and value >= 2))
        knob.limits = (knob.choices[0], knob.choices[-1])
        if len(knob.choices) > 1:
            return knob
        fixed = fixed or Knob(knob.ask, limits=(number, number))
    return fixed


def learn_filters(talk: Conversation, knob: Knob, low: float, high: float) -> tuple[float, ...]:
    """Return every RBW filter between the limits, ascending; empty where they are too many for a list."""
    decade = 10.0 ** math.floor(math.log10(math.sqrt(low * high)))
    if decade * 10.0 > high:
        decade /= 10.0
    probe = (1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.5, 3.0, 3.3, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0)
    seen = {put(talk, knob, decade * digit) for digit in probe}
    inside = {hz for hz in seen if hz is not None and decade <= hz < 9.99 * decade}
    if len(inside) >= _FINE:
        return ()
    digits = sorted({1.0, 1.5, 2.0, 3.0, 5.0, 7.0} | {float(f"{hz / decade:.3g}") for hz in inside})
    found = {low, high}
    for power in range(math.floor(math.log10(low)), math.floor(math.log10(high)) + 1):
        for digit in digits:
            if low <= digit * 10.0**power <= high:
                got = put(talk, knob, digit * 10.0**power)
                if got is not None and 0.999 * low <= got <= 1.001 * high:
                    found.add(got)
    merged: list[float] = []
    for hz in sorted(found):
        if not merged or hz > 1.01 * merged[-1]:
            merged.append(hz)
    return tuple(merged)
