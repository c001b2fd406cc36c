"""The tracking generator: its switch first and off, its level later, switched on last of all and at its lowest."""

from __future__ import annotations

import time
from collections.abc import Iterable

import numpy as np

from instruments.probing import spellings
from instruments.probing.conversation import Conversation
from instruments.probing.knobs import Knob, ends, put, settable, step_of
from instruments.probing.learnt import Learnt
from instruments.probing.values import Sweeper
from sequencer.core.trace import FloatArray
from sequencer.errors import InstrumentError

__all__ = ["find_switch", "learn_level", "off_blindly", "try_on", "turned_off"]

_BLINDLY = 30  # spellings: sent without waiting, so that an unusual one costs no second of radiating
_LEVEL_STEP_DB = 2.6  # half of the coarsest step met, 5 dB
_LOWEST_DBM = -100.0
_CHANGE_DB = 6.0  # a generator that is on stands well above the noise of a connected thru
_OFF_WITHIN_S = 30.0
_ADJUST_S = 20.0  # a peaking routine takes seconds [common practice, no source]


def off_blindly(talk: Conversation) -> None:
    """Send 'generator off' in the likeliest spellings before anything is known; most are unknown and harmless."""
    for style in (spellings.SHORT, spellings.LONG):
        for header in spellings.headers("generator switch", style)[:_BLINDLY]:
            talk.order(f"{header} OFF")
            talk.order(f"{header} 0")
    talk.order("*CLS")  # what it did not understand of these is no news, and may be more than a queue's worth


def find_switch(talk: Conversation, learnt: Learnt, *, skip: frozenset[str] = frozenset()) -> bool:
    """Find the switch whose answer says 'off' after 'off'; nothing else of the instrument is touched before."""
    for header in talk.headers("generator switch"):
        if header in skip or talk.boolean(f"{header}?") is None:
            continue
        for off, on in zip(talk.switch_words[False], talk.switch_words[True], strict=True):
            if talk.order(f"{header} {off}") and talk.boolean(f"{header}?") is False:
                talk.understood(header)
                learnt.off, learnt.on, learnt.output = f"{header} {off}", f"{header} {on}", f"{header}?"
                return True
    return False


def turned_off(talk: Conversation, learnt: Learnt) -> None:
    """Turn the generator off and see it said.

    Raises
    ------
    InstrumentError
        When it does not say so.
    """
    for _attempt in range(3):
        talk.order(learnt.off)
        if talk.boolean(learnt.output) is False:
            return
    msg = f"{talk.link.resource}: told {learnt.off!r}, the generator does not say that it is off; switch it off by hand"
    raise InstrumentError(msg, resource=talk.link.resource)


def learn_level(talk: Conversation, learnt: Learnt, maximum_dbm: float) -> Knob | None:
    """Find the level setting with the generator off, leave it at its lowest; nothing above the maximum is sent."""
    answering: list[str] = []
    knob = _level(talk, talk.headers("generator level"), answering, maximum_dbm)
    if knob is None and answering and _in_dbm(talk, learnt):
        knob = _level(talk, answering, [], maximum_dbm)
    if knob is None:
        return None
    high = knob.limits[1] if knob.limits else -20.0
    low, own_top = ends(talk, knob, high, _LOWEST_DBM, maximum_dbm)
    top = min(own_top, maximum_dbm)
    knob.limits = (low, top)
    if own_top > top:
        knob.note = f"it says up to {own_top:g} dBm; the probe was told never more than {maximum_dbm:g} dBm"
    knob.step = step_of(talk, knob, knob.limits[0], (0.01, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0), top)
    put(talk, knob, knob.limits[0])
    learnt.settings["generator level"] = knob
    return knob


def _in_dbm(talk: Conversation, learnt: Learnt) -> bool:
    """Have levels of the generator told and taken in dBm, where there is a command for it."""
    for header in talk.headers("generator unit"):
        if talk.ask(f"{header}?") is None:
            continue
        if talk.order(f"{header} DBM") and "DBM" in (talk.ask(f"{header}?") or "").upper():
            learnt.begin.append(f"{header} DBM")
            return True
    return False


def _level(talk: Conversation, headers: Iterable[str], answering: list[str], maximum_dbm: float) -> Knob | None:
    """Return the level's spelling; ``limits`` are the two values, both taken, with which it was found.

    Notes in ``answering`` what answered with a number: one look through all spellings may take a minute.
    """
    for header in headers:
        if talk.number(f"{header}?") is None:
            continue
        answering.append(header)
        for high, low in ((-20.0, -30.0), (-10.0, -20.0), (-20.0, -25.0), (0.0, -10.0), (-40.0, -50.0)):
            if high > maximum_dbm:
                continue
            knob = settable(talk, header, "DBM", (high, low), lambda asked, got: abs(got - asked) < _LEVEL_STEP_DB)
            if knob is not None:
                knob.limits = (low, high)
                return knob
    return None


def try_on(sweeper: Sweeper) -> str:
    """Switch the generator on at its lowest level into the thru; return why it cannot be believed, or ''.

    It is off again when this returns, however it returns.
    """
    talk, learnt = sweeper.talk, sweeper.learnt
    knob = learnt.settings["generator level"]
    assert knob.limits is not None
    try:
        turned_off(talk, learnt)
        put(talk, knob, knob.limits[0])
        dark = sweeper.take()
        talk.order(learnt.on)
        if talk.boolean(learnt.output) is not True:
            return f"told {learnt.on!r}, {learnt.output} does not say that it is on"
        lit = sweeper.take()
        if _rise_db(dark, lit) < _CHANGE_DB:
            return f"switched on with {learnt.on!r}, the trace did not rise: is the thru connected?"
        learnt.generator_tried = True
        _least_rbw(sweeper)
        _adjust(sweeper)
    finally:
        talk.allow(_OFF_WITHIN_S)
        turned_off(talk, learnt)
    return ""


def _rise_db(dark: FloatArray | None, lit: FloatArray | None) -> float:
    if dark is None or lit is None:
        return 0.0
    return float(np.nanmedian(lit) - np.nanmedian(dark))


def _least_rbw(sweeper: Sweeper) -> None:
    """Find the narrowest RBW at which the generator stays on."""
    talk, learnt = sweeper.talk, sweeper.learnt
    limits = learnt.settings["rbw"].limits or (1e3, 1e6)
    digits = (1.0, 3.0)
    filters = learnt.rbw_hz or tuple(
        digit * 10.0**power for power in range(8) for digit in digits if limits[0] <= digit * 10.0**power <= limits[1]
    )
    least = 0.0
    for rbw_hz in sorted({*filters, limits[0]}):  # from the narrowest: the first that stays on is the least
        sweeper.set(rbw=rbw_hz)
        talk.order(learnt.on)
        if talk.boolean(learnt.output) is True:
            learnt.least_rbw_hz = least and rbw_hz
            return
        least = rbw_hz
    learnt.least_rbw_hz = limits[1]


def _adjust(sweeper: Sweeper) -> None:
    """Find the tracking adjustment: only where the instrument can refuse it, and its end can be seen."""
    talk, learnt = sweeper.talk, sweeper.learnt
    done = learnt.completion
    if not talk.errors_ask or done is None or not (done.with_opc or done.blocks):
        return
    sweeper.set(rbw=max(learnt.least_rbw_hz, 1e4))
    talk.order(learnt.on)
    for command in talk.headers("tracking peak"):
        talk.deaf_s = _ADJUST_S
        known = talk.order(command)
        if known:
            ends_at = time.monotonic() + _ADJUST_S
            talk.order("*OPC")
            while done.with_opc and time.monotonic() < ends_at:
                if int(talk.number(done.ask) or 0) >> done.bit & 1:
                    break
                time.sleep(0.1)
            learnt.adjust = "" if talk.complaints() else command
        talk.deaf_s = 0.0
        if known:
            return
