"""The design's own examples, as people write them; used by several tests of this room."""

from __future__ import annotations

import pytest

RECIPE = """\
recipe: 1
name: vhf-600k-acceptance
title: Acceptance, four-cavity VHF duplexer, 600 kHz split
device: {ports: [TX, RX, ANT]}
frequencies: {transmit: 146.610 MHz, receive: 146.010 MHz}
overview: {from: 144 MHz, to: 148 MHz}
limits:
  - {quantity: insertion loss, path: TX-ANT, at: transmit, max: 1.6 dB}
  - {quantity: insertion loss, path: ANT-RX, at: receive, max: 1.6 dB}
  - {quantity: rejection, path: TX-ANT, at: receive, within: 8 kHz, min: 75 dB}
  - {quantity: rejection, path: ANT-RX, at: transmit, within: 8 kHz, min: 75 dB}
  - {quantity: isolation, path: TX-RX, at: [transmit, receive], min: 75 dB}
  - {quantity: return loss, port: TX, at: transmit, min: 18 dB}
  - {quantity: return loss, port: RX, at: receive, min: 18 dB}
  - {quantity: return loss, port: ANT, at: [transmit, receive], min: 18 dB}
decision: {rule: guarded, coverage: 95 %}
"""

BENCH = """\
bench: 1
analyzer:
  resource: "TCPIP::192.0.2.10::5025::SOCKET"
  visa: "@py"
  dialect: auto
  vswr: {limit: 1.5}
  maximum input: 20 dBm
generator: {level: 0 dBm, vswr: {limit: 1.6}}
bridge: {directivity: 36 dB, test port vswr: 1.12}
pads: {generator: {loss: 10 dB, vswr: 1.15}, analyzer: {loss: 6 dB, vswr: 1.15}}
specifications:
  scale: {per dB: 0.02 dB/dB, over range: 0.3 dB}
  attenuator switching: 0.3 dB
  drift: 0.1 dB/h
  frequency: {reference: 2 ppm, span: 1 %}
kit: {}
switch:
  resource: "TCPIP::192.0.2.11::5025::SOCKET"
  hookups:
    thru: "ROUT:CLOS (@1)"
    floor: "ROUT:CLOS (@2)"
    TX-ANT: "ROUT:CLOS (@3)"
"""

FULL_BENCH = """\
bench: 1
analyzer: {resource: "GPIB0::18::INSTR", vswr: {typical: 1.3, limit: 1.5}, calibrated: 2025-03-14}
generator: {vswr: {measured: 1.4}}
bridge:
  directivity: {measured: 41.5 dB}
  test port vswr: {limit: 1.2:1}
  loss: 12.5 dB
  id: B-7
  calibrated: 2024-11-02, certificate 4711
pads: {generator: {loss: 10.03 dB, vswr: 1.15, id: "pad 3"}}
specifications:
  reference switching: 0.2 dB
  rbw switching: {typical: 0.05 dB, limit: 0.1 dB}
  connection: 0.03 dB
  load vswr: 1.06
kit:
  lead G: {what: lead, ends: [N plug, N plug], loss: 0.4 dB, vswr: 1.1}
  load 1: {what: load, ends: N plug, vswr: {limit: 1.05}, calibrated: 2025-01-09}
  step 20: {what: standard, ends: [N plug, N socket], value: 20.04 dB, uncertainty: 0.03 dB}
switch: {resource: "TCPIP::192.0.2.11::5025::SOCKET", settling: 20 ms, hookups: {reflect-TX: "ROUT:CLOS (@1,2)"}}
"""


@pytest.fixture(scope="session")
def recipe_text() -> str:
    """The recipe of design.md, word for word."""
    return RECIPE


@pytest.fixture(scope="session")
def bench_text() -> str:
    """The bench file of design.md, word for word."""
    return BENCH


@pytest.fixture(scope="session")
def full_bench_text() -> str:
    """A bench file that uses every key the other one does not."""
    return FULL_BENCH
