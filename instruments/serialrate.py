"""Opens a link; on a serial line whose rate nobody stated, the usual ones are tried until an answer makes sense."""

from __future__ import annotations

from instruments.link import Link, Transcript
from sequencer.errors import LinkError, NotchbookError

__all__ = ["RATES", "open_at_its_rate"]

RATES = (9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200)  # the likeliest first [common practice, no source]
_WAIT_S = 1.0


def open_at_its_rate(
    resource: str, visa: str, transcript: Transcript | None, baud: int | None
) -> tuple[Link, int | None]:
    """Return an open link and the rate found (None where none had to be).

    Only '*IDN?' is sent, twice at each rate: what was sent at a wrong one may stand before it in the other's input.

    Raises
    ------
    LinkError
        When the line cannot be opened, or nothing sensible comes at any rate.
    """
    if baud is not None or not resource.upper().startswith("ASRL"):
        return Link.open(resource, visa, transcript, baud=baud), None
    for rate in RATES:
        link = Link.open(resource, visa, transcript, baud=rate)
        for _attempt in range(2):
            try:
                if link.dead:
                    link.reopen()
                answer = link.query_or_silence("*IDN?", _WAIT_S)
            except NotchbookError:  # bytes that are no text, or half of one: another rate
                continue
            if answer and answer.isprintable() and "," in answer:
                return link, rate
        link.close()
    tried = ", ".join(str(rate) for rate in RATES)
    msg = f"{resource}: no answer at {tried} baud: is it switched to remote control? State its rate with --baud"
    raise LinkError(msg, resource=resource)
