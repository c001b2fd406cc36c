"""Traces as they come: text or reals in, levels out; pure.

References
----------
IEEE Std 488.2-1992, 8.7.9 (definite length blocks), from memory.
"""

from __future__ import annotations

import re

import numpy as np

from instruments.scpi import ECHO, nonsense, parse_number, sentinels
from sequencer.core.trace import FloatArray
from sequencer.errors import InstrumentError

__all__ = [
    "BLOCK_LIMIT",
    "block_header",
    "echo_length",
    "is_text",
    "levels",
    "of_pairs",
    "parse_ascii_trace",
    "parse_integers",
    "parse_reals",
    "trace_fields",
]

BLOCK_LIMIT = 64_000_000  # bytes; a million points of eight bytes eight times over: more is a damaged header
_LONGEST_ECHO = 100  # bytes
_ABSURD_DB = 1e3  # no level in dBm is that large
_ABSURDLY_SMALL_DB = 1e-30  # -85.0 read with its bytes reversed is 6e-41


_OTHERS = ": does another program or person change its settings?"


def parse_ascii_trace(answer: str, count: int, sent: str) -> FloatArray:
    """Return a trace sent as text, shape (count,), float64; sentinels become inf and NaN.

    A trailing comma, leading plus signs, blanks and a unit behind each value are understood.

    Examples
    --------
    >>> parse_ascii_trace("+1.0,-2.5E1, 9.91E37,", 3, "TRAC? TRACE1")
    array([  1., -25.,  nan])
    """
    fields = trace_fields(answer)
    if not fields:
        raise nonsense(sent, answer, "the answer is empty")
    if len(fields) != count:
        raise nonsense(sent, answer, f"{count} values expected, {len(fields)} came{_OTHERS}")
    try:
        values = np.array([float(field) for field in fields])
        if not _PLAIN.fullmatch("".join(fields)):  # float() takes 'nan', '1_0', 'infinity'
            raise ValueError  # noqa: TRY301  # the same answer as for any other text
    except ValueError:
        values = np.array([parse_number(field, sent) for field in fields])
    return sentinels(values)


_PLAIN = re.compile(r"[\s0-9.eE+-]+")


def trace_fields(answer: str) -> list[str]:
    """Return the values of a trace as text: separated by commas, else semicolons, else blanks; one may trail.

    Examples
    --------
    >>> trace_fields("TRAC -1.0,-2.5,"), trace_fields("-1.0; -2.5"), trace_fields("-1.0 -2.5"), trace_fields(" ")
    (['-1.0', '-2.5'], ['-1.0', ' -2.5'], ['-1.0', '-2.5'], [])
    """
    text = ECHO.sub("", answer.strip().rstrip(",;").rstrip(), count=1)
    separator = next((mark for mark in ",;" if mark in text), None)
    return text.split(separator) if text else []


def echo_length(start: bytes) -> int | None:
    """Return how many bytes of an echoed header stand before an answer, None while more must come to tell.

    Examples
    --------
    >>> echo_length(b"#15HELLO"), echo_length(b":TRAC1 #15HELLO"), echo_length(b":TRAC"), echo_length(b"-1.5")
    (0, 7, None, 0)
    """
    match = re.match(rb":?[*A-Za-z][A-Za-z0-9_:]*( *)", start[:_LONGEST_ECHO])
    if match is None:
        return None if start in {b"", b":"} else 0
    if match.end() == len(start) and len(start) < _LONGEST_ECHO:
        return None
    return match.end() if match[1] else 0


def is_text(payload: bytes) -> bool:
    """Whether a block holds numbers as text: no trace of reals is printable throughout.

    Examples
    --------
    >>> is_text(b"-21.3,+1.0E+1"), is_text(bytes.fromhex("C2AA0000"))
    (True, False)
    """
    return re.fullmatch(rb"[\s0-9.eE+;,-]+", payload) is not None


def block_header(start: bytes, sent: str) -> tuple[int, int] | None:
    """Read the header of a definite block; return (header length, byte count), None while too short.

    Examples
    --------
    >>> block_header(b"#15HELLO", "X?"), block_header(b"#580008", "X?"), block_header(b"#5", "X?")
    ((3, 5), (7, 80008), None)
    """
    if start and start[:1] != b"#":
        raise nonsense(sent, start, "a block starting with '#' expected")
    if len(start) < 2:
        return None
    if not b"1" <= start[1:2] <= b"9":
        unstated = start[1:2] == b"0"
        why = "a block of unstated length cannot be read safely" if unstated else "not a block header"
        wrong = nonsense(sent, start, why)
        wrong.facts["unstated"] = unstated
        raise wrong
    digits = int(start[1:2])
    if not re.fullmatch(rb"\d*", start[2 : 2 + digits]):
        raise nonsense(sent, start, "not a block header")
    if len(start) < 2 + digits:
        return None
    count = int(start[2 : 2 + digits])
    if count > BLOCK_LIMIT:
        raise nonsense(sent, start[:12], f"a block of {count} bytes is not believable")
    return 2 + digits, count


def parse_reals(payload: bytes, count: int, sent: str, *, width: int, swapped: bool) -> FloatArray:
    """Return a binary trace, shape (count,), float64; sentinels become inf and NaN.

    Parameters
    ----------
    payload : the bytes of the block, without header and terminator.
    width : 32 or 64 bits (IEEE 754).
    swapped : True for `FORMat:BORDer SWAPped`, least significant byte first.

    Examples
    --------
    >>> parse_reals(bytes.fromhex("C2AA0000"), 1, "TRAC?", width=32, swapped=False)
    array([-85.])
    """
    size = width // 8
    if len(payload) != count * size:
        raise nonsense(
            sent, payload[:12], f"{count} values of {size} bytes expected, {len(payload)} bytes came{_OTHERS}"
        )
    with np.errstate(invalid="ignore"):  # bytes that are no numbers at all
        values = np.frombuffer(payload, dtype=f"{'<' if swapped else '>'}f{size}").astype(np.float64)
        return sentinels(values)


def parse_integers(payload: bytes, count: int, sent: str, *, swapped: bool) -> FloatArray:
    """Return a trace of 32-bit integers, thousandths of a dB, as dB, shape (count,), float64.

    Examples
    --------
    >>> parse_integers(bytes.fromhex("FFFEB3F8"), 1, "TRAC?", swapped=False)
    array([-85.])
    """
    if len(payload) != count * 4:
        raise nonsense(sent, payload[:12], f"{count} values of 4 bytes expected, {len(payload)} bytes came{_OTHERS}")
    return np.frombuffer(payload, dtype=f"{'<' if swapped else '>'}i4") / 1000.0


def of_pairs(values: FloatArray, sent: str) -> FloatArray:
    """Return the levels of frequency, level, frequency, level ...; InstrumentError where frequencies do not rise.

    Examples
    --------
    >>> of_pairs(np.array([1.46e8, -20.0, 1.47e8, -21.0]), "FETC?")
    array([-20., -21.])
    """
    hertz = values[0::2]
    if values.size % 2 or not np.all(np.isfinite(hertz)) or np.any(np.diff(hertz) <= 0.0) or np.any(hertz < 0.0):
        raise nonsense(sent, f"{values[:4]}", "frequencies that rise, each before its level, expected")
    return values[1::2]


def levels(values: FloatArray, sent: str) -> FloatArray:
    """Return levels in dBm with every missing one as NaN; refuse magnitudes that no level has.

    Reversed bytes and a wrong number format show as absurd magnitudes.

    Raises
    ------
    InstrumentError
        When a value is beyond 1e3 dBm, or so near zero that only reversed bytes explain it.
    """
    missing = ~np.isfinite(values)
    size = np.abs(np.where(missing, 0.0, values))
    absurd = (size > _ABSURD_DB) | ((size > 0) & (size < _ABSURDLY_SMALL_DB))
    if np.any(absurd):
        worst = float(values[int(np.argmax(absurd))])
        msg = (
            f"sent {sent!r}: the trace holds {worst:.3g} as a level; the bytes are probably in the other order or "
            f"another number format: check the dialect's trace entry"
        )
        raise InstrumentError(msg, sent=sent, value=worst)
    return np.where(missing, np.nan, values)
