"""Reads a trace as a dialect says that it comes."""

from __future__ import annotations

from instruments import tracedata
from instruments.dialects import TraceFormat
from instruments.link import Link
from sequencer.core.trace import FloatArray
from sequencer.errors import InstrumentError

__all__ = ["read_trace"]


def read_trace(link: Link, form: TraceFormat, points: int) -> FloatArray:
    """Return the levels in dBm, shape (points,), that the trace memory holds now; NaN where it has none.

    Raises
    ------
    LinkError, LinkTimeoutError, InstrumentError
        When it does not come whole, or not as ``form`` says.
    """
    if form.width:
        size = points * form.width // 8 if form.unstated else None
        payload = link.query_block(form.ask, size)
        if form.integers:
            values = tracedata.parse_integers(payload, points, form.ask, swapped=form.swapped)
        else:
            values = tracedata.parse_reals(payload, points, form.ask, width=form.width, swapped=form.swapped)
    else:
        text = link.query_trace(form.ask)
        if isinstance(text, bytes):  # text within a block
            if not tracedata.is_text(text):
                msg = f"{link.resource}: sent {form.ask!r}, reals came where the dialect says text"
                raise InstrumentError(msg, resource=link.resource, sent=form.ask)
            text = text.decode("ascii")
        if form.pairs:
            values = tracedata.of_pairs(tracedata.parse_ascii_trace(text, 2 * points, form.ask), form.ask)
        else:
            values = tracedata.parse_ascii_trace(text, points, form.ask)
    return tracedata.levels(values, form.ask)
