"""The computer's clock of a run: nobody sets it back under the run, and what was done to it is said once."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from sequencer.clocks import SystemClock

AT = datetime(2026, 1, 1, tzinfo=UTC)


class Times:
    """A wall clock and a steady one, each set as the test wants."""

    def __init__(self) -> None:
        self.wall_s = self.steady_s = 0.0
        self.clock = SystemClock(lambda: AT + timedelta(seconds=self.wall_s), lambda: self.steady_s)

    def at(self, wall_s: float, steady_s: float) -> float:
        self.wall_s, self.steady_s = wall_s, steady_s
        return (self.clock.now() - AT).total_seconds()


@pytest.mark.parametrize("wall_s", [-3600.0, 0.0, -1.7e9], ids=["set back", "stands still", "1970"])
def test_a_clock_set_back_or_standing_still_is_counted_on(wall_s: float) -> None:
    times = Times()
    assert times.at(wall_s, 100.0) == 100.0
    assert f"went back by {100.0 - wall_s:.0f} s or stood still" in times.clock.remark()
    assert times.at(wall_s, 200.0) == 200.0
    assert times.clock.remark() == ""  # once


def test_a_clock_kept_right_while_it_runs_is_not_worth_a_word() -> None:
    times = Times()
    assert times.at(99.5, 100.0) == 100.0
    assert times.at(230.0, 200.0) == 200.0
    assert times.clock.remark() == ""


def test_what_ran_ahead_is_believed_and_does_not_come_back() -> None:
    """A computer that slept: the longer time lets more drift."""
    times = Times()
    assert times.at(3700.0, 100.0) == 3700.0
    assert "went ahead by 3600 s" in times.clock.remark()
    assert times.at(200.0, 200.0) == 3800.0


def test_the_real_one_runs() -> None:
    clock = SystemClock()
    assert timedelta(0) <= clock.now() - datetime.now(UTC) + timedelta(seconds=1.0) < timedelta(seconds=2.0)
    assert clock.now() <= clock.now()
