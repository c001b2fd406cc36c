"""A dialect put into a bench file: in every layout, with errors that name the file's own lines."""

from __future__ import annotations

from pathlib import Path

import pytest

from instruments import dialects
from sequencer.errors import RecipeError
from sequencer.learning import with_dialect
from sequencer.recipe.bench_loader import load_bench

WHOLE = (Path(dialects.__file__).parent / "fixed-ascii.yaml").read_text(encoding="utf-8")
WHOLE = WHOLE[WHOLE.index("dialect: 1") :]

BLOCK = 'bench: 1\nanalyzer:\n  resource: "X::1"\n  dialect: auto\npads: {}\n'
LEFT_OUT = """\
bench: 1
analyzer:
  resource: "X::1"
  vswr: {limit: 1.5}
switch:
  resource: Y
  hookups:
    thru: A
"""
IN_BRACES = 'bench: 1\nanalyzer: {resource: "X::1", dialect: auto, vswr: 1.5}\n'
DEEP = """\
# mine
bench: 1
analyzer:
    dialect: auto  # for now
    resource: "X::1"
    vswr:
        limit: 1.5
"""
LAYOUTS = [
    pytest.param(BLOCK, id="block"),
    pytest.param(LEFT_OUT, id="left out"),
    pytest.param(IN_BRACES, id="in braces"),
    pytest.param(DEEP, id="deep"),
]


@pytest.mark.parametrize("text", LAYOUTS)
def test_a_dialect_finds_its_place_and_everything_else_stays(text: str) -> None:
    before = load_bench(text, "b.yaml")
    after = load_bench(with_dialect(text, WHOLE), "b.yaml")
    assert dialects.parse(after.analyzer.dialect_text, "b.yaml").name == "fixed-ascii"
    assert (after.analyzer.resource, after.analyzer.vswr) == (before.analyzer.resource, before.analyzer.vswr)
    assert (after.switch, after.generator_pad) == (before.switch, before.generator_pad)


@pytest.mark.parametrize("text", LAYOUTS)
def test_a_shipped_dialect_is_put_in_by_name(text: str) -> None:
    assert load_bench(with_dialect(text, "free-binary"), "b.yaml").analyzer.dialect == "free-binary"


def test_a_mistake_in_the_dialect_is_told_with_the_line_of_the_bench_file() -> None:
    text = with_dialect(BLOCK, WHOLE).replace("format: text", "format: real16")
    bench = load_bench(text, "b.yaml")
    line = 1 + text[: text.index("real16")].count("\n")
    with pytest.raises(RecipeError, match=rf"^b\.yaml:{line}: .*real16"):
        dialects.parse(bench.analyzer.dialect_text, bench.analyzer.dialect_source)
