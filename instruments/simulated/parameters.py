"""Parameters of program messages (IEEE 488.2 7.7, SCPI-99 Vol. 1 ch. 7) and the block of a response."""

from __future__ import annotations

import math
import re
from functools import lru_cache

from instruments.simulated.syntax import ScpiError, short_form

__all__ = ["block", "read_boolean", "read_channels", "read_number", "read_text", "read_word"]

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d+)?)\s*([A-Za-z/%]*)\Z")
_MOST_DIGITS, _LARGEST_EXPONENT = 255, 32000  # of a decimal number (488.2 7.7.2.4.1, from memory)
_MULTIPLIERS = {"G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0, "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12}  # 488.2 7.7.3

_SPECIAL = {  # SCPI-99 Vol. 1 7.2.1.4, 7.2.1.5 [clauses from memory]
    ("INF", "INFINITY"): 9.9e37,
    ("NINF", "NINFINITY"): -9.9e37,
    ("NAN",): 9.91e37,
}


def read_number(
    text: str, unit: str, *, least: float = -math.inf, most: float = math.inf, default: float | None = None
) -> float:
    """Return a decimal number, with MINimum, MAXimum, DEFault and the multipliers of IEEE 488.2 before the unit.

    Raises
    ------
    ScpiError
        -104 not a number, -121 letter in a number, -123 or -124 one longer than IEEE 488.2 has them, -131 wrong suffix,
        -138 no suffix here, -222 out of range.
    """
    word = text.upper()
    for form, value in (("MINIMUM", least), ("MAXIMUM", most), ("DEFAULT", default)):
        if word in (form, form[:3]):
            if value is None:
                raise ScpiError(-224, text)
            return value
    if word in ("UP", "DOWN"):  # no step is defined here
        raise ScpiError(-224, text)
    special = next((value for forms, value in _SPECIAL.items() if word in forms), None)
    if special is not None:
        number = special
    elif text[:2].upper() in ("#H", "#Q", "#B"):
        try:
            number = float(int(text[2:], {"H": 16, "Q": 8, "B": 2}[text[1].upper()]))
        except ValueError:
            raise ScpiError(-121, text) from None
    else:
        number = _decimal(text, unit)
    if not least <= number <= most:
        raise ScpiError(-222, text)
    return number


def _decimal(text: str, unit: str) -> float:
    match = _NUMBER.match(text)
    if match is None:
        raise ScpiError(-121 if text[:1].isdigit() or text[:1] in "+-." else -104, text)
    mantissa, _, exponent = match[1].upper().replace(" ", "").partition("E")
    if len(mantissa.lstrip("+-0").replace(".", "")) > _MOST_DIGITS:
        raise ScpiError(-124, text[:40])
    if exponent and abs(int(exponent[:10])) > _LARGEST_EXPONENT:
        raise ScpiError(-123, text[:40])
    number, suffix = float(f"{mantissa}E{exponent or 0}"), match[2].upper()
    if not suffix:
        return number
    if not unit:
        raise ScpiError(-138, text)
    multiplier = suffix.removesuffix(unit) if suffix.endswith(unit) else None
    if multiplier == "M" and unit == "HZ":
        return number * 1e6  # the one exception (with MOHM): MHZ is mega, not milli
    if multiplier not in _MULTIPLIERS or (unit.startswith("DB") and multiplier):
        raise ScpiError(-131, text)
    return number * _MULTIPLIERS[multiplier]


def read_boolean(text: str) -> bool:
    """ON, OFF, or a number that rounds to non-zero or zero."""
    if text.upper() in ("ON", "OFF"):
        return text.upper() == "ON"
    return round(read_number(text, "")) != 0


@lru_cache(maxsize=1024)
def read_word(text: str, words: tuple[str, ...]) -> str:
    """Return the one of ``words`` (in SCPI notation, 'SAMPle', 'REAL,32') that was sent in short or long form.

    Raises
    ------
    ScpiError
        -224, naming what was sent.
    """
    for word in words:
        name, comma, rest = word.partition(",")
        if text.upper() in {form.upper() + comma + rest for form in (name, short_form(name))}:
            return word
    raise ScpiError(-224, text)


def read_text(text: str) -> str:
    """Return a string's contents, or characters as they were sent."""
    if text[:1] in "'\"" and text[:1]:
        quote = text[0]
        if len(text) < 2 or text[-1] != quote:
            raise ScpiError(-151, text)
        return text[1:-1].replace(quote * 2, quote)
    return text


def read_channels(text: str) -> list[int]:
    """Return the channels of a list: '(@1,3:5)' -> [1, 3, 4, 5]."""
    if not (text.startswith("(@") and text.endswith(")")):
        raise ScpiError(-104, text)
    channels: list[int] = []
    for part in text[2:-1].split(","):
        match = re.fullmatch(r"\s*(\d{1,4})\s*(?::\s*(\d{1,4})\s*)?", part)
        if match is None:
            raise ScpiError(-121, text)
        channels.extend(range(int(match[1]), int(match[2] or match[1]) + 1))
    return channels


def block(payload: bytes) -> bytes:
    """Definite length arbitrary block (IEEE 488.2 8.7.9).

    Examples
    --------
    >>> block(b"HELLO")
    b'#15HELLO'
    """
    count = str(len(payload)).encode()
    return b"#" + str(len(count)).encode() + count + payload
