"""Judging again: another recipe on stored sweeps makes a new run folder that names its parent; the old one stays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer import __version__
from sequencer.core.history import Began, Entry, Finished, Judged, Swept, Warned
from sequencer.core.record import Record, Result
from sequencer.errors import NotchbookError, StoreError, UsageError
from sequencer.recipe.model import Recipe
from sequencer.units import show_hz

if TYPE_CHECKING:
    from sequencer.archive.reading import StoredRun

__all__ = ["judge_again"]

_UNREAD = (
    "the recipe of run {} could not be read: doubts that only its quantities would show are not raised here; "
    "see the warnings of that run's own report"
)
_NO_BASELINE = "judged again without a baseline, so 'max change' is not held against anything:"


def judge_again(root: Path, run: str, recipe: Recipe) -> tuple[Record, Path]:
    """Apply a recipe to a stored run and file the result as a run of its own.

    What the run said of its change since a baseline is said again; limits on the change are the recipe's.

    Raises
    ------
    UsageError
        When the run was never finished, or the recipe is for other ports or frequencies.
    StoredDataError
        When the run's files are damaged.
    StoreError
        When the new run cannot be written; then nothing of it stays.
    """
    from reports.html import render
    from sequencer.archive import names
    from sequencer.archive.disk import KEPT
    from sequencer.archive.reading import find_run, open_run
    from sequencer.archive.runfolder import RunFolder
    from sequencer.recipe.bench_loader import load_bench
    from sequencer.run.evaluate import evaluate
    from sequencer.run.recording import make_record
    from sequencer.studies.changes import carried

    stored = open_run(find_run(root, run))
    parent = stored.record
    if parent is None or not parent.complete:
        msg = f"{stored.folder}: this run was never finished; finish it before it is judged again"
        raise UsageError(msg, run=run)
    _check_fit(parent, recipe)
    bench = load_bench(stored.bench_text, str(stored.folder / "bench.yaml"))
    before, unread = _recipes_before(root, stored)
    done = evaluate(recipe, bench, stored.history, before=before)
    store = RunFolder.create_named(root, recipe, parent.serial, bench.text)
    history: list[Entry] = []
    try:
        for old in _entries(stored.history, done.results, store.folder.name, parent.run_id, recipe):
            entry = old
            if isinstance(entry, Swept):
                file, sha256 = store.store_sweep(entry.hookup, entry.key, entry.role.value, entry.sweep)
                entry = replace(entry, file=file, sha256=sha256)
            store.append(entry)
            history.append(entry)
        made = make_record(recipe, bench, history, done, wall_seconds=parent.wall_seconds)
        limited = [need.id for need in recipe.requirements if need.max_change is not None and parent.change is None]
        told = (f"{_NO_BASELINE} {', '.join(limited)}",) if limited else ()
        named = replace(made, parent=parent.run_id, judged=datetime.now(UTC), warnings=(*made.warnings, *told, *unread))
        record = carried(named, parent)
        record = store.finish(record, render(record, done.curves))
    except BaseException as exc:
        if not (store.folder / names.MANIFEST).exists():  # with it the run is filed, and stays
            _remove(store.folder)  # nothing was measured here: half a copy would only be in the way
            if isinstance(exc, StoreError):
                left = f"Nothing of the new run stays; {parent.run_id} is as it was, judge it again then"
                raise StoreError(exc.message.replace(str(store.folder), str(root)).replace(KEPT, left)) from exc
        raise
    return record, store.folder


def _recipes_before(root: Path, stored: StoredRun) -> tuple[list[Recipe], tuple[str, ...]]:
    """Return the recipes that these sweeps were taken and judged for, latest first, and a warning of one not read."""
    from sequencer.archive.reading import find_run, open_run
    from sequencer.recipe.loader import load_recipe

    found: list[Recipe] = []
    name = stored.folder.name
    try:
        while True:
            found.append(load_recipe(stored.recipe_text, str(stored.folder / "recipe.yaml")))
            if stored.record is None or stored.record.parent is None:
                return found, ()
            name = stored.record.parent
            stored = open_run(find_run(root, name))
    except NotchbookError:  # deleted, damaged, or a recipe of another version: the sweeps themselves are all here
        return found, (_UNREAD.format(name),)


def _check_fit(parent: Record, recipe: Recipe) -> None:
    missing = [port for port in recipe.ports if port not in parent.ports]
    if missing:
        msg = (
            f"recipe {recipe.name} is for the ports {', '.join(recipe.ports)}; "
            f"run {parent.run_id} was made on {', '.join(parent.ports)}"
        )
        raise UsageError(msg)
    moved = [name for name, hz in recipe.frequencies.items() if hz not in parent.frequencies.values()]
    if moved:
        asked = ", ".join(f"{name} {show_hz(recipe.frequencies[name])}" for name in moved)
        known = ", ".join(f"{name} {show_hz(hz)}" for name, hz in parent.frequencies.items())
        msg = f"recipe {recipe.name} asks for {asked}; run {parent.run_id} was swept for {known}"
        raise UsageError(msg)


def _entries(
    history: Sequence[Entry], results: Sequence[Result], run_id: str, parent: str, recipe: Recipe
) -> list[Entry]:
    """Return the journal of the new run: the old one, its beginning renamed, with the new statements."""
    from sequencer.run.recording import result_text

    why = f"judged again from the sweeps of {parent} by recipe {recipe.name}; nothing was measured anew"
    made: list[Entry] = []
    end = next((k for k, e in enumerate(history) if isinstance(e, Judged)), len(history) - 1)
    for number, entry in enumerate(history):
        if number == end:
            made += [
                Judged(
                    at=entry.at,
                    why=f"by recipe {recipe.name}",
                    result_id=result.id,
                    statement=result.statement.value,
                    text=result_text(result),
                )
                for result in results
            ]
        if isinstance(entry, Began):
            program = f"notchbook {__version__}"
            made.append(replace(entry, run_id=run_id, recipe_sha256=recipe.sha256, program=program, why=why))
            if number == 0:
                made.append(Warned(at=entry.at, why=f"{why[0].upper()}{why[1:]}."))
        elif isinstance(entry, Finished):
            made.append(replace(entry, why="every stored sweep was judged by the other recipe"))
        elif not isinstance(entry, Judged):
            made.append(entry)
    return made


def _remove(folder: Path) -> None:
    import shutil

    shutil.rmtree(folder, ignore_errors=True)
