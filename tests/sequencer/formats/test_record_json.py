from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.core.record import Bound, Change, Contribution, Limit, Record, Result, Statement
from sequencer.errors import NotchbookError, StoredDataError
from sequencer.formats.record import dump_record, load_record, record_schema

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
SHARE = Contribution(
    name="noise", value=0.1, unit="dB", distribution="normal", divisor=1.0, sensitivity=1.0, u=0.1, kind="A", origin="x"
)
BOUND = Result(
    id="rejection TX-ANT receive",
    quantity="rejection",
    path="TX-ANT",
    at="receive",
    at_hz=146.01e6,
    unit="dB",
    value=None,
    interval=(91.5, None),
    coverage=0.95,
    statement=Statement.PASS,
    bound=Bound.AT_LEAST,
    limit=Limit(min=75.0),
    margin=16.5,
    budget=(SHARE,),
)
MATCH = dataclasses.replace(
    BOUND,
    id="return loss TX transmit",
    path=None,
    port="TX",
    value=20.0,
    interval=(18.0, 22.0),
    bound=None,
    change=Change(baseline="20250101-000000-x", difference=0.1, interval=(-0.4, 0.6), e_n=0.2),
)
RECORD = Record(
    program="notchbook test",
    run_id="r1",
    simulated=True,
    overall=Statement.PASS,
    complete=True,
    title="t",
    recipe_name="n",
    recipe_text="recipe: 1\n",
    recipe_sha256="0",
    bench_text="bench: 1\n",
    bench_sha256="1",
    decision="d",
    coverage=0.95,
    serial="SN1",
    conditions={"temperature": "21 degC"},
    labels={},
    identification={"analyzer": "<b>x</b>"},
    equipment=({"what": "lead"},),
    frequencies={"receive": 146.01e6},
    ports=("TX", "RX", "ANT"),
    began=NOON,
    ended=NOON,
    instrument_seconds=1.0,
    wall_seconds=2,  # an int where a float is meant is written as a float
    hookups=(),
    traces=(),
    notes=(),
    warnings=(),
    results=(BOUND, MATCH),
)


@pytest.fixture(scope="module")
def checker() -> jsonschema.Draft202012Validator:
    schema = record_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def without_change(records: st.SearchStrategy[Record]) -> st.SearchStrategy[Record]:
    """A result stands on a path or on a port, never both or neither."""

    def one_place(result: Result) -> Result:
        return dataclasses.replace(result, path=result.path or "A-B", port=None)

    return records.map(
        lambda record: dataclasses.replace(record, record=1, results=tuple(map(one_place, record.results)))
    )


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(data=st.data())
def test_a_record_comes_back_exactly_and_satisfies_the_schema(
    data: st.DataObject,
    values_of: Callable[[Any], st.SearchStrategy[Any]],
    checker: jsonschema.Draft202012Validator,
) -> None:
    record = data.draw(without_change(values_of(Record)))
    text = dump_record(record)
    assert load_record(text) == record
    assert dump_record(load_record(text)) == text
    checker.validate(json.loads(text))


def test_keys_are_those_of_the_design() -> None:
    plain = json.loads(dump_record(RECORD))
    assert set(plain) == {field.name for field in dataclasses.fields(Record)}
    bound, match = plain["results"]
    always = {"id", "quantity", "at", "at_hz", "value", "unit", "interval", "coverage", "bound", "limit", "margin"}
    always |= {"statement", "probability_conforming", "budget"}
    assert set(bound) == always | {"path", "condition", "notes"}
    assert set(match) == always | {"port", "change", "condition", "notes"}
    assert bound["interval"] == [91.5, None]
    assert bound["bound"] == "at least"
    assert bound["value"] is None
    assert bound["limit"] == {"min": 75.0}
    assert "NaN" not in dump_record(RECORD)


def test_numpy_numbers_and_whole_numbers_are_written_like_the_plain_ones() -> None:
    odd = dataclasses.replace(BOUND, at_hz=146010000, margin=np.float64(16.5), coverage=np.float32(0.5))
    plain = dataclasses.replace(BOUND, coverage=0.5)
    assert dump_record(dataclasses.replace(RECORD, results=(odd,))) == dump_record(
        dataclasses.replace(RECORD, results=(plain,))
    )


def test_nan_is_refused_with_its_place() -> None:
    bad = dataclasses.replace(RECORD, results=(BOUND, dataclasses.replace(MATCH, margin=float("nan"))))
    with pytest.raises(NotchbookError, match=r"results\[1\]\.margin is nan"):
        dump_record(bad)


def test_a_value_of_the_wrong_type_is_not_written() -> None:
    with pytest.raises(NotchbookError, match="None cannot be stored"):
        dump_record(dataclasses.replace(RECORD, serial=None))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        pytest.param({"record": 2}, "newer Notchbook; this one reads up to 1", id="newer"),
        pytest.param({"record": True}, "no version", id="version-is-a-bool"),
        pytest.param({"serial": 7}, "serial: expected text, found 7", id="wrong-type"),
        pytest.param({"ports": "TX"}, "ports: expected a list", id="text-for-list"),
        pytest.param({"overall": "fine"}, "overall: expected one of pass, ", id="unknown-statement"),
        pytest.param({"results": [{}]}, r"results\[0\]\.id: missing", id="empty-result"),
        pytest.param({"wall_seconds": 10**400}, "wall_seconds: expected a number", id="huge"),
        pytest.param(
            {"frequencies": {"receive": None}}, r"frequencies\.receive: expected a number", id="null-frequency"
        ),
        pytest.param({"extra": 1}, "extra: unknown key", id="unknown-key"),
    ],
)
def test_a_record_we_would_not_write_is_refused(
    change: dict[str, object], says: str, checker: jsonschema.Draft202012Validator
) -> None:
    plain = json.loads(dump_record(RECORD)) | change
    with pytest.raises(StoredDataError, match=says):
        load_record(json.dumps(plain))
    if "wall_seconds" not in change:  # JSON Schema knows no largest number
        assert not checker.is_valid(plain)


def test_the_schema_wants_exactly_one_of_path_and_port(checker: jsonschema.Draft202012Validator) -> None:
    plain = json.loads(dump_record(RECORD))
    checker.validate(plain)
    plain["results"][0]["port"] = "TX"
    assert not checker.is_valid(plain)
    del plain["results"][0]["port"], plain["results"][0]["path"]
    assert not checker.is_valid(plain)


@pytest.mark.parametrize("text", ["[]", "null", "7", '{"record": 1}', "{"])
def test_other_json_is_refused(text: str) -> None:
    with pytest.raises(StoredDataError, match=r"^result\.json: "):
        load_record(text)
