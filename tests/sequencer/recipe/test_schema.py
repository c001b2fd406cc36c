"""JSON Schemas: they accept every file as people write it, refuse typical typos, and agree with the loader."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from sequencer.errors import RecipeError
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Quantity
from sequencer.recipe.new import KINDS, new_recipe
from sequencer.recipe.schema import bench_schema, recipe_schema

SHIPPED = sorted((Path(__file__).parents[3] / "recipes").glob("*.yaml"))
# yaml.safe_load makes numbers, dates and booleans of what the loader keeps as text; an editor's parser does
# much the same; BaseLoader keeps all as text
PARSERS = [pytest.param(yaml.SafeLoader, id="typed"), pytest.param(yaml.BaseLoader, id="text")]


def faults(schema: dict[str, Any], text: str, loader: Any = yaml.SafeLoader) -> list[str]:
    parsed = yaml.load(text, Loader=loader)
    return [error.message for error in Draft202012Validator(schema).iter_errors(parsed)]


@pytest.mark.parametrize("schema", [recipe_schema(), bench_schema()], ids=["recipe", "bench"])
def test_the_schema_is_a_schema_and_json(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)
    assert json.loads(json.dumps(schema, allow_nan=False)) == schema


@pytest.mark.parametrize("loader", PARSERS)
@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_shipped_recipe_is_accepted(path: Path, loader: Any) -> None:
    assert faults(recipe_schema(), path.read_text("utf-8"), loader) == []


@pytest.mark.parametrize("loader", PARSERS)
def test_the_designs_examples_are_accepted(
    recipe_text: str, bench_text: str, full_bench_text: str, loader: Any
) -> None:
    assert faults(recipe_schema(), recipe_text, loader) == []
    assert faults(bench_schema(), bench_text, loader) == []
    assert faults(bench_schema(), full_bench_text, loader) == []


@pytest.mark.parametrize("kind", KINDS)
def test_new_recipes_are_accepted(kind: str) -> None:
    assert faults(recipe_schema(), new_recipe(439e6, 431.4e6, kind=kind)) == []


def test_texts_that_yaml_takes_for_something_else_are_accepted(recipe_text: str) -> None:
    text = recipe_text.replace("title: Acceptance, four-cavity VHF duplexer, 600 kHz split", "title: 2025-03-14")
    text = text.replace("[TX, RX, ANT]", "[TX, RX, ANT, ON]").replace("name: vhf-600k-acceptance", "name: 600")
    assert load_recipe(text, "x.yaml").ports[3] == "ON"
    assert faults(recipe_schema(), text) == []


RECIPE_TYPOS = [
    ("recipe: 1", "recipe: 2"),
    ("recipe: 1\n", ""),
    ("title:", "titel:"),
    ("name: vhf", "name: ../vhf"),
    ("[TX, RX, ANT]", "[]"),
    ("[TX, RX, ANT]", "[T X]"),
    ("146.610 MHz", "146.610"),
    ("146.610 MHz", "146.610 MHzz"),
    ("146.610 MHz", "-146.610 MHz"),
    ("quantity: rejection", "quantity: rejektion"),
    ("path: TX-ANT", "path: TXANT"),
    ("max: 1.6 dB", "max: 1.6"),
    ("max: 1.6 dB", "max: 1.6 kHz"),
    ("max: 1.6 dB", "max: -1.6 dB"),
    ("max: 1.6 dB", "min: 1.6 dB"),
    ("max: 1.6 dB", "mx: 1.6 dB"),
    (", max: 1.6 dB", ""),
    ("within: 8 kHz", "within: 8 dB"),
    ("within: 8 kHz", "level: 8 dB"),
    ("port: TX, ", "path: TX-ANT, "),
    ("port: TX, ", ""),
    ("quantity: insertion loss", "quantity: ripple"),
    ("rule: guarded", "rule: gaurded"),
    ("coverage: 95 %", "coverage: 95"),
]
BENCH_TYPOS = [
    ("bench: 1", "bench: one"),
    ('resource: "TCPIP::192.0.2.10::5025::SOCKET"\n  ', ""),
    ("vswr: {limit: 1.5}", "vswr: {limt: 1.5}"),
    ("vswr: {limit: 1.5}", "vswr: {}"),
    ("vswr: {limit: 1.5}", "vswr: 0.5"),
    ("20 dBm", "20 dB"),
    ("maximum input", "max input"),
    ("0.02 dB/dB", "0.02 dB"),
    ("span: 1 %", "span: 1"),
    ("kit: {}", "kit: {a: {what: lod}}"),
    ("thru:", "through:"),
    ("directivity: 36 dB, ", ""),
]


@pytest.mark.parametrize(("right", "wrong"), RECIPE_TYPOS)
def test_typical_typos_in_a_recipe_are_refused_by_both(right: str, wrong: str, recipe_text: str) -> None:
    assert right in recipe_text
    text = recipe_text.replace(right, wrong, 1)
    assert faults(recipe_schema(), text)
    with pytest.raises(RecipeError):
        load_recipe(text, "x.yaml")


@pytest.mark.parametrize(("right", "wrong"), BENCH_TYPOS)
def test_typical_typos_in_a_bench_file_are_refused_by_both(right: str, wrong: str, bench_text: str) -> None:
    assert right in bench_text
    text = bench_text.replace(right, wrong, 1)
    assert faults(bench_schema(), text)
    with pytest.raises(RecipeError):
        load_bench(text, "x.yaml")


@settings(deadline=None, max_examples=200)
@given(
    quantity=st.sampled_from([one.value for one in Quantity]),
    keys=st.dictionaries(
        st.sampled_from(["path", "port", "within", "level", "above", "min", "max", "max change"]),
        st.sampled_from(["A-B", "A", "1 dB", "2 dB", "1 kHz", "2 kHz", "50 kHz"]),
        max_size=5,
    ),
)
def test_what_the_loader_accepts_the_schema_accepts(quantity: str, keys: dict[str, str]) -> None:
    entries = {"quantity": quantity, "at": "f"} | keys
    item = ", ".join(f"{key}: {value}" for key, value in entries.items())
    text = (
        "recipe: 1\nname: x\ndevice: {ports: [A, B]}\nfrequencies: {f: 10 MHz}\n"
        f"overview: {{from: 9 MHz, to: 11 MHz}}\nlimits: [{{{item}}}]\n"
    )
    try:
        load_recipe(text, "x.yaml")
    except RecipeError:
        return
    assert faults(recipe_schema(), text) == []
