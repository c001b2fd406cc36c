"""`archive list | show | schema | verify | sign | export | import | key`: arguments in, 'yes', 'no' or None out."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.errors import AskedWrongError, StoreError, UsageError

if TYPE_CHECKING:
    from sequencer.archive.index import Filter, Found, Row
    from sequencer.archive.integrity import Verdict

__all__ = ["add_archive_parser", "archive", "read_passphrase"]

WIDTH = 100
PASSPHRASE = "NOTCHBOOK_PASSPHRASE"
_STATEMENTS = ("pass", "conditional pass", "conditional fail", "fail", "undecided")
_OUT = "where runs live (else NOTCHBOOK_ARCHIVE, else ./runs)"


def add_archive_parser(commands: Any) -> None:
    """Add the command and its parts to the command line's sub-parsers."""
    archive = commands.add_parser("archive", help="look runs up, verify, sign, send and receive them")
    whats = archive.add_subparsers(dest="what", metavar="WHAT", required=True)

    find = whats.add_parser("list", help="list runs, newest first")
    find.add_argument("--serial", default="", metavar="S", help="of this device")
    find.add_argument("--recipe", default="", metavar="NAME", help="of this recipe")
    find.add_argument("--since", default="", metavar="DATE", help="begun on or after this day (UTC), e.g. 2026-11-25")
    find.add_argument("--until", default="", metavar="DATE", help="begun on or before this day (UTC)")
    find.add_argument("--statement", default="", choices=_STATEMENTS, metavar="S", help="pass, fail, undecided ...")
    find.add_argument(
        "--bench", default="", metavar="B", help="part of the analyzer's identification, or the bench's number"
    )
    kind = find.add_mutually_exclusive_group()
    kind.add_argument("--simulated", action="store_true", help="only simulated runs")
    kind.add_argument("--measured", action="store_true", help="only measured runs")
    find.add_argument("--most", type=int, default=50, metavar="N", help="at most so many (default 50; 0: all)")
    find.add_argument("--rebuild", action="store_true", help="forget the index and read every folder again")
    find.add_argument("--json", action="store_true", help="print JSON on standard output")
    find.add_argument("--out", metavar="DIR", help=_OUT)

    show = whats.add_parser("show", help="show what a run's record says")
    show.add_argument("run", metavar="RUN", help="run folder, or the start of a run's id")
    form = show.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print the record on standard output")
    form.add_argument("--csv", action="store_true", help="print its results as CSV, one row a result")
    show.add_argument("--out", metavar="DIR", help=_OUT)

    schema = whats.add_parser("schema", help="print the JSON Schema of a record (result.json, show --json)")
    schema.add_argument("--csv", action="store_true", help="what stands in the CSV files (W3C csvw metadata) instead")

    verify = whats.add_parser("verify", help="say whether the archive, a run or a report is as it was filed")
    verify.add_argument(
        "item", nargs="?", metavar="RUN|REPORT", help="run, or report FILE; without it the whole archive"
    )
    verify.add_argument(
        "--key",
        action="append",
        default=[],
        metavar="FILE",
        help="public key that must have signed the report, every report of the archive; given twice, both must have",
    )
    verify.add_argument("--out", metavar="DIR", help=_OUT)

    sign = whats.add_parser("sign", help="sign a report, as its tester or, last, as the one who authorises it")
    sign.add_argument("item", metavar="RUN|REPORT", help="run, or report FILE")
    sign.add_argument("--key", required=True, metavar="FILE", help="private key")
    sign.add_argument("--as", dest="role", required=True, choices=("tester", "authoriser"), help="who signs")
    sign.add_argument("--out", metavar="DIR", help=_OUT)

    export = whats.add_parser("export", help="write runs into one zip")
    export.add_argument("run", nargs="+", metavar="RUN", help="run folder, or the start of a run's id")
    export.add_argument("--write", required=True, metavar="FILE", help="the zip, a new file")
    export.add_argument("--out", metavar="DIR", help=_OUT)

    take = whats.add_parser("import", help="take the runs of a zip in, verified")
    take.add_argument("zip", metavar="FILE", help="zip that 'archive export' wrote")
    take.add_argument("--out", metavar="DIR", help=_OUT)

    key = whats.add_parser("key", help="make or show a key to sign with")
    keys = key.add_subparsers(dest="action", metavar="ACTION", required=True)
    new = keys.add_parser("new", help=f"make FILE and FILE.pub; asks for a passphrase (or takes {PASSPHRASE})")
    new.add_argument("file", metavar="FILE")
    shown = keys.add_parser("show", help="print a public key and its fingerprint")
    shown.add_argument("file", metavar="FILE")


def archive(asked: argparse.Namespace) -> str | None:
    """Run the part that was asked for."""
    parts = {
        "list": _list,
        "show": _show,
        "schema": _schema,
        "verify": _verify,
        "sign": _sign,
        "export": _export,
        "import": _import,
        "key": _key,
    }
    try:
        return parts[asked.what](asked)
    except StoreError as exc:
        exc.facts.pop("folder", None)  # no run was being taken: there is no word to say of what is kept
        raise


def read_passphrase(what: str, *, twice: bool = False) -> str:
    """Ask for a passphrase on the terminal, or take it from the environment.

    Raises
    ------
    UsageError
        When neither is there, or the two entries differ.
    """
    given = os.environ.get(PASSPHRASE)
    if given is not None:
        return given
    if not sys.stdin.isatty():
        msg = f"{what} needs its passphrase: run this on a terminal, or set {PASSPHRASE}"
        raise UsageError(msg)
    import getpass

    first = getpass.getpass(f"Passphrase of {what}: ")
    if twice and getpass.getpass("The same again: ") != first:
        msg = "the two passphrases differ; nothing was written"
        raise UsageError(msg)
    return first


def _root(asked: argparse.Namespace) -> Path:
    from sequencer.wiring import runs_root

    return runs_root(asked.out)


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")


def _out(text: str) -> None:
    sys.stdout.write(text if text.endswith("\n") else text + "\n")


# -- list and show


def _list(asked: argparse.Namespace) -> None:
    from sequencer.archive.index import look_up, rebuild

    if asked.most < 0:
        msg = f"--most {asked.most}: give a number of runs, 0 for all"
        raise UsageError(msg)
    root = _root(asked)
    wanted = _filter(asked)
    if not root.is_dir():
        msg = f"{root}: there is no archive here; check --out or NOTCHBOOK_ARCHIVE"
        raise UsageError(msg, root=str(root))
    if asked.rebuild:
        rebuild(root)
    found = look_up(root, wanted, asked.most or None)
    for note in found.notes:
        _say(f"note: {note}")
    if asked.json:
        import dataclasses
        import json

        rows = [{k: v for k, v in dataclasses.asdict(row).items() if k != "stamp"} for row in found.rows]
        _out(json.dumps({"total": found.total, "runs": rows}, indent=1, ensure_ascii=False))
        return
    _out("\n".join(_list_lines(found)))


def _filter(asked: argparse.Namespace) -> Filter:
    from sequencer.archive.index import Filter

    since, until = _day(asked.since, "--since"), _day(asked.until, "--until")
    return Filter(
        serial=asked.serial,
        recipe=asked.recipe,
        since=since.isoformat() if since else "",
        until=(until + timedelta(days=1)).isoformat() if until else "",
        statement=asked.statement,
        bench=asked.bench,
        simulated=True if asked.simulated else False if asked.measured else None,
    )


def _day(text: str, option: str) -> date | None:
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError as exc:
        msg = f"{option} {text!r}: write a day as year-month-day, such as 2026-11-25"
        raise UsageError(msg) from exc
    if day == date.max:
        msg = f"{option} {text!r}: too late a day"
        raise UsageError(msg)
    return day


def _list_lines(found: Found) -> list[str]:
    if not found.rows:
        return ["no run matches"]
    cells = [_cells(row) for row in found.rows]
    heads = ("run", "serial", "statement", "bench", "no.", "")
    widths = [max(len(row[k]) for row in [heads, *cells]) for k in range(len(heads))]
    widths[1] = min(widths[1], 16)
    widths[0] = min(widths[0], WIDTH - sum(widths[1:]) - 2 * (len(heads) - 1))
    lines = [_line(heads, widths), _line(["-" * size for size in widths], widths)]
    lines += [_line(row, widths) for row in cells]
    more = found.total - len(found.rows)
    return [*lines, f"{more} more; narrow the search or give --most"] if more else lines


def _cells(row: Row) -> tuple[str, ...]:
    from sequencer.cli.words import printable

    statement = row.statement if row.state == "complete" else row.state
    mark = "SIMULATED" if row.simulated else ""
    number = str(row.number) if row.number else ""
    return (printable(row.run_id), printable(row.serial), statement, row.chain[:8], number, mark)


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    cut = (cell if len(cell) <= size else cell[: size - 1] + "…" for cell, size in zip(cells, widths, strict=True))
    return "  ".join(f"{cell:<{size}}" for cell, size in zip(cut, widths, strict=True)).rstrip()


def _show(asked: argparse.Namespace) -> None:
    from sequencer.archive.reading import find_run, open_run
    from sequencer.cli.summary import summary
    from sequencer.formats.record import dump_record

    folder = find_run(_root(asked), asked.run)
    stored = open_run(folder)
    if stored.record is None:
        msg = (
            f"{folder}: this run is unfinished and has no record yet; {len(stored.history)} entries are in its journal"
        )
        raise UsageError(msg, run=asked.run)
    if asked.json:
        _out(dump_record(stored.record))
        return
    if asked.csv:
        from reports.csv import results_csv

        _out(results_csv(stored.record).replace("\r\n", "\n"))  # a terminal's text: lines end as the system's do
        return
    record = stored.record
    lines = [summary(record, str(folder))]
    if record.chain:
        lines.append(
            f"Number {record.chain_number} of bench {record.chain[:8]}; before it: {record.previous or 'none'}"
        )
    if record.parent:
        lines.append(f"Judged again from: {record.parent}")
    _out("\n".join(lines))


def _schema(asked: argparse.Namespace) -> None:
    import json

    if asked.csv:
        from reports.csv import csv_schema

        _out(json.dumps(csv_schema(), indent=2))
        return
    from sequencer.formats.record import record_schema

    _out(json.dumps(record_schema(), indent=2))


# -- verify and sign


def _verify(asked: argparse.Namespace) -> str:
    from sequencer.archive.integrity import verify_archive, verify_one, verify_report
    from sequencer.archive.signing import load_public

    keys = list({key.key: key for key in (load_public(Path(file)) for file in asked.key)}.values())
    if len(keys) > 2:
        msg = (
            f"{len(keys)} keys: a report has room for two signatures, its tester's and its authoriser's; give those two"
        )
        raise UsageError(msg)
    root = _root(asked)
    if asked.item is None:
        return _tell(verify_archive(root, keys, _progress if sys.stderr.isatty() else None))
    kind, path = _item(asked.item, root)
    if kind == "run":
        return _tell(verify_one(path, keys))
    holder = path.absolute().parent
    filed = (holder / "manifest.json").is_file()
    return _tell(verify_report(path, keys, holder.parent if filed and not asked.out else root))


def _item(text: str, root: Path) -> tuple[str, Path]:
    """Return ('run', its folder) or ('report', the file)."""
    from sequencer.archive.filed import is_there
    from sequencer.archive.reading import find_run

    path = Path(text)
    if path.is_file() and path.suffix.lower() == ".zip":
        msg = f"{path}: an exported run is verified on its way in: notchbook archive import {path}"
        raise UsageError(msg)
    if path.is_file():
        return "report", path
    for folder in (path, root / text) if text.strip() and text not in (".", "..") else (path,):
        if is_there(folder):
            return "run", folder
    if path.suffix.lower() in (".html", ".htm"):
        msg = f"{path}: there is no such report"
        raise UsageError(msg, file=text)
    try:
        return "run", find_run(root, text)
    except AskedWrongError:
        gone = _gone(path, path.parent if path.name != text else root)
        if gone is None:
            raise
        return "run", gone


def _gone(path: Path, root: Path) -> Path | None:
    """Return the folder of the one run that was filed under this name and is there no more: to be said by verify."""
    from sequencer.archive.filed import filed_runs, is_there

    gone = [run_id for run_id in filed_runs(root) if not is_there(root / run_id) and run_id.startswith(path.name)]
    meant = [run_id for run_id in gone if run_id == path.name] or gone
    return root / meant[0] if path.name and len(meant) == 1 else None


def _progress(done: int, whole: int) -> None:
    sys.stderr.write(f"\r{done} of {whole} runs" + ("\n" if done == whole else ""))


def _tell(verdict: Verdict) -> str:
    from sequencer.cli.words import fold

    lines: list[str] = []
    for text in verdict.lines:
        lines += fold(text, WIDTH)
    for finding in verdict.findings:
        lines += fold(f"{finding.where}: {finding.text}", WIDTH, "WRONG: " if finding.grave else "note: ", "  ")
    lines += fold(
        f"{verdict.what} verifies: everything is as it was filed."
        if verdict.holds
        else f"{verdict.what} DOES NOT VERIFY.",
        WIDTH,
    )
    _out("\n".join(lines))
    return "yes" if verdict.holds else "no"


def _sign(asked: argparse.Namespace) -> None:
    from sequencer.archive import names
    from sequencer.archive.disk import Disk, storing, write_whole
    from sequencer.archive.integrity import verify_one
    from sequencer.archive.signing import fingerprint, load_signing_key, sign_report
    from sequencer.errors import StoredDataError
    from sequencer.formats.seal import Role

    kind, path = _item(asked.item, _root(asked))
    if kind == "run":
        wrong = [finding.text for finding in verify_one(path).findings if finding.grave and finding.number == 0]
        if wrong:
            msg = f"{path}: not signed, it does not verify: {'; '.join(wrong)}"
            raise StoredDataError(msg, run=str(path))
        path = path / names.REPORT
    try:
        data = path.read_bytes()
    except OSError as exc:
        msg = f"{path}: cannot be read ({exc.strerror}); an unfinished run has no report yet"
        raise StoredDataError(msg, file=str(path)) from exc
    key = load_signing_key(Path(asked.key), read_passphrase(asked.key))
    signed = sign_report(data, Role(asked.role), key)
    with storing("the signed report", path.absolute().parent):
        write_whole(Disk(), path, signed)
    _say(f"{path}: signed as {asked.role} with key {fingerprint(key.public.key)}")


# -- export, import, keys


def _export(asked: argparse.Namespace) -> None:
    from sequencer.archive.reading import find_run
    from sequencer.archive.transfer import export_runs

    root = _root(asked)
    folders = [find_run(root, run) for run in asked.run]
    export_runs(folders, Path(asked.write))
    _say(f"wrote {asked.write}: {len(folders)} run{'s' * (len(folders) > 1)}")


def _import(asked: argparse.Namespace) -> None:
    from sequencer.archive.transfer import import_runs

    root = _root(asked)
    for one in import_runs(Path(asked.zip), root):
        _say(f"{one.run_id}: {'imported into' if one.new else 'was already in'} {root}")


def _key(asked: argparse.Namespace) -> None:
    from sequencer.archive.signing import fingerprint, load_public, new_key

    path = Path(asked.file)
    if asked.action == "new":
        public = new_key(path, read_passphrase(asked.file, twice=True))
        _say(f"wrote {path} (keep it, and its passphrase, to yourself) and {path}.pub (give it to whoever verifies)")
    else:
        public = load_public(path)
    _out(f"name         {public.name}\npublic key   {public.key}\nfingerprint  {fingerprint(public.key)}")
