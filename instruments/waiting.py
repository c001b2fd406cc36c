"""Starts what an instrument does by itself (a sweep, an adjustment) and polls until it is over.

Nobody waits inside the instrument: `*OPC?` would hold up output-off until the sweep ends (11 s of a 12 s
sweep, measured), polling `*ESR?` after `*OPC` holds it up by 0.2 s at most.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from instruments import errorqueue, scpi
from instruments.dialects import Dialect
from instruments.link import Link
from sequencer.errors import InstrumentError, LinkTimeoutError

__all__ = ["poll_wait_s", "run_to_end"]

_LONGEST_PAUSE_S = 0.2
_TIMED_FACTOR, _TIMED_MORE_S = 1.2, 0.3  # retrace and band changes come on top of a stated time [common practice]


def run_to_end(
    link: Link, dialect: Dialect, command: str, expected_s: float, limit_s: float, pause: Callable[[float], None]
) -> None:
    """Send an overlapped command and return when the instrument says it has ended.

    Raises
    ------
    LinkTimeoutError
        When it has not ended after ``limit_s``; it was aborted then.
    InstrumentError
        When the instrument reports an error meanwhile.
    """
    done = dialect.completion
    if done.blocks or done.timed:
        _without_status(link, dialect, command, expected_s, limit_s, pause)
        return
    if done.began:
        link.query(done.began)  # clears what is latched from before
    if done.with_opc and not dialect.one_message:
        link.write(command)
        link.write("*OPC")
    else:
        link.write(scpi.join(command, "*OPC") if done.with_opc else command)
    began = time.monotonic()
    seen_busy = False
    while True:
        elapsed_s = time.monotonic() - began
        if elapsed_s > limit_s:
            if dialect.abort:
                link.write(dialect.abort)
            msg = (
                f"{link.resource}: {command!r} was not over after {elapsed_s:.1f} s ({expected_s:g} s expected); "
                f"it was aborted. Is the analyzer waiting for a trigger, or for its reference?"
            )
            raise LinkTimeoutError(msg, resource=link.resource, command=command)
        pause(poll_wait_s(elapsed_s, expected_s))
        status = scpi.parse_integer(link.query(done.ask), done.ask)
        if done.ask == "*ESR?":
            errorqueue.refuse_power_on(link, status)
        if done.ask == "*ESR?" and status & errorqueue.ERROR_BITS:
            if dialect.errors in {"", "*ESR?"}:  # asked again, they would be gone
                msg = f"{link.resource}: running {command}, the instrument set the error bits {status:#x} of {done.ask}"
                raise InstrumentError(msg, resource=link.resource, command=command)
            errorqueue.refuse_errors(link, dialect.errors, f"running {command}")
        over = bool(status >> done.bit & 1) == done.done
        seen_busy = seen_busy or not over
        if over and not seen_busy and done.began:
            seen_busy = bool(scpi.parse_integer(link.query(done.began), done.began) >> done.bit & 1)
        if over and (done.with_opc or done.latched or seen_busy or elapsed_s >= expected_s):
            return


def _without_status(
    link: Link, dialect: Dialect, command: str, expected_s: float, limit_s: float, pause: Callable[[float], None]
) -> None:
    """Wait for a sweep that holds up every answer, or that nothing tells the end of."""
    link.write(command)
    if dialect.completion.timed:
        left_s = _TIMED_FACTOR * expected_s + _TIMED_MORE_S
        while left_s > 0.0:
            pause(min(left_s, _LONGEST_PAUSE_S))
            left_s -= _LONGEST_PAUSE_S
        return
    usual, link.timeout_s = link.timeout_s, max(limit_s, link.timeout_s)
    try:
        link.query(dialect.completion.ask)
    finally:
        link.timeout_s = usual


def poll_wait_s(elapsed_s: float, expected_s: float) -> float:
    """Return how long to wait before asking again whether a sweep is over, in seconds.

    A bench that is paced faster than its stated time is noticed soon: waits grow with the time already spent,
    up to 0.2 s, so that an abort is never held up. From a tenth before the expected end it asks so often that a
    wait adds less than 1.5 % to a sweep of 1 s or more.
    """
    near_s = 0.88 * expected_s - elapsed_s
    if near_s > 0:
        return min(max(0.002, 0.2 * elapsed_s), 0.2, max(near_s, 0.002))
    wait_s = min(max(0.008, 0.012 * expected_s), 0.2)
    left_s = expected_s - elapsed_s
    if left_s > 0:
        return min(wait_s, max(left_s, 0.002))
    # it began a message later than we did: asked at once it is found over within 2 ms, and not asked so often for long
    return min(wait_s, max(0.002, -0.25 * left_s), 0.008) if elapsed_s < 1.2 * expected_s + 0.1 else wait_s
