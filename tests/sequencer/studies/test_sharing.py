"""What cancels between two runs, and what never does."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from sequencer.core.hookup import HookupKind
from sequencer.core.record import HookupRecord, TraceRecord
from sequencer.core.trace import SweepSettings
from sequencer.studies.sharing import sharing

OTHER = {"identification": {"analyzer": "Invented Laboratory,analyzer,78,1.0"}}
EVERYTHING = (
    "scale fidelity",
    "mismatch: both test ports in the thru",
    "mismatch: generator port with the device's first port (S11 measured)",
    "mismatch: analyzer port with the device's second port (S22 measured)",
    "directivity",
    "test port match",
    "frequency reference on the slope",
    "span accuracy",
)
NEVER = (
    "noise and averaging",
    "noise of the thru receive",
    "leakage round the device",
    "drift from opening to closing thru",
    "drift since the thru",
    "connection repeatability TX-ANT",
    "interpolation between points",
    "a name of a later version",
)


def cancelled(make, names=EVERYTHING, *, device=True, first=None, **more) -> set[str]:
    before, after = make.record(**(first or {})), make.record(days=0.1, **more)
    result = make.result("rejection", "TX-ANT", "receive", 80.0)
    shared = sharing(before, after, device=device)
    return {name for name in names if shared.cancels(name, result)}


def test_on_one_bench_in_one_evening_all_that_belongs_to_the_bench_cancels(make) -> None:
    assert cancelled(make) == set(EVERYTHING)


def test_what_belongs_to_a_run_never_cancels(make) -> None:
    assert cancelled(make, NEVER) == set()


def test_another_analyzer_shares_nothing(make) -> None:
    assert cancelled(make, **OTHER) == set()


def test_an_analyzer_without_a_serial_number_is_the_same_only_by_an_equal_bench_file(make) -> None:
    nameless = {"identification": {"analyzer": "Invented Laboratory,analyzer,0,1.0"}}
    assert cancelled(make, first=nameless, **nameless) == set(EVERYTHING)
    assert cancelled(make, first=nameless, **nameless, bench_sha256="moved") == set()


def test_a_new_calibration_is_another_scale(make) -> None:
    adjusted = make.bench.replace("2024-01-10", "2024-03-01")
    assert cancelled(make, bench_text=adjusted) == set()


def test_an_address_is_no_property_of_the_bench(make) -> None:
    assert cancelled(make, bench_text=make.bench.replace("192.0.2.10", "192.0.2.99")) == set(EVERYTHING)


@pytest.mark.parametrize(
    ("old", "new", "lost"),
    [
        pytest.param("id: P1", "id: P9", {1, 2}, id="generator-pad"),
        pytest.param("id: P2", "id: P9", {1, 3}, id="analyzer-pad"),
        pytest.param("id: B1", "id: B9", {4, 5}, id="bridge"),
    ],
)
def test_items_are_known_again_by_their_id(make, old, new, lost) -> None:
    """With leads listed in the kit each side is decided by its own ids."""
    kit = make.bench + "kit:\n  L1: {what: lead}\n  L2: {what: lead}\n"
    kept = cancelled(make, first={"bench_text": kit}, bench_text=kit.replace(old, new))
    assert set(EVERYTHING) - kept == {EVERYTHING[index] for index in lost}


def test_over_years_the_frequency_reference_ages_and_a_device_that_was_changed_reflects_anew(make) -> None:
    years = {"began": make.noon.replace(year=2026)}
    assert set(EVERYTHING) - cancelled(make, **years) == set(EVERYTHING[6:])
    assert set(EVERYTHING) - cancelled(make, device=False) == set(EVERYTHING[2:6])
    assert set(EVERYTHING) - cancelled(make, serial="INV-2") == set(EVERYTHING[2:6])


def hookup(load: str, by: str, make) -> tuple[HookupRecord, ...]:
    at = make.noon
    chain = ("generator", "device TX", "device ANT", "analyzer")
    return (
        HookupRecord(name="TX-ANT", kind="path", chain=chain, loads={"RX": load}, confirmed_by=by, at=at, proof=""),
    )


@pytest.mark.parametrize(
    ("load", "by", "known"),
    [
        pytest.param("50 ohm load T1", "operator", True, id="by-id"),
        pytest.param("50 ohm load", "switch", True, id="by-switch"),
        pytest.param("50 ohm load", "operator", False, id="any-load-by-hand"),
    ],
)
def test_a_load_cancels_only_if_it_is_known_to_be_the_same(make, load, by, known) -> None:
    there = {"hookups": hookup(load, by, make)}
    assert cancelled(make, ["load on RX"], first=there, **there) == ({"load on RX"} if known else set())
    other = {"hookups": hookup("50 ohm load T2", by, make)}
    assert cancelled(make, ["load on RX"], first=there, **other) == set()
    guess = "load on RX (its paths not measured, taken as strong)"
    assert cancelled(make, [guess], first=there, **there) == set()


@pytest.mark.parametrize(
    ("name", "setting"),
    [
        ("attenuator switching", {"attenuation_db": 20.0}),
        ("reference switching", {"reference_dbm": -20.0}),
        ("RBW switching", {"rbw_hz": 3e3}),
    ],
)
def test_an_error_of_switching_cancels_at_equal_settings_only(make, name, setting) -> None:
    def runs(used, hookup="TX-ANT"):
        file = {"file": "traces/001.csv", "sha256": "t", "key": "receive", "role": "device", "began": make.noon}
        return {"traces": (TraceRecord(**file, hookup=hookup, used=used),)}

    plain = SweepSettings(
        start_hz=1e6, stop_hz=2e6, points=11, rbw_hz=1e3, attenuation_db=10.0, reference_dbm=0.0, generator_dbm=-10.0
    )
    switched = replace(plain, **setting)
    assert cancelled(make, (name,), first=runs(plain), **runs(plain)) == {name}
    assert cancelled(make, (name,), first=runs(plain), **runs(switched)) == set()
    assert cancelled(make, (name,), first=runs(plain, "thru"), **runs(switched, "thru")) == set()
    assert cancelled(make, (name,)) == set()  # no sweep of the path known in either


def test_the_words_claim_no_more_than_cancels(make) -> None:
    looked = {"hookups": tuple(replace(one, kind=HookupKind.REFLECT) for one in hookup("L1", "operator", make))}
    same = sharing(make.record(**looked), make.record(days=0.1, **looked)).words()
    other = sharing(make.record(**looked), make.record(days=0.1, serial="INV-2", **looked)).words()
    assert "the bridge" in same
    assert "leads and pads, so the match of the test ports" in same
    assert "the bridge" not in other
    assert "leads and pads, so the match of the test ports" not in other
    assert "leads and pads, so the match of the test ports in the thru, not at the device" in other


@pytest.mark.parametrize(("days", "shared"), [(0.0, True), (-300.0, False), (None, False)])
def test_saved_traces_share_the_evening_they_tell_not_that_of_their_reading(make, days, shared) -> None:
    run = make.record()
    read = make.read(make.record(days=0.1), None if days is None else run.began + timedelta(days=days))
    assert sharing(run, read).evening is shared
    assert sharing(read, run).evening is shared
