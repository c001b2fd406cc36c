"""Shapes of single values: each one reads a node into a value, and tells a JSON Schema what it accepts.

`blocks` puts them together, `keys` makes the tables of recipe and bench file of them. Loader and schema
come from the same table, so they cannot drift apart. A shape notes what is wrong in `Problems` and returns BAD.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from sequencer import units
from sequencer.errors import UnitError
from sequencer.recipe.problems import Problems, did_you_mean, quoted
from sequencer.recipe.yaml_text import Items, Node, Pairs, Scalar

__all__ = [
    "BAD",
    "Amount",
    "Choice",
    "OneOfUnits",
    "Schema",
    "Shape",
    "Text",
    "TextOrMapping",
    "Version",
    "Whole",
    "Word",
    "text_of",
]

Schema = dict[str, Any]

BAD: Final = object()  # read in vain; the reason stands in the problems


class Shape(Protocol):
    """What a value may look like."""

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return the value, or BAD after noting why."""
        ...

    def schema(self) -> Schema:
        """Return the JSON Schema of parsed YAML that `read` accepts (numbers and dates already made)."""
        ...


def text_of(node: Node, key: str, problems: Problems, wanted: str) -> str | None:
    """Return the scalar's text; None after noting that something else, or nothing, stands there."""
    if isinstance(node, Scalar) and node.text:
        return node.text
    found = "a list" if isinstance(node, Items) else "a mapping" if isinstance(node, Pairs) else "no value"
    problems.add(node.line, key, f"{found} where {wanted} must stand")
    return None


_NO_TEXT: Schema = {"not": {"type": ["object", "array", "null"]}}  # YAML makes dates and numbers of some texts


@dataclass(frozen=True, slots=True)
class Word:
    """Text with its line."""

    text: str
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """Text, matching a regular expression (ECMA 262 and Python alike) as a whole. Reads a Word.

    ``meant`` says, of a text that does not match, what to write for it; '' where that cannot be told.
    """

    what: str = "text"
    matching: str = ""
    longest: int = 2000
    meant: Callable[[str], str] = lambda _: ""

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return a Word."""
        text = text_of(node, key, problems, self.what)
        if text is None:
            return BAD
        if len(text) > self.longest:
            problems.add(node.line, key, f"{len(text)} characters; at most {self.longest} are read")
            return BAD
        if self.matching and re.fullmatch(self.matching, text) is None:
            meant = self.meant(text)
            problems.add(node.line, key, f"{quoted(text)} is not {self.what}{meant and f'; write {meant}'}")
            return BAD
        return Word(text, node.line)

    def schema(self) -> Schema:
        """Text, or what YAML makes of it."""
        return _NO_TEXT | ({"pattern": f"^(?:{self.matching})$"} if self.matching else {})


@dataclass(frozen=True, slots=True)
class TextOrMapping:
    """Text, or a mapping that another room reads. Reads a Word, or the mapping's node as it stands."""

    text: Text

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return a Word or the node."""
        return node if isinstance(node, Pairs) else self.text.read(node, key, problems)

    def schema(self) -> Schema:
        """Either form."""
        return {"anyOf": [self.text.schema(), {"type": "object"}]}


@dataclass(frozen=True, slots=True)
class Choice:
    """One of a few words. Reads a str. ``instead``: what to write for other words people use."""

    words: tuple[str, ...]
    instead: Mapping[str, str] = field(default_factory=dict)

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return the word."""
        allowed = ", ".join(self.words)
        text = text_of(node, key, problems, f"one of {allowed}")
        if text is None:
            return BAD
        if text not in self.words:
            known = self.instead.get(text.casefold())
            near = f"; {known}" if known else "" if problems.full else did_you_mean(text, self.words)
            problems.add(node.line, key, f"{quoted(text)} is unknown (allowed: {allowed}){near}")
            return BAD
        return text

    def schema(self) -> Schema:
        """Return the words as an enumeration."""
        return {"enum": list(self.words)}


@dataclass(frozen=True, slots=True)
class Version:
    """The version of the file's form. Reads an int."""

    version: int

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return the version."""
        text = text_of(node, key, problems, f"the version ({self.version})")
        if text is None:
            return BAD
        if text != str(self.version):
            problems.add(node.line, key, f"version {quoted(text)} cannot be read here (allowed: {self.version})")
            return BAD
        return self.version

    def schema(self) -> Schema:
        """Return the number, or its text."""
        return {"enum": [self.version, str(self.version)]}


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number. Reads an int."""

    least: int
    most: int

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return the number."""
        text = text_of(node, key, problems, "a whole number")
        if text is None:
            return BAD
        if re.fullmatch("[0-9]{1,9}", text) is None or not self.least <= int(text) <= self.most:
            problems.add(node.line, key, f"{quoted(text)} is not a whole number from {self.least} to {self.most}")
            return BAD
        return int(text)

    def schema(self) -> Schema:
        """Return the number, or its text."""
        number = {"type": "integer", "minimum": self.least, "maximum": self.most}
        return {"anyOf": [number, {"type": "string", "pattern": "^[0-9]{1,9}$"}]}


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """A quantity with its unit. Reads a float in the base unit; ``low`` and ``high`` are in the base unit too."""

    dimension: units.Dimension
    low: float | None = None
    high: float | None = None
    above_low: bool = False  # low itself is not allowed
    both_sides: bool = False  # may be written with a plus-minus sign

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return the number."""
        text = text_of(node, key, problems, f"a {self.dimension.name} such as '{self.dimension.example}'")
        if text is None:
            return BAD
        if self.both_sides:
            text = text.removeprefix("±").removeprefix("+/-")
        try:
            value = units.parse(text, self.dimension)
        except UnitError as exc:
            problems.add(node.line, key, exc.message)
            return BAD
        wrong = self._outside(value)
        if wrong:
            problems.add(node.line, key, f"{quoted(text)} {wrong}")
            return BAD
        return value

    def _outside(self, value: float) -> str:
        def show(end: float) -> str:
            return units.show(end, self.dimension)

        if self.low is not None and (value < self.low or (self.above_low and value == self.low)):
            return f"must be above {show(self.low)}" if self.above_low else f"must be at least {show(self.low)}"
        if self.high is not None and value > self.high:
            return f"must be at most {show(self.high)}"
        return ""

    def schema(self) -> Schema:
        """Return the pattern of the text; a bare number too where the dimension takes no unit."""
        pattern = units.pattern(self.dimension, signed=self.low is None or self.low < 0)
        if self.both_sides:
            pattern = pattern.replace("^", r"^(?:±|\+/-)?", 1)
        text: Schema = {"type": "string", "pattern": pattern}
        if all(spelled for spelled, _ in self.dimension.units):
            return text
        number: Schema = {"type": "number"}
        if self.low is not None:
            number["minimum"] = self.low
        return {"anyOf": [number, text]}


@dataclass(frozen=True, slots=True)
class OneOfUnits:
    """A quantity whose kind follows from another key; the loader chooses. Reads the node itself."""

    amounts: tuple[Amount, ...]

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return the scalar as it stands."""
        if text_of(node, key, problems, f"a quantity such as '{self.amounts[0].dimension.example}'") is None:
            return BAD
        return node

    def schema(self) -> Schema:
        """Any of them."""
        return {"anyOf": [amount.schema() for amount in self.amounts]}
