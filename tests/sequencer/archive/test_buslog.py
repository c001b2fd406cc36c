from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sequencer.archive.buslog import LARGE_BYTES, BusLog
from sequencer.archive.disk import Disk
from sequencer.formats.canonical import sha256_bytes

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


def lines(path: Path) -> list[list[str]]:
    return [line.split("\t") for line in path.read_text(encoding="ascii").split("\n")[:-1]]


def test_every_exchange_is_one_line_that_gives_the_bytes_back(tmp_path: Path) -> None:
    log = BusLog(tmp_path / "bus.log", Disk(), lambda: NOON)
    every_byte = bytes(range(256))
    log.note(">", every_byte)
    log.note("<\t\n", b"")
    assert not (tmp_path / "bus.log").exists()
    log.flush()
    first, second = lines(tmp_path / "bus.log")
    assert first[:3] == ["2026-11-25T12:00:00Z", ">", "256"]
    assert first[3].encode("ascii").decode("unicode_escape").encode("latin-1") == every_byte
    assert second[1:] == ["<\\t\\n", "0", ""]


def test_large_blocks_stand_by_hash_and_length(tmp_path: Path) -> None:
    log = BusLog(tmp_path / "bus.log", Disk())
    small, large = b"x" * LARGE_BYTES, b"x" * (LARGE_BYTES + 1)
    log.note("<", small)
    log.note("<", large)
    log.close()
    assert [line[2:] for line in lines(tmp_path / "bus.log")] == [
        [str(LARGE_BYTES), small.decode()],
        [str(LARGE_BYTES + 1), f"sha256:{sha256_bytes(large)}"],
    ]


def test_a_log_that_cannot_be_written_never_raises_and_says_later_what_is_missing(tmp_path: Path, flaky: Any) -> None:
    log = BusLog(tmp_path / "bus.log", flaky(2))  # the first write, of which half arrives
    log.note(">", b"lost 1")
    log.note(">", b"lost 2")
    log.flush()
    log.note(">", b"kept")
    log.flush()
    text = (tmp_path / "bus.log").read_text()
    assert "\n# 2 exchanges could not be written here\n" in text
    assert text.endswith("kept\n")
    assert "lost 2" not in text


def test_memory_stays_bounded_when_nobody_flushes(tmp_path: Path, flaky: Any) -> None:
    log = BusLog(tmp_path / "gone" / "bus.log", Disk())
    for _ in range(5000):
        log.note(">", b"*ESR?\n")
    assert len(log._lines) < 5000


def test_after_close_nothing_is_written(tmp_path: Path) -> None:
    log = BusLog(tmp_path / "bus.log", Disk())
    log.note(">", b"a")
    log.close()
    before = (tmp_path / "bus.log").read_bytes()
    log.note(">", b"b")
    log.close()
    assert (tmp_path / "bus.log").read_bytes() == before
