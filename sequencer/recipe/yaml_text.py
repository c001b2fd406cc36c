"""YAML text to plain nodes with line numbers: every scalar a string, nothing clever allowed.

Works on the parser's events, so that duplicate keys, aliases, tags, merge keys and a second document are
refused with their line before anything is built. Nothing of what it accepts means anything yet.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import yaml
from yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    NodeEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
    StreamEndEvent,
)

from sequencer.errors import RecipeError
from sequencer.recipe.problems import Problems, quoted

__all__ = ["Items", "Node", "Pairs", "Scalar", "decode", "read_document"]

MOST_CHARACTERS = 256_000  # a recipe of 1000 limits has about 100,000; more is not a recipe
MOST_NODES = 40_000
MOST_DEPTH = 20

_BREAK = re.compile("\r\n|[\n\r\x85\u2028\u2029]")  # what YAML 1.1 counts as the end of a line
_FORBIDDEN = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # YAML 1.1, 5.1
_LATER = ("could not find expected ':'", "mapping values are not allowed", "expected key", "block end", "'-' indicator")
_FIRST_KEY = re.compile("quantity:|kind:")  # of the items of lists
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")  # what a terminal must not get
_BLOCK = ("|", ">")  # text on lines of its own; its last line break belongs to the layout
_CLOSE_COLON = re.compile(r"\s*(?:- )?([A-Za-z][A-Za-z -]*):([^\s:].*)")  # 'max:1.6 dB' is one text to YAML
_LOST_COLON = re.compile(r"\s*([a-z]+) ([0-9.-].*)")
_BARE_KEY = re.compile(r"\s*(?:- )?([A-Za-z][A-Za-z0-9 _-]*)")  # 'limits' where 'limits:' is meant
_HIDDEN_TEXT = re.compile(r"\s+#(?=\w)")


@dataclass(frozen=True, slots=True)
class Scalar:
    """Text, and the line it stands on (from 1)."""

    text: str
    line: int


@dataclass(frozen=True, slots=True)
class Items:
    """A list."""

    items: tuple[Node, ...]
    line: int


@dataclass(frozen=True, slots=True)
class Pairs:
    """A mapping: keys are unique, stripped texts, in the order of the file."""

    pairs: tuple[tuple[Scalar, Node], ...]
    line: int


Node = Scalar | Items | Pairs


def decode(raw: bytes, source: str) -> str:
    """Return the bytes of a file as text.

    Raises
    ------
    RecipeError
        When they are not UTF-8 (with the line), or far too many.
    """
    problems = Problems(source)
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        problems.add(1, "", "the file is saved as UTF-16; save it as UTF-8")
    elif len(raw) > 4 * MOST_CHARACTERS:  # at most four bytes a character
        problems.add(1, "", f"the file is too large; at most {MOST_CHARACTERS} characters are read")
    problems.raise_if_any()
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = raw.count(b"\n", 0, exc.start) + 1
        problems.add(line, "", f"byte 0x{raw[exc.start]:02x} is not UTF-8; save the file as UTF-8")
        raise problems.error() from exc


def read_document(text: str, source: str) -> Pairs:
    """Return the one mapping the text holds.

    Raises
    ------
    RecipeError
        When it is not YAML, or uses what is refused here; one line per problem.
    """
    problems = Problems(source)
    text = text.removeprefix("\ufeff")
    if len(text) > MOST_CHARACTERS:
        problems.add(1, "", f"the file has {len(text)} characters; at most {MOST_CHARACTERS} are read")
    elif (bad := _FORBIDDEN.search(text)) is not None:
        line = len(_BREAK.findall(text, 0, bad.start())) + 1
        problems.add(line, "", f"the character U+{ord(bad[0]):04X} cannot stand in such a file; remove it")
    problems.raise_if_any()
    return _Builder(text, problems).document()


class _Builder:
    """Builds nodes from events. What can be passed over is noted; what cannot, raises at once."""

    def __init__(self, text: str, problems: Problems) -> None:
        self._lines = _BREAK.split(text)
        self._problems = problems
        self._events = self._parsed(text)
        self._nodes = 0

    def _parsed(self, text: str) -> Iterator[Event]:
        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # a tenth of the time where it was built in
        try:
            yield from yaml.parse(text, Loader=loader)
        except yaml.YAMLError as exc:
            if not self._problems:  # what was noted already is likely the cause
                self._explain(exc)
            raise self._problems.error() from exc
        except ValueError as exc:  # the pure parser on a numeric escape beyond Unicode
            self._problems.add(1, "", f"not readable as YAML: {exc}")
            raise self._problems.error() from exc

    def document(self) -> Pairs:
        next(self._events)  # stream start
        event = next(self._events)
        if isinstance(event, StreamEndEvent):
            raise self._stop(1, "the file is empty")
        if isinstance(event, DocumentStartEvent) and event.tags:
            self._problems.add(1, "", "a %TAG line is not allowed; remove it")
        root = self._node(next(self._events), depth=1)
        next(self._events)  # document end
        event = next(self._events)
        if isinstance(event, DocumentStartEvent):
            self._problems.add(_line(event), "", "a second document begins here ('---'); one file holds one")
        self._problems.raise_if_any()
        if not isinstance(root, Pairs):
            raise self._stop(root.line, "the file must be 'key: value' lines")
        return root

    def _stop(self, line: int, text: str) -> RecipeError:
        self._problems.add(line, "", text)
        return self._problems.error()

    def _node(self, event: Event, depth: int) -> Node:
        line = _line(event)
        self._nodes += 1
        if depth > MOST_DEPTH:
            raise self._stop(line, f"nested deeper than {MOST_DEPTH} levels")
        if self._nodes > MOST_NODES:
            raise self._stop(line, f"more than {MOST_NODES} values")
        if isinstance(event, AliasEvent):
            self._problems.add(line, "", f"'*{event.anchor}' (an alias) is not allowed; write the value out")
            return Scalar("", line)
        if isinstance(event, NodeEvent) and event.anchor is not None:
            self._problems.add(line, "", f"'&{event.anchor}' (an anchor) is not allowed; write the value out")
        tag = getattr(event, "tag", None)
        if tag is not None:
            tag = quoted(str(tag).replace("tag:yaml.org,2002:", "!!"))
            self._problems.add(line, "", f"{tag} (a tag) is not allowed; text that begins with ! needs quotes")
        if isinstance(event, MappingStartEvent):
            return self._mapping(event, depth)
        if isinstance(event, SequenceStartEvent):
            return self._list(line, depth)
        return self._scalar(event)

    def _scalar(self, event: Event) -> Scalar:
        line = _line(event)
        assert isinstance(event, ScalarEvent)
        if not event.style:
            hidden = _HIDDEN_TEXT.match(self._after(event))
            if hidden is not None:
                rest = self._after(event).strip()
                self._problems.add(
                    _line(event, end=True),
                    "",
                    f"{quoted(rest)} is read as a comment; put the whole text in quotes if it belongs to it, "
                    "or a space after the # if it is a comment",
                )
        control = _CONTROL.search(event.value)
        if control is not None:
            self._problems.add(line, "", f"the character U+{ord(control[0]):04X} cannot stand in a text")
        return Scalar(event.value.strip() if event.style in _BLOCK else event.value, line)

    def _after(self, event: Event) -> str:
        mark = event.end_mark
        assert mark is not None
        return self._lines[mark.line][mark.column :] if mark.line < len(self._lines) else ""

    def _list(self, line: int, depth: int) -> Items:
        items: list[Node] = []
        while not isinstance(event := next(self._events), SequenceEndEvent):
            items.append(self._node(event, depth + 1))
        return Items(tuple(items), line)

    def _mapping(self, start: MappingStartEvent, depth: int) -> Pairs:
        pairs: dict[str, tuple[Scalar, Node]] = {}
        last = ""
        split = twice = False
        while not isinstance(event := next(self._events), MappingEndEvent):
            before = bool(self._problems)
            key = self._node(event, depth + 1)
            value_event = next(self._events)
            if not isinstance(key, Scalar):
                if not self._problems:
                    self._problems.add(key.line, "", "a key must be text, not a list or a mapping")
                raise self._problems.error()
            empty = isinstance(value_event, ScalarEvent) and not value_event.value and not value_event.style
            if start.flow_style and empty and not self._after(event).lstrip().startswith(":"):
                if not split:  # `{TX, RX, ANT}` is one mistake
                    where = "" if _CLOSE_COLON.fullmatch(key.text) else last
                    self._problems.add(key.line, where, _comma(last, pairs, key.text))
                split = True
                continue
            value = self._node(value_event, depth + 1)
            if key.text == "<<" and isinstance(event, ScalarEvent) and not event.style:
                self._problems.add(key.line, "", "'<<' (a merge key) is not allowed; write the keys out")
            elif key.text in pairs:
                first = pairs[key.text][0].line
                again = "; remove one"
                if key.text == next(iter(pairs)) and not start.flow_style:
                    again += f", or where it begins an item of a list, write '- {key.text}: ...'"
                if not twice:  # an item without its '-' repeats all its keys
                    self._problems.add(key.line, key.text, f"the key stands twice (first on line {first}){again}")
                twice |= len(again) > len("; remove one")
            elif not key.text and not before:
                self._problems.add(key.line, "", "a key is missing before ':'")
            else:
                pairs[key.text] = (key, value)
                last = key.text
        return Pairs(tuple(pairs.values()), _line(start))

    def _lost(self, problem: str, line: int, opened: int) -> tuple[int, str] | None:
        """Return the line of a key without ':' or of an item without '-', and what to write: the parser stops later."""
        if not any(part in problem for part in _LATER):
            return None
        above = next((n for n in range(line - 1, 0, -1) if self._told(n)), opened)
        for number in dict.fromkeys((opened, above)) if "expected key" not in problem else ():
            bare = _BARE_KEY.fullmatch(self._told(number))
            if bare is not None:
                return number, f"a key without ':' (write '{bare[1]}:')"
        number = opened if "could not find expected ':'" in problem else line
        if self._told(number).startswith("-"):  # the list began without one
            lines = range(number - 1, 0, -1)
            key = next((n for n in lines if self._told(n).endswith(":") and not self._told(n).startswith("-")), 0)
            number = next((n for n in range(key + 1, number) if self._told(n)), number) if key else number
        text = self._told(number)
        if text.startswith("-") and not text.startswith("- "):
            return number, f"a space is missing behind '-'; write '- {text[1:]}'"
        listed = "'-' indicator" in problem or any(self._told(n).startswith("- ") for n in (above, line))
        if listed and not text.startswith("-") and (text.startswith("{") or _FIRST_KEY.match(text)):
            return number, f"this line does not fit the list round it; does it begin an item? Then write '- {text}'"
        return None

    def _told(self, number: int) -> str:
        """Return a line (counted from 1) without its indent and comment; '' where nothing else is on it."""
        return re.sub(r"(^|\s)#.*", "", self._lines[number - 1]).strip() if number <= len(self._lines) else ""

    def _explain(self, exc: yaml.YAMLError) -> None:
        """Say what a technician can do about what the parser stumbled over."""
        problem = str(getattr(exc, "problem", None) or exc)
        mark = getattr(exc, "problem_mark", None)
        context = getattr(exc, "context_mark", None)
        line = mark.line + 1 if mark is not None else 1
        text = self._lines[mark.line] if mark is not None and mark.line < len(self._lines) else ""
        found = text[mark.column : mark.column + 1] if mark is not None else ""
        opened = context.line + 1 if context is not None else line
        if "tab character" in problem or ("cannot start any token" in problem and found == "\t"):
            words = "a tab stands where only spaces may; indent with spaces"
        elif "cannot start any token" in problem:
            words = f"text that begins with {found} needs quotes: {_in_quotes(text, mark.column if mark else 0)}"
        elif (lost := self._lost(problem, line, opened)) is not None:
            line, words = lost
        elif "mapping values are not allowed" in problem:
            words = "a second ': ' on one line, or a wrong indent; text that holds ': ' needs quotes"
        elif "unexpected end of stream" in problem or "unexpected document" in problem:
            words, line = "the quote opened here is not closed", opened
        elif "',' or '" in problem:
            line, words = opened, f"the bracket opened here is not closed (or a comma is missing) before line {line}"
        elif "nesting depth" in problem:
            words = f"nested deeper than {MOST_DEPTH} levels"
        elif "node content" in problem:
            words = f"a value, or a key before ':', is missing where {quoted(found)} stands"
        elif "could not find expected ':'" in problem:
            close = _CLOSE_COLON.fullmatch(self._lines[opened - 1].rstrip())
            words = "a key without ':' (write 'key: value')"
            if close is not None:
                line = opened
                words = f"{quoted(close[0])}: a space is missing behind ':'; write '{close[1]}: {close[2]}'"
        elif "unexpected ':'" in problem:
            words = "no value stands behind ':'; write 'key: value', with a space"
        elif "expected key" in problem or "block end" in problem or "'-' indicator" in problem:
            words = "this line does not fit the lines above; check the indent, brackets and quotes"
        else:
            words = f"not readable as YAML: {problem}"
        self._problems.add(line, "", words)


def _line(event: Event, *, end: bool = False) -> int:
    mark = event.end_mark if end else event.start_mark
    assert mark is not None
    return int(mark.line) + 1


def _comma(last: str, pairs: dict[str, tuple[Scalar, Node]], rest: str) -> str:
    """Say what a comma did to the value before it: `{transmit: 146,610 MHz}` has two keys."""
    value = pairs[last][1] if last in pairs else None
    before = value.text if isinstance(value, Scalar) else ""
    key = _CLOSE_COLON.fullmatch(rest)
    if key is not None:
        return f"{quoted(rest)}: a space is missing behind ':'; write '{key[1]}: {key[2]}'"
    if before[-1:].isdigit() and rest[:1].isdigit() and "(" not in before:
        return f"{quoted(f'{before},{rest}')}: a comma ends the value; write the decimal point: '{before}.{rest}'"
    if before:
        lost = _LOST_COLON.fullmatch(rest)
        meant = "" if lost is None else f", or where a key begins behind the comma, write '{lost[1]}: {lost[2]}'"
        return f'{quoted(f"{before},{rest}")}: a comma ends the value; put it in quotes: "{before},{rest}"{meant}'
    return f"{quoted(rest)} has no value: in braces write '{{key: value, ...}}', for a list use brackets"


def _in_quotes(line: str, column: int) -> str:
    """Return the token at the column in double quotes."""
    token = re.split(r"[,}\]]|\s#", line[column:])[0].strip()
    return f'"{token[:40]}"'
