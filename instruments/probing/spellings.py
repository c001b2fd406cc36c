"""The shipped spellings, read from dialects/spellings.yaml and written out in the forms an instrument may want."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

import yaml

__all__ = ["LONG", "SHORT", "families", "forms", "headers", "word_forms", "words"]

SHORT, LONG = "short", "long"
_NUMBERS = ("", "1", "2")
_NEXT_PATTERN = 1.5  # the next pattern's first form comes before this one's numbers, but after its whole form
_NODE = re.compile(r"(\[)?:?([A-Za-z|]+)(#)?:?\]?")


@cache
def _table() -> Mapping[str, Any]:
    table = yaml.load((files("instruments.dialects") / "spellings.yaml").read_text(encoding="utf-8"), yaml.BaseLoader)  # noqa: S506 - the base loader makes texts only
    assert isinstance(table, dict)
    return table


def words(function: str, kind: str = "") -> tuple[str, ...]:
    """Return what is listed for a function as it stands there."""
    found = _table()[function]
    return tuple(found[kind] if kind else found)


def families(function: str, style: str) -> tuple[tuple[str, ...], ...]:
    """Return the headers of each pattern listed for a function: different things, where headers() has one thing."""
    return tuple(
        tuple(header for _, header in sorted(forms(pattern, style), key=lambda one: one[0]))
        for pattern in words(function)
    )


def headers(function: str, style: str) -> tuple[str, ...]:
    """Return every header to try for a function, the likeliest first.

    Examples
    --------
    >>> headers("start", SHORT)[:3], headers("abort", LONG)[0]
    (('FREQ:STAR', 'SENS:FREQ:STAR', 'FREQ:SWE:STAR'), 'ABORT')
    """
    ranked = [
        (tier + _NEXT_PATTERN * place, place, header)
        for place, pattern in enumerate(words(function))
        for tier, header in forms(pattern, style)
    ]
    return tuple(dict.fromkeys(header for _, _, header in sorted(ranked, key=lambda one: one[:2])))


def forms(pattern: str, style: str) -> Iterator[tuple[int, str]]:
    """Yield (tier, header): what the standard allows first, numbers and mixtures later.

    Examples
    --------
    >>> sorted(forms("OUTPut#[:STATe]", SHORT))[:4]
    [(0, 'OUTP'), (1, 'OUTP:STAT'), (2, 'OUTP1'), (2, 'OUTP1:STAT')]
    """
    nodes = [(bool(m[1]), m[2].split("|"), bool(m[3])) for m in _NODE.finditer(pattern)]
    choices = [
        [None] * optional + [(name, number) for name in names for number in (_NUMBERS if numbered else ("",))]
        for optional, names, numbered in nodes
    ]
    most_optional = sum(optional for optional, _, _ in nodes)
    for chosen in itertools.product(*choices):
        there = [one for one in chosen if one is not None]
        numbers = {
            number
            for (_, _, numbered), one in zip(nodes, chosen, strict=True)
            if one and numbered
            for number in [one[1]]
        }
        left_out = len(chosen) - len(there)
        if len(numbers) > 1:
            tier = 4
        elif numbers <= {""}:
            tier = 0 if left_out == most_optional else 1 if left_out == 0 else 4
        else:
            tier = 2 if "1" in numbers else 3
        yield tier, ":".join(word_forms(name, style) + number for name, number in there)


def word_forms(word: str, style: str) -> str:
    """Return a mnemonic in capitals, its short or long form.

    Examples
    --------
    >>> word_forms("FREQuency", SHORT), word_forms("FREQuency", LONG), word_forms("RMS", SHORT)
    ('FREQ', 'FREQUENCY', 'RMS')
    """
    if style == LONG:
        return word.upper()
    return re.match(r"[A-Z0-9]*", word)[0] or word.upper()  # type: ignore[index]  # an empty match is a match
