"""The report as a whole: self-contained, escaped, complete, the same bytes each time, readable by all."""

from __future__ import annotations

import hashlib
import itertools
import re
import subprocess
import sys
import time
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from reports import words
from reports.figures import SIMULATED_MARK
from reports.guidance import CAUTIONS, ONLY_THIS_ITEM
from reports.html import render
from sequencer.core.record import Limit, Statement
from sequencer.formats.record import dump_record, load_record

VOID = {"meta", "br", "link", "img", "hr", "input"}  # HTML living standard, void elements, as far as they occur
ALLOWED_SVG_LEAVES = {"path", "line", "rect", "circle"}


class Outline(HTMLParser):
    """Checks that tags nest, and collects what the tests ask about."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.words, self.faults = [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if len(dict(attrs)) != len(attrs):
            self.faults.append(f"{tag} has an attribute twice")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ALLOWED_SVG_LEAVES:
            self.faults.append(f"{tag} is closed by itself")

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"{tag} at {self.getpos()} closes nothing")

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    def text(self):
        return " ".join(" ".join(self.words).split())

    def having(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


@pytest.fixture(scope="module")
def pages(synthetic):
    curves = synthetic.curves()
    return {
        "measured": render(synthetic.record(), curves),
        "simulated": render(synthetic.record(simulated=True), curves),
        "incomplete": render(synthetic.record(complete=False), curves),
        "hostile": render(synthetic.hostile(), synthetic.hostile_curves()),
        "bare": render(
            synthetic.record(
                complete=False, results=(), hookups=(), traces=(), notes=(), warnings=(), conditions={}, labels={},
                identification={}, equipment=(), frequencies={}, serial="",
            ),
            (),
        ),
    }  # fmt: skip


KINDS = ["measured", "simulated", "incomplete", "hostile", "bare"]


@pytest.mark.parametrize("kind", KINDS)
def test_tags_nest_and_ids_are_unique_and_links_land(kind, pages):
    page = Outline(pages[kind])
    assert page.faults == []
    assert page.open == []
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    for _, attrs in page.tags:
        for name in ("href", "aria-labelledby"):
            for target in attrs.get(name, "").split():
                assert target.removeprefix("#") in ids


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_fetched_and_nothing_runs(kind, pages):
    page = Outline(pages[kind])
    names = {tag for tag, _ in page.tags}
    assert names.isdisjoint({"script", "iframe", "object", "embed", "img", "link", "form", "base"})
    for _, attrs in page.tags:
        assert not [name for name in attrs if name.startswith("on")]
        assert attrs.get("href", "#").startswith("#")
        assert "src" not in attrs
    style = re.search(r"<style>(.*?)</style>", pages[kind], re.DOTALL)[1]
    assert "url(" not in style
    assert "@import" not in style
    assert "://" not in pages[kind]
    policy = next(a["content"] for a in page.having("meta") if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")


@pytest.mark.parametrize("kind", KINDS)
def test_every_svg_is_well_formed_and_named_or_decoration(kind, pages):
    drawings = re.findall(r"<svg.*?</svg>", pages[kind], re.DOTALL)
    assert drawings
    for drawing in drawings:
        tree = ET.fromstring(drawing)
        if tree.get("aria-hidden") != "true":
            assert tree.get("role") == "img"
            assert tree.find("title").text
            assert tree.find("desc").text


@pytest.mark.parametrize("kind", KINDS)
def test_readable_by_ear_and_by_keyboard(kind, pages):
    page = Outline(pages[kind])
    tags = [tag for tag, _ in page.tags]
    assert page.having("html") == [{"lang": "en"}]
    assert [tags.count(name) for name in ("h1", "main", "header", "footer", "nav")] == [1, 1, 1, 1, 1]
    levels = [int(tag[1]) for tag in tags if re.fullmatch("h[1-6]", tag)]
    assert all(later - earlier <= 1 for earlier, later in itertools.pairwise(levels))
    assert tags.count("table") == tags.count("caption")
    assert all("scope" in attrs for attrs in page.having("th"))
    assert next(attrs for attrs in page.having("a"))["class"] == "skip"
    for attrs in page.having("div"):
        if attrs.get("class") == "scroll":  # what scrolls must be reachable by keyboard and have a name
            assert attrs["tabindex"] == "0"
            assert "aria-label" in attrs or "aria-labelledby" in attrs


def test_colours_have_enough_contrast(pages):
    """WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1; relative luminance as defined there."""

    def luminance(colour):
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    css = pages["measured"]
    named = dict(re.findall(r"--(ink|soft|copper|deep|wash): (#[0-9a-f]{6})", css))
    darks = {named["ink"], named["soft"], named["copper"], named["deep"]}
    darks |= set(re.findall(r'stroke="(#[0-9a-f]{6})"', css)) | set(re.findall(r"[^-]color: (#[0-9a-f]{6})", css))
    assert len(darks) >= 7
    for dark in darks:
        for paper in ("#ffffff", named["wash"]):
            assert (luminance(paper) + 0.05) / (luminance(dark) + 0.05) >= 4.5


def test_lines_differ_without_colour(pages):
    from reports.plots import STYLES

    assert len({(width, dash) for _, width, dash in STYLES.values()}) == len(STYLES)
    shapes = set(re.findall(r'<svg class="shape".*?</svg>', pages["measured"], re.DOTALL))
    assert len(shapes) == 5  # one for each statement


def test_first_page_order_and_every_result(pages, synthetic):
    text = Outline(pages["measured"]).text()
    record = synthetic.record()
    order = [
        record.title,
        record.serial,
        "2026-03-14 09:30 UTC",
        "FAIL.",
        "Of 12 requirements",
        "Insertion loss, TX to ANT",
    ]
    places = [text.index(part, text.index("Acceptance report", 1)) for part in order]
    assert places == sorted(places)
    table = re.search(r'<table class="results">.*?</table>', pages["measured"], re.DOTALL)[0]
    for row, result in zip(re.findall(r"<tr class=.*?</tr>", table, re.DOTALL), record.results, strict=True):
        shown = Outline(row).text()
        for part in (
            words.requirement_text(result),
            words.limit_text(result.limit, result.unit),
            words.value_text(result),
            words.interval_text(result),
            words.margin_text(result),
            result.statement.value,
        ):
            assert part in shown


def test_sections_stand_in_their_order(pages):
    page = Outline(pages["measured"])
    sections = [attrs["id"] for attrs in page.having("section") if re.fullmatch("[a-z]+", attrs.get("id", ""))]
    wanted = "results scope plots hookups bench conditions settings decided warnings budgets cautions hashes"
    assert sections == [*wanted.split(), "signatures", "checklist"]
    links = re.findall('<li><a href="#([a-z]+)">', pages["measured"])
    assert links == sections


def test_bounds_are_printed_as_bounds_everywhere(pages):
    text = Outline(pages["measured"]).text()
    assert text.count("88.1 dB") == text.count("≥ 88.1 dB") == 2  # table and appendix
    assert "88.17" not in text


def test_the_rest_is_there(pages, synthetic):
    record, text = synthetic.record(), Outline(pages["measured"]).text()
    wanted = [record.decision, ONLY_THIS_ITEM, *(line for pair in CAUTIONS for line in pair)]
    wanted += ["Measured by", "Authorised by", "Accepted by", "no traceability claimed", "2026-01-20", "not recorded"]
    wanted += [record.recipe_sha256, record.bench_sha256, *(trace.sha256[:20] for trace in record.traces)]
    wanted += [*record.identification.values(), *record.warnings, "End of report, run 20260314T093000Z-inv-0042"]
    wanted += [part for note in record.notes for part in (note.what, note.why)]
    wanted += [part for hookup in record.hookups for part in (*hookup.chain, *hookup.loads.values(), hookup.proof)]
    wanted += ["A. Example", "43 %", "21.5 °C", "45 min", "Example Hill", "no accreditation is claimed"]
    wanted += ["An antenna is not 50 ohm: at the site, isolation and loss can differ from the figures here."]
    for part in wanted:
        assert " ".join(part.split()) in text, part
    for letter in "abcdefghijklmnop":
        assert f'<tr id="item-{letter}">' in pages["measured"]


@pytest.mark.parametrize(
    ("levels", "told"),
    [
        ((None, 0.0), "Measured with at most 1 mW (0 dBm) from the generator, between 50 ohm, scalar: no evidence of "),
        ((3.0, None, -10.0), "Measured with at most 2 mW (3 dBm) from the generator, between 50 ohm, scalar: "),
        ((-7.0,), "Measured with at most 0.2 mW (\N{MINUS SIGN}7 dBm) from the generator, between 50 ohm, scalar: "),
        ((None,), "Measured between 50 ohm, scalar: no evidence of power handling or of noise under power."),
    ],
)
def test_the_power_it_was_measured_at_follows_from_the_levels_read_back(synthetic, levels, told):
    one = synthetic.record().traces[0]
    traces = tuple(replace(one, used=replace(one.used, generator_dbm=level)) for level in levels)
    text = Outline(render(synthetic.record(traces=traces), ())).text()
    assert told in text
    assert "no evidence of power handling or of noise under power." in text


def test_what_has_no_limit_is_not_called_undecided(synthetic):
    unasked = replace(synthetic.results()[0], limit=Limit(), margin=None, statement=Statement.UNDECIDED)
    page = render(synthetic.record(results=(unasked,)), ())
    assert '<td class="statement">for information</td>' in page
    assert Outline(page).text().count("undecided") == 0


def test_equal_sweeps_share_a_line(synthetic):
    first, second = synthetic.record().traces[:2]
    flagged = replace(first, flags=("overload",))
    page = render(synthetic.record(traces=(first, replace(first, file="traces/002.csv"), flagged, second)), ())
    body = page.split('id="c-settings"')[1].split("<tbody>")[1].split("</tbody>")[0]
    rows = [Outline(row).text() for row in re.findall("<tr><th.*?</tr>", body, re.DOTALL)]
    assert [row.rpartition("none ")[2] for row in rows[::2]] == [
        "thru : thru, overview (2 times)",
        f"{second.hookup} : {second.role}, {second.key}",
    ]
    assert rows[1].endswith("overload thru : thru, overview")
    assert "<li>002.csv <code>" in page  # each keeps its own hash


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0.0, "0"),
        (0.0778, "0.0778"),
        (8.686, "8.69"),
        (5000.0, "5000"),
        (-4.18e-6, "\N{MINUS SIGN}4.18e\N{MINUS SIGN}6"),
        (238048822.0, "2.38e8"),
        (float("inf"), "unlimited"),
    ],
)
def test_figures_of_a_budget_stay_short(number, text, synthetic):
    result = synthetic.results()[0]
    line = replace(result.budget[0], sensitivity=number)
    page = render(synthetic.record(results=(replace(result, budget=(line,)),)), ())
    assert f'<td class="n">{text} dB/dB</td>' in page


def test_every_figure_of_a_budget_and_what_it_does_to_the_result_has_its_unit(synthetic):
    """8.686 dB are what an amplitude does that is as large as the one read: 0.0869 dB for each per cent of it."""
    result = synthetic.results()[0]
    line = replace(result.budget[0], unit="1", value=0.0315, sensitivity=8.686)
    page = render(synthetic.record(results=(replace(result, budget=(line,)),)), ())
    assert '<td class="n">3.15 %</td>' in page
    assert '<td class="n">0.0869 dB/%</td>' in page
    assert "share of the amplitude read" in page


def test_the_floor_is_two_dead_ends(pages):
    floor = pages["measured"].split('id="hookup-2"')[1].split("</ol>")[0]
    assert re.findall('class="([^"]*)">load', floor) == [" gap", ""]


def test_what_lay_on_the_table_is_listed_with_its_connectors(synthetic):
    bench = 'bench: 1\nanalyzer: {resource: "x"}\nkit:\n  G: {what: lead, ends: [N plug, N socket]}\n'
    page = render(synthetic.record(bench_text=bench), ())
    listed = page.split('id="c-packed"')[1].split("</tbody>")[0]
    rows = [Outline(row).text() for row in re.findall("<tr><td.*?</tr>", listed, re.DOTALL)]
    assert rows[0] == "1 lead G N plug, N socket generator side: thru, floor, TX-ANT, ANT-RX"
    assert any(row.startswith("1 load L1 not told on generator lead: floor; on RX:") for row in rows)


def test_a_reason_is_said_once_with_all_that_was_done_for_it(synthetic):
    one = synthetic.record().notes[0]
    notes = [replace(one, what=f"step {k}", why=why) for k, why in enumerate(("first", "other", "first"))]
    decided = render(synthetic.record(notes=tuple(notes)), ()).split('id="c-decided"')[1].split("</tbody>")[0]
    assert decided.count(">first<") == decided.count(">other<") == 1
    rows = [Outline(row).text() for row in re.findall("<tr><th.*?</tr>", decided, re.DOTALL)][1:]
    at = f"{one.at:%H:%M:%S}"
    assert rows == [f"first {at} step 0 ; {at} step 2", f"other {at} step 1"]


def test_paper_has_every_budget_beside_the_others_and_the_least_sure_one_whole(pages, synthetic):
    """On paper the other budgets are hidden: each contribution's u, remarks and probability must stand elsewhere."""
    lines = synthetic.results()[0].budget
    other = replace(lines[0], name="everything smaller: a, b", u=0.0123)
    surer, unsure = (replace(synthetic.results()[0], probability_conforming=p) for p in (0.99, 0.9))
    results = (surer, replace(unsure, budget=(lines[1], other), notes=("a remark",)))
    page = render(synthetic.record(results=results), ())
    beside = page.split('class="dense beside"')[1].split("</table>")[0]
    rows = [
        [Outline(cell).text() for cell in re.findall("<t[hd].*?</t[hd]>", row, re.DOTALL)]
        for row in re.findall("<tr>.*?</tr>", beside, re.DOTALL)
    ]
    assert rows[0] == ["Contribution", "Kind", "Origin", "1", "2"]
    assert ["noise", "A", "measured in this run", "0.020", ""] in rows
    assert ["mismatch", "B", "bench file", "0.078", "0.078"] in rows
    assert rows[-3] == ["everything smaller", "A", "measured in this run", "", "0.012"]
    assert rows[-1] == ["Probability that it conforms", "99.0 %", "90.0 %"]
    assert '<details id="budget-2" class="budget whole">' in page
    assert '<details id="budget-1" class="budget">' in page
    assert "<b>Requirement 2.</b> A remark." in page


@pytest.mark.parametrize(("items", "folded"), [(9, False), (16, True)])
def test_a_chain_is_folded_only_where_one_line_of_paper_cannot_hold_it(items, folded, synthetic):
    hookup = replace(synthetic.record().hookups[0], chain=tuple(f"analyzer {k}" for k in range(items)))
    assert ('class="chain folded"' in render(synthetic.record(hookups=(hookup,)), ())) == folded


def test_budget_is_added_up(pages):
    # root of 0.02^2 + 0.0778^2 + 0.0577^2 + 0.0173^2 + 0.03^2 (JCGM 100:2008 5.1.2, eq. 10), by hand: 0.1049
    appendix = pages["measured"].split('id="budget-1"')[1].split("</details>")[0]
    assert "Root of the sum of squares 0.105" in Outline(appendix).text()


def test_a_simulated_run_is_marked_on_every_page_and_plot(pages):
    page = pages["simulated"]
    assert f"<title>{SIMULATED_MARK}: " in page
    assert page.count('class="stamp"') == page.count('role="img"') > 0
    assert 'top-right { content: "SIMULATED\\2C \\20 NOT\\20 A\\20 MEASUREMENT"' in page  # in the margin of each page
    assert f'<div class="spine" aria-hidden="true"><b>{SIMULATED_MARK}</b>' in page  # and along its edge
    assert f"{SIMULATED_MARK}: these lines stay empty." in page
    assert SIMULATED_MARK not in pages["measured"]


def test_an_incomplete_run_is_marked(pages):
    page = pages["incomplete"]
    assert "<title>INCOMPLETE: " in page
    assert "INCOMPLETE: the run ended early" in page
    assert "INCOMPLETE, so far FAIL." in page
    assert "INCOMPLETE: not to be accepted." in page
    assert "INCOMPLETE" not in pages["measured"]


def test_hostile_text_is_shown_and_not_run(pages):
    page = pages["hostile"]
    assert "<script" not in page
    assert page.count("</style>") == 1
    assert "&lt;script&gt;alert(" in page
    assert not re.search("[\x00-\x08\x0b\x0c\x0e-\x1f\u202a-\u202e]", page)
    page.encode("utf-8")


def test_half_a_surrogate_pair_can_still_be_written(synthetic):
    assert "bad\N{REPLACEMENT CHARACTER}" in render(synthetic.record(serial="bad\ud800"), ()).encode("utf-8").decode()


def test_same_bytes_in_another_process(pages):
    """String hashing differs from process to process; the report must not."""
    here = Path(__file__).parent
    program = (
        "import sys, hashlib; sys.path.insert(0, sys.argv[1]); import synthetic_record as s; "
        "from reports.html import render; "
        "print(hashlib.sha256(render(s.record(), s.curves()).encode()).hexdigest())"
    )
    call = [sys.executable, "-c", program, str(here)]
    other = subprocess.run(call, check=True, capture_output=True, text=True, env={"PYTHONHASHSEED": "7"}, timeout=60)
    assert other.stdout.strip() == hashlib.sha256(pages["measured"].encode()).hexdigest()


def test_importing_costs_no_template_engine():
    program = "import sys, reports.html, reports.csv; sys.exit('jinja2' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False, timeout=60).returncode == 0


def test_size_and_time_stay_sane(pages, synthetic):
    assert len(pages["measured"].encode()) < 400_000  # nine plots of up to 10,001 points: measured 0.23 MB
    best = min(_timed(lambda: render(synthetic.record(), synthetic.curves())) for _ in range(3))
    assert best < 3.0  # measured 0.12 s; wide, since the test machine may be busy


def _timed(call):
    began = time.process_time()
    call()
    return time.process_time() - began


def test_a_record_read_back_gives_the_same_bytes_whatever_the_order_of_its_keys(synthetic):
    record = synthetic.record()
    back = load_record(dump_record(record))
    assert list(back.frequencies) != list(record.frequencies)  # a stored record has its keys sorted
    assert render(back, synthetic.curves()) == render(record, synthetic.curves())


def test_every_printed_page_has_its_number_and_how_many_there_are(synthetic):
    # whether a browser prints it is looked at (tests/look); without these two counters none can
    page = render(synthetic.record(), synthetic.curves())
    foot = page[page.index("@bottom-right") :].split("}", 1)[0]
    assert "counter(page)" in foot
    assert "counter(pages)" in foot
