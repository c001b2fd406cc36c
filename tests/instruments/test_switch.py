"""Hookups by a switch matrix over a link."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from instruments.link import Link
from instruments.switch import MatrixSwitch
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.errors import HookupError, InstrumentError, LinkError, LinkTimeoutError
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
    opened = MatrixSwitch(Link.open(spec.resource), spec, clock, "simulated switch")
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


def test_a_switch_without_an_error_queue_is_told_how_to_be_described(toy: Any, clock: CountingClock) -> None:
    toy.answers |= {"*IDN?": b"Invented,Matrix,0,1\n"}
    spec = SwitchFile(resource=toy.resource, hookups={"thru": "ROUT:CLOS (@1)"}, settling_s=0.0)
    switch = MatrixSwitch(Link.open(spec.resource, timeout_s=0.1), spec, clock)
    with pytest.raises(LinkTimeoutError, match="write 'errors: none' under 'switch:'"):
        switch.connect(THRU)
    switch.close()
    silent = MatrixSwitch(Link.open(spec.resource, timeout_s=0.1), replace(spec, errors=""), clock)
    assert silent.connect(THRU) == "switch"
    silent.close()


def test_a_switch_that_dropped_is_reopened(toy: Any, switch: MatrixSwitch) -> None:
    toy.answers["SYST:ERR?"] = lambda peer, _line: peer.close()
    toy.drop()
    with pytest.raises(LinkError):
        switch.connect(THRU)
    toy.answers |= {"SYST:ERR?": b'0,"No error"\n', "*IDN?": b"Invented,Another matrix,0,1\n"}
    assert switch.connect(THRU) == "simulated switch"
    assert switch.identification() == "Invented,Another matrix,0,1"  # who answers after a loss is asked again


def test_a_switch_that_is_not_there_says_so(toy: Any, clock: CountingClock) -> None:
    toy.close()
    with pytest.raises(LinkError, match="is the instrument on"):
        MatrixSwitch(Link.open(toy.resource), SwitchFile(resource=toy.resource, hookups={}), clock)


# --- read back ---


def reading_back(toy: Any, clock: CountingClock, answer: bytes) -> MatrixSwitch:
    toy.answers |= {"*IDN?": b"Invented,Matrix,0,1\n", "SYST:ERR?": b'0,"No error"\n', "ROUT:CLOS:STAT?": answer}
    hookups = {"thru": "ROUT:CLOS (@1,4)"}
    spec = SwitchFile(resource=toy.resource, hookups=hookups, read_back="ROUT:CLOS:STAT?", settling_s=0.07)
    return MatrixSwitch(Link.open(spec.resource), spec, clock)


def test_what_is_closed_is_read_back_after_settling(toy: Any, clock: CountingClock) -> None:
    switch = reading_back(toy, clock, b"(@4,1)\n")
    assert switch.connect(THRU) == "switch"
    assert toy.received[-3:] == ["ROUT:CLOS (@1,4)", "SYST:ERR?", "ROUT:CLOS:STAT?"]
    assert clock.slept_s == [0.07]
    switch.close()


def test_a_relay_that_says_it_did_not_move_is_an_error(toy: Any, clock: CountingClock) -> None:
    switch = reading_back(toy, clock, b"(@1)\n")
    with pytest.raises(HookupError, match=r"'thru', 'ROUT:CLOS:STAT\?': closed are 1, not 1, 4"):
        switch.connect(THRU)
    switch.close()


def test_a_hookup_by_hand_is_not_the_switchs(toy: Any, switch: MatrixSwitch) -> None:
    before = list(toy.received)
    with pytest.raises(HookupError, match="by hand, past the switch"):
        switch.connect(Hookup(name="thru by hand", kind=HookupKind.THRU, by_hand=True))
    assert toy.received == before


def test_the_simulated_bench_moves_its_leads_past_the_relays(toy: Any, clock: CountingClock) -> None:
    toy.answers |= {"*IDN?": b"Invented,Matrix,0,1\n", "SYST:ERR?": b'0,"No error"\n'}
    link = Link.open(toy.resource)
    switch = MatrixSwitch(link, SwitchFile(resource=toy.resource, hookups={}), clock, hand='SIM:HAND "{name}"')
    switch.connect(Hookup(name="thru by hand", kind=HookupKind.THRU, by_hand=True))
    assert toy.received[-2:] == ['SIM:HAND "thru"', "SYST:ERR?"]
    switch.close()
