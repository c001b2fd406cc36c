"""Checks that every stored file passes before it is believed: its version, and the names it gives to files."""

from __future__ import annotations

from typing import Any

from sequencer.errors import StoredDataError

__all__ = ["check_inside", "check_version"]


def check_inside(name: str, where: str) -> str:
    """Return a file name that stays inside its run folder on every system, '/' between its parts.

    Raises
    ------
    StoredDataError
        For absolute paths, drives, '..', backslashes, control characters, empty parts.
    """
    parts = name.split("/")
    bad = not name.isprintable() or any(part in ("", ".", "..") for part in parts) or set(name) & set('\\:*?"<>|')
    if bad:
        msg = f"{where}: {name!r} is not the name of a file inside the run folder"
        raise StoredDataError(msg, where=where, file=name)
    return name


def check_version(plain: Any, key: str, newest: int, where: str) -> None:
    """Refuse what is not a JSON object with a whole-number version under ``key``, or one newer than we know."""
    version = plain.get(key) if isinstance(plain, dict) else None
    if type(version) is not int or version < 1:
        msg = f"{where}: no version ('{key}: {newest}') in it: not one of our files, or damaged"
        raise StoredDataError(msg, where=where)
    if version > newest:
        msg = (
            f"{where}: {key} version {version} was written by a newer Notchbook; this one reads up to {newest}. "
            "Update Notchbook to open it"
        )
        raise StoredDataError(msg, where=where, version=version)
