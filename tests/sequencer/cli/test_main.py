"""What the command line says last when a run stopped."""

from __future__ import annotations

import argparse
import shlex
from typing import NoReturn

import pytest

from sequencer.cli import commands
from sequencer.cli.main import main
from sequencer.errors import LinkError

FOLDER = "my runs/20260102-030405-vhf-600k-acceptance-SN-1"


def test_the_command_that_goes_on_stands_alone_on_its_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """To be copied from a terminal of 80 columns in one piece, blanks in the folder's name and all."""

    def dies(_asked: argparse.Namespace) -> NoReturn:
        msg = "the link went away"
        raise LinkError(msg, folder=FOLDER)

    monkeypatch.setattr(commands, "COMMANDS", {"run": dies})
    assert main(["run", "r.yaml", "--bench", "simulated"]) == 3
    line = next(line for line in capsys.readouterr().err.splitlines() if "resume" in line)
    assert shlex.split(line) == ["notchbook", "resume", FOLDER]
    assert len(line) < 80


@pytest.mark.bench
@pytest.mark.parametrize(
    ("bench", "ended", "says"),
    [
        ("simulated", 0, "all of 10 limits can"),
        ("simulated:,profile=patch-lead", 0, "hookups"),
        ("simulated:nosuch", 2, "there is no simulated device 'nosuch'"),
    ],
)
def test_the_simulated_bench_is_checked_by_what_it_states(capsys, bench: str, ended: int, says: str) -> None:
    status = main(["check", "vhf-600k-acceptance", "--bench", bench])
    told = capsys.readouterr()
    assert says in told.out + told.err
    assert (status == 2) == (ended == 2)
    assert "Traceback" not in told.err
