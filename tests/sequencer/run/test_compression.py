"""A thru that is too strong shows in the loss of something weaker, not in the thru itself."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from sequencer.core.history import Role
from sequencer.core.trace import Sweep, Trace
from sequencer.recipe.model import Figure, KitItem
from sequencer.run.compression import ALLOWED_DB, MORE_DB
from sequencer.run.predict import TYPICAL
from sequencer.run.steps import Done, Stop, SweepStep, Void


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


def test_one_glitch_that_looks_like_compression_is_begun_afresh_and_ends_nothing(play) -> None:
    compressing(play, 0.0)
    sound, seen = play.falsify, []

    def falsify(step, sweep: Sweep) -> Sweep:
        sweep = sound(step, sweep)
        if step.hookup == "thru" and step.role is Role.COMPRESSION and not seen:
            seen.append(step)
            return replace(sweep, trace=Trace(sweep.trace.freq_hz, sweep.trace.level_dbm + 3.0))
        return sweep

    play.falsify = falsify
    steps = play.whole()
    assert sum(isinstance(step, Void) for step in steps) == 1
    assert isinstance(steps[-1], Done)


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


def test_a_loss_that_reads_less_with_more_attenuation_is_no_compression_of_the_thru(play) -> None:
    """Compression takes from the strong thru, so the loss reads too little until more attenuation frees the mixer."""

    def falsify(step, sweep: Sweep) -> Sweep:
        if step.hookup != "TX-ANT" or step.key != "overview":
            return sweep
        level = -21.0 - np.linspace(0.5, 60.0, sweep.trace.freq_hz.size)
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, level + 0.5 * (step.role is Role.COMPRESSION)))

    play.falsify = falsify
    assert isinstance(play.whole()[-1], Done)


@pytest.mark.parametrize("beside_db", [-0.5, 0.5], ids=["just above 40 dB", "just below 10 dB"])
def test_noise_that_lifts_points_into_the_range_is_no_compression(play, beside_db: float) -> None:
    """A path that is flat beside the range that counts: only its noisiest points are in it, and fall back."""
    flat_db = 40.5 if beside_db < 0 else 9.5
    noise = np.random.default_rng(7)

    def falsify(step, sweep: Sweep) -> Sweep:
        if step.hookup != "TX-ANT" or step.key != "overview":
            return sweep
        passes = np.abs(sweep.trace.freq_hz - 146.61e6) < 100e3  # else the lead is taken to be off
        level = -21.0 - np.where(passes, 1.0, flat_db) + noise.normal(0.0, 0.6, sweep.trace.freq_hz.size)
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, level))

    play.falsify = falsify
    assert isinstance(play.whole()[-1], Done)


def test_what_drift_and_switching_allow_is_no_compression(play) -> None:
    """0.15 dB more over one hour between the sweeps: at 0.1 dB/h it may be drift, at 0.01 dB/h it is not."""
    hour = timedelta(hours=1.0)

    def falsify(step, sweep: Sweep) -> Sweep:
        if step.hookup != "TX-ANT" or step.key != "overview":
            return sweep
        late = step.role is Role.COMPRESSION
        level = -21.0 - np.linspace(0.5, 60.0, sweep.trace.freq_hz.size) - 0.15 * late
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, level), began=sweep.began + hour * late)

    play.falsify = falsify
    for rate, last in ((0.1, Done), (0.01, Stop)):
        drift = replace(play.bench.specifications, drift_db_per_h=Figure(limit=rate))
        play.bench = replace(play.bench, specifications=drift)
        play.predicted.bench = play.bench
        del play.history[2:]
        assert isinstance(play.whole()[-1], last)


@pytest.mark.parametrize("most_db", [0.0, 5.0])
def test_an_attenuator_without_room_is_left_alone(play, most_db: float) -> None:
    caps = replace(TYPICAL, attenuation_db=(0.0, most_db))
    play.history[1] = replace(play.history[1], capabilities=caps)
    assert not any(isinstance(s, SweepStep) and s.role is Role.COMPRESSION for s in play.whole())
