"""Command text out, reply text and bytes in: the half of SCPI that needs no bus.

Every parser demands what it was told to expect, refuses an empty answer, and raises
:class:`InstrumentError` saying what was sent and what came back.

References
----------
IEEE Std 488.2-1992, 7.7.3 (suffixes); SCPI-1999 Vol. 1, 7.2.1.4 and
7.2.1.5 (infinity, not-a-number), clauses from memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import lru_cache

import numpy as np

from sequencer.core.trace import FloatArray
from sequencer.errors import InstrumentError

__all__ = [
    "ECHO",
    "fill",
    "join",
    "names_in",
    "nonsense",
    "parse_boolean",
    "parse_error_entry",
    "parse_identification",
    "parse_integer",
    "parse_number",
    "parse_string",
    "parse_word",
    "sentinels",
    "split_answers",
    "write_number",
]


_FIELD = re.compile(r"\{([a-z][a-z0-9_]*)(?::\.(\d{1,2})([gfe]))?\}")
_NUMBER = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z]*)")
ECHO = re.compile(r"\A:?[*A-Za-z][A-Za-z0-9_:]*\s+(?=\S)")

# Suffixes seen in answers: base unit and factor. M is milli, except in MHZ (IEEE 488.2, 7.7.3).
_SUFFIXES: dict[str, tuple[str, float]] = {
    "HZ": ("HZ", 1.0),
    "KHZ": ("HZ", 1e3),
    "MHZ": ("HZ", 1e6),
    "GHZ": ("HZ", 1e9),
    "S": ("S", 1.0),
    "SEC": ("S", 1.0),
    "MS": ("S", 1e-3),
    "US": ("S", 1e-6),
    "DB": ("DB", 1.0),
    "DBM": ("DBM", 1.0),
    "DBUV": ("DBUV", 1.0),
    "DBMV": ("DBMV", 1.0),
    "MSEC": ("S", 1e-3),
    "USEC": ("S", 1e-6),
    "NS": ("S", 1e-9),
    "PTS": ("PTS", 1.0),
}

_INFINITY = 9.9e37
_NOT_A_NUMBER = 9.91e37
_SENTINEL_TOLERANCE = 1e-5  # single precision keeps 9.91E37 to 6e-8; 9.9 and 9.91 differ by 1e-3
_LEAST_SENTINEL = _INFINITY * (1 - _SENTINEL_TOLERANCE)


def nonsense(sent: str, answer: str | bytes, why: str) -> InstrumentError:
    """Return the error for an answer that is not what was expected."""
    shown = answer[:60]
    tail = " ..." if len(answer) > len(shown) else ""
    msg = f"sent {sent!r}, the instrument answered {shown!r}{tail}: {why}"
    return InstrumentError(msg, sent=sent, answer=answer[:2000])


# --- building ---------------------------------------------------------------------------------------


def write_number(value: float) -> str:
    """Write a number that reads back to the same float, whole ones without a point.

    Examples
    --------
    >>> write_number(146.61e6), write_number(-12.5), write_number(601)
    ('146610000', '-12.5', '601')
    """
    if not math.isfinite(value):
        msg = f"{value!r} cannot be sent to an instrument"
        raise ValueError(msg)
    if value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return repr(float(value)).upper()


@lru_cache(maxsize=1024)
def names_in(template: str) -> frozenset[str]:
    """Return the names a template asks for; ValueError if it has a brace we do not understand.

    Only ``{name}`` and ``{name:.6g}`` (g, f or e) exist: ``str.format`` would run attribute look-ups.

    Examples
    --------
    >>> sorted(names_in("FREQ:STAR {hz}"))
    ['hz']
    """
    rest = _FIELD.sub("", template)
    if "{" in rest or "}" in rest:
        msg = f"{template!r}: only {{name}} and {{name:.6g}} can stand in braces"
        raise ValueError(msg)
    if any(ord(character) < 32 or ord(character) > 126 for character in template):
        msg = f"{template!r}: only printable ASCII can be sent"
        raise ValueError(msg)
    return frozenset(match[1] for match in _FIELD.finditer(template))


def fill(template: str, values: Mapping[str, float | str]) -> str:
    """Return the command a template spells.

    Raises
    ------
    ValueError
        For a name that is not in ``values``, a brace of another form, a value that is not finite, or
        text that could smuggle in a second command.

    Examples
    --------
    >>> fill("BAND {hz};:OUTP {state}", {"hz": 3e3, "state": "ON"})
    'BAND 3000;:OUTP ON'
    >>> fill("SWE:TIME {s:.6g}", {"s": 0.1234567})
    'SWE:TIME 0.123457'
    """
    missing = names_in(template) - values.keys()
    if missing:
        msg = f"{template!r}: no value for {', '.join(sorted(missing))}"
        raise ValueError(msg)

    def spelled(match: re.Match[str]) -> str:
        value = values[match[1]]
        if isinstance(value, str):
            if match[3] is not None or not re.fullmatch(r"[A-Za-z0-9_.+-]+", value):
                msg = f"{template!r}: {value!r} cannot stand for {match[1]}"
                raise ValueError(msg)
            return value
        if match[3] is None:
            return write_number(value)
        write_number(value)  # refuses what is not finite
        return f"{value:.{int(match[2])}{match[3]}}"

    return _FIELD.sub(spelled, template)


def join(*commands: str) -> str:
    """Join commands into one message, each from the root of the command tree.

    Examples
    --------
    >>> join("FREQ:STAR 1000000", "FREQ:STAR?", "*OPC")
    'FREQ:STAR 1000000;:FREQ:STAR?;*OPC'
    """
    parts = [commands[0], *(c if c.startswith(("*", ":")) else f":{c}" for c in commands[1:])]
    return ";".join(parts)


# --- text answers -----------------------------------------------------------------------------------


def split_answers(answer: str, count: int, sent: str) -> list[str]:
    """Split the answer to a message of ``count`` queries, at semicolons outside quotes.

    Examples
    --------
    >>> split_answers('1E6;"a;b";0', 3, "A?;B?;C?")
    ['1E6', '"a;b"', '0']
    """
    parts = [part.strip() for part in _split(answer, ";")]
    if len(parts) != count:
        raise nonsense(sent, answer, f"{count} answers expected, {len(parts)} came")
    return parts


def _split(text: str, separator: str) -> list[str]:
    """Split outside quotes ("" inside a quoted text is a doubled quote and toggles twice)."""
    if '"' not in text and "'" not in text:
        return text.split(separator)
    parts, start, quote = [], 0, ""
    for position, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == separator:
            parts.append(text[start:position])
            start = position + 1
    parts.append(text[start:])
    return parts


@lru_cache(maxsize=1024)  # a sweep reads the same settings back as the one before
def parse_number(answer: str, sent: str, unit: str | None = None, *, finite: bool = False) -> float:
    """Return one number in base units; leading +, unit and echoed header are understood.

    ``unit`` ("HZ", "S", "DB", "DBM") refuses an answer that states another unit. The SCPI sentinels
    become inf, -inf and NaN, or are refused where a ``finite`` number is due.

    Examples
    --------
    >>> parse_number("+1.46610000E+08", "FREQ:STAR?"), parse_number("146.61 MHZ", "FREQ:STAR?", "HZ")
    (146610000.0, 146610000.0)
    >>> parse_number("9.91E37", "CALC:MARK:Y?")
    nan
    """
    match = _NUMBER.fullmatch(ECHO.sub("", answer.strip(), count=1))
    if match is None:
        raise nonsense(sent, answer, "one number expected" if answer.strip() else "the answer is empty")
    value, suffix = float(match[1]), match[2].upper()
    if suffix:
        base, factor = _SUFFIXES.get(suffix, ("", 0.0))
        if not base or (unit is not None and base != unit):
            raise nonsense(sent, answer, f"{suffix!r} is not the unit expected there")
        value *= factor
    if abs(value) >= _LEAST_SENTINEL:
        value = float(sentinels(np.array([value]))[0])
    if finite and not math.isfinite(value):
        raise nonsense(sent, answer, "a number that means 'none' or 'infinite' came")
    return value


def parse_integer(answer: str, sent: str, least: int = 0, most: int = 65535) -> int:
    """Return a whole number within bounds; the default bounds are those of a status register.

    Examples
    --------
    >>> parse_integer("+1.001000000E+03", "SWE:POIN?", 2, 10001)
    1001
    """
    value = parse_number(answer, sent, finite=True)
    if value != int(value) or not least <= value <= most:
        raise nonsense(sent, answer, f"a whole number from {least} to {most} expected")
    return int(value)


def parse_boolean(answer: str, sent: str) -> bool:
    """Return an on/off answer: ON, OFF, or 1 and 0 in any form of number (IEEE 488.2 NRf).

    Examples
    --------
    >>> parse_boolean("1", "OUTP?"), parse_boolean("OFF", "OUTP?"), parse_boolean("+1.000E+00", "OUTP?")
    (True, False, True)
    """
    text = ECHO.sub("", answer.strip(), count=1).upper()
    if text in {"ON", "OFF"}:
        return text == "ON"
    number = _NUMBER.fullmatch(text)
    if number is not None and not number[2] and float(number[1]) in {0.0, 1.0}:
        return float(number[1]) == 1.0
    raise nonsense(sent, answer, "on or off expected")


def parse_string(answer: str, sent: str) -> str:
    """Return a word or a quoted text without its quotes.

    Examples
    --------
    >>> parse_string("'it''s'", "X?"), parse_string("RMS", "DET?")
    ("it's", 'RMS')
    """
    text = answer.strip()
    if not text:
        raise nonsense(sent, answer, "the answer is empty")
    quote = text[0]
    if quote not in "\"'":
        return text
    if len(text) < 2 or text[-1] != quote or quote in text[1:-1].replace(quote * 2, ""):
        raise nonsense(sent, answer, "the quotes do not match")
    return text[1:-1].replace(quote * 2, quote)


def parse_word(answer: str, sent: str) -> str:
    """Return a character answer in capitals, without quotes and without an echoed header.

    Examples
    --------
    >>> parse_word("DET SAMP", "DET?"), parse_word("'Rms'", "DET?")
    ('SAMP', 'RMS')
    """
    return parse_string(ECHO.sub("", answer.strip(), count=1), sent).upper()


def parse_identification(answer: str, sent: str = "*IDN?") -> tuple[str, str, str, str]:
    """Return (maker, model, serial, firmware); fields that a short answer leaves out are empty.

    Examples
    --------
    >>> parse_identification("Invented,Bench 1,0,1.0")
    ('Invented', 'Bench 1', '0', '1.0')
    """
    text = answer.strip().strip("\"'")
    if not text:
        raise nonsense(sent, answer, "the answer is empty")
    fields = [field.strip() for field in text.split(",", 3)]
    return (fields + [""] * 3)[0], (fields + [""] * 3)[1], (fields + [""] * 3)[2], (fields + [""] * 3)[3]


def parse_error_entry(answer: str, sent: str) -> tuple[int, str]:
    """Return (code, text) of one answer of the error queue; code 0 is 'no error'.

    Examples
    --------
    >>> parse_error_entry('-113,"Undefined header;XYZ"', "SYST:ERR?")
    (-113, 'Undefined header;XYZ')
    """
    text = ECHO.sub("", answer.strip(), count=1)
    if "NO ERROR" in {told.strip("\"'").upper() for told in (answer.strip(), text)}:  # some say nothing else
        return 0, "No error"
    match = re.fullmatch(r"([+-]?\d{1,6})\s*(?:,\s*(.*))?", text, re.DOTALL)
    if match is None:
        raise nonsense(sent, answer, "an error queue entry expected (number, text)")
    return int(match[1]), parse_string(match[2], sent) if match[2] else ""


def sentinels(values: FloatArray) -> FloatArray:
    """Return the values with the sentinels of SCPI-99 as inf, -inf and NaN, same shape."""
    size = np.abs(values)
    huge = size >= _LEAST_SENTINEL
    if not np.any(huge):
        return values
    infinite = huge & (size <= _INFINITY * (1 + _SENTINEL_TOLERANCE))
    nothing = np.abs(size / _NOT_A_NUMBER - 1) <= _SENTINEL_TOLERANCE
    result = np.where(infinite, np.copysign(np.inf, values), values)
    return np.where(nothing, np.nan, result)
