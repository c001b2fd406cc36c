"""The journal: one JSON line for each entry of `sequencer.core.history`, each line with its version.

Every line carries the version, the first included, because a run may be resumed by a later program. Swept
lines hold settings, flags, times and the trace file with its hash; the levels stay in the trace file.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from sequencer.core import history
from sequencer.core.history import Entry, Role, Swept
from sequencer.core.trace import Trace, impossible
from sequencer.errors import InstrumentError, StoredDataError
from sequencer.formats.canonical import json_line, read_json
from sequencer.formats.guards import check_inside, check_version
from sequencer.formats.plain import from_plain, to_plain
from sequencer.formats.trace_csv import SweepHead

__all__ = [
    "JOURNAL_VERSION",
    "LONGEST_LINE",
    "LoadTrace",
    "decode",
    "encode",
    "kind_of",
    "kinds",
    "read_journal",
    "whole_length",
]

JOURNAL_VERSION = 1
LONGEST_LINE = 1_000_000  # what is known of 1000 saved traces, the longest there is; pages are made of all texts

_COUNTED = re.compile(r" \(\d{1,4} of (\d{1,4}), [^()]*\)$")  # how the reason told the repeats before they had a field

# What no run writes, and what nothing that is reckoned with it is made for: (least, most) of a field, wherever it is.
_RANGES = {
    "seconds": (0.0, 1e7),
    "rbw_hz": (1e-3, 1e12),
    "jump_db": (0.0, 1e4),
    "slower": (1e-3, 1e6),
    "repeats": (1, 100_000),
}
_YEARS = (1900, 8999)  # sums and time zones of dates outside them overflow

LoadTrace = Callable[[str, str], Trace]
"""(file relative to the run folder, sha256) -> the trace; StoredDataError when it is not that file."""

_KINDS: dict[str, type[Entry]] = {
    "began": history.Began,
    "identified": history.Identified,
    "answered": history.Answered,
    "connected": history.Connected,
    "adjusted": history.Adjusted,
    "swept": history.Swept,
    "refused": history.Refused,
    "dropped": history.Dropped,
    "waited": history.Waited,
    "warned": history.Warned,
    "judged": history.Judged,
    "made safe": history.MadeSafe,
    "stopped": history.Stopped,
    "resumed": history.Resumed,
    "voided": history.Voided,
    "finished": history.Finished,
}


def kinds() -> tuple[str, ...]:
    """Return the name of every kind of journal entry."""
    return tuple(_KINDS)


_NAMES = {kind: name for name, kind in _KINDS.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class _SweptLine(Entry):
    hookup: str
    key: str
    role: Role
    sweep: SweepHead
    file: str
    sha256: str
    source: str = ""
    repeats: int = 1


def kind_of(entry: Entry) -> str:
    """Kind of an entry as the journal spells it: 'began', 'swept', 'made safe' ..."""
    return _NAMES[type(entry)]


def encode(entry: Entry) -> str:
    """Return the entry's line, newline included."""
    if isinstance(entry, Swept):
        line = _SweptLine(
            at=entry.at,
            why=entry.why,
            hookup=entry.hookup,
            key=entry.key,
            role=entry.role,
            sweep=SweepHead.of(entry.sweep),
            file=check_inside(entry.file, "journal"),
            sha256=entry.sha256,
            source=entry.source,
            repeats=entry.repeats,
        )
        plain = to_plain(line, _SweptLine)
    else:
        plain = to_plain(entry, type(entry))
    return json_line({"journal": JOURNAL_VERSION, "kind": kind_of(entry), **plain})


def decode(line: str, load_trace: LoadTrace, where: str = "journal.jsonl") -> Entry:
    """Return the entry of one line.

    Raises
    ------
    StoredDataError
        For anything `encode` would not have written, and for a trace file that is not the one named.
    """
    plain = read_json(line, where)
    check_version(plain, "journal", JOURNAL_VERSION, where)
    del plain["journal"]
    name = plain.pop("kind", None)
    kind = _KINDS.get(name) if isinstance(name, str) else None
    if kind is None:
        msg = f"{where}: {name!r} is not a kind of journal entry (known: {', '.join(_KINDS)})"
        raise StoredDataError(msg, where=where, kind=name)
    try:
        entry = from_plain(_SweptLine if kind is Swept else kind, plain, where)
    except InstrumentError as exc:  # limits that no analyzer has
        msg = f"{where}: {exc.message}"
        raise StoredDataError(msg, where=where) from exc
    odd = _impossible(entry)
    if odd:
        msg = f"{where}: {name} with what cannot be: {odd}"
        raise StoredDataError(msg, where=where)
    if not isinstance(entry, _SweptLine):
        return entry
    swept = entry
    counted = None if "repeats" in plain else _COUNTED.search(swept.why)
    trace = load_trace(check_inside(swept.file, where), swept.sha256)
    return Swept(
        at=swept.at,
        why=_COUNTED.sub("", swept.why) if counted else swept.why,
        hookup=swept.hookup,
        key=swept.key,
        role=swept.role,
        sweep=swept.sweep.with_trace(trace),
        file=swept.file,
        sha256=swept.sha256,
        source=swept.source,
        repeats=int(counted[1]) if counted else swept.repeats,
    )


def _impossible(entry: Entry) -> str:
    """Return what of an entry no run can have written, in words, or '': nothing may be reckoned with it."""
    odd = [
        f"{name} {getattr(entry, name)}"
        for name, (least, most) in _RANGES.items()
        if hasattr(entry, name) and not least <= getattr(entry, name) <= most
    ]
    times, settings = [entry.at], [trace.settings for trace in getattr(entry, "saved", ())]
    if isinstance(entry, _SweptLine):
        times, settings = [entry.at, entry.sweep.began], [entry.sweep.used, entry.sweep.asked]
        odd += [] if 0.0 <= entry.sweep.instrument_s <= 1e7 else [f"instrument_s {entry.sweep.instrument_s}"]
    odd += [f"the year {time.year}" for time in times if not _YEARS[0] <= time.year <= _YEARS[1]]
    return ", ".join(odd + [text for text in map(impossible, settings) if text])


def whole_length(data: bytes) -> int:
    """Count the bytes of the lines that were written whole; what follows them is a torn last line.

    A line counts once its newline is there and it is JSON: a power cut can leave half a line, or zeros.
    """
    end = data.rfind(b"\n") + 1
    if end == 0:
        return 0
    last = data.rfind(b"\n", 0, end - 1) + 1
    try:
        read_json(data[last:end].decode("utf-8"), "")
    except (StoredDataError, UnicodeDecodeError):
        # only the very last line of the file may be torn
        return last if end == len(data) else end
    return end


def read_journal(
    text: str | bytes, load_trace: LoadTrace, where: str = "journal.jsonl"
) -> tuple[tuple[Entry, ...], bool]:
    """Return (entries, whether a torn last line was left out).

    Raises
    ------
    StoredDataError
        With the line number, when any line but a torn last one cannot be read.
    """
    data = text.encode("utf-8") if isinstance(text, str) else text
    length = whole_length(data)
    entries = []
    for number, line in enumerate(data[:length].split(b"\n")[:-1], 1):
        place = f"{where}:{number}"
        if len(line) > LONGEST_LINE:
            msg = f"{place}: a line of {len(line) / 1e6:.0f} million bytes; this program writes none so long"
            raise StoredDataError(msg, where=place)
        try:
            entries.append(decode(line.decode("utf-8"), load_trace, place))
        except UnicodeDecodeError as exc:
            msg = f"{place}: not UTF-8 text; the file is damaged"
            raise StoredDataError(msg, where=place) from exc
    return tuple(entries), length != len(data)
