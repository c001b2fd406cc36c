"""What the bench file states, and what is assumed where it is silent, as inputs of the budgets.

Every figure carries its origin; `assumptions` lists those that were assumed, for the report and for `check`.
The assumed values are common practice for bench analyzers without a certificate, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.core.mismatch import gamma
from sequencer.core.transmission import Termination
from sequencer.core.uncertainty import Distribution, Input
from sequencer.recipe.connectors import UNTOLD_DB, assumed_mating_db
from sequencer.recipe.model import Bench, Figure, Pad
from sequencer.run.fittings import ANALYZER_LEAD, GENERATOR_LEAD, lead_family, thru_adapter

__all__ = ["ASSUMED", "Figures", "Mated", "ThruAdapter"]

DB_PER_PART = 20.0 / math.log(10.0)  # dB per relative change of an amplitude

_MOST_DB = 100.0  # what grows with time ends here: a file of years ago must not overflow, and no limit is left to it
ASSUMED = {
    "generator VSWR": 2.0,
    "analyzer VSWR": 2.0,
    "pad VSWR": 1.2,
    "load VSWR": 1.05,
    "bridge directivity, dB": 30.0,
    "bridge test port VSWR": 1.2,
    "scale, dB/dB": 0.03,
    "scale over the range, dB": 1.0,
    "attenuator switching, dB": 0.5,
    "reference switching, dB": 0.5,
    "RBW switching, dB": 0.5,
    "drift, dB/h": 0.2,
    "connection repeatability, dB": UNTOLD_DB,  # of one mating, where no family of connector is told
    "frequency reference, ppm": 5.0,
    "span accuracy, %": 1.0,
    "loss of a switch's way over the thru's, dB": 0.3,
    "open and short standards, dB": 0.03,  # how far their mean may reflect less than everything
    "tracking after adjustment, share of RBW": 0.02,
    "tracking drift, Hz/h": 5.0,
    "adapter in the thru, dB": 0.05,
}
_STANDARDS = ("reflect-open", "reflect-short", "reflect-load")  # they hang on the connector of the reference
FROM_FILE, FROM_RUN, FROM_KIT, BY_US = "bench file", "measured in this run", "kit", "assumed"


@dataclass(frozen=True, slots=True, kw_only=True)
class ThruAdapter:
    """What joins the leads in the thru and is not there with the device: its loss, and what is not known of it."""

    loss_db: float = 0.0
    inputs: tuple[Input, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Mated:
    """What a thru that was mated ``times`` times shows of one mating of its family of connector ('' not told).

    ``u_db`` is the standard uncertainty of one mating, ``seen_db`` the scatter (an experimental standard deviation),
    ``few`` what it is taken larger by, ``range_db`` from least to most, ``hours`` how long it all took.
    """

    connector: str
    times: int
    u_db: float
    seen_db: float
    few: float
    range_db: float
    hours: float

    @property
    def text(self) -> str:
        """What was seen and what is taken, in words."""
        least = "" if self.u_db <= self.few * self.seen_db else f", and no less than {self.u_db:g} dB is believed"
        return (
            f"{self.times} matings of the thru scatter by {self.seen_db:.2g} dB, times {self.few:.2f} for so few{least}"
        )


@dataclass(frozen=True, slots=True)
class Figures:
    """Inputs of budgets from one bench file, and from what a run measured of its joints."""

    bench: Bench
    mated: Mated | None = None

    def _stated(self, figure: Figure | None, assumed: str) -> tuple[float, str]:
        return (ASSUMED[assumed], BY_US) if figure is None else (figure.worst, FROM_FILE)

    def source(self) -> Termination:
        """The generator's side at the device plane."""
        return self._termination(
            "generator port", self.bench.generator_vswr, "generator VSWR", self.bench.generator_pad
        )

    def load(self) -> Termination:
        """The analyzer's side at the device plane."""
        return self._termination("analyzer port", self.bench.analyzer.vswr, "analyzer VSWR", self.bench.analyzer_pad)

    def _termination(self, name: str, figure: Figure | None, assumed: str, pad: Pad | None) -> Termination:
        vswr, origin = self._stated(figure, assumed)
        lead = self._lead_reflection(first=name.startswith("generator"))
        if pad is None:  # lead and instrument, each with a phase of its own
            return Termination(name=name, own=gamma(vswr), behind=lead, origin=origin)
        pad_vswr, pad_origin = self._stated(pad.vswr, "pad VSWR")
        behind = (gamma(vswr) + lead) * 10.0 ** (-2.0 * pad.loss_db / 20.0)  # through the pad twice (trade notes 3.5)
        origins = {origin, pad_origin}
        return Termination(
            name=name,
            own=gamma(pad_vswr),
            behind=behind,
            origin=BY_US if origins == {BY_US} else " and ".join(sorted(origins)),
        )

    def _lead_reflection(self, *, first: bool) -> float:
        """Reflection of the lead itself, where the kit states it; the first lead listed is the generator's."""
        leads = [item for item in self.bench.kit if item.what == "lead"]
        place = 0 if first else 1
        vswr = leads[place].vswr if place < len(leads) else None
        return 0.0 if vswr is None else gamma(vswr.worst)

    def load_reflection(self) -> tuple[float, str]:
        """Greatest reflection of a 50 ohm load of the bench, linear."""
        stated = self.bench.specifications.load_vswr
        kit = [item.vswr.worst for item in self.bench.kit if item.what == "load" and item.vswr is not None]
        if stated is None and kit:
            return gamma(max(kit)), FROM_KIT
        vswr, origin = self._stated(stated, "load VSWR")
        return gamma(vswr), origin

    def directivity(self) -> Input:
        """Directivity as an amplitude."""
        db, origin = self._stated(
            None if self.bench.bridge is None else self.bench.bridge.directivity_db, "bridge directivity, dB"
        )
        return _amplitude("directivity", 10.0 ** (-db / 20.0), origin)

    def test_port(self) -> Input:
        """Source match of the bridge's test port."""
        bridge = self.bench.bridge
        vswr, origin = self._stated(None if bridge is None else bridge.test_port_vswr, "bridge test port VSWR")
        return _amplitude("test port match", gamma(vswr), origin)

    def scale(self, range_db: float) -> Input:
        """Scale error over the distance on the display, at most the figure for the whole range."""
        specs = self.bench.specifications
        if specs.scale_per_db is None and specs.scale_over_range_db is not None:
            return _limit("scale fidelity", specs.scale_over_range_db.worst, FROM_FILE)
        per_db, origin = self._stated(specs.scale_per_db, "scale, dB/dB")
        value = per_db * abs(range_db)
        if specs.scale_over_range_db is not None:
            value = min(value, specs.scale_over_range_db.worst)
        elif specs.scale_per_db is None:
            value = min(value, ASSUMED["scale over the range, dB"])
        return _limit("scale fidelity", value, origin)

    def switching(self, switched: tuple[str, ...]) -> tuple[Input, ...]:
        """One term for each setting that differs from the thru's."""
        specs = self.bench.specifications
        known = {
            "attenuation_db": ("attenuator switching", specs.attenuator_switching_db, "attenuator switching, dB"),
            "reference_dbm": ("reference switching", specs.reference_switching_db, "reference switching, dB"),
            "rbw_hz": ("RBW switching", specs.rbw_switching_db, "RBW switching, dB"),
        }
        made = []
        for setting in switched:
            name, figure, assumed = known[setting]
            value, origin = self._stated(figure, assumed)
            made.append(_limit(name, value, origin))
        return tuple(made)

    def drift(self, hours: float) -> Input:
        """Drift since the thru, by the stated rate."""
        rate, origin = self._stated(self.bench.specifications.drift_db_per_h, "drift, dB/h")
        return _limit("drift since the thru", min(rate * abs(hours), _MOST_DB), origin)

    def connections(self, where: str, thrus: int) -> tuple[Input, ...]:
        """Repeatability of every joint that was made anew: two at the device, one in each thru (averaged).

        The figure is per mating: measured in this run for joints of the thru's family, else stated as a limit, else
        a standard deviation assumed by family of connector where the bench file tells it. Always a term.
        """
        first, second = lead_family(GENERATOR_LEAD, self.bench), lead_family(ANALYZER_LEAD, self.bench)
        joined = max(first, second, key=assumed_mating_db)  # two families need an adapter: no better than the worse
        return tuple(
            self._mating(f"connection repeatability, {name}", share, connector)
            for name, share, connector in (
                (f"{where} first joint", 1.0, first),
                (f"{where} second joint", 1.0, second),
                *((f"thru {number + 1} of {thrus}", 1.0 / thrus, joined) for number in range(thrus)),
            )
        )

    def bridge_connections(self, where: str) -> tuple[Input, ...]:
        """The same for the bridge: one joint at the port, one each at open and short, whose mean is the reference."""
        parts = ((where, 1.0), ("open", 0.5), ("short", 0.5))
        connector = self.bench.bridge.connector if self.bench.bridge is not None else ""
        return tuple(self._mating(f"connection repeatability, {name}", share, connector) for name, share in parts)

    def _mating(self, name: str, share: float, connector: str) -> Input:
        figure, mated = self.bench.specifications.connection_db, self.mated
        if mated is not None and connector == mated.connector:
            return Input(
                name=name,
                value=share * mated.u_db,
                distribution=Distribution.NORMAL,
                kind="A",
                origin=f"{FROM_RUN}: {mated.text}",
            )
        if figure is None:
            origin = f"{BY_US} for {connector}" if connector else BY_US
            value = share * assumed_mating_db(connector)
            return Input(name=name, value=value, distribution=Distribution.NORMAL, origin=origin)
        return _limit(name, share * figure.worst, FROM_FILE)

    def switch_loss_db(self, hookup: str) -> float:
        """Stored loss of the switch's way of a hookup over that of its reference; 0 where none is stated."""
        stated = None if self.bench.switch is None else self.bench.switch.losses.get(hookup)
        return 0.0 if stated is None else stated.loss_db

    def switch_loss(self, hookup: str) -> tuple[Input, ...]:
        """What is unsure of that loss; all of it where the file does not state it. Nothing without a switch."""
        if self.bench.switch is None:
            return ()
        name, stated = f"loss of the switch, {hookup}", self.bench.switch.losses.get(hookup)
        if stated is None:
            return (_limit(name, ASSUMED["loss of a switch's way over the thru's, dB"], BY_US),)
        origin = f"{FROM_FILE}, {stated.date}"
        return (Input(name=name, value=stated.u_db, distribution=Distribution.NORMAL, origin=origin),)

    def standards(self) -> Input:
        """Return how far open and short, as a mean, may stand from full reflection; the kit says their loss."""
        stated = [item.loss_db.worst for item in self.bench.kit if item.what in ("open", "short") and item.loss_db]
        value, origin = (max(stated), FROM_KIT) if stated else (ASSUMED["open and short standards, dB"], BY_US)
        return _limit("open and short standards", value, origin)

    def tracking(self, rbw_hz: float, hours: float) -> Input:
        """Return what the generator's wander off the filter's centre costs since the reference, dB.

        A Gaussian filter loses 3.01 (2 offset / RBW)^2 dB (trade notes 1.9).
        """
        start = ASSUMED["tracking after adjustment, share of RBW"]
        end = start + ASSUMED["tracking drift, Hz/h"] * abs(hours) / rbw_hz
        return _limit("generator off the filter's centre", min(12.04 * (end**2 - start**2), _MOST_DB), BY_US)

    def thru_adapter(self) -> ThruAdapter:
        """Return what the kit says of an adapter that stands only in the thru; nothing where there is none."""
        name = thru_adapter(self.bench)
        item = next((i for i in self.bench.kit if i.what == "adapter" and name == f"adapter {i.id}".rstrip()), None)
        if not name or item is None:
            return ThruAdapter()
        loss, unsure, origin = 0.0, ASSUMED["adapter in the thru, dB"], BY_US
        if item.loss_db is not None and item.loss_db.measured is not None:
            loss, origin = item.loss_db.measured, FROM_KIT
            unsure = 2.0 * item.u_db if item.u_db is not None else min(unsure, loss)
        elif item.loss_db is not None:  # somewhere between nothing and its limit
            loss = unsure = 0.5 * item.loss_db.worst
            origin = FROM_KIT
        inputs = [_limit(f"loss of {name}, only in the thru", unsure, origin)]
        if item.vswr is not None:
            ends = self.source().size + self.load().size
            away = gamma(item.vswr.worst) * ends
            inputs.append(
                Input(
                    name=f"reflection of {name}, only in the thru",
                    value=DB_PER_PART * away,
                    distribution=Distribution.U_SHAPED,
                    origin=FROM_KIT,
                )
            )
        return ThruAdapter(loss_db=loss, inputs=tuple(inputs))

    def frequency(self) -> tuple[tuple[float, str], tuple[float, str]]:
        """Relative errors of the frequency reference and of the span, with their origins."""
        specs = self.bench.specifications
        ppm, first = self._stated(specs.frequency_reference_ppm, "frequency reference, ppm")
        percent, second = self._stated(specs.frequency_span_percent, "span accuracy, %")
        return (ppm * 1e-6, first), (percent / 100.0, second)

    def assumptions(self, *, bridge: bool) -> tuple[str, ...]:
        """Name what the file leaves out and is assumed here; ``bridge``: whether one is used."""
        bench, specs, mated = self.bench, self.bench.specifications, self.mated
        silent = {
            "generator VSWR": bench.generator_vswr,
            "analyzer VSWR": bench.analyzer.vswr,
            "scale, dB/dB": specs.scale_per_db or specs.scale_over_range_db,
            "drift, dB/h": specs.drift_db_per_h,
            "connection repeatability, dB": specs.connection_db or (None if self._unmated(bridge=bridge) else mated),
            "frequency reference, ppm": specs.frequency_reference_ppm,
            "span accuracy, %": specs.frequency_span_percent,
            "load VSWR": specs.load_vswr or next((item.vswr for item in bench.kit if item.what == "load"), None),
        }
        if bench.switch is not None:
            ways = [name for name in bench.switch.hookups if "-" in name and not name.startswith("thru ")]
            ways = [name for name in ways if name not in _STANDARDS and f"thru {name}" not in bench.switch.hookups]
            if any(name not in bench.switch.losses for name in ways):
                silent["loss of a switch's way over the thru's, dB"] = None
        pads = [pad for pad in (bench.generator_pad, bench.analyzer_pad) if pad is not None]
        if any(pad.vswr is None for pad in pads):
            silent["pad VSWR"] = None
        if bridge:
            silent["bridge directivity, dB"] = None if bench.bridge is None else bench.bridge.directivity_db
            silent["bridge test port VSWR"] = None if bench.bridge is None else bench.bridge.test_port_vswr
        return tuple(
            f"{name}: {self._assumed_text(name, bridge=bridge)}" for name, figure in silent.items() if figure is None
        )

    def _unmated(self, *, bridge: bool) -> list[str]:
        """Return the families of the joints whose repeatability this run has not measured."""
        ends = [lead_family(GENERATOR_LEAD, self.bench), lead_family(ANALYZER_LEAD, self.bench)]
        ends += [self.bench.bridge.connector] if bridge and self.bench.bridge is not None else []
        return [end for end in ends if self.mated is None or end != self.mated.connector]

    def _assumed_text(self, name: str, *, bridge: bool) -> str:
        ends = self._unmated(bridge=bridge)
        if name != "connection repeatability, dB" or not any(ends):
            return f"{ASSUMED[name]:g}"
        return " and ".join(
            f"{assumed_mating_db(end):g} {f'({end})' if end else '(family not told)'}" for end in dict.fromkeys(ends)
        )


def _limit(name: str, value: float, origin: str) -> Input:
    return Input(name=name, value=value, distribution=Distribution.AT_LIMIT, origin=origin)


def _amplitude(name: str, value: float, origin: str) -> Input:
    return Input(name=name, value=value, unit="1", distribution=Distribution.U_SHAPED, origin=origin)
