"""Steps that a person witnesses and types in: asked for by the recipe, after the last sweep, never measured by us."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

import pytest

from sequencer.cli.main import main
from sequencer.core.history import Answered, Entry, Resumed
from sequencer.errors import RecipeError
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Recipe, Witness
from sequencer.recipe.starters import read_recipe
from sequencer.run.witness import unsaid, witness_step, witnessed

SOAK = Witness(name="soak", do="Key down.", readings={"power": "W", "duration": "min", "smell": ""})
RECIPE = Recipe(
    name="r", title="", ports=(), frequencies={}, overview_hz=(1.0, 2.0), requirements=(), witnessed=(SOAK,)
)
_at = (datetime(2026, 1, 2, tzinfo=UTC) + timedelta(seconds=n) for n in count())


def answered(question: str, answer: str) -> Answered:
    return Answered(at=next(_at), why="", question=f"witnessed soak: {question}", answer=answer, by="operator")


def play(answers: dict[str, str], history: list[Entry]) -> list[str]:
    """Answer what is asked until nothing is, or an answer is lacking; returns the questions."""
    asked = []
    while (step := witness_step(RECIPE, history, simulated=False)) is not None:
        name = step.question.key.partition(": ")[2]
        asked.append(name)
        if name not in answers:
            break
        assert not step.question.wrong(answers[name])
        history.append(answered(name, answers[name]))
    return asked


ALL = {
    "now": "now",
    "disconnected": "disconnected",
    "disconnected, looked again": "disconnected",
    "licensed operator": "N0CALL (invented)",
    "power": "25 W",
    "duration": "10 min",
    "smell": "none",
}


def test_it_is_asked_twice_whether_the_analyzer_is_disconnected_before_any_value() -> None:
    assert play(ALL, []) == list(ALL)


def test_on_a_real_bench_only_a_person_can_say_that_it_is_disconnected() -> None:
    history: list[Entry] = [answered("now", "now")]
    for name in ("disconnected", "disconnected, looked again"):
        step = witness_step(RECIPE, history, simulated=False)
        assert step is not None
        assert step.question.key == f"witnessed soak: {name}"
        assert step.question.in_person  # neither --set nor --yes
        assert step.question.safe_answer is None
        assert step.generator_off is (name == "disconnected")
        history.append(answered(name, "disconnected"))


def test_yes_does_not_say_that_the_instruments_are_disconnected() -> None:
    for name in ("disconnected", "disconnected, looked again"):
        history: list[Entry] = [answered("now", "now")]
        step = witness_step(RECIPE, history, simulated=True)
        while step is not None and not step.question.key.endswith(f": {name}"):
            history.append(answered(step.question.key.partition(": ")[2], "disconnected"))
            step = witness_step(RECIPE, history, simulated=True)
        assert step is not None
        assert step.question.safe_answer == "not taken"
        history.append(answered(name, step.question.safe_answer))
        assert witness_step(RECIPE, history, simulated=True) is None
        (told,) = witnessed(RECIPE, history)
        assert not told.done
        (warning,) = unsaid([told], history)
        assert "soak: not taken" in warning


def test_whoever_comes_back_is_asked_anew_and_what_was_typed_stays() -> None:
    history: list[Entry] = []
    play({name: ALL[name] for name in list(ALL)[:5]}, history)
    history.append(Resumed(at=next(_at), why="", program="p", hookup=""))
    assert play(ALL, history) == ["disconnected", "disconnected, looked again", "duration", "smell"]
    (step,) = witnessed(RECIPE, history)
    assert dict(step.readings) == {name: ALL[name] for name in ("licensed operator", "power", "duration", "smell")}


def test_trouble_on_a_link_does_not_ask_anew() -> None:
    history: list[Entry] = []
    play({name: ALL[name] for name in list(ALL)[:5]}, history)
    history.append(Resumed(at=next(_at), why="", program="p", hookup="", itself=True))
    assert play(ALL, history) == ["duration", "smell"]


def test_what_is_skipped_is_reported_as_not_done() -> None:
    history: list[Entry] = []
    assert play({"now": "skip"}, history) == ["now"]
    (step,) = witnessed(RECIPE, history)
    assert (step.done, dict(step.readings)) == (False, {})


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        pytest.param("25", "W", id="no unit"),
        pytest.param("hot", "25 W", id="no number"),
        pytest.param("25 dB", "W", id="wrong unit"),
        pytest.param("-25 W", "less than nothing", id="negative"),
        pytest.param("not taken", "", id="not taken"),
        pytest.param("2.5 kW", "", id="good"),
    ],
)
def test_a_reading_is_checked_when_it_is_typed(typed: str, said: str) -> None:
    history = [answered(name, ALL[name]) for name in list(ALL)[:4]]
    step = witness_step(RECIPE, history, simulated=False)
    assert step is not None
    wrong = step.question.wrong(typed)
    assert (said in wrong) if said else wrong == ""


@pytest.mark.parametrize(
    ("steps", "said"),
    [
        pytest.param("  - {kind: witnessed}", "the key 'name' is missing", id="no name"),
        pytest.param("  - {kind: measured, name: a}", "'measured' is unknown", id="other kind"),
        pytest.param("  - {kind: witnessed, name: 'a: b'}", "is not a name", id="a colon"),
        pytest.param("  - {kind: witnessed, name: a, readings: {power: V}}", "'V' is unknown", id="unit"),
        pytest.param(
            "  - {kind: witnessed, name: a}\n  - {kind: witnessed, name: A}", "two steps called 'A'", id="twice"
        ),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_line(steps: str, said: str) -> None:
    text, source = read_recipe("vhf-600k-acceptance")
    with pytest.raises(RecipeError, match=said):
        load_recipe(f"{text}\nsteps:\n{steps}\n", source)


@pytest.mark.bench
def test_the_thorough_recipe_reports_the_soak_as_not_measured(capsys, tmp_path: Path) -> None:
    """The whole program: typed in by --set on the simulated bench, where nothing can be hurt."""
    off = dict.fromkeys(("disconnected", "disconnected, looked again"), "disconnected")
    given = {"now": "now", **off, "licensed operator": "N0CALL", "power": "25 W", "through power": "18.2 W"}
    sets = [part for name, value in given.items() for part in ("--set", f"witnessed key-down soak: {name}={value}")]
    call = ["run", "vhf-600k-thorough", "--bench", "simulated", "--yes", "--json", "--out", str(tmp_path), *sets]
    status = main(call)
    record = json.loads(capsys.readouterr().out)
    assert status == 0
    (step,) = record["witnessed"]
    assert step["done"]
    assert step["readings"]["through power"] == "18.2 W"
    assert step["readings"]["temperature"] == "not taken"  # --yes
    assert not [key for key in record["conditions"] if "witnessed" in key]
    (folder,) = [path for path in tmp_path.iterdir() if (path / "report.html").exists()]
    page = (folder / "report.html").read_text("utf-8")
    section = page.partition('<section id="witnessed"')[2].partition('<section id="hookups"')[0]
    assert "not measured by this bench" in section
    assert "18.2 W" in section
    lines = (folder / "journal.jsonl").read_text("utf-8").splitlines()
    kinds = [json.loads(line) for line in lines]
    asked = next(n for n, line in enumerate(kinds) if line.get("question", "").endswith(": disconnected"))
    assert kinds[asked - 1]["kind"] == "made safe"  # the generator is off before anybody is asked to touch leads
    assert not any(line["kind"] == "swept" for line in kinds[asked:])


@pytest.mark.bench
def test_a_reading_that_cannot_be_meant_stops_the_call(capsys, tmp_path: Path) -> None:
    sets = ["--set", "witnessed key-down soak: now=now", "--set", "witnessed key-down soak: power=hot"]
    status = main(["run", "vhf-600k-thorough", "--bench", "simulated", "--yes", "--out", str(tmp_path), *sets])
    assert status == 2
    assert "witnessed key-down soak: power=hot" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())  # told before the first sweep


@pytest.mark.bench
def test_an_unattended_step_is_not_taken_where_nobody_said_it_is_disconnected(capsys, tmp_path: Path) -> None:
    sets = ["--set", "witnessed key-down soak: now=now", "--set", "witnessed key-down soak: power=50 W"]
    main(["run", "vhf-600k-thorough", "--bench", "simulated", "--yes", "--json", "--out", str(tmp_path), *sets])
    record = json.loads(capsys.readouterr().out)
    (step,) = record["witnessed"]
    assert not step["done"]
    assert "50 W" not in step["readings"].values()
    assert [w for w in record["warnings"] if "key-down soak: not taken" in w]
