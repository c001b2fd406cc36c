"""What `check` prints: every hookup with its moves and sweeps, the time, and what the bench can prove."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace

from sequencer.cli.diagram import diagram
from sequencer.cli.moves import EVERY_CAUTION, instruction
from sequencer.cli.words import (
    bounded_width,
    count,
    describe,
    duration,
    fold,
    listed,
    settings_range,
    sweep_name,
    table,
)
from sequencer.recipe.model import Bench, Recipe
from sequencer.recipe.packing import Stand, packing
from sequencer.run.fittings import chain, loads
from sequencer.run.forecast import Forecast, HookupForecast, LimitForecast, SweepForecast
from sequencer.run.joints import Joints, touches_of
from sequencer.units import show_hz

__all__ = ["check_text"]

HEADS = ("sweep", "range", "points", "RBW", "time")
PASSES = (
    "'passes' is what a device must read: its limit, less the part of the interval that the rule of the recipe guards "
    "it by; enough while that takes no more than half of what the limit allows."
)


def check_text(
    forecast: Forecast, recipe: Recipe, bench: Bench | None, *, simulated: bool = False, columns: int | None = None
) -> str:
    """Return the whole text; ``columns`` is the terminal's width (None: ask it).

    ``simulated``: the bench moves its own cables, but on a terminal a run on it rehearses what hands would do.
    """
    bench = replace(bench, switch=None) if simulated and bench is not None else bench
    width = bounded_width(shutil.get_terminal_size((80, 24)).columns if columns is None else columns)
    ports = recipe.ports
    lines = [
        *fold(recipe.title or recipe.name, width),
        *fold(_first_line(forecast, _joints(forecast, recipe, bench, simulated=simulated)), width),
        "",
    ]
    lines += [*_provable(forecast.limits, width), ""]
    lines += _to_bring(forecast, bench, width)
    joints: Joints | None = None
    switched = bench is not None and bench.switch is not None
    told: set[tuple[str, str]] = set()
    for number, step in enumerate(forecast.hookups, 1):
        head = f"Hookup {number} of {len(forecast.hookups)}: {step.hookup.name}. {describe(step.hookup)}"
        lines += [*fold(head, width), "", *diagram(step.hookup, bench, ports, width).splitlines(), ""]
        matrix = switched and not step.hookup.by_hand
        moves, joints = instruction(step.hookup, joints, ports, bench, matrix=matrix)
        for at, move in enumerate(moves, 1):
            lines += fold(move, width, f"{at:3d}. ")
        lines += ["", *_sweeps(step, told, width), ""]
    lines += _time(forecast, width)
    for witness in recipe.witnessed:
        what = f"{witness.name}, not measured by this bench, with the analyzer disconnected: {witness.do}"
        lines += ["", *fold(f"After the last hookup: {what} Typed in: {listed(list(witness.readings))}.", width)]
    if forecast.assumptions:
        lines += ["", "Assumed, because the bench file does not say:"]
        lines += [line for text in forecast.assumptions for line in fold(text, width, "  - ")]
    lines += ["", "Cautions for the bench (a run shows them at the moment they matter):"]
    lines += [line for text in EVERY_CAUTION for line in fold(text, width, "  ! ")]
    return "\n".join(lines)


def _to_bring(forecast: Forecast, bench: Bench | None, width: int) -> list[str]:
    """The packing list, and what has to be looked for where connectors are not told."""
    hookups = [step.hookup for step in forecast.hookups]
    stands = [Stand(name=one.name, chain=chain(one, bench), loads=loads(one, bench)) for one in hookups]
    packed = packing(stands, bench)
    if not packed:
        return []
    rows = [(str(one.count), one.item, one.ends, one.where) for one in packed]
    lines = ["What to bring, besides analyzer, generator and device:"]
    lines += table(("count", "item", "connectors", "where it stands"), rows, width)
    if any(one.ends == "not told" for one in packed):
        where = "as `ends` of the bench file's kit or `connector` of its pads and bridge"
        lines += fold(f"Connectors that are not told: tell them {where}, or look at the device.", width, "  ")
    return [*lines, ""]


def _first_line(forecast: Forecast, joints: str) -> str:
    hidden = sum(not limit.ok for limit in forecast.limits)
    whole = count(len(forecast.limits), "limit")
    can = f"{hidden} of {whole} cannot be proved" if hidden else f"all of {whole} can be proved"
    return (
        f"{count(len(forecast.hookups), 'hookup')}, {joints}, about "
        f"{duration(forecast.total_s)}; {can} on this bench. No instrument was touched."
    )


def _joints(forecast: Forecast, recipe: Recipe, bench: Bench | None, *, simulated: bool) -> str:
    """How often a person turns a connector; 'the fewest' is only said where it is."""
    if simulated:
        hands = touches_of([step.hookup for step in forecast.hookups], bench, recipe.ports)
        return (
            f"{count(hands, 'joint')} that a rehearsal tells you to open or close and the simulated bench moves itself"
        )
    few = f" (at most {forecast.touches_over} more than needed)" if forecast.touches_over else ""
    return f"{count(forecast.touches, 'joint')} to open or close by hand{few}"


def _sweeps(step: HookupForecast, told: set[tuple[str, str]], width: int) -> list[str]:
    """The table of a hookup, the levels its sweeps share, and each reason the first time it applies."""
    if not step.sweeps:
        return ["  (no sweep)"]
    lines = table(HEADS, [_sweep(sweep, step) for sweep in step.sweeps], width)
    levels: dict[str, list[str]] = {}
    for sweep in step.sweeps:
        levels.setdefault(_levels(sweep), []).append(_name(sweep, step))
    most = max(levels, key=lambda text: len(levels[text]))
    for text, names in sorted(levels.items(), key=lambda item: item[0] == most):
        who = "" if len(levels) == 1 else "the others: " if text == most and len(names) > 2 else f"{listed(names)}: "
        lines += fold(f"{who}{text}.", width, "  ", "    ")
    reasons: dict[str, list[str]] = {}
    for sweep in step.sweeps:
        if sweep.why and (sweep.key, sweep.why) not in told:
            told.add((sweep.key, sweep.why))
            reasons.setdefault(sweep.why, []).append(_name(sweep, step))
    for why, names in reasons.items():
        lines += fold(f"Why {listed(names)}: {why}", width, "  ", "    ")
    return lines


def _name(sweep: SweepForecast, step: HookupForecast) -> str:
    """The key; with the role where one hookup uses it in several."""
    roles = {other.role for other in step.sweeps}
    return sweep_name(sweep.key, "" if len(roles) == 1 else sweep.role.value)


def _levels(sweep: SweepForecast) -> str:
    asked = sweep.settings
    generator = "off" if asked.generator_dbm is None else f"{asked.generator_dbm:g} dBm"
    return (
        f"generator {generator}, reference level {asked.reference_dbm:g} dBm, attenuation {asked.attenuation_db:g} dB, "
        f"detector {asked.detector.value}"
    )


def _sweep(sweep: SweepForecast, step: HookupForecast) -> tuple[str, ...]:
    asked = sweep.settings
    return (
        _name(sweep, step),
        settings_range(asked),
        str(asked.points),
        show_hz(asked.rbw_hz),
        duration(sweep.seconds)
        if sweep.repeats == 1
        else f"{sweep.repeats} x {duration(sweep.seconds / sweep.repeats)}",
    )


def _time(forecast: Forecast, width: int) -> list[str]:
    sweeping_s = sum(sweep.seconds for step in forecast.hookups for sweep in step.sweeps)
    other_s = max(forecast.total_s - forecast.hands_s - sweeping_s, 0.0)
    rest = f", {duration(other_s)} for warm-up, settling and adjusting" if other_s >= 0.5 else ""
    return fold(
        f"Expected time: {duration(forecast.total_s)}, of it {duration(sweeping_s)} sweeping, "
        f"{duration(forecast.hands_s)} for the hands{rest}. Averages "
        "that turn out to be needed come on top.",
        width,
    )


def _provable(limits: Sequence[LimitForecast], width: int) -> list[str]:
    if not limits:
        return ["No limits: nothing to prove."]
    rows = [(limit.id, limit.limit, limit.provable, limit.passes, "yes" if limit.ok else "NO") for limit in limits]
    heads = ("limit on", "required", "provable here", "passes", "enough")
    lines = ["What this bench can prove:", *table(heads, rows, width)]
    if any(limit.passes for limit in limits):
        lines += fold(PASSES, width, "  ")
    for limit in limits:
        if not limit.ok:
            remedy = limit.remedy or "no single remedy is known"
            lines += fold(f"{limit.id}: {remedy}", width, "  NO  ", "      ")
    return lines
