"""--set takes what a run asks and what a report records, and nothing that would vanish unseen."""

import pytest

from sequencer.cli.pairs import ASKED, pairs, sets_of
from sequencer.errors import UsageError
from sequencer.run.conditions import CONDITIONS
from sequencer.run.matrix import MATRIX
from sequencer.run.policy import LOCKED_OUT


def test_answers_and_records_are_told_apart():
    answers, recorded = sets_of(["Operator=A. Nyberg", "condition_on_arrival=dusty", "soak= 30 min"])
    assert answers == {"operator": "A. Nyberg", "soak": "30 min"}
    assert recorded == {"condition on arrival": "dusty"}


def test_every_question_of_a_run_can_be_answered():
    assert set(ASKED) == {LOCKED_OUT, MATRIX, *CONDITIONS}


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("temperature=banana", "'banana' is not a temperature; write for example '21 degC'; or 'not recorded'"),
        ("humidity=21.5 degC", "'degC' is not a unit of share .allowed: %."),
        ("humidity=21,5 %", "write the decimal point"),
        ("soak=40", "write for example '40 min'"),
        ("temperature=210 degC", "cannot be; allowed: -50 to 70 degC"),
    ],
)
def test_a_condition_that_is_none_is_refused_before_anything_is_touched(given, said):
    with pytest.raises(UsageError, match=said):
        sets_of([given])


@pytest.mark.parametrize("given", ["temperature=21.5 degC", "humidity=45 %", "soak=0 min", "temperature=Not recorded"])
def test_conditions_as_people_write_them_are_taken(given):
    key, _, value = given.partition("=")
    assert sets_of([given])[0] == {key: value}


@pytest.mark.parametrize(("given", "said"), [("temprature=21", "did you mean 'temperature'"), ("21 degC", "KEY=VALUE")])
def test_a_key_that_would_vanish_is_refused(given, said):
    with pytest.raises(UsageError, match=said):
        sets_of([given])


@pytest.mark.parametrize(
    ("given", "says"),
    [
        pytest.param(["harness="], "empty", id="empty"),
        pytest.param(["harness=12", "harness=13"], "given twice", id="twice"),
        pytest.param(["control=no"], "control=yes", id="control-no"),
    ],
)
def test_a_label_a_study_would_misread_is_refused(given, says) -> None:
    with pytest.raises(UsageError, match=says):
        pairs(given, "--label")
    assert pairs(["harness=12 in", "control=yes"], "--label") == {"harness": "12 in", "control": "yes"}
