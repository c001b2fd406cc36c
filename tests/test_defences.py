"""What the measurement does to defend itself, over the socket on benches that give it reason to."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sequencer.cli.main import main

pytestmark = pytest.mark.bench


def run(capsys, tmp_path: Path, bench: str, *more: str, starter: str = "vhf-600k-acceptance") -> tuple[int, dict]:
    status = main(["run", starter, "--bench", bench, "--yes", "--json", "--out", str(tmp_path), *more])
    out, _ = capsys.readouterr()
    return status, json.loads(out) if out else {}


def notes(record: dict, kind: str) -> list[dict]:
    return [note for note in record["notes"] if note["kind"] == kind]


def test_a_cold_bench_is_waited_for_and_then_accepted(capsys, tmp_path: Path) -> None:
    """0.4 dB exp(-t / 900 s), switched on a minute ago: six or seven waits of five minutes."""
    status, record = run(capsys, tmp_path, "simulated:,profile=cold", "--set", "soak=1 min")
    assert status == 0
    waits = notes(record, "waited")
    assert 5 <= len(waits) <= 8
    assert all("5 min" in note["what"] for note in waits)
    assert not any("thru moved" in text for text in record["warnings"])


def test_check_standards_read_right_and_are_in_the_record(capsys, tmp_path: Path) -> None:
    status, record = run(capsys, tmp_path, "simulated:,profile=standards")
    assert status == 0
    proofs = [h["proof"] for h in record["hookups"] if h["kind"] == "standard"]
    assert len(proofs) == 2
    assert all("its certificate of" in proof for proof in proofs)


@pytest.mark.parametrize(
    ("profile", "said"),
    [("wrong-standard", "check standard S3 reads"), ("soft-mixer", "too strong for the analyzer's input")],
)
def test_a_bench_that_would_measure_wrong_stops_the_run(capsys, tmp_path: Path, profile: str, said: str) -> None:
    status = main([
        "run", "vhf-600k-acceptance", "--bench", f"simulated:,profile={profile}", "--yes", "--out", str(tmp_path),
    ])  # fmt: skip
    assert status == 3
    assert said in " ".join(capsys.readouterr().err.split())


def test_the_thorough_recipe_waits_and_exchanges_leads(capsys, tmp_path: Path) -> None:
    status, record = run(capsys, tmp_path, "simulated", starter="vhf-600k-thorough")
    assert status == 0
    assert len(notes(record, "waited")) >= 1
    loss = next(r for r in record["results"] if r["id"] == "insertion loss TX-ANT transmit")
    assert any("with the leads exchanged (ANT-TX)" in note and "they agree" in note for note in loss["notes"])


def test_a_generator_without_a_command_is_looked_at_and_left(capsys, tmp_path: Path) -> None:
    """20 Hz beside a filter of 1 kHz loses 0.005 dB: there is nothing to turn."""
    status, record = run(capsys, tmp_path, "simulated::swapped-real32")
    assert status == 0
    assert any("left as it is" in note["what"] and "nothing to turn" in note["why"] for note in record["notes"])
