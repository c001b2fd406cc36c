"""Saved traces in the shapes analyzers write them: one trace, many spellings, the same numbers."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments.saved.facts import Facts, declared
from instruments.saved.headers import told
from instruments.saved.levels import UnitUnknownError, read_levels
from instruments.saved.table import decoded
from sequencer.core.trace import Detector
from sequencer.errors import NotchbookError, StoredDataError

NEAR = (146.61e6, 146.01e6)
FREQ = np.array([146.0e6, 146.005e6, 146.01e6, 146.015e6])
LEVEL = np.array([-17.25, -18.5, -92.125, -20.0])


def _rows(form: str, factor: float = 1.0, *, comma: bool = False) -> str:
    text = "\n".join(
        form.format(f=repr(f / factor), l=repr(v)) for f, v in zip(FREQ.tolist(), LEVEL.tolist(), strict=True)
    )
    return text.replace(".", ",") if comma else text


PLAIN = "Frequency (Hz),Trace 1 (dBm)\n" + _rows("{f},{l}")
SHAPES = [
    pytest.param(PLAIN, id="comma"),
    pytest.param(PLAIN.replace("\n", ",\r\n"), id="trailing commas, CR LF"),
    pytest.param("\ufeff" + PLAIN, id="BOM"),
    pytest.param("Freq [MHz];Level [dBm]\n" + _rows("{f};{l}", 1e6, comma=True), id="semicolon, decimal comma"),
    pytest.param("Freq\tAmpl\nMHz\tdBm\n" + _rows("{f}\t{l}", 1e6), id="tabs, units in a line of their own"),
    pytest.param("Unit: x\n" + _rows("{f} MHz {l} dBm", 1e6), id="blanks, units in cells"),
    pytest.param(_rows("{f} kHz;{l} dBm;", 1e3, comma=True), id="units in cells, decimal comma"),
    pytest.param(_rows("{f} {l} dBm", 1e6, comma=True), id="blanks, decimal comma, no unit of frequency"),
    pytest.param("No,Freq(Hz),A(dBm)\n" + "\n".join(f"{n},{r}" for n, r in enumerate(_rows("{f},{l}").split("\n"), 1)),
                 id="numbered points"),
    pytest.param("Start;146,0;MHz\nStop;146,015;MHz\n" + _rows("{l} dBm;", comma=True), id="start and stop only"),
    pytest.param("Center 146.0075 MHz  Span 15 kHz  RBW 1 kHz\n" + _rows("{l} dBm"), id="centre and span in free text"),
    pytest.param(PLAIN.replace("\n", "\r\r\n"), id="CR CR LF"),
    pytest.param(PLAIN.replace("-", "\u2212"), id="typeset minus"),
    pytest.param('"Frequency (Hz)","Level (dBm)"\n' + _rows('"{f}","{l}"'), id="all cells quoted"),
    pytest.param("Hz,dBm\n" + _rows('"{f}","{l}"', comma=True).replace('",', '",'), id="quoted, decimal comma"),
    pytest.param("Frequency (Hz);dBm\n" + re.sub(r"(\d{3})(\d{3})\.0;", r" \1 \2;", _rows("{f};{l}")),
                 id="blanks between thousands"),
    pytest.param("Points\n4\nStart 146 MHz\nStop 146.015 MHz\n" + _rows("{l}") + "\nY unit dBm\n",
                 id="count above levels"),
    pytest.param(PLAIN + "\n\nRBW,1000,Hz\nMarker 1,146.01 MHz\n", id="settings after"),
]  # fmt: skip


@pytest.mark.parametrize("text", SHAPES)
def test_every_shape_gives_the_same_trace(text: str) -> None:
    got = read_levels(decoded(text.encode(), "x"), "x", Facts(), "", NEAR)
    np.testing.assert_allclose(got.freq_hz, FREQ, rtol=0, atol=0.002)  # rounded to 1 mHz
    np.testing.assert_allclose(got.level_db, LEVEL)
    assert not got.normalised


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "latin-1"])
def test_encodings(encoding: str) -> None:
    text = "Temperature 21 °C\n" + PLAIN.replace("dBm", "dBµV")
    got = read_levels(decoded(text.encode(encoding), "x"), "x", Facts(), "", NEAR)
    np.testing.assert_allclose(got.level_db, LEVEL - 106.99, atol=0.001)  # 0 dBm is 107 dBuV in 50 ohm (P = U^2/R)


@pytest.mark.parametrize(
    ("unit", "value", "dbm"),
    [  # by P = U^2 / R, R = 50 ohm
        pytest.param("dBuV", 106.9897, 0.0, id="dBuV"),
        pytest.param("dBmV", 46.9897, 0.0, id="dBmV"),
        pytest.param("mV", 223.6068, 0.0, id="mV"),
        pytest.param("V", math.sqrt(0.05), 0.0, id="V"),
        pytest.param("mW", 0.001, -30.0, id="mW"),
        pytest.param("W", 1e-6, -30.0, id="W"),
    ],
)
def test_units_of_level(unit: str, value: float, dbm: float) -> None:
    text = f"Hz,{unit}\n" + "".join(f"{f},{value}\n" for f in FREQ)
    np.testing.assert_allclose(read_levels(text, "x", Facts(), "", NEAR).level_db, dbm, atol=1e-4)


def test_decibels_are_normalised_already() -> None:
    got = read_levels(PLAIN.replace("dBm", "dB"), "x", Facts(), "", NEAR)
    assert got.normalised


def test_points_without_data() -> None:
    text = "Hz,dBm\n146000000,-1\n146000001,---\n146000002,9.91E+37\n146000003,\n146000004,-2\n"
    got = read_levels(text, "x", Facts(), "", NEAR)
    assert np.isnan(got.level_db).tolist() == [False, True, True, True, False]


def test_a_column_is_chosen_by_number_or_heading() -> None:
    text = "Hz,Clear (dBm),Average (dBm)\n146000000,-1,-3\n146000001,-2,-4\n"
    for column in ("2", "average"):
        assert read_levels(text, "x", Facts(), column, NEAR).level_db.tolist() == [-3.0, -4.0]
    with pytest.raises(StoredDataError, match="holds 2 traces"):
        read_levels(text, "x", Facts(), "", NEAR)
    with pytest.raises(StoredDataError, match="no trace 'x'"):
        read_levels(text, "x", Facts(), "x", NEAR)


OTHER = np.array([-1.0, -2.0, -3.0, -4.0])
BLOCK = "Frequency (Hz),Trace 1 (dBm)\n" + _rows("{f},{l}") + "\n"
BELOW = "Frequency (Hz),Trace 2 (dBm)\n" + "".join(
    f"{f!r},{v!r}\n" for f, v in zip(FREQ.tolist(), OTHER.tolist(), strict=True)
)


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(f"{BLOCK}\n{BELOW}", id="a blank line"),
        pytest.param(f"RBW,1000,Hz\nTrace 1\n{BLOCK}Trace 2\n{BELOW}\nMarker 1,146.01 MHz\n", id="titles"),
        pytest.param(f"RBW,1000,Hz\n{BLOCK}\n" + BELOW.partition("\n")[2], id="one heading for both"),
        pytest.param(f"{BLOCK}\n{BELOW}".replace(",", ";").replace(".", ","), id="decimal commas"),
        pytest.param(f"{BLOCK}\n{BELOW}".replace("\n", ",\r\n"), id="trailing commas, CR LF"),
        pytest.param("Freq;Level\nMHz;dBm\n" + "\n\n".join(
            "\n".join(f"{f / 1e6!r};{v!r}" for f, v in zip(FREQ.tolist(), rows.tolist(), strict=True))
            for rows in (LEVEL, OTHER)), id="names, and units below them"),
    ],
)  # fmt: skip
def test_traces_below_each_other_are_chosen_by_number(text: str) -> None:
    for column, level in (("1", LEVEL), ("2", OTHER)):
        got = read_levels(decoded(text.encode(), "x"), "x", Facts(), column, NEAR)
        np.testing.assert_allclose(got.freq_hz, FREQ, rtol=0, atol=0.002)
        assert got.level_db.tolist() == level.tolist()
    for column, says in (("", "holds 2 traces below each other"), ("A", "no trace 'A'"), ("3", "has no trace 3")):
        with pytest.raises(StoredDataError, match=says):
            read_levels(text, "x", Facts(), column, NEAR)


def test_settings_above_a_lower_trace_are_its_own() -> None:
    text = f"Att,10,dB\nTrace 1\nRBW,1000,Hz\nMode,Max Hold\n{BLOCK}\nTrace 2\nRBW,300,Hz\nMode,Clear\n{BELOW}"
    facts = read_levels(text, "x", Facts(), "2", NEAR).facts
    assert (facts.rbw_hz, facts.attenuation_db) == (300.0, 10.0)
    with pytest.raises(StoredDataError, match="held trace"):
        read_levels(text, "x", Facts(), "1", NEAR)
    with pytest.raises(StoredDataError, match="two values of rbw"):  # what stands below all of them holds for all
        read_levels(f"{text}RBW,3000,Hz\n", "x", Facts(), "2", NEAR)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param(f"{BLOCK}RBW,1000,Hz\n{BELOW}", "x:6: 'RBW,1000,Hz' may belong to the trace above", id="whose"),
        pytest.param(BLOCK + "****\n" + BELOW.partition("\n")[2].replace("146.0", "147.0").replace("14600", "14700"),
                     "parts rows of numbers", id="rising on: one torn trace"),
        pytest.param("Start 146 MHz\nStop 147 MHz\n-1 dBm\n-2 dBm\n-3 dBm\n\n-4 dBm\n-5 dBm\n-6 dBm\n",
                     "parts rows of numbers", id="no frequencies: halves or two"),
        pytest.param(f"{BLOCK}\n{BELOW}".replace("-92.125", "-92.125\n****\n146012500,-9"), "parts rows", id="more"),
    ],
)  # fmt: skip
def test_what_may_be_a_torn_trace_is_not_chosen_from(text: str, says: str) -> None:
    with pytest.raises(StoredDataError, match=says):
        read_levels(text, "x", Facts(), "2", NEAR)


HEADS = [
    pytest.param("RBW,3000,Hz\nVBW,10,kHz\nSWT,250,ms\nAtt,10,dB\nRef Level,-15,dBm\nTG Level,-5,dBm\nDetector,RMS",
                 id="cells"),
    pytest.param("! Res BW 3 kHz  Video BW: 10 kHz  Sweep Time = 0.25 s\n! Attenuation 10 dB  Reference Level -15 dBm\n"
                 "! Tracking Generator Level -5 dBm, Detector Type: RMS", id="free text"),
    pytest.param("RBW [kHz];3\nVBW [kHz];10\nSweep time (ms);250,0\nRF Att (dB);10,0\nRef. Level [dBm];-15,0\n"
                 "Source Power (dBm);-5\nDetector;rms", id="units in the names"),
    pytest.param("rbw=3.0E+3\nvbw=10000\nsweep_time=2.5E-1\ninput_attenuation=10\nref_level=-15.0\noutput_power=-5\n"
                 "detector=RMS", id="key=value, base units"),
]  # fmt: skip


@pytest.mark.parametrize("head", HEADS)
def test_settings_in_the_spellings_of_headers(head: str) -> None:
    from instruments.saved.table import read_table

    facts = told(read_table(f"{head}\n{PLAIN}", "x").others, "x")
    assert facts == Facts(
        rbw_hz=3e3,
        vbw_hz=1e4,
        sweep_time_s=0.25,
        attenuation_db=10.0,
        reference_dbm=-15.0,
        generator_dbm=-5.0,
        detector=Detector.POWER,
    )


def test_date_time_and_simulation_are_seen() -> None:
    facts = told(["Date,2026-05-01", "Time;19:30:05", "SIMULATED bench"], "x")
    assert facts.simulated
    assert facts.taken is not None
    assert facts.taken.isoformat() == "2026-05-01T19:30:05+00:00"


def test_what_is_told_stands_before_what_is_declared() -> None:
    assert declared("rbw", "1 kHz").over(Facts(rbw_hz=3e3, attenuation_db=0.0)) == Facts(rbw_hz=1e3, attenuation_db=0.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param("146,61,-23,4\n146,62,-23,5\n146,63,-23,6\n", "cannot be told apart", id="two commas"),
        pytest.param(
            "146000000,-20,50\n146000500,-20,51\n146001000,-20,52\n", "told apart", id="decimals as a third column"
        ),
        pytest.param("146,000, -20,50\n146,100, -20,51\n146,200, -20,52\n", "told apart", id="two commas and blanks"),
        pytest.param("Freq,Lev\n146000000,-20,50\n146000500,-20,51\n", "told apart", id="two headings, three cells"),
        pytest.param(PLAIN.replace(",-92.125", ",****"), "x:4: .*parts rows of numbers", id="a row of stars"),
        pytest.param(PLAIN.replace(",-92.125", ",<-80"), "x:4: .*parts rows of numbers", id="a row beyond the scale"),
        pytest.param("Trace 1\n" + PLAIN + "\nTrace 2\n" + PLAIN, "holds 2 traces below", id="traces below each other"),
        pytest.param("Hz,dBm\n146000002,-1\n146000001,-2\n", "fall from row to row", id="falling"),
        pytest.param("Time (s),Level (dBm)\n0,-1\n0.1,-2\n0.15,-2\n", "time axis", id="zero span"),
        pytest.param("Y unit dBm\n" + ",".join(f"-{n}.5" for n in range(20)), "in one line", id="all in one line"),
        pytest.param("Start 146 MHz\nStop 147 MHz\n-23,45\n-23,44\n-23,46\n", "told apart", id="comma or separator"),
        pytest.param("Hz,dBm\n146000000,-1\n146000000,-2\n", "same frequency", id="too few digits"),
        pytest.param("Hz,dBm\n146000000,-1,3\n146000001,-2\n", "the rows have", id="ragged"),
        pytest.param("-1 dBm\n-2 dBm\n", "no start and stop", id="no frequency"),
        pytest.param("12,-1 dBm\n13,-2 dBm\n", "in none do they fit", id="frequencies of nothing"),
        pytest.param("Hz,dBuA\n146000000,-1\n146000001,-2\n", "neither file nor operator", id="no unit"),
        pytest.param("Hz;\n146000000;-1 dBq\n146000001;-2 dBq\n", "no unit of level", id="unknown unit"),
        pytest.param("Hz,V\n146000000,-1\n146000001,-2\n", "negative", id="negative volts"),
        pytest.param("Hz,dBm\n146000000,-1\n146000001,-2222\n", "beyond 400", id="absurd level"),
        pytest.param("hello\n", "no rows of numbers", id="prose"),
        pytest.param("", "no rows of numbers", id="empty"),
        pytest.param(f"Detector: Positive Peak\n{PLAIN}", "detector", id="peak detector"),
        pytest.param(f"Trace Mode: MAX HOLD\n{PLAIN}", "held", id="max hold"),
        pytest.param(f"Ref Level Offset,10,dB\n{PLAIN}", "offset", id="offset"),
        pytest.param(f"Impedance: 75 Ohm\n{PLAIN}", "75", id="75 ohm"),
        pytest.param(f"RBW 1 kHz\nRBW 3 kHz\n{PLAIN}", "two values of rbw", id="two RBWs"),
        pytest.param("# trace: 1\n# hookup: thru\nfreq_hz,level_dbm\n1,2\n", "judge", id="a stored trace of ours"),
        pytest.param(f"Normalize: On\n{PLAIN}", "says that it is normalised", id="normalised in dBm"),
        pytest.param(f"Hz,dBm\n1460{'0' * 40},-1\n1470{'0' * 40},-2\n", "no rows|no frequency", id="endless digits"),
    ],
)
def test_refuses_what_cannot_be_read_in_one_way(text: str, says: str) -> None:
    with pytest.raises(StoredDataError, match=says):
        read_levels(decoded(text.encode(), "x"), "x", Facts(), "", NEAR)


def test_a_unit_that_is_not_told_can_be_declared() -> None:
    text = _rows("{f},{l}")
    with pytest.raises(UnitUnknownError):
        read_levels(text, "x", Facts(), "", NEAR)
    got = read_levels(text, "x", declared("unit", "dBm"), "", NEAR)
    np.testing.assert_allclose(got.level_db, LEVEL)


_PIECES = st.sampled_from(
    [
        *(
            ",",
            ";",
            "\t",
            " ",
            "\n",
            "\r\n",
            "1",
            "146.6",
            "-23,4",
            "1e9",
            "9.91E37",
            "MHz",
            "dBm",
            "dB",
            "RBW",
            "Start",
        ),
        *(
            "Stop",
            "Detector RMS",
            "Date 2026-99-99 25:61:00",
            "\x00",
            "é",
            '"',
            "=",
            ":",
            "Att",
            "[",
            "(",
            "1" * 40,
            "-",
        ),
        *("nan", "±"),
    ]
)


@given(st.lists(_PIECES, max_size=60).map("".join) | st.text(max_size=300) | st.binary(max_size=300))
@settings(max_examples=400, deadline=None)
def test_whatever_it_holds_the_error_is_clear(content: str | bytes) -> None:
    data = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    try:
        got = read_levels(decoded(data, "x"), "x", Facts(unit="dBm"), "", NEAR)
    except NotchbookError as exc:
        assert exc.message.startswith("x")  # noqa: PT017  # either outcome is right, each with its own promise
        return
    assert got.freq_hz.shape == got.level_db.shape
    assert np.all(np.diff(got.freq_hz) > 0)


@given(
    st.lists(st.floats(-150.0, 20.0), min_size=3, max_size=20),
    st.sampled_from([",", ";", "\t", " "]),
    st.booleans(),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.booleans(),
)
@settings(max_examples=200, deadline=None)
def test_what_is_written_comes_back(levels: list[float], cell: str, comma: bool, end: str, trailing: bool) -> None:
    freq = 146.0e6 + 100.0 * np.arange(len(levels))
    comma = comma and cell != ","
    rows = [f"{f / 1e6:.6f}{cell}{v:.3f}" for f, v in zip(freq, levels, strict=True)]
    rows = [row.replace(".", ",") if comma else row for row in rows]
    heading = f"Frequency [MHz]{cell}Level [dBm]" if cell != " " else "MHz dBm"
    text = end.join([heading, *(row + (cell if trailing else "") for row in rows)]) + end
    got = read_levels(decoded(text.encode(), "x"), "x", Facts(unit="dBm"), "", NEAR)
    np.testing.assert_allclose(got.freq_hz, freq, atol=0.01)
    np.testing.assert_allclose(got.level_db, levels, atol=0.00051)  # written to 0.001 dB
