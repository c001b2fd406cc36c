"""The moves, carried out by a second reader of the sentences; and which cautions come when."""

import itertools
import re

import pytest

from sequencer.cli.moves import cautions, instruction
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.recipe.model import AnalyzerFile, Bench, Bridge, Figure, KitItem, Pad

PORTS = ("TX", "RX", "ANT")
GEN, ANA = "the generator lead", "the analyzer lead"
SOURCE, DETECTOR, TEST = "the bridge's source port", "the bridge's detector port", "the bridge's test port"
BENCH = Bench(
    analyzer=AnalyzerFile(resource="x", maximum_input_dbm=20.0),
    bridge=Bridge(directivity_db=Figure(limit=36.0)),
    generator_pad=Pad(loss_db=10.0, id="P1"),
    kit=(
        *(KitItem(id=f"L{n}", what="load") for n in (1, 2, 3)),
        KitItem(id="O1", what="open"),
        KitItem(id="S1", what="short"),
    ),
)


def path(into: str, out: str, ports: tuple[str, ...] = PORTS) -> Hookup:
    rest = tuple(port for port in ports if port not in (into, out))
    return Hookup(name=f"{into}-{out}", kind=HookupKind.PATH, generator=into, analyzer=out, loads=rest)


def reflect(what: str, ports: tuple[str, ...] = PORTS) -> Hookup:
    rest = tuple(port for port in ports if port != what) if what in ports else ()
    return Hookup(name=f"reflect-{what}", kind=HookupKind.REFLECT, test_port=what, loads=rest)


THRU = Hookup(name="thru", kind=HookupKind.THRU)
FLOOR = Hookup(name="floor", kind=HookupKind.FLOOR, loads=("generator lead", "analyzer lead"))
ALL = [
    THRU,
    FLOOR,
    *(path(a, b) for a, b in itertools.permutations(PORTS, 2)),
    *(reflect(what) for what in ("open", "short", "load", *PORTS)),
]


class Hands:
    """Does what the sentences say; objects when a place is taken or the item is not there."""

    def __init__(self) -> None:
        self.at: dict[str, list[str]] = {}  # place -> items there
        self.moves = 0

    def taken(self, place: str) -> bool:
        if self.at.get(place):
            return True
        return place in (GEN, ANA, TEST) and any(place in items for items in self.at.values())

    def off(self, item: str, place: str) -> None:
        assert item in self.at.get(place, []), f"{item} is not on {place}: {self.at}"
        self.at[place].remove(item)

    def on(self, item: str, place: str) -> None:
        assert not self.taken(place), f"{place} is taken when {item} comes: {self.at}"
        if item in (GEN, ANA, TEST):
            assert not self.taken(item), f"{item} is not free: {self.at}"
        self.at[place] = [item]

    def do(self, sentence: str) -> None:
        if sentence.startswith("Fit "):
            return
        self.moves += 1
        if sentence == "Leave everything as it is.":
            self.moves -= 1
        elif sentence == "Part the two leads.":
            self.off(GEN, ANA)
        elif found := re.fullmatch(r"Join the generator lead to the analyzer lead\.", sentence):
            self.on(GEN, ANA)
        elif found := re.fullmatch(r"Take the generator lead off (.+) and join it to the analyzer lead\.", sentence):
            self.off(GEN, found[1])
            self.on(GEN, ANA)
        elif found := re.fullmatch(r"On (.+), put (.+) in place of (.+)\.", sentence):
            self.off(found[3], found[1])
            self.on(found[2], found[1])
        elif found := re.fullmatch(r"Take (.+) off (.+)\.", sentence):
            self.off(found[1], found[2])
        elif found := re.fullmatch(r"Move (.+) from (.+) to (.+)\.", sentence):
            self.off(found[1], found[2])
            self.on(found[1], found[3])
        elif found := re.fullmatch(r"(?:Connect|Put) (.+) (?:to|on) (.+)\.", sentence):
            self.on(found[1], found[2])
        else:
            found = re.fullmatch(r"See that (.+) is on (.+)\.", sentence)
            assert found is not None, sentence
            if found[1] not in self.at.get(found[2], []):
                self.on(found[1], found[2])

    def seen(self) -> dict[str, list[str]]:
        return {place: items for place, items in self.at.items() if items}


def wanted(hookup: Hookup) -> dict[str, str]:
    """What has to stand where, from the hookup alone; loads by kind only."""
    leads = {
        HookupKind.THRU: {ANA: GEN},
        HookupKind.FLOOR: {},
        HookupKind.PATH: {hookup.generator: GEN, hookup.analyzer: ANA},
        HookupKind.REFLECT: {SOURCE: GEN, DETECTOR: ANA},
    }[hookup.kind]
    if hookup.kind is HookupKind.REFLECT:
        standard = {"open": "the open", "short": "the short", "load": "the 50 ohm load"}
        leads |= {TEST: standard[hookup.test_port]} if hookup.test_port in standard else {hookup.test_port: TEST}
    named = {"generator lead": GEN, "analyzer lead": ANA}
    return leads | {named.get(where, where): "the 50 ohm load" for where in hookup.loads}


def check(hands: Hands, hookup: Hookup) -> None:
    seen = {place: items[0] for place, items in hands.seen().items()}
    needed = wanted(hookup)
    for place, item in needed.items():
        assert seen.get(place, "nothing").startswith(item), (hookup.name, place, seen)
    extra = {place: item for place, item in seen.items() if place not in needed}
    assert all("load" in item and place in PORTS for place, item in extra.items()), (hookup.name, extra)


@pytest.mark.parametrize("bench", [None, BENCH], ids=["nothing named", "kit"])
@pytest.mark.parametrize("before", ALL, ids=lambda hookup: hookup.name)
def test_the_moves_lead_from_any_hookup_to_any_other(before: Hookup, bench: Bench | None) -> None:
    for after in ALL:
        hands = Hands()
        for sentence in instruction(before, None, PORTS, bench):
            hands.do(sentence)
        check(hands, before)
        was = {(place, item) for place, items in hands.seen().items() for item in items}
        hands.moves = 0
        for sentence in instruction(after, before, PORTS, bench):
            hands.do(sentence)
        check(hands, after)
        now = {(place, item) for place, items in hands.seen().items() for item in items}
        # Each new joint costs one move, each that is gone and not the start of a move another; a ring one more.
        moved = {item for _, item in now - was}
        assert hands.moves <= len(now - was) + sum(item not in moved for _, item in was - now) + 1


@pytest.mark.parametrize(
    ("before", "after", "moves"),
    [
        pytest.param(path("TX", "ANT"), path("TX", "ANT"), 0, id="same again"),
        pytest.param(path("TX", "ANT"), path("TX", "RX"), 3, id="lead and load change places"),
        pytest.param(path("TX", "RX"), path("ANT", "RX"), 3, id="the other lead"),
        pytest.param(reflect("open"), reflect("short"), 1, id="open to short"),
        pytest.param(path("TX", "ANT"), THRU, 2, id="closing thru leaves the load"),
        pytest.param(THRU, FLOOR, 3, id="part, two loads"),
    ],
)
def test_the_fewest_moves(before: Hookup, after: Hookup, moves: int) -> None:
    """Counted by hand: a swap of two screwed parts takes three turns of the wrench hand."""
    hands = Hands()
    for sentence in [*instruction(before, None, PORTS, None)]:
        hands.do(sentence)
    hands.moves = 0
    for sentence in instruction(after, before, PORTS, None):
        hands.do(sentence)
    assert hands.moves == moves


def test_kit_items_are_named_and_pads_are_fitted_once() -> None:
    first = instruction(path("TX", "ANT"), None, PORTS, BENCH)
    assert "10 dB pad P1" in first[0]
    assert "the 50 ohm load L1 on RX" in " ".join(first)
    later = " ".join(instruction(path("TX", "RX"), path("TX", "ANT"), PORTS, BENCH))
    assert "pad" not in later


def test_four_ports_keep_the_load_that_may_stay() -> None:
    ports = ("TX", "RX", "ANT", "LOAD")
    said = instruction(path("TX", "RX", ports), path("TX", "ANT", ports), ports, None)
    assert not any("LOAD" in sentence for sentence in said)


def test_cautions_come_when_they_matter() -> None:
    first = " ".join(cautions(THRU, None, BENCH, True))
    assert "locked out" in first
    assert "+20 dBm" in first
    assert "Local codes" in first
    device = " ".join(cautions(path("TX", "ANT"), FLOOR, BENCH, False))
    assert "No DC" in device
    assert "locked out" in device
    between = cautions(path("TX", "RX"), path("TX", "ANT"), BENCH, False)
    assert len(between) == 1
    assert cautions(reflect("short"), reflect("open"), BENCH, False) == ()


def test_without_a_stated_highest_level_the_label_decides() -> None:
    assert "+20 to +30 dBm" in " ".join(cautions(THRU, None, None, True))
