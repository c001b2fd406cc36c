"""A recorded evening with an analyzer is a test: the run is done again against its transcript."""

from __future__ import annotations

import dataclasses
import hashlib
import struct
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments.analyzer import open_analyzer
from instruments.link import Link
from instruments.replay import Replay, load_replay, serving
from sequencer.core.history import Adjusted, Identified, Swept
from sequencer.errors import LinkTimeoutError, StoredDataError
from sequencer.formats.journal import read_journal
from sequencer.formats.trace_csv import load_trace_csv
from sequencer.recipe.bench_loader import load_bench

FOLDERS = sorted(path.parent for path in (Path(__file__).parents[1] / "data" / "transcripts").glob("*/bus.log"))


class Still:
    """The clock of a replay."""

    def __init__(self, moment: datetime) -> None:
        self.moment = moment

    def now(self):
        return self.moment

    def sleep(self, seconds):
        pass


def journal_of(folder: Path):
    def load(file: str, sha256: str):
        return load_trace_csv((folder / file).read_text(encoding="utf-8"), file).sweep.trace

    return read_journal((folder / "journal.jsonl").read_bytes(), load)[0]


def swept_in_this_session(history, identified: Identified) -> bool:
    """Whether a sweep was kept between this entry and the next of its kind."""
    for entry in history[history.index(identified) + 1 :]:
        if isinstance(entry, Swept | Identified):
            return isinstance(entry, Swept)
    return False


@pytest.mark.parametrize("folder", FOLDERS, ids=[folder.name for folder in FOLDERS])
def test_a_recorded_run_is_done_again_to_the_same_levels(folder: Path) -> None:
    """Every setting of its journal is asked for again, in order, whatever the planner would ask today."""
    bench = load_bench((folder / "bench.yaml").read_text(encoding="utf-8"), "bench.yaml")
    history = journal_of(folder)
    identified = next(e for e in history if isinstance(e, Identified))
    replay = load_replay(folder)
    swept = 0
    with serving(replay) as resource:
        analyzer = open_analyzer(dataclasses.replace(bench.analyzer, resource=resource), Still(history[0].at))
        assert analyzer.identification() == {"analyzer": identified.identification["analyzer"]}
        assert analyzer.capabilities() == identified.capabilities
        for entry in history[history.index(identified) + 1 :]:
            if isinstance(entry, Identified) and swept_in_this_session(history, entry):
                analyzer.begin_anew()  # as the run did when a link had failed, or it was resumed
                assert analyzer.capabilities() == entry.capabilities
            if isinstance(entry, Adjusted) and entry.by == "command":
                analyzer.adjust_tracking(entry.rbw_hz)
            if isinstance(entry, Swept):
                again = analyzer.sweep(entry.sweep.asked)
                swept += 1
                assert again.used == entry.sweep.used
                assert again.flags == entry.sweep.flags
                np.testing.assert_array_equal(again.trace.level_dbm, entry.sweep.trace.level_dbm)
        assert analyzer.make_safe()
        analyzer.close()
    assert swept > 10
    assert replay.unknown == []
    assert replay.left == 0


def lines(*exchanges: tuple[str, str]) -> str:
    return "".join(f"2026-01-01T00:00:00Z\t{way}\t{len(text)}\t{text}\n" for way, text in exchanges)


def test_answers_come_in_the_order_they_came() -> None:
    log = lines((">", "*ESR?"), ("<", "0"), (">", "*ESR?"), ("<", "1"))
    replay = Replay(log)
    assert [replay.message("*ESR?") for _ in range(3)] == [b"0", b"1", b"1"]


def test_how_queries_are_packed_does_not_matter() -> None:
    replay = Replay(lines((">", "BAND?;:SWE:POIN?"), ("<", "1000;401")))
    assert replay.message("BAND?") == b"1000"
    assert replay.message("SWE:POIN?") == b"401"
    assert replay.message("SWE:POIN?;BAND?") == b"401;1000"


def test_what_was_never_asked_gets_no_answer_and_is_noted() -> None:
    replay = Replay(lines((">", "*IDN?"), ("<", "Invented,Toy,0,1")))
    assert replay.message("SYST:VERS?") is None
    assert replay.unknown == ["SYST:VERS?"]


def test_answers_of_a_sweep_to_come_are_not_given_away() -> None:
    log = lines((">", "INIT;*OPC"), (">", "TRAC?"), ("<", "1,2"), (">", "INIT;*OPC"), (">", "TRAC?"), ("<", "3,4"))
    replay = Replay(log)
    assert replay.left == 2
    replay.message("INIT;*OPC")
    assert [replay.message("TRAC?") for _ in range(2)] == [b"1,2", b"1,2"]
    replay.message("INIT;*OPC")
    assert replay.message("TRAC?") == b"3,4"
    assert replay.left == 0


def test_the_switch_in_the_same_log_does_not_answer_for_the_analyzer() -> None:
    log = lines(("switch >", "*IDN?"), ("switch <", "Invented,Switch,0,1"), (">", "*IDN?"), ("<", "Invented,Toy,0,1"))
    assert Replay(log).message("*IDN?") == b"Invented,Toy,0,1"


def test_a_block_is_taken_only_where_its_hash_agrees() -> None:
    block = b"#216" + struct.pack("<4f", -1.0, -2.0, -3.0, -4.0)
    digest = hashlib.sha256(block).hexdigest()
    log = lines((">", "TRAC?"), ("<", f"#2... {len(block)} bytes, sha256 {digest}"))
    assert Replay(log, [b"other", block]).message("TRAC?") == block
    with pytest.raises(StoredDataError, match="in none of the trace files"):
        Replay(log, [b"other"])


def hashed(block: bytes) -> str:
    return f"#2... {len(block)} bytes, sha256 {hashlib.sha256(block).hexdigest()}"


OPENED = ("!", "opened TCPIP::192.0.2.10::5025::SOCKET")
KEPT = b"#216" + struct.pack("<4f", -1.0, -2.0, -3.0, -4.0)


def test_a_new_connection_goes_on_behind_the_sweep_that_broke_off() -> None:
    """What was set and answered for a sweep that nobody kept, and while the generator was only turned off, is past."""
    sweep = ((">", "OUTP?"), ("<", "1"), (">", "INIT"), (">", "TRAC?"))
    safe = (OPENED, (">", "OUTP?"), ("<", "0"))
    kept = (*sweep, ("<", hashed(KEPT)))
    replay = Replay(lines(OPENED, *kept, *sweep, *safe, OPENED, (">", "*IDN?"), ("<", "again"), *kept), [KEPT])
    assert replay.left == 2
    replay.connected()
    assert [replay.message(text) for text in ("OUTP?", "INIT", "TRAC?")] == [b"1", None, KEPT]
    replay.connected()
    assert [replay.message(text) for text in ("*IDN?", "OUTP?", "INIT", "TRAC?")] == [b"again", b"1", None, KEPT]
    assert (replay.left, replay.unknown) == (0, [])


def test_a_lost_trace_is_no_matter_only_where_its_session_broke_off() -> None:
    sweep, lost = ((">", "INIT"), (">", "TRAC?")), ("<", hashed(b"#212" + bytes(12)))
    kept = (*sweep, ("<", hashed(KEPT)))
    assert Replay(lines(OPENED, *kept, *sweep, lost, OPENED, *kept), [KEPT]).left == 2
    with pytest.raises(StoredDataError, match=r"bus\.log:4: .*in none of the trace files"):
        Replay(lines(OPENED, *sweep, lost, *kept, OPENED, *kept), [KEPT])


def test_what_was_said_to_learn_the_dialect_is_not_replayed() -> None:
    learnt = (("learning >", "TRAC?"), ("learning <", hashed(b"#212" + bytes(12))), ("learning >", "*IDN?"))
    replay = Replay(lines(*learnt, (">", "*IDN?"), ("<", "Invented,Toy,0,1")))
    assert replay.message("*IDN?") == b"Invented,Toy,0,1"


def test_a_traces_change_is_noticed(tmp_path: Path) -> None:
    source = FOLDERS[0]
    (tmp_path / "traces").mkdir()
    (tmp_path / "bus.log").write_bytes((source / "bus.log").read_bytes())
    with pytest.raises(StoredDataError, match="in none of the trace files"):
        load_replay(tmp_path)


@pytest.mark.parametrize(
    ("log", "says"),
    [
        pytest.param("no tabs\n", "bus.log:1", id="no columns"),
        pytest.param("t\t>\t1\t\\x4\n", "bus.log:1", id="broken escape"),
        pytest.param("t\t>\t1\té\n", "bus.log:1", id="not ASCII"),
    ],
)
def test_a_damaged_log_is_refused_with_its_line(log: str, says: str) -> None:
    with pytest.raises(StoredDataError, match=says):
        Replay(log)


def test_a_folder_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(StoredDataError, match="recorded run"):
        load_replay(tmp_path)


def test_a_driver_that_asks_otherwise_is_noticed() -> None:
    """What the recorded analyzer never answered, the replayed one does not answer either."""
    replay = load_replay(FOLDERS[0])
    with serving(replay) as resource:
        link = Link.open(resource, timeout_s=0.3)
        with pytest.raises(LinkTimeoutError):
            link.query("SYST:VERS?")
        link.close()
    assert replay.unknown == ["SYST:VERS?"]


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=200), st.text(max_size=30))
def test_any_text_is_a_log_or_refused(log: str, asked: str) -> None:
    try:
        replay = Replay(log)
    except StoredDataError:
        return
    replay.message(asked)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.sampled_from("><!"), st.text(max_size=20)), max_size=12), st.text(max_size=20))
def test_any_well_formed_log_can_be_asked_anything(exchanges: list[tuple[str, str]], asked: str) -> None:
    text = lines(*((way, body.encode("unicode_escape").decode("ascii")) for way, body in exchanges))
    try:
        replay = Replay(text)
    except StoredDataError:
        return
    for _, body in exchanges:
        replay.message(body)
    replay.message(asked)
