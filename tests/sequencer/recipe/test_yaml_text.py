"""YAML: what is read as intended, the traps and how they are told, and that nothing else ever comes out."""

from __future__ import annotations

import re

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sequencer.errors import RecipeError
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import Bench, Recipe
from sequencer.recipe.yaml_text import Items, Pairs, Scalar, decode, read_document


@pytest.fixture(params=["fast parser", "pure parser"], autouse=True)
def parser(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run everything with the C parser where it was built in, and without it."""
    if request.param == "pure parser":
        monkeypatch.delattr(yaml, "CSafeLoader", raising=False)
    elif not hasattr(yaml, "CSafeLoader"):
        pytest.skip("this PyYAML was built without the C parser")


AS_WRITTEN = ["12 in", "50 %", "±8 kHz", "TX-ANT", "-20..50 degC", "off", "1:30", "925e6", "0o17", "~", "2025-03-14"]


@pytest.mark.parametrize("text", AS_WRITTEN)
def test_every_scalar_is_the_text_that_was_written(text: str) -> None:
    document = read_document(f"# comment\na: {text}   # comment\n", "x.yaml")
    assert [(key.text, value) for key, value in document.pairs] == [("a", Scalar(text, 2))]


def test_nodes_carry_their_lines() -> None:
    document = read_document("\ufeffa:\r\n  - b\r\n  - {c: 'd # e', f: [g]}\r\nh: i:j\r\n", "x.yaml")
    (first, items), (last, text) = document.pairs
    assert isinstance(items, Items)
    assert (first.line, last.line, text) == (1, 4, Scalar("i:j", 4))
    assert isinstance(items.items[1], Pairs)
    assert items.items[0] == Scalar("b", 2)
    assert next((key.text, value) for key, value in items.items[1].pairs) == ("c", Scalar("d # e", 3))


DEEP = "a: " + "[" * 30 + "]" * 30

TRAPS = [
    pytest.param(
        "f: {a: b,\n max:1.6 dB}", 2, "'max:1.6 dB': a space is missing behind ':'; write 'max: 1.6 dB'", id="close"
    ),
    pytest.param("f:\n  a: b\n  max:1.6 dB\n  c: d", 3, "write 'max: 1.6 dB'", id="close-in-a-block"),
    pytest.param("f: {a: b, max 1.6 dB}", 1, "a key begins behind the comma, write 'max: 1.6 dB'", id="lost-colon"),
    pytest.param("f: {a: 146,610 MHz, b: 1 Hz}", 1, "write the decimal point: '146.610 MHz'", id="comma-in-number"),
    pytest.param("x: 1\nnote: spare #3", 2, "'#3' is read as a comment", id="text-behind-hash"),
    pytest.param("x: 1\nnote: #3", 2, "'#3' is read as a comment", id="only-behind-hash"),
    pytest.param("x: {note: spare #3}\ny: 1", 1, "'#3}' is read as a comment", id="hash-in-braces"),
    pytest.param("visa: @py", 1, 'needs quotes: "@py"', id="at-sign"),
    pytest.param("a: {visa: @py, b: c}", 1, 'needs quotes: "@py"', id="at-sign-in-braces"),
    pytest.param("a: `x`", 1, 'needs quotes: "`x`"', id="backtick"),
    pytest.param("a: %x", 1, 'needs quotes: "%x"', id="percent-first"),
    pytest.param("h: {thru: ROUT:CLOS (@1,2)}", 1, 'quotes: "ROUT:CLOS (@1,2)"', id="channel-list"),
    pytest.param("a: 1\nb: 2\na: 3", 3, "stands twice (first on line 1)", id="duplicate-key"),
    pytest.param("a: 1\nlimits\n  - {b: 1}\n  - {b: 2}", 2, "write 'limits:'", id="no-colon-before-a-list"),
    pytest.param("a: 1\ntitle  # of it\nb: x", 2, "write 'title:'", id="no-colon-before-a-key"),
    pytest.param("a:\n  scale\n    b: 1", 2, "write 'scale:'", id="no-colon-inside"),
    pytest.param("l:\n    {b: 1}\n  - {b: 2}\nc: x", 2, "write '- {b: 1}'", id="first-item-without-dash"),
    pytest.param("l:\n    quantity: x\n  - quantity: y", 2, "write '- quantity: x'", id="first-lines-without-dash"),
    pytest.param("l:\n  - {b: 1}\n  {b: 2}\n  - {b: 3}", 3, "write '- {b: 2}'", id="item-without-dash"),
    pytest.param("l:\n  - {b: 1}\n    {b: 2}", 3, "write '- {b: 2}'", id="last-item-without-dash"),
    pytest.param("l:\n  - quantity: x\n  quantity: y", 3, "write '- quantity: y'", id="lines-without-dash"),
    pytest.param("l:\n  -{b: 1}\n  - {b: 2}", 2, "a space is missing behind '-'", id="close-dash"),
    pytest.param(
        "l:\n  - b: 1\n    c: 2\n    b: 3\n    c: 4", 4, "begins an item of a list, write '- b: ...'", id="merged-items"
    ),
    pytest.param("a: {b: 1, b: 2}", 1, "stands twice", id="duplicate-in-braces"),
    pytest.param("a: 1\n'a': 2", 2, "stands twice", id="duplicate-in-quotes"),
    pytest.param("x: 1\n<<: {a: b}", 2, "merge key", id="merge-key"),
    pytest.param("x: 1\na: &b c", 2, "anchor", id="anchor"),
    pytest.param("x: 1\na: *b", 2, "alias", id="alias"),
    pytest.param("x: 1\na: !!python/object/apply:os.system [x]", 2, "tag", id="python-tag"),
    pytest.param("x: 1\na: !!int 3", 2, "tag", id="standard-tag"),
    pytest.param("a: ! 3", 1, "tag", id="bare-tag"),
    pytest.param("%TAG ! tag:x,2000:\n---\na: 1", 1, "%TAG", id="tag-directive"),
    pytest.param("a: 1\n---\nb: 2", 2, "second document", id="second-document"),
    pytest.param(DEEP, 1, "nested deeper than 20", id="deep"),
    pytest.param("{" * 50_000, 1, "nested deeper than 20", id="very-deep"),
    pytest.param("? [a]\n: b", 1, "a key must be text", id="list-as-key"),
    pytest.param("x: 1\n'': b", 2, "a key is missing", id="empty-key"),
    pytest.param("a: {: b}", 1, "a key before ':', is missing", id="empty-key-in-braces"),
    pytest.param("", 1, "the file is empty", id="empty"),
    pytest.param("# nothing\n", 1, "the file is empty", id="only-comment"),
    pytest.param("- a\n- b", 1, "'key: value' lines", id="list"),
    pytest.param("just text", 1, "'key: value' lines", id="text"),
    pytest.param("a: 1\nb:\n\t- x", 3, "a tab stands", id="tab"),
    pytest.param("a: 1\n  b: 2", 2, "indent", id="indent"),
    pytest.param("a: x: y", 1, "': ' needs quotes", id="two-colons"),
    pytest.param("a: 1\nb: 'x\nc: 1", 2, "the quote opened here", id="open-quote"),
    pytest.param("a: 1\nb: [1, 2\nc: 3", 2, "the bracket opened here", id="open-bracket"),
    pytest.param("a: {b: 1}}", 1, "does not fit", id="extra-brace"),
    pytest.param("ports: {TX, RX, ANT}", 1, "for a list use brackets", id="braces-for-brackets"),
    pytest.param("a: x\x01", 1, "U+0001", id="control-character"),
    pytest.param("a: 1\nb: \ud800", 2, "U+D800", id="surrogate"),
    pytest.param('a: "\\e[31m"', 1, "U+001B", id="escape-for-the-terminal"),
    pytest.param('a: "\\ud800"', 1, "", id="escaped-surrogate"),
    pytest.param('a: "\\U00110000"', 1, "", id="escape-beyond-unicode"),
    pytest.param("a: 1\n" + "# " + "x" * 300_000, 1, "characters; at most", id="large"),
    pytest.param("a: [" + "x," * 50_000 + "]", 1, "values", id="many-values"),
]


@pytest.mark.parametrize(("text", "line", "words"), TRAPS)
def test_traps_are_told_once_with_their_line(text: str, line: int, words: str) -> None:
    with pytest.raises(RecipeError) as caught:
        read_document(text, "x.yaml")
    message = str(caught.value)
    assert message.count("\n") == 0, message
    assert message.startswith(f"x.yaml:{line}: ")
    assert words in message
    assert caught.value.facts["line"] == line


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        pytest.param(b"a: 1\nb: \xe9", "x.yaml:2: byte 0xe9 is not UTF-8", id="latin-1"),
        pytest.param("a: 1".encode("utf-16"), "saved as UTF-16", id="utf-16"),
        pytest.param(b"a" * 2_000_000, "too large", id="large"),
    ],
)
def test_bytes_that_are_no_text(raw: bytes, words: str) -> None:
    with pytest.raises(RecipeError, match=re.escape(words)):
        decode(raw, "x.yaml")
    assert decode(b"\xef\xbb\xbfa: 1", "x.yaml") == "a: 1"


def _readable(text: str) -> None:
    for load, kind in ((load_recipe, Recipe), (load_bench, Bench)):
        try:
            assert isinstance(load(text, "x.yaml"), kind)
        except RecipeError as exc:
            for line in str(exc).splitlines():
                assert line.startswith("x.yaml:")


_TOKENS = st.sampled_from(
    ["recipe: 1", "bench: 1", "limits:", "device: {ports: [A, B]}", "frequencies: {f: 1 MHz}", "\n", "  - ", "{", "}",
     "[", "]", ",", ": ", "&a ", "*a", "!!x ", "<<", "|", ">", "\t", "'", '"', "#", " ", "quantity: rejection", "at: f",
     "path: A-B", "min: 1 dB", "name: x", "?", "---", "%", "\\", "\x85", "analyzer:", "kit: ", "vswr: {limit: 1}"]
)  # fmt: skip


@settings(deadline=None, max_examples=150)
@given(st.text() | st.lists(_TOKENS, max_size=30).map("".join))
@example("a: \x00")
def test_any_text_is_a_recipe_or_an_error(text: str) -> None:
    _readable(text)


@settings(deadline=None, max_examples=60)
@given(st.binary())
@example("recipe: 1".encode("utf-16"))
def test_any_bytes_are_text_or_an_error(raw: bytes) -> None:
    try:
        text = decode(raw, "x.yaml")
    except RecipeError:
        return
    _readable(text)


@settings(deadline=None, max_examples=100)
@given(data=st.data())
def test_a_damaged_recipe_is_a_recipe_or_an_error(data: st.DataObject, recipe_text: str, bench_text: str) -> None:
    text = data.draw(st.sampled_from([recipe_text, bench_text]))
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 12)))
    _readable(text[:start] + data.draw(st.text(max_size=6)) + text[end:])
