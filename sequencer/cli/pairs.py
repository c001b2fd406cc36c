"""KEY=VALUE options of the command line."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.errors import UsageError

__all__ = ["pairs"]


def pairs(given: Sequence[str], option: str) -> dict[str, str]:
    """Return the pairs of a repeated option.

    Raises
    ------
    UsageError
        When one is not KEY=VALUE.
    """
    found: dict[str, str] = {}
    for text in given:
        key, equals, value = text.partition("=")
        if not equals or not key.strip():
            msg = f"{option} {text!r}: write KEY=VALUE"
            raise UsageError(msg)
        found[key.strip()] = value.strip()
    return found
