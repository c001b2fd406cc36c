"""Each part that an acceptance report must have holds what the record says, in its own place: distinct values each."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pytest

from reports.figures import figure_groups
from reports.guidance import checklist
from reports.html import render
from sequencer.core.trace import Detector


def words_of(text: str) -> str:
    return " ".join(html.unescape(re.sub("<[^>]*>", " ", text)).split()).replace(" ,", ",").replace(" .", ".")


def section(page: str, name: str) -> str:
    """The section with this id, its inner sections included."""
    start = page.index(f'<section id="{name}"')
    depth = 0
    for tag in re.finditer("<(/?)section", page[start:]):
        depth += -1 if tag[1] else 1
        if depth == 0:
            return page[start : start + tag.end()]
    raise AssertionError(name)


def table(text: str) -> list[list[str]]:
    """The cells of the first table's body."""
    body = text.partition("<tbody>")[2].partition("</tbody>")[0]
    rows = re.findall("<tr.*?</tr>", body, re.DOTALL)
    return [[words_of(cell) for cell in re.findall("<t[hd].*?</t[hd]>", row, re.DOTALL)] for row in rows]


@pytest.fixture(scope="module")
def page(synthetic):
    return render(synthetic.record(), synthetic.curves())


def test_settings_as_read_back(synthetic):
    one = synthetic.record().traces[0]
    used = replace(
        one.used, start_hz=144.1e6, stop_hz=148.3e6, points=631, rbw_hz=3e3, vbw_hz=1e5, detector=Detector.POWER,
        sweep_time_s=1.75, attenuation_db=20.0, reference_dbm=-15.0, generator_dbm=-7.0,
    )  # fmt: skip
    off = replace(used, points=401, rbw_hz=300.0, vbw_hz=None, sweep_time_s=2.5, generator_dbm=None)
    traces = (replace(one, used=used), replace(one, used=off, role="noise", key="receive", flags=("overload",)))
    rows = table(section(render(synthetic.record(traces=traces), ()), "settings"))
    minus = "\N{MINUS SIGN}"
    assert rows == [
        ["144.100 to 148.300 MHz", "631", "3 kHz", "100 kHz", "power", "1.75 s", "20 dB",
         f"{minus}15 dBm", f"{minus}7 dBm", "none", "thru : thru, overview"],
        ["144.100 to 148.300 MHz", "401", "300 Hz", "widest", "power", "2.5 s", "20 dB",
         f"{minus}15 dBm", "off", "overload", "thru : noise, receive"],
    ]  # fmt: skip


def test_each_hookup_with_its_kind_its_time_who_confirmed_it_and_which_port_carries_which_load(synthetic):
    thru, floor, path, other, bridge = synthetic.record().hookups
    who = ("operator", "switch", "simulated switch", "operator", "switch")
    hookups = tuple(
        replace(hookup, confirmed_by=by) for hookup, by in zip((thru, floor, path, other, bridge), who, strict=True)
    )
    shown = section(render(synthetic.record(hookups=hookups), ()), "hookups")
    told = [words_of(part) for part in re.findall('<section class="hookup.*?</section>', shown, re.DOTALL)]
    heads = [
        "thru thru, 09:30:00, confirmed by operator",
        "floor floor, 09:33:00, confirmed by switch",
        "TX-ANT path, 09:36:00, confirmed by simulated switch",
        "ANT-RX path, 09:39:00, confirmed by operator",
        "reflect-TX reflect, 09:42:00, confirmed by switch",
    ]
    loads = [
        "No loads.",
        "Loads: load L1 on generator lead; load L2 on analyzer lead.",
        "Loads: load L1 on RX.",
        "Loads: load L1 on TX.",
        "Loads: load L1 on RX; load L2 on ANT.",
    ]
    for text, head, load, hookup in zip(told, heads, loads, hookups, strict=True):
        assert text.startswith(head)
        assert f" {load} Proof: {hookup.proof}" in text
        assert " ".join(hookup.chain) in text


def test_when_it_began_and_ended_and_how_long_the_instrument_worked(page):
    told = words_of(section(page, "conditions"))
    assert "Began 2026-03-14 09:30 UTC" in told
    assert "Ended 2026-03-14 10:22 UTC" in told
    assert "Instrument time 312 s" in told
    assert "Operator A. Example" in told


def test_recipe_and_bench_stand_there_as_they_were_read(synthetic):
    recipe, bench = "recipe: 1\nname: <mine> & yours\n", "bench: 1\n# my bench\nanalyzer: {}\n"
    shown = section(render(synthetic.record(recipe_text=recipe, bench_text=bench), ()), "hashes")
    assert [html.unescape(text) for text in re.findall("<pre[^>]*>(.*?)</pre>", shown, re.DOTALL)] == [recipe, bench]
    assert "There was no bench file." in section(render(synthetic.record(bench_text=""), ()), "hashes")


def test_what_is_stated_of_each_item_of_the_bench(page):
    shown = section(page, "bench")
    assert table(shown) == [
        ["lead", "G", "2026-01-20", "loss 0.31 dB, vswr 1.08"],
        ["pad", "P1", "no traceability claimed", "loss 10 dB"],
        ["load", "L1", "no traceability claimed", "vswr 1.05"],
    ]
    assert "Analyzer says it is EXAMPLE,ANALYZER,0,1.0" in words_of(shown)
    assert "Switch says it is EXAMPLE,SWITCH,0,1.0" in words_of(shown)


def test_each_plot_has_its_lead_its_caption_and_its_readings(page, synthetic):
    groups = figure_groups(synthetic.record(), synthetic.curves())
    shown = section(page, "plots")
    figures = [figure for group in groups for figure in group.figures]
    assert len({figure.caption for figure in figures}) > 2
    captions = [html.unescape(text) for text in re.findall("<figcaption>(.*?)</figcaption>", shown, re.DOTALL)]
    assert captions == [figure.caption for figure in figures]
    bodies = [table("<tbody>" + part) for part in shown.split("<tbody>")[1:]]
    assert bodies == [[[words_of(cell) for cell in row] for row in figure.rows] for figure in figures]
    assert all(row[1:] and all(row[1:]) for body in bodies for row in body)
    for group in groups:
        assert words_of(group.lead) in words_of(shown)


def test_each_item_of_the_checklist_says_what_is_asked_and_where_it_stands(page, synthetic):
    items = checklist(synthetic.record())
    rows = table(section(page, "checklist"))
    assert rows == [[f"{item.letter})", item.asked, words_of(item.answer)] for item in items]
    assert all(all(row) for row in rows)
    assert ["e)", "customer and contact", "Example Valley Repeater Group (invented)"] in rows


def test_table_headings_come_again_on_every_sheet(page):
    """Paper only: `table-header-group` repeats; where it is said more than once, the last counts."""
    print_rules = page.split("@media print")[1].split("</style>")[0]
    displays = re.findall(r"(?:^|[\s,}])thead\s*\{[^}]*display:\s*([\w-]+)", print_rules)
    assert displays[-1:] == ["table-header-group"]


def test_no_budget_is_cut_so_that_its_heading_stands_alone_at_the_foot_of_a_sheet(page):
    """Seen with a browser: it keeps no heading row with the first row below it, so a budget stays whole."""
    print_rules = page.split("@media print")[1].split("</style>")[0]
    whole = [rule for rule in print_rules.split("}") if "break-inside: avoid" in rule]
    assert any(".budget" in re.split(r"[\s,{]+", rule) for rule in whole)
    assert len(re.findall('<details id="budget-[0-9]+" class="budget[^"]*">', page)) == 12
