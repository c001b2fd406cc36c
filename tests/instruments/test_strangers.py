"""A few strangers; forty of them: `python tests/benchmarks/strangers.py`."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest
import yaml

from instruments import waiting
from instruments.simulated.variants import load_variant
from sequencer.errors import UsageError

NUMBERS = {  # what no shipped variant has
    9: "blocks of unstated length, error bits only, filters refused between steps",
    # Written by somebody who had seen the trade notes and the simulator's table of variants, never the probe: on first
    # contact it and attic-rack were learnt and measured alike, lab-numbers was not (DISPlay1, INIT:IMM:ALL). The other
    # two take 30 s and more: strangers.py --only attic-rack,lab-numbers.
    "field-pouch": "commands after its menus, hangs on unknown queries",
    # Six more by another such hand; on first contact trace-modes, one-at-a-time and log-average were learnt and
    # measured alike, three were not. The others take 10 to 35 s each: strangers.py --only pairs,slow-long-words,...
    "trace-modes": "averaging is a trace's mode and was left on",
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


@pytest.mark.bench
@pytest.mark.parametrize("number", NUMBERS, ids=[str(number) for number in NUMBERS])
def test_a_stranger_is_learnt_and_measures_alike(number: int | str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(waiting, "_TIMED_FACTOR", 0.0)
    monkeypatch.setattr(waiting, "_TIMED_MORE_S", 0.001)
    met = _benchmark().meet(number, 0.0, None)
    assert met.failed == ""
    assert met.exchanges > 500


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
