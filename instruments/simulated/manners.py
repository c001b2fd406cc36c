"""How the simulated analyzer behaves in conversation where real ones differ; every default is the standard's way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sequencer.errors import UsageError

__all__ = ["Manners"]

_WORDS = {"forms": ("both", "full"), "opc": ("normal", "early", "never"), "no data": ("error", "sentinel", "old")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Manners:
    """One variant's `manners:` mapping; what each key means stands at the top of variants.yaml."""

    hangs: bool = False
    full_forms: bool = False
    units: bool = False
    echo: bool = False
    opc: str = "normal"
    blocks: bool = False
    no_data: str = "error"
    limits_asked: bool = True
    clamps: bool = False
    sweeping_bit: int = 3  # SCPI-99 Vol. 1 ch. 9
    lacks: tuple[str, ...] = ()

    @classmethod
    def read(cls, name: str, row: Mapping[str, Any]) -> Manners:
        """Read the mapping of variant ``name``.

        Raises
        ------
        UsageError
            For a key or word that is not known.
        """
        known = {"hangs on unknown queries", "forms", "units in answers", "header echo", "opc", "initiate blocks",
                 "no data", "limits asked", "out of range clamps", "sweeping bit", "lacks"}  # fmt: skip
        wrong = [key for key in row if key not in known]
        wrong += [f"{key}: {row[key]}" for key, words in _WORDS.items() if row.get(key, words[0]) not in words]
        if wrong:
            msg = f"variants.yaml: {name}: manners: {', '.join(wrong)} is not known"
            raise UsageError(msg, name=name)
        return cls(
            hangs=bool(row.get("hangs on unknown queries", False)),
            full_forms=row.get("forms", "both") == "full",
            units=bool(row.get("units in answers", False)),
            echo=bool(row.get("header echo", False)),
            opc=row.get("opc", "normal"),
            blocks=bool(row.get("initiate blocks", False)),
            no_data=row.get("no data", "error"),
            limits_asked=bool(row.get("limits asked", True)),
            clamps=bool(row.get("out of range clamps", False)),
            sweeping_bit=int(row.get("sweeping bit", 3)),
            lacks=tuple(str(header).upper() for header in row.get("lacks", ())),
        )
