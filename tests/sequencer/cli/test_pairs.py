"""--set takes what a run asks and what a report records, and nothing that would vanish unseen."""

import pytest

from sequencer.cli.pairs import ASKED, sets_of
from sequencer.errors import UsageError
from sequencer.run.matrix import MATRIX
from sequencer.run.policy import CONDITIONS, LOCKED_OUT


def test_answers_and_records_are_told_apart():
    answers, recorded = sets_of(["Operator=A. Nyberg", "condition_on_arrival=dusty", "soak= 30 min"])
    assert answers == {"operator": "A. Nyberg", "soak": "30 min"}
    assert recorded == {"condition on arrival": "dusty"}


def test_every_question_of_a_run_can_be_answered():
    assert set(ASKED) == {LOCKED_OUT, MATRIX, *(key for key, _ in CONDITIONS)}


@pytest.mark.parametrize(("given", "said"), [("temprature=21", "did you mean 'temperature'"), ("21 degC", "KEY=VALUE")])
def test_a_key_that_would_vanish_is_refused(given, said):
    with pytest.raises(UsageError, match=said):
        sets_of([given])
