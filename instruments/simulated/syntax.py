"""Program messages of IEEE 488.2 and headers of SCPI-99, as pure text work: no instrument, no I/O."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Generic, TypeVar

__all__ = [
    "ScpiError",
    "Tree",
    "Unit",
    "block",
    "read_boolean",
    "read_channels",
    "read_number",
    "read_text",
    "read_word",
    "short_form",
    "split_message",
]

T = TypeVar("T")

ERROR_TEXTS = {  # SCPI-1999 Vol. 2 ch. 21 (text as in a public copy of the list)
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -151: "Invalid string data",
    -200: "Execution error",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}


class ScpiError(Exception):
    """An entry for the error queue: its number and what it was about."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail

    def entry(self) -> str:
        """As SYSTem:ERRor? tells it."""
        text = ERROR_TEXTS[self.number] + (f";{self.detail}" if self.detail else "")
        return f'{self.number},"{text[:250].replace(chr(34), chr(39))}"'


def short_form(long: str) -> str:
    """Return the short form of a mnemonic: four letters, or three if the fourth is a vowel (SCPI-99 Vol. 1 6.2.1).

    Examples
    --------
    >>> short_form("DETECTOR"), short_form("BORDER"), short_form("TIME")
    ('DET', 'BORD', 'TIME')
    """
    if len(long) <= 4:
        return long
    return long[:3] if long[3].upper() in "AEIOU" else long[:4]


@dataclass(frozen=True, slots=True)
class Unit:
    """One program message unit: header as sent, whether it is a query, parameters as text."""

    header: str
    query: bool
    parameters: tuple[str, ...]


def _split(text: str, separator: str) -> list[str]:
    """Split outside quotes and parentheses.

    Raises
    ------
    ScpiError
        -151 for a string that does not end.
    """
    parts, start, quote, depth = [], 0, "", 0
    for at, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "'\"":
            quote = letter
        elif letter == "(":
            depth += 1
        elif letter == ")":
            depth -= 1
        elif letter == separator and depth <= 0:
            parts.append(text[start:at])
            start = at + 1
    if quote:
        raise ScpiError(-151, text[-40:])
    return [*parts, text[start:]]


_HEADER = re.compile(r"(\*[A-Za-z]+|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\?)?(.*)\Z", re.DOTALL)


def split_message(message: str) -> Iterable[Unit]:
    """Yield the units of a program message, one at a time, so that what stands before a mistake is still done.

    Raises
    ------
    ScpiError
        -101, -102, -103, -112 or -151, when the unit at fault is reached.
    """
    if not message.strip():
        return
    for part in _split(message, ";"):
        text = part.strip()
        if not text:  # an empty unit is allowed between two semicolons
            continue
        odd = next((letter for letter in text if not 31 < ord(letter) < 127 and letter != "\t"), None)
        if odd is not None:
            raise ScpiError(-101, f"character {ord(odd)}")
        match = _HEADER.match(text)
        if match is None:
            raise ScpiError(-102, text[:40])
        header, query, rest = match[1], bool(match[2]), match[3]
        if any(len(mnemonic.lstrip("*")) > 12 for mnemonic in header.split(":")):
            raise ScpiError(-112, header)
        if rest and not rest[0].isspace():
            raise ScpiError(-103 if rest[0] in ",(@" else -102, text[:40])
        parameters = tuple(item.strip() for item in _split(rest, ",")) if rest.strip() else ()
        if "" in parameters:
            raise ScpiError(-109 if len(parameters) > 1 else -102, text[:40])
        yield Unit(header, query, parameters)


@dataclass(slots=True)
class _Node(Generic[T]):
    children: dict[str, _Node[T]] = field(default_factory=dict)
    number: str = ""  # the suffix that must be sent, '' where 1 may be left out
    value: T | None = None


_PIECE = re.compile(r"(\[)?:?([A-Za-z|]+)(\d*):?\]?")


class Tree(Generic[T]):
    """Headers in the notation of the standard ('[SENSe:]FREQuency:STARt'), with the path rules of compound messages."""

    def __init__(self) -> None:
        self._root: _Node[T] = _Node()

    def add(self, pattern: str, value: T) -> None:
        """Enter a header, in every form that leaves optional nodes out."""
        pieces = [(bool(m[1]), m[2], m[3]) for m in _PIECE.finditer(pattern)]
        choices = [[True, False] if optional else [True] for optional, _, _ in pieces]
        for present in itertools.product(*choices):
            node = self._root
            for (_, names, number), here in zip(pieces, present, strict=True):
                if here:
                    node = self._child(node, names, number)
            node.value = value

    def _child(self, node: _Node[T], names: str, number: str) -> _Node[T]:
        forms = {form.upper() for name in names.split("|") for form in (name, short_form(name))}
        known = {id(node.children[form]): node.children[form] for form in forms if form in node.children}
        if len(known) > 1:
            msg = f"{names} means two nodes"
            raise ValueError(msg)
        child = next(iter(known.values())) if known else _Node[T](number=number)
        node.children.update(dict.fromkeys(forms, child))
        return child

    def find(self, header: str, path: tuple[str, ...]) -> tuple[T, tuple[str, ...]]:
        """Return what a header means and the path for the next unit.

        Parameters
        ----------
        header : as sent; a leading colon starts at the root.
        path : mnemonics the last unit left behind.

        Raises
        ------
        ScpiError
            -113 undefined header, -114 header suffix out of range.
        """
        mnemonics = (() if header.startswith(":") else path) + tuple(header.lstrip(":").split(":"))
        node = self._root
        for mnemonic in mnemonics:
            letters = mnemonic.rstrip("0123456789")
            number = mnemonic[len(letters) :]
            child = node.children.get(letters.upper())
            if child is None or (child.number and not number):
                raise ScpiError(-113, header)
            if number not in ((child.number,) if child.number else ("", "1")):
                raise ScpiError(-114, header)
            node = child
        if node.value is None:
            raise ScpiError(-113, header)
        return node.value, mnemonics[:-1]


_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d+)?)\s*([A-Za-z/%]*)\Z")
_MULTIPLIERS = {"G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0, "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12}  # 488.2 7.7.3


def read_number(
    text: str, unit: str, *, least: float = -math.inf, most: float = math.inf, default: float | None = None
) -> float:
    """Return a decimal number, with MINimum, MAXimum, DEFault and the multipliers of IEEE 488.2 before the unit.

    Raises
    ------
    ScpiError
        -104 not a number, -121 letter in a number, -131 wrong suffix, -138 no suffix here, -222 out of range.
    """
    word = text.upper()
    for form, value in (("MINIMUM", least), ("MAXIMUM", most), ("DEFAULT", default)):
        if word in (form, form[:3]):
            if value is None:
                raise ScpiError(-224, text)
            return value
    if text[:2].upper() in ("#H", "#Q", "#B"):
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
    number, suffix = float(match[1].replace(" ", "")), match[2].upper()
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


def read_word(text: str, words: Iterable[str]) -> str:
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


Reader = Callable[[str], T]
