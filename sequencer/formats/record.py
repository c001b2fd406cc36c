"""result.json: the record of a run as canonical JSON, with the keys that design.md gives a result."""

from __future__ import annotations

from typing import Any

from sequencer.core.record import RECORD_VERSION, Record
from sequencer.formats.canonical import canonical_json, read_json
from sequencer.formats.guards import check_version
from sequencer.formats.plain import from_plain, to_plain
from sequencer.formats.schema import schema_of

__all__ = ["dump_record", "load_record", "record_schema"]

_LEFT_OUT = ("path", "port", "change")  # of a result, where they do not apply


def dump_record(record: Record) -> str:
    """Return the record as canonical JSON.

    Raises
    ------
    NotchbookError
        When a number in it is NaN or infinite: what has no value must be None.
    """
    plain = to_plain(record, Record)
    for result in plain["results"]:
        for key in _LEFT_OUT:
            if result[key] is None:
                del result[key]
        result["limit"] = {end: value for end, value in result["limit"].items() if value is not None}
    return canonical_json(plain)


def load_record(text: str, where: str = "result.json") -> Record:
    """Read a record back.

    Raises
    ------
    StoredDataError
        When it was written by a newer Notchbook, or is not a record as `dump_record` writes it.
    """
    plain = read_json(text, where)
    check_version(plain, "record", RECORD_VERSION, where)
    return from_plain(Record, plain, where)


def record_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of result.json."""
    schema = schema_of(Record, "Notchbook result.json, version 1")
    schema["$defs"]["Record"]["properties"]["record"] = {"const": RECORD_VERSION}
    result = schema["$defs"]["Result"]
    result["required"] = [key for key in result["required"] if key not in _LEFT_OUT]
    result["oneOf"] = [{"required": ["path"]}, {"required": ["port"]}]
    for key in _LEFT_OUT:
        result["properties"][key] = next(
            option for option in result["properties"][key]["anyOf"] if option != {"type": "null"}
        )
    limit = schema["$defs"]["Limit"]
    limit["properties"] = {"min": {"type": "number"}, "max": {"type": "number"}}
    limit["required"] = []
    return schema
