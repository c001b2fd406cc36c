"""The last screen of a run: the overall statement in words, every requirement, where the report lies."""

from __future__ import annotations

import math
from pathlib import Path

from sequencer.cli.words import count, duration, fold, table
from sequencer.core.record import Bound, Record, Result, Statement

__all__ = ["overall_words", "summary"]

WIDTH = 80
NOTCH_FREQUENCY = "notch frequency"  # told as distance from where it should be: shorter, and what matters
EXITS = {
    0: "accepted",
    1: "not accepted",
    2: "the recipe, a file or the call is wrong",
    3: "the bench let us down; the run is kept",
    4: "it cannot be said",
    130: "interrupted; the run is kept",
    143: "interrupted; the run is kept",
}


def summary(record: Record, folder: str, status: int | None = None) -> str:
    """Return the summary, at most 80 columns wide but for paths; ``status`` is the exit status, if known."""
    lines = ["=" * (WIDTH - 1)]
    if record.simulated:
        lines += ["SIMULATED, NOT A MEASUREMENT", ""]
    lines += fold(overall_words(record), WIDTH)
    lines += fold(f"{record.title}. Device: {record.serial or 'no serial given'}. Run {record.run_id}.", WIDTH)
    if record.results:
        rows = [_row(result) for result in record.results]
        lines += ["", *table(("statement", "requirement", "limit", "value", "interval"), rows, WIDTH, wraps=1), ""]
        coverage = f"{100 * record.coverage:g} %"
        if record.probability_conforming is not None:
            chance = _chance(record.probability_conforming)
            lines += fold(f"Probability that the device meets all its limits: {chance}.", WIDTH)
        lines += fold(f"Intervals cover {coverage}; '>=' marks a bound, where noise, leakage or the display hid "
                      f"the true value. {record.decision}", WIDTH)  # fmt: skip
    for step in record.witnessed:
        told = "; ".join(f"{name} {reading}" for name, reading in step.readings.items()) if step.done else "not done"
        lines += fold(f"{step.name}: {told}.", WIDTH, "Witnessed, not measured by this bench: ", "  ")
    lines += [line for warning in record.warnings for line in fold(warning, WIDTH, "Warning: ", "  ")]
    swept, wall = duration(record.instrument_seconds), duration(record.wall_seconds)
    lines += [f"The instrument worked {swept}; the run took {wall}.", ""]
    lines.append(f"Report:  {_path(folder, 'report.html')}")
    lines.append(f"Record:  {_path(folder, 'result.json')}")
    if status is not None:
        lines.append(f"Exit status {status}: {EXITS.get(status, 'a fault of the program')}.")
    return "\n".join(lines)


def overall_words(record: Record) -> str:
    """Return the overall statement as a sentence."""
    tally = {kind: sum(result.statement is kind for result in record.results) for kind in Statement}
    whole = count(len(record.results), "requirement")
    failed = tally[Statement.FAIL]
    if not record.complete:
        return "UNFINISHED: the run ended before everything was measured. What was swept is kept."
    if not record.results:
        return "NOTHING JUDGED: the recipe states no requirement."
    match record.overall:
        case Statement.PASS:
            many = len(record.results) > 1
            return f"ACCEPTED: all {whole} are met." if many else "ACCEPTED: the requirement is met."
        case Statement.FAIL:
            return f"NOT ACCEPTED: {failed} of {whole} {'fails' if failed == 1 else 'fail'}."
        case Statement.UNDECIDED:
            return (
                f"CANNOT BE SAID: {tally[Statement.UNDECIDED]} of {whole} could not be proved on this bench, "
                f"{failed or 'none'} failed."
            )
        case _:
            open_ones = tally[Statement.CONDITIONAL_PASS] + tally[Statement.CONDITIONAL_FAIL]
            return (
                f"{record.overall.upper()}: {open_ones} of {whole} too close to the limit for the interval to decide."
            )


def _row(result: Result) -> tuple[str, str, str, str, str]:
    name = result.id if result.condition in result.id else f"{result.id} {result.condition}"
    return result.statement.upper(), name, _limit(result), _value(result), _interval(result)


def _limit(result: Result) -> str:
    low, high = (None if end is None else _told(end, result) for end in (result.limit.min, result.limit.max))
    unit = _unit(result)
    if low is not None and high is not None:
        if result.quantity == NOTCH_FREQUENCY and abs(low + high) < 0.001:
            return f"within {high:g} {unit}"
        return f"{low:g} to {high:g} {unit}"
    return f"<= {high:g} {unit}" if high is not None else f">= {low:g} {unit}" if low is not None else ""


def _value(result: Result) -> str:
    if result.value is not None:
        return f"{_number(_told(result.value, result), result)} {_unit(result)}"
    least = result.interval[0]
    if result.bound is Bound.AT_LEAST and least is not None:
        return f">= {_number(_down(_told(least, result)), result)} {_unit(result)}"
    return "not known"


def _interval(result: Result) -> str:
    """Both ends rounded outward: a rounded interval must not promise more than the true one."""
    if result.value is None:
        return ""
    low, high = (None if end is None else _told(end, result) for end in result.interval)
    from_text = "" if low is None else _number(_down(low), result)
    to_text = "" if high is None else _number(-_down(-high), result)
    if low is not None and high is not None:
        return f"{from_text} to {to_text}"
    return f"from {from_text}" if low is not None else f"up to {to_text}" if high is not None else "not known"


def _told(value: float, result: Result) -> float:
    """Return the number as told: kilohertz for hertz, a notch's frequency as distance from where it should be."""
    if result.unit != "Hz":
        return value
    return (value - result.at_hz if result.quantity == NOTCH_FREQUENCY else value) / 1e3


def _unit(result: Result) -> str:
    return "kHz" if result.unit == "Hz" else result.unit


def _down(value: float) -> float:
    """Round down to hundredths; the nudge keeps 84.93 (stored as 84.929999...) at 84.93."""
    return math.floor(value * 100 + 1e-6) / 100


def _number(value: float, result: Result) -> str:
    text = f"{value:{'+' if result.quantity == NOTCH_FREQUENCY else ''}.2f}"
    return text.lstrip("+-") if float(text) == 0.0 else text


def _chance(share: float) -> str:
    """Write a probability; what rounds to certainty is told as beyond the last step before it."""
    if share > 0.9995:
        return "over 99.9 %"
    return "below 0.1 %" if share < 0.0005 else f"{100.0 * share:.1f} %"


def _path(folder: str, name: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in str(Path(folder) / name))
