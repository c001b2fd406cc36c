"""Recipes: what the text becomes, and what is refused with which words."""

from __future__ import annotations

import dataclasses
import hashlib
import pickle
import re
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer.errors import RecipeError
from sequencer.recipe.loader import default_overview_hz, load_recipe
from sequencer.recipe.model import Decision, Quantity, Rule

SHIPPED = sorted((Path(__file__).parents[3] / "recipes").glob("*.yaml"))


def test_the_designs_recipe(recipe_text: str) -> None:
    recipe = load_recipe(recipe_text, "design.yaml")
    assert recipe.name == "vhf-600k-acceptance"
    assert recipe.title == "Acceptance, four-cavity VHF duplexer, 600 kHz split"
    assert recipe.ports == ("TX", "RX", "ANT")
    assert recipe.frequencies == {"transmit": 146_610_000.0, "receive": 146_010_000.0}
    assert recipe.overview_hz == (144e6, 148e6)
    assert recipe.decision == Decision(rule=Rule.GUARDED, coverage=0.95)
    assert recipe.text == recipe_text
    assert recipe.source == "design.yaml"
    assert recipe.sha256 == hashlib.sha256(recipe_text.encode()).hexdigest()
    assert [requirement.id for requirement in recipe.requirements] == [
        "insertion loss TX-ANT transmit",
        "insertion loss ANT-RX receive",
        "rejection TX-ANT receive",
        "rejection ANT-RX transmit",
        "isolation TX-RX transmit",
        "isolation TX-RX receive",
        "return loss TX transmit",
        "return loss RX receive",
        "return loss ANT transmit",
        "return loss ANT receive",
    ]
    worst = recipe.requirements[2]
    assert (worst.path, worst.port, worst.at_hz, worst.within_hz) == (("TX", "ANT"), None, 146_010_000.0, 8000.0)
    assert (worst.minimum, worst.maximum, worst.line) == (75.0, None, 10)
    assert recipe.requirements[-1].port == "ANT"


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_shipped_recipe_loads(path: Path) -> None:
    recipe = load_recipe(path.read_text("utf-8"), str(path))
    assert recipe.name == path.stem
    assert recipe.requirements
    ids = [requirement.id for requirement in recipe.requirements]
    assert len(ids) == len(set(ids))
    low, high = recipe.overview_hz
    assert all(low <= hz <= high for hz in recipe.frequencies.values())


def test_there_are_shipped_recipes() -> None:
    assert len(SHIPPED) >= 12  # the parametrised test above must not pass for want of files


RARE = """\
recipe: 1
name: rare
notes: |
  Two lines
  of text, with #3 in it.
valid for: 2 years
device: {ports: [IN, OUT]}
frequencies: {pass channel: 146.610 MHz, notch: 146.010 MHz}
limits:
  - {quantity: notch frequency, path: IN-OUT, at: notch, within: ±200 kHz, max: 3 kHz, max change: 1 kHz}
  - {quantity: notch depth, path: IN-OUT, at: notch, within: 200 kHz, min: 30 dB, max change: 1.5 dB}
  - {quantity: rejection, path: IN-OUT, at: notch, min: 28 dB}
  - {quantity: rejection, path: IN-OUT, at: notch, within: 12.5 kHz, min: 24 dB}
  - {quantity: rejection bandwidth, path: IN-OUT, at: notch, level: 20 dB, min: 40 kHz}
  - {quantity: pass bandwidth, path: IN-OUT, at: pass channel, above: 3 dB, min: 200 kHz, max: 900 kHz}
  - {quantity: ripple, path: IN-OUT, at: pass channel, within: 50 kHz, max: 0.3 dB}
sweeps:
  - {path: IN-OUT, from: 140 MHz, to: 155 MHz}
  - {path: OUT-IN, from: 145.9 MHz, to: 146.1 MHz, rbw: 300 Hz, points: 401}
decision: {rule: risk, max risk: 2.5 %, coverage: 99 %}
"""


def test_rare_quantities_and_keys() -> None:
    recipe = load_recipe(RARE, "rare.yaml")
    by_id = {requirement.id: requirement for requirement in recipe.requirements}
    where = by_id["notch frequency IN-OUT notch"]
    # a distance of 3 kHz becomes two ends in hertz
    assert (where.minimum, where.maximum, where.max_change) == (146_007_000.0, 146_013_000.0, 1000.0)
    assert by_id["notch depth IN-OUT notch"].within_hz == 200e3
    # the condition stands in an id only where two would be alike
    assert "rejection IN-OUT notch" in by_id
    assert by_id["rejection IN-OUT notch within 12.5 kHz"].minimum == 24.0
    assert by_id["rejection bandwidth IN-OUT notch"].level_db == 20.0
    wide = by_id["pass bandwidth IN-OUT pass channel"]
    assert (wide.above_db, wide.minimum, wide.maximum) == (3.0, 200e3, 900e3)
    assert by_id["ripple IN-OUT pass channel"].quantity is Quantity.RIPPLE
    assert recipe.decision == Decision(rule=Rule.RISK, max_risk=0.025, coverage=0.99)
    assert (recipe.sweeps[0].rbw_hz, recipe.sweeps[0].points) == (None, None)
    assert (recipe.sweeps[1].path, recipe.sweeps[1].rbw_hz, recipe.sweeps[1].points) == (("OUT", "IN"), 300.0, 401)
    assert recipe.notes == "Two lines\nof text, with #3 in it."
    assert recipe.valid_for == "24 months"
    assert recipe.title == "rare"


def test_four_way_may_accept_conditionally(recipe_text: str) -> None:
    text = recipe_text.replace("{rule: guarded,", "{rule: four-way, accept: conditional pass,")
    assert load_recipe(text, "x.yaml").decision.accept_conditional


def test_overview_left_out_shows_both_skirts(recipe_text: str) -> None:
    recipe = load_recipe(recipe_text.replace("overview: {from: 144 MHz, to: 148 MHz}\n", ""), "x.yaml")
    low, high = recipe.overview_hz
    split = 600e3
    assert low <= 146.010e6 - 2 * split
    assert high >= 146.610e6 + 2 * split


@pytest.mark.parametrize("frequencies", [(146e6,), (1e6, 9.9e6), (444e6, 449e6), (902e6, 927e6), (1e5, 1.001e5)])
def test_default_overview_holds_its_frequencies(frequencies: tuple[float, ...]) -> None:
    low, high = default_overview_hz(frequencies)
    assert 0.0 < low < min(frequencies)
    assert high > max(frequencies)


IL = "{quantity: insertion loss, path: TX-ANT, at: transmit, max: 1.6 dB}"
REJ = "{quantity: rejection, path: TX-ANT, at: receive, within: 8 kHz, min: 75 dB}"

# (what stands in the recipe, what the typo makes of it, line, key, words of the message)
WRONG = [
    pytest.param("recipe: 1", "recipe: 2", 1, "recipe", "allowed: 1", id="newer-version"),
    pytest.param("recipe: 1\n", "", 1, "", "the key 'recipe' is missing", id="no-version"),
    pytest.param("name: vhf-600k", "name: ../vhf", 2, "name", "is not a name", id="name-escapes"),
    pytest.param("title: Acc", "titel: Acc", 3, "titel", "did you mean 'title'?", id="unknown-key"),
    pytest.param("limits:", "limts:", 7, "limts", "did you mean 'limits'?", id="required-key-misspelled"),
    pytest.param("title: Acc", "title:\nnotes: Acc", 3, "title", "no value", id="empty-value"),
    pytest.param("[TX, RX, ANT]", "[TX, RX, TX]", 4, "device.ports", "stands twice", id="port-twice"),
    pytest.param("[TX, RX, ANT]", "[TX, RX, ant, ANT]", 4, "device.ports", "only in capitals",
                 id="ports-differ-in-case"),
    pytest.param("[TX, RX, ANT]", "[TX, RX, ANT, open]", 4, "device.ports", "name of a hookup", id="port-reserved"),
    pytest.param("[TX, RX, ANT]", "[TX, RX, ANT, A, B, C]", 4, "device.ports", "1 to 5", id="six-ports"),
    pytest.param("[TX, RX, ANT]", "TX", 4, "device.ports", "'[TX]'", id="ports-no-list"),
    pytest.param("[TX, RX, ANT]", "[TX, RX, ANTT]", 8, "limits[1].path", "used 5 times", id="port-misspelled-once"),
    pytest.param("path: TX-ANT", "path: TX-AMT", 8, "limits[1].path", "did you mean 'ANT'?", id="port-lacking"),
    pytest.param("path: TX-ANT", "path: TX-TX", 8, "limits[1].path", "to itself", id="path-to-itself"),
    pytest.param("path: TX-ANT", "path: TXANT", 8, "limits[1].path", "two port names", id="no-path"),
    pytest.param("port: RX", "port: RXX", 14, "limits[7].port", "did you mean 'RX'?", id="return-loss-port-lacking"),
    pytest.param("146.610 MHz", "146.610", 5, "frequencies.transmit", "'146.610 MHz'", id="no-unit"),
    pytest.param("146.610 MHz", "146.610 dB", 5, "frequencies.transmit", "allowed: Hz, kHz, MHz, GHz", id="wrong-unit"),
    pytest.param("146.610 MHz", ".nan MHz", 5, "frequencies.transmit", "not a finite number", id="nan"),
    pytest.param("146.610 MHz", "0 MHz", 5, "frequencies.transmit", "must be above 0 Hz", id="zero-hertz"),
    pytest.param("146.610 MHz", "146.610 kHz", 5, "frequencies", "check their units", id="khz-for-mhz"),
    pytest.param("146.610 MHz", "146.010 MHz", 5, "frequencies.receive", "two names for one", id="two-names"),
    pytest.param("146.610 MHz", "149.610 MHz", 6, "overview", "misses the frequency 'transmit'", id="overview-misses"),
    pytest.param("from: 144 MHz", "from: 149 MHz", 6, "overview", "not above its start", id="overview-backwards"),
    pytest.param("from: 144 MHz, ", "", 6, "overview", "'from' is missing", id="overview-no-start"),
    pytest.param("{transmit:", "{transmitt:", 8, "limits[1].at", "used 5 times", id="frequency-misspelled-once"),
    pytest.param("at: [transmit, receive], min: 75", "at: [transmit, recieve], min: 75", 12, "limits[5].at",
                 "did you mean 'receive'?", id="unknown-frequency"),
    pytest.param("quantity: rejection", "quantity: rejektion", 10, "limits[3].quantity", "did you mean 'rejection'?",
                 id="unknown-quantity"),
    pytest.param("quantity: rejection, ", "", 10, "limits[3]", "'quantity' is missing", id="no-quantity"),
    pytest.param("max: 1.6 dB", "max: 1.6", 8, "limits[1].max", "'1.6 dB'", id="limit-no-unit"),
    pytest.param("max: 1.6 dB", "max: 1.6 kHz", 8, "limits[1].max", "is not a unit of ratio", id="limit-wrong-unit"),
    pytest.param("max: 1.6 dB", "max: -1.6 dB", 8, "limits[1].max", "above 0 dB", id="negative-limit"),
    pytest.param("min: 75 dB", "min: inf dB", 10, "limits[3].min", "not a finite number", id="infinite-limit"),
    pytest.param("min: 75 dB", "min: 7500 dB", 10, "limits[3].min", "at most 200 dB", id="unmeasurable-limit"),
    pytest.param(", max: 1.6 dB", "", 8, "limits[1]", "neither min nor max", id="no-limit"),
    pytest.param("max: 1.6 dB", "mx: 1.6 dB", 8, "limits[1].mx", "did you mean 'max'?", id="limit-key-misspelled"),
    pytest.param("max: 1.6 dB", "min: 1.6 dB", 8, "limits[1].min", "needs 'max'", id="wrong-sense"),
    pytest.param("min: 75 dB", "max: 75 dB", 10, "limits[3].max", "needs 'min'", id="wrong-sense-rejection"),
    pytest.param("max: 1.6 dB", "min: 2 dB, max: 1.6 dB", 8, "limits[1].min", "above max 1.6 dB", id="min-above-max"),
    pytest.param("port: TX, ", "path: TX-ANT, ", 13, "limits[6].path", "measured on a port", id="return-loss-of-path"),
    pytest.param("port: TX, ", "path: TX, ", 13, "limits[6].path", "measured on a port", id="path-for-port"),
    pytest.param("loss, path:", "loss, port:", 8, "limits[1].port", "measured on a path", id="port-for-path"),
    pytest.param("loss, path: TX-ANT", "loss, port: TX", 8, "limits[1].port", "measured on a path", id="loss-of-port"),
    pytest.param("port: TX, ", "", 13, "limits[6]", "needs a port", id="no-port"),
    pytest.param("within: 8 kHz", "within: 8 dB", 10, "limits[3].within", "unit of frequency", id="within-wrong-unit"),
    pytest.param("within: 8 kHz", "within: 8", 10, "limits[3].within", "write for example '8 kHz'", id="offset-unit"),
    pytest.param("quantity: return loss", "quantity: VSWR", 13, "limits[6].quantity",
                 "write it as 'return loss', in dB", id="vswr"),
    pytest.param("max: 1.6 dB", "max: 160 dB", 8, "limits[1].max", "is 1.60 dB meant?", id="gross"),
    pytest.param("within: 8 kHz", "within: 8 MHz", 10, "limits[3].within", "outside the overview", id="within-too-far"),
    pytest.param("within: 8 kHz", "within: 600 kHz", 10, "limits", "on line 8 at most 1.6 dB", id="within-meets-pass"),
    pytest.param("within: 8 kHz", "level: 8 dB", 10, "limits[3].level", "does not use 'level'", id="unused-condition"),
    pytest.param("at: receive, within: 8 kHz, min", "at: transmit, min", 10, "limits", "check the frequencies",
                 id="reject-where-it-passes"),
    pytest.param(REJ, REJ + "\n  - " + REJ.replace("75", "70"), 11, "limits[4]", "required twice", id="duplicate"),
    pytest.param("at: [transmit, receive], min: 75 dB", "at: [receive, receive], min: 75 dB", 12, "limits[5]",
                 "required twice", id="duplicate-in-list"),
    pytest.param(IL, "{quantity: notch frequency, path: TX-ANT, at: receive, max: 3 kHz}", 8, "limits[1]",
                 "needs 'within'", id="notch-no-within"),
    pytest.param(IL, "{quantity: notch frequency, path: TX-ANT, at: receive, within: 50 kHz, max: 60 kHz}", 8,
                 "limits[1].max", "can never fail", id="notch-limit-wider-than-search"),
    pytest.param(IL, "{quantity: notch frequency, path: TX-ANT, at: receive, within: 9 kHz, min: 1 kHz, max: 3 kHz}", 8,
                 "limits[1].min", "a distance", id="notch-with-min"),
    pytest.param(IL, "{quantity: rejection bandwidth, path: TX-ANT, at: receive, min: 20 kHz}", 8, "limits[1]",
                 "needs 'level'", id="bandwidth-no-level"),
    pytest.param(IL, "{quantity: pass bandwidth, path: TX-ANT, at: transmit, min: 20 kHz}", 8, "limits[1]",
                 "needs 'above'", id="bandwidth-no-above"),
    pytest.param(IL, "{quantity: pass bandwidth, path: TX-ANT, at: transmit, above: 3 dB, min: 20 MHz}", 8,
                 "limits[1].min", "wider than the overview", id="bandwidth-too-wide"),
    pytest.param(IL, "{quantity: ripple, path: TX-ANT, at: transmit, max: 1 dB}", 8, "limits[1]", "needs 'within'",
                 id="ripple-no-within"),
    pytest.param("min: 18 dB", "min: 80 dB", 13, "limits[6].min", "nothing on a bench", id="return-loss-too-good"),
    pytest.param("rule: guarded", "rule: gaurded", 16, "decision.rule", "did you mean 'guarded'?", id="unknown-rule"),
    pytest.param("rule: guarded", "rule: risk", 16, "decision.rule", "needs 'max risk'", id="risk-without-figure"),
    pytest.param("rule: guarded", "rule: simple, max risk: 2 %", 16, "decision.max risk", "only the rule risk",
                 id="max-risk-without-risk"),
    pytest.param("rule: guarded", "rule: simple, accept: conditional pass", 16, "decision.accept", "four-way",
                 id="accept-without-four-way"),
    pytest.param("coverage: 95 %", "coverage: 95", 16, "decision.coverage", "'95 %'", id="coverage-no-percent"),
    pytest.param("coverage: 95 %", "coverage: 49 %", 16, "decision.coverage", "at least 50 %", id="coverage-low"),
    pytest.param("coverage: 95 %", "coverage: 99.95 %", 16, "decision.coverage", "at most 99.9 %", id="coverage-high"),
    pytest.param("decision:", "sweeps: [{path: TX-ANT, from: 1 MHz, to: 2 MHz}]\ndecision:", 16, "sweeps[1]",
                 "misses every frequency", id="sweep-misses"),
    pytest.param("decision:", "sweeps: [{path: TX-ANT, from: 148 MHz, to: 144 MHz}]\ndecision:", 16, "sweeps[1]",
                 "not above its start", id="sweep-backwards"),
    pytest.param("decision:", "sweeps: [{path: TX-ANT, from: 144 MHz, to: 148 MHz, rbw: 5 MHz}]\ndecision:", 16,
                 "sweeps[1].rbw", "not narrower", id="sweep-rbw-wider-than-span"),
    pytest.param("decision:", "sweeps: [{path: TX-ANT, from: 144 MHz, to: 148 MHz, points: 1.5}]\ndecision:", 16,
                 "sweeps[1].points", "whole number", id="sweep-points"),
    pytest.param("decision:", "valid for: 24\ndecision:", 16, "valid for", "'24 months'", id="valid-for-no-unit"),
]  # fmt: skip


@pytest.mark.parametrize(("right", "wrong", "line", "key", "words"), WRONG)
def test_one_typo_gives_one_error(right: str, wrong: str, line: int, key: str, words: str, recipe_text: str) -> None:
    assert right in recipe_text
    with pytest.raises(RecipeError) as caught:
        load_recipe(recipe_text.replace(right, wrong, 1), "my.yaml")
    message = str(caught.value)
    assert message.count("\n") == 0, message
    assert message.startswith(f"my.yaml:{line}: {key}: " if key else f"my.yaml:{line}: ")
    assert words in message
    facts = caught.value.facts
    assert (facts["file"], facts["line"], facts["key"], facts["count"]) == ("my.yaml", line, key, 1)
    assert caught.value.exit_code == 2


def test_independent_typos_are_told_together_in_order(recipe_text: str) -> None:
    text = recipe_text.replace("title", "titel").replace("max: 1.6 dB", "max: 1.6").replace("guarded", "gaurded")
    with pytest.raises(RecipeError) as caught:
        load_recipe(text, "my.yaml")
    lines = str(caught.value).splitlines()
    assert [line.split(": ")[0] for line in lines] == ["my.yaml:3", "my.yaml:8", "my.yaml:9", "my.yaml:16"]
    again = pickle.loads(pickle.dumps(caught.value))
    assert (str(again), again.facts) == (str(caught.value), caught.value.facts)


def test_a_page_of_errors_is_cut(recipe_text: str) -> None:
    item = "  - {quantity: insertion loss, path: TX-ANT, at: transmit, max: 1.6}\n"
    with pytest.raises(RecipeError) as caught:
        load_recipe(recipe_text.replace("decision", item * 30 + "decision"), "my.yaml")
    assert str(caught.value).splitlines()[-1] == "my.yaml: and 10 more"


def test_too_many_requirements_are_refused(recipe_text: str) -> None:
    names = ", ".join(f"f{n}: {146.1 + n * 0.01:.2f} MHz" for n in range(30))
    every = ", ".join(f"f{n}" for n in range(30))
    limits = "".join(
        f"  - {{quantity: rejection, path: TX-ANT, at: [{every}], within: {n + 1} Hz, min: 1 dB}}\n" for n in range(40)
    )
    text = recipe_text.replace("receive: 146.010 MHz}", f"receive: 146.010 MHz, {names}}}")
    with pytest.raises(RecipeError, match="1210 requirements; at most 1000"):
        load_recipe(text.replace("decision", limits + "decision"), "my.yaml")


def test_ids_never_collide() -> None:
    text = RARE.replace("{pass channel: 146.610 MHz,", "{notch within 12.5 kHz: 146.3 MHz, pass channel: 146.610 MHz,")
    twin = "  - {quantity: rejection, path: IN-OUT, at: notch within 12.5 kHz, min: 1 dB}\nsweeps:"
    with pytest.raises(RecipeError, match="would both be called 'rejection IN-OUT notch within"):
        load_recipe(text.replace("sweeps:", twin), "my.yaml")


def test_layout_changes_nothing_but_text_and_lines(recipe_text: str) -> None:
    import yaml  # a second writer of the same content: block style, other quotes

    other = load_recipe(yaml.safe_dump(yaml.load(recipe_text, Loader=yaml.BaseLoader), sort_keys=False), "b.yaml")
    first = load_recipe(recipe_text, "a.yaml")

    def bare(recipe: object) -> object:
        assert dataclasses.is_dataclass(recipe)
        kept = dataclasses.asdict(recipe) | {"source": "", "text": "", "sha256": ""}  # type: ignore[arg-type]
        kept["requirements"] = [one | {"line": 0} for one in kept["requirements"]]
        return kept

    assert bare(first) == bare(other)
    assert first.sha256 != other.sha256


def test_a_letter_left_out_of_any_key_is_one_error(recipe_text: str) -> None:
    for match in re.finditer(r"[a-z]{2,}(?=:)", recipe_text):
        for at in range(match.start(), match.end()):
            with pytest.raises(RecipeError) as caught:
                load_recipe(recipe_text[:at] + recipe_text[at + 1 :], "my.yaml")
            assert caught.value.facts["count"] == 1, str(caught.value)


def test_reading_recipes_loads_nothing_heavy() -> None:
    heavy = "{'numpy', 'scipy', 'pyvisa', 'jinja2', 'jsonschema', 'sqlite3', 'socket'}"
    code = (
        "import sys, sequencer.recipe.bench_loader, sequencer.recipe.new, sequencer.recipe.schema, "
        f"sequencer.recipe.starters; print(sorted({heavy} & set(sys.modules)))"
    )
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "[]"


@pytest.mark.parametrize("tail", ["max:}", "max:, within: 8 kHz}", "max: }"])
def test_a_key_with_nothing_behind_it_is_told_as_that(recipe_text: str, tail: str) -> None:
    """With either of the parsers: one takes 'max:' for text, the other stumbles over the bracket."""
    text = recipe_text.replace("at: transmit, max: 1.6 dB}", f"at: transmit, {tail}", 1)
    with pytest.raises(RecipeError) as caught:
        load_recipe(text, "r.yaml")
    assert caught.value.message.startswith("r.yaml:8: ")
    assert "no value" in caught.value.message
    assert "not readable" not in caught.value.message
