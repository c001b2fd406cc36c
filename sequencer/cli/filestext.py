"""What `check --files` prints: hookup by hookup, what to set, what to save, and what to call it."""

from __future__ import annotations

import shutil
from collections.abc import Sequence

from sequencer.cli.diagram import diagram
from sequencer.cli.moves import EVERY_CAUTION, instruction
from sequencer.cli.words import bounded_width, describe, duration, fold, listed, settings_range, table
from sequencer.core.history import Role
from sequencer.core.hookup import HookupKind
from sequencer.recipe.model import Bench, Recipe
from sequencer.run.filing import Expected, expected_files
from sequencer.run.forecast import Forecast
from sequencer.run.joints import Joints
from sequencer.units import show_hz

__all__ = ["files_text"]

_INTRO = (
    "Save each trace as CSV under the name given here (.csv, .txt or .dat; capitals do not matter), all into one "
    "folder. Any number of points will do that is not less than here, and any wider range, if the points stand no "
    "further apart; what is set against each other (thru, floor, path) needs the same range and points. One fine "
    "sweep over everything, saved as the overview of each hookup, can stand for the rest. Detector RMS (power) or "
    "sample, single sweep, no maximum or minimum hold; the analyzer's own averaging off, or of power (RMS), never of "
    "decibels ('log', 'video'). Where 'times' is more than 1, more sweeps under NAME.2, "
    "NAME.3 lower the noise. A list of names of your own can stand in traces.yaml (README, 'No remote control?')."
)


def files_text(forecast: Forecast, recipe: Recipe, bench: Bench, *, columns: int | None = None) -> str:
    """Return the whole text; ``columns`` is the terminal's width (None: ask it)."""
    width = bounded_width(shutil.get_terminal_size((80, 24)).columns if columns is None else columns)
    lines = [*fold(recipe.title or recipe.name, width), *fold(_INTRO, width), ""]
    files = [e for e in expected_files(forecast) if e.planned]
    joints: Joints | None = None
    numbers = sorted({e.station for e in files})
    for place, number in enumerate(numbers, 1):
        here = [e for e in files if e.station == number]
        hookup = here[0].hookup
        lines += fold(f"Hookup {place} of {len(numbers)}: {hookup.name}. {describe(hookup)}", width)
        lines += ["", *diagram(hookup, bench, recipe.ports, width).splitlines(), ""]
        moves, joints = instruction(hookup, joints, recipe.ports, bench, matrix=False)
        for at, move in enumerate(moves, 1):
            lines += fold(move, width, f"{at:3d}. ")
        lines += ["", *_files(here, width), ""]
    lines += _vector(recipe, width)
    lines += ["", "Cautions for the bench:"]
    lines += [line for text in EVERY_CAUTION for line in fold(text, width, "  ! ")]
    return "\n".join(lines)


def _files(here: Sequence[Expected], width: int) -> list[str]:
    heads = ("save as", "range", "points", "RBW", "time", "times")
    rows = [
        (
            e.stem,
            settings_range(e.settings),
            str(e.settings.points),
            show_hz(e.settings.rbw_hz),
            duration(e.seconds),
            str(e.repeats),
        )
        for e in here
    ]
    lines = table(heads, rows, width)
    levels: dict[str, list[str]] = {}
    for e in here:
        off = e.settings.generator_dbm is None
        text = (
            f"generator {'off' if off else f'{e.settings.generator_dbm:g} dBm'}, reference level "
            f"{e.settings.reference_dbm:g} dBm, attenuation {e.settings.attenuation_db:g} dB"
        )
        levels.setdefault(text, []).append(e.stem)
    for text, stems in levels.items():
        lines += fold(f"{text if len(levels) == 1 else f'{listed(stems)}: {text}'}.", width, "  ", "    ")
    optional = [e.stem for e in here if e.role in (Role.FOREIGN, Role.STANDARD)]
    if optional:
        lines += fold(f"May be left out: {', '.join(optional)}.", width, "  ", "    ")
    if here[0].hookup.kind is HookupKind.FLOOR:
        text = "Without these, no rejection and no isolation is decided: what is read may be noise or leakage."
        lines += fold(text, width, "  ", "    ")
    if "-closing_" in here[0].stem:
        text = (
            "Without these, drift is taken from its stated rate and from how long it all took (--set 'duration=2 h')."
        )
        lines += fold(text, width, "  ", "    ")
    return lines


def _vector(recipe: Recipe, width: int) -> list[str]:
    whole = "-".join(recipe.ports)
    pair = "-".join(recipe.ports[:2])
    text = (
        f"From a vector analyzer: one Touchstone file called after its ports in their order ({whole}.s"
        f"{len(recipe.ports)}p), or several ({pair}.s2p, {recipe.ports[0]}.s1p), and floor.s2p with loads on both test "
        "ports. The bench file must then state what is left after correction (README)."
    )
    return fold(text, width)
