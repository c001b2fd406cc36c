"""Whether an instrument says that it does what it was told, in whichever of its forms; pure."""

from __future__ import annotations

from instruments import scpi
from sequencer.errors import InstrumentError

__all__ = ["same_word", "unlike"]


def unlike(order: str, answer: str, ask: str) -> bool:
    """Whether an answer says anything but what a command ordered: a number, a switch, or a word in one of its forms.

    Examples
    --------
    >>> unlike("AVER OFF", "0", "AVER?"), unlike("AVER:TYPE RMS", "LOG", "AVER:TYPE?"), unlike("X 1", "+1.00E+00", "X?")
    (False, True, False)
    """
    told = order.rpartition(" ")[2].upper()
    try:
        word = scpi.parse_word(answer, ask)
        wanted = _number(told, ask)
        return not same_word(told, word) if wanted is None else _number(word, ask) != wanted
    except InstrumentError:
        return True


def _number(text: str, ask: str) -> float | None:
    """Return a number or a switch as a number, None for any other word."""
    if text in {"ON", "OFF"}:
        return float(text == "ON")
    return scpi.parse_number(text, ask) if text[:1].isdigit() or text[:1] in {"+", "-", "."} else None


def same_word(told: str, word: str) -> bool:
    """Whether two words may be one: told in one of its forms, an instrument may answer in the other."""
    length = max(3, min(len(word), len(told)))
    return word[:length] == told[:length]
