"""JSON Schema of what `sequencer.formats.plain` writes for a dataclass, from the same type hints."""

from __future__ import annotations

import dataclasses
import types
from collections.abc import Mapping
from datetime import datetime
from enum import StrEnum
from typing import Any, Union, cast, get_args, get_origin

from sequencer.errors import NotchbookError
from sequencer.formats.plain import hints_of

__all__ = ["schema_of"]

_SCALARS: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": "number"},
    datetime: {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{6})?Z$"},
}


def schema_of(kind: type, title: str) -> dict[str, Any]:
    """Return a draft 2020-12 schema; every key that is written is required, no other is allowed."""
    defs: dict[str, Any] = {}
    _schema(kind, defs)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        "$ref": f"#/$defs/{kind.__name__}",
        "$defs": defs,
    }


def _schema(kind: Any, defs: dict[str, Any]) -> dict[str, Any]:
    if kind in _SCALARS:
        return dict(_SCALARS[kind])
    origin, args = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        present = next(arg for arg in args if arg is not type(None))
        return {"anyOf": [_schema(present, defs), {"type": "null"}]}
    if origin is Mapping:
        return {"type": "object", "additionalProperties": _schema(args[1], defs)}
    if origin is tuple and args[-1] is not Ellipsis:
        items = [_schema(arg, defs) for arg in args]
        return {"type": "array", "prefixItems": items, "minItems": len(items), "maxItems": len(items)}
    if origin in (tuple, frozenset):
        return {"type": "array", "items": _schema(args[0], defs)}
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return {"enum": [str(member) for member in kind]}
    if not dataclasses.is_dataclass(kind):
        msg = f"no JSON Schema for {kind!r}"
        raise NotchbookError(msg)
    return _object(cast(type, kind), defs)


def _object(kind: type, defs: dict[str, Any]) -> dict[str, Any]:
    if kind.__name__ not in defs:
        hints = hints_of(kind)
        defs[kind.__name__] = {}  # in place before its fields, should a type ever hold itself
        defs[kind.__name__] = {
            "type": "object",
            "description": (kind.__doc__ or "").partition("\n")[0],
            "properties": {name: _schema(hint, defs) for name, hint in hints.items()},
            "required": list(hints),
            "additionalProperties": False,
        }
    return {"$ref": f"#/$defs/{kind.__name__}"}
