"""What `check` foretells of shapes: an ideal device has a notch with a bottom, so its frequency can be stated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sequencer.core.history import Role
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import Detector, SweepSettings
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import SwitchFile
from sequencer.recipe.starters import read_recipe
from sequencer.run.predict import TYPICAL, TYPICAL_BENCH, Predicted, forecast
from sequencer.run.steps import SweepStep


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
def test_it_is_said_what_device_is_foretold(name: str, shapes: bool) -> None:
    told = forecast(load_recipe(*read_recipe(name)), load_bench(TYPICAL_BENCH, "typical"))
    assert any("loses and reflects what its limits allow" in text for text in told.assumptions)
    assert any("skirts that are lopsided" in text for text in told.assumptions) is shapes


def test_paths_with_the_same_settings_are_foretold_alike() -> None:
    """A forecast is of what is expected: nothing is drawn that could tell one path from another."""
    text, source = read_recipe("vhf-600k-acceptance")
    bare = load_bench('bench: 1\nanalyzer: {resource: "none"}\n', "bare")
    told = forecast(load_recipe(text.replace("min: 75 dB", "min: 105 dB"), source), bare)
    deep = [limit.provable for limit in told.limits if limit.limit == "at least 105 dB"]
    assert len(deep) == 2
    assert len(set(deep)) == 1


@pytest.mark.parametrize("repeats", [1, 2, 3, 4, 5, 8])
@pytest.mark.parametrize("points", [2, 11, 12])
def test_foretold_noise_scatters_as_it_should_and_leaves_no_error(repeats: int, points: int) -> None:
    """No point's mean over its repeats is off, their scatter is the one expected, and no two points are alike."""
    recipe, bench = load_recipe(*read_recipe("vhf-600k-quick")), load_bench(TYPICAL_BENCH, "typical")
    predicted = Predicted(recipe, bench, TYPICAL)
    settings = SweepSettings(
        start_hz=146e6, stop_hz=146.01e6, points=points, rbw_hz=1e3, attenuation_db=0.0, reference_dbm=-60.0,
        generator_dbm=None, detector=Detector.SAMPLE,
    )  # fmt: skip
    step = SweepStep(hookup="floor", key="x", role=Role.NOISE, settings=settings, why="", repeats=repeats)
    floor = Hookup(name="floor", kind=HookupKind.FLOOR)
    power = np.stack([predicted.sweep(floor, step).trace.level_dbm for _ in range(repeats)])
    power = 10.0 ** (power / 10.0) / 10.0 ** ((-140.0 + 30.0) / 10.0)
    assert power.mean() == pytest.approx(1.0, abs=0.01)
    assert np.unique(power).size == power.size
    if repeats > 1:
        assert power.mean(axis=0) == pytest.approx(1.0, abs=0.01)
        assert power.std(axis=0, ddof=1) == pytest.approx(1.0, abs=0.01)


def test_a_stated_noise_is_what_time_is_told_by_and_no_assumption() -> None:
    recipe = load_recipe(*read_recipe("70cm-5m-acceptance"))
    stated = TYPICAL_BENCH + "  noise: -150 dBm\n"
    silent, told = (forecast(recipe, load_bench(text, "x")) for text in (TYPICAL_BENCH, stated))
    assert told.total_s - told.hands_s < 0.2 * (silent.total_s - silent.hands_s)
    assert any("noise of the analyzer: -140 dBm" in text for text in silent.assumptions)
    assert not any("noise of the analyzer" in text for text in told.assumptions)


def test_enough_is_what_the_rule_leaves_of_a_limit() -> None:
    """Without pads or bridge a loss is known within several dB: that is not enough for 8 dB, and all for 80."""
    text, source = read_recipe("vhf-600k-quick")
    bare = load_bench('bench: 1\nanalyzer: {resource: "none"}\n', "bare")
    text = text.replace("rule: simple", "rule: guarded").replace("max: 1.6 dB", "max: 8 dB")
    assert "rule: guarded" in text
    losses = [limit for limit in forecast(load_recipe(text, source), bare).limits if "loss" in limit.id]
    assert [limit.ok for limit in losses] == [False, False]
    assert all(limit.passes.startswith(("up to", "no reading")) for limit in losses)
    simple = text.replace("rule: guarded", "rule: simple")
    losses = [limit for limit in forecast(load_recipe(simple, source), bare).limits if "loss" in limit.id]
    assert [(limit.ok, limit.passes) for limit in losses] == [(True, "up to 8.00 dB")] * 2


def test_hands_are_given_a_quarter_of_a_minute_for_each_joint() -> None:
    told = forecast(load_recipe(*read_recipe("vhf-600k-quick")), load_bench(TYPICAL_BENCH, "typical"))
    assert told.touches > 10
    assert told.hands_s == pytest.approx(15.0 * told.touches)
    assert told.total_s > told.hands_s
