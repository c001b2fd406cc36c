"""The worked study that README shows, run as it says, gives the figures that README states."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sequencer.archive.reading import open_run
from sequencer.cli.main import main
from sequencer.studies.study import study_of

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
INCH_M = 0.0254

pytestmark = pytest.mark.bench


def test_the_worked_study_is_as_readme_says(tmp_path: Path) -> None:
    order = re.search(r"for length in ([\w ]+); do", README)
    assert order
    for visit, length in enumerate(order[1].split(), start=1):
        control = length == "control"
        cut, label = ("12", "control=yes") if control else (length, f"harness={length} in")
        bench = f"simulated:,harness={cut} in,visit={visit}"
        main([
            "run", "vhf-600k-acceptance", "--bench", bench, "--yes", "--out", str(tmp_path), "--serial", "SN-1",
            "--label", label,
        ])  # fmt: skip
    records = [open_run(folder).record for folder in sorted(tmp_path.glob("2*"))]
    assert len(records) == 12
    study = study_of([record for record in records if record], "harness")
    assert study.missing == ()  # a sound experiment by its own measure
    curved = {each.id: each.curved for each in study.quantities}
    for quantity, words in (
        ("return loss ANT transmit", r"return loss at the transmit channel was best at"),
        ("rejection ANT-RX transmit", r"the receiver side's\s+rejection at"),
    ):
        told = re.search(words + r" ([\d.]+) in \(([\d.]+) to ([\d.]+) in\)", README)
        assert told, words
        best = curved[quantity]
        assert best is not None
        inches = [f"{metres / INCH_M:.1f}" for metres in (best.best, *best.interval)]
        assert inches == list(told.groups()), quantity
