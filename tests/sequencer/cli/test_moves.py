"""The moves, carried out by a second reader of the sentences; and which cautions come when."""

import copy
import io
import itertools
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from sequencer.cli.checktext import check_text
from sequencer.cli.moves import CLEAR, cautions, instruction
from sequencer.cli.terminal import Terminal
from sequencer.core.history import Refused
from sequencer.core.hookup import RE_MATED, Hookup, HookupKind
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.loader import load_recipe
from sequencer.recipe.model import AnalyzerFile, Bench, Bridge, Figure, KitItem, Pad, Recipe, SwitchFile
from sequencer.recipe.starters import read_recipe, starter_names
from sequencer.run.fittings import loads
from sequencer.run.joints import touches_of
from sequencer.run.matrix import with_hands
from sequencer.run.plan import Known, Plan, make_plan
from sequencer.run.predict import TYPICAL, TYPICAL_BENCH, forecast

AT = datetime(2026, 1, 1, tzinfo=UTC)
ONE, OTHER = "one end", "the other end"
TURN = "turn one end by about a third of a turn against the other, and "
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
ADAPTED = replace(
    BENCH,
    generator_pad=None,
    kit=(
        *BENCH.kit,
        *(KitItem(id=f"G{n}", what="lead", ends=("plug", "plug")) for n in (1, 2)),
        KitItem(id="A1", what="adapter", ends=("socket", "socket")),
    ),
)
STANDARDS = tuple(KitItem(id=f"S{n}", what="standard", value_db=float(n), u_db=0.05) for n in (3, 70))


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
    """Does what the sentences say, to the letter; objects when an end is taken or an item is not there.

    ``touches`` counts each joint opened or closed.
    """

    def __init__(self, ports: tuple[str, ...] = PORTS, *, on_matrix: bool = False) -> None:
        self.ports = ports
        self.at: dict[str, str] = {}  # place -> the item there
        self.matrix = on_matrix
        self.touches = 0
        self.blank = False  # nobody knows what hangs where

    def taken(self, end: str) -> bool:
        return end in self.at or (end in (GEN, ANA, TEST) and end in self.at.values())

    def off(self, item: str, place: str) -> None:
        assert self.at.get(place) == item, f"{item} is not on {place}: {self.at}"
        del self.at[place]
        self.touches += 1

    def on(self, item: str, place: str) -> None:
        assert not self.matrix, f"{item} comes to {place}, and the matrix is still there"
        assert not self.taken(place), f"{place} is taken when {item} comes: {self.at}"
        known_one = item in (GEN, ANA, TEST) or item != "the 50 ohm load"
        assert not (known_one and item in self.at.values()), f"{item} is elsewhere: {self.at}"
        assert not (item in (GEN, ANA, TEST) and self.taken(item)), f"{item} is not free: {self.at}"
        self.at[place] = item
        self.touches += 1

    def do(self, sentence: str) -> None:
        if sentence == CLEAR:
            self.at = {}
        elif sentence.startswith("Take both leads off the switch matrix"):
            assert self.matrix
            self.matrix = False
            self.touches += 2 + len(self.ports)
        elif sentence.startswith("Fit ") or sentence == "Leave everything as it is.":
            pass
        elif found := re.fullmatch(rf"Part the two leads, {TURN}join them again to the same torque\.", sentence):
            self.off(GEN, ANA)
            self.on(GEN, ANA)
        elif found := re.fullmatch(rf"Take (.+) off (.+), {TURN}put it back to the same torque\.", sentence):
            self.off(found[1], found[2])
            self.on(found[1], found[2])
        elif sentence == "Part the two leads.":
            self.off(GEN, ANA)
        elif re.fullmatch(r"Join the generator lead to the analyzer lead\.", sentence):
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
        else:
            found = re.fullmatch(r"(?:Connect|Put) (.+) (?:to|on) (.+)\.", sentence)
            assert found is not None, sentence
            self.on(found[1], found[2])


def wanted(hookup: Hookup, bench: Bench | None) -> dict[str, str]:
    """What has to stand where, from the hookup alone; its loads as the diagram and the record name them."""
    ids = {item.what: item.id for item in bench.kit} if bench is not None else {}
    needed: dict[str, str] = {}
    if hookup.kind is HookupKind.THRU and "adapter" in ids:
        needed = {f"{end} of the adapter {ids['adapter']}": lead for end, lead in ((ONE, GEN), (OTHER, ANA))}
    elif hookup.kind is HookupKind.THRU:
        needed = {ANA: GEN}
    elif hookup.kind is HookupKind.PATH:
        needed = {str(hookup.generator): GEN, str(hookup.analyzer): ANA}
    elif hookup.kind is HookupKind.STANDARD:
        needed = {f"{end} of the standard {hookup.standard}": lead for end, lead in ((ONE, GEN), (OTHER, ANA))}
    elif hookup.kind is HookupKind.REFLECT:
        needed = {SOURCE: GEN, DETECTOR: ANA}
        if hookup.test_port == "load":
            needed[TEST] = "the 50 ohm load" + (" L1" if "load" in ids else "")
        elif hookup.test_port in ("open", "short"):
            needed[TEST] = f"the {hookup.test_port} {ids.get(hookup.test_port, '')}".strip()
        else:
            needed[str(hookup.test_port)] = TEST
    named = {"generator lead": GEN, "analyzer lead": ANA}
    assert len(hookup.loads) == len(set(hookup.loads))
    return needed | {named.get(where, where): f"the {name}" for where, name in loads(hookup, bench).items()}


def check(hands: Hands, hookup: Hookup, bench: Bench | None) -> None:
    """Just what the hookup needs stands; and, while the device is not in use, what still hangs on it."""
    needed = wanted(hookup, bench)
    uses_device = bool(needed.keys() & set(hands.ports))
    if uses_device:
        assert needed.keys() >= set(hands.ports), (hookup.name, "a port stays open")
    extra = {place: item for place, item in hands.at.items() if needed.get(place) != item}
    assert needed.items() <= hands.at.items(), (hookup.name, needed, hands.at)
    idle = set() if uses_device else set(hands.ports)
    assert extra.keys() <= {*idle, TEST} - needed.keys(), (hookup.name, extra)


def follow(hookups: Sequence[Hookup], bench: Bench | None, ports: tuple[str, ...]) -> Hands:
    """Tell a whole run and carry it out, from free leads to its last hookup."""
    hands, now = Hands(ports), None
    for hookup in hookups:
        said, now = instruction(hookup, now, ports, bench, matrix=False)
        for sentence in said:
            hands.do(sentence)
        check(hands, hookup, bench)
    return hands


@pytest.mark.parametrize("bench", [None, BENCH, ADAPTED], ids=["nothing named", "kit", "adapter"])
@pytest.mark.parametrize("before", ALL, ids=lambda hookup: hookup.name)
def test_the_moves_lead_from_any_hookup_to_any_other(before: Hookup, bench: Bench | None) -> None:
    for between, after in itertools.product((THRU, FLOOR, path("TX", "RX"), reflect("open")), ALL):
        hookups = [before, between, after]
        assert follow(hookups, bench, PORTS).touches == touches_of(hookups, bench, PORTS)


@pytest.mark.parametrize("bench", [None, BENCH, ADAPTED], ids=["nothing named", "kit", "adapter"])
def test_a_re_mated_thru_is_opened_and_closed_though_it_stands(bench: Bench | None) -> None:
    again = Hookup(name=RE_MATED, kind=HookupKind.THRU)
    hands = follow([THRU, again, again, again], bench, PORTS)
    assert hands.touches == touches_of([THRU, again, again, again], bench, PORTS)
    assert hands.touches == touches_of([THRU], bench, PORTS) + 3 * 2
    assert follow([THRU, FLOOR, again], bench, PORTS).touches == follow([THRU, FLOOR, THRU], bench, PORTS).touches
    assert (
        instruction(again, None, PORTS, bench, matrix=True)[0] == instruction(THRU, None, PORTS, bench, matrix=True)[0]
    )


def test_with_an_adapter_the_end_that_repeats_worse_is_opened() -> None:
    leads = tuple(KitItem(id=f"G{n}", what="lead", ends=("N plug", f"{end} plug")) for n, end in ((1, "N"), (2, "BNC")))
    bench = replace(BENCH, generator_pad=None, kit=(*leads, KitItem(id="A1", what="adapter", ends=("N socket",) * 2)))
    again = Hookup(name=RE_MATED, kind=HookupKind.THRU)
    _, now = instruction(THRU, None, PORTS, bench, matrix=False)
    ((sentence,), _) = instruction(again, now, PORTS, bench, matrix=False)
    assert sentence.startswith("Take the analyzer lead off the other end of the adapter A1, turn one end")


# ---- whole runs ------------------------------------------------------------------------------------

TYPICAL_ONE = load_bench(TYPICAL_BENCH, "typical bench")
BENCHES = {
    "typical": TYPICAL_ONE,
    "no bridge": replace(TYPICAL_ONE, bridge=None),
    "no pads": replace(TYPICAL_ONE, generator_pad=None, analyzer_pad=None),
    "kit": replace(TYPICAL_ONE, kit=BENCH.kit),
    "kit, standards": replace(TYPICAL_ONE, kit=BENCH.kit + STANDARDS),
    "kit, adapter, standards": replace(TYPICAL_ONE, generator_pad=None, analyzer_pad=None, kit=ADAPTED.kit + STANDARDS),
}


def planned(name: str, bench: Bench, *, exchanged: bool = False) -> tuple[Recipe, Plan]:
    recipe = load_recipe(*read_recipe(name))
    if exchanged:
        recipe = replace(recipe, exchange=tuple({r.path: None for r in recipe.requirements if r.path}))
    return recipe, make_plan(recipe, bench, TYPICAL, Known())


@pytest.mark.parametrize("exchanged", [False, True], ids=["", "leads exchanged"])
@pytest.mark.parametrize("kind", BENCHES)
@pytest.mark.parametrize("name", starter_names())
def test_every_starter_can_be_carried_out_to_the_letter_and_is_counted_so(
    name: str, kind: str, exchanged: bool
) -> None:
    bench = BENCHES[kind]
    recipe, plan = planned(name, bench, exchanged=exchanged)
    hookups = [station.hookup for station in plan.stations]
    hands = follow(hookups, bench, recipe.ports)
    assert hands.touches == touches_of(hookups, bench, recipe.ports) > 0
    assert plan.touches_over == 0


@pytest.mark.parametrize("name", ["vhf-600k-acceptance", "single-cavity-acceptance"])
def test_the_printed_count_is_that_of_the_printed_moves(name: str) -> None:
    recipe = load_recipe(*read_recipe(name))
    text = check_text(forecast(recipe, TYPICAL_ONE), recipe, TYPICAL_ONE, columns=80)
    hands = Hands(recipe.ports)
    for sentence in printed(text):
        hands.do(sentence)
    counted = re.search(r"(\d+) joints to open or close by hand", " ".join(text.split()))
    assert counted is not None
    assert int(counted[1]) == hands.touches


def printed(text: str) -> list[str]:
    """The numbered moves of a text, each put together from its lines."""
    found: list[str] = []
    for line in text.splitlines():
        if begun := re.match(r" {1,2}\d+\. (.*)", line):
            found.append(begun[1])
        elif found and re.match(r"     \S", line) and not found[-1].endswith("."):
            found[-1] += f" {line.strip()}"
    return found


def at_terminal(recipe: Recipe, bench: Bench, typed: int = 99, **more: Any) -> tuple[Terminal, io.StringIO]:
    out = io.StringIO()
    built = Terminal(
        io.StringIO("\n" * typed), out, yes="", sets={}, interactive=True, simulated=False, bench=bench,
        ports=recipe.ports, environ={"COLUMNS": "80"}, **more,
    )  # fmt: skip
    return built, out


def told(built: Terminal, out: io.StringIO, hookup: Hookup) -> list[str]:
    out.seek(0)
    out.truncate()
    built.connect(hookup)
    return printed(out.getvalue())


def test_a_refused_hookup_is_told_again_from_what_stood_before_it() -> None:
    """Whoever had done nothing of it can do it now; whoever had, is told the very same and finds it so."""
    recipe, plan = planned("vhf-600k-acceptance", BENCHES["kit"])
    built, out = at_terminal(recipe, BENCHES["kit"])
    hands = Hands(recipe.ports)
    for station in plan.stations:
        idle = copy.deepcopy(hands)
        first = told(built, out, station.hookup)
        for _ in range(2):
            built.heard(Refused(at=AT, why="nothing is connected", hookup=station.hookup.name))
            assert told(built, out, station.hookup) == first
            assert "check each" in out.getvalue()
        for sentence in first:
            hands.do(sentence)
            idle.do(sentence)
        assert idle.at == hands.at
        check(hands, station.hookup, BENCHES["kit"])


@pytest.mark.parametrize("stopped", range(1, 11))
def test_a_resumed_run_begins_with_a_bench_on_which_anything_may_hang(stopped: int) -> None:
    bench = BENCHES["kit"]
    recipe, plan = planned("vhf-600k-acceptance", bench)
    hookups = [station.hookup for station in plan.stations]
    hands = follow(hookups[:stopped], bench, recipe.ports)  # and nobody touched it meanwhile
    built, out = at_terminal(recipe, bench, hookups_done=stopped)
    for hookup in (hookups[0], *hookups[stopped - 1 :]):  # the reference is looked at first
        for sentence in told(built, out, hookup):
            hands.do(sentence)
        check(hands, hookup, bench)


class Matrix:
    def connect(self, hookup: Hookup) -> str:
        return "switch"

    def close(self) -> None: ...


@pytest.mark.parametrize("name", ["vhf-600k-acceptance", "hybrid-ring-acceptance"])
def test_what_is_made_by_hand_past_a_matrix_can_be_carried_out(name: str) -> None:
    bench = replace(BENCHES["kit"], switch=SwitchFile(resource="S", hookups={}))
    recipe, plan = planned(name, bench)
    paths = {s.hookup.name for s in plan.stations if s.hookup.kind is HookupKind.PATH}
    plan = with_hands(plan, paths, bench)
    built, out = at_terminal(recipe, bench, moves=Matrix())
    hands = Hands(recipe.ports, on_matrix=True)
    for station in plan.stations:
        said = told(built, out, station.hookup)
        assert station.hookup.by_hand or not said
        for sentence in said:
            hands.do(sentence)
        if station.hookup.by_hand:
            check(hands, station.hookup, bench)
    hookups = [station.hookup for station in plan.stations]
    assert hands.touches == touches_of(hookups, bench, recipe.ports)
    assert plan.touches_over == 0


@pytest.mark.parametrize(
    ("before", "after", "moves"),
    [
        pytest.param(path("TX", "ANT"), path("TX", "ANT"), 0, id="same again"),
        pytest.param(path("TX", "ANT"), path("TX", "RX"), 4, id="lead and load change places"),
        pytest.param(path("TX", "RX"), path("ANT", "RX"), 4, id="the other lead"),
        pytest.param(reflect("open"), reflect("short"), 2, id="open to short"),
        pytest.param(path("TX", "ANT"), THRU, 3, id="closing thru leaves the load"),
        pytest.param(THRU, FLOOR, 3, id="part, two loads"),
    ],
)
def test_the_fewest_moves(before: Hookup, after: Hookup, moves: int) -> None:
    """Counted by hand: joints opened and closed; a part that goes from one place to another is two."""
    assert follow([before, after], None, PORTS).touches - follow([before], None, PORTS).touches == moves


def test_kit_items_are_named_and_pads_are_fitted_once() -> None:
    first, now = instruction(path("TX", "ANT"), None, PORTS, BENCH, matrix=False)
    assert "10 dB pad P1" in first[0]
    assert "the 50 ohm load L1 on RX" in " ".join(first)
    later, _ = instruction(path("TX", "RX"), now, PORTS, BENCH, matrix=False)
    assert "pad" not in " ".join(later)


def test_four_ports_keep_the_load_that_may_stay() -> None:
    ports = ("TX", "RX", "ANT", "LOAD")
    _, now = instruction(path("TX", "ANT", ports), None, ports, None, matrix=False)
    after = replace(path("TX", "RX", ports), load_numbers=(1, 2))
    said, _ = instruction(after, now, ports, None, matrix=False)
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
