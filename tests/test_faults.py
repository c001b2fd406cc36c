"""A few rows of the fault table; all of it: `python tests/benchmarks/faults.py`."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

pytestmark = pytest.mark.bench


def _benchmark(name: str) -> ModuleType:
    path = Path(__file__).parent / "benchmarks" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules.setdefault(name, module)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Any]]:
    """Every row by name, on one simulated bench behind a proxy."""
    faults = _benchmark("faults")
    folder = tmp_path_factory.mktemp("faults")
    text = folder / "bench.yaml"
    with faults.a_bench() as bench:
        text.write_text(bench.text, encoding="utf-8")
        faults.Ended("run", faults.RECIPE, "--bench", str(text), "--yes", "--out", str(folder / "whole"))
        whole = faults._record(folder / "whole")
        assert whole is not None
        yield dict(faults.rows(whole, text, bench))


@pytest.mark.parametrize(
    ("name", "begins"),
    [
        pytest.param("dropped within the block, once", "recovered;", id="dropped, once"),
        pytest.param("RBW set by another, for ever", "exit 3, off, resumed", id="another program"),
        pytest.param("lead on the wrong port", "exit 3, off, resumed", id="wrong port"),
        pytest.param("name does not resolve", "exit 3", id="unknown host"),
        pytest.param("port in use", "exit 2", id="port in use"),
    ],
)
def test_a_fault_ends_in_recovery_or_in_a_run_that_can_be_resumed(
    table: dict[str, Any], name: str, begins: str
) -> None:
    said = table[name]()
    assert "FAIL" not in said, said
    assert said.startswith(begins), said
