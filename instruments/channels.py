"""Channel lists of switches, and whether what a switch says is closed is what it was told; pure."""

from __future__ import annotations

import re

from instruments import scpi
from sequencer.errors import InstrumentError

__all__ = ["channels", "query", "unlike"]

_LIST = re.compile(r"\(@([^()]*)\)")
_PLACE = "{channels}"
_MOST = 10_000


def channels(text: str) -> frozenset[str]:
    """Return the channels of every channel list in a text, ranges of numbers written out.

    Raises
    ------
    InstrumentError
        When there is no list, or a range that is not believable.

    Examples
    --------
    >>> sorted(channels("ROUT:OPEN:ALL;CLOS (@1,3:5)")), sorted(channels("(@101, 1!2)")), sorted(channels("(@)"))
    (['1', '3', '4', '5'], ['1!2', '101'], [])
    """
    lists = _LIST.findall(text)
    if not lists:
        msg = f"{text[:60]!r}: a channel list such as (@3) expected"
        raise InstrumentError(msg, answer=text[:2000])
    found: set[str] = set()
    for item in (part.strip() for part in ",".join(lists).split(",")):
        ends = re.fullmatch(r"(\d{1,6}):(\d{1,6})", item)
        if ends is None:
            found |= {item.lstrip("0") or "0"} if item else set()
            continue
        low, high = sorted((int(ends[1]), int(ends[2])))
        if high - low > _MOST:
            msg = f"{text[:60]!r}: a range of more than {_MOST} channels is not believable"
            raise InstrumentError(msg, answer=text[:2000])
        found |= {str(number) for number in range(low, high + 1)}
    return frozenset(found)


def query(read_back: str, command: str) -> str:
    """Return the query to send after a command: its channels stand where the query says '{channels}'.

    Examples
    --------
    >>> query("ROUT:CLOS? {channels}", "ROUT:CLOS (@1,3)"), query("ROUT:CLOS:STAT?", "ROUT:CLOS (@1,3)")
    ('ROUT:CLOS? (@1,3)', 'ROUT:CLOS:STAT?')
    """
    return read_back.replace(_PLACE, f"(@{','.join(_LIST.findall(command))})")


def unlike(read_back: str, command: str, answer: str) -> str:
    """Return how an answer differs from what the command closed, in words, or ''.

    A query with '{channels}' answers 1 or 0 for each channel; one without answers the list of all that is closed.

    Examples
    --------
    >>> unlike("ROUT:CLOS:STAT?", "ROUT:CLOS (@3)", "(@3)"), unlike("ROUT:CLOS? {channels}", "ROUT:CLOS (@1,3)", "1,0")
    ('', 'it says 1,0 for the channels 1,3')
    >>> unlike("ROUT:CLOS:STAT?", "ROUT:CLOS (@3)", "(@3,7)")
    'closed are 3, 7, not 3'
    """
    if _PLACE in read_back:
        states = answer.split(",")
        closed = [scpi.parse_boolean(state, query(read_back, command)) for state in states]
        right = all(closed) and len(closed) == len(channels(command))
        return "" if right else f"it says {answer.strip()} for the channels {','.join(_LIST.findall(command))}"
    asked, found = channels(command), channels(answer)
    return "" if found == asked else f"closed are {_listed(found)}, not {_listed(asked)}"


def _listed(found: frozenset[str]) -> str:
    return ", ".join(sorted(found, key=lambda item: (len(item), item))) or "none"
