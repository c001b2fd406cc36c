"""The tables of keys: what a recipe and a bench file may say. Loader and schema are both made from these."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from sequencer.recipe.blocks import Fields, FigureOf, Key, ListOf, Named
from sequencer.recipe.connectors import MATING_DB
from sequencer.recipe.model import Quantity, Rule
from sequencer.recipe.problems import quoted
from sequencer.recipe.shapes import Amount, Choice, OneOfUnits, Schema, Shape, Text, TextOrMapping, Version, Whole
from sequencer.units import (
    DB,
    DB_PER_DB,
    DB_PER_HOUR,
    DBM,
    FREQUENCY,
    OFFSET,
    PERCENT,
    PERIOD,
    PPM,
    TIME,
    VSWR,
    Dimension,
)

__all__ = ["BENCH", "HIGHEST_DB", "QUANTITIES", "READING_UNITS", "RECIPE", "Need", "Takes", "amount_of"]

READING_UNITS = ("W", "min", "degC", "dB", "dBm", "words")
HIGHEST_DB = 200.0  # nothing on a bench shows more: 20 dBm to thermal noise in 1 Hz is 194 dB


def _resource_meant(text: str) -> str:
    """Return the resource name of 'HOST:PORT' or of an IP address."""
    host, _, port = text.partition(":")
    if port:
        return quoted(f"TCPIP::{host}::{port}::SOCKET")
    return f"'TCPIP::{host}::5025::SOCKET' (with its port), or 'TCPIP::{host}::INSTR'"


_PORT = "[A-Za-z][A-Za-z0-9_]{0,15}"
_NAME = "[A-Za-z0-9](?:[A-Za-z0-9._-]{0,62}[A-Za-z0-9])?"  # becomes part of a folder's name
_PORT_TEXT = Text(what="a port name (a letter, then letters, digits or _, at most 16)", matching=_PORT)
_PATH_TEXT = Text(what="a path (two port names such as TX-ANT)", matching=f"{_PORT}-{_PORT}")
_FREQUENCY_NAME = "[A-Za-z][A-Za-z0-9 _./+-]{0,31}"
_STEP_NAME = "[A-Za-z0-9](?:[A-Za-z0-9 ._-]{0,38}[A-Za-z0-9])?"
_READING_NAME = "[A-Za-z0-9](?:[A-Za-z0-9 ._/-]{0,38}[A-Za-z0-9])?"
_RESOURCE = Text(
    what="a resource name such as TCPIP::192.0.2.10::5025::SOCKET",
    matching="(?!(?:[A-Za-z0-9.-]+:[0-9]+|[0-9]+(?:[.][0-9]+){3})$)[!-~][ -~]{0,199}",  # no bare address
    meant=_resource_meant,
)
_COMMAND = Text(what="a command (printable ASCII on one line)", matching="[!-~][ -~]{0,199}")
_DATE = Text(
    what="a date such as 2025-03-14 (a certificate's number may follow)",
    matching="[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[^0-9].*)?",
    longest=200,
)
_END = Text(what="a connector end such as 'N plug' or 'BNC socket'", matching=".{1,24} (?:plug|socket)")
_BAUD = Whole(50, 4_000_000)
_WORDS = Text(what="one line of text", matching=".*\\S.*", longest=200)

_HERTZ = Amount(dimension=FREQUENCY, low=0.0, above_low=True, high=1e12)
_WIDTH = Amount(dimension=OFFSET, low=0.0, above_low=True, high=1e12)
_AROUND = Amount(dimension=OFFSET, low=0.0, above_low=True, high=1e12, both_sides=True)
_DB_ABOVE_0 = Amount(dimension=DB, low=0.0, above_low=True, high=HIGHEST_DB)
_DB_FROM_0 = Amount(dimension=DB, low=0.0, high=HIGHEST_DB)
_VSWR = FigureOf(Amount(dimension=VSWR, low=1.0, high=1000.0))  # an open joint has less on any lead
_AS_RETURN_LOSS = "write it as 'return loss', in dB: VSWR 1.5 is 14 dB, 1.3 is 17.7 dB"  # -20 log10((s - 1) / (s + 1))


def amount_of(quantity: Quantity) -> Amount:
    """Return how limits of this quantity are written."""
    if quantity.unit == "dB":
        return _DB_ABOVE_0
    return _AROUND if quantity is Quantity.NOTCH_FREQUENCY else _WIDTH


class Need(Enum):
    """Whether a quantity uses a key of its limit."""

    NO = "no"
    MAY = "may"
    MUST = "must"


@dataclass(frozen=True, slots=True, kw_only=True)
class Takes:
    """What a quantity takes: which limit makes sense for it, and which conditions.

    ``senses``: one of these ends must be given. ``both``: the other end may stand beside it.
    """

    senses: tuple[str, ...]
    both: bool = True
    within: Need = Need.NO
    level: Need = Need.NO
    above: Need = Need.NO


QUANTITIES: dict[Quantity, Takes] = {
    Quantity.INSERTION_LOSS: Takes(senses=("max",), within=Need.MAY),
    Quantity.REJECTION: Takes(senses=("min",), within=Need.MAY),
    Quantity.ISOLATION: Takes(senses=("min",), within=Need.MAY),
    Quantity.RETURN_LOSS: Takes(senses=("min",), within=Need.MAY),
    Quantity.NOTCH_FREQUENCY: Takes(senses=("max",), both=False, within=Need.MUST),
    Quantity.NOTCH_DEPTH: Takes(senses=("min",), within=Need.MUST),
    Quantity.REJECTION_BANDWIDTH: Takes(senses=("min",), level=Need.MUST),
    Quantity.PASS_BANDWIDTH: Takes(senses=("min", "max"), above=Need.MUST),
    Quantity.RIPPLE: Takes(senses=("max",), within=Need.MUST),
}


def _conditions() -> list[Schema]:
    """Return what each quantity takes, as conditions of the schema."""
    conditions: list[Schema] = [{"anyOf": [{"required": ["min"]}, {"required": ["max"]}]}]
    for quantity, takes in QUANTITIES.items():
        needs = {"within": takes.within, "level": takes.level, "above": takes.above}
        belongs, other = ("port", "path") if quantity.of_port else ("path", "port")
        refused = [other, *(name for name, need in needs.items() if need is Need.NO)]
        required = [belongs, *(name for name, need in needs.items() if need is Need.MUST)]
        if len(takes.senses) == 1:
            required.extend(takes.senses)
        if not takes.both:
            refused.extend({"min", "max"} - set(takes.senses))
        limit = amount_of(quantity).schema()
        properties: Schema = dict.fromkeys(refused, False)
        properties |= {name: limit for name in ("min", "max", "max change") if name not in properties}
        conditions.append(
            {
                "if": {"required": ["quantity"], "properties": {"quantity": {"const": quantity.value}}},
                "then": {"required": required, "properties": properties},
            }
        )
    return conditions


_END_OF_LIMIT = OneOfUnits((_DB_ABOVE_0, _AROUND))

_LIMIT = Fields(
    {
        "quantity": Key(
            Choice(tuple(q.value for q in Quantity), instead={"vswr": _AS_RETURN_LOSS, "swr": _AS_RETURN_LOSS}),
            "what is required",
            required=True,
        ),
        "path": Key(_PATH_TEXT, "generator into the first port, analyzer on the second, loads on all others"),
        "port": Key(_PORT_TEXT, "the port whose return loss is meant"),
        "at": Key(
            ListOf(item=Text(what="the name of a frequency"), most=40, or_single=True),
            "name of a frequency, or a list of names",
            required=True,
        ),
        "within": Key(_AROUND, "the worst true value over plus or minus this offset; for a notch, how far to look"),
        "level": Key(_DB_ABOVE_0, "loss that a rejection bandwidth is measured at"),
        "above": Key(
            Amount(dimension=DB, low=0.0, above_low=True, high=40.0), "dB above the least loss, for a pass bandwidth"
        ),
        "min": Key(_END_OF_LIMIT, "the value must be at least this"),
        "max": Key(_END_OF_LIMIT, "the value must be at most this; for a notch frequency, the distance"),
        "max change": Key(_END_OF_LIMIT, "largest change against a baseline run"),
    },
    _conditions(),
)

_DECISION = Fields(
    {
        "rule": Key(Choice(tuple(rule.value for rule in Rule)), "decision rule; guarded if left out"),
        "coverage": Key(Amount(dimension=PERCENT, low=0.5, high=0.999), "coverage of the intervals; 95 % if left out"),
        "max risk": Key(
            Amount(dimension=PERCENT, low=0.0, above_low=True, high=0.5),
            "with the rule risk: largest probability of a wrong pass",
        ),
        "accept": Key(Choice(("pass", "conditional pass")), "with the rule four-way: what counts as accepted"),
    }
)

_SWEEP = Fields(
    {
        "path": Key(_PATH_TEXT, required=True),
        "from": Key(_HERTZ, required=True),
        "to": Key(_HERTZ, required=True),
        "rbw": Key(_HERTZ, "the planner's if left out"),
        "points": Key(Whole(3, 100_001), "the planner's if left out"),
    }
)

_STEP = Fields(
    {
        "kind": Key(
            Choice(("witnessed",)), "witnessed: not measured by this bench, typed in by a person", required=True
        ),
        "name": Key(
            Text(what="a name of letters, digits, spaces, '.', '_' and '-' (at most 40)", matching=_STEP_NAME),
            "such as key-down soak",
            required=True,
        ),
        "do": Key(Text(longest=1000), "what the person does; the usual key-down soak if left out"),
        "readings": Key(
            Named(
                what="what is read (letters, digits, spaces, '.', '_', '/' and '-', at most 40)",
                matching=_READING_NAME,
                item=Choice(READING_UNITS),
                most=40,
            ),
            "what is typed in, each with the unit it is told in; those of the usual key-down soak if left out",
        ),
    }
)

RECIPE = Fields(
    {
        "recipe": Key(Version(1), "version of this form", required=True),
        "name": Key(
            Text(what="a name of letters, digits, '.', '_' and '-' (at most 64)", matching=_NAME), required=True
        ),
        "title": Key(_WORDS, "stands above the report"),
        "notes": Key(Text(longest=8000), "free text for the report"),
        "valid for": Key(Amount(dimension=PERIOD, low=0.0, above_low=True, high=1200.0), "such as 24 months"),
        "device": Key(
            Fields({"ports": Key(ListOf(item=_PORT_TEXT, most=5), "port names as the label says", required=True)}),
            required=True,
        ),
        "frequencies": Key(
            Named(
                what="a frequency name (a letter, then letters, digits, spaces or _./+-, at most 32)",
                matching=_FREQUENCY_NAME,
                item=_HERTZ,
                most=40,
            ),
            "name: frequency, as the licence says",
            required=True,
        ),
        "overview": Key(
            Fields({"from": Key(_HERTZ, required=True), "to": Key(_HERTZ, required=True)}),
            "span of the whole picture; chosen round the frequencies if left out",
        ),
        "limits": Key(ListOf(item=_LIMIT, most=1000), required=True),
        "sweeps": Key(ListOf(item=_SWEEP, least=0, most=100), "sweeps added to what the limits plan"),
        "warm up": Key(
            Amount(dimension=TIME, low=60.0, high=3600.0),
            "before the run, wait until two thrus this far apart agree, such as 5 min",
        ),
        "exchange leads": Key(
            ListOf(item=_PATH_TEXT, most=20, or_single=True),
            "paths that are also swept with the leads exchanged; a passive device must read the same",
        ),
        "re-mate": Key(
            Whole(3, 20),  # fewer tell next to nothing: Student's t of two degrees of freedom is 4.3
            "so often the thru's joint is opened and closed again: how well a joint repeats is measured, not assumed",
        ),
        "steps": Key(
            ListOf(item=_STEP, most=20), "what a person does after the last sweep, with the analyzer disconnected"
        ),
        "decision": Key(_DECISION),
    }
)


def _figure(dimension: Dimension) -> Shape:
    """Return a figure from 0 to what no instrument is as bad as, and sums of it still are numbers."""
    high = {DB_PER_DB: 1.0, PERCENT: 1.0, PPM: 1e5}.get(dimension, HIGHEST_DB)
    return FigureOf(Amount(dimension=dimension, low=0.0, high=high))


_SWITCH_LOSS = Fields(
    {
        "loss": Key(
            Amount(dimension=DB, low=-3.0, high=6.0),  # relays and leads differ by less; more is a slip
            "more than the way of the thru loses (for reflect-A: than that of reflect-open)",
            required=True,
        ),
        "uncertainty": Key(Amount(dimension=DB, low=0.0, high=60.0), "standard uncertainty (k = 1)", required=True),
        "date": Key(_DATE, "day it was measured", required=True),
    }
)

_CONNECTOR = Key(Choice(tuple(MATING_DB)), "family of the end that is screwed to the device; how well it repeats")

_PAD = Fields({"loss": Key(_DB_FROM_0, required=True), "vswr": Key(_VSWR), "id": Key(_WORDS), "connector": _CONNECTOR})

_KIT_ITEM = Fields(
    {
        "what": Key(Choice(("lead", "pad", "adapter", "load", "open", "short", "standard")), required=True),
        "ends": Key(ListOf(item=_END, most=2, or_single=True), "connector ends, such as [N plug, N socket]"),
        "loss": Key(_figure(DB)),
        "vswr": Key(_VSWR),
        "calibrated": Key(_DATE, "date of calibration"),
        "value": Key(_DB_FROM_0, "calibrated value of a standard or pad"),
        "uncertainty": Key(_DB_FROM_0, "standard uncertainty (k = 1) of that value"),
    }
)

BENCH = Fields(
    {
        "bench": Key(Version(1), "version of this form", required=True),
        "analyzer": Key(
            Fields(
                {
                    "resource": Key(_RESOURCE, "VISA resource name", required=True),
                    "visa": Key(_WORDS, 'VISA library; "@py" if left out'),
                    "baud": Key(_BAUD, "rate of a serial line; 9600 if left out"),
                    "dialect": Key(
                        TextOrMapping(
                            Text(
                                what="'auto' or a dialect's name (small letters, digits, -)",
                                matching="[a-z0-9][a-z0-9-]{0,63}",
                            )
                        ),
                        "'auto', a name, or the whole dialect as keys: dialect, name, about, identify, begin, "
                        "settings, detectors, generator, averaging, sweep, trace, errors, status, one message, "
                        "wide first, answers within, display range, rbw filters; README shows every key inside "
                        "them, too, under 'A dialect by hand'",
                    ),
                    "vswr": Key(_VSWR),
                    "maximum input": Key(Amount(dimension=DBM, low=-60.0, high=60.0), "highest level at the input"),
                    "calibrated": Key(_DATE, "date of calibration"),
                }
            ),
            required=True,
        ),
        "generator": Key(Fields({"level": Key(Amount(dimension=DBM, low=-150.0, high=40.0)), "vswr": Key(_VSWR)})),
        "bridge": Key(
            Fields(
                {
                    "directivity": Key(FigureOf(_DB_ABOVE_0, more_is_better=True), required=True),
                    "test port vswr": Key(_VSWR),
                    "loss": Key(_DB_FROM_0, "generator to analyzer with everything reflected"),
                    "id": Key(_WORDS),
                    "connector": _CONNECTOR,
                    "calibrated": Key(_DATE),
                }
            )
        ),
        "pads": Key(Fields({"generator": Key(_PAD), "analyzer": Key(_PAD)}), "pads that stay on the leads"),
        "specifications": Key(
            Fields(
                {
                    "scale": Key(Fields({"per dB": Key(_figure(DB_PER_DB)), "over range": Key(_figure(DB))})),
                    "attenuator switching": Key(_figure(DB)),
                    "reference switching": Key(_figure(DB)),
                    "rbw switching": Key(_figure(DB)),
                    "drift": Key(_figure(DB_PER_HOUR)),
                    "connection": Key(_figure(DB), "repeatability of one mating"),
                    "frequency": Key(Fields({"reference": Key(_figure(PPM)), "span": Key(_figure(PERCENT))})),
                    "load vswr": Key(_VSWR, "of the loads on the device's other ports"),
                    "noise": Key(
                        Amount(dimension=DBM, low=-174.0, high=-60.0),
                        "noise of the analyzer in 1 Hz at 0 dB attenuation; `check` tells the time by it, a run "
                        "measures it",
                    ),
                }
            )
        ),
        "kit": Key(
            Named(
                what="an item's id (at most 40 characters)",
                matching="[A-Za-z0-9](?:[A-Za-z0-9 ._/#-]{0,38}[A-Za-z0-9])?",
                item=_KIT_ITEM,
                least=0,
                most=200,
            )
        ),
        "switch": Key(
            Fields(
                {
                    "resource": Key(_RESOURCE, required=True),
                    "visa": Key(_WORDS),
                    "baud": Key(_BAUD, "rate of a serial line; 9600 if left out"),
                    "settling": Key(Amount(dimension=TIME, low=0.0, high=60.0), "wait after switching"),
                    "hookups": Key(
                        Named(
                            what="a hookup (thru, thru re-mated or A-B, floor, A-B, reflect-open, -short, -load or -A)",
                            matching=f"thru|floor|(?:thru )?{_PORT}-{_PORT}",
                            item=_COMMAND,
                            most=100,
                        ),
                        required=True,
                    ),
                    "read back": Key(
                        Text(
                            what="a query (printable ASCII that holds a '?')",
                            matching="[!-~][ -~]*[?][ -~]*",
                            longest=200,
                        ),
                        "query of the closed channels; {channels} stands for those of the command",
                    ),
                    "errors": Key(
                        Text(
                            what="a query (printable ASCII that holds a '?'), or 'none'",
                            matching="[!-~][ -~]*[?][ -~]*|none",
                            longest=200,
                        ),
                        "query of the error queue; 'none' where the switch has none (else SYST:ERR?)",
                    ),
                    "losses": Key(
                        Named(
                            what="a hookup with a loss (A-B or reflect-A)",
                            matching=f"{_PORT}-{_PORT}",
                            item=_SWITCH_LOSS,
                            least=0,
                            most=100,
                        ),
                        "stored loss of the switch's way of a hookup; not needed where there is a hookup 'thru A-B'",
                    ),
                }
            ),
            "left out: the operator is the switch",
        ),
    }
)
