"""Values of a run for the round trips, made from the type hints of the spine."""

from __future__ import annotations

import dataclasses
import types
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np
import pytest
from hypothesis import strategies as st

from sequencer.core.capability import Capabilities
from sequencer.core.history import Entry
from sequencer.core.hookup import Hookup
from sequencer.core.trace import Detector, Sweep, SweepSettings, Trace

_TEXT = st.text(st.characters(codec="utf-8"), max_size=12)
_SCALARS: dict[Any, st.SearchStrategy[Any]] = {
    str: _TEXT,
    bool: st.booleans(),
    int: st.integers(-(2**53), 2**53),
    float: st.floats(allow_nan=False, allow_infinity=False),
    datetime: st.datetimes(min_value=datetime(1970, 1, 1), max_value=datetime(2200, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
}


@st.composite
def _traces(draw: st.DrawFn) -> Trace:
    freq_hz = draw(st.lists(st.floats(0.0, 1e11), min_size=1, max_size=6, unique=True))
    level = st.one_of(st.floats(-250.0, 50.0), st.just(np.nan), st.floats(allow_nan=False))
    level_dbm = draw(st.lists(level, min_size=len(freq_hz), max_size=len(freq_hz)))
    return Trace(np.sort(freq_hz), np.array(level_dbm))


def _capabilities() -> st.SearchStrategy[Capabilities]:
    """Limits that an analyzer may have; others are refused when they are made."""

    def span(least: float, most: float) -> st.SearchStrategy[tuple[float, float]]:
        return st.tuples(st.floats(least, most), st.floats(least, most)).map(lambda ends: (min(ends), max(ends)))

    return st.builds(
        Capabilities,
        frequency_hz=st.tuples(st.floats(0.0, 1e8), st.floats(2e8, 1e12)),
        points=st.tuples(st.integers(2, 401), st.integers(401, 100_001)),
        rbw_range_hz=span(0.1, 1e8),
        attenuation_db=span(0.0, 100.0),
        reference_dbm=span(-150.0, 50.0),
        generator_dbm=span(-100.0, 30.0),
        generator_fitted=st.booleans(),
        rbw_hz=st.lists(st.floats(0.1, 1e8), max_size=2).map(tuple),
        display_range_db=st.one_of(st.none(), st.floats(60.0, 200.0)),
        sweep_factor=st.one_of(st.none(), st.floats(0.5, 10.0)),
        adjusts_tracking=st.booleans(),
        noise_dbm_hz=st.one_of(st.none(), st.floats(-170.0, -100.0)),
    )


def _settings() -> st.SearchStrategy[SweepSettings]:
    """Settings that an analyzer may use; a journal with others is refused."""
    level = st.floats(-150.0, 50.0)
    return st.builds(
        SweepSettings,
        start_hz=st.floats(0.0, 1e9),
        stop_hz=st.floats(2e9, 1e12),
        points=st.integers(2, 100_001),
        rbw_hz=st.floats(0.1, 1e8),
        attenuation_db=st.floats(0.0, 100.0),
        reference_dbm=level,
        generator_dbm=st.one_of(st.none(), level),
        detector=st.sampled_from(list(Detector)),
        vbw_hz=st.one_of(st.none(), st.floats(0.1, 1e8)),
        sweep_time_s=st.one_of(st.none(), st.floats(0.0, 1e4)),
        display_bottom_dbm=st.one_of(st.none(), level),
    )


_RANGES = {  # as far as a journal is read; a record's times and numbers are its own
    "seconds": st.floats(0.0, 1e6),
    "rbw_hz": st.floats(0.1, 1e8),
    "jump_db": st.floats(0.0, 100.0),
    "slower": st.floats(1.0, 100.0),
    "repeats": st.integers(1, 10_000),
    "instrument_s": st.floats(0.0, 1e4),
}


def values(kind: Any) -> st.SearchStrategy[Any]:
    if kind in _SCALARS:
        return _SCALARS[kind]
    if kind is Trace:
        return _traces()
    if kind is Capabilities:
        return _capabilities()
    if kind is SweepSettings:
        return _settings()
    origin, args = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return st.one_of(*(st.none() if arg is type(None) else values(arg) for arg in args))
    if origin is Mapping:
        return st.dictionaries(_TEXT, values(args[1]), max_size=2)
    if origin is tuple and args[-1] is not Ellipsis:
        return st.tuples(*map(values, args))
    if origin is tuple:
        return st.lists(values(args[0]), max_size=2).map(tuple)
    if origin is frozenset:
        return st.frozensets(values(args[0]))
    if issubclass(kind, StrEnum):
        return st.sampled_from(list(kind))
    hints = get_type_hints(kind)
    drawn = {field.name: values(hints[field.name]) for field in dataclasses.fields(kind)}
    if issubclass(kind, Entry | Sweep):
        drawn |= {name: drawn_from for name, drawn_from in _RANGES.items() if name in drawn}
    if kind is Hookup:  # numbers that do not fit the loads are refused when it is made
        return st.builds(kind, **drawn | {"load_numbers": st.just(())}).map(_numbered)
    return st.builds(kind, **drawn)


def _numbered(hookup: Hookup) -> Hookup:
    return dataclasses.replace(hookup, load_numbers=tuple(range(len(hookup.loads), 0, -1)))


@pytest.fixture(scope="session")
def values_of() -> Callable[[Any], st.SearchStrategy[Any]]:
    """Type -> strategy of its values."""
    return values


@pytest.fixture(scope="session")
def sweep() -> Sweep:
    """Three points, the middle one without data; the used settings differ from those asked."""
    asked = SweepSettings(
        start_hz=146.0e6,
        stop_hz=146.02e6,
        points=3,
        rbw_hz=1000.0,
        attenuation_db=10.0,
        reference_dbm=0.0,
        generator_dbm=None,
    )
    return Sweep(
        trace=Trace(np.array([146.0e6, 146.01e6, 146.02e6]), np.array([-70.1, np.nan, -np.inf])),
        asked=asked,
        used=dataclasses.replace(asked, rbw_hz=1e3 / 3, sweep_time_s=0.25, display_bottom_dbm=-100.0),
        flags=frozenset(),
        began=datetime(2026, 11, 25, 8, 15, 2, 250, tzinfo=UTC),
        instrument_s=0.30000000000000004,
    )
