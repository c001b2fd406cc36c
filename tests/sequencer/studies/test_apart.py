"""What two runs did not have in common is named: instrument, bench file, kit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.studies.apart import what_differed


@pytest.mark.parametrize(
    ("change", "says"),
    [
        pytest.param({"identification": {"analyzer": "Other,1,2,3"}}, "instrument analyzer", id="identification"),
        pytest.param({"bench_text": "pads: 9 dB"}, "bench file, now: pads: 9 dB", id="bench"),
        pytest.param({"equipment": ({"what": "load", "id": "L-9"},)}, "kit: load", id="equipment"),
    ],
)
def test_each_difference_is_named(make, change, says) -> None:
    result = make.result("insertion loss", "TX-ANT", "transmit", 1.3, [make.line("noise", 0.02)])
    record = make.record(result)
    told = what_differed(record, replace(record, **change))
    assert any(says in line for line in told)
    assert what_differed(record, record) == ()
