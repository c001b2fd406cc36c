"""One sweep of the simulated bench: what each hookup shows, flags, faults, and the same bytes for the same commands."""

import time
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from instruments.simulated.bench import OPEN_LEADS, Bench, SweepRequest, hookup_names
from instruments.simulated.devices import build, names
from instruments.simulated.profile import PROFILES, Profile
from instruments.simulated.receiver import Detect, ReceiverSettings
from instruments.simulated.simtime import SimulatedTime

IDEAL = Profile(  # no error large enough to see; match, leakage and noise far below everything
    generator_vswr=1.000001,
    analyzer_vswr=1.000001,
    pad_vswr=1.000001,
    load_vswr=1.000001,
    test_port_vswr=1.000001,
    directivity_db=200.0,
    noise_dbm_hz=-250.0,
    leakage_db=250.0,
    scale_per_db=1e-9,
    scale_over_range_db=1e-9,
    attenuator_switching_db=0.0,
    reference_switching_db=0.0,
    rbw_switching_db=0.0,
    drift_db_per_h=0.0,
    connection_db=0.0,
    reference_ppm=0.0,
    span_percent=0.0,
    mixer_compression_dbm=60.0,
)


@dataclass(frozen=True)
class Splitter:
    """Three ports, the same at every frequency: 6 dB and 40 dB, reflections at A and B."""

    loss_db: float = 40.0

    def s(self, freq_hz):
        one = np.array(
            [
                [0.5, 10 ** (-self.loss_db / 20), 0.5],
                [10 ** (-self.loss_db / 20), -0.2j, 0.1],
                [0.5, 0.1, 0.0],
            ],
            dtype=complex,
        )
        return np.broadcast_to(one, (np.size(freq_hz), 3, 3)).copy()


@dataclass(frozen=True)
class Unit:
    ports: tuple = ("A", "B", "C")
    circuit: Splitter = field(default_factory=Splitter)
    circuit_disturbed: Splitter | None = None


def bench(profile=IDEAL, seed=1, device=None):
    return Bench(device or Unit(), profile, seed, SimulatedTime())


def request(*, points=201, **changes):
    receiver = {
        "rbw_hz": 1e3,
        "vbw_hz": 3e3,
        "attenuation_db": 10.0,
        "reference_dbm": -20.0,
        "detector": Detect.POWER,
        "average_count": 1,
        "display_range_db": None,
    }
    sweep = {
        "start_hz": 146e6,
        "stop_hz": 147e6,
        "sweep_time_s": 2.5,
        "generator_dbm": 0.0,
        "levelled_dbm": (-40.0, 3.0),
        "sweep_factor": 2.5,
    }
    for name, value in changes.items():
        (receiver if name in receiver else sweep)[name] = value
    settings = ReceiverSettings(dwell_s=sweep["sweep_time_s"] / points, **receiver)
    return SweepRequest(points=points, receiver=settings, **sweep)


def level(on, hookup, **changes):
    on.connect(hookup)
    return on.sweep(request(**changes)).level_dbm


def test_hookups_are_those_of_the_design():
    assert hookup_names(("IN", "OUT")) == (
        *("thru", "floor", "IN-OUT", "OUT-IN"),
        *("reflect-open", "reflect-short", "reflect-load", "reflect-IN", "reflect-OUT"),
        *("thru IN-OUT", "thru OUT-IN", "thru re-mated"),
    )


@pytest.mark.parametrize("hookup", ["A-B", "B-A", "A-C", "C-B"])
def test_without_errors_the_reading_is_the_truth(hookup):
    ideal = bench()
    loss = level(ideal, "thru") - level(ideal, hookup)
    start, end = hookup.split("-")
    truth = ideal.truth_db(start, end, np.array([146.5e6]))
    assert loss == pytest.approx(np.full(201, truth[0]), abs=1e-4)


def test_without_errors_return_loss_is_the_truth():
    ideal = bench()
    total = (10 ** (level(ideal, "reflect-open") / 20) + 10 ** (level(ideal, "reflect-short") / 20)) / 2
    shown = 20 * np.log10(total) - level(ideal, "reflect-A")
    # Open and short lose up to 0.5 % of the wave each, as drawn: 0.044 dB.
    assert shown == pytest.approx(ideal.truth_db("A", "A", np.linspace(146e6, 147e6, 201)), abs=0.045)


def test_match_of_both_ends_enters_thru_and_device_alike():
    real = bench(replace(IDEAL, generator_vswr=1.5, analyzer_vswr=1.5, pad_loss_db=0.0))
    freq = np.linspace(146e6, 147e6, 201)
    source, load = real.drawn.source(freq), real.drawn.receiver(freq)
    assert np.min(np.abs(source)) > 0.05
    s = Splitter().s(freq)
    s11, s22, through = s[:, 0, 0], s[:, 1, 1], s[:, 1, 0]
    # Trade notes 3.1, written out; the third port carries a nearly perfect load here.
    ratio = through * (1 - source * load) / ((1 - source * s11) * (1 - load * s22) - source * load * through**2)
    shown = level(real, "thru") - level(real, "A-B")
    assert shown == pytest.approx(-20 * np.log10(np.abs(ratio)), abs=1e-3)
    assert np.min(np.abs(shown - 40.0)) > 0.3  # and it is an error worth testing
    assert np.ptp(shown) > 0.005  # whose phase turns along the leads


@pytest.mark.parametrize("rbw_hz", [1e2, 1e3, 1e4])
@pytest.mark.parametrize("attenuation_db", [0.0, 20.0])
def test_floor_follows_rbw_and_attenuation(rbw_hz, attenuation_db):
    quiet = bench(replace(IDEAL, noise_dbm_hz=-150.0))
    shown = level(
        quiet,
        "floor",
        generator_dbm=None,
        rbw_hz=rbw_hz,
        vbw_hz=3 * rbw_hz,
        attenuation_db=attenuation_db,
        sweep_time_s=100 * 201 / rbw_hz,
    )
    mean = 10 * np.log10(np.mean(10 ** (shown / 10)))
    # Trade notes 1.3: density + 10 log10(RBW) + attenuation; Gaussian noise bandwidth 1.0645 RBW adds 0.27 dB.
    # 20100 independent samples: 0.03 dB (1 sigma).
    assert mean == pytest.approx(-150 + 10 * np.log10(1.0645 * rbw_hz) + attenuation_db, abs=0.15)


def test_floor_hookup_shows_the_leakage_and_the_device_more_of_it():
    leaky = bench(replace(IDEAL, leakage_db=80.0), device=Unit(circuit=Splitter(loss_db=300.0)))
    thru = level(leaky, "thru")
    on_floor = thru - level(leaky, "floor")
    freq = np.linspace(146e6, 147e6, 201)
    assert on_floor == pytest.approx(-20 * np.log10(np.abs(leaky.drawn.leakage(freq))), abs=0.01)
    # Trade notes 12.4: times (1 + S11) with the device in place, here 1.5.
    assert on_floor - (thru - level(leaky, "A-B")) == pytest.approx(np.full(201, 20 * np.log10(1.5)), abs=0.01)


def test_leads_hang_open_until_something_is_connected():
    fresh = bench(replace(IDEAL, leakage_db=80.0))
    assert fresh.connected == OPEN_LEADS
    assert np.max(fresh.sweep(request()).level_dbm) < -80.0


@pytest.mark.parametrize(
    ("hookup", "changes", "flags"),
    [
        pytest.param("thru", {}, set(), id="nothing-wrong"),
        pytest.param("thru", {"generator_dbm": 8.0}, {"unlevelled"}, id="above-the-flat-range"),
        pytest.param("thru", {"sweep_time_s": 0.5}, {"uncalibrated"}, id="too-fast"),
        pytest.param("thru", {"attenuation_db": 0.0, "generator_dbm": 3.0}, set(), id="mixer-just-below"),
    ],
)
def test_flags(hookup, changes, flags):
    real = bench(PROFILES["lab"])
    real.connect(hookup)
    assert real.sweep(request(**changes)).flags == flags


def test_overload_without_pads():
    real = bench(PROFILES["no-pads"])
    real.connect("thru")
    over = real.sweep(request(attenuation_db=0.0))
    assert over.flags == {"overload"}
    right = real.sweep(request(attenuation_db=20.0))
    assert right.flags == frozenset()
    assert np.mean(right.level_dbm - over.level_dbm) > 0.5  # compressed by about 1 dB at 0 dBm


def test_frequency_error_shows_the_device_a_little_beside():
    @dataclass(frozen=True)
    class Ramp:  # 1 dB per kilohertz
        def s(self, freq_hz):
            wave = 10 ** (-(np.asarray(freq_hz) - 146e6) / 1e3 / 20)
            s = np.zeros((np.size(freq_hz), 2, 2), dtype=complex)
            s[:, 0, 1] = s[:, 1, 0] = wave
            return s

    off = bench(replace(IDEAL, reference_ppm=1.0), device=Unit(ports=("A", "B"), circuit=Ramp()))
    narrow = {"start_hz": 146.00e6, "stop_hz": 146.02e6, "rbw_hz": 1e3, "sweep_time_s": 20.0}
    loss = level(off, "thru", **narrow) - level(off, "A-B", **narrow)
    expected = off.drawn.reference_error * 146.01e6 / 1e3
    assert loss[100] - 10.0 == pytest.approx(expected, abs=0.01)
    assert abs(expected) > 0.01


def test_another_transmitter_is_heard_where_it_stands():
    noisy = bench(PROFILES["lab"])
    noisy.faults.foreign = (146.5e6, -60.0)
    shown = level(noisy, "floor", generator_dbm=None)
    assert shown[100] == pytest.approx(-60.0, abs=0.5)  # scale and switching errors
    assert shown[90] < -90.0


def test_a_lead_on_the_wrong_port_shows_what_is_really_there():
    ideal = bench()
    honest = level(ideal, "A-C")
    ideal.faults.miswired["A-B"] = "A-C"
    assert level(ideal, "A-B") == pytest.approx(honest, abs=1e-6)  # noise at -250 dBm/Hz
    assert ideal.connected == "A-B"  # what the switch believes


def test_a_bad_joint_steps_within_some_sweeps():
    bad = bench(device=Unit(circuit_disturbed=Splitter(loss_db=30.0)))
    bad.connect("A-B")
    steps = [np.ptp(bad.sweep(request()).level_dbm) for _ in range(40)]
    assert 5 < sum(step > 9.0 for step in steps) < 30
    assert sum(step < 0.1 for step in steps) > 5
    bad.connect("thru")
    assert all(np.ptp(bad.sweep(request()).level_dbm) < 0.6 for _ in range(10))  # a thru has no such joint


def test_mating_repeats_within_its_figure():
    worn = bench(replace(IDEAL, connection_db=0.02))
    levels = [level(worn, "A-B")[0] for _ in range(20)]
    assert 0.005 < np.ptp(levels) < 4 * 0.02  # two joints, each within 0.02 dB either way


def test_tracking_adjustment_brings_the_level_back():
    off = bench(replace(IDEAL, tracking_hz=300.0), seed=2)
    assert abs(off.tracking_offset_hz()) > 50.0
    before = level(off, "thru")
    off.adjust_tracking(1e3)
    assert abs(off.tracking_offset_hz()) < 10.0
    assert np.mean(off.sweep(request()).level_dbm - before) > 0.01


def test_same_commands_same_numbers():
    def history(seed):
        one = bench(PROFILES["lab"], seed)
        return [level(one, hookup) for hookup in ("thru", "floor", "A-B", "reflect-A")]

    first, again, other = history(5), history(5), history(6)
    assert all(np.array_equal(a, b) for a, b in zip(first, again, strict=True))
    assert not any(np.array_equal(a, b) for a, b in zip(first, other, strict=True))


def test_each_sweep_has_its_own_noise():
    one = bench(PROFILES["lab"])
    one.connect("floor")
    assert not np.array_equal(one.sweep(request()).level_dbm, one.sweep(request()).level_dbm)


def test_time_moves_by_declared_durations_and_polling_costs_nothing():
    wall = [0.0]
    simulated = SimulatedTime(speed=10.0, wall=lambda: wall[0])
    done = []
    simulated.spend(1.0)
    simulated.begin(20.0, lambda: done.append(simulated.now_s))
    simulated.spend(0.001)  # a poll
    wall[0] = 1.0
    assert simulated.running()
    assert simulated.now_s == pytest.approx(11.0)
    wall[0] = 2.0
    assert not simulated.running()
    assert done == [21.0]


def test_an_aborted_operation_ends_where_it_stands():
    wall = [0.0]
    simulated = SimulatedTime(speed=1.0, wall=lambda: wall[0])
    simulated.begin(20.0, lambda: pytest.fail("it never ended"))
    wall[0] = 3.0
    simulated.cancel()
    assert simulated.now_s == pytest.approx(3.0)
    assert not simulated.running()


def test_a_slow_sweep_of_1001_points_is_cheap():
    real = Bench(build("vhf-600k"), PROFILES["lab"], 1, SimulatedTime())
    real.connect("TX-ANT")
    slow = request(points=1001, start_hz=145.95e6, stop_hz=146.05e6, sweep_time_s=0.25)
    took_s = []
    for _ in range(5):
        began = time.process_time()
        real.sweep(slow)
        took_s.append(time.process_time() - began)
    assert np.median(took_s) < 0.03  # asked for; 2 ms on one machine, so that a busy computer passes too


@pytest.mark.parametrize("name", names()[:20:3] + names()[20::10])
def test_every_hookup_of_a_real_device_gives_finite_levels(name):
    device = build(name)
    real = Bench(device, PROFILES["lab"], 1, SimulatedTime())
    middle_hz = next(iter(device.frequencies.values()))
    for hookup in (OPEN_LEADS, *real.hookups):
        shown = level(real, hookup, start_hz=middle_hz - 1e6, stop_hz=middle_hz + 1e6)
        assert np.all(np.isfinite(shown)), hookup
