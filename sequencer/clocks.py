"""The clocks a run may have: the computer's, which nobody can set back under it, and the simulated bench's."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

__all__ = ["BenchClock", "SystemClock"]

STEP_S = 60.0  # less is how a clock is kept right; and drift as is assumed, 0.2 dB/h, moves 0.003 dB in it


def _wall() -> datetime:
    return datetime.now(UTC)


def _steady() -> float:
    """Seconds that nobody sets, the computer's sleep included where the system counts it."""
    counts = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if counts is None else time.clock_gettime(counts)


class SystemClock:
    """The computer's clock as it stood at first, counted on by a steady one.

    Drift is told from elapsed time, so a clock that is set back, or stands still, must not shorten it. One that runs
    ahead is followed: the computer may have slept, and the longer time lets more drift.
    """

    def __init__(self, wall: Callable[[], datetime] = _wall, steady: Callable[[], float] = _steady) -> None:
        self._wall, self._steady = wall, steady
        self._began, self._from_s = wall(), steady()
        self._remark, self._said = "", False

    def now(self) -> datetime:
        """Aware UTC."""
        counted = self._began + timedelta(seconds=self._steady() - self._from_s)
        ahead_s = (self._wall() - counted).total_seconds()
        if ahead_s > STEP_S:
            self._began += timedelta(seconds=ahead_s)
            self._note(f"went ahead by {ahead_s:.0f} s at once, or the computer slept; the longer time is believed")
            return counted + timedelta(seconds=ahead_s)
        if ahead_s < -STEP_S:
            self._note(f"went back by {-ahead_s:.0f} s or stood still; time is counted on as if it had not")
        return counted

    def remark(self) -> str:
        """Return what is to be said of this clock, once; '' for nothing."""
        text, self._remark = self._remark, ""
        return text

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)

    def _note(self, what: str) -> None:
        if not self._said:
            self._said = True
            self._remark = f"the clock of this computer {what}: look at the times of this run before relying on them"


class BenchClock:
    """The simulated bench's clock: it starts now and advances by what the bench is told to do.

    ``began`` is when a bench that goes on in a resumed run had started.
    """

    def __init__(self, control: Any, began: datetime | None = None) -> None:
        self._control = control
        self._started = began or datetime.now(UTC) - timedelta(seconds=self._seconds())

    def now(self) -> datetime:
        """Aware UTC, as if the simulated time had passed."""
        return self._started + timedelta(seconds=self._seconds())

    def sleep(self, seconds: float) -> None:
        """Let simulated time pass."""
        self._control.query(f"SIM:WAIT {seconds:.6f};TIME?")

    def _seconds(self) -> float:
        if self._control.dead:  # an interrupt in the middle of an answer
            self._control.reopen()
        return float(self._control.query("SIM:TIME?"))
