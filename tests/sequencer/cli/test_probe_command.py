"""`bench probe` as it is typed."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer.cli.main import main
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
