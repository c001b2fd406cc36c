"""What a switch says is closed against what it was told."""

from __future__ import annotations

import pytest

from instruments.channels import channels, unlike
from sequencer.errors import InstrumentError

LIST, STATES = "ROUT:CLOS:STAT?", "ROUT:CLOS? {channels}"


@pytest.mark.parametrize(
    ("read_back", "command", "answer", "says"),
    [
        pytest.param(LIST, "ROUT:CLOS (@3)", "(@3)", "", id="the-one"),
        pytest.param(LIST, "ROUT:OPEN:ALL;CLOS (@1,3:5)", "(@5,4,3,1)", "", id="order-and-ranges-do-not-matter"),
        pytest.param(LIST, "ROUT:CLOS (@03)", "(@3)", "", id="leading-noughts"),
        pytest.param(LIST, "ROUT:CLOS (@1!2)", "(@1!2)", "", id="row-and-column"),
        pytest.param(LIST, "ROUT:CLOS (@3)", "(@)", "closed are none, not 3", id="nothing-closed"),
        pytest.param(LIST, "ROUT:CLOS (@3)", "(@3,7)", "closed are 3, 7, not 3", id="one-stuck-closed"),
        pytest.param(LIST, "ROUT:CLOS (@3,10)", "(@10)", "closed are 10, not 3, 10", id="one-stuck-open"),
        pytest.param(STATES, "ROUT:CLOS (@1,3)", "1,1", "", id="states"),
        pytest.param(STATES, "ROUT:CLOS (@1,3)", "ON,OFF", "it says ON,OFF", id="a-state-off"),
        pytest.param(STATES, "ROUT:CLOS (@1,3)", "1", "it says 1 for the channels 1,3", id="a-state-missing"),
    ],
)
def test_an_answer_is_like_the_command_or_its_difference_is_said(
    read_back: str, command: str, answer: str, says: str
) -> None:
    found = unlike(read_back, command, answer)
    assert found.startswith(says) if says else found == ""


@pytest.mark.parametrize("answer", ["", "3", "(@1:99999)", "0,1"])
def test_an_answer_that_is_no_channel_list_is_an_instrument_error(answer: str) -> None:
    with pytest.raises(InstrumentError):
        unlike(LIST, "ROUT:CLOS (@3)", answer)


def test_a_range_may_be_written_from_either_end() -> None:
    assert channels("(@5:3)") == channels("(@3:5)") == {"3", "4", "5"}
