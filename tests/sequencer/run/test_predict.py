"""What `check` foretells of shapes: an ideal device has a notch with a bottom, so its frequency can be stated."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.core.trace import Detector
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import SwitchFile
from sequencer.recipe.starters import read_recipe
from sequencer.run.predict import TYPICAL, TYPICAL_BENCH, forecast


@pytest.fixture(scope="module")
def limits():
    text, source = read_recipe("vhf-600k-thorough")
    told = forecast(load_recipe(text, source), load_bench(TYPICAL_BENCH, "typical"))
    return {limit.id: limit for limit in told.limits}


@pytest.mark.parametrize("kind", ["notch frequency", "notch depth", "rejection bandwidth", "pass bandwidth", "ripple"])
def test_a_typical_bench_can_prove_shapes(limits, kind: str) -> None:
    here = [limit for name, limit in limits.items() if name.startswith(kind)]
    assert here
    for limit in here:
        assert limit.ok, f"{limit.id}: {limit.provable}, {limit.remedy}"


def test_a_poor_reference_cannot_prove_a_notch_frequency() -> None:
    """100 ppm at 146 MHz are 15 kHz: more than the 6 kHz either side that the recipe allows."""
    text, source = read_recipe("vhf-600k-thorough")
    poor = TYPICAL_BENCH + "  frequency: {reference: 100 ppm, span: 1 %}\n"
    told = forecast(load_recipe(text, source), load_bench(poor, "poor"))
    notches = [limit for limit in told.limits if limit.id.startswith("notch frequency")]
    assert notches
    assert not any(limit.ok for limit in notches)


@pytest.mark.parametrize(("noise_dbm_hz", "said"), [(-140.0, False), (-95.0, True)], ids=["typical", "hopeless"])
def test_it_is_said_where_isolation_cannot_be_told_from_a_lead_that_is_off(noise_dbm_hz: float, said: bool) -> None:
    text, source = read_recipe("vhf-600k-acceptance")
    caps = replace(TYPICAL, noise_dbm_hz=noise_dbm_hz)
    told = forecast(load_recipe(text, source), load_bench(TYPICAL_BENCH, "typical"), caps)
    assert any("TX-RX" in text and "lead that is off" in text for text in told.assumptions) is said


def test_a_display_of_90_db_hides_no_limit_that_a_run_proves() -> None:
    """500 fixed points miss the frequencies and a sample detector scatters below the display's bottom."""
    text, source = read_recipe("vhf-600k-acceptance")
    caps = replace(
        TYPICAL, points=(500, 500), display_range_db=90.0, detectors=(Detector.SAMPLE,), attenuation_db=(10.0, 31.0),
        rbw_hz=(100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3), reference_dbm=(-70.0, 20.0), sweep_factor=3.5,
    )  # fmt: skip
    told = forecast(load_recipe(text, source), load_bench(TYPICAL_BENCH, "typical"), caps)
    for limit in told.limits:
        assert limit.ok, f"{limit.id}: {limit.provable}, {limit.remedy}"


def test_the_isolation_of_a_matrix_is_assumed_and_that_is_said() -> None:
    """Nothing was measured: 110 dB are assumed whatever noise is drawn, so 90 dB is the most provable."""
    text, source = read_recipe("vhf-600k-acceptance")
    names = ("thru", "floor", "TX-ANT", "TX-RX", "ANT-RX")
    bench = load_bench(TYPICAL_BENCH, "typical")
    switched = replace(bench, switch=SwitchFile(resource="none", hookups=dict.fromkeys(names, "CLOSE")))
    for minimum, ok in ((90, True), (92, False)):
        told = forecast(load_recipe(text.replace("min: 75 dB", f"min: {minimum} dB"), source), switched)
        here = [limit for limit in told.limits if limit.id.startswith("rejection")]
        assert [limit.ok for limit in here] == [ok, ok]
        assert all(("assumed" in limit.remedy) is not ok for limit in here)
        if not ok:
            assert [limit.provable for limit in here] == ["at least 90 dB"] * 2
        assert sum("switch matrix" in text for text in told.assumptions) == 1


def test_a_matrix_makes_no_shape_harder_to_prove(limits) -> None:
    text, source = read_recipe("vhf-600k-thorough")
    bench = load_bench(TYPICAL_BENCH, "typical")
    names = ("thru", "floor", "TX-ANT", "TX-RX", "ANT-RX")
    switched = replace(bench, switch=SwitchFile(resource="none", hookups=dict.fromkeys(names, "CLOSE")))
    shapes = [limit for limit in forecast(load_recipe(text, source), switched).limits if "kHz" in limit.provable]
    assert shapes
    assert all(limit.ok is limits[limit.id].ok for limit in shapes)


@pytest.mark.parametrize(("name", "shapes"), [("vhf-600k-thorough", True), ("vhf-600k-acceptance", False)])
def test_it_is_said_that_no_real_skirts_are_forecast(name: str, shapes: bool) -> None:
    told = forecast(load_recipe(*read_recipe(name)), load_bench(TYPICAL_BENCH, "typical"))
    assert any("the least to expect" in text for text in told.assumptions)
    assert any("skirts are not forecast" in text for text in told.assumptions) is shapes


def test_hands_are_given_a_quarter_of_a_minute_for_each_joint() -> None:
    told = forecast(load_recipe(*read_recipe("vhf-600k-quick")), load_bench(TYPICAL_BENCH, "typical"))
    assert told.touches > 10
    assert told.hands_s == pytest.approx(15.0 * told.touches)
    assert told.total_s > told.hands_s
