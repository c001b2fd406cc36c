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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Header:
    hookup: str
    key: str
    role: str
    head: SweepHead


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
    header = _Header(hookup=hookup, key=key, role=role, head=SweepHead.of(sweep))
    lines = [f"# trace: {TRACE_VERSION}"]
    lines += [f"# {name}: {_show(name, value)}".rstrip(" ") for name, value in _flat(to_plain(header, _Header))]
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
    header = from_plain(_Header, _typed(_Header, given, "", where), where)
    start = len(given) + 1
    if lines[start : start + 1] != [_COLUMNS]:
        _refuse(where, start + 1, f"expected the column names {_COLUMNS}")
    freq_hz, level_dbm = _columns(lines[start + 1 :], start + 2, where)
    try:
        trace = Trace(freq_hz, level_dbm)
    except GridMismatchError as exc:
        msg = f"{where}: {exc}"
        raise StoredDataError(msg, where=where) from exc
    return TraceFile(header.hookup, header.key, header.role, header.head.with_trace(trace))


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


def _flat(plain: dict[str, Any], prefix: str = "") -> list[tuple[str, Any]]:
    """`head` is only ours, so its keys stand bare; settings keep `asked.` and `used.`."""
    pairs: list[tuple[str, Any]] = []
    for name, value in plain.items():
        if isinstance(value, dict):
            pairs += _flat(value, "" if name == "head" else f"{name}.")
        else:
            pairs.append((prefix + name, value))
    return pairs


def _typed(kind: type, given: dict[str, str], prefix: str, where: str) -> dict[str, Any]:
    """Nest the flat header again, each text read as its field's type; what is unknown is refused."""
    plain: dict[str, Any] = {}
    nested = {"head": SweepHead, "asked": SweepSettings, "used": SweepSettings}
    for name, hint in hints_of(kind).items():
        if name in nested:
            plain[name] = _typed(nested[name], given, "" if name == "head" else f"{name}.", where)
        elif prefix + name not in given:
            msg = f"{where}: {prefix}{name}: missing"
            raise StoredDataError(msg, where=where, key=prefix + name)
        else:
            plain[name] = _value(given[prefix + name], hint, f"{where}: {prefix}{name}")
    if kind is _Header:
        known = {name for name, _ in _flat(plain)}
        for name in given:
            if name not in known:
                msg = f"{where}: {name}: unknown key"
                raise StoredDataError(msg, where=where, key=name)
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
    kinds = get_args(hint) or (hint,)
    if text == "none" and type(None) in kinds:
        return None
    if Flag in kinds:
        return text.split(" ") if text else []
    if float in kinds or int in kinds:
        if not _NUMBER.fullmatch(text):
            msg = f"{where}: expected a number, found {text[:60]!r}"
            raise StoredDataError(msg, where=where)
        return int(text) if int in kinds and text.lstrip("-").isdecimal() and len(text) < 16 else float(text)
    return read_json(text, where) if text.startswith('"') else text


def _refuse(where: str, line: int, what: str) -> NoReturn:
    msg = f"{where}:{line}: {what}; the file is damaged or was edited"
    raise StoredDataError(msg, where=where, line=line)
