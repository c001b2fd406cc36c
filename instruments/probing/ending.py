"""How a single sweep is started and how its end is seen, proven by the trace: after the end it changes no more."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from instruments import scpi
from instruments.dialects import Completion
from instruments.probing.conversation import Conversation, number_in
from sequencer.core.trace import FloatArray

__all__ = ["Ending", "find_abort", "find_initiate", "learn_ending", "longest_s", "run", "same"]

Read = Callable[[], FloatArray | None]
_MARGIN_S = 0.5  # retrace and processing on top of the stated time [common practice, no source] ...
_MARGIN_SHARE = 1.25  # ... but never more than this share of it: whoever asks for short sweeps knows it is quick
_LONGEST_MORE = 1.5
_POLL_S = 0.02
_MESSAGE_WAITS = 4  # bit of the status byte, IEEE 488.2 11.2.1 (from memory)


@dataclass(frozen=True, slots=True)
class Ending:
    """How the end is seen, and how much longer than its stated time a sweep took."""

    completion: Completion
    more_s: float
    note: str


def same(one: FloatArray | None, other: FloatArray | None) -> bool:
    """Whether two traces are the same sweep: noise never repeats."""
    return one is not None and other is not None and np.array_equal(one, other, equal_nan=True)


def _whole(trace: FloatArray | None) -> bool:
    return trace is not None and bool(np.all(np.isfinite(trace)))


def longest_s(sweep_s: float, margin_of_s: float | None = None) -> float:
    """Return the time after which a sweep of this stated length must be over."""
    return _LONGEST_MORE * sweep_s + min(_MARGIN_S, _MARGIN_SHARE * (margin_of_s or sweep_s))


def find_initiate(talk: Conversation, read: Read, sweep_s: float, wait_s: float) -> str:
    """Return the command that takes one sweep: the trace stands still without it and changes after it; '' if none."""
    for command in (*talk.headers("initiate"), "*TRG"):
        before = read()
        if not talk.order(command):
            continue
        _wait(talk, wait_s)
        after = read()
        if _whole(after) and not same(before, after):
            time.sleep(0.5 * sweep_s + 0.05)
            if same(after, read()):
                return command
    return ""


def _wait(talk: Conversation, seconds: float) -> None:
    """Let a sweep pass; an instrument that answers only afterwards is asked something, and answers late."""
    ends = time.monotonic() + seconds
    talk.deaf_s = 2.0 * seconds + 1.0
    talk.ask("*IDN?", talk.patience_s + talk.deaf_s)
    talk.deaf_s = 0.0
    time.sleep(max(0.0, ends - time.monotonic()))


def find_abort(talk: Conversation, initiate: str) -> str:
    """Return the command that breaks a sweep off; '' where none is known to be understood."""
    for command in talk.headers("abort"):
        if not talk.errors_ask:
            continue  # nothing would tell whether it was understood
        talk.order(initiate)
        if talk.order(command):
            return command
    return ""


def learn_ending(talk: Conversation, initiate: str, read: Read, sweep_s: float, *, one_message: bool) -> Ending:
    """Return how the end of a sweep of ``sweep_s`` (stated) is seen, the best way that holds.

    Operation complete, then any status bit that changes while it sweeps, then that nothing is answered before
    the end, then its stated time. Each is tried with a sweep: what is read when it says 'over' must be whole,
    new, and the same as what is read well after the stated time.
    """
    asks = _status_asks(talk)
    blocked_s, seen = _watch(talk, initiate, asks, sweep_s, one_message=one_message)
    if blocked_s >= 0.6 * sweep_s:
        done = Completion(ask=asks[0] if asks else "*IDN?", with_opc=False, blocks=True)
        ok, took_s = _proven(talk, done, initiate, read, sweep_s, one_message=one_message)
        if ok:
            return Ending(done, max(0.0, took_s - sweep_s), "nothing is answered before the sweep is over")
    refused: list[str] = []
    for done in _candidates(asks, seen):
        ok, took_s = _proven(talk, done, initiate, read, sweep_s, one_message=one_message)
        name = "*OPC" if done.with_opc else f"bit {done.bit} of {done.ask}"
        if ok:
            note = f"{name} tells the end" + (f"; {', '.join(refused)} did so too early" if refused else "")
            return Ending(done, max(0.0, took_s - sweep_s), note)
        if name not in refused:
            refused.append(name)
    timed = Completion(ask="*IDN?", with_opc=False, timed=True)
    ok, _ = _proven(talk, timed, initiate, read, sweep_s, one_message=one_message)
    how = "its stated time is waited for" if ok else "not even waiting for its stated time was proven enough"
    return Ending(timed, 0.0, f"nothing tells the end of a sweep: {how}")


def _status_asks(talk: Conversation) -> list[str]:
    found = []
    for ask in ("*ESR?", *(f"{header}?" for header in talk.headers("operation")), "*STB?"):
        if number_in(talk.ask(ask), ask) is not None:
            found.append(ask)
    return found


def _send(talk: Conversation, initiate: str, *, opc: bool, one_message: bool) -> None:
    if opc and one_message:
        talk.link.write(scpi.join(initiate, "*OPC"))
    else:
        talk.link.write(initiate)
        if opc:
            talk.link.write("*OPC")


def _status(talk: Conversation, ask: str, patience_s: float) -> int:
    value = number_in(talk.link.query_or_silence(ask, patience_s), ask)
    return int(value) if value is not None and 0 <= value < 1 << 16 else 0


Seen = dict[str, list[tuple[float, int]]]


def _watch(
    talk: Conversation, initiate: str, asks: Sequence[str], sweep_s: float, *, one_message: bool
) -> tuple[float, Seen]:
    """Sweep once and look at every status all the while; return how long the first answer took, and what was seen."""
    until_s = longest_s(sweep_s)
    seen: Seen = {ask: [] for ask in asks}
    for ask in asks:
        _status(talk, ask, talk.patience_s + 1.0)
    opc = "*ESR?" in asks
    began = time.monotonic()
    _send(talk, initiate, opc=opc, one_message=one_message)
    blocked_s = 0.0
    if not asks:
        talk.link.query_or_silence("*IDN?", talk.patience_s + 2.0 * until_s)
        return time.monotonic() - began, seen
    while (now_s := time.monotonic() - began) < until_s:
        for ask in asks:
            value = _status(talk, ask, talk.patience_s + 2.0 * until_s)
            now_s = time.monotonic() - began
            blocked_s = blocked_s or now_s
            seen[ask].append((now_s, value))
        time.sleep(_POLL_S)
    talk.complaints()
    return blocked_s, seen


def _candidates(asks: Sequence[str], seen: Seen) -> list[Completion]:
    """Return the ways that what was seen allows, the best first."""
    found = []
    if "*ESR?" in asks and any(value & 1 for _, value in seen["*ESR?"]):
        found.append(Completion())
    events = [ask for ask in asks if ask not in {"*ESR?", "*STB?"} and _event_of(ask, asks)]
    for ask in asks:
        if ask == "*ESR?" or not seen[ask]:
            continue
        values = [value for _, value in seen[ask]]
        for bit in range(16):
            if ask == "*STB?" and bit == _MESSAGE_WAITS:
                continue
            states = [bool(value >> bit & 1) for value in values]
            event = _event_of(ask, asks)
            if event and ask not in events[1:]:
                latched = any(value >> bit & 1 for _, value in seen[event])
                if latched and not states[-1]:  # busy while it sweeps, whether or not anybody saw it
                    found.append(Completion(ask=ask, bit=bit, done=False, with_opc=False, began=event))
                    continue
            if states[0] != states[-1] and _changes(states) == 1:
                found.append(Completion(ask=ask, bit=bit, done=states[-1], with_opc=False))
            elif _changes(states) == 2 and not states[0] and not states[-1] and "COND" not in ask:
                # an event, forgotten when it is read; whether it tells the end or the beginning shows in the trace
                found.append(Completion(ask=ask, bit=bit, done=True, with_opc=False, latched=True))
    return found


def _event_of(ask: str, asks: Sequence[str]) -> str:
    """Return the event query beside a condition query, '' where there is none."""
    if ":COND" not in ask:
        return ""
    root = ask.partition(":COND")[0]
    return next((other for other in asks if other in {f"{root}?", f"{root}:EVEN?", f"{root}:EVENT?"}), "")


def _changes(states: Sequence[bool]) -> int:
    return sum(one != other for one, other in itertools.pairwise(states))


def run(
    talk: Conversation, done: Completion, initiate: str, sweep_s: float, *, one_message: bool, late_s: float
) -> float | None:
    """Take one sweep and return how long it took by ``done``; None where that did not say 'over' in time.

    ``late_s`` is how far beyond its stated time the sweep may end.
    """
    limit_s = _LONGEST_MORE * sweep_s + late_s
    patience_s = talk.patience_s + 2.0 * limit_s
    talk.complaints()
    for ask in filter(None, (done.ask, done.began)):
        if ask != "*IDN?":
            _status(talk, ask, patience_s)
    began = time.monotonic()
    _send(talk, initiate, opc=done.with_opc, one_message=one_message)
    if done.blocks:
        talk.link.query_or_silence(done.ask, patience_s)
        return time.monotonic() - began
    if done.timed:
        time.sleep(longest_s(sweep_s, 2.0 * sweep_s + _MARGIN_S))
        return time.monotonic() - began
    busy = False
    while True:
        over = bool(_status(talk, done.ask, patience_s) >> done.bit & 1) == done.done
        busy = busy or not over
        if over and not busy and done.began:
            busy = bool(_status(talk, done.began, patience_s) >> done.bit & 1)
        if over and (done.with_opc or done.latched or busy):
            return time.monotonic() - began
        if time.monotonic() - began > limit_s:
            return None
        time.sleep(_POLL_S / 2.0)


def _proven(
    talk: Conversation, done: Completion, initiate: str, read: Read, sweep_s: float, *, one_message: bool
) -> tuple[bool, float]:
    """Sweep once, trusting ``done``; return whether the trace was then whole, new and final, and the time taken."""
    old = read()
    began = time.monotonic()
    took_s = run(talk, done, initiate, sweep_s, one_message=one_message, late_s=2.0 * _MARGIN_S)
    if took_s is None:
        return False, 0.0
    before_s = time.monotonic()
    at_once = read()
    read_s = time.monotonic() - before_s
    limit_s = longest_s(sweep_s)
    time.sleep(max(0.0, limit_s - (time.monotonic() - began)))
    later = read()
    waited = read_s > 0.5 * sweep_s and took_s < 0.5 * sweep_s  # reading the trace did the waiting
    return _whole(at_once) and same(at_once, later) and not same(old, later) and not waited, took_s
