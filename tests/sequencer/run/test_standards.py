"""Check standards read right before anything unknown is measured, or the run stops."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from sequencer.core.history import Role, Swept
from sequencer.core.hookup import HookupKind
from sequencer.core.trace import Trace
from sequencer.recipe.bench_loader import load_bench
from sequencer.recipe.model import Figure, KitItem, SwitchFile
from sequencer.run.policy import MOST_TRIES
from sequencer.run.predict import TYPICAL_BENCH
from sequencer.run.standards import standard_hookup, standard_reading, standards
from sequencer.run.steps import Connect, Done, Stop, SweepStep, Warn
from sequencer.run.visits import sweeps_of

KIT = (
    KitItem(id="S3", what="standard", value_db=3.02, u_db=0.03, calibrated="2026-01-15"),
    KitItem(id="S70", what="standard", value_db=70.11, u_db=0.15, calibrated="2026-01-15"),
)


@pytest.fixture
def with_kit(play):
    play.bench = replace(play.bench, kit=KIT)
    play.predicted.bench = play.bench
    return play


def reading(play, wrong: dict[str, float], times: int = 99) -> None:
    """A standard loses so much more than its certificate says, the first times it is connected."""
    left = dict.fromkeys(wrong, times)
    seen: set[int] = set()

    def falsify(step, sweep):
        if step.hookup not in wrong:
            return sweep
        stay = sum(1 for e in play.history if type(e).__name__ == "Connected" and e.hookup.name == step.hookup)
        if stay > left[step.hookup]:
            return sweep
        seen.add(stay)
        return replace(sweep, trace=Trace(sweep.trace.freq_hz, sweep.trace.level_dbm - wrong[step.hookup]))

    play.falsify = falsify


def test_they_come_after_the_floor_and_before_the_device(with_kit) -> None:
    steps = with_kit.whole()
    assert isinstance(steps[-1], Done)
    order = [s.hookup.name for s in steps if isinstance(s, Connect)]
    assert set(order[1:4]) == {"floor", "standard-S3", "standard-S70"}
    first_path = min(n for n, s in enumerate(steps) if isinstance(s, Connect) and s.hookup.kind is HookupKind.PATH)
    assert all(n < first_path for n, s in enumerate(steps) if isinstance(s, SweepStep) and s.role is Role.STANDARD)


def test_a_deep_standard_is_swept_as_deep_as_it_is(with_kit) -> None:
    steps = with_kit.whole()
    zooms = {s.hookup: s for s in steps if isinstance(s, SweepStep) and s.role is Role.STANDARD and s.key != "overview"}
    times = {name: step.settings.sweep_time_s or 0.0 for name, step in zooms.items()}
    assert times["standard-S70"] > times["standard-S3"]


@pytest.mark.parametrize(("name", "wrong_db"), [("standard-S3", 0.5), ("standard-S70", 3.0), ("standard-S70", -3.0)])
def test_a_standard_that_reads_wrong_stops_the_run(with_kit, name: str, wrong_db: float) -> None:
    reading(with_kit, {name: wrong_db})
    steps = with_kit.whole()
    assert isinstance(steps[-1], Stop)
    assert "certificate" in steps[-1].why
    assert sum(isinstance(s, Connect) and s.hookup.name == name for s in steps) == MOST_TRIES
    assert not any(isinstance(s, Connect) and s.hookup.kind is HookupKind.PATH for s in steps)


def test_a_standard_that_was_only_loose_is_mated_anew(with_kit) -> None:
    reading(with_kit, {"standard-S3": 0.5}, times=1)
    steps = with_kit.whole()
    assert isinstance(steps[-1], Done)
    assert [s.refused != "" for s in steps if isinstance(s, Connect) and s.hookup.name == "standard-S3"] == [
        False,
        True,
    ]


def test_what_scale_and_mismatch_may_do_is_allowed(with_kit) -> None:
    """0.01 dB/dB over 70 dB may be 0.7 dB, and at most the 0.3 dB over the range; U of the certificate is 0.3 dB."""
    reading(with_kit, {"standard-S70": 0.5})
    assert isinstance(with_kit.whole()[-1], Done)


def test_a_switch_that_cannot_is_told(with_kit) -> None:
    ends = [f"reflect-{end}" for end in ("open", "short", "TX", "RX", "ANT")]
    hookups = dict.fromkeys(("thru", "floor", "TX-ANT", "ANT-RX", "TX-RX", "standard-S3", *ends), "ROUT:CLOS (@1)")
    with_kit.bench = replace(with_kit.bench, switch=SwitchFile(resource="none", hookups=hookups))
    steps = with_kit.whole()
    assert any(
        "standard-S70 cannot be measured: the switch has no such hookup" in s.why for s in steps if isinstance(s, Warn)
    )
    assert {s.hookup.name for s in steps if isinstance(s, Connect) and s.hookup.kind is HookupKind.STANDARD} == {
        "standard-S3"
    }


def test_the_bench_file_names_them() -> None:
    text = TYPICAL_BENCH + (
        "kit:\n  S3: {what: standard, value: 3.02 dB, uncertainty: 0.03 dB, calibrated: 2026-01-15}\n"
        "  S9: {what: standard}\n"
    )
    found = standards(load_bench(text, "bench.yaml"))
    assert [(item.id, item.value_db, item.u_db) for item in found] == [("S3", 3.02, 0.03)]


def _allowed_db(bench, history, name: str) -> float:
    """How far the standard's reading may stand from its value, as the text says it."""
    hookup = standard_hookup(next(item for item in bench.kit if item.id == name))
    key = next(e.key for e in history if isinstance(e, Swept) and e.hookup == hookup.name and e.key != "overview")
    text, _ = standard_reading(hookup, key, bench, sweeps_of(history))
    return float(re.search(r"may differ by ([\d.]+) dB", text).group(1))


def test_mismatch_and_leakage_count_in_what_a_standard_may_read(with_kit) -> None:
    """Twice the standard uncertainty of an amplitude r of unknown phase beside 1, 8.686 r / sqrt(2) dB, in squares."""
    with_kit.whole()
    one, fifth = Figure(limit=1.0), Figure(limit=1.5)  # VSWR 1.5 reflects 0.2
    quiet = replace(
        with_kit.bench,
        analyzer=replace(with_kit.bench.analyzer, vswr=one),
        generator_vswr=one,
        generator_pad=None,
        analyzer_pad=None,
        kit=tuple(replace(item, vswr=one) for item in KIT),
    )
    base = _allowed_db(quiet, with_kit.history, "S3")
    ends = replace(quiet, analyzer=replace(quiet.analyzer, vswr=fifth), generator_vswr=fifth)
    reflecting = replace(ends, kit=tuple(replace(item, vswr=fifth) for item in KIT))
    per_share = 2.0 * 8.686 / math.sqrt(2.0)
    for bench, share in ((ends, 0.04), (reflecting, 0.04 * math.sqrt(3.0))):
        expected = math.hypot(base, per_share * share)
        assert _allowed_db(bench, with_kit.history, "S3") == pytest.approx(expected, abs=0.02)
    leaking = [
        replace(e, sweep=replace(e.sweep, trace=Trace(e.sweep.trace.freq_hz, 0.0 * e.sweep.trace.level_dbm - 50.0)))
        if isinstance(e, Swept) and e.hookup == "floor" and e.role is Role.LEAKAGE
        else e
        for e in with_kit.history
    ]
    thru = next(e for e in with_kit.history if isinstance(e, Swept) and e.role is Role.THRU)
    share = 10.0 ** ((-50.0 - float(np.median(thru.sweep.trace.level_dbm)) + 3.02) / 20.0)
    expected = math.hypot(base, per_share * share)
    assert expected > 2.0 * base
    assert _allowed_db(quiet, leaking, "S3") == pytest.approx(expected, abs=0.02)
