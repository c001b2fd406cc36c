from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.errors import NotchbookError, StoredDataError
from sequencer.formats.canonical import canonical_json, json_line, read_json, sha256_bytes, sha256_text

JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=12,
)


@given(JSON)
def test_every_value_comes_back_exactly_and_always_as_the_same_text(value: object) -> None:
    for write in (canonical_json, json_line):
        text = write(value)
        back = read_json(text, "test")
        assert back == value
        assert write(back) == text
        assert text.encode("utf-8").decode("utf-8") == text
    assert json_line(value).count("\n") == 1


def test_order_of_keys_does_not_matter_and_order_of_a_list_does() -> None:
    assert canonical_json({"b": 1, "a": [1, 2]}) == canonical_json({"a": [1, 2], "b": 1})
    assert canonical_json([1, 2]) != canonical_json([2, 1])


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_numbers_json_has_not_are_refused_with_their_place(bad: float) -> None:
    with pytest.raises(NotchbookError, match=r"results\[1\]\.value is -?(nan|inf)"):
        canonical_json({"results": [{"value": 1.0}, {"value": bad}]})


def test_a_key_that_is_not_text_is_refused() -> None:
    with pytest.raises(NotchbookError, match="key 1 is not text"):
        canonical_json({"a": {1: 2}})


def test_half_a_surrogate_pair_survives_as_utf_8() -> None:
    text = json_line({"idn": "x\udcff"})
    assert read_json(text.encode("utf-8").decode("utf-8"), "test") == {"idn": "x\udcff"}


@pytest.mark.parametrize(
    "text",
    [
        pytest.param('{"a": NaN}', id="nan"),
        pytest.param("[-Infinity]", id="infinity"),
        pytest.param("[1e999]", id="overflow"),
        pytest.param('{"a": 1, "a": 2}', id="key-twice"),
        pytest.param("{", id="cut"),
        pytest.param("", id="empty"),
        pytest.param("[" * 100_000, id="deep"),
        pytest.param("[" + "9" * 5000 + "]", id="endless-integer"),
    ],
)
def test_what_is_no_json_of_ours_is_refused_with_the_file(text: str) -> None:
    with pytest.raises(StoredDataError, match=r"^result\.json: "):
        read_json(text, "result.json")


# FIPS 180-4 example values for SHA-256 (NIST, "Examples with intermediate values"): the message "abc"
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_sha256_of_the_published_example() -> None:
    assert sha256_bytes(b"abc") == ABC
    assert sha256_text("abc") == ABC
    assert sha256_text("ä") == sha256_bytes(b"\xc3\xa4")
