"""What two runs did not have in common is named: instrument, bench file, kit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.core.record import TraceRecord
from sequencer.core.trace import Detector, SweepSettings
from sequencer.studies.apart import what_differed

USED = SweepSettings(
    start_hz=146e6,
    stop_hz=147e6,
    points=101,
    rbw_hz=1e3,
    attenuation_db=10.0,
    reference_dbm=0.0,
    generator_dbm=-10.0,
    vbw_hz=1e4,
    sweep_time_s=0.5,
)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        pytest.param({"identification": {"analyzer": "Other,1,2,3"}}, "instrument analyzer", id="identification"),
        pytest.param({"bench_text": "pads: 9 dB"}, "bench file, now: pads: 9 dB", id="bench"),
        pytest.param({"serial": "INV-2"}, "device: INV-1 before, INV-2 now", id="device"),
        pytest.param({"equipment": ({"what": "load", "id": "L-9"},)}, "kit: load", id="equipment"),
    ],
)
def test_each_difference_is_named(make, change, says) -> None:
    result = make.result("insertion loss", "TX-ANT", "transmit", 1.3, [make.line("noise", 0.02)])
    record = make.record(result)
    told = what_differed(record, replace(record, **change))
    assert any(says in line for line in told)
    assert what_differed(record, record) == ()


def swept(make, used, keys=("receive",)):
    """A run of these sweeps of one path."""
    sweep = {"file": "traces/001.csv", "sha256": "t", "hookup": "TX-ANT", "role": "device", "began": make.noon}
    traces = [TraceRecord(**sweep, key=key, used=used) for key in keys]
    return make.record(traces=tuple(traces))


@pytest.mark.parametrize(
    ("setting", "says"),
    [
        ({"rbw_hz": 3e3}, "RBW: 1 kHz before, 3 kHz now (TX-ANT receive)"),
        ({"vbw_hz": None}, "video filter: 10 kHz before, widest now (TX-ANT receive)"),
        ({"detector": Detector.SAMPLE}, "detector: power before, sample now (TX-ANT receive)"),
        ({"points": 11}, "points: 101 before, 11 now (TX-ANT receive)"),
        ({"sweep_time_s": 0.25}, "sweep time: 0.5 s before, 0.25 s now (TX-ANT receive)"),
        ({"attenuation_db": 20.0}, "attenuation: 10 dB before, 20 dB now (TX-ANT receive)"),
        ({"reference_dbm": -20.0}, "reference level: 0 dBm before, -20 dBm now (TX-ANT receive)"),
        ({"generator_dbm": -20.0}, "generator level: -10 dBm before, -20 dBm now (TX-ANT receive)"),
    ],
)
def test_each_setting_that_differs_is_named(make, setting, says) -> None:
    assert what_differed(swept(make, USED), swept(make, replace(USED, **setting))) == (says,)


def test_of_many_sweeps_the_first_are_named(make) -> None:
    keys = [f"k{number:02}" for number in range(12)]
    (line,) = what_differed(swept(make, USED, keys), swept(make, replace(USED, points=11), keys))
    assert line.endswith("TX-ANT k07 and 4 more)")
