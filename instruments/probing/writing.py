"""A dialect as text that a person can read and correct, and the bench file round it."""

from __future__ import annotations

import textwrap

from instruments.probing.knobs import Knob
from instruments.probing.learnt import Learnt
from sequencer import units
from sequencer.core.trace import Detector

__all__ = ["bench_text", "dialect_text"]

_DIMENSION = {
    "start": units.FREQUENCY,
    "stop": units.FREQUENCY,
    "points": units.PLAIN,
    "rbw": units.FREQUENCY,
    "vbw": units.FREQUENCY,
    "attenuation": units.DB,
    "reference": units.DBM,
    "sweep time": units.TIME,
    "generator level": units.DBM,
    "averaging count": units.PLAIN,
}


def _quoted(text: str) -> str:
    return (
        '"'
        + "".join(c for c in text if c.isascii() and c.isprintable()).replace("\\", "\\\\").replace('"', '\\"')
        + '"'
    )


def _listed(commands: list[str]) -> str:
    return "[" + ", ".join(_quoted(command) for command in commands) + "]"


def _knob(knob: Knob, name: str) -> str:
    dimension = _DIMENSION[name]
    parts = []
    if knob.set:
        parts.append(f"set: {_quoted(knob.set)}")
    if knob.ask:
        parts.append(f"ask: {_quoted(knob.ask)}")
    if knob.coupled:
        parts.append(f"coupled: {_quoted(knob.coupled)}")
    elif name == "sweep time":
        parts.append("computed: yes")
    if knob.limits is not None:
        low, high = (units.show(value, dimension) for value in knob.limits)
        parts.append(f"limits: [{low}, {high}]")
    if knob.step:
        parts.append(f"step: {units.show(knob.step, units.DB if dimension is units.DBM else dimension)}")
    if knob.choices and knob.set:
        parts.append(f"choices: [{', '.join(f'{value:g}' for value in knob.choices)}]")
    return "{" + ", ".join(parts) + "}" + (f"  # {knob.note}" if knob.note else "")


def dialect_text(learnt: Learnt) -> str:
    """Return the dialect; what was not found stands there as a line that says so (and is refused until written)."""
    lines = ["dialect: 1", "name: probed", f"about: {_quoted('learnt by asking ' + learnt.identification)}"]
    lines += [f"# {note}" for note in learnt.notes]
    settings = learnt.settings
    known = [knob.ask for knob in settings.values() if knob.ask] + [learnt.output]
    lines.append(f"identify: {_listed(known)}")
    lines.append("begin:  # the first command of every session turns the generator off")
    lines += [f"  - {_quoted(command)}" for command in learnt.begin]
    lines += _settings(learnt) + _averaging(learnt) + _generator(learnt)
    lines += _sweep(learnt)
    if learnt.trace is not None:
        order = f", order: {'swapped' if learnt.trace.swapped else 'normal'}" if learnt.trace.width else ""
        length = ", length: unstated" if learnt.trace.size is not None else ""
        lines.append(f"trace: {{ask: {_quoted(learnt.trace.query)}, format: {learnt.trace.word}{order}{length}}}")
    else:
        lines.append('# NOT FOUND. Write: trace: {ask: "TRAC? TRACE1", format: text}')
    if learnt.errors:
        lines.append(f"errors: {_quoted(learnt.errors)}")
    else:
        lines.append("# no way to ask for errors was found; every setting is proven by reading it back")
    if learnt.status:
        bit = f", uncalibrated: {learnt.uncalibrated_bit}" if learnt.uncalibrated_bit is not None else ""
        lines.append(f"status: {{ask: {_listed(learnt.status)}{bit}}}")
    lines.append(f"one message: {'yes' if learnt.one_message else 'no'}")
    if learnt.wide_first:
        lines.append("wide first: yes")
    if learnt.answers_within_s > 5.0:
        lines.append(f"answers within: {units.show(learnt.answers_within_s, units.TIME)}")
    if learnt.display_range_db is not None:
        lines.append(f"display range: {units.show(learnt.display_range_db, units.DB)}")
    if learnt.rbw_hz:
        lines.append(f"rbw filters: [{', '.join(units.show(hz, units.FREQUENCY) for hz in learnt.rbw_hz)}]")
    return "\n".join(line for line in lines if line) + "\n"


def _settings(learnt: Learnt) -> list[str]:
    settings = learnt.settings
    lines = ["settings:"]
    for name in ("start", "stop", "points", "rbw", "vbw", "attenuation", "reference", "sweep time"):
        if name in settings:
            lines.append(f"  {name}: {_knob(settings[name], name)}")
        elif name != "vbw":
            coupled = ', coupled: "... AUTO ON"' if name == "sweep time" else ""
            lines.append(f'  # NOT FOUND. Write: {name}: {{set: "... {{value}}", ask: "...?"{coupled}}}')
            if coupled:
                lines.append("  # where nothing couples it: computed: yes, instead of coupled")
    if learnt.detector_header:
        words = [f"{kind.value}: {learnt.detectors[kind]}" for kind in Detector if kind in learnt.detectors]
        header = learnt.detector_header
        lines.append(
            "detectors: {" + ", ".join(['set: "' + header + ' {value}"', 'ask: "' + header + '?"', *words]) + "}"
        )
    else:
        lines.append('# NOT FOUND. Write: detectors: {set: "... {value}", ask: "...?", power: RMS, sample: SAMP}')
    return lines


def _averaging(learnt: Learnt) -> list[str]:
    own = learnt.averaging
    if not own.ask and not own.kinds:
        return []
    lines = ["averaging:  # its own is never used: single sweeps are averaged here, as power"]
    if own.ask:
        lines += [f'  "off": {_quoted(own.off)}', f"  ask: {_quoted(own.ask)}"]
    if own.count is not None:
        lines.append(f"  count: {_knob(own.count, 'averaging count')}  # what it could do; set to the least")
    if own.kinds:
        words = "".join(f", {kind}: {word}" for kind, word in sorted(own.kinds.items(), reverse=True))
        header = own.kind_header
        lines.append(f'  kind: {{set: "{header} {{value}}", ask: "{header}?"{words}}}  # power is set')
    return lines


def _generator(learnt: Learnt) -> list[str]:
    settings = learnt.settings
    lines = ["generator:" + ("" if learnt.generator_tried else "  # never switched on while it was learnt")]
    if "generator level" in settings:
        lines.append(f"  level: {_knob(settings['generator level'], 'generator level')}")
    else:
        lines.append('  # NOT FOUND. Write: level: {set: "... {value}", ask: "...?"}')
    if learnt.output:
        lines += [
            f'  "on": {_quoted(learnt.on)}',
            f'  "off": {_quoted(learnt.off)}',
            f"  ask: {_quoted(learnt.output)}",
        ]
    else:
        lines.append('  # NOT FOUND. Write three lines: "on": OUTP ON   "off": OUTP OFF   ask: OUTP?')
    if learnt.adjust:
        lines.append(f"  adjust: {_quoted(learnt.adjust)}")
    if learnt.least_rbw_hz:
        lines.append(
            f"  least rbw: {units.show(learnt.least_rbw_hz, units.FREQUENCY)}  # below it, it goes off by itself"
        )
    return lines


def _sweep(learnt: Learnt) -> list[str]:
    if not learnt.initiate:
        return [
            "# NOT FOUND. Write: sweep: {start: INIT, abort: ABOR}",
            "# The end of a sweep is then told by *OPC. Where that comes too early, write in it, too, completion:",
            '#   {ask: "STAT:OPER:COND?", bit: 3, done: no}  # a bit that is 1 while it sweeps',
            '#   {ask: "*IDN?", blocks: yes}  # nothing is answered before the end',
            '#   {ask: "*IDN?", timed: yes}  # nothing tells it: its stated time is waited for',
        ]
    lines = ["sweep:", f"  start: {_quoted(learnt.initiate)}"]
    if learnt.abort:
        lines.append(f"  abort: {_quoted(learnt.abort)}")
    if learnt.factor:
        lines.append(f"  factor: {learnt.factor:g}  # sweep time = factor * span / RBW^2")
    if learnt.settling_s:
        lines.append(
            f"  settling: {units.show(learnt.settling_s, units.TIME)}  # what a sweep takes beyond its stated time"
        )
    done = learnt.completion
    if done is not None and not done.with_opc:
        if done.blocks or done.timed:
            how = "blocks: yes" if done.blocks else "timed: yes"
            lines.append(f"  completion: {{ask: {_quoted(done.ask)}, {how}}}")
        else:
            began = f", began: {_quoted(done.began)}" if done.began else ""
            latched = ", latched: yes" if done.latched else ""
            word = "yes" if done.done else "no"
            lines.append(f"  completion: {{ask: {_quoted(done.ask)}, bit: {done.bit}, done: {word}{began}{latched}}}")
    return lines


_REST = """\
# What only its data sheet and your eyes can tell (README, 'Your bench'). Take the # from the lines you have figures
# for; what is left out is measured in the run, or assumed and marked so.
# generator: {level: 0 dBm, vswr: {limit: 1.6}}
# bridge: {directivity: 36 dB, test port vswr: 1.12}
# pads: {generator: {loss: 10 dB, vswr: 1.15}, analyzer: {loss: 6 dB, vswr: 1.15}}
# specifications:
#   scale: {per dB: 0.02 dB/dB, over range: 0.3 dB}
#   drift: 0.1 dB/h
#   frequency: {reference: 2 ppm, span: 1 %}
"""


def bench_text(resource: str, visa: str, dialect: str, baud: int | None = None) -> str:
    """Return a bench file with the dialect in it."""
    return (
        "# Written by 'notchbook bench probe'. Read it, correct it; every line may be changed by hand.\n"
        "bench: 1\n"
        "analyzer:\n"
        f"  resource: {_quoted(resource)}\n"
        f"  visa: {_quoted(visa)}\n"
        + (f"  baud: {baud}\n" if baud is not None else "")
        + "  # vswr: {limit: 1.5}     # from its data sheet, with 10 dB of attenuation\n"
        "  # maximum input: 20 dBm  # written beside its input\n"
        "  dialect:  # how this analyzer is spoken to; templates know {value} and {value:.6g} only\n"
        + textwrap.indent(dialect, "    ")
        + _REST
    )
