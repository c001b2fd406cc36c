"""What several whole-program tests share."""

import contextlib
import importlib.util
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from hypothesis import settings

# By default every draw is the same every time: no change fails by the luck of another's draw. The long fuzz
# (DEVELOPERS.md, Benchmarks) draws anew, at least so many times for each test.
FUZZ = int(os.environ.get("NOTCHBOOK_FUZZ", "0"))
settings.register_profile("same every time", derandomize=True, database=None, deadline=None)
settings.register_profile("long", deadline=None, print_blob=True)
settings.load_profile("long" if FUZZ else "same every time")

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


@pytest.fixture(scope="session", autouse=True)
def _unsynced() -> Iterator[None]:
    """No test pulls the plug: waiting for the disk cost a whole run half a second. That files are synced, and when,
    test_runfolder and test_resume hold."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", os.fstat)
        yield


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


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Of the long fuzz keep the tests of drawn values; each draws as often as is asked, whatever it says itself."""
    if not FUZZ:
        return
    items[:] = [item for item in items if getattr(getattr(item, "obj", None), "is_hypothesis_test", False)]
    for test in {item.obj for item in items}:
        own = test._hypothesis_internal_use_settings  # no public way past a test's own decorator
        test._hypothesis_internal_use_settings = settings(own, max_examples=max(FUZZ, own.max_examples))
