"""The synthetic record as a fixture (also drawn by tests/look/make_report_pictures.py)."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def synthetic():
    spec = importlib.util.spec_from_file_location("synthetic_record", Path(__file__).with_name("synthetic_record.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
