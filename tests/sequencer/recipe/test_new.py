"""`recipe new`: whatever channels and kind are chosen, the text loads, and says what was asked for."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import UsageError
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.new import KINDS, new_recipe

# Splits of the issue and the trade notes, section 8.8 (common practice, no source)
PAIRS = [
    pytest.param(52.525e6, 51.525e6, "6m-1m-acceptance", id="6m-1m"),
    pytest.param(146.61e6, 146.01e6, "2m-600k-acceptance", id="2m-600k"),
    pytest.param(223.94e6, 222.34e6, "125m-1.6m-acceptance", id="1.25m-1.6m"),
    pytest.param(444e6, 449e6, "70cm-5m-acceptance", id="70cm-5m"),
    pytest.param(439e6, 431.4e6, "70cm-7.6m-acceptance", id="70cm-7.6m"),
    pytest.param(927.0125e6, 902.0125e6, "33cm-25m-acceptance", id="33cm-25m"),
    pytest.param(151e6, 155.6e6, "land-mobile-vhf-4.6m-acceptance", id="vhf-4.6m"),
    pytest.param(462.55e6, 467.55e6, "land-mobile-uhf-5m-acceptance", id="uhf-5m"),
    pytest.param(483e6, 486e6, "land-mobile-uhf-3m-acceptance", id="uhf-3m"),
    pytest.param(30e6, 31e6, "duplexer-1m-acceptance", id="no-band"),
]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("transmit_hz", "receive_hz", "name"), PAIRS)
def test_usual_splits(transmit_hz: float, receive_hz: float, name: str, kind: str) -> None:
    text = new_recipe(transmit_hz, receive_hz, kind=kind)
    recipe = load_recipe(text, "new.yaml")
    assert recipe.frequencies == {"transmit": transmit_hz, "receive": receive_hz}
    assert recipe.name == (name if kind == KINDS[0] else name.replace("acceptance", f"{kind}-acceptance"))
    assert kind in recipe.title
    assert "set your own" in text
    assert max(len(line) for line in text.splitlines()) <= 120


@pytest.mark.parametrize("kind", KINDS)
def test_swapped_channels_swap_nothing_but_the_channels(kind: str) -> None:
    one = load_recipe(new_recipe(146.61e6, 146.01e6, kind=kind), "a.yaml")
    other = load_recipe(new_recipe(146.01e6, 146.61e6, kind=kind), "b.yaml")
    assert one.overview_hz == other.overview_hz
    limits = [[(r.id, r.minimum, r.maximum, r.within_hz) for r in recipe.requirements] for recipe in (one, other)]
    assert limits[0] == limits[1]
    assert one.frequencies["transmit"] == other.frequencies["receive"]


def test_an_unusual_split_is_told() -> None:
    assert "Yours is another one" in new_recipe(146.61e6, 145.81e6)
    assert "Yours is another one" not in new_recipe(146.61e6, 146.01e6)
    assert "none of the bands" in new_recipe(30e6, 31e6)


@settings(deadline=None, max_examples=100)
@given(
    transmit_hz=st.floats(1e5, 1e11),
    split=st.floats(1e-4, 0.5) | st.floats(-0.4, -2e-4),
    kind=st.sampled_from(KINDS),
)
def test_any_pair_round_trips_or_is_refused(transmit_hz: float, split: float, kind: str) -> None:
    receive_hz = transmit_hz * (1.0 + split)
    try:
        text = new_recipe(transmit_hz, receive_hz, kind=kind)
    except UsageError:
        return
    assert load_recipe(text, "x.yaml").frequencies == {"transmit": transmit_hz, "receive": receive_hz}


@pytest.mark.parametrize(
    ("transmit_hz", "receive_hz"),
    [(146e6, 146e6), (146e6, 146.001e6), (146e3, 146e6), (math.nan, 1e6), (math.inf, 1e6), (-1e6, 1e6), (0.0, 0.0)],
)
def test_channels_that_make_no_duplexer(transmit_hz: float, receive_hz: float) -> None:
    with pytest.raises(UsageError):
        new_recipe(transmit_hz, receive_hz)


@pytest.mark.parametrize("name", ["", "../x", "a b", "x\nlimits: []", "a" * 65, "-x", "é"])
def test_names_that_cannot_be_used(name: str) -> None:
    with pytest.raises(UsageError, match="cannot be a recipe's name"):
        new_recipe(146.61e6, 146.01e6, name=name)


def test_name_and_kind_are_taken() -> None:
    assert load_recipe(new_recipe(146.61e6, 146.01e6, name="club.2m"), "x.yaml").name == "club.2m"
    with pytest.raises(UsageError, match="allowed: band-pass/band-reject"):
        new_recipe(146.61e6, 146.01e6, kind="hybrid")


def test_kinds_differ() -> None:
    texts = [new_recipe(146.61e6, 146.01e6, name="x", kind=kind) for kind in KINDS]
    assert all(one != other for one, other in itertools.combinations(texts, 2))
