"""The instrument's own averaging of sweeps: kept off, and learnt by how it says so.

What is averaged in a run are single sweeps, as power, as many as were planned. An instrument's average may be of
decibels instead (noise then reads 2.51 dB low; Rice, BSTJ 1944-45, from memory), and may be on when it is met. Its
kind matters though it is off: some detectors, and some video filters, take their means of the same thing.
"""

from __future__ import annotations

from instruments.probing import knobs, spellings
from instruments.probing.conversation import Conversation
from instruments.probing.knobs import Knob
from instruments.probing.learnt import Averaging

__all__ = ["chooses", "learn"]

_SOME, _MANY = 4.0, 10.0  # sweeps
_MOST = 9999.0


def learn(talk: Conversation) -> Averaging:
    """Switch it off, let it be of power, and return how; nothing is averaged when this returns, if it can be seen."""
    found = Averaging()
    switched, mode = _switch(talk, found), _trace_mode(talk)
    if not switched and mode:
        found.off, found.ask = mode
    elif mode:  # a switch of averaging says nothing of a trace that holds its highest, or is only viewed
        found.writes = mode[0]
    if found.ask:
        found.count = _count(talk)
    _kind(talk, found)
    return found


def _switch(talk: Conversation, found: Averaging) -> bool:
    """Find the switch: on is answered by on, and off by off."""
    for header in talk.headers("averaging"):
        if talk.boolean(f"{header}?") is None:
            continue
        talk.switch(header, on=True)
        if command := talk.switch(header, on=False):
            found.off, found.ask = command, f"{header}?"
            talk.understood(header)
            return True
    return False


def _trace_mode(talk: Conversation) -> tuple[str, str] | None:
    """Return the command for a trace that is written anew by every sweep, and its query; None for no mode."""
    for header in talk.headers("trace mode"):
        if talk.ask(f"{header}?") is None:
            continue
        for word in spellings.words("trace mode words"):
            if chooses(talk, header, word):
                return f"{header} {talk.mnemonic(word)}", f"{header}?"
    return None


def _count(talk: Conversation) -> Knob | None:
    """Learn how many sweeps it would take, and leave it at the least: one, where that is taken."""

    def near(asked: float, got: float) -> bool:
        return round(asked) == got

    knob = knobs.learn(talk, "averaging count", "", (_MANY, _SOME), near)
    if knob is None or not knob.set:
        return None
    knob.limits = knobs.ends(talk, knob, _SOME, 1.0, _MOST, near)
    knobs.put(talk, knob, knob.limits[0])
    return knob


def _kind(talk: Conversation, found: Averaging) -> None:
    for header in talk.headers("averaging kind"):
        if talk.ask(f"{header}?") is None or talk.number(f"{header}?") is not None:
            continue
        kinds = {}
        for kind in ("log", "power"):  # left at power
            words = spellings.words("averaging kind words", kind)
            kinds[kind] = next((talk.mnemonic(word) for word in words if chooses(talk, header, word)), "")
        if kinds["power"]:
            found.kind_header, found.kinds = header, {kind: word for kind, word in kinds.items() if word}
            return


def chooses(talk: Conversation, header: str, word: str) -> bool:
    """Whether a word is taken and told back in one of its forms."""
    sent = talk.mnemonic(word)
    if not talk.order(f"{header} {sent}"):
        return False
    answer = talk.ask(f"{header}?")
    if answer is None:
        return False
    told = answer.strip().split()[-1].strip("\"'").upper()
    return told.startswith(spellings.word_forms(word, spellings.SHORT)[:4])
