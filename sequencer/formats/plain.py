"""Frozen dataclasses to plain JSON values and back, strictly, by their type hints.

Knows just the types that the values of a run are made of; anything else is a fault of ours. Reading
refuses unknown keys, missing keys and wrong types with the place, so a damaged file never half-loads.
"""

from __future__ import annotations

import dataclasses
import types
from collections.abc import Mapping
from datetime import UTC, datetime
from enum import StrEnum
from functools import lru_cache
from typing import Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

import numpy as np

from sequencer.errors import NotchbookError, StoredDataError

__all__ = ["from_plain", "hints_of", "read_time", "show_time", "to_plain"]

T = TypeVar("T")
_SCALARS: dict[Any, type | tuple[type, ...]] = {
    str: str,
    bool: (bool, np.bool_),
    int: (int, np.integer),
    float: (float, int, np.floating, np.integer),
}
_EXPECTED: dict[Any, str] = {
    str: "text",
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    datetime: "a UTC time such as 2026-11-25T08:15:02Z",
}


@lru_cache(maxsize=64)
def hints_of(kind: type) -> dict[str, Any]:
    """Field name -> type of a dataclass, in the order of declaration."""
    hints = get_type_hints(kind)
    return {field.name: hints[field.name] for field in dataclasses.fields(kind)}


def show_time(time: datetime) -> str:
    """Write an aware time as UTC to the microsecond.

    Examples
    --------
    >>> show_time(datetime(2026, 11, 25, 8, 15, 2, tzinfo=UTC))
    '2026-11-25T08:15:02Z'
    """
    if time.tzinfo is None:
        msg = f"time {time.isoformat()} has no time zone"
        raise NotchbookError(msg)
    return time.astimezone(UTC).isoformat().removesuffix("+00:00") + "Z"


def read_time(text: str) -> datetime:
    """Read what `show_time` writes. ValueError otherwise."""
    time = datetime.fromisoformat(text)
    if time.tzinfo is None or show_time(time) != text:
        msg = f"{text!r} is not a UTC time as show_time writes it"
        raise ValueError(msg)
    return time


def to_plain(value: Any, kind: Any) -> Any:
    """Return ``value`` of the declared type ``kind`` as dict, list, str, float, int, bool or None."""
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return None if value is None else to_plain(value, _present(kind))
    if dataclasses.is_dataclass(kind):
        return {name: to_plain(getattr(value, name), hint) for name, hint in hints_of(cast(type, kind)).items()}
    if origin is tuple:
        args = get_args(kind)
        inner = (args[0],) * len(value) if args[-1] is Ellipsis else args
        return [to_plain(item, hint) for item, hint in zip(value, inner, strict=True)]
    if origin is frozenset:
        return sorted(to_plain(item, get_args(kind)[0]) for item in value)
    if origin is Mapping:
        return {str(key): to_plain(item, get_args(kind)[1]) for key, item in value.items()}
    if kind is datetime:
        return show_time(value)
    if kind in _SCALARS and isinstance(value, _SCALARS[kind]):
        return kind(value)  # a numpy scalar, or 5 where 5.0 is meant, gives the same text as the plain number
    if isinstance(kind, type) and issubclass(kind, StrEnum) and value in list(kind):
        return str(value)
    msg = f"{value!r} cannot be stored as {kind!r}"
    raise NotchbookError(msg)


def from_plain(kind: type[T], plain: Any, where: str) -> T:
    """Return the value that `to_plain` made ``plain`` from.

    Raises
    ------
    StoredDataError
        Naming ``where``, the key and what was expected.
    """
    return cast(T, _read(kind, plain, where, ""))


def _read(kind: Any, plain: Any, where: str, path: str) -> Any:
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return None if plain is None else _read(_present(kind), plain, where, path)
    if dataclasses.is_dataclass(kind):
        return _read_dataclass(cast(type, kind), plain, where, path)
    if origin is tuple or origin is frozenset:
        if not isinstance(plain, list):
            raise _wrong(where, path, "a list", plain)
        args = get_args(kind)
        varying = origin is frozenset or args[-1] is Ellipsis
        if not varying and len(plain) != len(args):
            raise _wrong(where, path, f"{len(args)} values", plain)
        inner = (args[0],) * len(plain) if varying else args
        pairs = enumerate(zip(plain, inner, strict=True))
        return origin(_read(hint, item, where, f"{path}[{i}]") for i, (item, hint) in pairs)
    if origin is Mapping:
        if not isinstance(plain, dict):
            raise _wrong(where, path, "an object", plain)
        return {key: _read(get_args(kind)[1], item, where, _join(path, key)) for key, item in plain.items()}
    return _read_scalar(kind, plain, where, path)


def _read_dataclass(kind: type, plain: Any, where: str, path: str) -> Any:
    if not isinstance(plain, dict):
        raise _wrong(where, path, "an object", plain)
    hints = hints_of(kind)
    unknown = sorted(set(plain) - set(hints))
    if unknown:
        msg = f"{where}: {_join(path, unknown[0])}: unknown key; the file was edited or written by another version"
        raise StoredDataError(msg, where=where, key=_join(path, unknown[0]))
    for field in dataclasses.fields(kind):
        has_default = field.default is not dataclasses.MISSING or field.default_factory is not dataclasses.MISSING
        if field.name not in plain and not has_default:
            msg = f"{where}: {_join(path, field.name)}: missing"
            raise StoredDataError(msg, where=where, key=_join(path, field.name))
    values = {name: _read(hints[name], item, where, _join(path, name)) for name, item in plain.items()}
    try:
        return kind(**values)
    except ValueError as exc:  # what the type itself refuses
        raise _wrong(where, path, str(exc), plain) from exc


def _read_scalar(kind: Any, plain: Any, where: str, path: str) -> Any:
    expected = _EXPECTED.get(kind) or "one of " + ", ".join(kind)
    if kind in (str, bool, int) and type(plain) is kind:
        return plain
    try:
        if kind is float and type(plain) in (int, float):
            return float(plain)
        if kind is datetime and isinstance(plain, str):
            return read_time(plain)
        if isinstance(kind, type) and issubclass(kind, StrEnum) and isinstance(plain, str):
            return kind(plain)
    except (ValueError, OverflowError) as exc:
        raise _wrong(where, path, expected, plain) from exc
    raise _wrong(where, path, expected, plain)


def _wrong(where: str, path: str, expected: str, plain: Any) -> StoredDataError:
    shown = repr(plain)
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    msg = f"{where}: {path or 'top level'}: expected {expected}, found {shown}"
    return StoredDataError(msg, where=where, key=path)


def _present(kind: Any) -> Any:
    return next(arg for arg in get_args(kind) if arg is not type(None))


def _join(path: str, key: str) -> str:
    return f"{path}.{key}" if path else key
