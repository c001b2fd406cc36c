"""Program messages of IEEE 488.2 and the header tree of SCPI-99, as pure text work: no instrument, no I/O."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Generic, TypeVar

__all__ = ["ERROR_TEXTS", "ScpiError", "Tree", "Unit", "short_form", "split_message"]

T = TypeVar("T")

ERROR_TEXTS = {  # SCPI-1999 Vol. 2 ch. 21 (text as in a public copy of the list)
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -148: "Character data not allowed",
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
    -440: "Query UNTERMINATED after indefinite response",
}


class ScpiError(Exception):
    """An entry for the error queue: its number and what it was about."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail

    def entry(self) -> str:
        """As SYSTem:ERRor? tells it: printable ASCII, whatever was sent."""
        detail = "".join(letter if 31 < ord(letter) < 127 else "?" for letter in self.detail)
        text = ERROR_TEXTS[self.number] + (f";{detail}" if detail else "")
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
    if not _WRAPPING.search(text):
        return text.split(separator)
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


_WRAPPING = re.compile(r"['\"(]")
_HEADER = re.compile(r"(\*[A-Za-z]+|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\?)?(.*)\Z", re.DOTALL)


def split_message(message: str) -> Iterable[Unit]:
    """Yield the units of a program message, one at a time, so that what stands before a mistake is still done.

    Raises
    ------
    ScpiError
        -101, -102, -103, -111, -112 or -151, when the unit at fault is reached.
    """
    units, wrong = _read(message)
    yield from units
    if wrong is not None:
        raise ScpiError(*wrong)


@lru_cache(maxsize=4096)  # a sweep is asked for in the same few messages every time
def _read(message: str) -> tuple[tuple[Unit, ...], tuple[int, str] | None]:
    """Return the units up to the first mistake, and the mistake."""
    units: list[Unit] = []
    try:
        units.extend(_units(message))
    except ScpiError as error:
        return tuple(units), (error.number, error.detail)
    return tuple(units), None


def _units(message: str) -> Iterable[Unit]:
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
            raise ScpiError(-103 if rest[0] in ",(@" else -111 if rest[0] in "\"'#" else -102, text[:40])
        parameters = tuple(item.strip() for item in _split(rest, ",")) if rest.strip() else ()
        if "" in parameters:
            raise ScpiError(-109 if len(parameters) > 1 else -102, text[:40])
        yield Unit(header, query, parameters)


@dataclass(slots=True)
class _Node(Generic[T]):
    children: dict[str, _Node[T]] = field(default_factory=dict)
    number: str = ""  # the suffix that must be sent, '' where 1 may be left out
    value: T | None = None


_MOST_FOUND = 1000  # headers a tree remembers having found: a program uses a few dozen
_PIECE = re.compile(r"(\[)?:?([A-Za-z|]+)(\d*):?\]?")


class Tree(Generic[T]):
    """Headers in the notation of the standard ('[SENSe:]FREQuency:STARt'), with the path rules of compound messages.

    ``full_forms``: the short form of a mnemonic is not known.
    """

    def __init__(self, *, full_forms: bool = False) -> None:
        self._root: _Node[T] = _Node()
        self._full_forms = full_forms
        self._found: dict[tuple[str, tuple[str, ...]], tuple[T, tuple[str, ...]]] = {}

    def add(self, pattern: str, value: T) -> None:
        """Enter a header, in every form that leaves optional nodes out."""
        self._found.clear()
        pieces = [(bool(m[1]), m[2], m[3]) for m in _PIECE.finditer(pattern)]
        choices = [[True, False] if optional else [True] for optional, _, _ in pieces]
        for present in itertools.product(*choices):
            node = self._root
            for (_, names, number), here in zip(pieces, present, strict=True):
                if here:
                    node = self._child(node, names, number)
            node.value = value

    def _child(self, node: _Node[T], names: str, number: str) -> _Node[T]:
        forms = {name.upper() for name in names.split("|")}
        if not self._full_forms:
            forms |= {short_form(name).upper() for name in names.split("|")}
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
        known = self._found.get((header, path))
        if known is not None:
            return known
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
        if len(self._found) < _MOST_FOUND:
            self._found[header, path] = node.value, mnemonics[:-1]
        return node.value, mnemonics[:-1]
