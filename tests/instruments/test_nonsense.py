"""Dialects with odd lines, and instruments that answer nonsense: clear errors only."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments import dialects
from instruments.probe import probe
from sequencer.errors import NotchbookError, RecipeError

TEXT = (Path(dialects.__file__).parent / "free-binary.yaml").read_text(encoding="utf-8")
ODD = (
    *("", "x", "-1", "1e999", "nan", "[]", "{}", "[1, 2]", "{a: b}", "yes", "{value}", "{value.real}", "{0}", "a;b"),
    *("\x1b[2J", "<script>", "*RST", "10 dB", "3 kHz", "[3 kHz, 1 kHz]", "&a [*a]", "!!python/name:os", "\ud800", "'"),
)


@settings(max_examples=100, deadline=None)
@given(
    st.integers(0, TEXT.count("\n")),
    st.sampled_from(ODD),
    st.sampled_from(["value", "line", "twice", "lost", "inside"]),
    st.integers(0, 200),
)
def test_a_dialect_with_an_odd_line_is_read_or_refused(number: int, odd: str, how: str, place: int) -> None:
    lines = TEXT.split("\n")
    line = lines[number]
    key, colon, _ = line.partition(":")
    column = place % (len(line) + 1)
    changed = {
        "value": [f"{key}{colon} {odd}"],
        "line": [odd],
        "twice": [line, line],
        "lost": [],
        "inside": [line[:column] + odd + line[column + 3 :]],
    }
    lines[number : number + 1] = changed[how]
    try:
        found = dialects.parse("\n".join(lines), "odd.yaml")
    except RecipeError as exc:
        assert exc.message.startswith("odd.yaml")  # noqa: PT017 - it may also be accepted
        return
    assert found.begin[0] == found.off  # whatever is accepted turns the generator off first


ANSWERS = (
    *("1", "0", "ON", "OFF", '0,"No error"', '-113,"Undefined header"', "9.91E37", "1E8", "100000000 HZ", "-30 DBM"),
    *("SAMP", "nan", "inf", "1e400", "", ";;", "\x1b[2J", "<script>", "{value}", "{0.__class__}", "a" * 5000, "1,2,3"),
    *("#", "1;1", "401", "TRUE", '"', "'x", "-0", "1_0", "0x10", "FREQ:STAR 1E8", "128", "255"),
)


class Mad:
    """A link whose instrument knows who it is and answers anything else at random, or what it was set to."""

    resource, timeout_s, log_must_work, dead = "mad", 1.0, True, ""

    def __init__(self, seed: int) -> None:
        self._rng = random.Random(seed)
        self._holds = bool(self._rng.getrandbits(1))
        self._few = self._rng.sample(ANSWERS, 4)
        self._set: dict[str, str] = {}

    def write(self, command: str) -> None:
        header, _, value = command.partition(" ")
        self._set[f"{header}?"] = value

    def query(self, query: str) -> str:
        if query == "*IDN?":
            return "Invented,Mad,0,1"
        if self._holds and self._set.get(query):
            return self._set[query]
        return self._rng.choice(self._few if self._holds else ANSWERS)

    def query_or_silence(self, query: str, _within_s: float) -> str | None:
        return None if query != "*IDN?" and self._rng.random() < 0.1 else self.query(query)

    def query_trace(self, query: str, _unstated: int | None = None) -> bytes | str:
        kind = self._rng.randrange(3)
        if kind == 0:
            return ",".join(f"{self._rng.gauss(-80.0, 5.0):.3f}" for _ in range(401))
        return self._rng.randbytes(self._rng.choice([0, 3, 8, 1604, 3208])) if kind == 1 else self.query(query)

    def reopen(self, within_s: float = 5.0) -> None:
        pass


class Clock:
    def now(self) -> datetime:
        return datetime(2026, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize("seed", range(8))
def test_a_probe_of_nonsense_ends_with_an_error_and_a_file_that_can_be_corrected(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("time.sleep", lambda _s: None)
    with pytest.raises(NotchbookError) as caught:
        probe(Mad(seed), Clock(), maximum_dbm=0.0, confirm=lambda: True, patience_s=0.02, within_s=1.0, sweep_s=0.01)  # type: ignore[arg-type]
    text = str(caught.value.facts["text"])
    assert all(character.isprintable() or character == "\n" for character in text)
    assert yaml.safe_load(text)["dialect"] == 1
    assert "\x1b" not in caught.value.message
