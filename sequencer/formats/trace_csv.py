"""A sweep as a CSV file that stands alone: settings as `# key: value` lines, then frequency and level.

Spreadsheets, the csv module (after dropping lines that start with #) and pandas (``comment="#"``) read it.
Numbers are written by ``repr`` and come back exactly; a point without data (NaN) is an empty field.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NoReturn, get_args

from sequencer.core.trace import Flag, FloatArray, Sweep, SweepSettings, Trace, own
from sequencer.errors import GridMismatchError, NotchbookError, StoredDataError
from sequencer.formats.canonical import read_json
from sequencer.formats.guards import check_version
from sequencer.formats.plain import from_plain, hints_of, to_plain

__all__ = ["TRACE_VERSION", "SweepHead", "TraceFile", "dump_trace", "load_trace_csv"]

TRACE_VERSION = 1
_COLUMNS = "freq_hz,level_dbm"
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e[+-]?\d+)?")  # what repr() of a finite float or an int looks like
_LONGEST = 32  # characters of a number; repr() of a float has at most 24
_HEADER = re.compile(r"# ([a-z0-9_.]+):(?: (.*))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepHead:
    """A sweep without its trace: what a header or a journal line can hold."""

    began: datetime
    instrument_s: float
    flags: frozenset[Flag]
    asked: SweepSettings
    used: SweepSettings

    @classmethod
    def of(cls, sweep: Sweep) -> SweepHead:
        """Head of a sweep."""
        return cls(**{name: getattr(sweep, name) for name in hints_of(SweepHead)})

    def with_trace(self, trace: Trace) -> Sweep:
        """Return the sweep again."""
        return Sweep(
            trace=trace,
            asked=self.asked,
            used=self.used,
            flags=self.flags,
            began=self.began,
            instrument_s=self.instrument_s,
        )


@dataclass(frozen=True, slots=True, eq=False)
class TraceFile:
    """What a trace file says: where the sweep belongs, and the sweep."""

    hookup: str
    key: str
    role: str
    sweep: Sweep


def dump_trace(hookup: str, key: str, role: str, sweep: Sweep) -> str:
    """Return the text of a trace file.

    Raises
    ------
    NotchbookError
        When a setting is not a finite number (levels may be infinite or NaN; a setting never).
    """
    header = {"trace": TRACE_VERSION, "hookup": hookup, "key": key, "role": str(role)}
    header |= _flat(to_plain(SweepHead.of(sweep), SweepHead))
    lines = [f"# {name}: {_show(name, value)}".rstrip(" ") for name, value in header.items()]
    lines.append(_COLUMNS)
    for freq, level in zip(sweep.trace.freq_hz.tolist(), sweep.trace.level_dbm.tolist(), strict=True):
        lines.append(f"{freq!r},{'' if math.isnan(level) else repr(level)}")
    return "\n".join(lines) + "\n"


def load_trace_csv(text: str, where: str) -> TraceFile:
    """Read what `dump_trace` wrote.

    Raises
    ------
    StoredDataError
        Naming ``where`` and the line, for anything `dump_trace` would not have written.
    """
    lines = text.split("\n")
    if lines.pop():
        _refuse(where, len(lines) + 1, "the file ends in the middle of a line")
    given: dict[str, str] = {}
    for line in lines:
        match = _HEADER.fullmatch(line)
        if match is None:
            break
        if match[1] in given:
            _refuse(where, len(given) + 1, f"{match[1]} stands twice")
        given[match[1]] = match[2] or ""
    version = given.pop("trace", "")
    check_version({"trace": int(version) if version.isdecimal() and len(version) < 9 else None}, "trace", 1, where)
    known = {"hookup": str, "key": str, "role": str} | _flat_hints()
    if given.keys() != known.keys():
        odd = sorted(given.keys() ^ known.keys())[0]
        msg = f"{where}: {odd}: {'unknown key' if odd in given else 'missing'}"
        raise StoredDataError(msg, where=where, key=odd)
    plain = {name: _value(given[name], hint, f"{where}: {name}") for name, hint in known.items()}
    hookup, key, role = (plain.pop(name) for name in ("hookup", "key", "role"))
    head = from_plain(SweepHead, _nested(plain), where)
    start = len(given) + 1  # the version was taken out
    if lines[start : start + 1] != [_COLUMNS]:
        _refuse(where, start + 1, f"expected the column names {_COLUMNS}")
    freq_hz, level_dbm = _columns(lines[start + 1 :], start + 2, where)
    try:
        trace = Trace(freq_hz, level_dbm)
    except GridMismatchError as exc:
        msg = f"{where}: {exc}"
        raise StoredDataError(msg, where=where) from exc
    return TraceFile(hookup, key, role, head.with_trace(trace))


def _columns(lines: list[str], first: int, where: str) -> tuple[FloatArray, FloatArray]:
    freq_hz: list[float] = []
    level_dbm: list[float] = []
    for number, line in enumerate(lines, first):
        freq, comma, level = line.partition(",")
        good_level = level in ("", "inf", "-inf") or _NUMBER.fullmatch(level)
        if not comma or not _NUMBER.fullmatch(freq) or not good_level:
            _refuse(where, number, f"expected 'frequency,level', found {line[:60]!r}")
        freq_hz.append(float(freq))
        level_dbm.append(float(level) if level else math.nan)
    return own(freq_hz), own(level_dbm)


def _flat(plain: dict[str, Any]) -> dict[str, Any]:
    """{'used': {'rbw_hz': 1.0}} -> {'used.rbw_hz': 1.0}."""
    flat: dict[str, Any] = {}
    for name, value in plain.items():
        flat |= {f"{name}.{inner}": v for inner, v in value.items()} if isinstance(value, dict) else {name: value}
    return flat


def _flat_hints() -> dict[str, Any]:
    hints = hints_of(SweepHead)
    return _flat({name: hints_of(SweepSettings) if hint is SweepSettings else hint for name, hint in hints.items()})


def _nested(flat: dict[str, Any]) -> dict[str, Any]:
    plain: dict[str, Any] = {}
    for name, value in flat.items():
        outer, dot, inner = name.partition(".")
        if dot:
            plain.setdefault(outer, {})[inner] = value
        else:
            plain[name] = value
    return plain


def _show(name: str, value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, list):
        return " ".join(value)
    if isinstance(value, str):
        clean = value.isprintable() and value == value.strip() and not value.startswith('"')
        return value if clean else json.dumps(value)
    if isinstance(value, float) and not math.isfinite(value):
        msg = f"trace file: {name} is {value!r}, which is no setting"
        raise NotchbookError(msg, key=name)
    return repr(value)


def _value(text: str, hint: Any, where: str) -> Any:
    """Read a header's text as JSON would have it; `from_plain` then checks it against the field's type."""
    kinds = get_args(hint) or (hint,)
    if text == "none" and type(None) in kinds:
        return None
    if Flag in kinds:
        return text.split(" ") if text else []
    if float in kinds or int in kinds:
        if not _NUMBER.fullmatch(text) or len(text) > _LONGEST:
            msg = f"{where}: expected a number, found {text[:60]!r}"
            raise StoredDataError(msg, where=where)
        return int(text) if int in kinds and text.lstrip("-").isdecimal() else float(text)
    return read_json(text, where) if text.startswith('"') else text


def _refuse(where: str, line: int, what: str) -> NoReturn:
    msg = f"{where}:{line}: {what}; the file is damaged or was edited"
    raise StoredDataError(msg, where=where, line=line)
