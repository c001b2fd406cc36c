"""The packing list: every item once, as many as stand at once, with its ends and where it stands."""

from __future__ import annotations

import pytest

from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.packing import Stand, packing
from sequencer.recipe.starters import read_recipe, starters
from sequencer.run.fittings import chain, loads
from sequencer.run.predict import TYPICAL_BENCH, forecast

BENCH = """\
bench: 1
analyzer: {resource: "TCPIP::192.0.2.1::5025::SOCKET"}
bridge: {directivity: 36 dB, connector: N}
pads: {generator: {loss: 10 dB, connector: N}, analyzer: {loss: 10 dB, connector: BNC}}
kit:
  G1: {what: lead, ends: [N plug, N plug]}
  A1: {what: lead, ends: [N plug, BNC plug]}
  L1: {what: load, ends: [N plug]}
  L2: {what: load, ends: [N socket]}
"""
FRONT, BACK = ("generator", "lead G1", "10 dB pad"), ("10 dB pad", "lead A1", "analyzer")
LOADS = {"generator lead": "50 ohm load L1", "analyzer lead": "50 ohm load"}


def test_each_item_with_its_number_its_ends_and_its_places() -> None:
    stands = [
        Stand(name="thru", chain=(*FRONT, "adapter T1", *BACK), loads={}),
        Stand(name="floor", chain=(*FRONT, *LOADS.values(), *BACK), loads=LOADS),
        Stand(name="TX-ANT", chain=(*FRONT, "device TX", "device ANT", *BACK), loads={"RX": "50 ohm load L1"}),
        Stand(name="reflect-open", chain=(*FRONT, "bridge", "open", "bridge", *BACK), loads={}),
        Stand(name="thru", chain=(*FRONT, "adapter T1", *BACK), loads={}),
    ]
    told = [(one.count, one.item, one.ends, one.where) for one in packing(stands, load_bench(BENCH, "bench.yaml"))]
    assert told == [
        (1, "lead G1", "N plug, N plug", "generator side: every hookup"),
        (2, "10 dB pad", "N, BNC", "generator side and analyzer side: every hookup"),
        (1, "adapter T1", "not told", "between the leads: thru"),
        (1, "lead A1", "N plug, BNC plug", "analyzer side: every hookup"),
        (1, "50 ohm load L1", "N plug", "on generator lead: floor; on RX: TX-ANT"),
        (1, "50 ohm load", "not told", "on analyzer lead: floor"),
        (1, "bridge", "N", "reflect-open"),
        (1, "open", "not told", "on the bridge: reflect-open"),
    ]


@pytest.mark.parametrize("name", [name for name, _ in starters()])
def test_every_starters_list_holds_as_many_loads_as_a_hookup_needs_at_once(name: str) -> None:
    bench = load_bench(TYPICAL_BENCH, "typical bench")
    hookups = [step.hookup for step in forecast(load_recipe(*read_recipe(name)), bench).hookups]
    stands = [Stand(name=one.name, chain=chain(one, bench), loads=loads(one, bench)) for one in hookups]
    packed = {one.item: one for one in packing(stands, bench)}
    assert packed["50 ohm load"].count == max(len(hookup.loads) for hookup in hookups)
    named = {item for stand in stands for item in (*stand.chain, *stand.loads.values()) if "device" not in item}
    assert named - {"generator", "analyzer"} == set(packed)
