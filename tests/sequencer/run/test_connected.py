"""Whether a path shows that its leads were on."""

from datetime import UTC, datetime

import numpy as np
import pytest

from sequencer.core.normalise import Averaged, response
from sequencer.core.trace import Detector, SweepSettings
from sequencer.run.connected import _clear
from sequencer.run.floor import flat

POINTS, REPEATS = 15, 48
USED = SweepSettings(
    start_hz=146.0e6, stop_hz=146.1e6, points=POINTS, rbw_hz=1e3, attenuation_db=10.0, reference_dbm=0.0,
    generator_dbm=0.0, detector=Detector.SAMPLE, sweep_time_s=1.0,
)  # fmt: skip


def averaged(mean_mw: float, noise_mw: float, seed: int) -> Averaged:
    """Repeats of a coherent signal in noise: exponential samples of the noise's mean, and the signal beside them."""
    power = mean_mw + np.random.default_rng(seed).exponential(noise_mw, (REPEATS, POINTS))
    day = datetime(2026, 1, 1, tzinfo=UTC)
    return Averaged(
        np.linspace(USED.start_hz, USED.stop_hz, POINTS), power.mean(axis=0),
        power.std(axis=0, ddof=1) / power.mean(axis=0) / np.sqrt(REPEATS), np.zeros(POINTS, dtype=bool), REPEATS,
        REPEATS - 1.0, USED, day, day,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("over_noise_db", "clear"),
    [
        pytest.param(8.0, True, id="8 dB over the noise: single points show it"),
        pytest.param(0.0, True, id="as much as the noise: only many points together show it"),
        pytest.param(-12.0, False, id="12 dB under the noise: less than what switching moves the noise by"),
        pytest.param(-300.0, False, id="leads in mid-air"),
    ],
)
def test_a_path_is_shown_by_what_noise_leaves_of_a_mean(over_noise_db: float, clear: bool) -> None:
    noise_mw = 1e-7
    for seed in range(50):
        thru = averaged(1.0, 1e-12, 3 * seed)
        device = averaged(noise_mw * 10.0 ** (over_noise_db / 10.0), noise_mw, 3 * seed + 1)
        noise = averaged(0.0, noise_mw, 3 * seed + 2)
        assert _clear(response(device, thru, flat(noise))) is clear
