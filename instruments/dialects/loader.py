"""Dialect files: strict YAML in, :class:`Dialect` out; every fault named with file, line and key.

The file's scalars are read as text and converted here, because YAML's own reading of `off`, `1e6` or
`0x10` is not what a technician means.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Mapping
from importlib.resources import files

import yaml

from instruments import scpi
from instruments.dialects.model import SETTINGS, Averaging, Completion, Dialect, Setting, TraceFormat
from sequencer import units
from sequencer.core.trace import Detector, Flag
from sequencer.errors import RecipeError, UnitError
from sequencer.recipe.model import AnalyzerFile
from sequencer.recipe.starters import read_text

__all__ = ["load", "names", "of_bench", "parse"]

_SPELLINGS = "spellings.yaml"  # what the probe tries; no dialect
_KEYS = {
    "dialect", "name", "about", "identify", "begin", "settings", "detectors", "generator", "sweep", "trace",
    "errors", "status", "one message", "display range", "rbw filters", "wide first", "answers within", "averaging",
}  # fmt: skip
_INNER = {
    "settings": set(SETTINGS) - {"detector"},
    "generator": {"level", "on", "off", "ask", "adjust", "least rbw"},
    "sweep": {"start", "abort", "completion", "settling", "factor"},
    "detectors": {"set", "ask", *Detector},
}
_KINDS = ("power", "log")  # what an average may be of
_BASE = {
    "start": units.FREQUENCY,
    "stop": units.FREQUENCY,
    "points": units.PLAIN,
    "rbw": units.FREQUENCY,
    "vbw": units.FREQUENCY,
    "attenuation": units.DB,
    "reference": units.DBM,
    "generator level": units.DBM,
    "sweep time": units.TIME,
}


def names() -> tuple[str, ...]:
    """Return the names of the shipped dialects, sorted."""
    shipped = (entry.name for entry in files("instruments.dialects").iterdir())
    return tuple(
        sorted(name.removesuffix(".yaml") for name in shipped if name.endswith(".yaml") and name != _SPELLINGS)
    )


def load(name: str) -> Dialect:
    """Return a shipped dialect by name, or one from a file (a path with a slash or ending in .yaml).

    Raises
    ------
    RecipeError
        When there is no such dialect, or its file is wrong: with file, line and key.
    """
    if "/" in name or "\\" in name or name.endswith(".yaml"):
        return parse(*read_text(name, "dialect"))
    if name not in names():
        near = difflib.get_close_matches(name, names(), 1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        msg = f"there is no dialect {name!r} (there are: auto, {', '.join(names())}, or a path to a file){hint}"
        raise RecipeError(msg, dialect=name)
    text = (files("instruments.dialects") / f"{name}.yaml").read_text(encoding="utf-8")
    return parse(text, f"dialects/{name}.yaml")


def of_bench(spec: AnalyzerFile) -> Dialect | None:
    """Return the dialect a bench file holds or names, None where the analyzer is to be asked.

    Raises
    ------
    RecipeError
        When there is no such dialect, or it is wrong or not complete.
    """
    if spec.dialect_text:
        return parse(spec.dialect_text, spec.dialect_source)
    return None if spec.dialect == "auto" else load(spec.dialect)


def parse(text: str, source: str) -> Dialect:
    """Return the dialect a text spells; ``source`` names it in errors.

    Raises
    ------
    RecipeError
        With file, line and key.
    """
    top = _Node.read(text, source)
    top.only(_KEYS)
    if (version := top.text("dialect")) != "1":
        raise _wrong(top, "dialect", f"version {version!r} is not known here; this program reads version 1")
    for key, inner in _INNER.items():
        if top.has(key):
            top.map(key).only(inner)
    _refuse_incomplete(top)
    settings, generator, sweep, detectors = (top.map(key) for key in _INNER)
    spelled = {name: _setting(settings, name) for name in SETTINGS if settings.has(name)}
    spelled["generator level"] = _setting(generator, "level", units.DBM)
    spelled["detector"] = Setting(ask=detectors.command("ask"), set=detectors.command("set", value=True))
    computed = settings.map("sweep time")
    if not spelled["sweep time"].coupled and not (
        computed.has("computed") and computed.boolean("computed") and sweep.has("factor")
    ):
        why = "'coupled' is missing: how the instrument chooses the time itself (or 'computed: yes' and sweep.factor)"
        raise _wrong(settings, "sweep time", why)
    words = {detector: detectors.text(detector) for detector in Detector if detectors.has(detector)}
    if not words:
        raise _wrong(detectors, "", "none of power and sample is there: no trace could be used")
    if not _takes_words(spelled["detector"], words.values()):
        raise _wrong(detectors, "", "a plain {value} in 'set', and one word for each of power and sample, expected")
    off, begin = generator.command("off"), top.commands("begin")
    if begin[:1] != (off,):
        raise _wrong(top, "begin", f"the first command of a session must be {off!r}: generator off before anything")
    flags, status = _status(top)
    return Dialect(
        name=top.text("name"),
        about=top.text("about"),
        identify=top.commands("identify"),
        begin=begin,
        settings=spelled,
        detectors=words,
        on=generator.command("on"),
        off=off,
        output=generator.command("ask"),
        adjust=generator.command("adjust") if generator.has("adjust") else "",
        generator_min_rbw_hz=generator.quantity("least rbw", units.FREQUENCY) if generator.has("least rbw") else 0.0,
        initiate=sweep.command("start"),
        abort=sweep.command("abort") if sweep.has("abort") else "",
        completion=_completion(sweep),
        settling_s=sweep.quantity("settling", units.TIME) if sweep.has("settling") else 0.0,
        sweep_factor=sweep.quantity("factor", units.PLAIN) if sweep.has("factor") else None,
        trace=_trace(top.map("trace")),
        errors=top.command("errors") if top.has("errors") else "",
        status=status,
        flags=flags,
        one_message=top.boolean("one message") if top.has("one message") else True,
        wide_first=top.boolean("wide first") if top.has("wide first") else False,
        answers_within_s=top.quantity("answers within", units.TIME) if top.has("answers within") else 5.0,
        display_range_db=top.quantity("display range", units.DB) if top.has("display range") else None,
        rbw_hz=_filters(top),
        averaging=_averaging(top.map("averaging")) if top.has("averaging") else Averaging(),
        source=source,
    )


def _refuse_incomplete(top: _Node) -> None:
    """One error for all that a sweep needs and is not there, as in a file whose analyzer was not learnt wholly."""
    lost = [key for key in (*_INNER, "trace") if not top.has(key)]
    inside = {
        "settings": [name for name in _BASE if name not in {"vbw", "generator level"}],
        "generator": ["level", "on", "off", "ask"],
    }
    for key, names in inside.items():
        if top.has(key):
            node = top.map(key)
            lost += [f"{key}.{name}" for name in names if not node.has(name)]
    if lost:
        why = f"this dialect is not complete, no sweep could be taken with it; missing: {', '.join(lost)}"
        raise _wrong(top, "", f"{why}. Write them from the instrument's manual")


def _setting(parent: _Node, name: str, dimension: units.Dimension | None = None) -> Setting:
    node = parent.map(name)
    node.only({"set", "ask", "coupled", "computed", "limits", "step", "choices"})
    dimension = dimension or _BASE[name]
    limits: tuple[float, float] | None = None
    if node.has("limits"):
        ends = node.list("limits")
        if len(ends) != 2:
            raise _wrong(node, "limits", "two quantities expected: [least, most]")
        limits = (node.read_quantity("limits", ends[0], dimension), node.read_quantity("limits", ends[1], dimension))
        if limits[0] > limits[1]:
            raise _wrong(node, "limits", "the least comes first")
    step = node.quantity("step", units.DB if dimension is units.DBM else dimension) if node.has("step") else 0.0
    listed = node.list("choices") if node.has("choices") else ()
    choices = tuple(node.read_quantity("choices", text, dimension) for text in listed)
    if list(choices) != sorted(set(choices)):
        raise _wrong(node, "choices", "each value once, the least first")
    if not node.has("ask") and (name != "points" or limits is None or limits[0] != limits[1]):
        raise _wrong(node, "", "'ask' is missing (only a fixed number of points, with 'limits', can do without)")
    return Setting(
        ask=node.command("ask") if node.has("ask") else "",
        choices=choices,
        set=node.command("set", value=True) if node.has("set") else "",
        coupled=node.command("coupled") if node.has("coupled") else "",
        limits=limits,
        step=step,
    )


def _completion(sweep: _Node) -> Completion:
    if not sweep.has("completion"):
        return Completion()
    node = sweep.map("completion")
    node.only({"ask", "bit", "done", "began", "latched", "blocks", "timed"})
    blocks, timed = (node.has(key) and node.boolean(key) for key in ("blocks", "timed"))
    if blocks or timed:
        return Completion(ask=node.command("ask"), with_opc=False, blocks=blocks, timed=timed and not blocks)
    return Completion(
        ask=node.command("ask"),
        bit=node.bit("bit"),
        done=node.boolean("done"),
        with_opc=False,
        began=node.command("began") if node.has("began") else "",
        latched=node.has("latched") and node.boolean("latched"),
    )


def _averaging(node: _Node) -> Averaging:
    node.only({"off", "ask", "count", "kind"})
    kind, kinds = None, {}
    if node.has("kind"):
        inner = node.map("kind")
        inner.only({"set", "ask", *_KINDS})
        kind = Setting(ask=inner.command("ask"), set=inner.command("set", value=True))
        kinds = {name: inner.command(name) for name in _KINDS if inner.has(name) or name == "power"}
        if not _takes_words(kind, kinds.values()):
            raise _wrong(node, "kind", "a plain {value} in 'set', and one word for each of power and log, expected")
    if node.has("off") != node.has("ask"):
        raise _wrong(node, "", "'off' and 'ask' belong together: how it is switched off, and how that is asked back")
    return Averaging(
        off=node.command("off") if node.has("off") else "",
        ask=node.command("ask") if node.has("ask") else "",
        count=_setting(node, "count", units.PLAIN) if node.has("count") else None,
        kind=kind,
        kinds=kinds,
    )


def _trace(node: _Node) -> TraceFormat:
    node.only({"ask", "format", "order", "length"})
    kind = node.text("format")
    widths = {"text": 0, "pairs": 0, "real32": 32, "real64": 64, "int32": 32}
    if kind not in widths:
        raise _wrong(node, "format", f"{kind!r} is not one of {', '.join(widths)}")
    orders = {"normal": False, "swapped": True}
    order = node.text("order") if node.has("order") else "normal"
    if order not in orders or (node.has("order") and not widths[kind]):
        raise _wrong(node, "order", "normal or swapped expected, and only for real32, real64 and int32")
    if node.has("length") and (node.text("length") != "unstated" or not widths[kind]):
        raise _wrong(node, "length", "only 'unstated' can stand here, and only for real32, real64 and int32")
    return TraceFormat(
        ask=node.command("ask"),
        width=widths[kind],
        swapped=orders[order],
        unstated=node.has("length"),
        integers=kind == "int32",
        pairs=kind == "pairs",
    )


def _status(top: _Node) -> tuple[Mapping[Flag, int], tuple[str, ...]]:
    if not top.has("status"):
        return {}, ()
    node = top.map("status")
    node.only({"ask", *Flag})
    return {flag: node.bit(flag) for flag in Flag if node.has(flag)}, node.commands("ask")


def _filters(top: _Node) -> tuple[float, ...]:
    if not top.has("rbw filters"):
        return ()
    found = [top.read_quantity("rbw filters", text, units.FREQUENCY) for text in top.list("rbw filters")]
    if found != sorted(set(found)):
        raise _wrong(top, "rbw filters", "each filter once, the narrowest first")
    return tuple(found)


class _Node:
    """A mapping of a YAML file that still knows its lines."""

    def __init__(self, node: yaml.MappingNode, source: str, path: str) -> None:
        self.source = source
        self.path = path
        self._line = node.start_mark.line + 1
        self._children: dict[str, yaml.Node] = {}
        for key, value in node.value:
            name = key.value if isinstance(key, yaml.ScalarNode) else str(key.tag)
            if name in self._children:
                raise _wrong(self, name, "the key stands twice", key.start_mark.line + 1)
            self._children[name] = value

    @classmethod
    def read(cls, text: str, source: str) -> _Node:
        try:
            root = yaml.compose(text, Loader=yaml.SafeLoader)
        except yaml.YAMLError as exc:
            mark = getattr(exc, "problem_mark", None)
            where = f"{source}:{mark.line + 1}" if mark else source
            msg = f"{where}: not YAML ({getattr(exc, 'problem', None) or exc})"
            raise RecipeError(msg, file=source) from exc
        if not isinstance(root, yaml.MappingNode):
            msg = f"{source}: a dialect file is a mapping that starts with 'dialect: 1'"
            raise RecipeError(msg, file=source)
        return cls(root, source, "")

    def line_of(self, key: str) -> int:
        child = self._children.get(key)
        return child.start_mark.line + 1 if child is not None else self._line

    def only(self, allowed: Iterable[str]) -> None:
        known = {str(key) for key in allowed}
        for key in self._children:
            if key not in known:
                near = difflib.get_close_matches(key, known, 1)
                hint = f"; did you mean {near[0]!r}?" if near else f" (known: {', '.join(sorted(known))})"
                raise _wrong(self, key, f"unknown key{hint}")

    def has(self, key: str) -> bool:
        return key in self._children

    def _get(self, key: str) -> yaml.Node:
        if key not in self._children:
            raise _wrong(self, "", f"{key!r} is missing")
        return self._children[key]

    def map(self, key: str) -> _Node:
        node = self._get(key)
        if not isinstance(node, yaml.MappingNode):
            raise _wrong(self, key, "a mapping expected")
        return _Node(node, self.source, ".".join(part for part in (self.path, key) if part))

    def text(self, key: str) -> str:
        node = self._get(key)
        if not isinstance(node, yaml.ScalarNode) or not node.value.strip():
            raise _wrong(self, key, "one text expected")
        return str(node.value)

    def list(self, key: str) -> tuple[str, ...]:
        node = self._get(key)
        if not isinstance(node, yaml.SequenceNode) or not all(isinstance(n, yaml.ScalarNode) for n in node.value):
            raise _wrong(self, key, "a list expected")
        return tuple(str(item.value) for item in node.value)

    def command(self, key: str, *, value: bool = False) -> str:
        return self._checked(key, self.text(key), frozenset({"value"}) if value else frozenset())

    def commands(self, key: str) -> tuple[str, ...]:
        found = tuple(self._checked(key, text, frozenset()) for text in self.list(key))
        if not found:
            raise _wrong(self, key, "the list is empty")
        return found

    def _checked(self, key: str, text: str, expected: frozenset[str]) -> str:
        try:
            asked = scpi.names_in(text)
        except ValueError as exc:
            raise _wrong(self, key, str(exc)) from exc
        if asked != expected:
            wanted = "{value}" if expected else "no braces"
            raise _wrong(self, key, f"{text!r}: {wanted} expected")
        if ";" in text:
            raise _wrong(self, key, f"{text!r}: one command each, without ';'")
        return text

    def quantity(self, key: str, dimension: units.Dimension) -> float:
        return self.read_quantity(key, self.text(key), dimension)

    def read_quantity(self, key: str, text: str, dimension: units.Dimension) -> float:
        try:
            value = units.parse(text, dimension)
        except UnitError as exc:
            raise _wrong(self, key, exc.message) from exc
        assert math.isfinite(value)
        return value

    def bit(self, key: str) -> int:
        text = self.text(key)
        if not re.fullmatch(r"\d{1,2}", text) or int(text) > 15:
            raise _wrong(self, key, f"{text!r} is not a bit number from 0 to 15")
        return int(text)

    def boolean(self, key: str) -> bool:
        text = self.text(key).lower()
        if text not in {"yes", "no"}:
            raise _wrong(self, key, f"{text!r}: yes or no expected")
        return text == "yes"


def _wrong(node: _Node, key: str, why: str, line: int | None = None) -> RecipeError:
    where = ".".join(part for part in (node.path, key) if part)
    line = line or node.line_of(key)
    told = f"{where}: {why}" if where else why
    return RecipeError(f"{node.source}:{line}: {told}", file=node.source, line=line, key=where)


def _takes_words(setting: Setting, words: Iterable[str]) -> bool:
    """Whether each of the words can be put into the command."""
    return "{value}" in setting.set and all(re.fullmatch(r"[A-Za-z0-9_.+-]+", word) for word in words)
