"""Hookups by a switch matrix over a link."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from instruments.switch import MatrixSwitch, open_switch
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.errors import HookupError, InstrumentError, LinkError
from sequencer.recipe.model import SwitchFile

THRU = Hookup(name="thru", kind=HookupKind.THRU)


class CountingClock:
    """A clock that counts what it was asked to sleep."""

    def __init__(self) -> None:
        self.slept_s: list[float] = []

    def now(self) -> datetime:
        return datetime(2026, 1, 1, tzinfo=UTC)

    def sleep(self, seconds: float) -> None:
        self.slept_s.append(seconds)


@pytest.fixture
def clock() -> CountingClock:
    return CountingClock()


@pytest.fixture
def switch(toy: Any, clock: CountingClock) -> Iterator[MatrixSwitch]:
    toy.answers |= {"*IDN?": b"Invented,Matrix,0,1\n", "SYST:ERR?": b'0,"No error"\n'}
    spec = SwitchFile(resource=toy.resource, hookups={"thru": "ROUT:CLOS (@1)"}, settling_s=0.07)
    opened = open_switch(spec, clock, by="simulated switch")
    yield opened
    opened.close()


def test_a_hookup_is_sent_settled_and_checked(toy: Any, switch: MatrixSwitch, clock: CountingClock) -> None:
    assert switch.connect(THRU) == "simulated switch"
    assert toy.received[-2:] == ["ROUT:CLOS (@1)", "SYST:ERR?"]
    assert clock.slept_s == [0.07]
    assert switch.identification() == "Invented,Matrix,0,1"


def test_a_hookup_without_a_command_names_those_there_are(toy: Any, switch: MatrixSwitch) -> None:
    before = list(toy.received)
    with pytest.raises(HookupError, match=r"'TX-ANT' \(it has: thru\); add it to switch.hookups"):
        switch.connect(Hookup(name="TX-ANT", kind=HookupKind.PATH))
    assert toy.received == before


def test_what_the_switch_reports_is_an_error(toy: Any, switch: MatrixSwitch) -> None:
    entries = [b'-222,"Data out of range"\n', b'0,"No error"\n']
    toy.answers["SYST:ERR?"] = lambda peer, _line: peer.sendall(entries.pop(0))
    with pytest.raises(InstrumentError, match=r"ROUT:CLOS \(@1\).*-222"):
        switch.connect(THRU)


def test_an_error_queue_without_end_is_an_error_too(toy: Any, switch: MatrixSwitch) -> None:
    toy.answers["SYST:ERR?"] = b'-350,"Queue overflow"\n'
    with pytest.raises(InstrumentError, match="does not become empty"):
        switch.connect(THRU)


def test_a_switch_that_dropped_is_reopened(toy: Any, switch: MatrixSwitch) -> None:
    toy.answers["SYST:ERR?"] = lambda peer, _line: peer.close()
    toy.drop()
    with pytest.raises(LinkError):
        switch.connect(THRU)
    toy.answers["SYST:ERR?"] = b'0,"No error"\n'
    assert switch.connect(THRU) == "simulated switch"


def test_a_switch_that_is_not_there_says_so(toy: Any, clock: CountingClock) -> None:
    toy.close()
    with pytest.raises(LinkError, match="is the instrument on"):
        open_switch(SwitchFile(resource=toy.resource, hookups={}), clock)
