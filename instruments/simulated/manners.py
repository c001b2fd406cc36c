"""How the simulated analyzer behaves in conversation where real ones differ; every default is the standard's way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sequencer.errors import UsageError

__all__ = ["Manners"]

_WORDS = {
    "forms": ("both", "full"),
    "opc": ("normal", "early", "never"),
    "no data": ("error", "sentinel", "old"),
    "units in answers": (False, True, "joined", "scaled"),
    "boolean answers": ("digits", "words", "numbers"),
    "booleans taken": ("both", "words", "digits"),
    "error entries": ("plain", "signed", "unquoted", "number", "upper"),
    "trace blocks": ("definite", "indefinite", "text"),
    "generator unit": ("DBM", "DBUV"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Manners:
    """One variant's `manners:` mapping; what each key means stands at the top of variants.yaml."""

    hangs: bool = False
    full_forms: bool = False
    units: str = ""  # none, 'spaced', 'joined' or 'scaled'
    echo: bool = False
    opc: str = "normal"
    blocks: bool = False
    no_data: str = "error"
    limits_asked: bool = True
    clamps: bool = False
    sweeping_bit: int = 3  # SCPI-99 Vol. 1 ch. 9
    lacks: tuple[str, ...] = ()
    lower_case: bool = False
    boolean_words: bool = False
    booleans_taken: str = "both"
    suffix_required: bool = False
    steps_only: bool = False
    axis_refuses: bool = False
    identification_fields: int = 4
    error_entries: str = "plain"
    trace_blocks: str = "definite"
    generator_unit: str = "DBM"
    averages_after_reset: bool = False
    boolean_numbers: bool = False
    refuses_compound: bool = False
    query_delay_s: float = 0.0
    trace_delay_s: float = 0.0
    pairs: bool = False
    format_spaced: bool = False

    @classmethod
    def read(cls, name: str, row: Mapping[str, Any]) -> Manners:
        """Read the mapping of variant ``name``.

        Raises
        ------
        UsageError
            For a key or word that is not known.
        """
        known = {"hangs on unknown queries", "forms", "units in answers", "header echo", "opc", "initiate blocks",
                 "no data", "limits asked", "out of range clamps", "sweeping bit", "lacks", "lower case",
                 "boolean answers", "booleans taken", "suffix required", "steps only", "start above stop refused",
                 "identification fields", "error entries", "trace blocks", "generator unit", "averages after reset",
                 "compound refused", "query delay s", "trace delay s", "trace pairs", "format spaced"}  # fmt: skip
        wrong = [key for key in row if key not in known]
        wrong += [f"{key}: {row[key]}" for key, words in _WORDS.items() if row.get(key, words[0]) not in words]
        if wrong:
            msg = f"variants.yaml: {name}: manners: {', '.join(wrong)} is not known"
            raise UsageError(msg, name=name)
        return cls(
            hangs=bool(row.get("hangs on unknown queries", False)),
            full_forms=row.get("forms", "both") == "full",
            units={False: "", True: "spaced"}.get(units := row.get("units in answers", False), units),
            echo=bool(row.get("header echo", False)),
            opc=row.get("opc", "normal"),
            blocks=bool(row.get("initiate blocks", False)),
            no_data=row.get("no data", "error"),
            limits_asked=bool(row.get("limits asked", True)),
            clamps=bool(row.get("out of range clamps", False)),
            sweeping_bit=int(row.get("sweeping bit", 3)),
            lacks=tuple(str(header).upper() for header in row.get("lacks", ())),
            lower_case=bool(row.get("lower case", False)),
            boolean_words=row.get("boolean answers", "digits") == "words",
            booleans_taken=row.get("booleans taken", "both"),
            suffix_required=bool(row.get("suffix required", False)),
            steps_only=bool(row.get("steps only", False)),
            axis_refuses=bool(row.get("start above stop refused", False)),
            identification_fields=int(row.get("identification fields", 4)),
            error_entries=row.get("error entries", "plain"),
            trace_blocks=row.get("trace blocks", "definite"),
            generator_unit=row.get("generator unit", "DBM"),
            averages_after_reset=bool(row.get("averages after reset", False)),
            boolean_numbers=row.get("boolean answers", "digits") == "numbers",
            refuses_compound=bool(row.get("compound refused", False)),
            query_delay_s=float(row.get("query delay s", 0.0)),
            trace_delay_s=float(row.get("trace delay s", 0.0)),
            pairs=bool(row.get("trace pairs", False)),
            format_spaced=bool(row.get("format spaced", False)),
        )
