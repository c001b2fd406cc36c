"""The rate of a serial line is found by what comes back."""

from __future__ import annotations

import pytest

from instruments import serialrate
from instruments.link import Link
from instruments.serialrate import RATES, open_at_its_rate
from sequencer.errors import InstrumentError, LinkError


class Line:
    """A serial line that answers sense at one rate, garbage at its neighbours, else nothing."""

    def __init__(self, right: int) -> None:
        self.right = right
        self.opened: list[int | None] = []
        self.closed = 0

    def open(self, _resource: str, _visa: str, _transcript: object, baud: int | None = None) -> Line:
        self.opened.append(baud)
        self.dead = ""
        return self

    def query_or_silence(self, command: str, _within_s: float) -> str | None:
        assert command == "*IDN?"  # nothing that could do harm is sent at a rate that may be wrong
        if self.opened[-1] == self.right:
            return "Invented,Line,0,1"
        if self.opened[-1] == 115200:
            self.dead = "garbage"
            msg = "bytes came that are no text"
            raise InstrumentError(msg)
        return None

    def reopen(self) -> None:
        self.dead = ""

    def close(self) -> None:
        self.closed += 1


@pytest.mark.parametrize("right", [9600, 38400, 1200])
def test_the_rate_at_which_it_makes_sense_is_found(monkeypatch: pytest.MonkeyPatch, right: int) -> None:
    line = Line(right)
    monkeypatch.setattr(serialrate.Link, "open", line.open)
    link, rate = open_at_its_rate("ASRL/dev/ttyUSB0::INSTR", "@py", None, None)
    assert rate == right
    assert link is line  # type: ignore[comparison-overlap]
    assert line.closed == len(line.opened) - 1  # those at other rates are let go


def test_a_stated_rate_is_not_questioned(monkeypatch: pytest.MonkeyPatch) -> None:
    line = Line(9600)
    monkeypatch.setattr(serialrate.Link, "open", line.open)
    assert open_at_its_rate("ASRL3::INSTR", "@py", None, 300)[1] is None
    assert line.opened == [300]


def test_no_rate_at_all_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    line = Line(7)
    monkeypatch.setattr(serialrate.Link, "open", line.open)
    with pytest.raises(LinkError, match="--baud"):
        open_at_its_rate("ASRL3::INSTR", "@py", None, None)
    assert line.opened == list(RATES)
    assert line.closed == len(RATES)


def test_other_buses_are_opened_as_they_are(toy: object) -> None:
    link, rate = open_at_its_rate(toy.resource, "@py", None, None)  # type: ignore[attr-defined]
    assert isinstance(link, Link)
    assert rate is None
    link.close()
