"""Registers, error queue and the message exchange of the simulated instruments."""

import numpy as np
import pytest

from instruments.simulated.analyzer import Analyzer
from instruments.simulated.bench import Bench, Reading
from instruments.simulated.commands import Exchange
from instruments.simulated.control import Control
from instruments.simulated.profile import PROFILES
from instruments.simulated.simtime import SimulatedTime
from instruments.simulated.status import Status, esr_weight
from instruments.simulated.syntax import ScpiError
from instruments.simulated.variants import load_variant, variant_names


class Pad:
    """A two-port that passes everything."""

    ports = ("A", "B")
    circuit_disturbed = None

    @property
    def circuit(self):
        return self

    def s(self, freq_hz):
        return np.broadcast_to(np.array([[0, 0.5], [0.5, 0]], dtype=complex), (np.size(freq_hz), 2, 2)).copy()


class FixedBench(Bench):
    """Every point of every sweep shows -85 dBm."""

    def sweep(self, asked):
        super().sweep(asked)
        return Reading(np.full(asked.points, -85.0), frozenset())


class Desk:
    """An analyzer, a switch, and a controller on each; time is finished by hand."""

    def __init__(self, variant="free-binary", kind=Bench):
        self.time = SimulatedTime(speed=1.0, wall=lambda: 0.0)  # the wall clock stands still
        self.bench = kind(Pad(), PROFILES["lab"], 1, self.time)
        self.analyzer = Analyzer(self.bench, load_variant(variant))
        self.exchange = Exchange(self.analyzer)
        self.control = Exchange(Control(self.bench))

    def send(self, message):
        for _ in self.exchange.write(message):
            self.time.finish()

    def ask(self, message):
        self.send(message)
        return self.exchange.read().decode("latin-1").strip()

    def errors(self):
        found = []
        while (entry := self.ask("SYST:ERR?").removeprefix("SYST:ERR ")) != '0,"No error"':
            found.append(int(entry.partition(",")[0]))
        return found

    def tell(self, message):
        for _ in self.control.write(message):
            pass
        return self.control.take().decode().strip()


@pytest.fixture
def desk():
    return Desk()


# Check value S07: SCPI-1999 Vol. 2, error classes (text confirmed in a public copy of the list).
@pytest.mark.parametrize(("number", "weight"), [(-113, 32), (-222, 16), (-350, 8), (-410, 4), (7, 8), (0, 0)])
def test_error_class_raises_its_event_bit(number, weight):
    assert esr_weight(number) == weight


def test_queue_is_first_in_first_out_and_says_when_it_overflowed():
    status = Status(queue_length=3)
    for number in (-113, -222, -224, -230, -101):
        status.error(ScpiError(number))
    told = [int(status.next_error().partition(",")[0]) for _ in range(4)]
    assert told == [-113, -222, -350, 0]  # SCPI-1999 Vol. 2, 21.8: the last entry gives way to -350
    assert status.esr & 8


def test_power_on_is_told_once(desk):
    assert desk.ask("*ESR?") == "128"  # bit 7 PON, IEEE 488.2 11.5.1
    assert desk.ask("*ESR?") == "0"


@pytest.mark.parametrize(
    ("message", "number", "esr"),
    [
        pytest.param("FREK:STAR 1", -113, 32, id="undefined-header"),
        pytest.param("FREQ:STAR", -109, 32, id="missing-parameter"),
        pytest.param("FREQ:STAR 1,2", -108, 32, id="too-many"),
        pytest.param("*RST 1", -108, 32, id="common-too-many"),
        pytest.param("*XYZ", -113, 32, id="common-unknown"),
        pytest.param("INIT?", -113, 32, id="event-has-no-query"),
        pytest.param("SYST:ERR", -113, 32, id="query-has-no-setting"),
        pytest.param("FREQ:STAR 9 GHZ", -222, 16, id="out-of-range"),
        pytest.param("DET FAST", -224, 16, id="illegal-word"),
        pytest.param("TRAC? TRACE9", -224, 16, id="no-such-trace"),
        pytest.param("TRAC? TRACE1", -230, 16, id="no-sweep-yet"),
        pytest.param("SOUR:TRAC:PEAK", -340, 8, id="nothing-to-peak-on"),
    ],
)
def test_each_mistake_has_its_number_and_bit(desk, message, number, esr):
    desk.send("*CLS")
    desk.send(message)
    assert int(desk.ask("*ESR?")) == esr
    assert desk.errors() == [number]


def test_compound_messages_keep_the_path_and_common_commands_do_not_change_it(desk):
    answer = desk.ask("FREQ:STAR 146 MHZ;*OPC;STOP 147 MHZ;:SENS:BAND 1 KHZ;BAND:VID 3 KHZ;:FREQ:STAR?;STOP?")
    assert answer == "146000000;147000000"
    assert desk.errors() == []


def test_what_stands_before_a_mistake_is_done_and_what_follows_a_command_error_is_not(desk):
    desk.send("FREQ:STAR 146 MHZ;STPO 147 MHZ;STAR 10 MHZ")
    assert desk.ask("FREQ:STAR?") == "146000000"
    assert desk.errors() == [-113]


def test_an_execution_error_does_not_stop_the_message(desk):
    assert desk.ask("FREQ:STAR 99 GHZ;STOP 147 MHZ;STOP?") == "147000000"
    assert desk.errors() == [-222]


def test_query_errors(desk):
    desk.send("*IDN?")
    desk.send("*STB?")  # the first answer was never read
    assert desk.exchange.read() != b""
    assert desk.exchange.read() == b""
    assert desk.errors() == [-410, -420]
    assert int(desk.ask("*ESR?")) & 4


def test_status_byte_summaries(desk):
    desk.send("*CLS;*ESE 32;*SRE 32")
    desk.send("NONSENSE")
    # Bits 2 (error queue), 5 (event summary), 6 (master summary); 4 (message available) within a longer answer.
    assert desk.ask("*STB?") == "100"
    assert desk.ask("*ESE?;*STB?") == f"32;{100 + 16}"
    assert desk.ask("*STB?") == "100"  # reading clears nothing
    desk.send("*CLS")
    assert desk.ask("*STB?;*SRE?;*ESE?") == "0;32;32"  # enables survive *CLS


@pytest.mark.parametrize("message", ["*ESE 256", "*SRE -1", "STAT:OPER:ENAB 65536"])
def test_enable_masks_are_bounded(desk, message):
    desk.send(message)
    assert desk.errors() == [-222]


def test_the_summary_bit_is_not_enabled(desk):
    """IEEE 488.2 11.3.2.3 [from memory]: bit 6 of *SRE is ignored and read as zero."""
    assert [desk.ask(f"*SRE {sent};*SRE?") for sent in (64, 255, 191)] == ["0", "191", "191"]


@pytest.mark.parametrize("message", ["*ESE MAX", "*SRE MIN", "*ESE INF"])
def test_common_commands_take_no_number_by_name(desk, message):
    desk.send(f"*ESE 4;*SRE 4;{message}")
    assert desk.errors() == [-148]
    assert desk.ask("*ESE?;*SRE?") == "4;4"


def test_nothing_is_asked_behind_an_answer_without_an_end(desk):
    """SCPI-99 Vol. 2 21.8, -440 [from memory]: only the message's end tells where the answer to *IDN? ends."""
    assert desk.ask("*IDN?;*ESE?").startswith("Notchbook,")
    assert ";" not in desk.ask("*ESE 32;*IDN?")
    assert desk.errors() == [-440]
    assert desk.ask("*ESE?;*IDN?").startswith("32;Notchbook,")
    assert desk.errors() == []


@pytest.mark.parametrize("sent", ['FREQ:CENT "146 \xb5', "FREQ:CENT '\x80\xff", 'FREQ:CENT 1,"\x01\xe9'])
def test_an_entry_of_the_error_queue_is_ascii_whatever_was_sent(desk, sent):
    desk.send(sent)
    entry = desk.ask("SYST:ERR?")
    assert entry.startswith("-151,")
    assert entry.isascii()
    assert entry.isprintable()
    assert desk.errors() == []
    assert desk.ask("*IDN?").startswith("Notchbook")


def test_the_highest_bit_of_an_enable_register_is_taken_and_stays_zero(desk):
    """SCPI-99 Vol. 2 ch. 20 [from memory]: bit 15 of the status registers is always zero."""
    desk.send("STAT:OPER:ENAB 65535")
    assert desk.ask("STAT:OPER:ENAB?") == "32767"
    assert desk.errors() == []


def test_operation_complete_waits_for_the_sweep(desk):
    desk.send("*CLS;INIT;*OPC")
    assert desk.ask("*ESR?") == "0"
    assert desk.ask("STAT:OPER:COND?") == "8"  # bit 3, sweeping
    desk.time.finish()
    assert desk.ask("*ESR?") == "1"
    assert desk.ask("STAT:OPER:COND?;EVEN?;EVEN?") == "0;8;0"


def test_operation_complete_query_and_wait_hold_the_message(desk):
    desk.send("INIT")
    assert desk.ask("*OPC?;:STAT:OPER:COND?") == "1;0"
    desk.send("INIT")
    assert desk.ask("*WAI;:STAT:OPER:COND?") == "0"


@pytest.mark.parametrize("message", ["ABOR", "OUTP OFF", "*RST", "FREQ:CENT 146 MHZ"])
def test_what_breaks_a_sweep_off_leaves_no_trace(desk, message):
    desk.send("INIT;*OPC")
    desk.send(message)
    assert desk.ask("STAT:OPER:COND?") == "0"
    desk.send("TRAC? TRACE1")
    assert desk.errors() == [-230]


def test_abort_completes_what_opc_waits_for_and_cls_forgets_it(desk):
    desk.send("*CLS;INIT;*OPC;ABOR")
    assert desk.ask("*ESR?") == "1"
    desk.send("INIT;*OPC;*CLS")
    desk.time.finish()
    assert desk.ask("*ESR?") == "0"


def test_initiate_is_ignored_while_something_sweeps(desk):
    desk.send("INIT;INIT")
    assert desk.errors() == [-213]
    desk.send("ABOR;INIT:CONT ON;:INIT")
    assert desk.errors() == [-213]


def test_questionable_register_tells_the_sweep_s_flags(desk):
    desk.send("FREQ:STAR 146 MHZ;STOP 147 MHZ;:BAND 1 KHZ;:SWE:TIME 0.1;:INIT;*WAI")
    assert desk.ask("STAT:QUES:COND?;EVEN?;EVEN?") == "256;256;0"
    desk.send("STAT:QUES:ENAB 256;:INIT;*WAI")
    assert int(desk.ask("*STB?")) & 8 == 0  # the condition did not rise again: it never fell
    desk.send("SWE:TIME:AUTO ON;:INIT;*WAI;:SWE:TIME 0.1;:INIT;*WAI")
    assert int(desk.ask("*STB?")) & 8 == 8


def test_standard_version(desk):
    assert desk.ask("SYST:VERS?") == "1999.0"
    assert desk.ask("*TST?") == "0"


@pytest.mark.parametrize("name", variant_names())
def test_identification_cannot_pass_for_an_instrument(name):
    fields = Desk(name).ask("*IDN?").removeprefix("*IDN ").split(",")
    assert fields[:3] == ["Notchbook", f"simulated bench {name}", "1"]
    assert len(fields) == 4  # IEEE 488.2 10.14


# Check value S09: bytes C2 AA 00 00 are -85.0 as REAL,32 NORMal (IEEE 754; SCPI-1999 FORMat:BORDer, from memory).
@pytest.mark.parametrize(
    ("variant", "setup", "expected"),
    [
        ("free-binary", "FORM REAL,32;FORM:BORD NORM", b"#18\xc2\xaa\0\0\xc2\xaa\0\0\n"),
        ("free-binary", "FORM REAL,32;FORM:BORD SWAP", b"#18\0\0\xaa\xc2\0\0\xaa\xc2\n"),
        ("free-binary", "FORM REAL,64;FORM:BORD NORM", b"#216\xc0\x55\x40\0\0\0\0\0\xc0\x55\x40\0\0\0\0\0\n"),
        ("free-binary", "FORM ASC", b"-8.500000E+01,-8.500000E+01\n"),
    ],
)
def test_trace_bytes(variant, setup, expected):
    desk = Desk(variant, FixedBench)
    desk.send(f"{setup};:SWE:POIN 2;:INIT;*WAI;:TRAC? TRACE1")
    assert desk.exchange.read() == expected


def test_trace_bytes_of_the_odd_variants():
    old = Desk("fixed-ascii", FixedBench)
    old.send("INIT;*WAI;:TRAC? 1")
    assert old.exchange.read() == b"-85.000," * 401 + b"\r\n"  # a comma after the last value too
    swapped = Desk("swapped-real32", FixedBench)
    swapped.send("INIT:CONT OFF;:SWE:POIN 101;:INIT;*WAI;:TRAC? TRACE1")
    assert swapped.exchange.read() == b"#3404" + b"\0\0\xaa\xc2" * 101 + b"\n"


VALUES = {  # function: what is sent, in every variant's range
    "start": "145 MHZ",
    "stop": "147 MHZ",
    "center": "146 MHZ",
    "span": "1 MHZ",
    "points": "401",
    "sweep time": "2 S",
    "rbw": "1 KHZ",
    "vbw": "3 KHZ",
    "attenuation": "20 DB",
    "reference": "-20 DBM",
    "generator level": "-5 DBM",
    "average count": "4",
}
ANSWERS = {"start": 145e6, "stop": 147e6, "center": 146e6, "span": 1e6, "points": 401, "sweep time": 2.0, "rbw": 1e3}
ANSWERS |= {"vbw": 3e3, "attenuation": 20.0, "reference": -20.0, "generator level": -5.0, "average count": 4}


@pytest.mark.parametrize("name", variant_names())
def test_every_setting_is_told_back_as_it_is_used(name):
    desk = Desk(name)
    table = load_variant(name).commands
    for function, pattern in table.items():
        header = pattern.rstrip("?").replace("[", "").replace("]", "").split("|")[0]
        if "|" in pattern:
            header = pattern.replace("[", "").replace("]", "").replace("BANDwidth|", "")
        if function in VALUES and not pattern.endswith("?"):
            desk.send(f"{header} {VALUES[function]}")
            assert number(desk, f"{header}?") == pytest.approx(ANSWERS[function], rel=1e-9), function
            if load_variant(name).manners.limits_asked:
                assert number(desk, f"{header}? MAX") >= ANSWERS[function]
        elif function.endswith("auto") or function in ("continuous", "generator output", "average"):
            desk.send(f"{header} ON")
            assert number(desk, f"{header}?") == 1
            desk.send(f"{header} OFF")
            assert number(desk, f"{header}?") == 0
    assert load_variant(name).error_queue == 0 or desk.errors() == []


def number(desk, query):
    """An answer without the header some variants repeat before it and the unit some put behind it."""
    words = desk.ask(query).split()
    return float(words[1] if words[0][0].isalpha() else words[0])


@pytest.mark.parametrize(
    ("variant", "asked", "used"),
    [
        ("free-binary", 950.0, 910.0),
        ("free-binary", 1e3, 1e3),
        ("fixed-ascii", 950.0, 1e3),
        ("fixed-ascii", 2e3, 3e3),
        ("fixed-ascii", 150.0, 100.0),
        ("swapped-real32", 550.0, 1e3),
    ],
)
def test_filters_are_rounded_to_what_there_is(variant, asked, used):
    assert load_variant(variant).rbw(asked) == used


def test_swapped_variant_wakes_up_sweeping_with_its_generator_on():
    desk = Desk("swapped-real32")
    assert desk.ask("OUTP1?;:INIT:CONT?") == "1;1"
    desk.send("*RST")
    assert desk.ask("OUTP1?;:INIT:CONT?") == "0;1"
    desk.tell("ROUT:CLOS (@1)")
    before = desk.time.now_s
    desk.send("FREQ:STAR 146 MHZ;STOP 147 MHZ;:BAND 3 KHZ;:TRAC? TRACE1")  # free running: the next sweep's end
    assert len(desk.exchange.read()) > 2000
    assert desk.time.now_s - before > 0.2


def test_generator_that_cannot_serve_a_narrow_filter_says_so():
    desk = Desk("swapped-real32")
    desk.send("BAND 3 KHZ;:OUTP1 ON;:BAND 300")
    assert desk.ask("OUTP1?") == "0"
    desk.send("OUTP1 ON")
    assert desk.errors() == [-221, -221]


def test_fixed_points_cannot_be_set():
    desk = Desk("fixed-ascii")
    desk.send("SWE:POIN 801")
    assert desk.errors() == [-113]
    assert float(desk.ask("SWE:POIN?")) == 401


def test_hurried_polling_changes_nothing():
    def take(polls):
        desk = Desk()
        desk.tell("ROUT:CLOS (@1)")
        desk.send("*CLS;FREQ:STAR 146 MHZ;STOP 147 MHZ;:BAND 1 KHZ;:OUTP ON;:INIT;*OPC")
        for _ in range(polls):
            desk.ask("*ESR?")
        desk.time.finish()
        desk.ask("*ESR?")
        desk.tell("ROUT:CLOS (@2)")
        return desk.ask("INIT;*WAI;:TRAC? TRACE1"), desk.time.now_s

    assert take(0) == take(50)


def test_peaking_is_overlapped_and_brings_the_generator_onto_the_filter(desk):
    desk.tell("ROUT:CLOS (@1)")
    desk.send("*CLS;FREQ:STAR 146 MHZ;STOP 147 MHZ;:BAND 100;:OUTP ON;:SOUR:TRAC:PEAK;*OPC")
    assert desk.ask("*ESR?;:STAT:OPER:COND?") == "0;128"
    desk.time.finish()
    assert desk.ask("*ESR?") == "1"
    assert abs(desk.bench.tracking_offset_hz()) < 1.1  # 1 % of the filter
    assert desk.errors() == []


def test_switch_moves_one_hookup_at_a_time(desk):
    assert desk.tell("ROUT:CLOS:STAT?") == "(@)"
    desk.tell("ROUT:CLOS (@3)")
    assert desk.bench.connected == "A-B"
    assert desk.tell("ROUT:CLOS? (@1,3);STAT?") == "0,1"  # a query leaves the path at ROUT, where STAT? is unknown
    assert desk.tell("ROUT:CLOS:STAT?") == "(@3)"
    for message, number in (("ROUT:CLOS (@1,2)", -221), ("ROUT:CLOS (@99)", -222), ("ROUT:CLOS 1", -104)):
        desk.tell("*CLS")
        desk.tell(message)
        assert desk.tell("SYST:ERR?").startswith(str(number))
    desk.tell("ROUT:OPEN:ALL")
    assert desk.tell("ROUT:CLOS:STAT?") == "(@)"


def test_truth_and_time_are_told_by_the_switch_only(desk):
    assert float(desk.tell("SIM:TRUTH? A,B,146.61 MHZ")) == pytest.approx(6.0206, abs=1e-4)  # 20 log10 2
    assert len(desk.tell("SIMulation:TRUTh? A,B,146e6,147e6").split(",")) == 2
    began = float(desk.tell("SIM:TIME?"))
    desk.tell("SIM:WAIT 600")
    assert float(desk.tell("SIM:TIME?")) - began == pytest.approx(600.0, abs=0.01)
    desk.send("SIM:TIME?")
    assert desk.errors() == [-113]


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("SIM:TRUTH? A,X,1e6", -224),
        ("SIM:TRUTH? A,B", -109),
        ("SIM:MISW A-B,nowhere", -224),
        ("SIM:FAULT FIRE", -224),
        ("SIM:WAIT -1", -222),
    ],
)
def test_simulation_commands_refuse_nonsense(desk, message, number):
    desk.tell(message)
    assert desk.tell("SYST:ERR?").startswith(str(number))


def test_simulated_faults(desk):
    desk.tell("SIM:MISW A-B,thru;FAULT FOREIGN,146.5 MHZ,-60;FAULT LEAKAGE,20")
    assert desk.bench.faults.miswired == {"A-B": "thru"}
    assert desk.bench.faults.foreign == (146.5e6, -60.0)
    assert desk.bench.faults.extra_leakage_db == 20.0
    desk.tell("SIM:FAULT COLD")
    assert desk.bench.on_since_s == pytest.approx(desk.time.now_s, abs=0.01)
    desk.tell("SIM:FAULT NONE")
    assert desk.bench.faults.miswired == {}
    assert desk.bench.faults.foreign is None
    assert desk.tell("SYST:ERR?") == '0,"No error"'
