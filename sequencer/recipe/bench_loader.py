"""Bench-file text to a checked `Bench`."""

from __future__ import annotations

import hashlib
from datetime import date

import yaml

from sequencer.recipe.blocks import Block
from sequencer.recipe.keys import BENCH
from sequencer.recipe.model import (
    AnalyzerFile,
    Bench,
    Bridge,
    Figure,
    KitItem,
    Pad,
    Specifications,
    SwitchFile,
    SwitchLoss,
)
from sequencer.recipe.problems import Problems
from sequencer.recipe.shapes import Word
from sequencer.recipe.yaml_text import Pairs, read_document

__all__ = ["load_bench", "refuse_overdrive"]

_ENDS = {"lead": 2, "pad": 2, "adapter": 2, "load": 1, "open": 1, "short": 1}


def load_bench(text: str, source: str) -> Bench:
    """Return the bench that the text describes; ``source`` is the file's name, for messages and the record.

    Raises
    ------
    RecipeError
        With one line 'FILE:LINE: key: what was wrong' per independent mistake; facts: file, line, key.
    """
    document = read_document(text, source)
    problems = Problems(source)
    top = BENCH.read(document, "", problems)
    assert isinstance(top, Block)
    generator, pads = top.block("generator"), top.block("pads")
    kit = top.block("kit")
    bench = Bench(
        analyzer=_analyzer(top.block("analyzer"), problems, text, source),
        generator_level_dbm=generator.get("level", float),
        generator_vswr=generator.get("vswr", Figure),
        bridge=_bridge(top.get("bridge", Block), problems),
        generator_pad=_pad(pads.get("generator", Block)),
        analyzer_pad=_pad(pads.get("analyzer", Block)),
        specifications=_specifications(top.block("specifications")),
        kit=tuple(_item(name, kit.block(name), problems) for name in kit.values),
        switch=_switch(top.get("switch", Block), problems),
        source=source,
        text=text,
        sha256=hashlib.sha256(text.encode("utf-8")).hexdigest(),
    )
    problems.raise_if_any()
    return bench


def refuse_overdrive(bench: Bench) -> None:
    """Refuse a stated level that joined leads bring above the analyzer's stated maximum input.

    Asked before a bench is used, not where its file is read: a stored run whose bench was overdriven still opens.

    Raises
    ------
    RecipeError
        One line 'FILE:LINE: generator.level: what was wrong'.
    """
    level, highest = bench.generator_level_dbm, bench.highest_level_dbm
    if level is None or level <= highest:
        return
    problems = Problems(bench.source)
    top = BENCH.read(read_document(bench.text, bench.source), "", problems)
    assert isinstance(top, Block)
    generator, maximum = top.block("generator"), bench.analyzer.maximum_input_dbm
    pads = f"less {bench.pads_db:g} dB of pads" if bench.pads_db else "without pads"
    text = (
        f"{level:g} dBm {pads} bring {level - bench.pads_db:g} dBm to the analyzer when the leads are joined, above "
        f"its maximum input of {maximum:g} dBm, and can destroy it; state at most {highest:g} dBm, or fit and state "
        f"pads that lose {level - highest:g} dB more"
    )
    problems.add(generator.at("level"), generator.path("level"), text)
    problems.raise_if_any()


def _analyzer(block: Block, problems: Problems, text: str, source: str) -> AnalyzerFile:
    whole = isinstance(block.values.get("dialect"), Pairs)
    return AnalyzerFile(
        resource=block.word("resource"),
        visa=block.word("visa", "@py"),
        dialect="in the bench file" if whole else block.word("dialect", "auto"),
        dialect_text=_inner_text(text) if whole else "",
        dialect_source=source if whole else "",
        vswr=block.get("vswr", Figure),
        maximum_input_dbm=block.get("maximum input", float),
        calibrated=_date(block, problems),
        baud=block.get("baud", int),
    )


def _inner_text(text: str) -> str:
    """Return the dialect's own text, behind as many empty lines as stand before it, so that its lines count."""
    root = yaml.compose(text.removeprefix("\ufeff"), Loader=yaml.SafeLoader)  # read_document found it harmless
    for name in ("analyzer", "dialect"):
        assert isinstance(root, yaml.MappingNode)
        root = next(value for key, value in root.value if key.value == name)
    assert root is not None
    start, end = root.start_mark, root.end_mark
    body = text.removeprefix("\ufeff")[start.index : end.index]
    return "\n" * start.line + " " * start.column + body


def _bridge(block: Block | None, problems: Problems) -> Bridge | None:
    directivity = block.get("directivity", Figure) if block is not None else None
    if block is None or directivity is None:
        return None
    loss_db = block.get("loss", float)
    usual = Bridge(directivity_db=directivity)
    return Bridge(
        directivity_db=directivity,
        test_port_vswr=block.get("test port vswr", Figure),
        loss_db=usual.loss_db if loss_db is None else loss_db,
        id=block.word("id"),
        connector=block.get("connector", str) or "",
        calibrated=_date(block, problems),
    )


def _pad(block: Block | None) -> Pad | None:
    loss_db = block.get("loss", float) if block is not None else None
    if block is None or loss_db is None:
        return None
    return Pad(
        loss_db=loss_db,
        vswr=block.get("vswr", Figure),
        id=block.word("id"),
        connector=block.get("connector", str) or "",
    )


def _specifications(block: Block) -> Specifications:
    scale, frequency = block.block("scale"), block.block("frequency")
    return Specifications(
        scale_per_db=scale.get("per dB", Figure),
        scale_over_range_db=scale.get("over range", Figure),
        attenuator_switching_db=block.get("attenuator switching", Figure),
        reference_switching_db=block.get("reference switching", Figure),
        rbw_switching_db=block.get("rbw switching", Figure),
        drift_db_per_h=block.get("drift", Figure),
        connection_db=block.get("connection", Figure),
        frequency_reference_ppm=frequency.get("reference", Figure),
        frequency_span_percent=_in_percent(frequency.get("span", Figure)),
        load_vswr=block.get("load vswr", Figure),
        noise_dbm_hz=block.get("noise", float),
    )


def _in_percent(share: Figure | None) -> Figure | None:
    """Turn 0.01 into 1 (the model keeps percent, `units` keeps shares)."""
    if share is None:
        return None
    limit, typical, measured = (
        None if value is None else round(100.0 * value, 12) for value in (share.limit, share.typical, share.measured)
    )
    return Figure(limit=limit, typical=typical, measured=measured)


def _item(name: str, block: Block, problems: Problems) -> KitItem:
    what = block.get("what", str) or ""
    ends = tuple(word.text for word in block.many("ends", Word))
    if ends and "ends" not in block.bad and len(ends) != _ENDS.get(what, len(ends)):
        text = f"{len(ends)} connector ends; {'an' if what[0] in 'ao' else 'a'} {what} has {_ENDS[what]}"
        problems.add(block.at("ends"), block.path("ends"), text)
    value_db, u_db = block.get("value", float), block.get("uncertainty", float)
    if u_db is not None and not block.given("value"):
        text = "an uncertainty needs the value it belongs to: write for example 'value: 20.03 dB'"
        problems.add(block.at("uncertainty"), block.path("uncertainty"), text)
    return KitItem(
        id=name,
        what=what,
        ends=ends,
        loss_db=block.get("loss", Figure),
        vswr=block.get("vswr", Figure),
        calibrated=_date(block, problems),
        value_db=value_db,
        u_db=u_db,
    )


def _switch(block: Block | None, problems: Problems) -> SwitchFile | None:
    if block is None:
        return None
    hookups, losses = block.block("hookups"), block.block("losses")
    for name in hookups.values:
        first, _, second = name.removeprefix("thru ").partition("-")
        if first == second:
            problems.add(hookups.at(name), hookups.path(name), f"'{name}' leads from a port to itself")
    for name in losses.values:
        if f"thru {name}" in hookups.values:
            text = f"the hookup 'thru {name}' measures this loss in every run: leave out one of the two"
            problems.add(losses.at(name), losses.path(name), text)
        elif hookups.values and name not in hookups.values:
            text = f"switch.hookups has no '{name}' that this could be the loss of"
            problems.add(losses.at(name), losses.path(name), text)
    read_back = block.word("read back")
    for name in hookups.values if read_back else ():
        if "(@" not in hookups.word(name):
            text = "names no channels such as (@3), so 'read back' has nothing to compare with"
            problems.add(hookups.at(name), hookups.path(name), text)
    settling_s = block.get("settling", float)
    usual = SwitchFile(resource=block.word("resource"), hookups={})
    return SwitchFile(
        resource=usual.resource,
        hookups={name: hookups.word(name) for name in hookups.values},
        visa=block.word("visa", usual.visa),
        settling_s=usual.settling_s if settling_s is None else settling_s,
        read_back=read_back,
        errors="" if block.word("errors") == "none" else block.word("errors", usual.errors),
        baud=block.get("baud", int),
        losses={name: _switch_loss(losses.block(name), problems) for name in losses.values},
    )


def _switch_loss(block: Block, problems: Problems) -> SwitchLoss:
    loss_db, u_db = block.get("loss", float), block.get("uncertainty", float)
    return SwitchLoss(loss_db=loss_db or 0.0, u_db=u_db or 0.0, date=_date(block, problems, "date"))


def _date(block: Block, problems: Problems, key: str = "calibrated") -> str:
    text = block.word(key)
    if text:
        try:
            date.fromisoformat(text[:10])
        except ValueError:
            problems.add(block.at(key), block.path(key), f"'{text[:10]}' is not a day of the calendar")
    return text
