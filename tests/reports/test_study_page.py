"""The study page: what is best for what, and what the experiment lacks."""

from __future__ import annotations

import html
import importlib.util
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from reports.study_page import render_study
from reports.study_words import best_words
from sequencer.cli.study_text import study_text
from sequencer.core.record import Statement
from sequencer.studies.study import study_of

spec = importlib.util.spec_from_file_location("compare_page_tests", Path(__file__).with_name("test_compare_page.py"))
shared = importlib.util.module_from_spec(spec)
spec.loader.exec_module(shared)


def cuts(synthetic, steps, **more):
    first = synthetic.record(**more)
    made = []
    for number, (label, step) in enumerate([*steps.items(), *reversed(steps.items())]):
        run = shared.moved(first, step)
        began = first.began + timedelta(minutes=20 * number)
        made.append(replace(run, run_id=f"run-{number}", began=began, labels={"harness": label}))
    return made


FOUR = {"14 in": 1.2, "9 in": 1.8, "12 in": 0.2, "10 in": 0.9, "16 in": 3.0}


def test_the_page_names_the_best_length_and_what_is_missing(synthetic) -> None:
    study = study_of(cuts(synthetic, FOUR), "harness")
    text = render_study(study, {"run-0": synthetic.curves(), "run-1": synthetic.curves()})
    shared.sound(text)
    assert "Which is best for what" in text
    assert "<td>12 in <span" in text  # every run of this device fails as a whole: best is no recommendation
    assert "one unchanged control" in text
    assert 'class="fitted"' in text
    assert "Responses over each other" in text


def test_what_fails_acceptance_is_named_and_is_not_bold_where_it_is_best(synthetic) -> None:
    runs = [
        replace(run, overall=Statement.FAIL if run.labels["harness"] in ("9 in", "16 in") else Statement.PASS)
        for run in cuts(synthetic, FOUR)
    ]
    text = render_study(study_of(runs, "harness"), {})
    head = text[: text.index('id="quantities"')]
    accepted, refused = (
        re.search(f"<b>{words}[^<]*</b> ([^<.]*)", head)[1] for words in ("All limits", "Not accepted")
    )
    assert sorted(accepted.split(", ")) == ["10 in", "12 in", "14 in"]
    assert sorted(refused.split(", ")) == ["16 in", "9 in"]
    assert '<td class="sure">12 in</td>' in head
    bad = next(run for run in runs if run.labels["harness"] == "12 in")  # one of its two runs
    worse = [replace(run, overall=Statement.FAIL) if run.run_id == bad.run_id else run for run in runs]
    again = render_study(study_of(worse, "harness"), {})
    head = again[: again.index('id="quantities"')]
    assert '<td class="sure">12 in' not in head
    assert '<td>12 in <span class="small">(device not accepted)</span></td>' in head


def test_the_runs_are_listed_in_the_order_of_measuring_with_control_and_analyzer(synthetic) -> None:
    first, *others = cuts(synthetic, FOUR)
    control = replace(first, run_id="run-control", labels={"control": "yes"}, began=first.began - timedelta(minutes=20))
    text = render_study(study_of([*others, first, control], "harness"), {})
    shared.sound(text)
    listed = text[text.index('id="runs"') :]
    assert re.findall(r"run-(?:control|\d)", listed)[:3] == ["run-control", "run-0", "run-1"]
    assert '<th scope="row">control</th>' in listed
    assert first.identification["analyzer"] in listed


def test_simulated_studies_are_marked_and_hostile_labels_stay_texts(synthetic) -> None:
    steps = {synthetic.HOSTILE: 0.0, "12 in": 0.2}
    study = study_of(cuts(synthetic, steps, simulated=True), "harness")
    text = render_study(study, {})
    shared.sound(text)
    assert "<script" not in text
    svgs = re.findall(r'<svg[^>]*class="plot">.*?</svg>', text, re.DOTALL)
    assert svgs
    assert all(f'class="stamp">{shared.MARK}' in svg for svg in svgs)


def test_the_words_never_call_an_unsure_best_sure(synthetic) -> None:
    study = study_of(cuts(synthetic, {"9 in": 0.0, "12 in": 0.01}), "harness")
    words = best_words(study.quantities[0], "harness")
    assert "no difference is more than the uncertainty" in words
    sure = study_of(cuts(synthetic, {"9 in": 0.0, "12 in": 5.0}), "harness")
    assert "surely better than every other" in best_words(sure.quantities[0], "harness")


@pytest.mark.parametrize(("spelled", "written"), [("{} in", "{:.2f} in"), ('{}"', '{:.2f}"'), ("{},0 in", "{:.2f} in")])
def test_the_curves_best_is_told_in_the_unit_of_the_labels(synthetic, spelled, written) -> None:
    """12 is best of 9 to 16 inches; in metres it would be 0.3."""
    steps = {spelled.format(label.split()[0]): step for label, step in FOUR.items()}
    study = study_of(cuts(synthetic, steps), "harness")
    (curved,) = (one for one in study.quantities if one.curved is not None)
    best = curved.curved.best / 0.0254
    assert 11.0 < best < 13.0
    assert f"best at harness {written.format(best)}, 95 % interval" in best_words(curved, "harness")
    assert written.format(best) in html.unescape(render_study(study, {}))


def test_an_interval_that_leaves_the_range_is_told_on_page_and_terminal(synthetic) -> None:
    study = study_of(cuts(synthetic, FOUR), "harness")
    (curved,) = (one for one in study.quantities if one.curved is not None)
    for outside in (False, True):
        beyond = replace(curved, curved=replace(curved.curved, outside=outside))
        text = render_study(replace(study, quantities=(beyond,)), {})
        assert ("leaves the range" in text.split("</table>")[0]) == outside
        told = study_text(replace(study, quantities=(beyond,)))
        assert ("measure beyond it" in " ".join(told.split())) == outside
