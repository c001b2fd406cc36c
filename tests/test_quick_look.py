"""The quick recipe sees what README and the recipe print; the whole table: `tests/benchmarks/bench_regression.py`."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from instruments.simulated.faults import FAULTS

ROOT = Path(__file__).parent.parent


def test_lasting_faults_are_seen_on_every_bench_and_a_sound_device_is_not_doubted() -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / "tests" / "benchmarks" / "bench_regression.py"), "3", "named"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    rows = {name.strip(): int(seen) for name, seen in re.findall(r"^(.{52}) .* (\d+) % \[", done.stdout, re.MULTILINE)}
    assert rows.pop("sound, quick recipe, same bench") == 0
    assert rows.keys() == {fault.title for fault in FAULTS}
    for fault in FAULTS:
        if not fault.comes_and_goes:
            assert rows[fault.title] == 100, fault.title


def test_readme_and_recipe_print_the_same_shares() -> None:
    texts = [(ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "recipes/vhf-600k-quick.yaml")]
    for share in ("100 % (91 to 100)", "75 % (60 to 86)", "0 / 88 (74 to 95) / 100 %", "0 % (0 to 9)"):
        assert all(share in text for text in texts), share
