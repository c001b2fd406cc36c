"""The shipped spellings, read from dialects/spellings.yaml and written out in the forms an instrument may want."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

import yaml

__all__ = [
    "LONG",
    "SHORT",
    "families",
    "forms",
    "headers",
    "numbered",
    "numbers_of",
    "renumbered",
    "word_forms",
    "words",
]

SHORT, LONG = "short", "long"
_NUMBERS = ("", "1", "2")
_NEXT_PATTERN = 1.5  # the next pattern's first form comes before this one's numbers, but after its whole form
_MOST_NUMBERED = 4  # nodes that may carry a number at once: DISPlay, WINDow, TRACe and one more
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


def numbers_of(header: str) -> dict[str, str]:
    """Return each node of a header that carries a number, by its name.

    Examples
    --------
    >>> numbers_of("SENS1:DET2:FUNC")
    {'SENS': 'SENS1', 'DET': 'DET2'}
    """
    found = (re.fullmatch(r"([A-Z]+)\d+", node) for node in header.split(":"))
    return {match[1]: match[0] for match in found if match}


def renumbered(header: str, known: Mapping[str, str]) -> str:
    """Return a header with the numbers that its nodes are known to want.

    Examples
    --------
    >>> renumbered("SENS:DATA", {"SENS": "SENS1"})
    'SENS1:DATA'
    """
    return ":".join(known.get(node, node) for node in header.split(":"))


def numbered(function: str, style: str, known: Mapping[str, str]) -> Iterator[str]:
    """Yield a function's headers, shortest and whole forms only, with a 1 behind more and more of their nodes.

    For an instrument that is known to demand numbers where the standard lets them be left out.

    Examples
    --------
    >>> next(numbered("reference", SHORT, {}))
    'DISP1:TRAC1:Y:RLEV'
    """
    for pattern in words(function):
        for tier, header in sorted(forms(pattern, style)):
            nodes = renumbered(header, known).split(":")
            free = [place for place, node in enumerate(nodes[:-1] or nodes) if node[-1].isalpha() and len(node) > 1]
            if tier > 1 or len(free) > _MOST_NUMBERED:
                continue
            for many in range(len(free), 0, -1):
                for chosen in itertools.combinations(free, many):
                    yield ":".join(node + "1" * (place in chosen) for place, node in enumerate(nodes))


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
