"""Texts every report carries: what it proves, cautions, and the checklist after ISO/IEC 17025 7.8.2.1."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC

from reports.words import MINUS
from sequencer.core.record import Record

__all__ = [
    "CAUTIONS",
    "CONDITIONS",
    "FROM_FILES",
    "ONLY_THIS_ITEM",
    "CheckItem",
    "checklist",
    "condition",
    "measured_text",
    "not_proven",
    "plain",
]

_AT_THE_SITE = "An antenna is not 50 ohm: at the site, isolation and loss can differ from the figures here."
FROM_FILES = (
    "Read from saved traces: that they are of this item, of the hookups they are named after, and when and at what "
    "power they were taken, is as the operator says. No evidence of power handling or of noise under power.",
    _AT_THE_SITE,
)
ONLY_THIS_ITEM = "The results concern only the item tested, in the state in which it was tested."

CAUTIONS = (
    (
        "Transmitter",
        "Never key a transmitter while an analyzer, generator, bridge or pad is connected. Lock the transmitter out "
        "and tag it before any lead is moved.",
    ),
    (
        "Open ports",
        "Never transmit into an open or unterminated port, with a cover off or a cavity loose: the open end of a "
        "cavity can carry kilovolts. RF burns and arcing.",
    ),
    (
        "Direct voltage",
        "Bias tees, arrestors and mast amplifiers put volts on a port. Check with a meter before connecting "
        "instruments; use a DC block.",
    ),
    ("Static", "Long coaxial cables store charge: discharge them before mating."),
    (
        "RF exposure",
        "Keep to the national exposure limits (such as ICNIRP 2020, IEEE C95.1). This report gives no exposure "
        "clearance.",
    ),
    (
        "Licence and site",
        "Only a licensed person transmits, on the licensed channels and power; test into a dummy load first. On a "
        "shared site ask the site manager.",
    ),
    (
        "Towers and lifting",
        "Trained climbers with fall arrest, all transmitters locked out, stop when lightning is about. Two people "
        "lift: sets weigh 10 to 30 kg.",
    ),
    (
        "Chemicals and metals",
        "Solvents, cleaners and acids: ventilation, gloves, eye guard, no flame, no mixing. Finger stock may be "
        "beryllium copper and old plating cadmium: do not sand, brush or heat. Lead solder: extract fume, wash hands.",
    ),
    ("Mains", "Earth the bench; never defeat the safety earth to cure hum or leakage."),
    (
        "After installing",
        "Power heats and detunes cavities: check again after a key-down soak, and listen for noise under power.",
    ),
)

CONDITIONS = (  # asked of every run: the words a record may use, first the one printed
    ("operator",),
    ("place", "location"),
    ("temperature",),
    ("humidity",),
    ("soak time", "soak"),
    ("customer",),
    ("received", "date received"),
    ("condition on arrival", "condition"),
    ("laboratory", "lab"),
)


@dataclass(frozen=True, slots=True)
class CheckItem:
    """One item: its letter, what is asked for, where it stands; ``anchor`` is '' where it does not apply."""

    letter: str
    asked: str
    answer: str
    anchor: str


def measured_text(record: Record, form: str = "%Y-%m-%d %H:%M UTC", *, whole: bool = False) -> str:
    """Say when the device was measured: of saved traces by the dates the files tell, with the date of reading.

    ``whole``: of a run on instruments also its end.
    """
    read = f"read {record.began:%Y-%m-%d}"
    if record.measured is None:
        return f"{read}; the files do not tell when they were taken"
    first, last = (f"{at.astimezone(UTC):{form}}" for at in record.measured)
    text = first if first == last or not (whole or record.read_from_files) else f"{first} to {last}"
    return f"{text}, by the files; {read}" if record.read_from_files else text


def not_proven(record: Record) -> tuple[str, ...]:
    """Return what a run does not prove, by the highest level that its generator was read back at."""
    if any(trace.source is not None for trace in record.traces):
        return FROM_FILES
    levels = [trace.used.generator_dbm for trace in record.traces if trace.used.generator_dbm is not None]
    power = ""
    if levels:
        level = f"{max(levels):g} dBm".replace("-", MINUS)
        power = f" with at most {10.0 ** (max(levels) / 10.0):.2g} mW ({level}) from the generator,"
    told = f"Measured{power} between 50 ohm, scalar: no evidence of power handling or of noise under power."
    return told, _AT_THE_SITE


def plain(key: str) -> str:
    """Return a name in the one spelling that is compared: 'Soak_Time' becomes 'soak time'."""
    return " ".join(key.replace("_", " ").replace("-", " ").casefold().split())


def condition(conditions: Mapping[str, str], words: tuple[str, ...]) -> str:
    """Return what was recorded under any of the words, '' where nothing was."""
    told = {plain(key): value for key, value in conditions.items() if plain(value) not in {"", "not recorded"}}
    return next((told[word] for word in words if word in told), "")


def checklist(record: Record) -> tuple[CheckItem, ...]:
    """Map ISO/IEC 17025:2017 7.8.2.1 a) to p), in our own words, to the places of this report.

    Source: ISO/IEC 17025:2017 7.8.2.1 as listed in the project's trade notes, section 5.
    """

    def told(*words: str, anchor: str = "conditions") -> tuple[str, str]:
        value = condition(record.conditions, words)
        return (value, anchor) if value else ("not recorded for this run", anchor)

    laboratory, _ = told("laboratory", "lab")
    place, _ = told("place", "location")
    customer, _ = told("customer")
    received, _ = told("received", "date received")
    arrival, _ = told("condition on arrival", "condition")
    tested = f"serial {record.serial}" if record.serial.strip() else "serial not recorded for this run"
    sampling = condition(record.conditions, ("sampling",))
    authorised = "simulated: nothing is authorised" if record.simulated else "line for name, date and signature"
    deviations = f"{len(record.warnings)} listed" if record.warnings else "none recorded"
    made = f"made when the run ended, {record.ended:%Y-%m-%d}"
    if record.parent:
        made = "judged again" + (f" and made on {record.judged:%Y-%m-%d}" if record.judged else "; day not recorded")
    items = (
        ("a", "title", "head of the first page", "top"),
        ("b", "name and address of the laboratory", laboratory, "conditions"),
        ("c", "where the work was done", place, "conditions"),
        ("d", "unique identification, page numbers, visible end", f"run {record.run_id}, on every page", "end"),
        ("e", "customer and contact", customer, "conditions"),
        ("f", "method", f"recipe {record.recipe_name}, by its hash", "hashes"),
        ("g", "what was tested, and its condition", f"{tested}; on arrival: {arrival}", "top"),
        ("h", "date received", received, "conditions"),
        ("i", "date of the test", measured_text(record, "%Y-%m-%d", whole=True), "top"),
        (
            "j",
            "date of issue",
            f"{made}; issued when signed",
            "signatures",
        ),
        (
            "k",
            "sampling plan",
            sampling or "does not apply because the item was measured itself: nothing was sampled",
            "conditions" if sampling else "",
        ),
        ("l", "results concern only the item tested", "stated", "scope"),
        ("m", "results with their units", f"{len(record.results)} results", "results"),
        ("n", "additions to, deviations and exclusions from the method", deviations, "warnings"),
        ("o", "who authorises the report", authorised, "signatures"),
        (
            "p",
            "results from others",
            "does not apply because every result comes from this run; figures from the bench file are marked so",
            "",
        ),
    )
    return tuple(CheckItem(*item) for item in items)
