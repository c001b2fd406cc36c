"""Quantities as a technician writes them: `146.610 MHz` <-> hertz, `80 dB`, `14 in`, `2 ppm`.

`parse` reads text in one expected dimension and returns the base unit's number; `show` writes it back.
A unit is always required except for dimensionless figures (VSWR), so that `80` never passes for `80 dB`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal

from sequencer.errors import UnitError

__all__ = [
    "DB",
    "DBM",
    "DB_PER_DB",
    "DB_PER_HOUR",
    "FREQUENCY",
    "LENGTH",
    "OFFSET",
    "PERCENT",
    "PERIOD",
    "PLAIN",
    "POWER",
    "PPM",
    "TEMPERATURE",
    "TIME",
    "VSWR",
    "Dimension",
    "parse",
    "pattern",
    "show",
    "show_db",
    "show_hz",
]


@dataclass(frozen=True, slots=True)
class Dimension:
    """A kind of quantity: its units (spelled as people do) with the factor to the base unit."""

    name: str
    base: str
    units: tuple[tuple[str, float], ...]
    example: str


FREQUENCY = Dimension("frequency", "Hz", (("Hz", 1.0), ("kHz", 1e3), ("MHz", 1e6), ("GHz", 1e9)), "146.610 MHz")
OFFSET = Dimension("frequency", "Hz", FREQUENCY.units, "8 kHz")  # a distance or width, where megahertz is a slip
DB = Dimension("ratio", "dB", (("dB", 1.0),), "80 dB")
DBM = Dimension("level", "dBm", (("dBm", 1.0),), "-10 dBm")
DB_PER_DB = Dimension("scale figure", "dB/dB", (("dB/dB", 1.0),), "0.02 dB/dB")
DB_PER_HOUR = Dimension("drift", "dB/h", (("dB/h", 1.0), ("dB/hour", 1.0)), "0.1 dB/h")
LENGTH = Dimension(
    "length", "m", (("mm", 1e-3), ("cm", 1e-2), ("m", 1.0), ("in", 0.0254), ("inch", 0.0254), ("ft", 0.3048)), "14 in"
)
TIME = Dimension("time", "s", (("us", 1e-6), ("ms", 1e-3), ("s", 1.0), ("min", 60.0), ("h", 3600.0)), "30 min")
POWER = Dimension("power", "W", (("mW", 1e-3), ("W", 1.0), ("kW", 1e3)), "25 W")
TEMPERATURE = Dimension("temperature", "degC", (("degC", 1.0), ("°C", 1.0), ("C", 1.0)), "21 degC")
PERCENT = Dimension("share", "1", (("%", 0.01),), "95 %")
PPM = Dimension("relative error", "ppm", (("ppm", 1.0),), "2 ppm")
PLAIN = Dimension("number", "1", (("", 1.0),), "1.5")
VSWR = Dimension("VSWR", "1", (("", 1.0), (":1", 1.0)), "1.5")
PERIOD = Dimension("period", "month", (("months", 1.0), ("month", 1.0), ("years", 12.0), ("year", 12.0)), "24 months")

_DIGITS = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?"
_NUMBER = re.compile(rf"\s*({_DIGITS})\s*(.*?)\s*\Z", re.DOTALL)
_COMMA = re.compile(r"\s*([+-]?[0-9]+),([0-9]+)\s*(.*?)\s*\Z", re.DOTALL)
_NOT_FINITE = re.compile(r"\s*[+-]?\.?(nan|inf|infinity)\b", re.IGNORECASE)
_LONGEST = 80  # characters of a quantity; more is not one


def parse(text: str, dimension: Dimension) -> float:
    """Return the number in the dimension's base unit.

    Raises
    ------
    UnitError
        When there is no finite number, no unit, or a unit of another kind.

    Examples
    --------
    >>> parse("146.610 MHz", FREQUENCY)
    146610000.0
    >>> parse("95 %", PERCENT)
    0.95
    """
    match = _NUMBER.match(text[: _LONGEST + 1])
    if match is None or len(text) > _LONGEST:
        raise UnitError(_not_a_number(text, dimension), text=text)
    digits, unit = match[1], match[2]
    for spelled, factor in dimension.units:
        if unit == spelled or (unit.lower() == spelled.lower() and _case_is_harmless(dimension, unit)):
            value = _scaled(digits, factor)
            if not math.isfinite(value):
                msg = f"{text!r} is not a finite number"
                raise UnitError(msg, text=text)
            return value
    if not unit:
        msg = f"{text!r} has no unit; write for example {_like_example(digits, dimension)!r}"
    elif _COMMA.match(text) is not None:
        msg = _not_a_number(text, dimension)
    elif unit == "mHz" and dimension.base == "Hz":
        msg = f"{text!r}: mHz is a thousandth of a hertz; write MHz"
    elif dimension is TEMPERATURE and unit.casefold().removeprefix("deg").strip(" °") == "f":
        msg = f"{text!r}: temperatures are told in degC; write {f'{(float(digits) - 32.0) / 1.8:.1f} degC'!r}"
    elif dimension.units == PLAIN.units:
        msg = f"{text!r} takes no unit; write for example {digits!r}"
    else:
        allowed = ", ".join(spelled or "no unit" for spelled, _ in dimension.units)
        msg = f"{text!r}: {unit!r} is not a unit of {dimension.name} (allowed: {allowed})"
    raise UnitError(msg, text=text, number=float(digits), unit=unit)


def _not_a_number(text: str, dimension: Dimension) -> str:
    """Say why the text has no number in front."""
    shown = text if len(text) <= _LONGEST else text[:57] + "..."
    comma = _COMMA.match(text[:_LONGEST])
    if comma is not None:
        pointed = f"{comma[1]}.{comma[2]} {comma[3]}".strip()
        return f"{shown!r}: a comma cannot stand in a number; write the decimal point: {pointed!r}"
    if _NOT_FINITE.match(text) is not None:
        return f"{shown!r} is not a finite number"
    return f"{shown!r} is not a {dimension.name}; write for example {dimension.example!r}"


def _like_example(digits: str, dimension: Dimension) -> str:
    """Give the number the unit of the dimension's example."""
    return " ".join([digits, *dimension.example.split()[1:]])


def _scaled(number: str, factor: float) -> float:
    """Scale in decimal where the factor is a whole power of ten, so 146.61 MHz is exactly 146610000 Hz."""
    exponent = round(math.log10(factor))
    if exponent and math.isclose(factor, 10.0**exponent, rel_tol=1e-12):
        mantissa, _, given = number.lower().partition("e")
        return float(f"{mantissa}e{int(given or 0) + exponent}")
    return float(number) * factor


def _case_is_harmless(dimension: Dimension, unit: str) -> bool:
    """`mhz` can only mean megahertz here, but `mHz` is a real unit; `M` never means metre."""
    same = [spelled for spelled, _ in dimension.units if spelled.lower() == unit.lower()]
    return len(same) == 1 and unit not in ("M", "mHz")


def pattern(dimension: Dimension, *, signed: bool = True) -> str:
    """Return the regular expression (ECMA 262, as JSON Schema wants it) of texts `parse` reads in this dimension.

    A unit's letters match in either case, as in `parse`; what only `parse` can see (finite, `mHz`) is left to it.
    """
    units = "|".join("".join(_either_case(letter) for letter in spelled) for spelled, _ in dimension.units)
    digits = _DIGITS if signed else _DIGITS.removeprefix("[+-]?")
    return rf"^\s*{digits}\s*(?:{units})\s*$"


def _either_case(letter: str) -> str:
    if letter.lower() != letter.upper():
        return f"[{letter.lower()}{letter.upper()}]"
    return letter if letter in "/%:°1" else re.escape(letter)


def show(value: float, dimension: Dimension) -> str:
    """Write a quantity so that `parse` reads exactly the same number again.

    Takes the largest unit (a whole power of ten of the base unit) that leaves at least 1 before the point.

    Raises
    ------
    UnitError
        When the value is not finite.

    Examples
    --------
    >>> show(146.61e6, FREQUENCY), show(8e3, FREQUENCY), show(0.95, PERCENT), show(1.5, VSWR)
    ('146.61 MHz', '8 kHz', '95 %', '1.5')
    """
    if not math.isfinite(value):
        msg = f"{value!r} is not a finite number"
        raise UnitError(msg)
    exact = Decimal(repr(float(value)))
    tens: dict[int, str] = {}
    for spelled, factor in dimension.units:
        exponent = round(math.log10(factor))
        if math.isclose(factor, 10.0**exponent, rel_tol=1e-12):
            tens.setdefault(exponent, spelled)
    exponents = sorted(tens, reverse=True)
    exponent = next((e for e in exponents if abs(exact) >= Decimal(10) ** e), 0 if 0 in tens else exponents[-1])
    return f"{_plain(exact.scaleb(-exponent))} {tens[exponent]}".rstrip()


def _plain(number: Decimal) -> str:
    """Write digits without an exponent where that stays short."""
    text = f"{number:f}"
    if len(text) > 24:
        return str(number)
    return text.rstrip("0").rstrip(".") if "." in text else text


def show_hz(hz: float) -> str:
    """Write a frequency so that no digit down to 1 Hz is lost: '146.610 MHz', '8 kHz', '25.0075 kHz'.

    Examples
    --------
    >>> show_hz(146.61e6), show_hz(8e3), show_hz(12.5e3), show_hz(40.0)
    ('146.610 MHz', '8 kHz', '12.5 kHz', '40 Hz')
    """
    size = abs(hz)
    if size >= 1e6:
        text = f"{hz / 1e6:.6f}"
        while text.endswith("0") and len(text.partition(".")[2]) > 3:
            text = text[:-1]
        return f"{text} MHz"
    if size >= 1e3:
        return f"{hz / 1e3:.3f}".rstrip("0").rstrip(".") + " kHz"
    return f"{hz:.3f}".rstrip("0").rstrip(".") + " Hz"


def show_db(db: float, digits: int = 2) -> str:
    """Write a ratio: '1.20 dB'; never '-0.00 dB'."""
    text = f"{db:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return f"{text} dB"
