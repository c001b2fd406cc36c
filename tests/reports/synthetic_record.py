"""A synthetic record for the report's tests and pictures. Everything in it is invented."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from sequencer.core.record import (
    Bound,
    Contribution,
    Curve,
    CurveKind,
    HookupRecord,
    JournalNote,
    Limit,
    Record,
    Result,
    Statement,
    TraceRecord,
)
from sequencer.core.trace import SweepSettings

TRANSMIT_HZ, RECEIVE_HZ = 146.61e6, 146.01e6
BEGAN = datetime(2026, 3, 14, 9, 30, tzinfo=UTC)
HOSTILE = '<script>alert("x")</script>\'"&</style>\x07\u202e' + "9" * 120


def _sha(text):
    return hashlib.sha256(text.encode()).hexdigest()


def _budget(unit, scale):
    return (
        Contribution(
            name="noise",
            value=0.02 * scale,
            unit=unit,
            distribution="normal",
            divisor=1.0,
            sensitivity=1.0,
            u=0.02 * scale,
            kind="A",
            origin="measured in this run",
        ),
        Contribution(
            name="mismatch",
            value=0.11 * scale,
            unit=unit,
            distribution="U-shaped",
            divisor=1.41421356,
            sensitivity=1.0,
            u=0.0778 * scale,
            kind="B",
            origin="bench file",
        ),
        Contribution(
            name="scale",
            value=0.02,
            unit="dB/dB",
            distribution="rectangular",
            divisor=1.7320508,
            sensitivity=5.0 * scale,
            u=0.0577 * scale,
            kind="B",
            origin="bench file",
        ),
        Contribution(
            name="drift",
            value=0.03 * scale,
            unit=unit,
            distribution="rectangular",
            divisor=1.7320508,
            sensitivity=1.0,
            u=0.0173 * scale,
            kind="B",
            origin="measured in this run",
        ),
        Contribution(
            name="connections",
            value=0.03 * scale,
            unit=unit,
            distribution="normal",
            divisor=1.0,
            sensitivity=1.0,
            u=0.03 * scale,
            kind="B",
            origin="assumed",
        ),
    )


def _result(quantity, place, at, limit, value, interval, statement, margin, **more):
    hz = {"transmit": TRANSMIT_HZ, "receive": RECEIVE_HZ}[at]
    where = {"port": place} if quantity == "return loss" else {"path": place}
    unit = more.pop("unit", "dB")
    scale = 1.0 if unit == "dB" else 1000.0
    return Result(
        id=f"{quantity} {place} {at}",
        quantity=quantity,
        at=at,
        at_hz=hz,
        unit=unit,
        value=value,
        interval=interval,
        coverage=0.95,
        statement=statement,
        limit=limit,
        margin=margin,
        budget=_budget(unit, scale),
        **where,
        **more,
    )


def results():
    """Every statement, a bound, hertz, a value without an interval's end, no value at all."""
    good, near = Statement.PASS, Statement.CONDITIONAL_PASS
    far = "within 8 kHz"
    return (
        _result("insertion loss", "TX-ANT", "transmit", Limit(max=1.6), 1.3249, (1.146, 1.507), good, 0.2751),
        _result("insertion loss", "ANT-RX", "receive", Limit(max=1.6), 1.532, (1.351, 1.716), near, 0.068),
        _result("rejection", "TX-ANT", "receive", Limit(min=75.0), 78.13, (76.52, 79.84), good, 3.13, condition=far),
        _result(
            "rejection",
            "ANT-RX",
            "transmit",
            Limit(min=75.0),
            71.26,
            (69.88, 72.71),
            Statement.FAIL,
            -3.74,
            condition=far,
        ),
        _result(
            "isolation",
            "TX-RX",
            "receive",
            Limit(min=75.0),
            None,
            (88.17, None),
            good,
            13.17,
            bound=Bound.AT_LEAST,
            notes=("noise hid the true value",),
        ),
        _result(
            "isolation",
            "TX-RX",
            "transmit",
            Limit(min=95.0),
            None,
            (87.42, None),
            Statement.UNDECIDED,
            None,
            bound=Bound.AT_LEAST,
            notes=("noise hid the true value; a narrower RBW could show it",),
        ),
        _result("return loss", "TX", "transmit", Limit(min=18.0), 22.4, (19.3, None), good, 4.4),
        _result("return loss", "RX", "receive", Limit(min=18.0), 17.2, (15.1, 20.6), Statement.CONDITIONAL_FAIL, -0.8),
        _result("return loss", "ANT", "transmit", Limit(min=18.0), 24.8, (21.2, 31.5), good, 6.8),
        _result(
            "notch frequency",
            "TX-ANT",
            "receive",
            Limit(min=RECEIVE_HZ - 3e3, max=RECEIVE_HZ + 3e3),
            146_010_412.7,
            (146_010_100.2, 146_010_730.9),
            good,
            2587.3,
            unit="Hz",
            condition="within 20 kHz",
        ),
        _result(
            "rejection bandwidth",
            "TX-ANT",
            "receive",
            Limit(min=16e3),
            21_480.0,
            (20_910.0, 22_060.0),
            good,
            5480.0,
            unit="Hz",
            condition="at 75 dB",
            probability_conforming=0.9991,
        ),
        _result(
            "ripple",
            "TX-ANT",
            "transmit",
            Limit(max=0.3),
            None,
            (None, None),
            Statement.UNDECIDED,
            None,
            condition=far,
            notes=("the sweep was flagged overload",),
        ),
    )


def _trace(number, hookup, key, role, center_hz, span_hz, rbw_hz, **flags):
    used = SweepSettings(
        start_hz=center_hz - span_hz / 2,
        stop_hz=center_hz + span_hz / 2,
        points=1001,
        rbw_hz=rbw_hz,
        attenuation_db=10.0,
        reference_dbm=-10.0,
        generator_dbm=None if role == "noise" else 0.0,
        sweep_time_s=1.25,
    )
    return TraceRecord(
        file=f"traces/{number:03d}.csv",
        sha256=_sha(f"trace {number}"),
        hookup=hookup,
        key=key,
        role=role,
        began=BEGAN + timedelta(minutes=number),
        used=used,
        **flags,
    )


def _hookup(number, name, kind, chain, loads, proof):
    return HookupRecord(
        name=name,
        kind=kind,
        chain=chain,
        loads=loads,
        confirmed_by="operator",
        at=BEGAN + timedelta(minutes=3 * number),
        proof=proof,
    )


def record(**changes):
    """Return a measured, complete record with every kind of result; ``changes`` replace fields."""
    front, back = ("generator", "lead G", "10 dB pad P1"), ("6 dB pad P2", "lead A", "analyzer")
    recipe, bench = "recipe: 1\nname: invented\n", "bench: 1\nanalyzer: {}\n"
    plain = Record(
        program="notchbook 0.1.0",
        run_id="20260314T093000Z-inv-0042",
        simulated=False,
        overall=Statement.FAIL,
        complete=True,
        title="Acceptance, four-cavity VHF duplexer, 600 kHz split (invented scenario)",
        recipe_name="vhf-600k-acceptance",
        recipe_text=recipe,
        recipe_sha256=_sha(recipe),
        bench_text=bench,
        bench_sha256=_sha(bench),
        decision="Guarded acceptance: a requirement passes only if the end of the 95 % interval that faces the limit "
        "still keeps it.",
        coverage=0.95,
        serial="INV-0042",
        conditions={
            "temperature": "21.5 degC",
            "humidity": "43 %",
            "operator": "A. Example",
            "place": "Bench 2, Example Valley",
            "soak": "45 min",
            "customer": "Example Valley Repeater Group (invented)",
            "torque": "hand tight",
        },
        labels={"site": "Example Hill"},
        identification={"analyzer": "EXAMPLE,ANALYZER,0,1.0", "switch": "EXAMPLE,SWITCH,0,1.0"},
        equipment=(
            {"what": "lead", "id": "G", "calibrated": "2026-01-20", "loss": "0.31 dB", "vswr": "1.08"},
            {"what": "pad", "id": "P1", "calibrated": "", "loss": "10 dB"},
            {"what": "load", "id": "L1", "calibrated": "none", "vswr": "1.05"},
        ),
        frequencies={"transmit": TRANSMIT_HZ, "receive": RECEIVE_HZ},
        ports=("TX", "RX", "ANT"),
        began=BEGAN,
        ended=BEGAN + timedelta(minutes=52),
        instrument_seconds=312.4,
        wall_seconds=3120.0,
        hookups=(
            _hookup(0, "thru", "thru", (*front, *back), {}, "level within 0.4 dB of what was expected"),
            _hookup(
                1,
                "floor",
                "floor",
                (*front, "load L1", "load L2", *back),
                {"generator lead": "load L1", "analyzer lead": "load L2"},
                "80 dB below the thru",
            ),
            _hookup(
                2,
                "TX-ANT",
                "path",
                (*front, "device TX", "device ANT", *back),
                {"RX": "load L1"},
                "differs from the floor",
            ),
            _hookup(
                3,
                "ANT-RX",
                "path",
                (*front, "device ANT", "device RX", *back),
                {"TX": "load L1"},
                "differs from TX-ANT",
            ),
            _hookup(
                4,
                "reflect-TX",
                "reflect",
                ("generator", "bridge B1", "device TX"),
                {"RX": "load L1", "ANT": "load L2"},
                "differs from the open",
            ),
        ),
        traces=(
            _trace(1, "thru", "overview", "thru", 146.3e6, 4e6, 10e3),
            _trace(2, "floor", "receive", "noise", RECEIVE_HZ, 60e3, 100.0),
            _trace(3, "TX-ANT", "receive", "device", RECEIVE_HZ, 60e3, 100.0),
            _trace(4, "TX-ANT", "transmit", "device", TRANSMIT_HZ, 60e3, 1e3, flags=("overload",)),
        ),
        notes=(
            JournalNote(at=BEGAN, kind="MadeSafe", what="generator off, confirmed", why="every session begins so"),
            JournalNote(
                at=BEGAN + timedelta(minutes=9),
                kind="Swept",
                what="TX-ANT, receive: 16 averages",
                why="the noise scatter was 0.4 dB; 0.1 dB is wanted",
            ),
            JournalNote(
                at=BEGAN + timedelta(minutes=30),
                kind="Refused",
                what="ANT-RX refused once",
                why="the sweep equalled the last hookup's",
            ),
        ),
        warnings=("TX-ANT, transmit: the analyzer flagged an overload",),
        results=results(),
    )
    return replace(plain, **changes)


def _notch(freq_hz, center_hz, width_hz, depth_db, base_db):
    """A smooth made-up notch; the shape proves nothing, it only gives the plots something to draw."""
    return base_db + depth_db / (1.0 + ((freq_hz - center_hz) / width_hz) ** 2)


def curves():
    """Return curves of every kind, 10,001 points in the overviews."""
    rng = np.random.default_rng(42)
    found = []
    sides = (("TX-ANT", RECEIVE_HZ, TRANSMIT_HZ), ("ANT-RX", TRANSMIT_HZ, RECEIVE_HZ))
    for path, notch_hz, pass_hz in sides:
        wide = np.linspace(144e6, 148e6, 10_001)
        shape = 1.3 + 12 * (1 - np.exp(-(((wide - pass_hz) / 1.4e6) ** 2))) + _notch(wide, notch_hz, 22e3, 74, 0)
        found.append(Curve(kind=CurveKind.RESPONSE, where=path, key="overview", freq_hz=wide, value=shape))
        floor = 96 + rng.normal(0, 1.2, wide.size)
        found.append(Curve(kind=CurveKind.FLOOR, where=path, key="overview", freq_hz=wide, value=floor))
        name = {RECEIVE_HZ: "receive", TRANSMIT_HZ: "transmit"}
        near = np.linspace(notch_hz - 30e3, notch_hz + 30e3, 1001)
        value = 1.3 + _notch(near, notch_hz + 500, 22e3, 76, 2) + rng.normal(0, 0.15, near.size)
        found.append(Curve(kind=CurveKind.RESPONSE, where=path, key=name[notch_hz], freq_hz=near, value=value))
        for kind, level, scatter in (
            (CurveKind.FLOOR, 112, 1.0),
            (CurveKind.LEAKAGE, 104, 0.2),
            (CurveKind.DISPLAY_BOTTOM, 118, 0),
        ):
            hider = level + rng.normal(0, 1, near.size) * scatter
            found.append(Curve(kind=kind, where=path, key=name[notch_hz], freq_hz=near, value=hider))
        band = np.linspace(pass_hz - 30e3, pass_hz + 30e3, 1001)
        loss = 1.3 + 8e-11 * (band - pass_hz) ** 2 + rng.normal(0, 0.01, band.size)
        found.append(Curve(kind=CurveKind.RESPONSE, where=path, key=name[pass_hz], freq_hz=band, value=loss))
        found.append(
            Curve(kind=CurveKind.FLOOR, where=path, key=name[pass_hz], freq_hz=band, value=np.full(band.size, 92.0))
        )
    for port, at_hz in (("TX", TRANSMIT_HZ), ("RX", RECEIVE_HZ)):
        grid = np.linspace(at_hz - 200e3, at_hz + 200e3, 1001)
        key = "transmit" if port == "TX" else "receive"
        found.append(
            Curve(kind=CurveKind.RETURN_LOSS, where=port, key=key, freq_hz=grid, value=_notch(grid, at_hz, 60e3, 20, 3))
        )
    grid = np.linspace(144e6, 148e6, 1001)
    level = -26.2 + 0.2 * np.sin(grid / 4e5)
    found.append(Curve(kind=CurveKind.THRU_OPENING, where="thru", key="overview", freq_hz=grid, value=level))
    found.append(Curve(kind=CurveKind.THRU_CLOSING, where="thru", key="overview", freq_hz=grid, value=level - 0.06))
    return tuple(found)


def hostile():
    """Return a record whose every free text is an attack, simulated and incomplete."""
    plain = record()
    bad = HOSTILE
    return replace(
        plain,
        simulated=True,
        complete=False,
        program=bad,
        run_id=bad,
        title=bad,
        recipe_name=bad,
        recipe_text=bad,
        bench_text=bad,
        decision=bad,
        serial=bad,
        conditions={bad: bad, "operator": bad},
        labels={bad: bad},
        identification={bad: bad},
        equipment=({"what": bad, "id": bad, "calibrated": bad, bad: bad},),
        frequencies={bad: TRANSMIT_HZ, "receive": RECEIVE_HZ},
        ports=(bad, "RX"),
        hookups=(
            replace(plain.hookups[2], name=bad, kind=bad, chain=(bad,), loads={bad: bad}, confirmed_by=bad, proof=bad),
        ),
        traces=(replace(plain.traces[0], file=bad, sha256=bad, hookup=bad, key=bad, role=bad, flags=(bad,)),),
        notes=(JournalNote(at=BEGAN, kind=bad, what=bad, why=bad),),
        warnings=(bad,),
        results=(
            replace(plain.results[0], id=bad, quantity=bad, at=bad, path=bad, condition=bad, notes=(bad,)),
            replace(
                plain.results[3],
                budget=(replace(plain.results[3].budget[0], name=bad, unit=bad, distribution=bad, origin=bad),),
            ),
        ),
        parent=bad,
    )


def hostile_curves():
    """Return curves whose names are attacks."""
    return tuple(replace(curve, where=HOSTILE, key=HOSTILE) for curve in curves()[:3])
