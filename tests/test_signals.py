"""A run that is asked to end, or whose terminal is closed, ends safely whatever it is doing."""

import os
import select
import signal
import subprocess
import sys
import time

import pytest

pytestmark = pytest.mark.bench

WITHIN_S = 30.0  # a loaded computer starts Python, numpy and the bench in far less


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGQUIT"])
def test_it_ends_while_an_unknown_analyzer_is_still_being_asked(tmp_path, name: str) -> None:
    """Asking takes a silent instrument for one that does not know the words; a signal is no silence."""
    number = getattr(signal, name)
    heard = f"import signal, sys; signal.signal({int(number)}, signal.SIG_DFL)"  # whoever runs the tests may ignore it
    command = [
        sys.executable, "-c", f"{heard}; from sequencer.cli.main import main; sys.exit(main(sys.argv[1:]))",
        "run", "vhf-600k-acceptance", "--bench", "simulated::waits-inside", "--speed", "1", "--yes",
        "--out", str(tmp_path),
    ]  # fmt: skip
    process = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    try:
        said = _read_until(process.stderr.fileno(), b"asking")
        time.sleep(1.0)
        process.send_signal(number)
        assert process.wait(WITHIN_S) == 128 + number, said
    finally:
        process.kill()
        process.wait()
        process.stderr.close()


def test_a_served_bench_ends_with_the_command_that_serves_it() -> None:
    command = [sys.executable, "-m", "sequencer.cli", "bench", "simulate"]
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    try:
        _read_until(process.stdout.fileno(), b"}\n")
        process.send_signal(signal.SIGTERM)
        assert process.wait(WITHIN_S) == 128 + signal.SIGTERM
        assert select.select([process.stdout], [], [], WITHIN_S)[0]
        assert process.stdout.read() == b""  # its end: nobody holds the other end any more, the bench neither
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def test_a_reader_that_has_gone_is_never_told_yes() -> None:
    command = [sys.executable, "-m", "sequencer.cli", "recipe", "schema"]
    reading, writing = os.pipe()
    os.close(reading)
    process = subprocess.Popen(command, stdout=writing, stderr=subprocess.DEVNULL)
    os.close(writing)
    assert process.wait(WITHIN_S) == 141


def _read_until(stream: int, words: bytes) -> bytes:
    said, until = b"", time.monotonic() + WITHIN_S
    while words not in said:
        assert time.monotonic() < until, said
        if select.select([stream], [], [], 0.2)[0]:
            part = os.read(stream, 4096)
            assert part, said
            said += part
    return said
