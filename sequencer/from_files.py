"""The bystanders of a run whose sweeps are read from files: opened before anything is begun."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.core.history import Entry
from sequencer.errors import GaveUpError, UsageError
from sequencer.ports import Clock, Progress, Question, ReportWriter, RunStore
from sequencer.recipe.model import Bench, Recipe
from sequencer.saved_run import open_saved

if TYPE_CHECKING:
    from instruments.saved.source import SavedSource
    from sequencer.run.engine import Bystanders

__all__ = ["FromFiles"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FromFiles:
    """The source, the person, and what the journal must know to open it again."""

    source: SavedSource
    person: Any
    folder: str
    declared: Mapping[str, str]

    @classmethod
    def open(
        cls,
        recipe: Recipe,
        bench: Bench,
        folder: str,
        declared: Mapping[str, str],
        people: Any,
        tell: Callable[[str], None],
        *,
        at: datetime | None = None,
    ) -> FromFiles:
        """Read everything and ask what no file tells.

        Raises
        ------
        UsageError
            When something is missing, or nobody is there to ask.
        StoredDataError
            When a file cannot be read.
        """
        path = Path(folder)
        person: Any = None

        def ask(question: Question) -> tuple[str, str]:
            nonlocal person
            person = person or people(bench, False, _NoHands())
            try:
                return (str(person.ask(question)[0]), "")
            except GaveUpError as exc:
                raise UsageError(exc.message) from exc

        source, told, remarks = open_saved(recipe, bench, path, declared, ask, at or datetime.now(UTC))
        for remark in remarks:
            tell(f"traces: {remark}")
        return cls(
            source=source,
            person=people(bench, False, source),
            folder=str(path.resolve()),
            declared=told,
        )

    def bystanders(self, store: RunStore, clock: Clock, write_report: ReportWriter) -> Bystanders:
        """Return what the engine needs: the source stands for analyzer and switch."""
        from sequencer.run.engine import Bystanders

        return Bystanders(
            analyzer=self.source,
            switch=self.source,
            operator=self.person,
            store=store,
            clock=clock,
            listener=_Quiet(self.person),
            write_report=write_report,
            saved=self.source,
        )


@dataclass(frozen=True, slots=True)
class _Quiet:
    """Tells what happened, and not how far it is: reading files takes a second."""

    person: Any

    def heard(self, entry: Entry) -> None:
        """Pass it on."""
        self.person.heard(entry)

    def progress(self, progress: Progress) -> None:
        """Say nothing of ``progress``."""


class _NoHands:
    """Nobody moves a cable."""

    def connect(self, hookup: object) -> str:
        """Return who did, which nobody asks."""
        return str(hookup)

    def close(self) -> None:
        """Nothing is open."""
