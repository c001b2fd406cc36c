"""The one reader of numbers in saved traces, for headers and cells alike: read in one way, or not at all; no I/O."""

from __future__ import annotations

import re

__all__ = ["NUMBER", "NumberError", "value_of"]

# All characters that may belong to a number: what is wrong with them is said, nothing is cut off in the middle.
NUMBER = r"[+-]?(?:[0-9]{1,30}(?:[.,][0-9]{1,40}){0,20}\.?|[.,][0-9]{1,40})(?:[eE][+-]?[0-9]{1,9})?"
_PARTS = re.compile(r"([+-]?)([0-9.,]+)((?:[eE][+-]?[0-9]+)?)")
_GROUPED = re.compile(r"[1-9][0-9]{0,2}(?:[.,][0-9]{3})+")


class NumberError(ValueError):
    """The text is no number, or could be two."""


def value_of(text: str, *, comma: bool) -> float:
    """Return the number; infinite where it is beyond all floats.

    Parameters
    ----------
    comma : the file is known to write decimal commas; else a lone comma before three digits may also part thousands.

    Raises
    ------
    NumberError
        With the reason, for people.

    Examples
    --------
    >>> value_of("1,234.5", comma=False), value_of("1.234,5", comma=False), value_of("3.0E+003", comma=False)
    (1234.5, 1234.5, 3000.0)
    """
    match = _PARTS.fullmatch(text)
    if match is None:
        msg = f"{text[:30]!r} is no number"
        raise NumberError(msg)
    sign, digits, exponent = match[1], match[2], match[3]
    marks = [c for c in digits if c in ".,"]
    if len(marks) > 1:
        digits = _without_groups(digits, marks)
    elif marks and not exponent and _GROUPED.fullmatch(digits) and marks[0] == (decimal := "." if comma else ","):
        other = "point" if decimal == "." else "comma"
        msg = f"{text[:30]!r} can be read in two ways: the {other} may part thousands or be the decimal mark"
        raise NumberError(msg)
    exponent = exponent[:1] + exponent[1:].lstrip("+")
    return float(f"{sign}{digits.replace(',', '.')}{exponent}")


def _without_groups(digits: str, marks: list[str]) -> str:
    """Leave out the marks between thousands: 1,234,567 and 1,234.5 and 1.234,5 can only be that."""
    whole, fraction = digits, ""
    if marks[-1] != marks[0]:
        whole, _, fraction = digits.rpartition(marks[-1])
    if len(set(marks[:-1])) > 1 or not _GROUPED.fullmatch(whole):
        msg = f"{digits[:30]!r} has more than one decimal mark"
        raise NumberError(msg)
    return f"{whole.replace(marks[0], '')}.{fraction}"
