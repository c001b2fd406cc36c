"""What a reading must keep from its limit, from the width of its interval and the rule of the recipe."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.recipe.model import Decision, Quantity, Recipe, Rule
from sequencer.run.guard import guard_band

GUARDED = Decision(rule=Rule.GUARDED, coverage=0.95)


@pytest.mark.parametrize(
    ("ends", "rule", "text", "share"),
    [
        pytest.param({"maximum": 1.6}, GUARDED, "up to 1.45 dB", 0.15 / 1.6, id="at most"),
        pytest.param({"minimum": 0.5}, GUARDED, "from 0.60 dB", 0.1 / 0.5, id="at least"),
        pytest.param({"minimum": 1.0, "maximum": 2.0}, GUARDED, "1.10 dB to 1.85 dB", 0.25, id="both"),
        pytest.param({"maximum": 0.1}, GUARDED, "no reading", 1.5, id="no room"),
        pytest.param({"maximum": 1.6}, Decision(rule=Rule.SIMPLE, coverage=0.95), "up to 1.60 dB", 0.0, id="simple"),
        # half of what 95 % leave, 2.5 %, is the risk of the guarded rule: the same guard band
        pytest.param(
            {"maximum": 1.6}, Decision(rule=Rule.RISK, coverage=0.95, max_risk=0.025), "up to 1.45 dB", 0.15 / 1.6,
            id="risk",
        ),
    ],
)  # fmt: skip
def test_a_limit_is_passed_by_what_its_guard_leaves(recipe: Recipe, ends, rule, text: str, share: float) -> None:
    limit = next(r for r in recipe.requirements if r.quantity is Quantity.INSERTION_LOSS)
    limit = replace(limit, **{"minimum": None, "maximum": None, **ends})
    band = guard_band(limit, below=0.1, above=0.15, decision=rule)
    assert band.text("dB") == text
    assert band.share == pytest.approx(share)
