"""Which item of the kit stands at which joint."""

from dataclasses import replace

from sequencer.core.hookup import Hookup, HookupKind
from sequencer.recipe.model import AnalyzerFile, Bench, Bridge, Figure, KitItem, Pad, SwitchFile
from sequencer.run.fittings import chain, loads, thru_adapter

PATH = Hookup(name="TX-ANT", kind=HookupKind.PATH, generator="TX", analyzer="ANT", loads=("RX",))
THRU = Hookup(name="thru", kind=HookupKind.THRU)
LOAD = Hookup(name="reflect-load", kind=HookupKind.REFLECT, test_port="load")
FLOOR = Hookup(name="floor", kind=HookupKind.FLOOR, loads=("generator lead", "analyzer lead"))


def kit(*items: KitItem, pads: bool = True) -> Bench:
    return Bench(
        analyzer=AnalyzerFile(resource="x"),
        generator_pad=Pad(loss_db=10.0, id="P1") if pads else None,
        analyzer_pad=Pad(loss_db=6.0) if pads else None,
        bridge=Bridge(directivity_db=Figure(limit=36.0)),
        kit=items,
    )


def test_plain_names_where_nothing_is_listed() -> None:
    assert chain(PATH, None) == ("generator", "generator lead", "device TX", "device ANT", "analyzer lead", "analyzer")
    assert loads(PATH, None) == {"RX": "50 ohm load"}


def test_listed_order_gives_each_joint_its_item() -> None:
    bench = kit(KitItem(id="G1", what="lead"), KitItem(id="A1", what="lead"), KitItem(id="L1", what="load"))
    assert chain(PATH, bench) == (
        "generator",
        "lead G1",
        "10 dB pad P1",
        "device TX",
        "device ANT",
        "6 dB pad",
        "lead A1",
        "analyzer",
    )
    assert loads(FLOOR, bench) == {"generator lead": "50 ohm load L1", "analyzer lead": "50 ohm load"}
    assert chain(FLOOR, bench)[3:5] == ("50 ohm load L1", "50 ohm load")


def test_a_switch_matrix_stands_behind_both_leads_but_not_by_hand() -> None:
    bench = replace(kit(pads=False), switch=SwitchFile(resource="x", hookups={}))
    ways = chain(PATH, bench)
    assert ways[1:3] == ("generator lead", "switch matrix")
    assert ways[-3:] == ("switch matrix", "analyzer lead", "analyzer")
    assert "switch matrix" not in chain(replace(PATH, by_hand=True), bench)


def test_the_bridge_gets_the_best_load() -> None:
    bench = kit(
        KitItem(id="L1", what="load", vswr=Figure(limit=1.2)), KitItem(id="L2", what="load", vswr=Figure(limit=1.05))
    )
    assert "50 ohm load L2" in chain(LOAD, bench)
    assert chain(LOAD, bench).count("bridge") == 2


def test_two_leads_that_end_alike_need_an_adapter_in_the_thru() -> None:
    plugs = ("N plug", "N plug")
    leads = (KitItem(id="G1", what="lead", ends=plugs), KitItem(id="A1", what="lead", ends=plugs))
    wrong = KitItem(id="AD0", what="adapter", ends=("N plug", "N socket"))
    right = KitItem(id="AD1", what="adapter", ends=("N socket", "N socket"))
    assert thru_adapter(kit(*leads, wrong, right, pads=False)) == "adapter AD1"
    assert "adapter AD1" in chain(THRU, kit(*leads, right, pads=False))
    assert thru_adapter(kit(*leads, wrong, pads=False)) == ""
    assert thru_adapter(kit(*leads, right)) == ""  # a pad of unknown ends stands on the lead
