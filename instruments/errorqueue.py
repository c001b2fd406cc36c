"""The error queue of an instrument: read until it is empty, and turned into an error of ours."""

from __future__ import annotations

from instruments import scpi
from instruments.link import Link
from sequencer.errors import InstrumentError

__all__ = ["ERROR_BITS", "POWER_ON", "drain", "listed", "refuse_errors", "refuse_power_on"]

ERROR_BITS = 0b00111100  # query, device, execution, command error: IEEE 488.2, 11.5.1 (from memory)

POWER_ON = 0x80  # bit 7 of the standard event register: IEEE 488.2, 11.5.1 (from memory)

_LONGEST = 100  # entries; queues hold some tens, a longer one never becomes empty


def drain(link: Link, ask: str) -> list[tuple[int, str]]:
    """Return every (code, text) of the queue, oldest first; afterwards it is empty.

    An instrument without a queue has an empty ``ask``, or "*ESR?" where the error bits of its standard event
    status are all it tells.

    Raises
    ------
    InstrumentError
        When the queue does not become empty, or answers nonsense.
    """
    entries: list[tuple[int, str]] = []
    if not ask:
        return entries
    if ask == "*ESR?":
        bits = scpi.parse_integer(link.query(ask), ask) & ERROR_BITS
        return [(bits, "error bits of the standard event status")] if bits else []
    while len(entries) < _LONGEST:
        code, text = scpi.parse_error_entry(link.query(ask), ask)
        if code == 0:
            return entries
        entries.append((code, text))
    msg = f"{link.resource}: the error queue does not become empty; its last entry is {listed(entries[-1:])}"
    raise InstrumentError(msg, resource=link.resource, entries=tuple(entries))


def refuse_errors(link: Link, ask: str, doing: str) -> None:
    """Raise InstrumentError with every entry, unless the queue is empty."""
    entries = drain(link, ask)
    if entries:
        msg = f"{link.resource}: {doing}, the instrument reported {listed(entries)}"
        raise InstrumentError(msg, resource=link.resource, entries=tuple(entries))


def refuse_power_on(link: Link, bits: int) -> None:
    """Raise InstrumentError where the standard event status says that the instrument was switched on meanwhile."""
    if bits & POWER_ON:
        msg = f"{link.resource}: the instrument was switched off and on while it was in use"
        raise InstrumentError(msg, resource=link.resource, switched_on=True)


def listed(entries: list[tuple[int, str]]) -> str:
    """Write entries for people."""
    return "; ".join(f'{code} "{text}"' for code, text in entries)
