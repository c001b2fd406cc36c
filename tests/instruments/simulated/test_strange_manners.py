"""Ways of the strangers in tests/data/strangers that no shipped variant has, each seen from outside."""

from pathlib import Path

import numpy as np
import pytest
import yaml

from instruments.simulated.analyzer import Analyzer
from instruments.simulated.bench import Bench
from instruments.simulated.commands import Exchange
from instruments.simulated.devices import build, names
from instruments.simulated.profile import PROFILES
from instruments.simulated.simtime import SimulatedTime
from instruments.simulated.variants import load_variant

STRANGERS = Path(__file__).parent.parent.parent / "data" / "strangers"


class Desk:
    """One of them, in this process; ``changed`` keys of its table replace its own."""

    def __init__(self, folder, name, **changed):
        row = yaml.safe_load((STRANGERS / f"{name}.yaml").read_text(encoding="utf-8"))[name] | changed
        path = folder / f"{name}.yaml"
        path.write_text(yaml.safe_dump({name: row}, sort_keys=False), encoding="utf-8")
        self.time = SimulatedTime(0.0)
        bench = Bench(build(names()[0]), PROFILES["lab"], 1, self.time)
        self.exchange = Exchange(Analyzer(bench, load_variant(str(path))))

    def raw(self, *messages):
        for message in messages:
            for _ in self.exchange.write(message):
                self.time.finish()
            self.time.finish()
        return self.exchange.read()

    def ask(self, *messages):
        return self.raw(*messages).decode("ascii").strip()

    def noise_db(self, *before):
        """Scatter of one sweep of noise by single samples, dB."""
        axis = ("FREQ:STAR 100E6", "FREQ:STOP 200E6", "BAND 3E5", "DET SAMP", "INIT:CONT OFF", "FORM ASC")
        text = self.ask(*before, *axis, "INIT", "TRAC? TRACE1")
        return float(np.std([float(level) for level in text.split(",")]))


def test_a_held_and_an_averaged_trace_scatter_less_and_writing_it_anew_cures_it(tmp_path):
    desk = Desk(tmp_path, "trace-modes", left={"trace_mode": "MAXHold", "average_count": 10})
    assert desk.ask("DISP:TRAC:MODE?") == "MAXH"
    assert desk.noise_db() < 3.0
    assert desk.noise_db("DISP:TRAC:MODE AVER") < 3.0
    assert 4.5 < desk.noise_db("DISP:TRAC:MODE WRIT") < 6.8
    assert 4.5 < desk.noise_db("DISP:TRAC:MODE MAXH", "*RST") < 6.8


def test_a_trace_of_pairs_tells_the_frequencies_too(tmp_path):
    desk = Desk(tmp_path, "pairs")
    both = desk.ask("FREQ:STAR 100E6", "FREQ:STOP 200E6", "SWE:MODE SING", "INIT:REST", "FETC:SAN?").split(",")
    assert len(both) == 2 * 501
    assert [float(both[0]), float(both[-2])] == [100e6, 200e6]


def test_integers_are_thousandths_and_formats_are_told_with_a_blank(tmp_path):
    desk = Desk(tmp_path, "hand-swept")
    raw = desk.raw("INIT:CONT OFF", "INIT", "TRAC? TR1")
    levels = np.frombuffer(raw[6 : 6 + 4 * 401], dtype=">i4") / 1e3
    assert raw.startswith(b"#41604")
    assert np.all((levels > -150.0) & (levels < 30.0))
    assert desk.ask("FORM INT 32", "FORM?") == "INT 32"
    assert desk.ask("STAT:QUE?").startswith("0,")


def test_booleans_may_be_numbers_and_lines_end_backwards(tmp_path):
    desk = Desk(tmp_path, "slow-long-words")
    assert desk.raw("OUTPUT1:STATE OFF", "OUTPUT1:STATE?") == b"+0.000000000E+00\n\r"
    assert desk.raw("OUTPUT1:STATE ON", "OUTPUT1:STATE?") == b"+1.000000000E+00\n\r"
    assert desk.exchange.query_delay_s == 0.2


def test_a_compound_message_may_be_a_syntax_error(tmp_path):
    desk = Desk(tmp_path, "one-at-a-time")
    assert not list(desk.exchange.write("*IDN?;*IDN?"))
    assert desk.ask("SYST:ERR?").startswith("-102")


@pytest.mark.parametrize("delay_s", [0.0, 0.8])
def test_a_trace_may_take_its_time(tmp_path, delay_s):
    desk = Desk(tmp_path, "pairs", manners={"trace delay s": delay_s})
    desk.ask("SWE:MODE SING", "INIT:REST", "*OPC?")
    before = desk.time.now_s
    desk.ask("FETC:SAN?")
    assert desk.time.now_s - before == pytest.approx(delay_s, abs=0.05)
