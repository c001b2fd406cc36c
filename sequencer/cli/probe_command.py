"""`bench probe RESOURCE`: ask an instrument nobody has described how it is spoken to, and write a bench file."""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sequencer.errors import NotchbookError, UsageError

__all__ = ["add_probe", "probe"]


def add_probe(benches: Any) -> None:
    """Add the command to those of `bench`."""
    parser = benches.add_parser("probe", help="learn how an analyzer is spoken to, and write a bench file")
    parser.add_argument("resource", metavar="RESOURCE", help="VISA name, such as TCPIP::192.0.2.10::5025::SOCKET")
    parser.add_argument("--visa", default="@py", metavar="LIB", help="VISA library; '@py' if left out")
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
    from instruments.link import Link
    from instruments.probe import probe as learn
    from instruments.probing.writing import bench_text
    from sequencer.units import DBM, TIME, parse
    from sequencer.wiring import SystemClock

    maximum_dbm = parse(asked.maximum_level, DBM)
    patience_s, within_s = parse(asked.patience, TIME), parse(asked.within, TIME)
    if not 0.02 <= patience_s <= 10.0 or not 10.0 <= within_s <= 7200.0:
        msg = "--patience must be from 0.02 s to 10 s, --within from 10 s to 2 h"
        raise UsageError(msg)
    target = Path(asked.write) if asked.write else None
    log_path = target.with_name(target.name + ".log") if target else None
    for path in filter(None, (target, log_path)):
        if path.exists():
            msg = f"{path} exists already; choose another name"
            raise UsageError(msg)
    if target is not None and not target.parent.is_dir():
        msg = f"{target}: there is no folder {target.parent}"
        raise UsageError(msg)
    said: list[str] = []

    def note(way: str, data: bytes) -> None:
        shown = data.decode("latin-1").encode("unicode_escape").decode("ascii")
        said.append(f"{datetime.now(UTC).isoformat(timespec='milliseconds')}\t{way}\t{len(data)}\t{shown}\n")

    link = Link.open(asked.resource, asked.visa, note)
    try:
        done = learn(
            link,
            SystemClock(),
            maximum_dbm=maximum_dbm,
            confirm=lambda: asked.thru_in_place or _confirmed(),
            say=lambda what: _say(f"asking: {what}"),
            patience_s=patience_s,
            within_s=within_s,
        )
    except NotchbookError as exc:
        if text := exc.facts.get("text"):
            _give(target, bench_text(asked.resource, asked.visa, str(text)))
        raise
    finally:
        link.close()
        if log_path is not None:
            log_path.write_text("".join(said), encoding="utf-8")
    for remark in done.notes:
        _say(f"note: {remark}")
    _give(target, bench_text(asked.resource, asked.visa, done.text))


def _confirmed() -> bool:
    if not sys.stdin.isatty():
        return False
    _say("The generator is switched on last, once, at its lowest level, into a thru.")
    _say("! Never key a transmitter while analyzer, generator or pads are connected: lock it out first.")
    _say("! Join the generator lead to the analyzer lead, with their pads; nothing else may be connected.")
    sys.stderr.write("Transmitters locked out, leads joined, and may it be switched on? Type yes or no: ")
    sys.stderr.flush()
    return sys.stdin.readline().strip().lower() == "yes"


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
    _say(f"wrote {target} and {target.name}.log")


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")
