"""Every exception Notchbook raises on purpose, and the exit status each branch ends in.

::

    NotchbookError                       70  a fault of ours (also the root, so one except catches all)
    |-- AskedWrongError                   2  the recipe, a file or the call is wrong
    |   |-- UnitError                        a quantity whose text cannot be read
    |   |-- RecipeError                      a recipe or bench file, with file, line and key
    |   |-- UsageError                       the command line asks for something impossible
    |   `-- StoredDataError                  a run folder or one of its files cannot be read
    |-- BenchError                        3  the bench let us down: the run is kept
    |   |-- LinkError                        the bus: refused, dropped, closed
    |   |   `-- LinkTimeoutError             no answer in time
    |   |-- InstrumentError                  the instrument answered with an error, or nonsense
    |   |-- HookupError                      what is connected is not what was asked for
    |   |-- StoreError                       a sweep or journal line could not be written
    |   `-- GaveUpError                      the operator declined, or nobody is there to ask
    |-- MeasurementError                  3  sweeps that do not fit together, a thru that cannot be used
    |   `-- GridMismatchError                two traces on different frequency grids
    `-- InterruptedRunError             130  Ctrl-C or SIGTERM (143); the run is kept

A statement of conformity is a value, never an exception. Exit status 1 ("no") is not in this tree:
it is set in exactly one place, ``sequencer.cli.main``.
"""

from __future__ import annotations

from typing import ClassVar

__all__ = [
    "AskedWrongError",
    "BenchError",
    "GaveUpError",
    "GridMismatchError",
    "HookupError",
    "InstrumentError",
    "InterruptedRunError",
    "LinkError",
    "LinkTimeoutError",
    "MeasurementError",
    "NotchbookError",
    "RecipeError",
    "StoreError",
    "StoredDataError",
    "UnitError",
    "UsageError",
]


class NotchbookError(Exception):
    """Root of all. The message is for people; the same facts travel as data in ``facts``."""

    exit_code: ClassVar[int] = 70

    def __init__(self, message: str, /, **facts: object) -> None:
        super().__init__(message)
        self.message = message
        self.facts = facts

    def __reduce__(self) -> tuple[object, ...]:
        """Survive pickling with the facts."""
        return (_rebuild, (type(self), self.message, self.facts))


def _rebuild(kind: type[NotchbookError], message: str, facts: dict[str, object]) -> NotchbookError:
    return kind(message, **facts)


class AskedWrongError(NotchbookError):
    """The recipe, a file or the call is wrong: nothing was touched."""

    exit_code = 2


class UnitError(AskedWrongError):
    """A quantity's text cannot be read in the unit that is expected there."""


class RecipeError(AskedWrongError):
    """A recipe or bench file is wrong; ``facts`` has file, line, key where known."""


class UsageError(AskedWrongError):
    """The command line asks for something that cannot be done."""


class StoredDataError(AskedWrongError):
    """A run folder, or a file in it, is missing, damaged or of another version."""


class BenchError(NotchbookError):
    """The bench let us down; what was taken is kept."""

    exit_code = 3


class LinkError(BenchError):
    """The bus failed: refused, dropped, closed, no such host."""


class LinkTimeoutError(LinkError):
    """No answer within the time allowed."""


class InstrumentError(BenchError):
    """The instrument reported an error, or answered what cannot be understood."""


class HookupError(BenchError):
    """What is connected does not look like what was asked for."""


class StoreError(BenchError):
    """A sweep or a journal line could not be written (full disk, read-only, share gone)."""


class GaveUpError(BenchError):
    """The operator declined to go on, or nobody is there to ask."""


class MeasurementError(NotchbookError):
    """Sweeps do not fit together, or the thru cannot be used."""

    exit_code = 3


class GridMismatchError(MeasurementError):
    """Two traces stand on different frequency grids, or one grid is not a grid."""


class InterruptedRunError(NotchbookError):
    """Ctrl-C (130) or SIGTERM (143): the generator is off and the run is kept."""

    exit_code = 130


class SignalStop(KeyboardInterrupt):
    """SIGTERM, SIGHUP or SIGQUIT. As with Ctrl-C, nothing that waits for a bench's trouble may take it for that."""

    def __init__(self, number: int, name: str) -> None:
        super().__init__(f"stopped by {name}")
        self.name, self.status = name, 128 + number
