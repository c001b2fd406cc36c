"""Which contributions two runs have in common, so that they cancel in a difference.

Decided from the records alone: who answered as the analyzer, what the bench files say, which leads, pads, bridge
and loads stood where, and how far apart in time. What cannot be shown to be shared is taken as not shared.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import lru_cache

from sequencer.core.hookup import HookupKind
from sequencer.core.record import Record, Result
from sequencer.errors import NotchbookError
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.model import AnalyzerFile, Bench

__all__ = ["EVENING", "Sharing", "same_analyzer", "sharing"]

EVENING = timedelta(hours=12)  # a reference oscillator holds its error this long; over years it ages
_PART = re.compile(r" \((?:greatest loss|least loss|\w+ edge)\)\Z")  # of a ripple, a width, a notch frequency
_SETTINGS = {
    "attenuator switching": "attenuation_db",
    "reference switching": "reference_dbm",
    "RBW switching": "rbw_hz",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharing:
    """What two runs share; ``device`` False where the device itself was changed between them on purpose."""

    before: Record
    after: Record
    analyzer: bool
    generator_side: bool
    analyzer_side: bool
    bridge: bool
    evening: bool
    device: bool
    benches: tuple[Bench | None, Bench | None]

    def cancels(self, name: str, result: Result) -> bool:
        """Whether the contribution of this name is one and the same error in both runs."""
        name = _PART.sub("", name)
        sides = self.generator_side and self.analyzer_side
        if name.startswith("scale fidelity"):
            return self.analyzer
        if name in _SETTINGS:
            return self.analyzer and self._same_settings(_SETTINGS[name], result)
        if name.startswith("mismatch: both test ports in the thru"):
            return sides
        if name.startswith("mismatch: both test ports"):
            return sides and self.device
        if name.startswith("mismatch: generator port"):
            return self.generator_side and self.device
        if name.startswith("mismatch: analyzer port"):
            return self.analyzer_side and self.device
        if name in ("directivity", "test port match"):
            return self.bridge and self.device
        if name.startswith("load on ") and "(" not in name:
            return self.device and self._same_load(name.removeprefix("load on "), result)
        if name.startswith(("frequency reference", "span accuracy")):
            return self.analyzer and self.evening
        return False  # noise, drift, connections, leakage after a new hookup, and whatever is not known here

    def scale_per_db(self) -> float | None:
        """Stated slope error of the scale, dB/dB; None where no slope is stated, so that nothing cancels."""
        bench = self.benches[1]
        if bench is None:
            return None
        figure = bench.specifications.scale_per_db
        return None if figure is None else figure.worst

    def words(self) -> tuple[str, ...]:
        """Name what is shared, for people."""
        sides = self.generator_side and self.analyzer_side
        told = (
            (self.analyzer, "the analyzer's scale and settings"),
            (sides and self.device, "leads and pads, so the match of the test ports"),
            (
                sides and not self.device,
                "leads and pads, so the match of the test ports in the thru, not at the device",
            ),
            (self.bridge and self.device and self._both_reflected(), "the bridge"),
            (self.analyzer and self.evening, "the frequency reference of that day"),
        )
        return tuple(text for shared, text in told if shared)

    def _both_reflected(self) -> bool:
        """Whether both runs looked into a port at all: a quick look has no use for the bridge on the bench."""
        return all(any(h.kind == HookupKind.REFLECT for h in r.hookups) for r in (self.before, self.after))

    def _same_settings(self, setting: str, result: Result) -> bool:
        where = result.path or f"reflect-{result.port}"

        def used(record: Record) -> set[tuple[str, str, float]]:
            own = {where, "thru", "reflect-open", "reflect-short"}
            return {(t.hookup, t.key, float(getattr(t.used, setting))) for t in record.traces if t.hookup in own}

        return bool(used(self.before)) and used(self.before) == used(self.after)

    def _same_load(self, port: str, result: Result) -> bool:
        """A load is known again by its id, or because a switch, not a hand, put it there on a bench described alike."""
        hookup = result.path or f"reflect-{result.port}"
        both = [next((h for h in r.hookups if h.name == hookup), None) for r in (self.before, self.after)]
        one, two = both
        if one is None or two is None or port not in one.loads or one.loads[port] != two.loads.get(port):
            return False
        by_switch = all("switch" in found.confirmed_by for found in (one, two))
        return one.loads[port] != "50 ohm load" or (by_switch and self.analyzer and self._described_alike())

    def _described_alike(self) -> bool:
        first, second = self.benches
        return first is not None and second is not None and _bare(first) == _bare(second)


def same_analyzer(before: Record, after: Record) -> bool:
    """Whether one and the same analyzer, in the same calibration, took both runs.

    The third field of *IDN? is the serial number, '0' where there is none (IEEE Std 488.2-1992 10.14 [clause from
    memory]); without one only an equal bench file, address included, is taken as proof.
    """
    first, second = (record.identification.get("analyzer", "") for record in (before, after))
    fields = [[part.strip() for part in text.split(",")] for text in (first, second)]
    if len(fields[0]) < 3 or fields[0][:3] != fields[1][:3]:
        return False
    return fields[0][2] not in ("", "0") or before.bench_sha256 == after.bench_sha256


def sharing(before: Record, after: Record, *, device: bool = True) -> Sharing:
    """Return what two runs share. ``device`` False: the device was changed on purpose (a study)."""
    benches = (_bench(before.bench_text), _bench(after.bench_text))
    one, two = benches
    analyzer = same_analyzer(before, after)
    alike = one is not None and two is not None and _bare(one) == _bare(two)
    if one is not None and two is not None:
        analyzer = analyzer and one.analyzer.calibrated == two.analyzer.calibrated
    same_device = device and before.serial == after.serial and before.serial != ""
    return Sharing(
        before=before,
        after=after,
        analyzer=analyzer,
        generator_side=analyzer and (alike or _same_side(one, two, 0)),
        analyzer_side=analyzer and (alike or _same_side(one, two, 1)),
        bridge=analyzer and (alike or _same_bridge(one, two)),
        evening=_one_evening(before, after),
        device=same_device,
        benches=benches,
    )


def _one_evening(before: Record, after: Record) -> bool:
    """Whether the device was measured in one evening: of files that tell no date nobody knows it."""
    known = before.measured is not None and after.measured is not None
    return known and abs(after.measuring_began - before.measuring_began) < EVENING


@lru_cache(maxsize=64)  # one text in many runs of an archive
def _bench(text: str) -> Bench | None:
    try:
        return load_bench(text, "bench.yaml")
    except NotchbookError:
        return None


def _bare(bench: Bench) -> Bench:
    """Return the bench without addresses: an analyzer that moved on the network is the same analyzer."""
    plain = AnalyzerFile(
        resource="",
        vswr=bench.analyzer.vswr,
        maximum_input_dbm=bench.analyzer.maximum_input_dbm,
        calibrated=bench.analyzer.calibrated,
    )
    return replace(bench, analyzer=plain, switch=None, source="", text="", sha256="")


def _same_side(one: Bench | None, two: Bench | None, side: int) -> bool:
    """Whether lead and pad of a side are the same items by their ids; items without ids are not known again."""
    if one is None or two is None:
        return False
    found = []
    for bench in (one, two):
        pad = bench.generator_pad if side == 0 else bench.analyzer_pad
        leads = [item.id for item in bench.kit if item.what == "lead"]
        if len(leads) <= side or (pad is not None and not pad.id):
            return False
        found.append((leads[side], None if pad is None else pad.id))
    return found[0] == found[1]


def _same_bridge(one: Bench | None, two: Bench | None) -> bool:
    if one is None or two is None or one.bridge is None or two.bridge is None:
        return False
    return one.bridge.id != "" and one.bridge.id == two.bridge.id
