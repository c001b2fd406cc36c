"""The generator's level, and what it may drive into the analyzer's input; pure.

A level that the bench file states and its analyzer cannot take is refused with the file
(`recipe.bench_loader.refuse_overdrive`); here is what only the instrument tells.
"""

from __future__ import annotations

import math

from sequencer.core.capability import Capabilities
from sequencer.recipe.model import Bench

__all__ = ["USUAL_DBM", "asked_dbm", "drive_remark", "generator_level_dbm", "too_strong"]

USUAL_DBM = 0.0  # where the bench file states no level


def asked_dbm(bench: Bench) -> float:
    """Return the level to ask for: the bench file's, else the usual one or what the analyzer's input allows."""
    return min(USUAL_DBM, bench.highest_level_dbm) if bench.generator_level_dbm is None else bench.generator_level_dbm


def generator_level_dbm(bench: Bench, caps: Capabilities) -> float:
    """Return the level to use: what is asked for, within what the generator can do, never rounded up to a step."""
    low, high = caps.generator_dbm
    level = min(max(asked_dbm(bench), low), high)
    if caps.generator_step_db and not math.isinf(bench.highest_level_dbm):
        level = low + math.floor((level - low) / caps.generator_step_db + 1e-9) * caps.generator_step_db
    return level


def too_strong(bench: Bench, caps: Capabilities) -> str:
    """Return why this generator must not be switched on at this analyzer at all, else ''."""
    level, highest = generator_level_dbm(bench, caps), bench.highest_level_dbm
    if level <= highest:
        return ""
    return (
        f"the generator goes no lower than {level:g} dBm, and with the leads joined {level - bench.pads_db:g} dBm "
        f"would reach the analyzer, above its maximum input of {bench.analyzer.maximum_input_dbm:g} dBm (bench file); "
        f"fit pads that lose at least {level - highest:g} dB more, and state them"
    )


def drive_remark(bench: Bench, caps: Capabilities) -> str:
    """Return in words where the level used is not the one stated, or not the usual one; else ''."""
    level, (low, high) = generator_level_dbm(bench, caps), caps.generator_dbm
    stated = bench.generator_level_dbm
    if stated is not None and not low <= stated <= high:
        return (
            f"the bench file states a generator level of {stated:g} dBm, and this generator goes from {low:g} to "
            f"{high:g} dBm: {level:g} dBm is used"
        )
    if stated is None and bench.highest_level_dbm < USUAL_DBM:
        return (
            f"the generator is set to {level:g} dBm, not the usual {USUAL_DBM:g} dBm: with the leads joined more would "
            f"be above the analyzer's maximum input of {bench.analyzer.maximum_input_dbm:g} dBm (bench file)"
        )
    return ""
