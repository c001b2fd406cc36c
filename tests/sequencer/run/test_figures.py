"""What the bench file states of an input, and what is assumed where it is silent."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.core.uncertainty import Distribution
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.connectors import MATING_DB, family
from sequencer.recipe.model import AnalyzerFile, Bench, Bridge, Figure, KitItem, Pad, Specifications
from sequencer.run.figures import Figures
from sequencer.run.resume import allowed_db

BARE = Bench(analyzer=AnalyzerFile(resource="none"))


def matings(bench, thrus=1):
    """(u, origin) of each joint of a path against so many thrus."""
    return [(row.u, row.origin) for row in Figures(bench).connections("TX-ANT", thrus)]


def test_the_family_of_connector_says_how_well_a_joint_repeats():
    """By the pad's key, by the end of the kit's pad, by the end of the kit's lead; the worse of two in the thru."""
    by_key = replace(BARE, generator_pad=Pad(loss_db=10.0, connector="N"), analyzer_pad=Pad(loss_db=6.0))
    assert matings(by_key) == [(0.02, "assumed for N"), (0.02, "assumed"), (0.02, "assumed for N")]
    leads = (
        KitItem(id="lead A", what="lead", ends=("N plug", "BNC plug")),
        KitItem(id="lead B", what="lead", ends=("N plug", "7/16 plug")),
    )
    by_leads = replace(BARE, kit=leads)
    assert matings(by_leads, 2) == [
        (0.04, "assumed for BNC"),
        (0.01, "assumed for 7-16"),
        (0.02, "assumed for BNC"),
        (0.02, "assumed for BNC"),
    ]
    on_pad = replace(
        by_leads,
        analyzer_pad=Pad(loss_db=6.0, id="P2"),
        kit=(*leads, KitItem(id="P2", what="pad", ends=("N plug", "UHF plug"))),
    )
    assert matings(on_pad)[1] == (0.06, "assumed for UHF")
    assert Figures(by_leads).connections("TX-ANT", 1)[0].distribution is Distribution.NORMAL
    assert allowed_db(by_leads) - allowed_db(BARE) == pytest.approx(2 * 2 * (0.04 - 0.02))


def test_the_bridge_has_a_connector_of_its_own():
    bridge = Bridge(directivity_db=Figure(limit=36.0), connector="UHF")
    rows = Figures(replace(BARE, bridge=bridge)).bridge_connections("reflect-TX")
    assert [(row.u, row.origin) for row in rows] == [(u, "assumed for UHF") for u in (0.06, 0.03, 0.03)]
    assert Figures(BARE).bridge_connections("reflect-TX")[0].u == 0.02


def test_what_the_bench_file_states_of_a_mating_goes_before_its_family():
    stated = replace(
        BARE,
        generator_pad=Pad(loss_db=10.0, connector="UHF"),
        specifications=Specifications(connection_db=Figure(limit=0.03)),
    )
    assert matings(stated) == [(0.03, "bench file")] * 3


def test_the_assumption_is_said_with_its_family():
    bench = replace(BARE, generator_pad=Pad(loss_db=10.0, connector="BNC"))
    (text,) = [t for t in Figures(bench).assumptions(bridge=False) if t.startswith("connection")]
    assert text == "connection repeatability, dB: 0.04 (BNC) and 0.02 (family not told)"
    (text,) = [t for t in Figures(BARE).assumptions(bridge=False) if t.startswith("connection")]
    assert text == "connection repeatability, dB: 0.02"


def test_a_bench_file_names_families_and_no_others():
    text = (
        "bench: 1\nanalyzer: {resource: A}\nbridge: {directivity: 36 dB, connector: BNC}\n"
        "pads: {generator: {loss: 10 dB, connector: 4.3-10}, analyzer: {loss: 6 dB}}\n"
    )
    bench = load_bench(text, "bench.yaml")
    assert bench.bridge is not None
    assert bench.generator_pad is not None
    assert (bench.bridge.connector, bench.generator_pad.connector) == ("BNC", "4.3-10")
    with pytest.raises(Exception, match=r"bench.yaml:4: pads.generator.connector: .*7-16"):
        load_bench(text.replace("4.3-10", "banana"), "bench.yaml")


@pytest.mark.parametrize("name", MATING_DB)
def test_an_end_of_the_kit_tells_its_family(name):
    assert family(f"{name} plug") == family(f"{name.lower()} socket") == name
