"""The diagrams: what is drawn, in signal order, in plain characters, in the width there is."""

import re

import pytest

from sequencer.cli.diagram import diagram
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.recipe.model import AnalyzerFile, Bench, Bridge, Figure, KitItem, Pad
from sequencer.run.fittings import chain, loads

PORTS = ("TX", "RX", "ANT")
PADS = Bench(
    analyzer=AnalyzerFile(resource="x"),
    generator_pad=Pad(loss_db=10.0),
    analyzer_pad=Pad(loss_db=6.0),
    bridge=Bridge(directivity_db=Figure(limit=36.0)),
)
KIT = Bench(
    analyzer=AnalyzerFile(resource="x"),
    generator_pad=Pad(loss_db=10.0, id="P1"),
    analyzer_pad=Pad(loss_db=6.0, id="P2"),
    bridge=Bridge(directivity_db=Figure(limit=36.0), id="B1"),
    kit=tuple(KitItem(id=name, what=what) for name, what in (("G1", "lead"), ("A1", "lead"), ("L1", "load"))),
)
THRU = Hookup(name="thru", kind=HookupKind.THRU)
FLOOR = Hookup(name="floor", kind=HookupKind.FLOOR, loads=("generator lead", "analyzer lead"))
PATH = Hookup(name="TX-ANT", kind=HookupKind.PATH, generator="TX", analyzer="ANT", loads=("RX",))
OPEN = Hookup(name="reflect-open", kind=HookupKind.REFLECT, test_port="open")
PORT = Hookup(name="reflect-RX", kind=HookupKind.REFLECT, test_port="RX", loads=("TX", "ANT"))
ALL = [pytest.param(hookup, id=hookup.name) for hookup in (THRU, FLOOR, PATH, OPEN, PORT)]


@pytest.mark.parametrize("hookup", ALL)
@pytest.mark.parametrize("bench", [None, PADS, KIT], ids=["no bench", "pads", "kit"])
def test_a_diagram_fits_and_is_plain_ascii(hookup: Hookup, bench: Bench | None) -> None:
    text = diagram(hookup, bench, PORTS)
    assert text.isascii()
    assert max(len(line) for line in text.splitlines()) <= 78
    assert all(line == line.rstrip() for line in text.splitlines())
    assert text.count("GENERATOR") == text.count("ANALYZER") == 1


def test_a_path_reads_in_signal_order_on_one_line() -> None:
    line = next(line for line in diagram(PATH, PADS, PORTS).splitlines() if "GENERATOR" in line)
    assert re.findall(r"[A-Z]{2,}|\d+ dB", line) == ["GENERATOR", "10 dB", "TX", "ANT", "6 dB", "ANALYZER"]


def test_the_load_stands_beside_its_port_and_nowhere_else() -> None:
    with_load = [line for line in diagram(PATH, PADS, PORTS).splitlines() if "50 ohm" in line]
    assert len(with_load) == 1
    assert "RX" in with_load[0]


def test_a_port_that_carries_nothing_says_so() -> None:
    bare = Hookup(name="TX-ANT", kind=HookupKind.PATH, generator="TX", analyzer="ANT")
    assert re.search(r"RX \|  nothing connected", diagram(bare, PADS, PORTS))


def test_the_bridge_shows_the_device_port_and_its_loads() -> None:
    lines = diagram(PORT, PADS, PORTS).splitlines()
    assert any(re.search(r"test \|--\| RX +TX \|--\[50 ohm load\]", line) for line in lines)
    assert any(re.search(r"ANT \|--\[50 ohm load\]", line) for line in lines)
    assert "[open]" in diagram(OPEN, PADS, PORTS)


def test_device_of_one_port_and_of_five() -> None:
    one = Hookup(name="reflect-IN", kind=HookupKind.REFLECT, test_port="IN")
    assert "| IN" in diagram(one, PADS, ("IN",))
    ports = ("TX", "RX", "ANT", "LOAD", "MONITOR")
    five = Hookup(name="TX-ANT", kind=HookupKind.PATH, generator="TX", analyzer="ANT", loads=("RX", "LOAD", "MONITOR"))
    assert diagram(five, PADS, ports).count("[50 ohm load]") == 3
    edges = {line.index("|") for line in diagram(five, PADS, ports).splitlines() if "ohm" in line}
    assert len(edges) == 1


@pytest.mark.parametrize("hookup", ALL)
def test_too_narrow_becomes_a_list_that_loses_nothing(hookup: Hookup) -> None:
    text = diagram(hookup, KIT, PORTS, width=30)
    assert max(len(line) for line in text.splitlines()) <= 34  # the longest single item; nothing is cut
    for item in (*chain(hookup, KIT), *loads(hookup, KIT).values()):
        assert item.casefold() in text.casefold()
