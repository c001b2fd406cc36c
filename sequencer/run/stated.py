"""What a bench file says that an operator should hear before the first sweep: dates, zeros, unlikely losses; pure.

Nothing here is impossible, or the loader would have refused it; but intervals rest on it, so the report says it.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from sequencer.recipe.model import Bench, Figure
from sequencer.units import show_db

__all__ = ["remarks"]

YEARS = 2  # common practice, no source: most certificates of such instruments are renewed within it
FIRST_YEAR = 2025  # no run is older than its program
WAY_DB = 1.1  # relays and leads of two ways seldom differ by more than 1 dB; the rest is rounding [no source]


def remarks(bench: Bench, day: date | None) -> tuple[str, ...]:
    """Return what is to be said of a bench file on a day; None where no day is known, as in a forecast."""
    found = [] if day is None else list(_dates(bench, day))
    return (*found, *_ways(bench), *_zeros(bench))


def _dates(bench: Bench, day: date) -> Iterator[str]:
    if day.year < FIRST_YEAR:
        yield f"the clock of this computer says {day}: no day and no age of a calibration here can be relied on"
    dated = [("the analyzer", bench.analyzer.calibrated)]
    dated += [("the bridge", bench.bridge.calibrated)] if bench.bridge is not None else []
    dated += [(f"{item.what} {item.id}", item.calibrated) for item in bench.kit]
    losses = {} if bench.switch is None else bench.switch.losses
    dated += [(f"switch.losses {name}", loss.date) for name, loss in losses.items()]
    for what, text in dated:
        if not text:
            continue
        then = date.fromisoformat(text[:10])
        if then > day:
            yield (
                f"{what}: {then} in the bench file is later than this run ({day}); one of the two days is wrong, and "
                "what rests on that calibration is not traceable until it is mended"
            )
        elif (day - then).days > 365.25 * YEARS:
            yield (
                f"{what}: calibrated {then}, more than {YEARS} years before this run; its figures may hold no longer, "
                "and the intervals take them as they stand"
            )


def _ways(bench: Bench) -> Iterator[str]:
    for name, loss in ({} if bench.switch is None else bench.switch.losses).items():
        if abs(loss.loss_db) > WAY_DB:
            yield (
                f"switch.losses {name}: {show_db(loss.loss_db, 2)} more than the thru's way is unlikely of relays and "
                "leads, and all of it goes into the result; a hookup 'thru A-B' would measure it in the run"
            )


def _zeros(bench: Bench) -> Iterator[str]:
    specs = bench.specifications
    figures: dict[str, tuple[Figure | None, float]] = {
        "scale per dB": (specs.scale_per_db, 0.0),
        "scale over range": (specs.scale_over_range_db, 0.0),
        "attenuator switching": (specs.attenuator_switching_db, 0.0),
        "reference switching": (specs.reference_switching_db, 0.0),
        "RBW switching": (specs.rbw_switching_db, 0.0),
        "drift": (specs.drift_db_per_h, 0.0),
        "connection": (specs.connection_db, 0.0),
        "frequency reference": (specs.frequency_reference_ppm, 0.0),
        "frequency span": (specs.frequency_span_percent, 0.0),
        "reflection of the loads (VSWR 1)": (specs.load_vswr, 1.0),
        "reflection of the analyzer (VSWR 1)": (bench.analyzer.vswr, 1.0),
        "reflection of the generator (VSWR 1)": (bench.generator_vswr, 1.0),
    }
    if bench.bridge is not None:
        figures["reflection of the bridge's test port (VSWR 1)"] = (bench.bridge.test_port_vswr, 1.0)
    zeros = [name for name, (figure, none) in figures.items() if figure is not None and figure.worst == none]
    losses = {} if bench.switch is None else bench.switch.losses
    zeros += [f"uncertainty of switch.losses {n}" for n, loss in losses.items() if loss.loss_db and not loss.u_db]
    if zeros:
        yield (
            f"stated as zero by the bench file, so the intervals hold nothing for it: {', '.join(zeros)}; no "
            "instrument has none of it"
        )
