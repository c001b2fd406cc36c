"""What several whole-program tests share."""

import contextlib
import importlib.util
import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

Served = Callable[..., contextlib.AbstractContextManager[dict[str, Any]]]


@contextlib.contextmanager
def _served(*options: str) -> Iterator[dict[str, Any]]:
    command = [sys.executable, "-m", "instruments.simulated", *options]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert process.stdin is not None
    assert process.stdout is not None
    yield json.loads(process.stdout.readline())
    process.stdin.close()
    process.wait(10)
    process.stdout.close()


@pytest.fixture(scope="session")
def inprocess() -> ModuleType:
    """The simulated bench in this process, as the coverage benchmark drives it."""
    path = Path(__file__).parent / "benchmarks" / "inprocess.py"
    spec = importlib.util.spec_from_file_location("inprocess", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["inprocess"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def served() -> Served:
    """Serve a bench by itself, as an instrument that was there before the run."""
    return _served
