"""What `check` prints: nothing of the forecast is lost, and it fits."""

from dataclasses import replace

import pytest

from sequencer.cli.checktext import check_text
from sequencer.core.history import Role
from sequencer.core.hookup import Hookup, HookupKind
from sequencer.core.trace import SweepSettings
from sequencer.recipe.model import AnalyzerFile, Bench, Pad, Recipe
from sequencer.run.forecast import Forecast, HookupForecast, LimitForecast, SweepForecast

RECIPE = Recipe(
    name="r",
    title="An invented set",
    ports=("TX", "RX", "ANT"),
    frequencies={"transmit": 146.61e6},
    overview_hz=(144e6, 148e6),
    requirements=(),
)
BENCH = Bench(analyzer=AnalyzerFile(resource="x"), generator_pad=Pad(loss_db=10.0), analyzer_pad=Pad(loss_db=6.0))


def sweep(
    key: str, role: Role, generator_dbm: float | None = 0.0, why: str = "the RBW suits the notch"
) -> SweepForecast:
    settings = SweepSettings(
        start_hz=145.91e6,
        stop_hz=146.11e6,
        points=401,
        rbw_hz=300.0,
        attenuation_db=10.0,
        reference_dbm=-5.0,
        generator_dbm=generator_dbm,
        sweep_time_s=1.3,
    )
    return SweepForecast(key=key, role=role, settings=settings, repeats=8, seconds=10.4, why=why)


def forecast(*, ok: bool = True) -> Forecast:
    floor = Hookup(name="floor", kind=HookupKind.FLOOR, loads=("generator lead", "analyzer lead"))
    path = Hookup(name="TX-ANT", kind=HookupKind.PATH, generator="TX", analyzer="ANT", loads=("RX",))
    return Forecast(
        hookups=(
            HookupForecast(hookup=floor, sweeps=(sweep("receive", Role.NOISE, None), sweep("receive", Role.LEAKAGE))),
            HookupForecast(hookup=path, sweeps=(sweep("receive", Role.DEVICE),)),
        ),
        total_s=1850.0,
        hands_s=300.0,
        limits=(
            LimitForecast(
                id="rejection TX-ANT receive",
                limit="at least 75 dB",
                provable="up to 68 dB",
                ok=ok,
                remedy="" if ok else "raise the generator by 7 dB",
            ),
        ),
        assumptions=("analyzer VSWR 1.5",),
        touches=5,
    )


def test_everything_is_told() -> None:
    text = " ".join(check_text(forecast(ok=False), RECIPE, BENCH, columns=100).split())
    for words in (
        "An invented set",
        "2 hookups, 5 joints to open or close by hand, about 30 min 50 s; 1 of 1 limit cannot be proved",
        "No instrument was touched",
        "Hookup 2 of 2: TX-ANT",
        "[10 dB pad]--| TX ANT |--[6 dB pad]",
        "Move the 50 ohm load from the generator lead to RX.",
        "145.910 to 146.110 MHz 401 300 Hz 8 x 1.3 s",
        "receive (noise): generator off, reference level -5 dBm, attenuation 10 dB",
        "Expected time: 30 min 50 s, of it 31 s sweeping, 5 min for the hands",
        "rejection TX-ANT receive at least 75 dB up to 68 dB NO",
        "raise the generator by 7 dB",
        "analyzer VSWR 1.5",
        "locked out",
        "What to bring, besides analyzer, generator and device:",
        "2 50 ohm load not told on generator lead and on analyzer lead: floor; on RX: TX-ANT",
        "1 6 dB pad not told analyzer side: every hookup",
    ):
        assert words in text, words


def test_what_can_be_proved_comes_before_the_hookups() -> None:
    text = check_text(forecast(ok=False), RECIPE, BENCH, columns=80)
    assert text.index("What this bench can prove") < text.index("Hookup 1 of 2")


def test_a_reason_is_told_once() -> None:
    assert check_text(forecast(), RECIPE, BENCH, columns=100).count("the RBW suits the notch") == 1


def test_what_passes_is_told_with_its_reason() -> None:
    told = forecast()
    limit = replace(told.limits[0], provable="within 0.09 dB", passes="up to 1.51 dB")
    text = " ".join(check_text(replace(told, limits=(limit,)), RECIPE, BENCH, columns=100).split())
    assert "within 0.09 dB up to 1.51 dB yes 'passes' is what a device must read" in text


def test_all_proved_says_so() -> None:
    text = check_text(forecast(ok=True), RECIPE, BENCH, columns=100)
    assert "all of 1 limit can be proved" in " ".join(text.split())
    assert "NO" not in text.split()


@pytest.mark.parametrize("columns", [80, 100, 200])
def test_it_fits(columns: int) -> None:
    lines = check_text(forecast(ok=False), RECIPE, BENCH, columns=columns).splitlines()
    assert max(len(line) for line in lines) <= min(columns, 100)


def test_without_a_bench_file_and_without_limits() -> None:
    empty = Forecast(hookups=(), total_s=0.0, hands_s=0.0, limits=(), assumptions=(), touches=0)
    assert "No limits" in check_text(empty, RECIPE, None, columns=80)
