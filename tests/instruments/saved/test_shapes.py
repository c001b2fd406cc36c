"""Whole files as analyzers write them: honest ones are read, and what one poisoned line tells is never passed over."""

from __future__ import annotations

import numpy as np
import pytest

from instruments.saved.facts import Facts
from instruments.saved.levels import read_levels
from instruments.saved.spoilt import refuse_spoilt_vector
from instruments.saved.table import decoded
from sequencer.core.trace import Detector
from sequencer.errors import StoredDataError

NEAR = (146.61e6, 146.01e6)
FREQ = [146.0e6, 146.005e6, 146.01e6, 146.015e6]
LEVEL = [-17.25, -18.5, -92.125, -20.0]


def rows(form: str, factor: float = 1.0) -> str:
    points = enumerate(zip(FREQ, LEVEL, strict=True))
    return "\n".join(form.format(n=n, f=f / factor, l=level) for n, (f, level) in points) + "\n"


PLAIN = "Frequency (Hz),Level (dBm)\n" + rows("{f:.0f},{l}")
TWO = rows("{f:.0f},{l},-3")
SETTINGS = """Type,Swept
Date,2026-05-01
Center Freq,146007500,Hz
Freq Offset,0,Hz
Span,15000,Hz
Start,146000000,Hz
Stop,146015000,Hz
Ref Level,-10,dBm
Level Offset,0,dB
Rf Att,10,dB
RBW,1000,Hz
SWT,0.5,s
Input,50 Ohm
Correction State,Off
Trace Mode,CLR/WRITE
Detector,RMS
Trace 1:
y-Unit,dBm
Values,4
"""


@pytest.mark.parametrize(
    ("text", "trace"),
    [
        pytest.param(SETTINGS + rows("{f:.0f},{l},"), "", id="name, value, unit; unit of the levels in a line"),
        pytest.param("# freq(MHz)  level(dBm)\n" + rows("{f:.6f}  {l}", 1e6), "", id="headings parted by two blanks"),
        pytest.param("# freq (MHz) level (dBm)\n" + rows("{f:.6f} {l}", 1e6), "", id="headings parted by one blank"),
        pytest.param("Frequency Hz,Trace1 dBm\n" + rows("{f:.0f},{l}"), "", id="unit behind a blank"),
        pytest.param("Hz dBm\n" + rows("{f:.0f} {l}"), "", id="nothing but units, parted by a blank"),
        pytest.param("RBW;1;kHz\n" + PLAIN.replace(",", ";").replace("\n", "\r\n\r\n"), "", id="double spaced"),
        pytest.param("Trace 1 Mode,Clear Write\nTrace 2 Mode,Max Hold\nTrace 3 Mode,Max Hold (Blank)\n"
                     "Frequency (Hz),Trace 1 (dBm),Trace 2 (dBm)\n" + TWO, "1", id="modes of all traces in lines"),
        pytest.param("Trace 1: Clear Write, Trace 2: Max Hold, Average 10\nFrequency (Hz),Trace 1 (dBm),Trace 2 (dBm)\n"
                     + TWO, "1", id="modes of all traces in one line"),
        pytest.param("Frequency (Hz),Trace 1 Clear Write (dBm),Trace 2 Max Hold (dBm)\n" + TWO, "1",
                     id="modes in the headings"),
        pytest.param("Frequency (Hz),Trace A (dBm),A-B Difference Trace (dB)\n" + TWO, "Trace A", id="difference"),
        pytest.param("Trace 1 Mode,Clear\nTrace 2 Mode,Max Hold\nFrequency (Hz),Trace 1 (dBm)\n"
                     + rows("{f:.0f},{l}"), "", id="modes of all traces, one saved"),
        pytest.param("Trace C Mode,Max Hold (Blank)\n" + PLAIN, "", id="another is blanked"),
        pytest.param("RBW,1,kHz\nPoint,Frequency,Level\n,Hz,dBm\n" + rows("{n},{f:.0f},{l}"), "", id="points counted"),
        pytest.param("Max Hold,Off,\nDetector,1,RMS\nFreq (Hz),A (dBm),Min Hold (dBm)\n" + TWO, "A",
                     id="three cells that are no headings"),
        pytest.param("Marker,1,146.010000 MHz,-92.13 dBm\n\n" + PLAIN + "\n[Settings]\nRBW=1 kHz\nPoints=4\n", "",
                     id="markers before, settings behind"),
    ],
)  # fmt: skip
def test_an_honest_file_is_read(text: str, trace: str) -> None:
    got = read_levels(decoded(text.encode(), "x"), "x", Facts(), trace, NEAR)
    np.testing.assert_allclose(got.freq_hz, FREQ)
    np.testing.assert_allclose(got.level_db, LEVEL)
    assert not got.normalised


def test_settings_in_cells_of_their_own_are_read() -> None:
    facts = read_levels(SETTINGS + rows("{f:.0f},{l},"), "x", Facts(), "", NEAR).facts
    assert (facts.rbw_hz, facts.attenuation_db, facts.reference_dbm) == (1e3, 10.0, -10.0)
    assert (facts.sweep_time_s, facts.detector, facts.points) == (0.5, Detector.POWER, 4)


@pytest.mark.parametrize(
    ("poison", "says"),
    [
        pytest.param("Start,100 MHz\nStop,200 MHz", "start of 100.000 MHz, but its rows", id="another axis"),
        pytest.param("Start,146 MHz\nStop,146.6 MHz", "stop of 146.600 MHz, but its rows", id="cut off: stop"),
        pytest.param("Center,146.61 MHz\nSpan,15 kHz", "start of .*but its rows", id="another centre"),
        pytest.param("Start,146 MHz\nCenter,146.6 MHz\nSpan,15 kHz", "two ranges", id="two ranges"),
        pytest.param("Number of Points: 601", "601 points, but holds 4", id="cut off: points"),
        pytest.param("Ampl Ofst 10 dB", "offset was added", id="offset, short"),
        pytest.param("RefOffs: 3,0 dB", "offset was added", id="offset, glued"),
        pytest.param("Level Shift;10;dB", "offset was added", id="shift"),
        pytest.param("Trace1 - Trace2", "reckoned from traces", id="difference"),
        pytest.param("Trace 1: A-B", "reckoned from traces", id="difference of letters"),
        pytest.param("Function: T1 minus T2", "reckoned from traces", id="difference in words"),
        pytest.param("Trace Operation: Subtract", "reckoned from traces", id="subtraction"),
        pytest.param("Antenna Factor: On", "Antenna Factor On", id="antenna factor"),
        pytest.param("Cable Corr,TABLE7", "Cable Corr TABLE7", id="cable correction"),
        pytest.param("Noise floor extension: On", "Noise floor extension", id="noise subtracted"),
        pytest.param("y-Unit,dBuV", "two units of its levels", id="another unit"),
        pytest.param("ADC OVER", "overloaded", id="converter over"),
        pytest.param("Status;IF OVL", "overloaded", id="overload, short"),
        pytest.param("Mixer saturated", "overloaded", id="saturated"),
        pytest.param("LO Unlock", "not locked", id="oscillator not locked"),
        pytest.param("Hold: On", "single sweep", id="held, no word of which"),
        pytest.param("Time Gate,On", "Gate On", id="gated"),
        pytest.param("Input;75 Ohm", "75 ohm", id="another impedance, unnamed"),
        pytest.param(
            "Trace 1 Mode,Max Hold\nTrace 2 Mode,Clear Write", "held trace", id="one of two, nobody knows which"
        ),
    ],
)
def test_one_poisoned_line_is_not_passed_over(poison: str, says: str) -> None:
    text = PLAIN if "," in poison or ";" not in poison else PLAIN.replace(",", ";")
    with pytest.raises(StoredDataError, match=says):
        read_levels(f"{poison}\n{text}", "x", Facts(), "", NEAR)
    with pytest.raises(StoredDataError, match=says):
        read_levels(f"{text}\n{poison}\n", "x", Facts(), "", NEAR)


@pytest.mark.parametrize(
    ("head", "trace"),
    [
        ("Trace 2 Mode,Max Hold\nFrequency (Hz),Trace 1 (dBm),Trace 2 (dBm)\n", "2"),
        ("Frequency (Hz),Trace 1 Clear Write (dBm),Trace 2 Max Hold (dBm)\n", "2"),
        ("Trace Mode: Max Hold\nFrequency (Hz),Trace 1 (dBm),Trace 2 (dBm)\n", "1"),
        ("Trace 2 Mode,Max Hold\nTrace 1 Mode,Clear\nFrequency (Hz),Trace 2 (dBm),Limit (dBm)\n", "1"),
        ("Trace A Mode,Max Hold\nFrequency (Hz),Trace 1 (dBm),Trace 2 (dBm)\n", "1"),
    ],
)
def test_the_chosen_trace_is_refused_where_it_is_the_held_one_or_may_be(head: str, trace: str) -> None:
    with pytest.raises(StoredDataError, match="held trace"):
        read_levels(head + TWO, "x", Facts(), trace, NEAR)


@pytest.mark.parametrize(
    ("comment", "says"),
    [
        ("Correction: Off", "correction only"),
        ("CAL NONE", "correction only"),
        ("Calibration State = disabled", "correction only"),
        ("S-parameters, uncorrected", "correction only"),
        ("Smoothing: 1.5 %", "smoothing"),
        ("Port Extensions: On", "moves the test ports"),
        ("De-embedding on", "moves the test ports"),
        ("Mag offset 3 dB", "at 0"),
        ("Time Gate: On", "hides"),
        ("Trace Math: Data/Mem", "changed by the analyzer"),
        ("ADC OVERLOAD", "overloaded"),
    ],
)
def test_a_vector_files_comment_is_not_passed_over(comment: str, says: str) -> None:
    with pytest.raises(StoredDataError, match=says):
        refuse_spoilt_vector(comment, "x.s2p")


@pytest.mark.parametrize(
    "comment",
    [
        "Correction: S11(Full 2 Port(1,2))", "Correction On", "Cal: Full 3-port", "Calibration date 2026-05-01",
        "Smoothing: Off", "Port Extensions,Off", "Port Impedance 50.0 0.0 50.0 0.0", "De-embedding: none", "Gating Off",
        "freq magS11 angS11 magS21 angS21", "Mag offset 0 dB", "Fixture: off", "Averaging: 16",
        "Fixture board of ours", "Cal kit: N, short offset 31.8 ps",
    ],
)  # fmt: skip
def test_a_vector_file_that_is_corrected_is_read(comment: str) -> None:
    refuse_spoilt_vector(comment, "x.s2p")
