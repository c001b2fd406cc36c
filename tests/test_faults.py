"""A few rows of the fault table; all of it: `python tests/benchmarks/faults.py`."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
import time
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


def _killed_while_it_reckons(faults: ModuleType, text: Path, root: Path) -> Path:
    """Kill a run between its last sweep and its report; return its folder, the journal cut off at that sweep."""
    for attempt in range(5):
        out = root / f"killed-{attempt}"
        command = [*faults.COMMAND, "run", faults.RECIPE, "--bench", str(text), "--yes", "--out", str(out)]
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        while process.poll() is None:
            folder = faults._folder(out)
            if folder is not None and '"made safe"' in (folder / "journal.jsonl").read_text(encoding="utf-8"):
                break
            time.sleep(0.002)
        process.kill()
        process.wait()
        folder = faults._folder(out)
        if folder is not None and not (folder / "manifest.json").exists():
            lines = (folder / "journal.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)
            last = max(n for n, line in enumerate(lines) if '"swept"' in line)
            (folder / "journal.jsonl").write_text("".join(lines[: last + 1]), encoding="utf-8")
            return folder
    return pytest.fail("never killed in time")


def test_a_generator_that_a_dead_run_left_on_is_turned_off_by_resume(tmp_path: Path) -> None:
    """Everything is swept, so nothing but this needs the bench; where it cannot be reached, that is said."""
    faults = _benchmark("faults")
    text = tmp_path / "bench.yaml"
    with faults.a_bench() as bench:
        text.write_text(bench.text, encoding="utf-8")
        folder = _killed_while_it_reckons(faults, text, tmp_path)
        gone = shutil.copytree(folder, tmp_path / "gone" / folder.name)
        bench.proxy.ask("OUTP ON")
        assert bench.proxy.ask("OUTP?") == "1"
        ended = faults.Ended("resume", str(folder), "--yes")
        assert bench.proxy.ask("OUTP?") == "0", ended.said
        assert ended.status == 0, ended.said
        assert "generator off, confirmed by the instrument" in ended.said
    ended = faults.Ended("resume", str(gone), "--yes")
    assert "the generator may still be on, and cannot be reached" in " ".join(ended.said.split())
    assert ended.status == 0
    assert "may still be on" in (gone / "report.html").read_text(encoding="utf-8")
