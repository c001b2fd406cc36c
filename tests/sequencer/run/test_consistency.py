"""What a run's own sweeps say against the bench's figures: silent at the limits, heard beyond them."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sequencer.core.history import Role, Swept
from sequencer.core.trace import Trace
from sequencer.recipe.model import Figure, KitItem, Specifications
from sequencer.run.consistency import inconsistencies
from sequencer.run.evaluate import evaluate
from sequencer.run.measured import Measured
from sequencer.run.sweeps import Sweeps

_SPEC = importlib.util.spec_from_file_location("synthetic_run", Path(__file__).parent / "test_evaluate.py")
run = importlib.util.module_from_spec(_SPEC)
sys.modules["synthetic_run"] = run  # its dataclasses look themselves up
_SPEC.loader.exec_module(run)

STATED = Specifications(
    drift_db_per_h=Figure(limit=0.05),
    connection_db=Figure(limit=0.02),
    rbw_switching_db=Figure(limit=0.1),
    reference_switching_db=Figure(limit=0.1),
    attenuator_switching_db=Figure(limit=0.1),
    scale_per_db=Figure(limit=0.01),
    load_vswr=Figure(limit=1.05),
)
STRICT = replace(run.BENCH, specifications=STATED)
QUIET = {"noise_dbm": -120.0, "loads": 0.0}


def said(history, bench=STRICT):
    return inconsistencies(Measured(run.RECIPE, bench, Sweeps(history)))


def louder(history, db, where):
    """The same journal with the levels of some sweeps changed."""
    changed = []
    for entry in history:
        if isinstance(entry, Swept) and where(entry):
            trace = Trace(entry.sweep.trace.freq_hz, entry.sweep.trace.level_dbm + db)
            entry = replace(entry, sweep=replace(entry.sweep, trace=trace))  # noqa: PLW2901
        changed.append(entry)
    return changed


def test_a_bench_within_its_figures_is_not_doubted():
    world = run.World(directivity=10 ** (-36 / 20), source_match=0.0566, drift_db=0.02, **QUIET)
    assert said(run.play(world)) == ()


# twice 0.02 dB of connection, 0.05 dB/h over the quarter of an hour this run takes, and 0.01 dB of tracking
@pytest.mark.parametrize(("drift_db", "heard"), [(0.055, False), (0.09, True), (-0.09, True)])
def test_thrus_that_part_further_than_drift_and_matings_allow(drift_db, heard):
    found = said(run.play(run.World(drift_db=drift_db, **QUIET)))
    assert any("opening and closing thru" in text for text in found) is heard


@pytest.mark.parametrize(("size", "heard"), [(0.0566, False), (0.12, True)])
def test_a_bridge_that_is_worse_than_stated(size, heard):
    found = said(run.play(run.World(source_match=size, **QUIET)))
    assert any("open and short" in text for text in found) is heard


def test_a_port_that_gives_back_more_than_it_gets():
    history = run.play(run.World(**QUIET))
    assert not any("give back" in text for text in said(history))
    more = louder(history, 1.2, lambda e: e.role is Role.REFLECTION and e.hookup == "reflect-TX")
    assert any("port TX seems to give back" in text for text in said(more))


@pytest.mark.parametrize(("error_db", "heard"), [(0.09, False), (0.2, True)])
def test_one_thru_at_two_settings(error_db, heard):
    """The zooms are said to have used another RBW: 0.1 dB of switching is stated."""
    history = []
    for entry in run.play(run.World(**QUIET)):
        if isinstance(entry, Swept) and entry.key != "overview":
            used = replace(entry.sweep.used, rbw_hz=300.0)
            entry = replace(entry, sweep=replace(entry.sweep, used=used))  # noqa: PLW2901
        history.append(entry)
    found = said(louder(history, error_db, lambda e: e.key != "overview"))
    assert any("the thru reads" in text for text in found) is heard


def test_what_is_found_stands_in_the_warnings_of_the_evaluation():
    history = run.play(run.World(drift_db=0.2, **QUIET))
    assert any("opening and closing thru" in text for text in evaluate(run.RECIPE, STRICT, history).warnings)


def test_an_adapter_that_stands_only_in_the_thru_is_corrected_for():
    """It took 0.20 dB from the reference: every loss is 0.20 dB more than the readings say, and the budget tells."""
    kit = (
        KitItem(id="L1", what="lead", ends=("plug", "plug")),
        KitItem(id="L2", what="lead", ends=("plug", "plug")),
        KitItem(id="A7", what="adapter", ends=("socket", "socket"), loss_db=Figure(measured=0.2), u_db=0.01),
    )
    bare = replace(STRICT, generator_pad=None, analyzer_pad=None)
    history = run.play(run.World(**QUIET), keys=("transmit", "receive"))
    plain, corrected = (evaluate(run.RECIPE, b, history).results[0] for b in (bare, replace(bare, kit=kit)))
    assert corrected.value - plain.value == pytest.approx(0.2, abs=1e-6)
    assert any("adapter A7" in row.name and row.origin == "kit" for row in corrected.budget)


def test_the_joint_probability_is_stated_and_shares_what_results_share():
    """Never above the least single one; well above their product, since scale, drift and match are one bench's."""
    requirements = tuple(replace(r, minimum=None, maximum=1.06) for r in run.REQUIREMENTS[:2])
    recipe = replace(run.RECIPE, requirements=requirements)
    done = evaluate(recipe, STRICT, run.play(run.World(**QUIET), keys=("transmit", "receive")))
    single = [result.probability_conforming for result in done.results]
    assert done.probability_conforming is not None
    assert done.probability_conforming <= min(single) + 1e-9
    assert np.prod(single) - 0.02 <= done.probability_conforming
