"""Where an edge may lie beyond the sweep, that end of a width is not known; elsewhere it is."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.core import edges
from sequencer.core.curve import Reading, Shift
from sequencer.core.uncertainty import Distribution, Draws, Input

STILL = Shift(reference=0.0, span=0.0, center_hz=0.0)
HALF_HZ = 1000.0


class Level:
    """A level known within a limit, its sign unknown; two places err independently."""

    def __init__(self, at_hz: float, loss_db: float, limit_db: float) -> None:
        self.nominal_db, self.unresolved = loss_db, 0.0
        self.given = Input(name=f"error {at_hz:.0f}", value=limit_db, distribution=Distribution.RECTANGULAR)

    def draw(self, draws: Draws):
        return self.nominal_db + draws.of(self.given)

    def inputs(self):
        return ()


def parabola(reach_hz: float) -> Reading:
    """3 dB at 1000 Hz from the middle, 12 dB at 2000 Hz: (f / 1000)^2 * 3 dB, without noise."""
    freq = np.linspace(-reach_hz, reach_hz, 401)
    ratio = 10.0 ** (-3.0 * (freq / HALF_HZ) ** 2 / 10.0)
    nothing = np.zeros(freq.size)
    return Reading(
        freq_hz=freq, ratio=ratio, u_ratio=nothing, raw=ratio, noise=nothing, cut_off=np.zeros(freq.size, dtype=bool)
    )


def width(reach_hz: float, limit_db: float):
    build = lambda f_hz, ratio, u: Level(f_hz, -10.0 * math.log10(ratio), limit_db if abs(f_hz) > 1.0 else 0.0)  # noqa: E731
    return edges.pass_bandwidth(parabola(reach_hz), 0.0, 3.0, STILL, build)


def test_a_sweep_that_holds_all_an_edge_may_be_gives_both_ends() -> None:
    """1 dB either way at 6 dB per 1000 Hz: the 2 to 4 dB points, 816 and 1155 Hz (derived), are the outermost."""
    low, high = width(2000.0, 1.0).interval(0.95)
    assert 2.0 * 816.0 <= low < 2.0 * HALF_HZ < high <= 2.0 * 1155.0


def test_an_edge_that_may_lie_beyond_the_sweep_leaves_its_end_open() -> None:
    """The sweep ends at 1050 Hz, 3.3 dB: with 1 dB either way a third of what is possible lies beyond it."""
    found = width(1050.0, 1.0)
    low, high = found.interval(0.95)
    assert found.value == pytest.approx(2.0 * HALF_HZ, rel=1e-3)
    assert math.isfinite(low)
    assert high == math.inf


def test_a_small_error_needs_no_wider_sweep() -> None:
    low, high = width(1050.0, 0.2).interval(0.95)
    assert math.isfinite(low)
    assert math.isfinite(high)
