"""Relays of the simulated switch: path losses, isolation, and hands that go past both."""

from __future__ import annotations

import math

import numpy as np
import pytest

from instruments.simulated import devices
from instruments.simulated.bench import Bench, SweepRequest
from instruments.simulated.benchfile import bench_file
from instruments.simulated.profile import PROFILES
from instruments.simulated.receiver import ReceiverSettings
from instruments.simulated.relays import FIGURE_U_DB, Relays
from instruments.simulated.simtime import SimulatedTime
from sequencer.recipe.bench_loader import load_bench

FREQ_HZ = np.array([146.0e6])


def bench(relays: Relays, seed: int = 1) -> Bench:
    return Bench(devices.build("vhf-600k"), PROFILES["lab"], seed, SimulatedTime(), relays=relays)


def reading_db(made: Bench, hookup: str, *, by_hand: bool = False) -> float:
    """Steady transfer of a hookup in dB, noise and the analyzer left out."""
    made.connect(hookup, by_hand=by_hand)
    loss_db = 0.0 if by_hand else made.relays.loss_db(hookup)
    return float(20.0 * np.log10(np.abs(made._steady(made.device.circuit)(FREQ_HZ)[0]))) - loss_db


def test_relay_isolation_of_80_db_makes_85_db_read_76_to_87_db() -> None:
    """Trade notes 12.6: the leak's phase is not known, so the reading lies anywhere between."""
    signal = 10.0 ** (-85.0 / 20.0)
    leaks = [Relays(seed, isolation_db=80.0).leakage("TX-ANT", FREQ_HZ)[0] for seed in range(300)]
    shown = [-20.0 * math.log10(abs(signal + leak)) for leak in leaks]
    # the two ends by arithmetic: -20 log10(10^-4.25 +/- 10^-4)
    assert min(shown) == pytest.approx(76.13, abs=0.05)
    assert max(shown) == pytest.approx(87.16, abs=0.05)


def test_other_contacts_leak_with_another_phase_and_hands_leak_nothing() -> None:
    relays = Relays(3, isolation_db=80.0)
    assert relays.leakage("floor", FREQ_HZ)[0] != pytest.approx(relays.leakage("TX-ANT", FREQ_HZ)[0], rel=0.01)
    made = bench(relays)
    assert reading_db(made, "floor") == pytest.approx(-80.0, abs=0.3)  # the bench's own leak of -115 dB beside it
    assert reading_db(made, "floor", by_hand=True) < -110.0


def test_without_options_the_switch_is_as_good_as_hands() -> None:
    made = bench(Relays(1))
    for hookup in ("thru", "TX-ANT", "reflect-TX"):
        assert reading_db(made, hookup) == reading_db(made, hookup, by_hand=True)


def test_a_path_and_its_own_thru_lose_the_same_and_others_something_else() -> None:
    relays = Relays(1, path_loss_db=1.0)
    assert relays.loss_db("thru TX-ANT") == relays.loss_db("TX-ANT") != relays.loss_db("thru")
    assert relays.loss_db("reflect-open") == relays.loss_db("reflect-short")
    assert 0.0 <= relays.loss_db("TX-ANT") <= 1.0


def test_the_bench_file_states_the_losses_within_their_uncertainty() -> None:
    relays = Relays(1, path_loss_db=1.0)
    text = bench_file(
        PROFILES["lab"], analyzer="A", switch="S", dialect="free-binary", ports=("TX", "RX", "ANT"), relays=relays
    )
    switch = load_bench(text, "b.yaml").switch
    assert switch is not None
    standards = {"reflect-open", "reflect-short", "reflect-load"}
    assert set(switch.losses) == set(switch.hookups) - {"thru", "thru re-mated", "floor"} - standards
    for name, stated in switch.losses.items():
        other = "reflect-open" if name.startswith("reflect-") else "thru"
        true_db = relays.loss_db(name) - relays.loss_db(other)
        assert stated.loss_db == pytest.approx(true_db, abs=2.0 * FIGURE_U_DB + 0.005)  # drawn within 2 u, rounded
        assert stated.u_db == FIGURE_U_DB
        assert stated.date


def test_the_bench_file_offers_thrus_through_the_paths_instead() -> None:
    text = bench_file(
        PROFILES["lab"],
        analyzer="A",
        switch="S",
        dialect="free-binary",
        ports=("IN", "OUT"),
        relays=Relays(1, path_loss_db=1.0),
        path_thrus=True,
    )
    switch = load_bench(text, "b.yaml").switch
    assert switch is not None
    assert {"thru IN-OUT", "thru OUT-IN"} <= set(switch.hookups)
    assert set(switch.losses) == {"reflect-IN", "reflect-OUT"}


def test_a_sweep_shows_the_loss_of_the_relays() -> None:
    relays = Relays(1, path_loss_db=1.0)
    made = bench(relays)
    asked = SweepRequest(
        start_hz=146.0e6,
        stop_hz=146.1e6,
        points=11,
        sweep_time_s=1.0,
        generator_dbm=0.0,
        levelled_dbm=(-40.0, 10.0),
        sweep_factor=2.5,
        receiver=ReceiverSettings(
            rbw_hz=3e3,
            vbw_hz=3e3,
            attenuation_db=0.0,
            reference_dbm=0.0,
            detector="RMS",
            average_count=1,
            dwell_s=0.1,
            display_range_db=None,
        ),
    )
    shown = []
    for by_hand in (False, True):
        made.connect("thru", by_hand=by_hand)
        shown.append(float(np.mean(made.sweep(asked).level_dbm)))
    # one mating each: 0.02 dB at most, and noise far below
    assert shown[1] - shown[0] == pytest.approx(relays.loss_db("thru"), abs=0.05)
