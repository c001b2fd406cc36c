"""Tables and paragraphs: folded between words, a number never parted from its unit."""

import pytest

from sequencer.cli.words import fold, table

ROWS = [("insertion loss TX-ANT transmit within 15 kHz", "at least 146.004 MHz, at most 146.016 MHz", "1.46 dB")]


@pytest.mark.parametrize("width", [50, 79, 100])
def test_a_table_folds_its_widest_columns_between_words(width: int) -> None:
    lines = table(("limit on", "required", "value"), ROWS, width)
    assert max(len(line) for line in lines) <= width
    words = " ".join(lines[2:]).split()
    assert sorted(words) == sorted(" ".join(ROWS[0]).split())  # no word was broken
    assert any(line.rstrip().endswith("1.46 dB") for line in lines)


def test_a_table_that_cannot_fit_keeps_its_words_whole() -> None:
    lines = table(("a", "b"), [("overview,", "compression")], 12)
    assert "compression" in lines[2]


def test_a_number_and_its_unit_stay_together() -> None:
    assert fold("one two 15 kHz", 12) == ["one two", "15 kHz"]
