"""`bench probe` as it is typed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from sequencer.cli.main import main
from sequencer.cli.probe_command import _confirmed, _free_log
from sequencer.recipe.bench_loader import load_bench


def test_a_file_that_is_there_is_not_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "b.yaml").write_text("mine")
    assert main(["bench", "probe", "TCPIP::127.0.0.1::9::SOCKET", "--write", str(tmp_path / "b.yaml")]) == 2
    assert "exists already" in capsys.readouterr().err
    assert (tmp_path / "b.yaml").read_text() == "mine"


def test_nobody_at_the_address_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "b.yaml"
    assert main(["bench", "probe", "TCPIP::127.0.0.1::9::SOCKET", "--write", str(target)]) == 3
    assert "127.0.0.1" in capsys.readouterr().err
    assert not target.exists()


@pytest.mark.parametrize(("typed", "on"), [(b"yes\n", True), (b"\nmaybe\nno\n", False)], ids=["yes", "no"])
def test_only_what_is_typed_after_the_question_switches_the_generator_on(
    typed: bytes, on: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A yes typed while the probe still asks for frequencies must not be taken a minute later."""
    pytest.importorskip("termios")
    master, slave = os.openpty()
    with os.fdopen(slave, encoding="utf-8") as inp:
        monkeypatch.setattr(sys, "stdin", inp)
        os.write(master, b"yes\n" if not on else b"no\n")  # early, and the other way round
        done: list[bool] = []
        waiting = threading.Thread(target=lambda: done.append(_confirmed(lambda: None)))
        waiting.start()
        waiting.join(0.3)  # far longer than reading a waiting line takes
        assert done == []
        for line in typed.splitlines(keepends=True):
            os.write(master, line)
            waiting.join(0.2)  # the next prompt drops what was typed before it
        waiting.join(5.0)
        assert done == [on]
    os.close(master)
    if not on:
        assert capsys.readouterr().err.count("Type yes or no") == 3  # neither Enter nor 'maybe' is an answer


def test_the_log_of_an_earlier_try_is_kept_and_stops_nothing(tmp_path: Path) -> None:
    target = tmp_path / "b.yaml"
    assert _free_log(target).name == "b.yaml.log"
    (tmp_path / "b.yaml.log").write_text("of a file that was moved away since")
    assert _free_log(target).name == "b.yaml.2.log"


@pytest.mark.bench
def test_it_leaves_a_bench_file_and_a_transcript(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = [sys.executable, "-m", "instruments.simulated", "--variant", "hasty-echo"]
    bench = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert bench.stdin is not None
    assert bench.stdout is not None
    said = json.loads(bench.stdout.readline())
    target = tmp_path / "b.yaml"
    status = main(["bench", "probe", said["analyzer"], "--write", str(target), "--patience", "20 ms"])
    bench.stdin.close()
    bench.wait(10.0)
    bench.stdout.close()
    assert status == 0
    assert "no thru was confirmed" in capsys.readouterr().err  # nobody is at this terminal
    written = load_bench(target.read_text(encoding="utf-8"), "b.yaml")
    assert "OUTP2 OFF" in written.analyzer.dialect_text
    log = (tmp_path / "b.yaml.log").read_text(encoding="utf-8")
    assert "\t>\t" in log
    assert "OUTP2 ON" not in log
