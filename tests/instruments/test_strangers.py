"""A few strangers; forty of them: `python tests/benchmarks/strangers.py`."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import yaml

from instruments import waiting
from instruments.simulated.variants import load_variant
from sequencer.errors import UsageError

NUMBERS = {  # what no shipped variant has
    9: "blocks of unstated length, error bits only, filters refused between steps",
    15: "semicolons in traces, an attenuator that refuses what lies between steps of 4 dB",
    17: "quick",
    # Written by somebody who had seen the trade notes and the simulator's table of variants, never the probe: on first
    # contact the first and the last were learnt and measured alike, lab-numbers was not (DISPlay1, INIT:IMM:ALL).
    # The first takes 40 s (its level is told in dBuV): strangers.py --only attic-rack.
    "lab-numbers": "a number wanted on every node, paths in full, generator on at power-on",
    "field-pouch": "commands after its menus, hangs on unknown queries",
    # Six more by another such hand; on first contact trace-modes, one-at-a-time and log-average were learnt and
    # measured alike, three were not. The others take 10 to 35 s each: strangers.py --only pairs,hand-swept,...
    "trace-modes": "averaging is a trace's mode and was left on",
    "slow-long-words": "full words with every node, lines end LF CR, booleans as +1.0E+00",
}


def _benchmark() -> ModuleType:
    path = Path(__file__).parent.parent / "benchmarks" / "strangers.py"
    spec = importlib.util.spec_from_file_location("strangers", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules.setdefault("strangers", module)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def met() -> Iterator[Mapping[int | str, Any]]:
    """All of them, met at the same time."""
    strangers = _benchmark()
    with pytest.MonkeyPatch.context() as patch, ThreadPoolExecutor(3) as pool:
        patch.setattr(waiting, "_TIMED_FACTOR", 0.0)
        patch.setattr(waiting, "_TIMED_MORE_S", 0.001)
        yield dict(zip(NUMBERS, pool.map(lambda number: strangers.meet(number, 0.0, None), NUMBERS), strict=True))


@pytest.mark.bench
@pytest.mark.parametrize("number", NUMBERS, ids=[str(number) for number in NUMBERS])
def test_a_stranger_is_learnt_and_measures_alike(met: Mapping[int | str, Any], number: int | str) -> None:
    assert met[number].failed == ""
    assert met[number].exchanges > 500


def test_a_stranger_is_always_the_same_one() -> None:
    draw = _benchmark().draw
    assert draw(9) == draw(9) != draw(10)


@pytest.mark.parametrize("text", ["[", "a: {}\n", "a: {manners: {rude: yes}}\n", "- 1\n", ""])
def test_a_variant_file_that_is_wrong_is_told(tmp_path: Path, text: str) -> None:
    path = tmp_path / "odd.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match="odd"):
        load_variant(str(path))


def test_a_variant_can_come_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(yaml.safe_dump({"mine": _benchmark().draw(9)}), encoding="utf-8")
    assert load_variant(str(path)).name == "mine"
