"""Recipe text to a checked `Recipe`; whatever cannot be meant is refused here, before any instrument."""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from dataclasses import replace

from sequencer.recipe.blocks import Block
from sequencer.recipe.keys import RECIPE
from sequencer.recipe.limits import read_limits
from sequencer.recipe.model import Decision, ExtraSweep, Recipe, Requirement, Rule
from sequencer.recipe.names import Names, read_names
from sequencer.recipe.problems import Problems
from sequencer.recipe.shapes import Word
from sequencer.recipe.witness_loader import read_witnessed
from sequencer.recipe.yaml_text import read_document
from sequencer.units import show_hz

__all__ = ["default_overview_hz", "load_recipe"]

SLIP = 100.0  # an overview that ends so many times further off shows no notch; kHz for MHz is 1000 times


def load_recipe(text: str, source: str) -> Recipe:
    """Return the recipe that the text holds; ``source`` is the file's name, for messages and the record.

    Raises
    ------
    RecipeError
        With one line 'FILE:LINE: key: what was wrong' per independent mistake; facts: file, line, key.
    """
    document = read_document(text, source)
    problems = Problems(source)
    top = RECIPE.read(document, "", problems)
    assert isinstance(top, Block)
    names = read_names(top, problems)
    overview_hz = _overview(top, names, problems)
    requirements = read_limits(top, names, overview_hz, problems)
    sweeps = tuple(_sweep(block, names, problems) for block in top.many("sweeps", Block))
    decision = _decision(top.block("decision"), problems)
    exchange = _exchange(top, [r.path for r, _ in requirements if r.path], problems)
    witnessed = read_witnessed(top, problems)
    names.report_unknown(problems)
    told = _with_ids(requirements, problems)
    problems.raise_if_any()
    return Recipe(
        name=top.word("name"),
        title=top.word("title", top.word("name")),
        ports=names.ports,
        frequencies=names.frequencies,
        overview_hz=overview_hz,
        requirements=told,
        decision=decision,
        sweeps=tuple(sweep for sweep in sweeps if sweep is not None),
        warm_up_s=top.get("warm up", float) or 0.0,
        exchange=exchange,
        re_mate=top.get("re-mate", int) or 0,
        witnessed=witnessed,
        notes=top.word("notes"),
        valid_for=_valid_for(top),
        source=source,
        text=text,
        sha256=hashlib.sha256(text.encode("utf-8")).hexdigest(),
    )


def default_overview_hz(frequencies_hz: tuple[float, ...]) -> tuple[float, float]:
    """Return a span that shows both skirts: twice the split, at least 1 %, beyond the outermost frequencies.

    Rounded outwards to a tenth of the power of ten below the margin; common practice, no source.

    Examples
    --------
    >>> default_overview_hz((146.61e6, 146.01e6))
    (144500000.0, 148100000.0)
    """
    low, high = min(frequencies_hz), max(frequencies_hz)
    margin = max(2.0 * (high - low), 0.01 * high)
    step = 10.0 ** math.floor(math.log10(margin)) / 10.0
    start = math.floor((low - margin) / step) * step
    return (start if start > 0.5 * low else 0.5 * low, math.ceil((high + margin) / step) * step)


def _overview(top: Block, names: Names, problems: Problems) -> tuple[float, float]:
    """Return the overview; (0, inf) where it cannot be told, so that later checks stay quiet."""
    unknown = (0.0, math.inf)
    if not top.given("overview"):
        return default_overview_hz(tuple(names.frequencies.values())) if names.frequencies else unknown
    block = top.block("overview")
    start, stop = block.get("from", float), block.get("to", float)
    if start is None or stop is None:
        return unknown
    if start >= stop:
        problems.add(block.line, block.key, f"it ends at {show_hz(stop)}, not above its start {show_hz(start)}")
        return unknown
    for name, hz in names.frequencies.items():
        if start * SLIP < hz or hz * SLIP < stop:
            end, far = ("starts", start) if start * SLIP < hz else ("ends", stop)
            text = f"it {end} at {show_hz(far)}, and '{name}' is {show_hz(hz)}; is the unit right?"
            problems.add(block.line, block.key, text)
            return unknown
    missed = [name for name, hz in names.frequencies.items() if not start <= hz <= stop]
    for name in missed[:1]:
        hz = names.frequencies[name]
        problems.add(
            block.line,
            block.key,
            f"the span {show_hz(start)} to {show_hz(stop)} misses the frequency '{name}' ({show_hz(hz)})",
        )
    return unknown if missed else (start, stop)


def _sweep(block: Block, names: Names, problems: Problems) -> ExtraSweep | None:
    path = names.path(block, problems)
    start, stop, rbw_hz = (block.get(name, float) for name in ("from", "to", "rbw"))
    if start is None or stop is None:
        return None
    if start >= stop:
        problems.add(block.line, block.key, f"it ends at {show_hz(stop)}, not above its start {show_hz(start)}")
    elif names.complete and not any(start <= hz <= stop for hz in names.frequencies.values()):
        known = ", ".join(f"{name} {show_hz(hz)}" for name, hz in names.frequencies.items())
        problems.add(
            block.line,
            block.key,
            f"the span {show_hz(start)} to {show_hz(stop)} misses every frequency of the recipe ({known})",
        )
    elif rbw_hz is not None and rbw_hz >= stop - start:
        problems.add(
            block.at("rbw"), block.path("rbw"), f"{show_hz(rbw_hz)} is not narrower than the span of the sweep"
        )
    if path is None:
        return None
    return ExtraSweep(
        path=path, start_hz=start, stop_hz=stop, rbw_hz=rbw_hz, points=block.get("points", int), line=block.line
    )


def _exchange(top: Block, limited: list[tuple[str, str]], problems: Problems) -> tuple[tuple[str, str], ...]:
    """Return the paths to sweep both ways; each must have a limit, or there is nothing that could agree."""
    found: dict[tuple[str, str], None] = {}
    for word in top.many("exchange leads", Word):
        first, _, second = word.text.partition("-")
        if (first, second) not in limited and limited:
            known = ", ".join(dict.fromkeys(f"{a}-{b}" for a, b in limited))
            text = f"no limit is set on the path '{word.text}' (there are limits on {known})"
            problems.add(word.line, "exchange leads", text)
        elif (second, first) in limited:
            problems.add(word.line, "exchange leads", f"the path '{second}-{first}' is swept anyway")
        found[first, second] = None
    return tuple(found)


def _decision(block: Block, problems: Problems) -> Decision:
    rule = Rule(block.get("rule", str) or Rule.GUARDED)
    max_risk = block.get("max risk", float)
    rule_known = "rule" not in block.bad
    if rule_known and rule is Rule.RISK and not block.given("max risk"):
        problems.add(block.at("rule"), block.path("rule"), "the rule risk needs 'max risk', such as 'max risk: 2.5 %'")
    if rule_known and rule is not Rule.RISK and max_risk is not None:
        text = f"only the rule risk uses it, and the rule is {rule}; remove it or write 'rule: risk'"
        problems.add(block.at("max risk"), block.path("max risk"), text)
    accept_conditional = block.get("accept", str) == "conditional pass"
    if rule_known and accept_conditional and rule is not Rule.FOUR_WAY:
        text = f"only the rule four-way gives conditional statements, and the rule is {rule}"
        problems.add(block.at("accept"), block.path("accept"), text)
    return Decision(
        rule=rule,
        coverage=block.get("coverage", float) or Decision().coverage,
        max_risk=max_risk,
        accept_conditional=accept_conditional,
    )


def _with_ids(requirements: list[tuple[Requirement, str]], problems: Problems) -> tuple[Requirement, ...]:
    """Return the requirements with their condition in the id where it is needed to tell two apart."""
    shared = Counter(requirement.id for requirement, _ in requirements)
    told = [
        replace(requirement, id=f"{requirement.id} {condition}")
        if condition and shared[requirement.id] > 1
        else requirement
        for requirement, condition in requirements
    ]
    for name, count in Counter(requirement.id for requirement in told).items():
        if count > 1:  # only where a frequency's name ends in words such as 'within 8 kHz'
            line = next(requirement.line for requirement in told if requirement.id == name)
            problems.add(line, "limits", f"two requirements would both be called '{name}'; rename the frequency")
    return tuple(told)


def _valid_for(top: Block) -> str:
    months = top.get("valid for", float)
    return "" if months is None else f"{months:g} month{'' if months == 1 else 's'}"
