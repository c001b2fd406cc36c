"""An analyzer over a link: proven settings, polled sweeps, output-off always possible."""

from __future__ import annotations

import gc
import json
import os
import pickle
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, ClassVar

import numpy as np
import pytest

from instruments import dialects
from instruments.analyzer import LONGEST_SWEEP_S, ScpiAnalyzer, open_analyzer
from instruments.link import Link
from instruments.switch import MatrixSwitch
from instruments.waiting import poll_wait_s
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Detector, Flag, SweepSettings
from sequencer.errors import (
    BenchError,
    InstrumentError,
    LinkError,
    LinkTimeoutError,
    MeasurementError,
    RecipeError,
    StoreError,
)
from sequencer.recipe.model import AnalyzerFile, SwitchFile

SETTINGS = SweepSettings(
    start_hz=144e6,
    stop_hz=148e6,
    points=11,
    rbw_hz=3e3,
    attenuation_db=10.0,
    reference_dbm=0.0,
    generator_dbm=-10.0,
)
NOON = datetime(2026, 1, 1, 12, tzinfo=UTC)


class FixedClock:
    """A clock that stands at noon and counts what it was asked to sleep."""

    slept_s = 0.0

    def now(self) -> datetime:
        return NOON

    def sleep(self, seconds: float) -> None:
        self.slept_s += seconds


class ToyAnalyzer:
    """Enough of the dialect `free-binary` to be driven: values by header, limits, a sweep that takes a time."""

    limits: ClassVar[dict[str, tuple[float, float]]] = {
        "FREQ:STAR": (9e3, 3e9),
        "FREQ:STOP": (9e3, 3e9),
        "SWE:POIN": (2, 10001),
        "BAND": (10, 3e6),
        "INP:ATT": (0, 50),
        "DISP:TRAC:Y:RLEV": (-100, 30),
        "SOUR:POW": (-50, 10),
        "SWE:TIME": (1e-3, 4e3),
    }

    def __init__(self, toy: Any) -> None:
        self.toy = toy
        self.values: dict[str, str] = {
            "OUTP": "1", "BAND": "1000", "BAND:VID": "3000", "SWE:TIME": "0.02", "DET": "POS", "SOUR:POW": "0",
        }  # fmt: skip
        self.queue: list[str] = []
        self.esr = 0
        self.questionable = 0
        self.sweep_s = 0.01
        self.ends_at: float | None = None
        self.sweeps = 0
        self.ignores: set[str] = set()
        self.trace: Any = None
        toy.otherwise = self.message

    def message(self, text: str) -> Any:
        answers = []
        for part in text.split(";"):
            answer = self.one(part.removeprefix(":"))
            if callable(answer):
                return answer
            if answer is not None:
                answers.append(answer)
        return b";".join(answers) + b"\n" if answers else None

    def one(self, command: str) -> Any:
        header, _, value = command.partition(" ")
        if header in self.ignores:
            return None
        if header.endswith("?"):
            return self.ask(header[:-1], value)
        if header == "*CLS":
            self.queue, self.esr = [], 0
        elif header == "*OPC":
            self.opc = True
        elif header == "INIT":
            self.ends_at, self.sweeps, self.opc = time.monotonic() + self.sweep_s, self.sweeps + 1, False
        elif header == "ABOR":
            self.ends_at = None
        elif header in {"BAND:VID:AUTO", "SWE:TIME:AUTO"}:
            pass
        else:
            self.values[header] = {"ON": "1", "OFF": "0"}.get(value, value)
        return None

    def ask(self, header: str, value: str) -> Any:
        if header == "SYST:ERR":
            return (self.queue.pop(0) if self.queue else '0,"No error"').encode()
        if header == "*IDN":
            return b"Invented,Toy,0,1"
        if header == "*ESR":
            if self.ends_at is not None and time.monotonic() >= self.ends_at and self.opc:
                self.esr, self.ends_at = self.esr | 1, None
            bits, self.esr = self.esr, 0
            return str(bits).encode()
        if header in {"STAT:QUES", "STAT:QUES:COND"}:
            return str(self.questionable).encode()
        if header == "TRAC":
            return self.trace if self.trace is not None else self.block()
        if value in {"MIN", "MAX"}:
            return str(self.limits[header][value == "MAX"]).encode()
        return self.values[header].encode() if header in self.values else None

    def block(self, level_dbm: float = -20.0) -> bytes:
        payload = struct.pack("<f", level_dbm) * int(self.values["SWE:POIN"])
        return b"#%d%d" % (len(str(len(payload))), len(payload)) + payload

    def sent(self) -> list[str]:
        """Every single command so far."""
        return [part.removeprefix(":") for line in self.toy.received for part in line.split(";")]


@pytest.fixture
def instrument(toy: Any) -> ToyAnalyzer:
    made = ToyAnalyzer(toy)
    made.values["SWE:POIN"] = "11"
    return made


@pytest.fixture
def analyzer(instrument: ToyAnalyzer) -> Iterator[ScpiAnalyzer]:
    link = Link.open(instrument.toy.resource, timeout_s=0.4)
    opened = ScpiAnalyzer(link, dialects.load("free-binary"), FixedClock())
    link.timeout_s = 0.4  # not the five seconds of its dialect: silence is to be short here
    yield opened
    opened.close()


# --- the session ---


def test_the_first_command_of_a_session_is_output_off(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    assert instrument.toy.received[0] == "OUTP OFF"
    assert instrument.values["OUTP"] == "0"


def test_capabilities_are_asked_of_the_instrument(analyzer: ScpiAnalyzer) -> None:
    can = analyzer.capabilities()
    assert can.frequency_hz == (9e3, 3e9)
    assert can.points == (2, 10001)
    assert can.rbw_range_hz == (10, 3e6)
    assert can.detectors == (Detector.POWER, Detector.SAMPLE)
    assert can.adjusts_tracking
    assert analyzer.identification() == {"analyzer": "Invented,Toy,0,1"}


def test_a_generator_that_does_not_go_off_is_refused_at_once(instrument: ToyAnalyzer) -> None:
    instrument.ignores = {"OUTP"}
    link = Link.open(instrument.toy.resource, timeout_s=0.4)
    with pytest.raises(InstrumentError, match="still on"):
        ScpiAnalyzer(link, dialects.load("free-binary"), FixedClock())
    link.close()


# --- a sweep ---


def test_a_sweep_brings_trace_settings_and_time(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    sweep = analyzer.sweep(SETTINGS)
    assert sweep.trace.freq_hz[[0, -1]].tolist() == [144e6, 148e6]
    assert sweep.trace.level_dbm.tolist() == [-20.0] * 11
    assert sweep.asked is SETTINGS
    assert sweep.used == replace(SETTINGS, sweep_time_s=0.02)
    assert sweep.began == NOON
    assert sweep.instrument_s == pytest.approx(
        0.02 + 0.05
    )  # with the dialect's settling: what the instrument states, however fast the toy was
    assert sweep.flags == frozenset()


def test_settings_are_those_the_instrument_says(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    instrument.ignores = {"BAND", "SWE:POIN"}  # coerced: 1 kHz and 11 points, whatever is asked
    used = analyzer.sweep(replace(SETTINGS, points=101)).used
    assert used.rbw_hz == 1000.0
    assert used.points == 11


def test_settings_that_did_not_change_are_not_sent_again(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    first = analyzer.sweep(SETTINGS)
    before = len(instrument.sent())
    second = analyzer.sweep(SETTINGS)
    again = instrument.sent()[before:]
    assert second.used == first.used
    sent = [c for c in again if c.startswith(("FREQ", "BAND", "SWE", "DET", "INP", "DISP", "SOUR"))]
    assert not [c for c in sent if "?" not in c]  # they are read back after the sweep, not sent again
    analyzer.sweep(replace(SETTINGS, rbw_hz=1e3))
    changed = [c for c in instrument.sent()[before + len(again) :] if " " in c and "?" not in c]
    assert changed == ["BAND 1000"]


def test_the_generator_is_proven_on_and_off(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    assert analyzer.sweep(SETTINGS).used.generator_dbm == -10.0
    assert analyzer.sweep(replace(SETTINGS, generator_dbm=None)).used.generator_dbm is None
    assert instrument.values["OUTP"] == "0"
    instrument.ignores = {"OUTP"}
    with pytest.raises(InstrumentError, match="generator is off, not as asked"):
        analyzer.sweep(SETTINGS)


@pytest.mark.parametrize(("setting", "value"), [("BAND", "100"), ("INP:ATT", "20"), ("DISP:TRAC:Y:RLEV", "-30")])
def test_settings_that_change_while_sweeping_spoil_the_sweep(
    analyzer: ScpiAnalyzer, instrument: ToyAnalyzer, setting: str, value: str
) -> None:
    instrument.trace = lambda peer, _line: (
        instrument.values.update({setting: value}),
        peer.sendall(instrument.block() + b"\n"),
    )
    with pytest.raises(InstrumentError, match="does another program or person use it"):
        analyzer.sweep(SETTINGS)


def test_an_instrument_that_was_switched_on_says_so_once(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    instrument.esr = 0x80  # power on: IEEE 488.2, 11.5.1.1.2 (from memory)
    analyzer.begin_anew()
    assert analyzer.switched_on()
    analyzer.begin_anew()
    assert not analyzer.switched_on()


def test_a_generator_that_goes_off_while_sweeping_spoils_the_sweep(
    analyzer: ScpiAnalyzer, instrument: ToyAnalyzer
) -> None:
    instrument.trace = lambda peer, _line: (
        instrument.values.update(OUTP="0"),
        peer.sendall(instrument.block() + b"\n"),
    )
    with pytest.raises(InstrumentError, match="generator is off"):
        analyzer.sweep(SETTINGS)


def test_generator_off_is_sent_before_any_other_setting(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    analyzer.sweep(SETTINGS)
    before = len(instrument.sent())
    analyzer.sweep(replace(SETTINGS, generator_dbm=None, rbw_hz=1e3))
    assert instrument.sent()[before] == "OUTP OFF"
    before = len(instrument.sent())
    analyzer.sweep(replace(SETTINGS, rbw_hz=2e3))
    settings = [c for c in instrument.sent()[before:] if "?" not in c]
    assert settings.index("OUTP ON") > settings.index("BAND 2000")


def test_a_narrow_video_filter_is_told_and_a_wide_one_is_none(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    assert analyzer.sweep(SETTINGS).used.vbw_hz is None
    instrument.values["BAND:VID"] = "100"
    assert analyzer.sweep(replace(SETTINGS, rbw_hz=1e3)).used.vbw_hz == 100.0
    assert analyzer.sweep(replace(SETTINGS, vbw_hz=300.0)).used.vbw_hz == 300.0


def test_status_bits_become_flags(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    instrument.questionable = 1 << 9 | 1 << 8 | 1 << 3
    assert analyzer.sweep(SETTINGS).flags == {Flag.OVERLOAD, Flag.UNCALIBRATED}


def test_points_without_data_are_nan(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    instrument.trace = b"#244" + struct.pack("<11f", -1.0, 9.91e37, 9.9e37, *[-2.0] * 8)
    level = analyzer.sweep(SETTINGS).trace.level_dbm
    assert np.isnan(level).tolist() == [False, True, True, *[False] * 8]


def test_a_detector_the_analyzer_has_not_is_refused(toy: Any, instrument: ToyAnalyzer) -> None:
    dialect = replace(dialects.load("free-binary"), detectors={Detector.SAMPLE: "SAMP"})
    analyzer = ScpiAnalyzer(Link.open(toy.resource), dialect, FixedClock())
    with pytest.raises(InstrumentError, match=r"no power detector .it has: sample"):
        analyzer.sweep(SETTINGS)
    instrument.ignores = {"DET"}
    with pytest.raises(InstrumentError, match="told to use the detector SAMP, it uses POS"):
        analyzer.sweep(replace(SETTINGS, detector=Detector.SAMPLE))
    analyzer.close()


def test_the_bottom_of_a_limited_display_follows_the_reference(toy: Any, instrument: ToyAnalyzer) -> None:
    dialect = replace(dialects.load("free-binary"), display_range_db=100.0)
    analyzer = ScpiAnalyzer(Link.open(toy.resource), dialect, FixedClock())
    assert analyzer.sweep(replace(SETTINGS, reference_dbm=-10.0)).used.display_bottom_dbm == -110.0
    analyzer.close()


# --- what must be refused ---


def test_a_sweep_that_is_too_long_is_not_started(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    instrument.values["SWE:TIME"] = "20.1"
    with pytest.raises(MeasurementError, match=r"20\.1 s.*narrow the span or widen the RBW"):
        analyzer.sweep(SETTINGS)
    with pytest.raises(MeasurementError):
        analyzer.sweep(replace(SETTINGS, sweep_time_s=LONGEST_SWEEP_S + 1))
    assert instrument.sweeps == 0


def test_everything_in_the_error_queue_is_told(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    instrument.queue = ['-222,"Data out of range"', '-221,"Settings conflict"']
    with pytest.raises(InstrumentError, match='-222 "Data out of range"; -221 "Settings conflict"') as caught:
        analyzer.sweep(SETTINGS)
    assert caught.value.facts["entries"] == ((-222, "Data out of range"), (-221, "Settings conflict"))
    assert pickle.loads(pickle.dumps(caught.value)).facts == caught.value.facts
    assert instrument.sweeps == 0
    assert analyzer.sweep(SETTINGS).trace.level_dbm.size == 11  # and the next one starts from nothing


def test_an_error_while_sweeping_ends_it_at_once(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    analyzer.sweep(SETTINGS)
    instrument.sweep_s = 3.0
    threading.Timer(
        0.1, lambda: (instrument.queue.append('-240,"Hardware error"'), setattr(instrument, "esr", 16))
    ).start()
    began = time.monotonic()
    with pytest.raises(InstrumentError, match="Hardware error"):
        analyzer.sweep(SETTINGS)
    assert time.monotonic() - began < 1.0


FAULTS = [
    pytest.param(b"#244" + bytes(40) + b"\n", BenchError, id="four-bytes-short"),
    pytest.param(b"#240" + struct.pack("<10f", *[-1.0] * 10), InstrumentError, id="a-point-too-few"),
    pytest.param(b"#244" + struct.pack(">11f", *[-20.5] * 11), InstrumentError, id="bytes-reversed"),
    pytest.param(b"-1.0,-2.0", InstrumentError, id="text-for-a-block"),
    pytest.param(lambda peer, _line: peer.shutdown(socket.SHUT_RDWR), LinkError, id="drop"),
    pytest.param(lambda _peer, _line: None, LinkTimeoutError, id="silence"),
]


@pytest.mark.parametrize(("trace", "kind"), FAULTS)
def test_a_faulty_trace_is_our_error_and_the_bench_is_made_safe_after_it(
    analyzer: ScpiAnalyzer, instrument: ToyAnalyzer, trace: Any, kind: type[BenchError]
) -> None:
    instrument.trace = trace
    with pytest.raises(kind):
        analyzer.sweep(SETTINGS)
    began = time.monotonic()
    assert analyzer.make_safe() is True
    assert time.monotonic() - began < 2.0
    assert instrument.values["OUTP"] == "0"
    instrument.trace = None
    assert analyzer.sweep(SETTINGS).trace.level_dbm.size == 11


@pytest.mark.parametrize("header", ["FREQ:STAR", "BAND", "SWE:TIME", "SWE:POIN", "OUTP", "DET"])
@pytest.mark.parametrize("answer", ["9.91E37", "", "what?", "1;2"])
def test_a_nonsense_read_back_is_our_error(
    analyzer: ScpiAnalyzer, instrument: ToyAnalyzer, header: str, answer: str
) -> None:
    instrument.ignores = {header}
    instrument.values[header] = answer
    with pytest.raises(InstrumentError):
        analyzer.sweep(SETTINGS)
    assert instrument.sweeps == 0


def test_a_sweep_that_never_ends_is_aborted(
    analyzer: ScpiAnalyzer, instrument: ToyAnalyzer, monkeypatch: pytest.MonkeyPatch
) -> None:
    instrument.sweep_s = 1e9
    real = time.monotonic
    started = real()
    monkeypatch.setattr("instruments.waiting.time.monotonic", lambda: started + 50 * (real() - started))  # 5 s in 0.1 s
    with pytest.raises(LinkTimeoutError, match=r"aborted\. Is the analyzer waiting for a trigger"):
        analyzer.sweep(SETTINGS)
    assert "ABOR" in instrument.sent()
    assert instrument.values["OUTP"] == "0"  # off before it is asked what ails it
    assert analyzer.make_safe()


def test_an_instrument_that_answers_nothing_is_asked_why_after_it_is_safe(
    analyzer: ScpiAnalyzer, instrument: ToyAnalyzer
) -> None:
    """SCPI answers a query that it refuses with an entry in the error queue and nothing else (-230: no such trace)."""

    def refuse(_peer: Any, _line: str) -> None:
        instrument.queue.append('-230,"Data corrupt or stale"')

    instrument.trace = refuse
    with pytest.raises(LinkTimeoutError, match='its error queue says -230 "Data corrupt or stale": was it reset, or'):
        analyzer.sweep(SETTINGS)
    sent = instrument.sent()
    assert sent.index("OUTP OFF", sent.index("TRAC? TRACE1")) < sent.index("SYST:ERR?", sent.index("TRAC? TRACE1"))


def test_an_instrument_switched_off_and_on_in_a_sweep_is_not_believed(
    analyzer: ScpiAnalyzer, instrument: ToyAnalyzer
) -> None:
    analyzer.sweep(SETTINGS)
    instrument.sweep_s = 3.0
    threading.Timer(0.1, lambda: setattr(instrument, "esr", 0x80)).start()
    with pytest.raises(InstrumentError, match="switched off and on while it was in use"):
        analyzer.sweep(SETTINGS)
    analyzer.begin_anew()
    assert analyzer.switched_on()  # so that the run voids what was taken before


def test_an_error_queued_by_a_sweep_is_found_without_an_esr_bit(
    analyzer: ScpiAnalyzer, instrument: ToyAnalyzer, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = instrument.one

    def one(command: str) -> Any:
        if command == "INIT":
            instrument.queue.append('-200,"Execution error"')  # no bit of *ESR? tells of it
        return plain(command)

    monkeypatch.setattr(instrument, "one", one)
    with pytest.raises(InstrumentError, match="Execution error"):
        analyzer.sweep(SETTINGS)


# --- make safe ---


@pytest.fixture
def sigint_heard() -> Iterator[None]:
    """SIGINT raises, though whoever started the tests ignores it (a shell's background)."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("sigint_heard")
def test_ctrl_c_while_sweeping_can_be_followed_by_output_off(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    instrument.sweep_s = 10.0
    threading.Timer(0.15, os.kill, (os.getpid(), signal.SIGINT)).start()
    with pytest.raises(KeyboardInterrupt):
        analyzer.sweep(SETTINGS)
    assert instrument.values["OUTP"] == "1"
    began = time.monotonic()
    assert analyzer.make_safe() is True
    assert time.monotonic() - began < 2.0
    assert instrument.values["OUTP"] == "0"
    assert instrument.sent()[-3:] == ["ABOR", "OUTP OFF", "OUTP?"]


def test_make_safe_reopens_a_dead_link_once(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    analyzer.sweep(SETTINGS)
    instrument.toy.drop()
    time.sleep(0.05)
    assert analyzer.make_safe() is True
    assert instrument.values["OUTP"] == "0"
    assert instrument.toy.connections == 2


def test_make_safe_says_no_when_the_instrument_is_gone_and_never_raises(
    analyzer: ScpiAnalyzer, instrument: ToyAnalyzer
) -> None:
    instrument.toy.close()
    began = time.monotonic()
    assert analyzer.make_safe() is False
    assert time.monotonic() - began < 2.5
    analyzer.close()
    analyzer.close()


def test_make_safe_says_no_when_the_output_stays_on(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    analyzer.sweep(SETTINGS)
    instrument.ignores = {"OUTP"}
    assert analyzer.make_safe() is False


def test_a_full_disk_under_the_transcript_does_not_keep_the_generator_on(toy: Any, instrument: ToyAnalyzer) -> None:
    full = []

    def transcript(_way: str, _data: bytes) -> None:
        if full:
            msg = "disk full"
            raise StoreError(msg)

    analyzer = ScpiAnalyzer(Link.open(toy.resource, transcript=transcript), dialects.load("free-binary"), FixedClock())
    analyzer.sweep(SETTINGS)
    full.append(True)
    with pytest.raises(StoreError):
        analyzer.sweep(replace(SETTINGS, rbw_hz=1e3))
    assert instrument.values["OUTP"] == "1"
    assert analyzer.make_safe() is True
    assert instrument.values["OUTP"] == "0"
    analyzer.close()


def test_close_turns_the_generator_off(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    analyzer.sweep(SETTINGS)
    analyzer.close()
    assert instrument.values["OUTP"] == "0"
    connections = instrument.toy.connections
    analyzer.close()
    assert analyzer.make_safe() is False  # nothing is asked of an instrument that was let go
    assert instrument.toy.connections == connections


def test_a_second_ctrl_c_does_not_keep_the_generator_on(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    analyzer.sweep(SETTINGS)
    hits = iter([True])

    def slow(peer: socket.socket, _line: str) -> None:
        if next(hits, False):
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(0.1)
        peer.sendall(instrument.values["OUTP"].encode() + b"\n")

    instrument.toy.answers["OUTP?"] = slow
    assert analyzer.make_safe() is True
    assert next(hits, False) is False
    assert instrument.values["OUTP"] == "0"


# --- tracking ---


def test_tracking_is_adjusted_with_the_generator_on_and_left_as_it_was(
    analyzer: ScpiAnalyzer, instrument: ToyAnalyzer
) -> None:
    seen = []
    usual = instrument.one

    def one(command: str) -> Any:
        if command == "SOUR:TRAC:PEAK":
            seen.append((instrument.values["OUTP"], instrument.values["BAND"]))
            instrument.ends_at = time.monotonic()
            return None
        return usual(command)

    instrument.one = one  # type: ignore[method-assign]
    analyzer.adjust_tracking(300.0)
    assert seen == [("1", "300")]
    assert instrument.values["OUTP"] == "0"
    instrument.queue = ['-200,"No thru"']
    with pytest.raises(InstrumentError, match="No thru"):
        analyzer.adjust_tracking(300.0)


# --- polling ---


@pytest.mark.parametrize("expected_s", [1.0, 2.5, 10.0, 20.0])
def test_polling_adds_less_than_two_per_cent_to_a_sweep_of_a_second_or_more(expected_s: float) -> None:
    """Simulate the poll times for ends up to 10 % off the stated sweep time."""
    for off in np.linspace(0.9, 1.1, 41):
        now_s, end_s = 0.0, off * expected_s
        while now_s < end_s:
            now_s += poll_wait_s(now_s, expected_s)
        assert now_s - end_s < 0.02 * end_s


@pytest.mark.parametrize("speed", [10.0, 100.0, 1000.0])
def test_a_bench_paced_faster_than_its_stated_time_is_not_waited_for(speed: float) -> None:
    end_s, now_s = 5.0 / speed, 0.0
    while now_s < end_s:
        now_s += poll_wait_s(now_s, 5.0)
    assert now_s - end_s < 0.25 * end_s + 0.003


@pytest.mark.parametrize("expected_s", [0.05, 1.0, 10.0])
def test_a_sweep_that_is_over_a_message_after_its_time_is_found_over_at_once(expected_s: float) -> None:
    """The analyzer starts when the message has come: some 3 ms late (measured on the simulated bench)."""
    now_s, end_s = 0.0, expected_s + 0.003
    while now_s < end_s:
        now_s += poll_wait_s(now_s, expected_s)
    assert now_s - end_s < 0.003


def test_one_real_second_is_measured_in_little_more(analyzer: ScpiAnalyzer, instrument: ToyAnalyzer) -> None:
    instrument.sweep_s = 1.0
    instrument.ignores = {"SWE:TIME"}
    instrument.values["SWE:TIME"] = "1.0"
    cpu, began = time.thread_time(), time.monotonic()
    sweep = analyzer.sweep(SETTINGS)
    assert time.monotonic() - began < 1.0 * 1.02 + 0.15  # 2 % of polling; 150 ms for a busy machine's scheduling
    assert time.thread_time() - cpu < 0.2
    assert sweep.instrument_s == pytest.approx(1.0 + 0.05)


def test_a_harmless_question_that_takes_the_rest_of_a_message_comes_last(toy: Any, instrument: ToyAnalyzer) -> None:
    """What *IDN? answers ends a message (IEEE 488.2: arbitrary ASCII): a query behind it would not be answered."""
    timed = dialects.Completion(ask="*IDN?", with_opc=False, timed=True)
    link = Link.open(toy.resource, timeout_s=0.4)
    ScpiAnalyzer(link, replace(dialects.load("free-binary"), completion=timed), FixedClock()).sweep(SETTINGS)
    link.close()
    asked = [message for message in toy.received if "*IDN?" in message]
    assert any(";" in message for message in asked)
    assert all(message.endswith("*IDN?") for message in asked)


# --- from a bench file ---


def test_the_dialect_is_found_by_asking(toy: Any, instrument: ToyAnalyzer) -> None:
    instrument.values |= dict.fromkeys(("INP:ATT", "DISP:TRAC:Y:RLEV", "FORM:BORD", "AVER:COUN", "UNIT:POW"), "0")
    log: list[bytes] = []
    analyzer = open_analyzer(AnalyzerFile(resource=toy.resource), FixedClock(), lambda _way, data: log.append(data))
    assert analyzer.sweep(SETTINGS).trace.level_dbm.size == 11
    assert instrument.sent()[0] in {"OUTP OFF", "TGEN:STAT OFF", "OUTP1 OFF"}
    assert log[0].startswith(b"opened")
    analyzer.close()


def test_an_unknown_dialect_is_said_before_anything_is_opened(toy: Any) -> None:
    with pytest.raises(RecipeError, match="did you mean 'free-binary'"):
        open_analyzer(AnalyzerFile(resource=toy.resource, dialect="free-binry"), FixedClock())
    assert toy.connections == 0


# --- the simulated bench, as a process of its own ---


BENCHES = [  # variant, transport
    ("free-binary", "socket"),
    ("fixed-ascii", "socket"),
    ("swapped-real32", "socket"),
    ("free-binary", "hislip"),
    ("free-binary", "serial"),
    ("swapped-real32", "serial"),  # whose blocks are full of line feeds and control characters
]


@contextmanager
def simulated(*options: str) -> Iterator[dict[str, Any]]:
    if "serial" in options:
        pytest.importorskip("serial")
        pytest.importorskip("pty")
    command = [sys.executable, "-m", "instruments.simulated", *options]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert process.stdin is not None
    assert process.stdout is not None
    said = json.loads(process.stdout.readline())
    yield said | {"process": process}
    process.stdin.close()
    process.wait(10)
    process.stdout.close()


@pytest.fixture(scope="module", params=BENCHES, ids="-over-".join)
def bench(request: pytest.FixtureRequest) -> Iterator[dict[str, Any]]:
    with simulated("--variant", request.param[0], "--transport", request.param[1]) as said:
        yield said


@pytest.mark.bench
def test_the_simulated_bench_is_driven_like_any_instrument(bench: dict[str, Any]) -> None:
    hookups = {"thru": "ROUT:CLOS (@1)", "TX-ANT": "ROUT:CLOS (@4)"}
    spec = SwitchFile(resource=bench["switch"], hookups=hookups)
    switch = MatrixSwitch(Link.open(spec.resource), spec, FixedClock(), "simulated switch")
    for dialect in (bench["variant"], "auto"):
        sent: list[bytes] = []
        spec = AnalyzerFile(resource=bench["analyzer"], dialect=dialect)
        analyzer = open_analyzer(spec, FixedClock(), lambda way, data, to=sent: to.append(data) if way == ">" else None)
        assert sent[0].endswith(b" OFF")
        can = analyzer.capabilities()
        detector = can.detectors[0]
        asked = replace(SETTINGS, points=401, detector=detector)
        assert switch.connect(Hookup(name="thru", kind=HookupKind.THRU)) == "simulated switch"
        thru = analyzer.sweep(asked)
        switch.connect(Hookup(name="TX-ANT", kind=HookupKind.PATH))
        device = analyzer.sweep(asked)
        off = analyzer.sweep(replace(asked, generator_dbm=None))
        assert thru.used.points == device.used.points == 401
        assert thru.used.generator_dbm == -10.0
        assert off.used.generator_dbm is None
        assert thru.used.rbw_hz == 3e3
        # A duplexer with a notch of some 80 dB against the bench's own thru: wide margins, physics is tested elsewhere.
        assert np.ptp(thru.trace.level_dbm) < 3.0
        assert np.nanmin(device.trace.level_dbm) < np.nanmin(thru.trace.level_dbm) - 50.0
        assert np.nanmax(off.trace.level_dbm) < np.nanmin(thru.trace.level_dbm) - 50.0
        k = can.sweep_factor
        assert k is not None
        assert thru.instrument_s == pytest.approx(0.05 + k * 4e6 / 3e3**2, rel=1e-3)  # answers in milliseconds round
        if can.adjusts_tracking:
            switch.connect(Hookup(name="thru", kind=HookupKind.THRU))
            analyzer.adjust_tracking(1e3)
        assert analyzer.make_safe()
        analyzer.close()
    switch.close()


@pytest.mark.bench
def test_the_simulated_bench_refuses_as_instruments_do(bench: dict[str, Any]) -> None:
    spec = AnalyzerFile(resource=bench["analyzer"], dialect=bench["variant"])
    analyzer = open_analyzer(spec, FixedClock())
    can = analyzer.capabilities()
    asked = replace(SETTINGS, points=401, detector=can.detectors[0])
    with pytest.raises(InstrumentError, match="-222"):
        analyzer.sweep(replace(asked, stop_hz=9e9))
    narrow = replace(asked, rbw_hz=300.0, generator_dbm=-10.0)
    with pytest.raises(MeasurementError if can.generator_min_rbw_hz == 0 else InstrumentError):
        analyzer.sweep(narrow)  # 4 MHz at 300 Hz: far too long, or the generator goes off by itself
    assert analyzer.sweep(asked).trace.level_dbm.size == 401
    analyzer.close()


class ImpatientError(Exception):
    """Stands for Ctrl-C."""


def give_up(_seconds: float) -> None:
    raise ImpatientError


@pytest.mark.bench
@pytest.mark.parametrize("transport", ["socket", "hislip", "serial"])
def test_the_generator_goes_off_in_the_middle_of_a_sweep(transport: str) -> None:
    """In real time: break off a sweep of 4.4 s as Ctrl-C does, make safe within 2 s (design), and sweep again."""
    with simulated("--transport", transport, "--speed", "1") as said:
        analyzer = open_analyzer(AnalyzerFile(resource=said["analyzer"], dialect="free-binary"), FixedClock(), None)
        began = time.monotonic()
        analyzer._pause = give_up
        with pytest.raises(ImpatientError):
            analyzer.sweep(replace(SETTINGS, rbw_hz=1.5e3))
        assert analyzer.make_safe() is True
        assert time.monotonic() - began < 2.0
        analyzer.close()
        other = Link.open(said["analyzer"])
        assert other.query("STAT:OPER:COND?;:OUTP?") == "0;0"  # no sweep runs, the generator is off
        other.close()
        again = open_analyzer(AnalyzerFile(resource=said["analyzer"], dialect="free-binary"), FixedClock())
        assert again.sweep(replace(SETTINGS, rbw_hz=30e3)).trace.level_dbm.size == 11
        again.close()


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # PyVISA-py does not close a socket it failed to connect
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.bench
def test_a_bench_that_dies_leaves_no_hang(bench: dict[str, Any]) -> None:
    analyzer = open_analyzer(AnalyzerFile(resource=bench["analyzer"], dialect=bench["variant"]), FixedClock())
    bench["process"].kill()
    bench["process"].wait(10)
    began = time.monotonic()
    with pytest.raises(LinkError, match=r"closed the connection|the line is gone"):
        analyzer.sweep(replace(SETTINGS, points=401, detector=analyzer.capabilities().detectors[0]))
    assert analyzer.make_safe() is False
    analyzer.close()
    assert time.monotonic() - began < 2.5
    gc.collect()  # its warning belongs here
