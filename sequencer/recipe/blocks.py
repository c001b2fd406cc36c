"""Shapes of lists and mappings, and what is read from a mapping: values, their lines, what is not to be had."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from sequencer.recipe.model import Figure
from sequencer.recipe.problems import Problems, nearest, quoted
from sequencer.recipe.shapes import BAD, Amount, Schema, Shape, Word
from sequencer.recipe.yaml_text import Items, Node, Pairs, Scalar

__all__ = ["Block", "Fields", "FigureOf", "Key", "ListOf", "Named"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class FigureOf:
    """A stated figure: bare (a limit), or a mapping of limit, typical, measured. Reads a Figure."""

    amount: Amount
    more_is_better: bool = False
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
        for name, value in (("typical", typical), ("measured", measured)):
            if limit is None or value is None or (value >= limit if self.more_is_better else value <= limit):
                continue
            cure = "a limit is what every value keeps" if name == "typical" else "leave out the limit, it is not kept"
            text = f"the {name} figure is worse than the limit: one of the two is wrong; {cure}"
            problems.add(block.at(name), block.path(name), text)
            return BAD
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
