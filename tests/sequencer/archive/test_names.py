from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.archive.names import check_run_id, is_own, make_run_id

BEGAN = datetime(2026, 11, 25, 8, 15, 2, tzinfo=UTC)


@pytest.mark.parametrize(
    ("recipe", "serial", "run_id"),
    [
        pytest.param("vhf-600k-acceptance", "SN123", "20261125-081502-vhf-600k-acceptance-SN123", id="plain"),
        pytest.param("vhf", "", "20261125-081502-vhf", id="no-serial"),
        pytest.param("vhf", "../../etc", "20261125-081502-vhf-etc", id="escape"),
        pytest.param("Überholt", "№ 7/2", "20261125-081502-Uberholt-No-7-2", id="letters"),
        pytest.param("a" * 99, "b" * 99, "20261125-081502-" + "a" * 40 + "-" + "b" * 40, id="long"),
    ],
)
def test_run_ids(recipe: str, serial: str, run_id: str) -> None:
    assert make_run_id(BEGAN, recipe, serial) == run_id


def test_run_ids_are_in_utc_so_that_names_sort_by_time() -> None:
    east = BEGAN.astimezone(timezone(timedelta(hours=11)))
    assert make_run_id(east, "r", "s") == make_run_id(BEGAN, "r", "s")


@given(st.text(), st.text())
def test_every_run_id_we_make_is_safe(recipe: str, serial: str) -> None:
    run_id = make_run_id(BEGAN, recipe, serial)
    assert check_run_id(run_id) == run_id


def test_own_files() -> None:
    assert all(map(is_own, ["journal.jsonl", "bus.log", "traces/001.csv", "traces/1000.csv"]))
    assert not any(map(is_own, ["manifest.json", "traces/01.csv", "traces/001.csv~", "x/traces/001.csv", ".DS_Store"]))
