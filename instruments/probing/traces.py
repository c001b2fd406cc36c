"""Traces: how they are asked for, and how they come (text or reals, width, byte order), checked by value."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from instruments import tracedata
from instruments.probing import spellings
from instruments.probing.conversation import Conversation, error_code
from sequencer.core.trace import FloatArray
from sequencer.errors import InstrumentError

__all__ = ["Form", "ask_for_text", "choose_form", "find_query", "read"]

_LEAST_DBM, _MOST_DBM = -250.0, 100.0  # no analyzer shows a level beyond
_UNDEFINED_HEADER = -113  # SCPI-1999 Vol. 2, 21.8.9
_MOST_MISSING = 0.1  # of the points of a finished sweep
_TEXT_ERROR_DB = 0.06  # text with one decimal, the coarsest met, is 0.05 dB off [common practice, no source]


@dataclass(frozen=True, slots=True)
class Form:
    """How a trace comes. ``width`` 0 is text."""

    query: str
    width: int = 0
    swapped: bool = False
    begin: tuple[str, ...] = ()
    size: int | None = None  # in bytes, where a block does not state it
    kind: str = "real"  # of what binary ones hold: real, or int of 32 bits; of text: real, or pairs

    @property
    def word(self) -> str:
        """The dialect's word for it."""
        return f"{self.kind}{self.width}" if self.width else "pairs" if self.kind == "pairs" else "text"


def _plausible(values: FloatArray) -> bool:
    there = values[np.isfinite(values)]
    return bool(
        values.size >= 2
        and there.size >= (1.0 - _MOST_MISSING) * values.size
        and np.all(there > _LEAST_DBM)
        and np.all(there < _MOST_DBM)
        and (np.all(there == 0.0) or not np.any((there != 0.0) & (np.abs(there) < 1e-9)))  # reversed bytes
    )


def decode(raw: bytes | str, points: int | None, query: str) -> Iterator[Form]:
    """Yield every form in which the answer makes sense, the likeliest first."""
    if isinstance(raw, bytes) and tracedata.is_text(raw):
        raw = raw.decode("ascii")
    if isinstance(raw, str):
        count = len(tracedata.trace_fields(raw))
        pairs = points is not None and count == 2 * points
        if (pairs or points in {None, count}) and count >= 2:
            try:
                values = tracedata.parse_ascii_trace(raw, count, query)
                values = tracedata.of_pairs(values, query) if pairs else values
            except InstrumentError:
                return
            if _plausible(values):
                yield Form(query, kind="pairs" if pairs else "real")
        return
    for width in (32, 64):
        size = width // 8
        if len(raw) % size or len(raw) < 2 * size or (points is not None and len(raw) != points * size):
            continue
        for swapped in (False, True):
            values = tracedata.parse_reals(raw, len(raw) // size, query, width=width, swapped=swapped)
            if _plausible(values):
                yield Form(query, width, swapped)
    if points is not None and len(raw) == 4 * points:  # that they are thousandths is proven by how noise scatters
        for swapped in (False, True):
            if _plausible(tracedata.parse_integers(raw, points, query, swapped=swapped)):
                yield Form(query, 32, swapped, kind="int")


def _whole(
    talk: Conversation, query: str, patience_s: float, points: int | None
) -> tuple[bytes | str | None, int | None]:
    """Return an answer that may be a trace, and its size where it is a block that does not state it."""
    raw = talk.trace(query, patience_s)
    if raw is None and talk.unstated and points is not None:
        for size in (4 * points, 8 * points):
            if (raw := talk.trace(query, patience_s, size)) is not None:
                return raw, size
    return raw, None


def _told(raw: bytes | str) -> str:
    """Say what came, for people who have the manual at hand."""
    if isinstance(raw, bytes) and not tracedata.is_text(raw):
        return f"{len(raw)} bytes"
    text = raw.decode("ascii") if isinstance(raw, bytes) else raw
    return f"{len(tracedata.trace_fields(text))} values that begin {text.strip()[:30]!r}"


def ask_for_text(talk: Conversation) -> bool:
    """Choose text for traces, in whatever way is taken without a complaint."""
    for header in talk.headers("format"):
        known = talk.ask(f"{header}?")
        if known is None and not talk.errors_ask:
            continue
        if any(talk.order(f"{header} {word}") for word in spellings.words("text words")):
            return True
    return False


def find_query(talk: Conversation, points: int | None, patience_s: float) -> Form | None:
    """Return how to ask for the trace; the instrument must have one (sweep by itself, or have swept)."""
    undefined: set[str] = set()
    names = spellings.words("trace name")
    headers = list(talk.headers("trace"))
    place = {header: number for number, header in enumerate(headers)}
    ranked = sorted(
        ((header, name) for header in headers for name in names),
        key=lambda one: place[one[0]] + 2 * names.index(one[1]),
    )
    for header, name in ranked:
        if header in undefined:
            continue
        query = f"{header}? {name}".rstrip()
        raw, size = _whole(talk, query, patience_s, points)
        if raw is None:
            if any(error_code(entry, talk.errors_ask) == _UNDEFINED_HEADER for entry in talk.last):
                undefined.add(header)  # the header itself is unknown, whatever stands behind it
            continue
        for form in decode(raw, points, query):
            return replace(form, size=size)
        talk.odd.append(f"{query} answered {_told(raw)}: no trace of {points} levels in any form known here")
    return None


def read(talk: Conversation, form: Form, patience_s: float) -> FloatArray | None:
    """Return the levels the trace holds now, NaN where there are none; None where it is no trace."""
    raw = talk.trace(form.query, patience_s, form.size)
    if raw is None:
        return None
    if not form.width and isinstance(raw, bytes) and tracedata.is_text(raw):
        raw = raw.decode("ascii")
    try:
        if form.width and form.kind == "int" and isinstance(raw, bytes):
            values = tracedata.parse_integers(raw, len(raw) // 4, form.query, swapped=form.swapped)
        elif form.width and isinstance(raw, bytes):
            values = tracedata.parse_reals(
                raw, len(raw) // (form.width // 8), form.query, width=form.width, swapped=form.swapped
            )
        elif not form.width and isinstance(raw, str):
            values = tracedata.parse_ascii_trace(raw, len(tracedata.trace_fields(raw)), form.query)
            values = tracedata.of_pairs(values, form.query) if form.kind == "pairs" else values
        else:
            return None
        return tracedata.levels(values, form.query)
    except InstrumentError:
        return None


def choose_form(talk: Conversation, form: Form, points: int | None, patience_s: float) -> Form:
    """Return the best form in which the finished trace that stands in the instrument can be had.

    Binary reals if their values agree with the text, or if there is no text; else text.
    """
    text, header = _as_text(talk, form, points, patience_s)
    best = text or form
    told = read(talk, text, patience_s) if text is not None else None
    for candidate in _binary(talk, form, header, points, patience_s):
        values = read(talk, candidate, patience_s)
        if values is None:
            continue
        if told is None or (
            values.shape == told.shape
            and np.array_equal(np.isnan(values), np.isnan(told))
            and float(np.nanmax(np.abs(values - told))) <= _TEXT_ERROR_DB
        ):
            best = candidate
            break
    for command in best.begin:
        talk.order(command)
    return best


def _as_text(talk: Conversation, form: Form, points: int | None, patience_s: float) -> tuple[Form | None, str]:
    """Return the form as text if there is one, and the header that chooses forms."""
    for header in talk.headers("format"):
        known = talk.ask(f"{header}?")
        if known is None and not talk.errors_ask:
            continue
        for word in spellings.words("text words"):
            if not talk.order(f"{header} {word}"):
                continue
            raw = talk.trace(form.query, patience_s)
            found = () if raw is None else decode(raw, points, form.query)
            if text := next((one for one in found if not one.width), None):
                return replace(text, begin=(f"{header} {word}",)), header
        if known is not None or not talk.last:
            return (None if form.width else form), header
    return (None if form.width else form), ""


def _binary(talk: Conversation, form: Form, header: str, points: int | None, patience_s: float) -> Iterator[Form]:
    """Yield every binary form the instrument gives."""
    if not header:
        if form.width:
            yield form
        return
    order = _byte_order(talk)
    for word in spellings.words("format words"):
        if not talk.order(f"{header} {word}"):
            continue
        raw, size = _whole(talk, form.query, patience_s, points)
        if not isinstance(raw, bytes):
            continue
        for one in decode(raw, points, form.query):
            if one.width:
                yield replace(one, begin=(f"{header} {word}", *order), size=size)
    if form.width:
        yield form


def _byte_order(talk: Conversation) -> tuple[str, ...]:
    """Return the command that fixes the byte order, where there is one: so that nobody else's choice stays."""
    for header in talk.headers("byte order"):
        answer = talk.ask(f"{header}?")
        if answer is None:
            continue
        word = re.split(r"\s", answer.strip())[-1].strip("\"'").upper()
        command = f"{header} {word}"
        return (command,) if re.fullmatch("[A-Z]+", word) and talk.order(command) else ()
    return ()
