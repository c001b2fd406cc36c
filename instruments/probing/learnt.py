"""What has been learnt so far: filled in step by step, written out as a dialect."""

from __future__ import annotations

from dataclasses import dataclass, field

from instruments.dialects import Completion
from instruments.probing.knobs import Knob
from instruments.probing.traces import Form
from sequencer.core.trace import Detector

__all__ = ["Averaging", "Learnt"]


@dataclass(slots=True)
class Averaging:
    """The instrument's own averaging: how it is kept off, and what it could do; empty where it was not found."""

    off: str = ""
    ask: str = ""
    count: Knob | None = None
    kind_header: str = ""
    kinds: dict[str, str] = field(default_factory=dict)  # power, log: the words for it
    writes: str = ""  # lets every sweep write the trace anew, where the switch is another thing


@dataclass(slots=True)
class Learnt:
    """One instrument. Empty texts, None and False: not found, or not there."""

    identification: str = ""
    begin: list[str] = field(default_factory=list)
    settings: dict[str, Knob] = field(default_factory=dict)
    rbw_hz: tuple[float, ...] = ()
    averaging: Averaging = field(default_factory=Averaging)
    detector_header: str = ""
    detectors: dict[Detector, str] = field(default_factory=dict)
    on: str = ""
    off: str = ""
    output: str = ""
    adjust: str = ""
    least_rbw_hz: float = 0.0
    initiate: str = ""
    abort: str = ""
    completion: Completion | None = None
    settling_s: float = 0.0
    factor: float = 0.0
    trace: Form | None = None
    errors: str = ""
    status: list[str] = field(default_factory=list)
    uncalibrated_bit: int | None = None
    one_message: bool = False
    display_range_db: float | None = None
    wide_first: bool = False
    answers_within_s: float = 5.0
    generator_tried: bool = False
    not_single: bool = False  # a detector of single samples shows noise that scatters too little for that
    notes: list[str] = field(default_factory=list)

    def missing(self) -> list[str]:
        """Return what a sweep needs and was not found."""
        needed = ("start", "stop", "points", "rbw", "sweep time", "attenuation", "reference", "generator level")
        lost = [name for name in needed if name not in self.settings]
        found = {
            "generator switch": self.output,
            "detector (power or sample)": self.detectors,
            "single sweep": self.initiate,
            "trace": self.trace,
        }
        return lost + [name for name, value in found.items() if not value]

    def unsought(self) -> list[str]:
        """Return what of the missing was not looked for: where there is no sweep yet, no value shows it."""
        sweeps = all(name in self.settings for name in ("start", "stop", "rbw"))
        later = {"trace": sweeps, "single sweep": self.trace is not None, "detector (power or sample)": self.initiate}
        return [name for name in self.missing() if name in later and not later[name]]
