"""Quantities as a technician writes them: `146.610 MHz` <-> hertz, `80 dB`, `14 in`, `2 ppm`.

`parse` reads text in one expected dimension and returns the base unit's number; `show` writes it back.
A unit is always required except for dimensionless figures (VSWR), so that `80` never passes for `80 dB`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from sequencer.errors import UnitError

__all__ = [
    "DB",
    "DBM",
    "DB_PER_DB",
    "DB_PER_HOUR",
    "FREQUENCY",
    "LENGTH",
    "PERCENT",
    "PLAIN",
    "PPM",
    "TEMPERATURE",
    "TIME",
    "Dimension",
    "parse",
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
DB = Dimension("ratio", "dB", (("dB", 1.0),), "80 dB")
DBM = Dimension("level", "dBm", (("dBm", 1.0),), "-10 dBm")
DB_PER_DB = Dimension("scale figure", "dB/dB", (("dB/dB", 1.0),), "0.02 dB/dB")
DB_PER_HOUR = Dimension("drift", "dB/h", (("dB/h", 1.0), ("dB/hour", 1.0)), "0.1 dB/h")
LENGTH = Dimension("length", "m", (("mm", 1e-3), ("cm", 1e-2), ("m", 1.0), ("in", 0.0254), ("ft", 0.3048)), "14 in")
TIME = Dimension("time", "s", (("us", 1e-6), ("ms", 1e-3), ("s", 1.0), ("min", 60.0), ("h", 3600.0)), "30 min")
TEMPERATURE = Dimension("temperature", "degC", (("degC", 1.0), ("°C", 1.0), ("C", 1.0)), "21 degC")
PERCENT = Dimension("share", "1", (("%", 0.01),), "95 %")
PPM = Dimension("relative error", "ppm", (("ppm", 1.0),), "2 ppm")
PLAIN = Dimension("number", "1", (("", 1.0),), "1.5")

_NUMBER = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*\Z")


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
    match = _NUMBER.match(text)
    if match is None:
        msg = f"{text!r} is not a {dimension.name}; write for example {dimension.example!r}"
        raise UnitError(msg, text=text)
    number, unit = float(match[1]), match[2]
    for spelled, factor in dimension.units:
        if unit == spelled or (unit.lower() == spelled.lower() and _case_is_harmless(dimension, unit)):
            value = _scaled(match[1], factor)
            if not math.isfinite(value):
                msg = f"{text!r} is not a finite number"
                raise UnitError(msg, text=text)
            return value
    if not unit:
        msg = f"{text!r} has no unit; write for example {dimension.example!r}"
    elif not dimension.units[0][0]:
        msg = f"{text!r} takes no unit; write for example {dimension.example!r}"
    else:
        allowed = ", ".join(spelled for spelled, _ in dimension.units)
        msg = f"{text!r}: {unit!r} is not a unit of {dimension.name} (allowed: {allowed})"
    raise UnitError(msg, text=text, number=number, unit=unit)


def _scaled(number: str, factor: float) -> float:
    """Scale in decimal where the factor is a whole power of ten, so 146.61 MHz is exactly 146610000 Hz."""
    exponent = round(math.log10(factor)) if factor > 0 else 0
    if exponent and math.isclose(factor, 10.0**exponent, rel_tol=1e-12):
        mantissa, _, given = number.lower().partition("e")
        return float(f"{mantissa}e{int(given or 0) + exponent}")
    return float(number) * factor


def _case_is_harmless(dimension: Dimension, unit: str) -> bool:
    """`mhz` can only mean megahertz here (no millihertz in the list), `M` never means metre."""
    return len([1 for spelled, _ in dimension.units if spelled.lower() == unit.lower()]) == 1 and unit != "M"


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
