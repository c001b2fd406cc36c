"""Finds out which shipped dialect an instrument speaks, by asking it harmless questions."""

from __future__ import annotations

from instruments import errorqueue
from instruments.dialects.loader import load, names
from instruments.dialects.model import Dialect
from instruments.link import Link
from sequencer.errors import InstrumentError

__all__ = ["choose"]

_SAYS_TOO_LITTLE = "scpi99-text"  # nothing of filters or the display's bottom: to be named, never to be guessed


def choose(link: Link, patience_s: float = 1.0) -> Dialect:
    """Return the shipped dialect whose every identifying query is answered without an error.

    The generator is turned off first, in every spelling known: one fits, the others only leave an entry in
    the error queue, which is emptied. Dialects that ask more are tried first, as they say more. An unknown
    query is taken as such after ``patience_s`` of silence; a known one is answered in milliseconds.

    Raises
    ------
    InstrumentError
        When none fits; the message says what each one stumbled over.
    """
    shipped = sorted(
        (load(name) for name in names() if name != _SAYS_TOO_LITTLE), key=lambda dialect: -len(dialect.identify)
    )
    for off in dict.fromkeys(dialect.off for dialect in shipped):
        link.write(off)
    known: dict[str, str] = {}  # query -> why it does not fit, empty if it does
    stumbled = []
    for dialect in shipped:
        for ask in dialect.identify:
            if ask not in known:
                known[ask] = _why_not(link, ask, dialect.errors, patience_s)
            if known[ask]:
                stumbled.append(f"{dialect.name}: {ask} {known[ask]}")
                break
        else:
            return dialect
    msg = (
        f"{link.resource}: no shipped dialect fits ({'; '.join(stumbled)}). 'notchbook bench probe' "
        f"asks it how it is spoken to and writes a bench file; or name one there (analyzer.dialect: "
        f"{', '.join(names())}), or spell its commands under analyzer.dialect as the instrument's manual does"
    )
    raise InstrumentError(msg, resource=link.resource, tried=tuple(dialect.name for dialect in shipped))


def _why_not(link: Link, ask: str, errors: str, patience_s: float) -> str:
    errorqueue.drain(link, errors)
    answer = link.query_or_silence(ask, patience_s)
    entries = errorqueue.drain(link, errors)
    if entries:
        return f"is answered by error {entries[0][0]}"
    if answer is None:
        return "is not answered"
    return "" if answer.strip() else "is answered by nothing"
