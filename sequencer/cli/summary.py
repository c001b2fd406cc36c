"""The last screen of a run: the overall statement in words, every requirement, where the report lies."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from reports.words import has_limit, interval_text, limit_text, overall_sentence, probability_text, value_text
from sequencer.cli.words import duration, fold, plain, table
from sequencer.core.record import Limit, Record, Result

__all__ = ["overall_words", "summary"]

WIDTH = 80
NOTCH_FREQUENCY = "notch frequency"  # told as distance from where it should be: shorter, and what matters


def summary(record: Record, folder: str) -> str:
    """Return the summary, at most 80 columns wide but for paths."""
    lines = ["=" * (WIDTH - 1)]
    if record.simulated:
        lines += ["SIMULATED, NOT A MEASUREMENT", ""]
    lines += fold(overall_words(record), WIDTH)
    lines += fold(f"{record.title}. Device: {record.serial or 'no serial given'}. Run {record.run_id}.", WIDTH)
    if record.results:
        rows = [_row(result) for result in record.results]
        lines += ["", *table(("statement", "requirement", "limit", "value", "interval"), rows, WIDTH), ""]
        coverage = f"{100 * record.coverage:g} %"
        if record.probability_conforming is not None:
            chance = probability_text(record.probability_conforming)
            lines += fold(f"Probability that the device meets all its limits: {chance}.", WIDTH)
        away = "; a notch frequency is told as distance from where it should be"
        lines += fold(
            f"Intervals cover {coverage}, their ends rounded outwards; '>=' marks a bound, where noise, leakage or the "
            f"display hid the true value{away * any(r.quantity == NOTCH_FREQUENCY for r in record.results)}. "
            f"{plain(record.decision)}",
            WIDTH,
        )
    for step in record.witnessed:
        told = "; ".join(f"{name} {reading}" for name, reading in step.readings.items()) if step.done else "not done"
        lines += fold(f"{step.name}: {told}.", WIDTH, "Witnessed, not measured by this bench: ", "  ")
    lines += [line for warning in record.warnings for line in fold(warning, WIDTH, "Warning: ", "  ")]
    swept, wall = duration(record.instrument_seconds), duration(record.wall_seconds)
    clock = " of bench time" if record.simulated else ""
    # how long an unpaced simulated bench took before it was resumed, nobody knows
    took = "" if not record.resumed else "at least " if record.simulated else "in all its sessions together "
    lines += [f"The instrument worked {swept}{clock}; the run took {took}{wall}.", ""]
    lines.append(f"Report:  {_path(folder, 'report.html')}")
    lines.append(f"Record:  {_path(folder, 'result.json')}")
    return "\n".join(lines)


def overall_words(record: Record) -> str:
    """Return the overall statement and its sentence, in the words of the report."""
    if not record.complete:
        return "UNFINISHED: the run ended before everything was measured. What was swept is kept."
    if not any(has_limit(result.limit) for result in record.results):
        return f"NOTHING JUDGED: {overall_sentence(record)}"
    return f"{record.overall.upper()}: {overall_sentence(record)}"


def _row(result: Result) -> tuple[str, ...]:
    name = result.id if result.condition in result.id else f"{result.id} {result.condition}"
    result, sign = _from_target(result) if result.quantity == NOTCH_FREQUENCY else (result, "")
    value = sign + value_text(result)
    interval = "" if result.value is None else interval_text(result)
    return result.statement.upper(), name, *(plain(text) for text in (_limit(result), value, interval))


def _from_target(result: Result) -> tuple[Result, str]:
    """Return a notch's frequency as distance from where it should be, and the sign of its value."""
    ends = (*result.interval, result.value, result.limit.min, result.limit.max)
    low, high, value, least, most = (None if end is None else end - result.at_hz for end in ends)
    told = replace(result, value=value, interval=(low, high), limit=Limit(min=least, max=most))
    return told, "+" if value is not None and round(value) > 0 else ""


def _limit(result: Result) -> str:
    """Write the limit; a distance to either side, as the recipe has it, as one number."""
    low, high = result.limit.min, result.limit.max
    if result.quantity == NOTCH_FREQUENCY and low is not None and high is not None and abs(low + high) < 1.0:
        return f"within {limit_text(Limit(max=high), result.unit).removeprefix('at most ')}"
    return limit_text(result.limit, result.unit) if has_limit(result.limit) else ""


def _path(folder: str, name: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in str(Path(folder) / name))
