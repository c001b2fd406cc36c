"""One whole run over each transport: the bench's noise is seeded, so every transport must give the same values."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli.main import main

pytestmark = pytest.mark.bench


def run(capsys: pytest.CaptureFixture[str], folder: Path, transport: str) -> tuple[int, dict[str, Any], str]:
    status = main([
        "run", "vhf-600k-quick", "--bench", f"simulated:,transport={transport}", "--yes", "--json",
        "--out", str(folder / transport),
    ])  # fmt: skip
    (log,) = (folder / transport).glob("*/bus.log")
    return status, json.loads(capsys.readouterr().out), log.read_text()


def test_a_whole_run_is_the_same_over_every_transport(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    pytest.importorskip("serial")
    pytest.importorskip("pty")
    opened = {"socket": "::SOCKET", "hislip": "::hislip0,", "serial": "ASRL"}
    results = []
    for transport, part in opened.items():
        status, record, log = run(capsys, tmp_path, transport)
        assert status == 0
        assert part in log
        results.append(record["results"])
    assert results[0] == results[1] == results[2]
