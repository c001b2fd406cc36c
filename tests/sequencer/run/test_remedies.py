"""The first remedy fits what weighs most, and nothing foretold is written finer than a forecast is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.recipe.model import Bench, Quantity, Recipe, Rule
from sequencer.run.predict import forecast
from sequencer.run.remedies import at_least_text, within_text


def limits_of(recipe: Recipe, bench: Bench, quantity: Quantity, **ends: float):
    asked = tuple(replace(r, **ends) for r in recipe.requirements if r.quantity is quantity)[:1]
    return forecast(replace(recipe, requirements=asked), bench).limits[0]


def test_more_return_loss_than_the_bridge_has_directivity_asks_for_a_better_bridge(recipe, bench) -> None:
    """A reflection below the directivity cannot be told from it, whatever the RBW (common practice, no source)."""
    limit = limits_of(recipe, bench, Quantity.RETURN_LOSS, minimum=60.0)
    assert not limit.ok
    assert "a bridge of more than 60 dB of directivity: through one of 40 dB" in limit.remedy
    assert "RBW" not in limit.remedy


def test_an_insertion_loss_that_cannot_be_told_has_a_remedy(recipe, bench) -> None:
    limit = limits_of(recipe, bench, Quantity.INSERTION_LOSS, maximum=0.05)
    assert not limit.ok
    assert limit.remedy.partition(": ")[2]  # what is the largest part, and what to do about it


@pytest.mark.parametrize(
    ("bridged", "cure"), [(False, "borrow a directional bridge"), (True, "add a limit on the return loss of that port")]
)
def test_a_reflection_that_is_not_measured_asks_for_what_measures_it(recipe, bench, bridged, cure) -> None:
    """'Add a limit on the paths into that port' measures paths, and the reflection as little as before."""
    bare = replace(bench, generator_pad=None, analyzer_pad=None, bridge=bench.bridge if bridged else None)
    simple = replace(recipe, decision=replace(recipe.decision, rule=Rule.SIMPLE))  # no limit on a port: no reflections
    notch = replace(
        next(r for r in recipe.requirements if r.quantity is Quantity.REJECTION),
        quantity=Quantity.NOTCH_FREQUENCY, minimum=146.007e6, maximum=146.013e6, within_hz=20e3,
    )  # fmt: skip
    (limit,) = forecast(replace(simple, requirements=(notch,)), bare).limits
    assert "not measured) (" in limit.remedy
    assert cure in limit.remedy


def test_a_limit_is_written_as_it_was_required(recipe, bench) -> None:
    assert limits_of(recipe, bench, Quantity.REJECTION).limit == "at least 75 dB"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        pytest.param(at_least_text(95.73), "at least 95 dB", id="a deep bound, down"),
        pytest.param(at_least_text(28.18), "at least 28.1 dB", id="a shallow one"),
        pytest.param(within_text(0.0, "dB"), "within 0.00 dB", id="nothing at all"),
        pytest.param(within_text(0.0004, "dB"), "within 0.01 dB", id="never zero, up"),
        pytest.param(within_text(0.204, "dB"), "within 0.21 dB", id="up"),
        pytest.param(within_text(19662.0, "Hz"), "within 20 kHz", id="two digits of hertz"),
    ],
)
def test_what_is_foretold_is_rounded_to_the_safe_side(text: str, said: str) -> None:
    assert text == said


def test_where_leakage_weighs_most_screens_and_connectors_are_asked_for(recipe, bench) -> None:
    """The assumed 110 dB between the leads hide an isolation of 105 dB; no filter makes them less."""
    limit = limits_of(recipe, bench, Quantity.ISOLATION, minimum=105.0)
    assert not limit.ok
    assert "leakage" in limit.remedy
    assert "double-screened leads, tight connectors, instruments apart" in limit.remedy
