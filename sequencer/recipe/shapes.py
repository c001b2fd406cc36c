"""Shapes of values: each one reads a node into a value, and tells a JSON Schema what it accepts.

`keys` combines them into the tables of recipe and bench file. Loader and schema come from the same
table, so they cannot drift apart. A shape notes what is wrong in `Problems` and returns BAD.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Protocol, TypeVar

from sequencer import units
from sequencer.errors import UnitError
from sequencer.recipe.model import Figure
from sequencer.recipe.problems import Problems, did_you_mean, nearest, quoted
from sequencer.recipe.yaml_text import Items, Node, Pairs, Scalar

__all__ = [
    "BAD",
    "Amount",
    "Block",
    "Choice",
    "Fields",
    "FigureOf",
    "Key",
    "ListOf",
    "Named",
    "OneOfUnits",
    "Schema",
    "Shape",
    "Text",
    "Version",
    "Whole",
    "Word",
]

Schema = dict[str, Any]
T = TypeVar("T")

BAD: Final = object()  # read in vain; the reason stands in the problems


class Shape(Protocol):
    """What a value may look like."""

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return the value, or BAD after noting why."""
        ...

    def schema(self) -> Schema:
        """Return the JSON Schema of parsed YAML that `read` accepts (numbers and dates already made)."""
        ...


def _text_of(node: Node, key: str, problems: Problems, wanted: str) -> str | None:
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
    """Text, matching a regular expression (ECMA 262 and Python alike) as a whole. Reads a Word."""

    what: str = "text"
    matching: str = ""
    longest: int = 2000

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return a Word."""
        text = _text_of(node, key, problems, self.what)
        if text is None:
            return BAD
        if len(text) > self.longest:
            problems.add(node.line, key, f"{len(text)} characters; at most {self.longest} are read")
            return BAD
        if self.matching and re.fullmatch(self.matching, text) is None:
            problems.add(node.line, key, f"{quoted(text)} is not {self.what}")
            return BAD
        return Word(text, node.line)

    def schema(self) -> Schema:
        """Text, or what YAML makes of it."""
        return _NO_TEXT | ({"pattern": f"^(?:{self.matching})$"} if self.matching else {})


@dataclass(frozen=True, slots=True)
class Choice:
    """One of a few words. Reads a str."""

    words: tuple[str, ...]

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return the word."""
        allowed = ", ".join(self.words)
        text = _text_of(node, key, problems, f"one of {allowed}")
        if text is None:
            return BAD
        if text not in self.words:
            near = "" if problems.full else did_you_mean(text, self.words)
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
        text = _text_of(node, key, problems, f"the version ({self.version})")
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
        text = _text_of(node, key, problems, "a whole number")
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
        text = _text_of(node, key, problems, f"a {self.dimension.name} such as '{self.dimension.example}'")
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
        if _text_of(node, key, problems, f"a quantity such as '{self.amounts[0].dimension.example}'") is None:
            return BAD
        return node

    def schema(self) -> Schema:
        """Any of them."""
        return {"anyOf": [amount.schema() for amount in self.amounts]}


@dataclass(frozen=True, slots=True)
class FigureOf:
    """A stated figure: bare (a limit), or a mapping of limit, typical, measured. Reads a Figure."""

    amount: Amount
    NAMES = ("limit", "typical", "measured")

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return the Figure."""
        if not isinstance(node, Pairs):
            value = self.amount.read(node, key, problems)
            return Figure(limit=value) if isinstance(value, float) else BAD
        block = self._fields().read(node, key, problems)
        if not isinstance(block, Block) or block.bad:
            return BAD
        if not block.values:
            problems.add(node.line, key, f"a figure is missing (allowed: {', '.join(self.NAMES)})")
            return BAD
        limit, typical, measured = (block.get(name, float) for name in self.NAMES)
        return Figure(limit=limit, typical=typical, measured=measured)

    def _fields(self) -> Fields:
        return Fields({name: Key(self.amount) for name in self.NAMES})

    def schema(self) -> Schema:
        """Either form."""
        return {"anyOf": [self.amount.schema(), self._fields().schema() | {"minProperties": 1}]}


@dataclass(frozen=True, slots=True, kw_only=True)
class ListOf:
    """A list; ``or_single``: one value may stand without brackets. Reads a tuple."""

    item: Shape
    least: int = 1
    most: int
    or_single: bool = False

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return a tuple of the items that could be read; BAD where their number is wrong."""
        if self.or_single and not isinstance(node, Items):
            value = self.item.read(node, key, problems)
            return BAD if value is BAD else (value,)
        if not isinstance(node, Items):
            example = "[...]" if isinstance(node, Pairs) or not node.text else f"[{node.text[:40]}]"
            problems.add(node.line, key, f"a list must stand here, in brackets: {quoted(example)}, or one '- ' a line")
            return BAD
        if not self.least <= len(node.items) <= self.most:
            problems.add(node.line, key, f"{len(node.items)} items; {self.least} to {self.most} are allowed")
            return BAD
        values = [self.item.read(one, f"{key}[{n}]", problems) for n, one in enumerate(node.items, start=1)]
        return tuple(value for value in values if value is not BAD)

    def schema(self) -> Schema:
        """Return an array, or one item where allowed."""
        item = self.item.schema()
        array = {"type": "array", "items": item, "minItems": self.least, "maxItems": self.most}
        return {"anyOf": [item, array]} if self.or_single else array


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a mapping."""

    shape: Shape
    help: str = ""
    required: bool = False


@dataclass(slots=True)
class Block:
    """What was read from a mapping: values by key, their lines, and the keys whose value is not to be had.

    ``bad`` holds keys that were not, or only in part, read and keys that a misspelled one most likely meant,
    so that one typo is not also reported as a missing key.
    """

    line: int
    key: str
    values: dict[str, object] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    bad: set[str] = field(default_factory=set)
    unknown: bool = False  # some key is misspelled: whatever seems to be missing may be that one

    def get(self, name: str, kind: type[T]) -> T | None:
        """Return the value if it was given and could be read."""
        value = self.values.get(name)
        return value if isinstance(value, kind) else None

    def word(self, name: str, default: str = "") -> str:
        """Return a Word's text."""
        value = self.values.get(name)
        return value.text if isinstance(value, Word) else default

    def many(self, name: str, kind: type[T]) -> tuple[T, ...]:
        """Return the items of a list."""
        value = self.values.get(name)
        return tuple(one for one in value if isinstance(one, kind)) if isinstance(value, tuple) else ()

    def block(self, name: str) -> Block:
        """Return the inner mapping; an empty one where there is none."""
        return self.get(name, Block) or Block(self.line, self.path(name))

    def given(self, name: str) -> bool:
        """Whether the key, or one that seems to mean it, stands in the file."""
        return name in self.lines or name in self.bad

    def at(self, name: str) -> int:
        """Return the key's line, or the mapping's."""
        return self.lines.get(name, self.line)

    def path(self, name: str) -> str:
        """Return the key's path."""
        return f"{self.key}.{name}" if self.key else name


def _put(block: Block, name: str, shape: Shape, node: Node, problems: Problems) -> None:
    """Read one value into the block; it is bad as soon as anything in it was noted."""
    before = len(problems)
    value = shape.read(node, block.path(name), problems)
    if value is not BAD:
        block.values[name] = value
    if len(problems) > before:
        block.bad.add(name)


@dataclass(frozen=True, slots=True)
class Fields:
    """A mapping with known keys. Reads a Block. ``more`` adds conditions to the schema that the loader checks."""

    keys: Mapping[str, Key]
    more: Sequence[Schema] = ()

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return the Block, of what could be read."""
        if not isinstance(node, Pairs):
            found = quoted(node.text) if isinstance(node, Scalar) and node.text else "a list or nothing"
            problems.add(node.line, key, f"{found} where keys must stand (allowed: {', '.join(self.keys)})")
            return BAD
        block = Block(node.line, key)
        unknown: list[Scalar] = []
        for name, value_node in node.pairs:
            known = self.keys.get(name.text)
            if known is None:
                unknown.append(name)
                continue
            block.lines[name.text] = name.line
            _put(block, name.text, known.shape, value_node, problems)
        block.unknown = bool(unknown)
        for name in unknown:
            self._unknown(name, len(unknown) == 1, block, problems)
        for text, known in self.keys.items():
            if known.required and not block.given(text):
                problems.add(node.line, key, f"the key '{text}' is missing")
                block.bad.add(text)
        return block

    def _unknown(self, name: Scalar, alone: bool, block: Block, problems: Problems) -> None:
        """Note the key, and which it most likely meant: a missing one rather than an optional one."""
        meant = None
        if not problems.full:
            missing = [text for text, known in self.keys.items() if known.required and not block.given(text)]
            free = [text for text in self.keys if not block.given(text)]
            meant = nearest(name.text, missing, 0.5) or nearest(name.text, free)
            meant = meant or (missing[0] if alone and len(missing) == 1 else nearest(name.text, self.keys))
        if meant is not None:
            block.bad.add(meant)
        hint = f"; did you mean '{meant}'?" if meant is not None else ""
        text = f"unknown key {quoted(name.text)} (allowed: {', '.join(self.keys)}){hint}"
        problems.add(name.line, block.path(name.text[:40]), text)

    def schema(self) -> Schema:
        """Return an object without other keys."""
        properties = {
            name: ({"description": known.help} if known.help else {}) | known.shape.schema()
            for name, known in self.keys.items()
        }
        schema: Schema = {"type": "object", "additionalProperties": False, "properties": properties}
        required = [name for name, known in self.keys.items() if known.required]
        if required:
            schema["required"] = required
        if self.more:
            schema["allOf"] = list(self.more)
        return schema


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A mapping whose keys are free names. Reads a Block."""

    what: str
    matching: str
    item: Shape
    least: int = 1
    most: int

    def read(self, node: Node, key: str, problems: Problems) -> object:
        """Return the Block, of what could be read."""
        if not isinstance(node, Pairs):
            problems.add(node.line, key, f"'name: value' must stand here, with {self.what} as name")
            return BAD
        if not self.least <= len(node.pairs) <= self.most:
            problems.add(node.line, key, f"{len(node.pairs)} entries; {self.least} to {self.most} are allowed")
            return BAD
        block = Block(node.line, key)
        for name, value_node in node.pairs:
            if re.fullmatch(self.matching, name.text) is None:
                problems.add(name.line, block.path(name.text[:40]), f"{quoted(name.text)} is not {self.what}")
                block.bad.add(name.text)
                continue
            block.lines[name.text] = name.line
            _put(block, name.text, self.item, value_node, problems)
        return block

    def schema(self) -> Schema:
        """Return an object with names of the pattern."""
        return {
            "type": "object",
            "propertyNames": {"pattern": f"^(?:{self.matching})$"},
            "additionalProperties": self.item.schema(),
            "minProperties": self.least,
            "maxProperties": self.most,
        }
