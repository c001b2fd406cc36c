"""Hands at a stand-alone simulated bench: who serves it types a hookup's name, and the leads are moved."""

from __future__ import annotations

import asyncio
import sys
import textwrap
import threading

from instruments.simulated.bench import OPEN_LEADS, Bench
from sequencer.recipe.problems import did_you_mean

__all__ = ["Console", "data_sheet"]


def data_sheet(bench_file: str, *, unknown: bool) -> str:
    """Return what a person is told of this bench: no switch, for hands move its leads; ``unknown``: no dialect."""
    sheet, _, after = bench_file.partition("switch:\n")
    kit = after.partition("kit:\n")[2]
    if kit:
        sheet += "kit:\n" + kit
    if unknown:
        sheet = "".join(line for line in sheet.splitlines(keepends=True) if not line.startswith("  dialect:"))
    return sheet


class Console:
    """Reads lines from standard input and answers on standard output; the moves run in the server's loop."""

    def __init__(self, bench: Bench, stop: asyncio.Event) -> None:
        self._bench = bench
        self._stop = stop

    def start(self) -> None:
        """Say how the leads are moved, then read in a thread of its own until the lines end or 'q' is typed."""
        names = ", ".join((*(name for name in self._bench.hookups if not name.startswith("thru ")), OPEN_LEADS))
        _say(
            "\nThe leads lie free. Type a hookup's name, as the run asks for it, and Enter: the leads are moved.\n"
            f"{textwrap.fill(names, 90, initial_indent='  ', subsequent_indent='  ', break_on_hyphens=False)}\n"
            "q or Ctrl-C ends the bench."
        )
        loop = asyncio.get_running_loop()

        def read() -> None:
            for line in sys.stdin:
                if line.strip().casefold() == "q":
                    break
                loop.call_soon_threadsafe(self._obey, line.strip())
            loop.call_soon_threadsafe(self._stop.set)

        threading.Thread(target=read, daemon=True).start()

    def _obey(self, text: str) -> None:
        _say(self.answer(text))

    def answer(self, text: str) -> str:
        """Make the hookup ``text`` names, past the relays, and say what stands now."""
        if not text:
            return f"now: {self._bench.connected}"
        known = {name.casefold(): name for name in (*self._bench.hookups, OPEN_LEADS)}
        name = known.get(text.casefold())
        if name is None:
            return f"there is no hookup '{text}'{did_you_mean(text, known.values())}"
        self._bench.connect(name, by_hand=True)
        return f"now: {name}"


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()
