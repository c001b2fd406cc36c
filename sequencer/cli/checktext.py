"""What `check` prints: every hookup with its moves and sweeps, the time, and what the bench can prove."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.cli.diagram import diagram
from sequencer.cli.moves import EVERY_CAUTION, instruction
from sequencer.cli.words import bounded_width, count, describe, duration, fold, settings_range, table
from sequencer.core.hookup import Hookup
from sequencer.recipe.model import Bench
from sequencer.run.forecast import Forecast, HookupForecast, LimitForecast, SweepForecast
from sequencer.units import show_hz

__all__ = ["check_text"]

HEADS = ("sweep", "range", "points", "RBW", "gen dBm", "ref dBm", "att dB", "time", "each x", "total")


def check_text(
    forecast: Forecast, bench: Bench | None, ports: Sequence[str], *, title: str = "", columns: int = 100
) -> str:
    """Return the whole text; ``columns`` is the terminal's width."""
    width = bounded_width(columns)
    lines = [*(fold(title, width) if title else []), *fold(_first_line(forecast), width), ""]
    previous: Hookup | None = None
    for number, step in enumerate(forecast.hookups, 1):
        head = f"Hookup {number} of {len(forecast.hookups)}: {step.hookup.name}. {describe(step.hookup)}"
        lines += [*fold(head, width), "", *diagram(step.hookup, bench, ports, width).splitlines(), ""]
        for at, move in enumerate(instruction(step.hookup, previous, ports, bench), 1):
            lines += fold(move, width, f"{at:3d}. ")
        lines += ["", *_sweeps(step, width), ""]
        previous = step.hookup
    lines += _time(forecast, width)
    lines += ["", *_provable(forecast.limits, width)]
    if forecast.assumptions:
        lines += ["", "Assumed, because the bench file does not say:"]
        lines += [line for text in forecast.assumptions for line in fold(text, width, "  - ")]
    lines += ["", "Cautions for the bench (each comes again at its moment):"]
    lines += [line for text in EVERY_CAUTION for line in fold(text, width, "  ! ")]
    return "\n".join(lines)


def _first_line(forecast: Forecast) -> str:
    hidden = sum(not limit.ok for limit in forecast.limits)
    whole = count(len(forecast.limits), "limit")
    can = f"{hidden} of {whole} cannot be proved" if hidden else f"all of {whole} can be proved"
    return (
        f"{count(len(forecast.hookups), 'hookup')}, {count(forecast.moves, 'connector move')}, about "
        f"{duration(forecast.total_s)}; {can} on this bench. No instrument was touched."
    )


def _sweeps(step: HookupForecast, width: int) -> list[str]:
    if not step.sweeps:
        return ["  (no sweep)"]
    lines = table(HEADS, [_sweep(sweep) for sweep in step.sweeps], width, wraps=0)
    reasons: dict[str, list[str]] = {}
    for sweep in step.sweeps:
        if sweep.why:
            reasons.setdefault(sweep.why, []).append(_name(sweep))
    for why, names in reasons.items():
        lines += fold(f"{', '.join(dict.fromkeys(names))}: {why}", width, "  ", "    ")
    return lines


def _name(sweep: SweepForecast) -> str:
    return f"{sweep.key} {sweep.role.value}"


def _sweep(sweep: SweepForecast) -> tuple[str, ...]:
    asked = sweep.settings
    return (
        _name(sweep),
        settings_range(asked),
        str(asked.points),
        show_hz(asked.rbw_hz),
        "off" if asked.generator_dbm is None else f"{asked.generator_dbm:g}",
        f"{asked.reference_dbm:g}",
        f"{asked.attenuation_db:g}",
        "coupled" if asked.sweep_time_s is None else duration(asked.sweep_time_s),
        str(sweep.repeats),
        duration(sweep.seconds),
    )


def _time(forecast: Forecast, width: int) -> list[str]:
    sweeping_s = sum(sweep.seconds for step in forecast.hookups for sweep in step.sweeps)
    other_s = max(forecast.total_s - forecast.hands_s - sweeping_s, 0.0)
    rest = f", {duration(other_s)} for warm-up, settling and adjusting" if other_s >= 0.5 else ""
    return fold(
        f"Expected time: {duration(forecast.total_s)}, of it {duration(sweeping_s)} sweeping, "
        f"{duration(forecast.hands_s)} for the hands at {count(forecast.moves, 'connector move')}{rest}. Averages "
        "that turn out to be needed come on top.",
        width,
    )


def _provable(limits: Sequence[LimitForecast], width: int) -> list[str]:
    if not limits:
        return ["No limits: nothing to prove."]
    rows = [(limit.id, limit.limit, limit.provable, "yes" if limit.ok else "NO") for limit in limits]
    lines = ["What this bench can prove:", *table(("limit on", "required", "provable", "enough"), rows, width, wraps=0)]
    for limit in limits:
        if not limit.ok:
            remedy = limit.remedy or "no single remedy is known"
            lines += fold(f"{limit.id}: {remedy}", width, "  NO  ", "      ")
    return lines
