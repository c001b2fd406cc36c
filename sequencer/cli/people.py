"""The person at the bench as the command line's options make them."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from sequencer.cli.pairs import sets_of
from sequencer.cli.terminal import Terminal, require_hands

__all__ = ["at_the_bench"]

NOBODY = "simulated bench, nobody there"


def at_the_bench(
    asked: argparse.Namespace,
    ports: Sequence[str],
    *,
    hookups_done: int = 0,
    witness: Mapping[str, Callable[[str], str]] = MappingProxyType({}),
    past_matrix: bool = False,
) -> Callable[[Any, bool, Any], Terminal]:
    """Return what makes, from (bench, simulated, switch or None), the operator, hands and listener of a run."""
    sets, _ = sets_of(asked.set, witness)
    interactive = sys.stdin.isatty()

    def people(bench: Any, simulated: bool, moves: Any) -> Terminal:
        has_switch = moves is not None or bench.switch is not None
        require_hands(simulated=simulated, has_switch=has_switch, interactive=interactive)
        return Terminal(
            sys.stdin,
            sys.stderr,
            yes="--yes" if asked.yes else NOBODY if simulated and not interactive else "",
            sets=sets,
            interactive=interactive,
            simulated=simulated,
            bench=bench,
            ports=ports,
            moves=moves,
            hookups_done=hookups_done,
            past_matrix=past_matrix,
        )

    return people
