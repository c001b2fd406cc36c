"""Saved traces as the instrument of a run: what the files hold, behind the ports that a bench has."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.core.capability import Capabilities
from sequencer.core.history import SavedTrace
from sequencer.core.hookup import Hookup
from sequencer.core.trace import Sweep, SweepSettings
from sequencer.errors import InstrumentError

__all__ = ["SavedSource"]

_WHO = "no instrument was asked: traces read from files"
_SIMULATED = "; a file says that it comes from a simulated bench"


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedSource:
    """Implements Analyzer, Switch and SavedTraces of `sequencer.ports`; nothing is connected, so nothing can fail."""

    traces: tuple[SavedTrace, ...]
    sweeps: Mapping[str, Sweep]
    limits: Capabilities
    simulated: bool

    def identification(self) -> Mapping[str, str]:
        """Return what stands for the analyzer."""
        return {"analyzer": _WHO + (_SIMULATED if self.simulated else "")}

    def capabilities(self) -> Capabilities:
        """Return limits wide enough for any file."""
        return self.limits

    def switched_on(self) -> bool:
        """Return False: files do not go off."""
        return False

    def begin_anew(self) -> None:
        """Do nothing: the files are as they were."""

    def sweep(self, asked: SweepSettings) -> Sweep:
        """Refuse: a file cannot be asked for settings."""
        msg = f"no sweep can be taken from files (asked for {asked.start_hz:g} to {asked.stop_hz:g} Hz)"
        raise InstrumentError(msg)

    def read(self, source: str) -> Sweep:
        """Return the sweep of that source."""
        try:
            return self.sweeps[source]
        except KeyError:
            msg = f"{source!r} is none of the saved traces"
            raise InstrumentError(msg, source=source) from None

    def adjust_tracking(self, rbw_hz: float) -> None:
        """Do nothing: that was done, or not, when the traces were taken; ``rbw_hz`` is not used."""

    def make_safe(self) -> bool:
        """Return True: there is no generator."""
        return True

    def connect(self, hookup: Hookup) -> str:
        """Return who says that the hookup stood: the names of the files; ``hookup`` is not used."""
        del hookup
        return "its files' names"

    def close(self) -> None:
        """Nothing is open."""
