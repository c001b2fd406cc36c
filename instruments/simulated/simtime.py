"""Simulated time: it moves on by declared durations only, and ``speed`` says how much wall time that costs."""

from __future__ import annotations

import time
from collections.abc import Callable

__all__ = ["SimulatedTime"]


class SimulatedTime:
    """The bench's clock, with at most one overlapped operation (a sweep) running in it.

    Commands sent while an operation runs cost nothing, so polling does not change what the bench does next.
    At speed 0 an operation is over as soon as anybody looks after the message that began it.

    Parameters
    ----------
    speed : simulated seconds per wall second; 0 for 'as fast as it goes'.
    wall : the clock on the wall, seconds.
    """

    def __init__(self, speed: float = 0.0, wall: Callable[[], float] = time.monotonic) -> None:
        self.speed = speed
        self._wall = wall
        self._now_s = 0.0
        self._began_wall_s = 0.0
        self._duration_s = 0.0
        self._done: Callable[[], None] | None = None
        self.owed_s = 0.0  # simulated seconds whose wall time nobody has waited for yet

    @property
    def now_s(self) -> float:
        """Simulated seconds since the start."""
        if self._done is None or self.speed <= 0.0:
            return self._now_s
        return self._now_s + min(self._duration_s, (self._wall() - self._began_wall_s) * self.speed)

    def spend(self, seconds: float) -> None:
        """Let a declared duration pass; it overlaps with an operation that runs."""
        if self._done is None:
            self._now_s += seconds
            self.owed_s += seconds

    def begin(self, duration_s: float, done: Callable[[], None]) -> None:
        """Start the operation; ``done`` is called when it is over."""
        self._began_wall_s = self._wall()
        self._duration_s = duration_s
        self._done = done

    def running(self) -> bool:
        """Whether an operation runs; one whose wall time is up is completed first."""
        if self._done is not None and self.speed > 0.0 and self.left_wall_s() <= 0.0:
            self.finish()
        return self._done is not None

    def left_wall_s(self) -> float:
        """Wall seconds the operation still needs."""
        if self._done is None or self.speed <= 0.0:
            return 0.0
        return self._began_wall_s + self._duration_s / self.speed - self._wall()

    def finish(self) -> None:
        """Jump to the end of the operation, if one runs."""
        done, self._done = self._done, None
        if done is not None:
            self._now_s += self._duration_s
            done()

    def cancel(self) -> None:
        """Break the operation off where it stands."""
        self._now_s = self.now_s
        self._done = None
