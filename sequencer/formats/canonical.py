"""Canonical JSON: one text for one value, so that a hash of the text is a hash of the value.

Keys sorted, UTF-8, floats by ``repr`` (they come back exactly), no NaN and no infinity, one newline at the end.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from typing import Any, NoReturn

from sequencer.errors import NotchbookError, StoredDataError

__all__ = ["canonical_json", "json_line", "read_json", "sha256_bytes", "sha256_text"]

_SURROGATE = re.compile("[\ud800-\udfff]")


def sha256_bytes(data: bytes) -> str:
    """SHA-256 (FIPS 180-4) as 64 lower-case hex digits."""
    return hashlib.sha256(data).hexdigest()


def sha256_text(text: str) -> str:
    """SHA-256 of the text in UTF-8, which is how every text file of a run is written."""
    return sha256_bytes(text.encode("utf-8"))


def canonical_json(value: Any) -> str:
    r"""Return the value (dict, list, str, float, int, bool, None) as indented canonical JSON.

    Raises
    ------
    NotchbookError
        When a number is not finite or a key is not text: such a value must never reach a file.

    Examples
    --------
    >>> canonical_json({"b": 0.1, "a": None}) == '{\n "a": null,\n "b": 0.1\n}\n'
    True
    """
    return _dump(value, indent=1, separators=(",", ": "))


def json_line(value: Any) -> str:
    r"""Return the value as canonical JSON on one line, newline included.

    Examples
    --------
    >>> json_line({"b": [1.0, "ä"], "a": True})
    '{"a":true,"b":[1.0,"ä"]}\n'
    """
    return _dump(value, indent=None, separators=(",", ":"))


def _dump(value: Any, indent: int | None, separators: tuple[str, str]) -> str:
    _refuse_what_json_has_not(value, "")
    text = json.dumps(value, sort_keys=True, ensure_ascii=False, allow_nan=False, indent=indent, separators=separators)
    # Half a surrogate pair (undecodable bytes of an instrument's answer) has no UTF-8 form; JSON can escape it.
    return _SURROGATE.sub(lambda half: f"\\u{ord(half[0]):04x}", text) + "\n"


def _refuse_what_json_has_not(value: Any, path: str) -> None:
    if isinstance(value, float) and not math.isfinite(value):
        msg = f"{path or 'value'} is {value!r}: JSON has no such number, and no result may hold one"
        raise NotchbookError(msg, key=path)
    if isinstance(value, dict):
        for key, inner in value.items():
            if not isinstance(key, str):
                msg = f"{path or 'value'}: key {key!r} is not text"
                raise NotchbookError(msg, key=path)
            _refuse_what_json_has_not(inner, f"{path}.{key}" if path else key)
    elif isinstance(value, list | tuple):
        for index, inner in enumerate(value):
            _refuse_what_json_has_not(inner, f"{path}[{index}]")


def read_json(text: str, where: str) -> Any:
    """Read JSON strictly: no NaN, no infinity (1e999 neither), no key twice.

    Parameters
    ----------
    where : file, or file:line, for the message.

    Raises
    ------
    StoredDataError
        With the place and what is wrong.
    """

    def constant(name: str) -> NoReturn:
        msg = f"{name} is not a JSON number"
        raise ValueError(msg)

    def number(digits: str) -> float:
        value = float(digits)
        if not math.isfinite(value):
            msg = f"{digits} is too large a number"
            raise ValueError(msg)
        return value

    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(items)
        if len(found) != len(items):
            keys = [key for key, _ in items]
            msg = f"key {next(key for key in keys if keys.count(key) > 1)!r} stands twice"
            raise ValueError(msg)
        return found

    try:
        return json.loads(text, parse_constant=constant, parse_float=number, object_pairs_hook=pairs)
    except ValueError as exc:
        msg = f"{where}: not readable as JSON: {exc}; the file is damaged or was edited"
        raise StoredDataError(msg, where=where) from exc
    except RecursionError as exc:
        msg = f"{where}: nested too deeply to be one of our files"
        raise StoredDataError(msg, where=where) from exc
