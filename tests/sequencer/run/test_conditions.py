"""What is asked of the circumstances, and how an answer is taken back."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from sequencer.core.history import Answered
from sequencer.ports import BACK
from sequencer.run.conditions import CONDITIONS, SHOWN, answers, condition_question

AT = datetime(2026, 1, 1, tzinfo=UTC)


def said(question: str, answer: str, by: str = "operator") -> Answered:
    return Answered(at=AT, why="", question=question, answer=answer, by=by)


def test_back_takes_the_last_typed_answer_back_and_asks_it_again() -> None:
    history = [
        said("transmitter", "locked out"),
        said("operator", "A"),
        said("place", "shed"),
        said("temperature", BACK),
    ]
    question = condition_question(history)
    assert question is not None
    assert question.key == "place"
    again = [*history, said("place", "lab")]
    assert answers(again)["place"].answer == "lab"
    assert condition_question(again).key == "temperature"


def test_back_reaches_past_what_an_option_answered_and_never_the_lock_out() -> None:
    history = [said("transmitter", "locked out"), said("operator", "A"), said("place", "lab", "--set")]
    assert condition_question([*history, said("temperature", BACK)]).key == "operator"
    only = [said("transmitter", "locked out"), said("operator", "A", "--set")]
    assert not condition_question(only).back
    assert "transmitter" in answers([*only, said("place", BACK)])


def test_the_last_answer_can_be_taken_back_too() -> None:
    typed = [said(key, "x") for key in CONDITIONS]
    shown = condition_question(typed)
    assert shown.key == SHOWN
    assert "soak: x" in shown.text
    assert condition_question([*typed, said(SHOWN, BACK)]).key == "soak"
    assert condition_question([*typed, said(SHOWN, "right")]) is None


def test_what_options_answered_is_not_shown_for_confirmation() -> None:
    assert condition_question([said(key, "x", "--set") for key in CONDITIONS]) is None
    assert condition_question([said(key, "not recorded") for key in CONDITIONS]) is None


@pytest.mark.parametrize("key", CONDITIONS)
def test_the_safe_answer_is_an_answer(key: str) -> None:
    question = condition_question([said(other, "x", "--yes") for other in CONDITIONS if other != key])
    assert question.key == key
    assert question.wrong(question.safe_answer) == ""
