"""What the text round a saved trace tells is never passed over where it changes what the numbers mean."""

from __future__ import annotations

import pytest

from instruments.saved.facts import told
from sequencer.core.trace import Detector
from sequencer.errors import NotchbookError


@pytest.mark.parametrize(
    "line", ["Detector;AUTOPEAK", "Detector;+PEAK", "Det: AP", "DETECTOR,AUTO", "Detector Type;AVER"]
)
def test_a_detector_that_is_not_known_is_refused_by_its_name(line: str) -> None:
    with pytest.raises(NotchbookError, match="detector"):
        told([line], "a.csv")


@pytest.mark.parametrize(
    "line",
    ["Trace Type;Max Hold", "Trace;Max Hold", "Trace 1;MAXH", "Trace 1 Type;Maximum hold", "Trace 1: Min Hold",
     "Trace Mode;MAX HOLD"],
)  # fmt: skip
def test_a_held_trace_is_refused_however_it_is_told(line: str) -> None:
    with pytest.raises(NotchbookError, match="held trace"):
        told([line], "a.csv")


@pytest.mark.parametrize(
    "line",
    ["Input Z;75;Ohm", "External Gain;10,0;dB", "Transducer;CABLE10DB", "Trace Math;A-B", "Ref Level Offset;3;dB"],
)
def test_what_no_reckoning_can_undo_is_refused(line: str) -> None:
    with pytest.raises(NotchbookError):
        told([line], "a.csv")


def test_what_is_off_or_usual_is_taken() -> None:
    lines = [
        "Detector;RMS", "Trace Mode;CLR/WRITE", "Max Hold;OFF", "Transducer;None", "Trace Math;OFF", "Input Z;50;Ohm",
        "External Gain;0,0;dB", "y-Unit;dBm;",
    ]  # fmt: skip
    facts = told(lines, "a.csv")
    assert (facts.detector, facts.unit) == (Detector.POWER, "dBm")
