"""The checklist and what it takes from the conditions."""

from __future__ import annotations

from reports.guidance import CONDITIONS, checklist, condition


def test_sixteen_items_each_with_a_place_or_a_reason(synthetic):
    # ISO/IEC 17025:2017 7.8.2.1 has items a) to p): trade notes, section 5
    items = checklist(synthetic.record())
    assert "".join(item.letter for item in items) == "abcdefghijklmnop"
    for item in items:
        assert bool(item.anchor) != item.answer.startswith("does not apply because")


def test_what_was_recorded_is_told_and_what_was_not_is_said(synthetic):
    answers = {item.letter: item.answer for item in checklist(synthetic.record())}
    assert answers["e"] == "Example Valley Repeater Group (invented)"
    assert answers["h"] == "not recorded for this run"
    assert answers["n"] == "1 listed"
    sampled = synthetic.record(conditions={"Sampling": "one of four"})
    assert {item.letter: item.answer for item in checklist(sampled)}["k"] == "one of four"


def test_a_missing_serial_is_said_in_words(synthetic):
    answers = {item.letter: item.answer for item in checklist(synthetic.record(serial=""))}
    assert answers["g"].startswith("serial not recorded for this run; on arrival: ")
    answers = {item.letter: item.answer for item in checklist(synthetic.record(serial="X-7"))}
    assert answers["g"].startswith("serial X-7; on arrival: ")


def test_conditions_are_found_however_they_are_spelled():
    words = next(names for names in CONDITIONS if names[0] == "soak time")
    assert condition({"Soak_Time": "45 min"}, words) == "45 min"
    assert condition({"soak": "1 h", "soak-time": " "}, words) == "1 h"
    assert condition({}, words) == ""
    assert condition({"soak": "not recorded"}, words) == ""
