"""The simulated bench as a process, driven through PyVISA and PyVISA-py like any instrument."""

import json
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager

import pytest
import pyvisa

from sequencer.recipe.bench_loader import load_bench

pytestmark = pytest.mark.bench

WITHIN_S = 20.0  # a loaded computer starts Python and numpy in far less


@contextmanager
def bench(*options):
    process = subprocess.Popen(
        [sys.executable, "-m", "instruments.simulated", *options],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process, json.loads(process.stdout.readline())
    finally:
        process.stdin.close()
        try:
            assert process.wait(WITHIN_S) == 0
            assert process.stderr.read() == ""
        finally:
            process.kill()
            process.stdout.close()
            process.stderr.close()


@contextmanager
def session(resource):
    manager = pyvisa.ResourceManager("@py")
    try:
        opened = manager.open_resource(resource, read_termination="\n", write_termination="\n", timeout=10_000)
        try:
            yield opened
        finally:
            opened.close()
    finally:
        manager.close()


def take(said, hookup_command, *more):
    with session(said["analyzer"]) as analyzer, session(said["switch"]) as switch:
        switch.write(hookup_command)
        assert switch.query("*OPC?") == "1"
        analyzer.write("FREQ:STAR 145.9 MHZ;STOP 146.1 MHZ;:BAND 1 KHZ;:DET RMS;:SOUR:POW 0;:OUTP ON")
        analyzer.write("FORM REAL,32;FORM:BORD SWAP;:INP:ATT 0;:DISP:TRAC:Y:RLEV -20")
        analyzer.write("*CLS;INIT;*OPC")
        while not int(analyzer.query("*ESR?")) & 1:
            time.sleep(0.01)
        analyzer.write("TRAC? TRACE1")
        raw = analyzer.read_bytes(2 + 4 + 4 * 1001 + 1)
        assert analyzer.query("SYST:ERR?") == '0,"No error"'
        return raw, [switch.query(question) for question in more]


def test_a_session_measures_what_is_known_to_be_true():
    import numpy as np

    with bench("--device", "vhf-600k", "--seed", "7") as (_, said):
        assert said["ports"] == ["TX", "RX", "ANT"]
        described = load_bench(said["bench_file"], "simulated bench")
        assert described.analyzer.resource == said["analyzer"]
        assert described.switch is not None
        assert described.switch.resource == said["switch"]
        hookups = described.switch.hookups
        levels = {}
        for name in ("thru", "TX-ANT"):
            raw, told = take(said, hookups[name], "SIM:TRUTH? TX,ANT,146.0 MHZ")
            assert raw.startswith(b"#44004")
            levels[name] = np.frombuffer(raw[6:-1], dtype="<f4")
        # The bench file's own limits: mismatch 0.4 dB, scale 0.3 dB, leakage 0.3 dB; noise of one sample 0.7 dB.
        assert (levels["thru"] - levels["TX-ANT"])[500] == pytest.approx(float(told[0]), abs=2.5)
        assert float(told[0]) > 60.0


def test_same_seed_same_bytes_in_two_processes():
    taken = []
    for speed in ("0", "100"):
        with bench("--seed", "5", "--speed", speed) as (_, said):
            taken.append(take(said, "ROUT:CLOS (@1)")[0])
    assert taken[0] == taken[1]
    with bench("--seed", "6") as (_, said):
        assert take(said, "ROUT:CLOS (@1)")[0] != taken[0]


def test_a_running_sweep_is_interruptible():
    with bench("--speed", "1") as (_, said), session(said["analyzer"]) as analyzer:
        analyzer.write("FREQ:STAR 140 MHZ;STOP 150 MHZ;:BAND 1 KHZ;:OUTP ON")
        assert float(analyzer.query("SWE:TIME?")) == pytest.approx(25.0)
        analyzer.write("*CLS;INIT;*OPC")
        began = time.monotonic()
        assert analyzer.query("*ESR?;:OUTP?") == "0;1"
        assert analyzer.query("OUTP OFF;OUTP?") == "0"
        assert analyzer.query("ABOR;*OPC?") == "1"
        assert time.monotonic() - began < 2.0  # design: output-off is proven within 2 s


def test_real_time_takes_time_and_waiting_holds_only_who_waits():
    with bench("--speed", "1") as (_, said), session(said["analyzer"]) as analyzer, session(said["analyzer"]) as other:
        analyzer.write("FREQ:STAR 146 MHZ;STOP 147 MHZ;:BAND 3 KHZ;:SWE:TIME 0.6")
        began = time.monotonic()
        analyzer.write("INIT;*OPC?")
        while other.query("STAT:OPER:COND?") != "8":  # the other connection is served while this one waits
            assert time.monotonic() - began < 0.4
        assert analyzer.read() == "1"
        assert 0.6 <= time.monotonic() - began < 2.0


def test_it_ends_on_sigterm_with_a_session_open():
    with bench() as (process, said), session(said["analyzer"]) as analyzer:
        assert analyzer.query("*IDN?").startswith("Notchbook,simulated bench free-binary,1,")
        process.send_signal(signal.SIGTERM)
        assert process.wait(WITHIN_S) == 0


def test_it_ends_when_its_starter_dies():
    with bench() as (process, _):
        process.stdin.close()
        assert process.wait(WITHIN_S) == 0


@pytest.mark.parametrize(
    "options",
    [
        pytest.param(["--variant", "no-such"], id="variant"),
        pytest.param(["--device", "no-such"], id="device"),
        pytest.param(["--ports", "P,Q"], id="ports-the-device-lacks"),
        pytest.param(["--frequencies", "fast"], id="no-number"),
        pytest.param(["--speed", "-1"], id="backwards"),
    ],
)
def test_wrong_calls_end_with_one_line_and_status_2(options):
    done = subprocess.run(
        [sys.executable, "-m", "instruments.simulated", *options],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=WITHIN_S,
        check=False,
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1


def test_device_is_chosen_by_recipe_or_frequencies():
    with bench("--recipe", "nobody-knows", "--ports", "TX,RX,ANT", "--frequencies", "444e6,449e6") as (_, said):
        assert any(abs(hz - 444e6) < 20e6 for hz in said["frequencies"].values())


def test_garbage_and_endless_lines_do_not_end_the_server():
    with bench() as (_, said):
        port = int(said["analyzer"].split("::")[2])
        with socket.create_connection(("127.0.0.1", port), timeout=WITHIN_S) as raw:
            raw.sendall(bytes(range(256)) + b"\n")
            raw.sendall(b"x" * 200_000)
            raw.sendall(b"\n*CLS;*IDN?\r\n")
            assert raw.recv(200).startswith(b"Notchbook,simulated bench")
