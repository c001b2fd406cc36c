"""What several whole-program tests share."""

import contextlib
import json
import subprocess
import sys
from collections.abc import Callable, Iterator
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
def served() -> Served:
    """Serve a bench by itself, as an instrument that was there before the run."""
    return _served
