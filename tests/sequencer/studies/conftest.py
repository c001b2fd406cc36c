"""Invented runs with budgets that can be reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from sequencer.core.history import Role, SavedKind, SavedTrace
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.record import Bound, Contribution, Limit, Record, Result, Statement, TraceRecord
from sequencer.core.trace import SweepSettings

NOON = datetime(2024, 3, 1, 12, tzinfo=UTC)
BENCH = """\
bench: 1
analyzer: {resource: "TCPIP::192.0.2.10::5025::SOCKET", calibrated: 2024-01-10}
pads: {generator: {loss: 10 dB, id: P1}, analyzer: {loss: 10 dB, id: P2}}
bridge: {directivity: 36 dB, id: B1}
specifications:
  scale: {per dB: 0.015 dB/dB, over range: 0.3 dB}
"""
RECIPE = """\
recipe: 1
name: invented
title: Invented
device: {ports: [TX, RX, ANT]}
frequencies: {transmit: 146.610 MHz, receive: 146.010 MHz}
overview: {from: 144 MHz, to: 148 MHz}
limits:
  - {quantity: rejection, path: TX-ANT, at: receive, min: 75 dB, max change: 1 dB}
  - {quantity: insertion loss, path: TX-ANT, at: transmit, max: 1.6 dB}
"""


class Maker:
    """Makes budget lines, results and records."""

    bench, noon = BENCH, NOON

    @staticmethod
    def line(name, value, distribution="normal", *, unit="dB", sensitivity=1.0, kind="B"):
        divisor = {"U-shaped": 2**0.5, "rectangular": 3**0.5}.get(distribution, 1.0)
        return Contribution(
            name=name,
            value=value,
            unit=unit,
            distribution=distribution,
            divisor=divisor,
            sensitivity=sensitivity,
            u=abs(sensitivity) * value / divisor,
            kind=kind,
            origin="bench file",
        )

    @staticmethod
    def result(quantity, where, at, value, budget=(), **more):
        hz = {"transmit": 146.61e6, "receive": 146.01e6}[at]
        place = {"port": where} if quantity == "return loss" else {"path": where}
        half = 2.0 * sum(row.u**2 for row in budget) ** 0.5
        interval = (None, None) if value is None else (value - half, value + half)
        limit = Limit(max=1.6) if quantity == "insertion loss" else Limit(min=18.0)
        plain = {
            "id": f"{quantity} {where} {at}",
            "quantity": quantity,
            "at": at,
            "at_hz": hz,
            "unit": "Hz" if quantity == "notch frequency" else "dB",
            "value": value,
            "interval": interval,
            "coverage": 0.95,
            "statement": Statement.PASS,
            "limit": limit,
            "budget": tuple(budget),
        }
        return Result(**(plain | place | more))

    def bound(self, quantity, where, at, low, budget=(), **more):
        return self.result(quantity, where, at, None, budget, interval=(low, None), bound=Bound.AT_LEAST, **more)

    @staticmethod
    def read(record, taken):
        """The run as read from a file that tells it was taken then (None: that tells no date)."""
        used = SweepSettings(
            start_hz=1e6, stop_hz=2e6, points=11, rbw_hz=1e3, attenuation_db=0.0, reference_dbm=0.0, generator_dbm=0.0
        )
        saved = SavedTrace(
            source="a.csv", sha256="", kind=SavedKind.LEVEL, station=0, key="overview", role=Role.THRU, settings=used,
            hookup=Hookup(name="thru", kind=HookupKind.THRU), from_file=() if taken is None else ("taken",),
        )  # fmt: skip
        trace = TraceRecord(
            file="traces/1.csv", sha256="", hookup="thru", key="overview", role="thru", began=taken or record.began,
            used=used, source=saved,
        )  # fmt: skip
        return replace(record, traces=(trace,))

    @staticmethod
    def record(*results, days=0.0, **more):
        began = NOON + timedelta(days=days)
        plain = {
            "program": "notchbook 0.1.0",
            "run_id": f"{began:%Y%m%d-%H%M%S}-invented",
            "simulated": False,
            "overall": Statement.PASS,
            "complete": True,
            "title": "Invented",
            "recipe_name": "invented",
            "recipe_text": RECIPE,
            "recipe_sha256": "r",
            "bench_text": BENCH,
            "bench_sha256": "b",
            "decision": "",
            "coverage": 0.95,
            "serial": "INV-1",
            "conditions": {},
            "labels": {},
            "identification": {"analyzer": "Invented Laboratory,analyzer,77,1.0"},
            "equipment": (),
            "frequencies": {"transmit": 146.61e6, "receive": 146.01e6},
            "ports": ("TX", "RX", "ANT"),
            "began": began,
            "ended": began,
            "instrument_seconds": 1.0,
            "wall_seconds": 1.0,
            "hookups": (),
            "traces": (),
            "notes": (),
            "warnings": (),
            "results": results,
        }
        return Record(**(plain | more))


@pytest.fixture(scope="session")
def make() -> Maker:
    return Maker()
