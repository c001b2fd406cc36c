"""The last screen: words before numbers, bounds as bounds, rounding that never promises more."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from reports.words import interval_text, value_text
from sequencer.cli.summary import overall_words, summary
from sequencer.core.record import Bound, Limit, Record, Result, Statement
from sequencer.run.recording import result_text

AT = datetime(2026, 1, 2, tzinfo=UTC)


def result(
    quantity: str = "rejection",
    value: float | None = 80.0,
    interval: tuple[float | None, float | None] = (78.0, 82.0),
    statement: Statement = Statement.PASS,
    limit: Limit | None = None,
    **more: object,
) -> Result:
    return Result(
        id=f"{quantity} TX-ANT receive",
        quantity=quantity,
        at="receive",
        at_hz=146.01e6,
        unit=str(more.pop("unit", "dB")),
        value=value,
        interval=interval,
        coverage=0.95,
        statement=statement,
        limit=limit or Limit(min=75.0),
        **more,  # type: ignore[arg-type]
    )


def record(*results: Result, overall: Statement = Statement.PASS, simulated: bool = False) -> Record:
    return Record(
        program="notchbook 1",
        run_id="run-1",
        simulated=simulated,
        overall=overall,
        complete=True,
        title="Acceptance of an invented set",
        recipe_name="r",
        recipe_text="",
        recipe_sha256="",
        bench_text="",
        bench_sha256="",
        decision="Guarded acceptance.",
        coverage=0.95,
        serial="INVENTED-1",
        conditions={},
        labels={},
        identification={},
        equipment=(),
        frequencies={},
        ports=("TX", "RX", "ANT"),
        began=AT,
        ended=AT,
        instrument_seconds=200.0,
        wall_seconds=12.0,
        hookups=(),
        traces=(),
        notes=(),
        warnings=("The thru drifted by 0.08 dB.",),
        results=results,
    )


def test_terminal_journal_and_report_write_the_same_figures() -> None:
    """Ends a hundredth apart: rounded to nearest in one place and outwards in another they would differ."""
    one = result("insertion loss", 1.4649, (1.3751, 1.5549), limit=Limit(max=1.6))
    assert result_text(one) == f"{value_text(one)}, 95 % interval {interval_text(one)}"
    assert row(one)[-2:] == [value_text(one), interval_text(one)] == ["1.46 dB", "1.37 to 1.56 dB"]


def row(one: Result) -> list[str]:
    """The cells of its only row (two blanks part cells)."""
    lines = summary(record(one), "runs/x").splitlines()
    line = next(line for line in lines if line.startswith(f"  {one.statement.upper()}"))
    return [cell.strip() for cell in line.split("  ") if cell.strip()]


@pytest.mark.parametrize(
    ("one", "cells"),
    [
        pytest.param(result(), ["at least 75 dB", "80.0 dB", "78.0 to 82.0 dB"], id="plain"),
        pytest.param(
            result(value=75.001, interval=(74.9999, 75.0011)),
            ["at least 75 dB", "75.00 dB", "74.99 to 75.01 dB"],
            id="interval ends are rounded outward",
        ),
        pytest.param(
            result(value=None, interval=(84.2599, None), bound=Bound.AT_LEAST),
            ["at least 75 dB", ">= 84.2 dB"],
            id="a bound is a bound, rounded down",
        ),
        pytest.param(result(value=None, interval=(None, None), statement=Statement.UNDECIDED), ["no value"], id="none"),
        pytest.param(
            result("insertion loss", 1.21, (0.98, 1.44), limit=Limit(max=1.6)),
            ["at most 1.6 dB", "1.21 dB", "0.98 to 1.44 dB"],
            id="maximum",
        ),
        pytest.param(
            result(
                "notch frequency",
                146.0104e6,
                (146.0101e6, 146.0107e6),
                limit=Limit(min=146.007e6, max=146.013e6),
                unit="Hz",
            ),
            ["within 3 kHz", "+400 Hz", "100 to 700 Hz"],
            id="a notch by its distance",
        ),
        pytest.param(
            result("pass bandwidth", 212e3, (205e3, None), limit=Limit(min=100e3), unit="Hz"),
            ["at least 100 kHz", "212.0 kHz", "from 205.0 kHz"],
            id="open interval, hertz as kilohertz",
        ),
    ],
)
def test_cells(one: Result, cells: list[str]) -> None:
    assert row(one)[-len(cells) :] == cells


@pytest.mark.parametrize(
    ("statements", "overall", "words"),
    [
        pytest.param("pp", Statement.PASS, "PASS: All 2 requirements measured are met", id="all"),
        pytest.param("pf", Statement.FAIL, "FAIL: Of 2 requirements measured: 1 met, 1 not met", id="one fails"),
        pytest.param("pu", Statement.UNDECIDED, "UNDECIDED: Of 2 requirements measured: 1 met, 1 und", id="undecided"),
        pytest.param("pc", Statement.CONDITIONAL_PASS, "CONDITIONAL PASS: Of 2 requirements", id="conditional"),
    ],
)
def test_overall_in_words(statements: str, overall: Statement, words: str) -> None:
    kinds = {
        "p": Statement.PASS,
        "f": Statement.FAIL,
        "u": Statement.UNDECIDED,
        "c": Statement.CONDITIONAL_PASS,
    }
    results = [result(statement=kinds[letter]) for letter in statements]
    assert overall_words(record(*results, overall=overall)).startswith(words)


def test_an_unfinished_run_is_never_called_accepted() -> None:
    cut = replace(record(result()), complete=False)
    assert overall_words(cut).startswith("UNFINISHED")
    assert "PASS:" not in summary(cut, "runs/x")


def test_the_whole_screen() -> None:
    text = summary(record(result(condition="within 8 kHz"), simulated=True), "runs/x")
    assert text.splitlines()[1] == "SIMULATED, NOT A MEASUREMENT"
    assert "8 kHz" in text  # the condition, though the id does not hold it
    assert "Warning: The thru drifted" in text
    assert "runs/x/report.html" in text.replace("\\", "/")
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "SIMULATED" not in summary(record(result()), "runs/x")


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, "; the run took 12 s."),
        ({"resumed": 1}, "; the run took in all its sessions together 12 s."),
        ({"resumed": 1, "simulated": True}, " of bench time; the run took at least 12 s."),
    ],
)
def test_how_long_a_resumed_run_took_says_what_it_counts(changes, told) -> None:
    assert told in summary(replace(record(result()), **changes), "runs/x")
