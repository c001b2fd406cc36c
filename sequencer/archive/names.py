"""Names in an archive: the files of a run folder, and run ids that are safe as folder names anywhere."""

from __future__ import annotations

import re
import unicodedata
from datetime import UTC, datetime

from sequencer.errors import UsageError

__all__ = [
    "BENCH",
    "BUS_LOG",
    "CACHE",
    "CHAINS",
    "FILED",
    "IMPORTS",
    "INDEX",
    "JOURNAL",
    "MANIFEST",
    "RECIPE",
    "REPORT",
    "RESULT",
    "TRACES",
    "check_run_id",
    "is_own",
    "make_run_id",
]

JOURNAL = "journal.jsonl"
RESULT = "result.json"
REPORT = "report.html"
RECIPE = "recipe.yaml"
BENCH = "bench.yaml"
BUS_LOG = "bus.log"
MANIFEST = "manifest.json"
TRACES = "traces"

CACHE = ".notchbook"  # beside the run folders: what can be made again from them
INDEX = "index.sqlite"
CHAINS = "chains"
IMPORTS = "imports.jsonl"
FILED = "filed.jsonl"

_OWN = re.compile(rf"{TRACES}/\d{{3,}}\.csv")
_RUN_ID = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,118}[A-Za-z0-9_-])?")
_MOST_PART = 40  # characters of the recipe's name and of the serial: the id stays a readable folder name


def is_own(name: str) -> bool:
    """Whether a file of a run folder is one that a run writes (others, a desktop's say, are never sealed)."""
    return name in (JOURNAL, RESULT, REPORT, RECIPE, BENCH, BUS_LOG) or _OWN.fullmatch(name) is not None


def make_run_id(began: datetime, recipe_name: str, serial: str) -> str:
    """Return a run id: UTC time, recipe, serial, in letters any file system takes.

    Examples
    --------
    >>> make_run_id(datetime(2026, 11, 25, 8, 15, 2, tzinfo=UTC), "vhf-600k-acceptance", "SN 12/3")
    '20261125-081502-vhf-600k-acceptance-SN-12-3'
    """
    parts = [began.astimezone(UTC).strftime("%Y%m%d-%H%M%S"), _plain(recipe_name), _plain(serial)]
    return "-".join(part for part in parts if part)


def _plain(text: str) -> str:
    letters = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    return re.sub(r"[^A-Za-z0-9_.]+|\.{2,}", "-", letters)[:_MOST_PART].strip("-._")


def check_run_id(run_id: str) -> str:
    """Return a run id that is safe as a folder name; UsageError otherwise."""
    if not _RUN_ID.fullmatch(run_id) or ".." in run_id:
        msg = (
            f"run id {run_id!r} cannot be a folder name: use up to 120 letters, digits, '.', '_' and '-', "
            "a letter or digit first"
        )
        raise UsageError(msg, run_id=run_id)
    return run_id
