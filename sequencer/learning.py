"""`dialect: auto`: before a run begins, find out how the analyzer is spoken to, and write it into the bench file.

First the shipped dialects (by their identifying questions, then by use), then the probe. What was learnt
stands in the bench text that the run folder keeps, so the run, its resumption and its archive all say the same.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import yaml

from sequencer.errors import BenchError, GaveUpError
from sequencer.recipe.model import Bench

__all__ = ["THRU_QUESTION", "Learning", "learn", "with_dialect"]

THRU_QUESTION = "switch the generator on"
MAXIMUM_DBM = 0.0  # harmless to the input of any analyzer [common practice, no source]; a bench file may state another
_CAUTIONS = (
    "Never key a transmitter while analyzer, generator, bridge or pads are connected: lock it out first.",
    "Join the generator lead to the analyzer lead, with their pads; nothing else may be connected.",
)

Exchange = tuple[str, bytes]


@dataclass(frozen=True, slots=True)
class Learning:
    """The bench with its dialect settled, and every exchange it took (for the run's transcript)."""

    bench: Bench
    said: tuple[Exchange, ...]


def learn(bench: Bench, clock: Any, thru: Callable[[], bool], say: Callable[[str], None]) -> Learning:
    """Return the bench with ``dialect: auto`` replaced by what the instrument understands.

    ``thru`` is asked when the generator's turn comes: it brings the thru about and returns whether the generator
    may be switched on.

    Raises
    ------
    LinkError, InstrumentError
        When the instrument cannot be reached, or not all that a sweep needs was found.
    """
    from instruments import dialects
    from instruments.link import Link
    from instruments.probe import probe
    from instruments.proving import why_not
    from sequencer.recipe.bench_loader import load_bench

    said: list[Exchange] = []
    link = Link.open(
        bench.analyzer.resource,
        bench.analyzer.visa,
        lambda way, data: said.append((way, data)),
        baud=bench.analyzer.baud,
    )
    try:
        told = ""
        try:
            shipped = dialects.choose(link)
            against = why_not(link, shipped, clock)
            told = "" if against else shipped.name
        except BenchError as exc:
            against = exc.message
        if not told:
            say(f"no shipped dialect fits this analyzer; asking it how it is spoken to ({against[:200]})")
            if link.dead:
                link.reopen()
            top_dbm = MAXIMUM_DBM if bench.generator_level_dbm is None else bench.generator_level_dbm
            told = probe(link, clock, maximum_dbm=min(top_dbm, bench.highest_level_dbm), confirm=thru, say=say).text
    finally:
        link.close()
    return Learning(load_bench(with_dialect(bench.text, told), bench.source), tuple(said))


def thru_by(person: Any, *, simulated: bool) -> Callable[[], bool]:
    """Return what asks a person for the thru, and for leave to switch the generator on."""
    from sequencer.core.hookup import Hookup, HookupKind
    from sequencer.ports import Question

    question = Question(
        key=THRU_QUESTION,
        text=(
            "To learn how its generator is spoken to, it is switched on once, at its lowest level, into a thru. "
            "Is every transmitter disconnected and locked out, and may it be switched on?"
        ),
        cautions=_CAUTIONS,
        choices=("yes", "no"),
        safe_answer="yes" if simulated else None,
    )

    def thru() -> bool:
        try:
            answer, _by = person.ask(question)
        except GaveUpError:
            return False
        if answer != "yes":
            return False
        person.connect(Hookup(name="thru", kind=HookupKind.THRU))
        return True

    return thru


def with_dialect(text: str, dialect: str) -> str:
    """Return a bench file's text with its dialect replaced: a shipped one's name, or a whole one as a mapping."""
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    assert isinstance(root, yaml.MappingNode)
    analyzer = next(value for key, value in root.value if key.value == "analyzer")
    assert isinstance(analyzer, yaml.MappingNode)
    pairs = [(key, value) for key, value in analyzer.value if key.value != "dialect"]
    indent = 2
    if not analyzer.flow_style:
        indent = pairs[0][0].start_mark.column
    kept = [f"{text[key.start_mark.index : value.end_mark.index].rstrip()}\n" for key, value in pairs]
    whole = dialect.startswith("dialect: 1")
    kept.append("dialect:\n" + textwrap.indent(dialect, "  ") if whole else f"dialect: {dialect}\n")
    block = "\n" + "".join(_indented(part, indent) for part in kept)
    head, tail = text[: analyzer.start_mark.index].rstrip(" \n"), text[analyzer.end_mark.index :]
    return head + block + tail.removeprefix("\n")


def _indented(part: str, indent: int) -> str:
    """Indent a key; a value over several lines keeps its own, deeper indentation."""
    first, newline, rest = part.partition("\n")
    if first == "dialect:":
        return textwrap.indent(part, " " * indent)
    return " " * indent + first + newline + rest
