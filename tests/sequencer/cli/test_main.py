"""What the command line says last when a run stopped."""

from __future__ import annotations

import argparse
import shlex
import socket
from pathlib import Path
from typing import NoReturn

import pytest

from sequencer.cli import commands
from sequencer.cli.main import main
from sequencer.errors import LinkError, RecipeError

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
        ("simulated:,profile=patchlead", 2, "wrong-standard); did you mean 'patch-lead'?"),
        ("simulated:,profile=foo", 2, "there is no profile 'foo' (there are: bad-pads, bent-scale, "),
        ("simulated:,transport=usb", 2, "there is no transport 'usb' (there are: hislip, serial, socket"),
        ("simulated:,q-times=many", 2, "simulated bench: --q-times: invalid float value: 'many'"),
        ("simulated:nosuch", 2, "there is no simulated device 'nosuch'"),
    ],
)
def test_the_simulated_bench_is_checked_by_what_it_states(capsys, bench: str, ended: int, says: str) -> None:
    status = main(["check", "vhf-600k-acceptance", "--bench", bench])
    told = capsys.readouterr()
    assert says in told.out + told.err
    assert (status == 2) == (ended == 2)
    assert "Traceback" not in told.err
    assert "python -m" not in told.err


HOT = """\
bench: 1
analyzer:
  resource: "TCPIP::127.0.0.1::{port}::SOCKET"
  dialect: free-binary
  maximum input: 0 dBm
generator: {{level: 3 dBm}}
switch: {{resource: "TCPIP::127.0.0.1::{port}::SOCKET", hookups: {{thru: "ROUT:CLOS (@1)"}}}}
"""


@pytest.mark.parametrize("command", [["check"], ["run", "--yes", "--out", "runs"]])
def test_more_than_the_input_takes_is_refused_before_anything_is_touched(
    monkeypatch, capsys, tmp_path: Path, command: list[str]
) -> None:
    """No pads, +3 dBm, an input for 0 dBm: nobody even connects."""
    monkeypatch.chdir(tmp_path)
    with socket.create_server(("127.0.0.1", 0)) as instrument:
        instrument.settimeout(0.0)
        Path("hot.yaml").write_text(HOT.format(port=instrument.getsockname()[1]), encoding="utf-8")
        name, *options = command
        assert main([name, "vhf-600k-quick", "--bench", "hot.yaml", *options]) == 2
        assert "hot.yaml:6: generator.level: 3 dBm" in capsys.readouterr().err
        with pytest.raises(BlockingIOError):
            instrument.accept()
    assert not list(tmp_path.glob("runs/*"))


@pytest.mark.bench
def test_an_overdriven_run_is_not_resumed_but_still_read(monkeypatch, capsys, tmp_path: Path) -> None:
    """As an earlier version could leave one: its bench would be driven again, its folder is history."""
    with monkeypatch.context() as cut:
        cut.setattr("sequencer.run.engine.Engine._connect", lambda self, step: (_ for _ in ()).throw(LinkError("cut")))
        assert main(["run", "vhf-600k-quick", "--bench", "simulated", "--yes", "--out", str(tmp_path)]) == 3
    (folder,) = tmp_path.iterdir()

    def refuses(bench) -> NoReturn:
        raise RecipeError("too strong")

    monkeypatch.setattr("sequencer.recipe.bench_loader.refuse_overdrive", refuses)
    capsys.readouterr()
    assert main(["resume", str(folder), "--yes"]) == 2
    assert "too strong" in capsys.readouterr().err
    assert main(["report", str(folder)]) == 0


@pytest.mark.bench
def test_a_check_of_the_simulated_bench_tells_the_moves_that_its_rehearsal_tells(capsys) -> None:
    """On a terminal a run there prints what hands would do; 'Leave everything as it is' would be another bench."""
    assert main(["check", "vhf-600k-acceptance", "--bench", "simulated"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "0 joints" not in told
    assert "joints that a rehearsal tells you to open or close and the simulated bench moves itself" in told
    assert "Move the generator lead from" in told
    assert told.count("Leave everything as it is.") < 3
