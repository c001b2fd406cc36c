"""Hookups brought about by an RF switch matrix over a link."""

from __future__ import annotations

from instruments import errorqueue
from instruments.link import Link, Transcript
from sequencer.core.hookup import Hookup
from sequencer.errors import HookupError
from sequencer.ports import Clock
from sequencer.recipe.model import SwitchFile

__all__ = ["MatrixSwitch", "open_switch"]

_ERRORS = "SYST:ERR?"


def open_switch(
    spec: SwitchFile, clock: Clock, transcript: Transcript | None = None, by: str = "switch"
) -> MatrixSwitch:
    """Open the switch of a bench file; ``by`` is what the record says made the hookups.

    Raises
    ------
    LinkError, InstrumentError
        When it cannot be reached, or does not answer.
    """
    link = Link.open(spec.resource, spec.visa, transcript)
    try:
        return MatrixSwitch(link, spec, clock, by)
    except BaseException:
        link.close()
        raise


class MatrixSwitch:
    """Implements `sequencer.ports.Switch`: one SCPI command a hookup, as the bench file gives it."""

    def __init__(self, link: Link, spec: SwitchFile, clock: Clock, by: str = "switch") -> None:
        self._link = link
        self._spec = spec
        self._clock = clock
        self._by = by
        self._identification = link.query("*IDN?")
        link.write("*CLS")  # what others left in the error queue is not ours

    def identification(self) -> str:
        """Return the answer to *IDN?."""
        return self._identification

    def connect(self, hookup: Hookup) -> str:
        """Bring the hookup about and let it settle; return who did.

        Raises
        ------
        HookupError
            When the bench file has no command for it.
        InstrumentError, LinkError
            When the switch reports an error or cannot be reached.
        """
        command = self._spec.hookups.get(hookup.name)
        if command is None:
            has = ", ".join(self._spec.hookups) or "none"
            msg = f"the switch has no command for the hookup {hookup.name!r} (it has: {has}); add it to switch.hookups"
            raise HookupError(msg, hookup=hookup.name)
        if self._link.dead:
            self._link.reopen()
        self._link.write(command)
        self._clock.sleep(self._spec.settling_s)
        errorqueue.refuse_errors(self._link, _ERRORS, f"connecting the hookup {hookup.name!r} with {command!r}")
        return self._by

    def close(self) -> None:
        """Let go of the bus. Never raises."""
        self._link.close()
