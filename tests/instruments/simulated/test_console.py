"""A person at the stand-alone simulated bench: what they are told, and how they move its leads."""

import asyncio
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time

import pytest

from instruments.simulated.bench import Bench
from instruments.simulated.console import Console, data_sheet
from instruments.simulated.devices import build
from instruments.simulated.profile import PROFILES
from instruments.simulated.simtime import SimulatedTime
from sequencer.recipe.bench_loader import load_bench

WITHIN_S = 20.0  # a loaded computer starts Python and numpy in far less


@pytest.fixture
def bench() -> Bench:
    return Bench(build("vhf-600k"), PROFILES["lab"], 1, SimulatedTime(0.0))


def test_hands_make_the_hookup_they_name(bench: Bench) -> None:
    console = Console(bench, asyncio.Event())
    assert console.answer("") == "now: leads open"
    assert console.answer("tx-ant") == "now: TX-ANT"
    assert bench.connected == "TX-ANT"


def test_a_name_that_is_none_moves_nothing(bench: Bench) -> None:
    console = Console(bench, asyncio.Event())
    assert console.answer("TX-ATN") == "there is no hookup 'TX-ATN'; did you mean 'TX-ANT'?"
    assert bench.connected == "leads open"


@pytest.mark.bench
def test_at_a_terminal_the_bench_shows_its_data_sheet_and_obeys() -> None:
    """Driven as a person does, on a pseudo-terminal, through `bench simulate`."""
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "sequencer.cli", "bench", "simulate", "--variant", "random"]
    process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, start_new_session=True)
    os.close(slave)
    try:
        said = _read_until(master, "ends the bench.")
        sheet = said[said.index("bench: 1") : said.index("\n\nThe leads lie free")]
        stated = load_bench(sheet, "data sheet")
        assert stated.switch is None
        assert "dialect" not in sheet
        assert stated.bridge is not None
        os.write(master, b"thru\n")
        _read_until(master, "now: thru")
        os.killpg(process.pid, signal.SIGINT)
        assert process.wait(WITHIN_S) == 0
    finally:
        process.kill()
        process.wait()
        os.close(master)


def _read_until(master: int, words: str) -> str:
    said, until = "", time.monotonic() + WITHIN_S
    while not re.search(re.escape(words), said):
        assert time.monotonic() < until, said
        if select.select([master], [], [], 0.2)[0]:
            said += os.read(master, 4096).decode().replace("\r\n", "\n")
    return said


def test_the_sheet_keeps_the_kit_and_hides_what_is_not_on_it() -> None:
    file = (
        "bench: 1\nanalyzer:\n  dialect: free-binary\n  visa: '@py'\nswitch:\n  hookups: {}\nkit:\n  a: {what: pad}\n"
    )
    assert data_sheet(file, unknown=True) == "bench: 1\nanalyzer:\n  visa: '@py'\nkit:\n  a: {what: pad}\n"
    assert "dialect: free-binary" in data_sheet(file, unknown=False)
