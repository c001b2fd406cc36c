"""Hookups brought about by an RF switch matrix over a link."""

from __future__ import annotations

from instruments import channels, errorqueue
from instruments.link import Link
from sequencer.core.hookup import BY_HAND, Hookup
from sequencer.errors import HookupError, LinkTimeoutError
from sequencer.ports import Clock
from sequencer.recipe.model import SwitchFile

__all__ = ["MatrixSwitch"]


class MatrixSwitch:
    """Implements `sequencer.ports.Switch`: one SCPI command a hookup, as the bench file gives it.

    What it reads back proves that the relays were told, not that they moved: every hookup still has to prove itself
    by its first sweep.

    Parameters
    ----------
    hand : command of the simulated bench that moves its leads past the relays, with '{name}'; '' for a real switch.
    """

    def __init__(self, link: Link, spec: SwitchFile, clock: Clock, by: str = "switch", hand: str = "") -> None:
        self._link = link
        self._spec = spec
        self._clock = clock
        self._by = by
        self._hand = hand
        self._identification = link.query("*IDN?")
        link.write("*CLS")  # what others left in the error queue is not ours

    def identification(self) -> str:
        """Return the answer to *IDN?; asked anew where the link was lost: another instrument may answer now."""
        if self._link.dead:
            self._link.reopen()
            self._identification = self._link.query("*IDN?")
        return self._identification

    def connect(self, hookup: Hookup) -> str:
        """Bring the hookup about, let it settle and read it back; return who did.

        Raises
        ------
        HookupError
            When the bench file has no command for it, or the switch says that something else is closed.
        InstrumentError, LinkError
            When the switch reports an error or cannot be reached.
        """
        command = self._command(hookup)
        self.identification()  # and a link that was lost is open again
        self._link.write(command)
        self._clock.sleep(self._spec.settling_s)
        self._refuse_errors(f"connecting the hookup {hookup.name!r} with {command!r}")
        if self._spec.read_back and not hookup.by_hand:
            ask = channels.query(self._spec.read_back, command)
            wrong = channels.unlike(self._spec.read_back, command, self._link.query(ask))
            if wrong:
                msg = f"{self._link.resource}: after {command!r} for the hookup {hookup.name!r}, {ask!r}: {wrong}"
                raise HookupError(msg, hookup=hookup.name, sent=ask)
        return self._by

    def close(self) -> None:
        """Let go of the bus. Never raises."""
        self._link.close()

    def _refuse_errors(self, doing: str) -> None:
        ask = self._spec.errors
        try:
            errorqueue.refuse_errors(self._link, ask, doing)
        except LinkTimeoutError as exc:
            msg = f"{exc.message}. If this switch has no error queue, write 'errors: none' under 'switch:'"
            raise LinkTimeoutError(msg, **exc.facts) from exc

    def _command(self, hookup: Hookup) -> str:
        if hookup.by_hand:
            if not self._hand:
                msg = f"the hookup {hookup.name!r} is to be made by hand, past the switch"
                raise HookupError(msg, hookup=hookup.name)
            return self._hand.replace("{name}", hookup.name.removesuffix(BY_HAND))
        command = self._spec.hookups.get(hookup.name)
        if command is None:
            has = ", ".join(self._spec.hookups) or "none"
            msg = f"the switch has no command for the hookup {hookup.name!r} (it has: {has}); add it to switch.hookups"
            raise HookupError(msg, hookup=hookup.name)
        return command
