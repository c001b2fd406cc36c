"""Program messages, headers, numbers and blocks: tables from IEEE 488.2 and SCPI-99."""

import pytest

from instruments.simulated.parameters import block, read_boolean, read_channels, read_number, read_text, read_word
from instruments.simulated.syntax import ERROR_TEXTS, ScpiError, Tree, short_form, split_message
from instruments.simulated.variants import load_variant, variant_names


@pytest.mark.parametrize(
    ("long", "short"),  # check value S02: SCPI-1999 Vol. 1, 6.2.1, rule applied by program
    [
        ("DETECTOR", "DET"),
        ("AVERAGE", "AVER"),
        ("CONTINUOUS", "CONT"),
        ("IMMEDIATE", "IMM"),
        ("BORDER", "BORD"),
        ("SWAPPED", "SWAP"),
        ("INITIATE", "INIT"),
        ("SYSTEM", "SYST"),
        ("ERROR", "ERR"),
        ("START", "STAR"),
        ("TIME", "TIME"),
    ],
)
def test_short_forms(long, short):
    assert short_form(long) == short


def mnemonics(pattern):
    for piece in pattern.strip("?").replace("[", "").replace("]", "").replace("|", ":").split(":"):
        yield piece.rstrip("0123456789")


@pytest.mark.parametrize("name", variant_names())
def test_tables_spell_short_forms_by_the_rule(name):
    variant = load_variant(name)
    words = [word for pattern in variant.commands.values() for word in mnemonics(pattern)]
    words += [word for word in (*variant.detectors, *variant.formats) if "," not in word]
    for word in words:
        assert "".join(letter for letter in word if letter.isupper()) == short_form(word.upper()), word


def test_definite_block():
    # Check value S04: IEEE Std 488.2-1992 8.7.9, 10001 points of 8 bytes (clause from memory).
    assert block(bytes(10001 * 8)).startswith(b"#580008")
    assert block(b"HELLO") == b"#15HELLO"  # trade notes 6.6


@pytest.mark.parametrize(
    ("message", "units"),
    [
        ("*RST", [("*RST", False, ())]),
        ("FREQ:STAR 1 MHZ;STOP?", [("FREQ:STAR", False, ("1 MHZ",)), ("STOP", True, ())]),
        (":A?;;*OPC", [(":A", True, ()), ("*OPC", False, ())]),
        ("FORM REAL, 32", [("FORM", False, ("REAL", "32"))]),
        ("ROUT:CLOS (@1,2)", [("ROUT:CLOS", False, ("(@1,2)",))]),
        ("A 'x;y,z'", [("A", False, ("'x;y,z'",))]),
        ("A\t1", [("A", False, ("1",))]),
        ("  ", []),
    ],
)
def test_messages_are_taken_apart(message, units):
    assert [(unit.header, unit.query, unit.parameters) for unit in split_message(message)] == units


@pytest.mark.parametrize(
    ("message", "number"),  # numbers: SCPI-1999 Vol. 2, 21.8 (public copy of the list)
    [
        pytest.param("FREQ\x07 1", -101, id="invalid-character"),
        pytest.param("FR\xe9Q 1", -101, id="not-ascii"),
        pytest.param("FREQ::STAR 1", -102, id="empty-node"),
        pytest.param("1FREQ", -102, id="digit-first"),
        pytest.param("FREQ,1", -103, id="comma-for-space"),
        pytest.param("A 1,,2", -109, id="missing-between-commas"),
        pytest.param("ABCDEFGHIJKLM 1", -112, id="thirteen-letters"),
        pytest.param("A 'x", -151, id="string-without-end"),
        pytest.param('*GMC"MACRO"', -111, id="the-list's-own-example"),
    ],
)
def test_messages_that_are_none(message, number):
    with pytest.raises(ScpiError) as caught:
        list(split_message(message))
    assert caught.value.number == number


def tree():
    made = Tree()
    patterns = ("[SENSe:]FREQuency:STARt", "[SENSe:]FREQuency:STOP", "SENSe:BANDwidth|BWIDth[:RESolution]")
    for pattern in (*patterns, "OUTPut1[:STATe]", "OUTPut1:LEVel"):
        made.add(pattern, pattern)
    return made


@pytest.mark.parametrize(
    ("header", "path", "found"),
    [
        ("FREQ:STAR", (), "[SENSe:]FREQuency:STARt"),
        ("sense:frequency:start", (), "[SENSe:]FREQuency:STARt"),
        ("SENSe1:FREQ:STAR", (), "[SENSe:]FREQuency:STARt"),
        ("STOP", ("FREQ",), "[SENSe:]FREQuency:STOP"),
        (":FREQ:STOP", ("FREQ",), "[SENSe:]FREQuency:STOP"),
        ("SENS:BWID", (), "SENSe:BANDwidth|BWIDth[:RESolution]"),
        ("SENS:BANDWIDTH:RES", (), "SENSe:BANDwidth|BWIDth[:RESolution]"),
        ("OUTP1", (), "OUTPut1[:STATe]"),
        ("OUTPUT1:STAT", (), "OUTPut1[:STATe]"),
    ],
)
def test_headers_are_found(header, path, found):
    assert tree().find(header, path)[0] == found


@pytest.mark.parametrize(
    ("header", "path", "number"),
    [
        pytest.param("FREQU:STAR", (), -113, id="neither-short-nor-long"),
        pytest.param("STOP", (), -113, id="no-path"),
        pytest.param("FREQ:STOP", ("FREQ",), -113, id="path-goes-on"),
        pytest.param("FREQ", (), -113, id="only-a-node"),
        pytest.param("OUTP", (), -113, id="number-must-be-sent"),
        pytest.param("OUTP2", (), -114, id="no-second-output"),
        pytest.param("SENS2:FREQ:STAR", (), -114, id="no-second-receiver"),
    ],
)
def test_headers_that_are_none(header, path, number):
    with pytest.raises(ScpiError) as caught:
        tree().find(header, path)
    assert caught.value.number == number


@pytest.mark.parametrize(
    ("text", "unit", "value"),  # multipliers: IEEE 488.2 7.7.3 (from memory, trade notes 6.5)
    [
        ("146.61 MHZ", "HZ", 146.61e6),
        ("146.61mhz", "HZ", 146.61e6),
        ("1 MAHZ", "HZ", 1e6),
        ("100 KHZ", "HZ", 1e5),
        ("1.2 GHZ", "HZ", 1.2e9),
        ("1 MS", "S", 1e-3),
        ("2 US", "S", 2e-6),
        ("3NS", "S", 3e-9),
        ("-10 DBM", "DBM", -10.0),
        ("10 DB", "DB", 10.0),
        (".5", "", 0.5),
        ("+5.", "", 5.0),
        ("1.5E3", "HZ", 1500.0),
        ("1.5 E +3", "HZ", 1500.0),
        ("0" * 300 + "1E0", "HZ", 1.0),  # leading zeros are no digits
        ("1E-32000", "HZ", 0.0),
        ("#HFF", "", 255.0),
        ("#B101", "", 5.0),
        ("#Q17", "", 15.0),
        ("INFinity", "", 9.9e37),
        ("ninf", "", -9.9e37),
        ("NAN", "", 9.91e37),
    ],
)
def test_numbers(text, unit, value):
    assert read_number(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "number"),
    [
        pytest.param("fast", "HZ", -104, id="word"),
        pytest.param("1.2.3", "HZ", -121, id="two-points"),
        pytest.param("#HXY", "", -121, id="bad-hex"),
        pytest.param("1 V", "HZ", -131, id="wrong-unit"),
        pytest.param("1 KDBM", "DBM", -131, id="decibels-take-no-multiplier"),
        pytest.param("1 HZ", "", -138, id="no-unit-here"),
        pytest.param("1E99", "HZ", -222, id="too-large"),
        pytest.param("1E999", "HZ", -222, id="not-finite"),
        pytest.param("1" + "0" * 255, "HZ", -124, id="256-digits"),
        pytest.param("1E40000", "HZ", -123, id="exponent"),
        pytest.param("1E-" + "9" * 5000, "HZ", -123, id="a-very-long-exponent"),
        pytest.param("DEF", "HZ", -224, id="no-default"),
        # SCPI-99 Vol. 1 7.2.1 [clauses from memory]: numbers by name are numbers, here out of range; no step for UP
        pytest.param("INF", "HZ", -222, id="infinity"),
        pytest.param("NINFinity", "HZ", -222, id="minus-infinity"),
        pytest.param("NAN", "HZ", -222, id="not-a-number"),
        pytest.param("UP", "HZ", -224, id="no-step-up"),
        pytest.param("down", "HZ", -224, id="no-step-down"),
    ],
)
def test_numbers_that_are_none(text, unit, number):
    with pytest.raises(ScpiError) as caught:
        read_number(text, unit, least=0.0, most=1e10)
    assert caught.value.number == number


@pytest.mark.parametrize(("text", "value"), [("MIN", 10.0), ("maximum", 20.0), ("DEFault", 15.0)])
def test_special_numbers(text, value):
    assert read_number(text, "HZ", least=10.0, most=20.0, default=15.0) == value


@pytest.mark.parametrize(("text", "value"), [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False)])
def test_booleans(text, value):
    assert read_boolean(text) is value


def test_words_in_two_forms_only():
    words = ("SAMPle", "REAL,32")
    assert read_word("samp", words) == read_word("SAMPLE", words) == "SAMPle"
    assert read_word("real,32", words) == "REAL,32"
    for text in ("SAMPL", "REAL,64", ""):
        with pytest.raises(ScpiError):
            read_word(text, words)


def test_strings_and_channel_lists():
    assert read_text('"a ""b"""') == 'a "b"'
    assert read_text("TX-ANT") == "TX-ANT"
    assert read_channels("(@1,3:5)") == [1, 3, 4, 5]
    for text in ("1", "(1)", "(@)", "(@a)"):
        with pytest.raises(ScpiError):
            read_channels(text)


def test_error_entries_fit_one_line():
    for number in ERROR_TEXTS:
        entry = ScpiError(number, 'x"y' * 200).entry()
        assert entry.startswith(f'{number},"')
        assert entry.count('"') == 2
        assert len(entry) < 256 + 8  # SCPI-1999 Vol. 2, 21.8.1: at most 255 characters of text (from memory)
