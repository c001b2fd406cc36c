"""Runs from files: what is said where two traces of one hookup read different levels."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.core.history import Role, SavedKind, SavedTrace
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import SweepSettings
from sequencer.run.overlap import Gap, gap_text
from sequencer.run.saved import why_apart

USED = SweepSettings(
    start_hz=1e6, stop_hz=2e6, points=11, rbw_hz=1e3, attenuation_db=0.0, reference_dbm=0.0, generator_dbm=0.0
)


def trace(key: str, attenuation_db: float = 0.0, **more: tuple[str, ...]) -> SavedTrace:
    hookup = Hookup(name="TX-ANT", kind=HookupKind.PATH)
    used = replace(USED, attenuation_db=attenuation_db)
    return SavedTrace(
        source=f"{key}.csv", sha256="", kind=SavedKind.LEVEL, station=1, hookup=hookup, key=key, role=Role.DEVICE,
        settings=used, **more,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("other", "says", "not_says"),
    [
        pytest.param({}, "two states of the device", "settings", id="all told by the files, and alike"),
        pytest.param({"unknown": ("attenuation_db",)}, "nobody tells attenuation", "reads levels", id="unknown"),
        pytest.param({"attenuation_db": 10.0}, "at other settings (attenuation)", "nobody", id="another"),
        pytest.param({"declared": ("rbw_hz",)}, "RBW not as declared", "nobody", id="declared"),
    ],
)
def test_a_gap_between_files_is_not_blamed_on_a_joint_alone(other, says: str, not_says: str) -> None:
    files = [trace("overview"), trace("receive", **other), trace("transmit", 20.0, unknown=("detector",))]
    text = gap_text("TX-ANT", Gap("receive", 146.01e6, 3.0, 1.4, 1.0), files)
    assert says in text
    assert not_says not in text
    assert "matings" in text
    assert "detector" not in text  # of a file that has no part in it
    assert says in why_apart(files[:2])


def test_a_gap_of_a_live_run_is_told_as_ever() -> None:
    assert "not of one mating of one device" in gap_text("TX-ANT", Gap("receive", 146.01e6, 3.0, 1.4, 1.0))
