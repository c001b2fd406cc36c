"""`bench probe RESOURCE`: ask an instrument nobody has described how it is spoken to, and write a bench file."""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sequencer.cli.keys import forget_typed_ahead
from sequencer.cli.words import bounded_width, duration, fold
from sequencer.errors import NotchbookError, UsageError

__all__ = ["add_probe", "probe"]

PLAIN_S = 10.0  # without a live line, this often is enough to see that it goes on


def add_probe(benches: Any) -> None:
    """Add the command to those of `bench`."""
    parser = benches.add_parser("probe", help="learn how an analyzer is spoken to, and write a bench file")
    parser.add_argument("resource", metavar="RESOURCE", help="VISA name, such as TCPIP::192.0.2.10::5025::SOCKET")
    parser.add_argument("--visa", default="@py", metavar="LIB", help="VISA library; '@py' if left out")
    parser.add_argument(
        "--baud", type=int, metavar="N", help="rate of a serial line; the usual ones are tried if left out"
    )
    parser.add_argument("--write", metavar="FILE", help="write the bench file here, and FILE.log, every exchange")
    parser.add_argument(
        "--maximum-level", default="0 dBm", metavar="DBM", help="the generator is never set higher (0 dBm)"
    )
    parser.add_argument(
        "--thru-in-place",
        action="store_true",
        help="transmitters are locked out, the leads are joined, and the generator may be switched on, at its lowest",
    )
    parser.add_argument("--patience", default="0.5 s", metavar="TIME", help="silence that means 'unknown' (0.5 s)")
    parser.add_argument("--within", default="15 min", metavar="TIME", help="give up after this time (15 min)")


def probe(asked: argparse.Namespace) -> None:
    """Ask, and write the bench file; one that is not complete is written, too, and the status says so."""
    from instruments.probe import probe as learn
    from instruments.probing.writing import bench_text
    from instruments.serialrate import open_at_its_rate
    from sequencer.clocks import SystemClock
    from sequencer.units import DBM, TIME, parse

    maximum_dbm = parse(asked.maximum_level, DBM)
    patience_s, within_s = parse(asked.patience, TIME), parse(asked.within, TIME)
    if not 0.02 <= patience_s <= 10.0 or not 10.0 <= within_s <= 7200.0:
        msg = "--patience must be from 0.02 s to 10 s, --within from 10 s to 2 h"
        raise UsageError(msg)
    target = Path(asked.write) if asked.write else None
    if target is not None and target.exists():
        msg = f"{target} exists already; choose another name"
        raise UsageError(msg)
    log_path = _free_log(target) if target else None
    if target is not None and not target.parent.is_dir():
        msg = f"{target}: there is no folder {target.parent}"
        raise UsageError(msg)
    said: list[str] = []
    working = _Working()

    def note(way: str, data: bytes) -> None:
        shown = data.decode("latin-1").encode("unicode_escape").decode("ascii")
        said.append(f"{datetime.now(UTC).isoformat(timespec='milliseconds')}\t{way}\t{len(data)}\t{shown}\n")
        working.tick(len(said))

    if asked.baud is not None and not 50 <= asked.baud <= 4_000_000:
        msg = f"--baud {asked.baud}: a rate such as 9600 or 115200 expected"
        raise UsageError(msg)
    link, rate = open_at_its_rate(asked.resource, asked.visa, note, asked.baud)
    baud = asked.baud or rate
    if rate is not None:
        _say(f"it answers at {rate} baud")
    _say("This takes half a minute to some six minutes: longest where an instrument keeps silent about what is wrong.")
    try:
        done = learn(
            link,
            SystemClock(),
            maximum_dbm=maximum_dbm,
            confirm=lambda: asked.thru_in_place or _confirmed(working.wipe),
            say=working.begin,
            patience_s=patience_s,
            within_s=within_s,
        )
    except NotchbookError as exc:
        working.wipe()
        if text := exc.facts.get("text"):
            _give(target, bench_text(asked.resource, asked.visa, str(text), baud))
        raise
    finally:
        working.wipe()
        link.close()
        if log_path is not None:
            log_path.write_text("".join(said), encoding="utf-8")
    for remark in done.notes:
        _say(f"note: {remark}")
    _give(target, bench_text(asked.resource, asked.visa, done.text, baud))
    if log_path is not None:
        _say(f"every exchange stands in {log_path}")


class _Working:
    """Shows that the probe is at work: on a terminal a line that updates itself, elsewhere one now and then."""

    def __init__(self) -> None:
        self._live = sys.stderr.isatty()
        self._began_s = self._last_s = time.monotonic()

    def begin(self, what: str) -> None:
        """Name what is looked for now."""
        self.wipe()
        _say(f"asking: {what}")

    def tick(self, messages: int) -> None:
        """Count a message, as often as eyes can follow."""
        now_s = time.monotonic()
        if now_s - self._last_s < (0.2 if self._live else PLAIN_S):
            return
        self._last_s = now_s
        text = f"        {messages} messages, {duration(now_s - self._began_s)}"
        sys.stderr.write(f"\r\x1b[K{text}" if self._live else f"{text}\n")
        sys.stderr.flush()

    def wipe(self) -> None:
        """End the line that updates itself."""
        if self._live:
            sys.stderr.write("\r\x1b[K")


def _free_log(target: Path) -> Path:
    """Return where the transcript goes: beside the file, and never over one of an earlier try."""
    names = (f"{target.name}.log", *(f"{target.name}.{number}.log" for number in range(2, 1000)))
    return next(path for name in names if not (path := target.with_name(name)).exists())


def _confirmed(wipe: Callable[[], None]) -> bool:
    """Ask the person now; keys pressed while the probe worked, and Enter alone, answer nothing."""
    if not sys.stdin.isatty():
        return False
    wipe()
    _say("The generator is switched on last, once, at its lowest level, into a thru.")
    _say("! Never key a transmitter while analyzer, generator or pads are connected: lock it out first.")
    _say("! Join the generator lead to the analyzer lead, with their pads; nothing else may be connected.")
    while True:
        forget_typed_ahead(sys.stdin)
        sys.stderr.write("Transmitters locked out, leads joined, and may it be switched on? Type yes or no: ")
        sys.stderr.flush()
        typed = sys.stdin.readline()
        if (answer := typed.strip().casefold()) in ("yes", "no") or not typed:
            return answer == "yes"
        _say("'yes' switches it on; 'no' leaves it off, and the bench file says that it is not proven.")


def _give(target: Path | None, text: str) -> None:
    if target is None:
        sys.stdout.write(text)
        return
    try:
        with target.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as exc:
        msg = f"{target} cannot be written: {exc.strerror}"
        raise UsageError(msg) from exc
    _say(f"wrote {target}")


def _say(text: str) -> None:
    columns = bounded_width(shutil.get_terminal_size((80, 24)).columns)
    sys.stderr.write("".join(f"{line}\n" for line in fold(text, columns)))
