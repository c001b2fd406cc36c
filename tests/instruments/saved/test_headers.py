"""What the text round a saved trace tells is never passed over where it changes what the numbers mean."""

from __future__ import annotations

import contextlib
import time

import pytest

from instruments.saved.facts import Facts, declared
from instruments.saved.headers import told
from instruments.saved.table import read_table
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


ROWS = "146000000.0;-20.5\n146500000.0;-80.75\n147000000.0;-20.0\n"


@pytest.mark.parametrize(
    ("line", "name", "value"),
    [
        ("RBW;3.000000000E+003;Hz", "rbw_hz", 3e3),
        ("Reference Level,-1.000000E+001", "reference_dbm", -10.0),
        ("Sweep Time,5.000000E-001", "sweep_time_s", 0.5),
        ("RBW,1.0000000000000000E+03", "rbw_hz", 1e3),
        ("Sweep Time,0.10000000149011612", "sweep_time_s", 0.10000000149011612),
        ("Start Frequency,1.460000E+008", "start_hz", 146e6),
        ("Start: 146,000,000 Hz", "start_hz", 146e6),
        ("Sweep Time: 1,234.5 ms", "sweep_time_s", 1.2345),
        ("Sweep Time: 1.234,5 ms", "sweep_time_s", 1.2345),
        ("Sweep Time 0.25 seconds", "sweep_time_s", 0.25),
        ("RBW_Hz,1000", "rbw_hz", 1e3),
        ("RefLevel_dBm,-10", "reference_dbm", -10.0),
        ("RBW,3000,Auto", "rbw_hz", 3e3),
        ("RBW 3000 VBW 10000", "rbw_hz", 3e3),
        ("Att\u00a010\u00a0dB", "attenuation_db", 10.0),
        ("Ref Level \u221210 dBm", "reference_dbm", -10.0),
        ("Tracking Generator,0.0 dBm", "generator_dbm", 0.0),
        ("Output Attenuation,20,dB", "attenuation_db", None),  # the generator's, not the analyzer's
    ],
)
def test_a_number_is_read_to_its_end(line: str, name: str, value: float | None) -> None:
    table = read_table(f"{line}\nHz;dBm\n{ROWS}", "a.csv")
    assert getattr(told(table.others, "a.csv", comma=table.comma), name) == value


@pytest.mark.parametrize(
    "line",
    ["RBW: 1,000 Hz", "RBW: 10,000 Hz", "Sweep Time: 1 000 ms", "RBW 1k", "Sweep Time: 1m40s",
     "Sweep Time: 1:40",
     "Sweep Time: 1 min 40 s", "RBW 1'000 Hz", "RBW,3,5,kHz", "RBW;1000;3000", "RBW 3 kilohertz", "RBW [kHz];3;Hz",
     "RBW [bins];3", "RBW 1.2.3 Hz", "Start 3 sweeps", "Impedance: 50,000 Ohm"],
)  # fmt: skip
def test_a_line_that_can_be_read_in_two_ways_is_refused_by_its_text(line: str) -> None:
    with pytest.raises(NotchbookError) as refused:
        told([line], "a.csv")
    assert "cannot be read in one way" in refused.value.message
    assert "correct that line" in refused.value.message
    assert refused.value.message.startswith("a.csv: ")
    assert line in refused.value.message


def test_where_the_rows_write_decimal_commas_so_does_the_heading() -> None:
    rows = ROWS.replace(".", ",")
    table = read_table(f"Sweep time;1,234;s\nHz;dBm\n{rows}", "a.csv")
    assert told(table.others, "a.csv", comma=table.comma).sweep_time_s == 1.234
    with pytest.raises(NotchbookError, match="two ways"):
        told(["RBW;1.000;kHz"], "a.csv", comma=True)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("Ref Lvl Offset,-10,dB", "offset"),
        ("RL Offset,10,dB", "offset"),
        ("RefLevelOffset=10 dB", "offset"),
        ("Level Offset [dB];3,0", "offset"),
        ("Ext Preamp Gain,10,dB", "offset"),
        ("External Attenuation,20,dB", "offset"),
        ("Ext Att 10 dB", "offset"),
        ("Cable Loss: 1.5 dB", "offset"),
        ("Frequency Offset,100,MHz", "offset"),
        ("Uncal", "uncalibrated"),
        ("UNCAL,1", "uncalibrated"),
        ("Status: Meas Uncal", "uncalibrated"),
        ("Measurement uncalibrated", "uncalibrated"),
        ("Overload,Yes", "overloaded"),
        ("IF Overload", "overloaded"),
        ("ADC Over Range", "overloaded"),
        ("Preamp,On", "preamplifier"),
        ("Internal Preamplifier: 20 dB", "preamplifier"),
        ("LNA: on", "preamplifier"),
        ("Smoothing,On", "smoothing"),
        ("Smoothing: 1.5 %", "smoothing"),
        ("Amplitude Correction,On", "Correction On"),
        ("Corrections,On", "Corrections On"),
        ("Trace B-A", "reckoned"),
        ("Trace Math: A - B", "Math: A - B"),
        ("Signal Track,On", "Signal Track On"),
        ("Noise Correction: ON", "Noise Correction"),
    ],
)
def test_what_the_analyzer_did_to_a_trace_is_refused_by_name(line: str, says: str) -> None:
    with pytest.raises(NotchbookError, match=says):
        told([line], "a.csv")


@pytest.mark.parametrize(
    "line",
    ["Ref Lvl Offset,0.0,dB", "RL Offset,0.00E+000", "Ext Gain;0,0;dB", "External Attenuation,0,dB", "Uncal,No",
     "Overload: OK", "Preamp,Off", "Preamp;0", "Preamp Gain 0 dB", "Limit Line Offset,3,dB",
     "Smoothing,0 %", "Smoothing,OFF",
     "ADC Overload Count,0", "Overload Protection,On", "Max Hold Count,0", "Ref Lock: Locked",
     "Gate: Off", "Overlap: 50 %",
     "VBW/RBW,3", "Span/RBW: 106", "Correction 1,Off", "Comment,pad 10 dB each side", "Display Line,-50 dBm,Off",
     "Preamp,Off,", "Overload,No,,", "External Gain,0,0,", "Correction State,Off", "Input,50 Ohm,",
     "Corrections,Off", "[Corrections]", "Trace A", "Trace 1", "Signal Track,Off", "Trigger Offset,0.001,s",
     "Frequency Offset,0,Hz"],
)  # fmt: skip
def test_what_is_off_is_no_reason(line: str) -> None:
    assert told([line], "a.csv").known == frozenset()


@pytest.mark.parametrize(
    ("lines", "averaging"),
    [
        ("Average,Off", "off"),
        ("Video Average,Off", "off"),
        ("Averaging: no", "off"),
        ("Average State,0", "off"),
        ("Average,Off|Average Count,16|Average Type,Log", "off"),
        ("Average,On", "on"),
        ("Average State,1", "on"),
        ("Averages;16", "on"),
        ("Average Count,10", "on"),
        ("Avg/Hold,10/100", "on"),
        ("Trace Mode: Average", "on"),
        ("Trace 1,AVER", "on"),
        ("Average,On|Avg Type,RMS", "power"),
        ("Averaging Type: Power", "power"),
        ("Power Average: 16", "power"),
        ("Average,On|Avg Type,Log-Pwr", "log"),
        ("Video Average,On", "log"),
        ("Averaging Mode,Log", "log"),
        ("Average Type: Voltage", "voltage"),
        ("Average Count,1", None),
        ("Trace Mode: Clear Write", None),
        ("Average level,-20.5,dBm", None),
    ],
)
def test_what_averaging_is_told_is_never_passed_over(lines: str, averaging: str | None) -> None:
    """On, and of what; where that is not told, nobody may take it for power."""
    assert told(lines.split("|"), "a.csv").averaging == averaging


@pytest.mark.parametrize("lines", ["Average,On|Average State,Off", "Avg Type,Log|Average Type,Power"])
def test_averaging_told_in_two_ways_is_refused(lines: str) -> None:
    with pytest.raises(NotchbookError, match="two values of averaging"):
        told(lines.split("|"), "a.csv")


@pytest.mark.parametrize(
    ("line", "taken"),
    [
        ("Date,2026-05-01|Time,19:30:05", "2026-05-01T19:30:05"),
        ("2026/05/01 07:30:05 PM", "2026-05-01T19:30:05"),
        ("1.5.2026|19:30", "2026-05-01T19:30:00"),
        ("2026-05-01|19:30", "2026-05-01T19:30:00"),
        ("Date: 1.5.2026|Time: 7:30 p.m.", "2026-05-01T19:30:00"),
        ("Saved 01-May-2026 12:30:05 AM", "2026-05-01T00:30:05"),
        ("Friday, May 1, 2026 19:30", "2026-05-01T19:30:00"),
        ("Created Fri May 1 19:30:05 2026", "2026-05-01T19:30:05"),
        ("Timestamp,2026-05-01T19:30:05.25+02:00", "2026-05-01T19:30:05"),
        ("Timestamp,2026-05-01T19:30:05-05:00", "2026-05-01T19:30:05"),
        ("Date,2026-05-01|Time,19:30:05|Saved 2026-05-01 19:30:05", "2026-05-01T19:30:05"),
        ("Date,05/01/2026|Time,19:30:05", None),  # of January or of May
        ("Date,2026-05-01|Time,19:30:05 PM", None),
        ("Date,2026-05-01|Date of calibration,2025-05-01|Time,19:30:05", None),  # nobody knows which
        ("Date,2026-13-01|Time,19:30:05", None),
    ],
)
def test_a_date_is_read_in_one_way_or_not_at_all(line: str, taken: str | None) -> None:
    found = told(line.split("|"), "a.csv").taken
    assert (None if found is None else found.isoformat().removesuffix("+00:00")) == taken


@pytest.mark.parametrize(
    ("file", "said", "held"),
    [
        ("on", "power", "power"),
        ("on", "log", "log"),
        ("on", "off", "on"),
        ("log", "power", "log"),
        (None, "off", "off"),
    ],
)
def test_an_operator_says_of_what_but_not_against_the_file(file: str | None, said: str, held: str) -> None:
    assert Facts(averaging=file).over(declared("averaging", said)).averaging == held


@pytest.mark.parametrize(
    "piece",
    [
        "a",
        "Att ",
        "offs",
        "ref.",
        "ext_",
        "1,",
        "pre-amp ",
        "elec",
        "trace ",
        "over",
        "average ",
        "avg_",
        "video ",
        " ",
    ],
)
def test_no_line_takes_long(piece: str) -> None:
    """Patterns that look on from every place of a line of one kind would take minutes."""
    started = time.process_time()
    with contextlib.suppress(NotchbookError):
        told([(piece * 1000)[:1000]] * 100, "a.csv")
    assert time.process_time() - started < 5.0  # measured: below 0.5 s


@pytest.mark.parametrize("lines", [["Comment"] * 1000 + ["Overload,Yes"], ["x" * 1000 + ",Overload,Yes"]])
def test_no_line_is_passed_over_for_its_place(lines: list[str]) -> None:
    with pytest.raises(NotchbookError, match="none may be passed over"):
        told(lines, "a.csv")
