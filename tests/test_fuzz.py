"""Whatever stands in a journal, a trace file or an instrument's answer: clear errors only, and nothing comes alive."""

from __future__ import annotations

import copy
import dataclasses
import io
import json
import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from instruments import tracedata
from instruments.analyzer import ScpiAnalyzer
from instruments.dialects import load as load_dialect
from instruments.replay import load_replay
from reports.html import render
from sequencer.archive.reading import open_run
from sequencer.cli.terminal import Terminal
from sequencer.core.history import Identified, Swept
from sequencer.errors import BenchError, MeasurementError, NotchbookError, StoredDataError
from sequencer.formats.canonical import json_line, sha256_bytes
from sequencer.formats.trace_csv import load_trace_csv
from sequencer.recipe.bench_loader import load_bench
from sequencer.run.engine import left_to_sweep
from sequencer.run.evaluate import evaluate
from sequencer.run.recording import make_record
from sequencer.wiring import stored_task

TRANSCRIPTS = Path(__file__).parent / "data" / "transcripts"
SOURCE = TRANSCRIPTS / "free-binary"
LINES = [json.loads(line) for line in (SOURCE / "journal.jsonl").read_text(encoding="utf-8").splitlines()]
ALIVE = "<script>alert(1)</script><img src=x onerror=alert(1)>\"'\x1b[2J{{7*7}}"
QUICK = settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def use(folder: Path) -> str:
    """Do all that a stored run is read for; return its report."""
    stored = open_run(folder)
    recipe, bench, _ = stored_task(stored)
    left_to_sweep(recipe, bench, stored.history)
    done = evaluate(recipe, bench, stored.history)
    record = make_record(recipe, bench, stored.history, done, wall_seconds=0.0)
    return render(record, done.curves)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "run"
    shutil.copytree(SOURCE, made)
    (made / "result.json").unlink()
    return made


def write(folder: Path, entries: list[dict[str, Any]]) -> None:
    text = "".join(json_line(entry) for entry in entries)
    (folder / "journal.jsonl").write_text(text, encoding="utf-8")


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(value, dict):
        for key in value:
            yield from leaves(value[key], (*path, key))
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from leaves(item, (*path, number))
    else:
        yield path


def put(entry: dict[str, Any], path: tuple[Any, ...], value: Any) -> None:
    inner: Any = entry
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value


VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from(
        [0, -1, 1e308, "", "thru", "floor", "IN-OUT", "overview", "../../etc/passwd", "/etc/passwd", ALIVE]
    ),
    st.text(max_size=8),
    st.lists(st.integers(), max_size=2),
    st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
)


@QUICK
@given(data=st.data())
def test_a_journal_with_other_values_is_used_or_refused(folder: Path, data: st.DataObject) -> None:
    entries = copy.deepcopy(LINES)
    for _ in range(data.draw(st.integers(1, 3))):
        entry = entries[data.draw(st.integers(0, len(entries) - 1))]
        path = data.draw(st.sampled_from(list(leaves(entry))))
        old: Any = entry
        for step in path:
            old = old[step]
        alike = {bool: st.booleans(), str: st.text(max_size=12), float: st.floats(-1e12, 1e12), int: st.integers(0, 9)}
        put(entry, path, data.draw(st.one_of(alike.get(type(old), VALUES), VALUES)))
    write(folder, entries)
    with _ours():
        assert "<script>alert" not in use(folder)


@QUICK
@given(data=st.data())
def test_a_journal_in_another_order_or_with_gaps_is_used_or_refused(folder: Path, data: st.DataObject) -> None:
    rest = LINES[1:]
    kept = data.draw(st.lists(st.integers(0, len(rest) - 1), max_size=len(rest)))
    if data.draw(st.booleans()):
        kept = sorted(set(kept))
    write(folder, [LINES[0], *(rest[number] for number in kept)])
    with _ours():
        use(folder)


@QUICK
@given(
    level=st.sampled_from(["", "nan", "inf", "-inf", "1e400", "-1e308", "x", "1;2", "-20.0"]),
    every=st.integers(1, 400),
    number=st.integers(1, 20),
)
def test_a_trace_with_odd_levels_whose_hash_agrees_is_used_or_refused(
    folder: Path, level: str, every: int, number: int
) -> None:
    """Somebody who changes a trace may change its hash as well."""
    path = folder / "traces" / f"{number:03d}.csv"
    whole = (SOURCE / "traces" / path.name).read_text(encoding="utf-8").splitlines()
    start = next(n for n, line in enumerate(whole) if not line.startswith("#"))
    for row in range(start + 1, len(whole), every):
        whole[row] = f"{whole[row].partition(',')[0]},{level}"
    data = ("\n".join(whole) + "\n").encode()
    path.write_bytes(data)
    entries = copy.deepcopy(LINES)
    for entry in entries:
        if entry.get("file") == f"traces/{path.name}":
            entry["sha256"] = sha256_bytes(data)
    write(folder, entries)
    try:
        with _ours():
            use(folder)
    finally:
        shutil.copyfile(SOURCE / "traces" / path.name, path)


@pytest.mark.parametrize(
    ("figure", "worst", "statement"),
    [
        pytest.param(
            "directivity: 40 dB, test port vswr: 1.1", "directivity: 1 dB, test port vswr: 1000", "pass", id="bridge"
        ),
        pytest.param("connection: 0.02 dB", "connection: 200 dB", "fail", id="joints, by the guarded rule"),
    ],
)
def test_a_bench_as_bad_as_it_may_be_stated_is_reckoned(folder: Path, figure: str, worst: str, statement: str) -> None:
    stored = open_run(folder)
    recipe, bench, _ = stored_task(stored)
    assert figure in bench.text
    done = evaluate(recipe, load_bench(bench.text.replace(figure, worst), "bench.yaml"), stored.history)
    assert [result.statement.value for result in done.results] == [statement]  # an insertion loss


# A made-up trace may hold nothing at all; numpy's remarks about means of nothing are no errors.
pytestmark = pytest.mark.filterwarnings("ignore::RuntimeWarning")


class _ours:
    """Nothing but errors for people may come out."""

    def __enter__(self) -> None:
        pass

    def __exit__(self, kind: Any, error: BaseException | None, trace: Any) -> bool:
        if isinstance(error, NotchbookError):
            assert type(error) is not NotchbookError, error  # the root would be 'a fault of ours', 70
            assert error.message
            return True
        return False


@pytest.mark.parametrize("name", ["../outside.csv", "/etc/hostname", "traces/../../outside.csv", "traces\\..\\x.csv"])
def test_no_trace_is_read_from_outside_its_folder(folder: Path, name: str) -> None:
    data = (SOURCE / "traces" / "001.csv").read_bytes()
    (folder.parent / "outside.csv").write_bytes(data)
    entries = copy.deepcopy(LINES)
    next(entry for entry in entries if entry["kind"] == "swept")["file"] = name
    write(folder, entries)
    with pytest.raises(StoredDataError):
        open_run(folder)


def test_nothing_from_a_journal_comes_alive_in_the_report_or_the_terminal(folder: Path) -> None:
    """Every text that an instrument, an operator or a file could have put there."""
    entries = copy.deepcopy(LINES)
    began, identified = entries[0], entries[1]
    began["serial"], began["labels"], began["conditions"] = ALIVE, {ALIVE: ALIVE}, {ALIVE: ALIVE}
    identified["identification"] = {"analyzer": ALIVE}
    for entry in entries:
        entry["why"] = f"{entry['why']} {ALIVE}"
        if entry["kind"] == "answered":
            entry["answer"] = ALIVE
        if "by" in entry:
            entry["by"] = ALIVE
    write(folder, entries)
    text = use(folder)
    assert "<script>alert" not in text
    assert not re.search(r"<[^>]*onerror=alert", text)
    assert "\x1b" not in text
    assert "&lt;script&gt;" in text  # it is there, as text
    out = io.StringIO()
    terminal = Terminal(
        io.StringIO(),
        out,
        yes=True,
        sets={},
        interactive=False,
        simulated=True,
        bench=None,
        ports=("IN", "OUT"),
        environ={},
    )
    for entry in open_run(folder).history:
        terminal.heard(entry)
    assert "\x1b" not in out.getvalue()


# --- what an instrument answers ------------------------------------------------------------------------------


class WrongLink:
    """The recorded analyzer, some of whose answers are other ones; has what `ScpiAnalyzer` needs of a link."""

    resource, timeout_s, log_must_work, dead = "replayed", 1.0, True, ""

    def __init__(self, name: str, wrong: dict[int, bytes]) -> None:
        self.replay = load_replay(TRANSCRIPTS / name)
        self.wrong, self.asked = wrong, 0

    def _answer(self, command: str) -> bytes:
        self.asked += 1
        true = self.replay.message(command)
        return self.wrong.get(self.asked, b"" if true is None else true)

    def write(self, command: str) -> None:
        self.replay.message(command)

    def query(self, command: str) -> str:
        return self._answer(command).decode("latin-1")

    def query_trace(self, command: str) -> bytes | str:
        answer = self._answer(command)
        return self._block(command, answer) if answer[:1] == b"#" else answer.decode("latin-1")

    def query_block(self, command: str, unstated: int | None = None) -> bytes:
        assert unstated is None
        return self._block(command, self._answer(command))

    def _block(self, command: str, answer: bytes) -> bytes:
        header = tracedata.block_header(answer[:12], command)
        if header is None:
            raise BenchError("cut short")
        return answer[header[0] :][: header[1]]

    def reopen(self, within_s: float = 5.0) -> None:
        pass

    def close(self) -> None:
        pass


class Still:
    def now(self) -> datetime:
        return datetime(2026, 1, 1, tzinfo=UTC)

    def sleep(self, seconds: float) -> None:
        pass


ASKED = {
    name: [
        entry["sweep"]["asked"]
        for entry in map(json.loads, (TRANSCRIPTS / name / "journal.jsonl").read_text(encoding="utf-8").splitlines())
        if entry["kind"] == "swept"
    ][:2]
    for name in ("free-binary", "fixed-ascii")
}
SWEEPS = {
    name: [
        load_trace_csv((TRANSCRIPTS / name / "traces" / f"{n:03d}.csv").read_text(encoding="utf-8"), "t").sweep.asked
        for n in (1, 2)
    ]
    for name in ASKED
}
ANSWERS = st.one_of(
    st.binary(max_size=40),
    st.text(alphabet="0123456789.,;+-eE#\"' \tNAINFDBMHZ", max_size=30).map(lambda text: text.encode("latin-1")),
    st.sampled_from(
        [b"", b"nan", b"9.91E37", b"inf", b"1e999", b"-1", b"#0", b"#10", b"#9999999999", b'-113,"x"', b"1"]
    ),
)


@pytest.mark.parametrize("name", sorted(SWEEPS))
@settings(max_examples=25, deadline=None)
@given(wrong=st.dictionaries(st.integers(1, 60), ANSWERS, min_size=1, max_size=3))
def test_any_answer_is_understood_or_refused(name: str, wrong: dict[int, bytes]) -> None:
    link: Any = WrongLink(name, wrong)
    try:
        analyzer = ScpiAnalyzer(link, load_dialect(name), Still(), pause=lambda seconds: None)
        for asked in SWEEPS[name]:
            sweep = analyzer.sweep(asked)
            assert sweep.trace.freq_hz.shape == (sweep.used.points,)
    except (BenchError, MeasurementError):  # anything else fails this test
        pass
    else:
        return
    assert analyzer_is_safe(link, name)


def analyzer_is_safe(link: Any, name: str) -> bool:
    """Making safe never raises, whatever is answered."""
    link.wrong = dict.fromkeys(range(500), b"garbage")
    try:
        analyzer = ScpiAnalyzer(link, load_dialect(name), Still(), pause=lambda seconds: None)
    except BenchError:
        return True
    return analyzer.make_safe() in (True, False)


def test_the_undisturbed_link_of_these_tests_does_sweep() -> None:
    for name, asked in SWEEPS.items():
        link: Any = WrongLink(name, {})
        analyzer = ScpiAnalyzer(link, load_dialect(name), Still(), pause=lambda seconds: None)
        assert [analyzer.sweep(one).used.points > 1 for one in asked] == [True, True]


def test_the_journal_of_these_tests_is_used_whole(folder: Path) -> None:
    assert "SIMULATED, NOT A MEASUREMENT" in use(folder)
    history = open_run(folder).history
    assert any(isinstance(e, Identified) for e in history)
    assert sum(isinstance(e, Swept) for e in history) > 20
    assert dataclasses.is_dataclass(history[0])
