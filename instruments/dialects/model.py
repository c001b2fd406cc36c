"""A dialect as a value: command templates, formats and limits of one kind of analyzer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from instruments.scpi import fill
from sequencer.core.trace import Detector, Flag

__all__ = ["SETTINGS", "Averaging", "Completion", "Dialect", "Setting", "TraceFormat"]

SETTINGS = (  # in the order they are sent: what others are coupled to comes first
    "start",
    "stop",
    "points",
    "rbw",
    "vbw",
    "detector",
    "attenuation",
    "reference",
    "generator level",
    "sweep time",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting: ``set`` is a template with ``{value}`` (empty: fixed), ``ask`` its query.

    ``coupled`` hands it to the instrument (video filter wide open, sweep time coupled). ``limits`` is None
    where the instrument is asked with MINimum and MAXimum. ``choices``, ascending, are the only values there
    are (numbers of points). ``ask`` is empty only for a fixed number of points that cannot be asked.
    """

    ask: str
    set: str = ""
    coupled: str = ""
    limits: tuple[float, float] | None = None
    step: float = 0.0
    choices: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Completion:
    """How a sweep's end is seen: ``bit`` of the answer to ``ask`` becomes ``done``.

    ``began`` asks an event register in which the same bit tells that the sweep has begun, should it be over
    before anybody looked. ``latched``: the bit is an event that stands until it is read. ``blocks``: nothing is
    answered before the end; ``ask`` is then any harmless query. ``timed``: nothing tells the end, so its stated
    time is waited for.
    """

    ask: str = "*ESR?"
    bit: int = 0
    done: bool = True
    with_opc: bool = True  # the bit follows *OPC sent behind the start command
    began: str = ""
    latched: bool = False
    blocks: bool = False
    timed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceFormat:
    """How a trace is asked for and comes: ``width`` 0 is text, 32 or 64 are IEEE 754 reals in a block.

    ``integers``: of 32 bits instead, thousandths of a dB. ``pairs``: text in which each level stands behind its
    frequency.
    ``unstated``: the block begins with #0 and does not state its length, which follows from the points in use.
    """

    ask: str
    width: int = 0
    swapped: bool = False
    unstated: bool = False
    integers: bool = False
    pairs: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Averaging:
    """The instrument's own averaging of sweeps, which stays off: what is averaged here are single sweeps, as power.

    ``off`` is answered as ``ask`` tells, by an off or by the word in it; both are empty where there is no switch.
    ``count`` is how many sweeps it would take. ``kind`` chooses what its mean is of, for some detectors and video
    filters though nothing is averaged; ``kinds`` are its words for 'power' (there wherever ``kind`` is) and 'log'.
    """

    off: str = ""
    ask: str = ""
    count: Setting | None = None
    kind: Setting | None = None
    kinds: Mapping[str, str] = field(default_factory=dict)

    @property
    def one_sweep(self) -> str:
        """The command for the least number of sweeps, '' where there is none."""
        if self.count is None or not self.count.set:
            return ""
        return fill(self.count.set, {"value": self.count.limits[0] if self.count.limits else 1.0})

    @property
    def orders(self) -> Mapping[str, str]:
        """For each question, the command whose value it must answer: averaging off, and of power."""
        found = {self.ask: self.off} if self.ask else {}
        if self.kind is not None:
            found[self.kind.ask] = fill(self.kind.set, {"value": self.kinds["power"]})
        if self.count is not None and self.one_sweep and not self.ask:  # else it does not matter
            found[self.count.ask] = self.one_sweep
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How one kind of analyzer is spoken to. ``begin`` starts with ``off``: the loader sees to it.

    ``settings`` has the keys of :data:`SETTINGS` (`vbw` may be absent). ``one_message`` says whether several
    commands may travel in one message. ``display_range_db`` is None where levels are not cut off.
    ``errors`` asks the error queue, or is "*ESR?" where only its error bits tell, or empty where nothing does;
    ``abort`` may be empty, too. ``wide_first``: a start above the present stop is refused, so the axis is opened
    to its whole width before it is set. ``answers_within_s`` is the longest silence of a sound instrument.
    """

    name: str
    about: str
    identify: tuple[str, ...]
    begin: tuple[str, ...]
    settings: Mapping[str, Setting]
    detectors: Mapping[Detector, str]
    on: str
    off: str
    output: str
    initiate: str
    abort: str
    trace: TraceFormat
    errors: str
    adjust: str = ""
    completion: Completion = field(default_factory=Completion)
    status: tuple[str, ...] = ()  # queries whose bits are OR-ed
    flags: Mapping[Flag, int] = field(default_factory=dict)
    one_message: bool = True
    settling_s: float = 0.0
    display_range_db: float | None = None
    sweep_factor: float | None = None
    rbw_hz: tuple[float, ...] = ()
    generator_min_rbw_hz: float = 0.0
    wide_first: bool = False
    answers_within_s: float = 5.0
    averaging: Averaging = field(default_factory=Averaging)
    source: str = ""
