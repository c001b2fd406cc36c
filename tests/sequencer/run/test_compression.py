"""A thru that is too strong shows in the loss of something weaker, not in the thru itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sequencer.core.history import Role
from sequencer.core.trace import Sweep, Trace
from sequencer.recipe.model import KitItem
from sequencer.run.compression import ALLOWED_DB, MORE_DB
from sequencer.run.predict import TYPICAL
from sequencer.run.steps import Done, Stop, SweepStep


def compressing(play, one_db_at_dbm: float, switching_db: float = 0.0, skirt: bool = True) -> None:
    """A mixer that loses 1 dB at a level, and an attenuator whose step is wrong; the path has skirts."""

    def falsify(step, sweep: Sweep) -> Sweep:
        level = np.array(sweep.trace.level_dbm)
        if (
            skirt
            and step.role in {Role.DEVICE, Role.COMPRESSION}
            and step.hookup == "TX-ANT"
            and step.key == "overview"
        ):
            level = -21.0 - np.linspace(0.5, 60.0, level.size)
        mixer_mw = 10.0 ** ((level - sweep.used.attenuation_db) / 10.0)
        level -= 10.0 * np.log10(1.0 + (10**0.1 - 1.0) * mixer_mw / 10.0 ** (one_db_at_dbm / 10.0))
        level += switching_db if sweep.used.attenuation_db else 0.0
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, level))

    play.falsify = falsify


def test_a_sound_thru_passes(play) -> None:
    compressing(play, 0.0)
    assert isinstance(play.whole()[-1], Done)


def test_a_compressed_thru_stops_the_run(play) -> None:
    """-21 dBm into a mixer with 1 dB at -14 dBm loses 0.22 dB, with 10 dB more attenuation a tenth of that."""
    compressing(play, -14.0)
    last = play.whole()[-1]
    assert isinstance(last, Stop)
    assert "too strong" in last.why


def test_a_wrong_attenuator_is_not_taken_for_compression(play) -> None:
    """It would be on a bare thru: half a dB is more than the 0.1 dB allowed."""
    assert ALLOWED_DB < 0.5
    compressing(play, 0.0, switching_db=0.5)
    assert isinstance(play.whole()[-1], Done)


def test_a_joint_that_lets_go_during_the_sweep_is_not_taken_for_compression(play) -> None:
    """It loses 1 dB over the last two thirds of one sweep: the median says compression, the parts do not agree."""
    compressing(play, 0.0)
    sound = play.falsify

    def loose(step, sweep: Sweep) -> Sweep:
        sweep = sound(step, sweep)
        level = np.array(sweep.trace.level_dbm)
        if step.role is Role.COMPRESSION and step.hookup == "TX-ANT":
            level[level.size // 3 :] -= 1.0
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, level))

    play.falsify = loose
    assert isinstance(play.whole()[-1], Done)


def test_a_small_standard_of_the_kit_is_used_instead(play) -> None:
    play.bench = replace(play.bench, kit=(KitItem(id="S10", what="standard", value_db=10.0, u_db=0.05),))
    play.predicted.bench = play.bench
    steps = play.whole()
    taken = [s for s in steps if isinstance(s, SweepStep) and s.role is Role.COMPRESSION]
    assert [s.hookup for s in taken] == ["thru", "standard-S10"]
    assert {s.settings.attenuation_db for s in taken} == {MORE_DB}
    compressing(play, -14.0, skirt=False)
    del play.history[2:]
    assert isinstance(play.whole()[-1], Stop)


@pytest.mark.parametrize("most_db", [0.0, 5.0])
def test_an_attenuator_without_room_is_left_alone(play, most_db: float) -> None:
    caps = replace(TYPICAL, attenuation_db=(0.0, most_db))
    play.history[1] = replace(play.history[1], capabilities=caps)
    assert not any(isinstance(s, SweepStep) and s.role is Role.COMPRESSION for s in play.whole())
