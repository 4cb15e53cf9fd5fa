"""What people type is read as meant or asked back in plain words; what is said can be typed again."""

import math
from collections.abc import Callable
from contextlib import suppress
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from advisor import parsing, units
from advisor.errors import RangeError
from advisor.wording import numbers


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("8.1", 8.1),
        (" 8.1 ", 8.1),
        ("8", 8.0),
        (".5", 0.5),
        ("8.", 8.0),
        ("-0.3", -0.3),
        ("+2", 2.0),
        ("1e-3", 0.001),
    ],
)
def test_numbers_are_read(text: str, number: float) -> None:
    """A number with a decimal point is read, blanks around it or not."""
    assert parsing.parse_number(text, "CO2") == number


NOT_A_NUMBER = "is not a number. Type digits and a point only, no unit"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("8,1", "CO2 '8,1' has a comma. Did you mean 8.1?"),
        ("1,200", "CO2 '1,200' has a comma. Did you mean 1.200 or 1200?"),
        ("1,234.5", "CO2 '1,234.5' has a comma. Type a point before the decimals, nothing else"),
        ("", "CO2: nothing was given, a number is needed"),
        ("  ", "CO2: nothing was given, a number is needed"),
        ("eight", f"CO2 'eight' {NOT_A_NUMBER}"),
        ("8.1%", f"CO2 '8.1%' {NOT_A_NUMBER}"),
        ("8 1", f"CO2 '8 1' {NOT_A_NUMBER}"),
        ("nan", f"CO2 'nan' {NOT_A_NUMBER}"),
        ("-inf", f"CO2 '-inf' {NOT_A_NUMBER}"),
        ("1_0", f"CO2 '1_0' {NOT_A_NUMBER}"),
        ("٨", f"CO2 '٨' {NOT_A_NUMBER}"),
        ("1e999", "CO2 '1e999' is too large a number. Is there a digit too many?"),
    ],
)
def test_bad_numbers_are_asked_back(text: str, message: str) -> None:
    """Anything else is refused, and the message says what to type."""
    with pytest.raises(RangeError) as error:
        parsing.parse_number(text, "CO2")
    assert str(error.value) == message


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_finite_number_reads_back(number: float) -> None:
    """A number written by the program is read back to the last digit."""
    assert parsing.parse_number(repr(number), "x") == number


@given(st.text())
def test_any_text_gives_a_number_or_a_range_error(text: str) -> None:
    """No text makes the readers fail in another way."""
    for read in (
        lambda: parsing.parse_number(text, "x"),
        lambda: parsing.parse_range(text, "x"),
        lambda: parsing.parse_turn(text),
        lambda: units.pressure_pa(1.0, text),
    ):
        with suppress(RangeError):
            read()


@pytest.mark.parametrize(
    ("words", "turns_cw"),
    [
        ("1/24 cw", 1 / 24),
        ("1/24cw", 1 / 24),
        ("1/12 ccw", -1 / 12),
        ("1/12 CCW", -1 / 12),
        ("  1 / 12   Clockwise ", 1 / 12),
        ("1/8 counterclockwise", -1 / 8),
        ("1/8 counter-clockwise", -1 / 8),
        ("1/8 anticlockwise", -1 / 8),
        ("1/8 anti clockwise", -1 / 8),
        ("30deg cw", 1 / 12),
        ("30 degrees cw", 1 / 12),
        ("30° ccw", -1 / 12),
        ("0.05 ccw", -0.05),
        ("1/24 turn clockwise", 1 / 24),
        ("1 turn cw", 1.0),
        ("1 cw", 1.0),
        ("360deg ccw", -1.0),
        ("0.5/12 cw", 1 / 24),
    ],
)
def test_turns_are_read_as_said(words: str, turns_cw: float) -> None:
    """Clockwise is positive; fractions, decimals and degrees are read, with any spacing and capitals."""
    assert parsing.parse_turn(words) == pytest.approx(turns_cw, rel=1e-15)


IN_PARTS = "one entry holds at most 1. Was it really made, enter it in parts"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("1/24 left", "'left' is no way to turn. Say 1/24 cw (clockwise) or 1/24 ccw"),
        ("1/24", "Which way? Say 1/24 cw (clockwise) or 1/24 ccw (counterclockwise)"),
        ("30deg", "Which way? Say 30deg cw (clockwise) or 30deg ccw (counterclockwise)"),
        ("24 cw", "'24 cw' is 24 whole turns. Did you mean 1/24 cw?"),
        ("12 ccw", "'12 ccw' is 12 whole turns. Did you mean 1/12 ccw?"),
        ("30 cw", "'30 cw' is 30 whole turns. Did you mean 30deg cw?"),
        ("1.5 cw", f"'1.5 cw' is 1.5 turns; {IN_PARTS}"),
        ("2 turns cw", f"'2 turns cw' is 2 turns; {IN_PARTS}"),
        ("720deg cw", f"'720deg cw' is 2 turns; {IN_PARTS}"),
        ("0 cw", "'0 cw' is no turn at all. Say how far, such as 1/24 cw"),
        ("0/24 ccw", "'0/24 ccw' is no turn at all. Say how far, such as 1/24 ccw"),
        ("1/0 cw", "'1/0 cw' divides by 0. Say a fraction of a turn, such as 1/24"),
        ("-1/24 cw", "'-1/24 cw' has a sign. Say the way in words instead: 1/24 cw or 1/24 ccw"),
        ("+1/24", "'+1/24' has a sign. Say the way in words instead: 1/24 cw or 1/24 ccw"),
        ("1/-24 cw", "'1/-24 cw' has a sign. Say the way in words instead: 1/24 cw or 1/24 ccw"),
        (
            "\u2212 30deg cw",
            "'\u2212 30deg cw' has a sign. Say the way in words instead: 30deg cw or 30deg ccw",
        ),
        ("0,05 ccw", "turn '0,05' has a comma. Did you mean 0.05?"),
        ("1/x cw", f"part of the turn 'x' {NOT_A_NUMBER}"),
        ("1/2/3 cw", f"part of the turn '2/3' {NOT_A_NUMBER}"),
        ("1/ cw", "part of the turn: nothing was given, a number is needed"),
        ("1-24 cw", f"turn '1-24' {NOT_A_NUMBER}"),
        ("cw", "'cw' is not a turn. Say how far and which way, such as 1/24 cw"),
        ("a bit cw", "'a bit cw' is not a turn. Say how far and which way, such as 1/24 cw"),
        ("", "'' is not a turn. Say how far and which way, such as 1/24 cw"),
    ],
)
def test_bad_turns_are_asked_back(words: str, message: str) -> None:
    """A turn without a way, of nothing, too far or misspelt is never guessed."""
    with pytest.raises(RangeError) as error:
        parsing.parse_turn(words)
    assert str(error.value) == message


@pytest.mark.parametrize(
    ("turns_cw", "words"),
    [
        (1 / 24, "1/24 turn clockwise (hour hand: half an hour)"),
        (-1 / 12, "1/12 turn counterclockwise (hour hand: one hour)"),
        (1 / 8, "1/8 turn clockwise (hour hand: an hour and a half)"),
        (1 / 48, "1/48 turn clockwise (hour hand: a quarter of an hour)"),
        (1 / 16, "1/16 turn clockwise (hour hand: three quarters of an hour)"),
        (1 / 96, "1/96 turn clockwise (hour hand: about 8 min)"),
        (-1 / 4, "1/4 turn counterclockwise (hour hand: 3 hours)"),
        (7 / 8, "7/8 turn clockwise (hour hand: 10.5 hours)"),
        (1 / 20, "1/20 turn clockwise (hour hand: about 36 min)"),
        (0.11, "0.11 turn clockwise (hour hand: about 1 h 19 min)"),
        (0.053, "0.053 turn clockwise (hour hand: about 38 min)"),
        (0.0003, "0.0003 turn clockwise (hour hand: about 1 min)"),
        (0.042, "1/24 turn clockwise (hour hand: half an hour)"),
        (1.0, "1 turn clockwise (hour hand: 12 hours)"),
        (-1.5, "1 1/2 turns counterclockwise"),
        (0.0, "no turn"),
    ],
)
def test_turns_are_said(turns_cw: float, words: str) -> None:
    """A turn is said as the usual fraction, its way, and a picture everyone knows."""
    assert numbers.say_turn(turns_cw) == words


@given(st.integers(1, 96), st.sampled_from([1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 96]), st.booleans())
def test_what_is_said_can_be_typed(numerator: int, denominator: int, clockwise: bool) -> None:
    """The words before the picture read back as the same turn, for all usual fractions."""
    turns = min(numerator, denominator) / denominator * (1 if clockwise else -1)
    assert parsing.parse_turn(numbers.say_turn(turns).split(" (")[0]) == pytest.approx(turns, rel=1e-12)


@given(st.floats(1e-4, 0.999))
def test_said_fraction_is_near(turns: float) -> None:
    """What is said lies within 0.0005 turn, or two digits, of what is meant."""
    assert abs(float(Fraction(numbers.say_fraction(turns))) - turns) <= max(0.000501, 0.051 * turns)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"),
        (45, "45 s"),
        (44.2, "45 s"),
        (60, "1 min"),
        (90, "90 s"),
        (119, "119 s"),
        (119.5, "2 min"),
        (120, "2 min"),
        (150, "2 min 30 s"),
        (1800, "30 min"),
    ],
)
def test_waits_are_said(seconds: float, words: str) -> None:
    """Short waits are said in seconds, longer ones in minutes, never rounded down."""
    assert numbers.say_seconds(seconds) == words


@pytest.mark.parametrize(
    ("value", "unit", "pascal", "source"),
    [
        (1, "psi", 6894.757, "NIST SP 811 Appendix B [C]"),
        (1, "inH2O", 249.0889, "NIST SP 811 Appendix B, conventional [C]"),
        (1, "in w.c.", 249.0889, "NIST SP 811 Appendix B, conventional [C]"),
        (1, "inwc", 249.0889, "NIST SP 811 Appendix B, conventional [C]"),
        (1, "in. W.C.", 249.0889, "NIST SP 811 Appendix B, conventional [C]"),
        (17.4, "mbar", 1740, "SI prefix"),
        (17.4, "hPa", 1740, "SI prefix"),
        (1.74, "kPa", 1740, "SI prefix"),
        (-5, "Pa", -5, "SI"),
    ],
)
def test_pressures_in_pascal(value: float, unit: str, pascal: float, source: str) -> None:
    """Each unit has the published size; the inch of water is the conventional one."""
    assert units.pressure_pa(value, unit) == pytest.approx(pascal, rel=1e-15), source


@given(
    st.floats(-1e6, 1e6),
    st.sampled_from(list(units.PASCALS)),
    st.sampled_from(list(units.PASCALS)),
)
def test_pressures_convert_there_and_back(value: float, unit: str, to: str) -> None:
    """Converting to another unit and back gives the same pressure."""
    there = units.convert_pressure(value, unit, to)
    assert units.convert_pressure(there, to, unit) == pytest.approx(value, rel=1e-14, abs=1e-300)


def test_range_is_read() -> None:
    """LOW:HIGH is read as two numbers."""
    assert parsing.parse_range("9.0:9.4", "band") == (9.0, 9.4)
    assert parsing.parse_range(" 17 : 25 ", "band") == (17.0, 25.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("9.4:9.0", "band '9.4:9.0' runs backwards. Did you mean 9.0:9.4?"),
        ("9:9.0", "band '9:9.0' has no width. Write the lower and the upper number as LOW:HIGH"),
        ("9,0:9,4", "band '9,0:9,4' has a comma. Did you mean 9.0:9.4?"),
        ("9.0-9.4", "band '9.0-9.4' has no colon. Did you mean 9.0:9.4?"),
        ("9.0 to 9.4", "band '9.0 to 9.4' has no colon. Did you mean 9.0:9.4?"),
        ("9.0", "band '9.0' has no colon. Write the lower and the upper number as LOW:HIGH"),
        ("9.0:", "band: nothing was given, a number is needed"),
        ("1:2:3", f"band '2:3' {NOT_A_NUMBER}"),
    ],
)
def test_bad_ranges_are_asked_back(text: str, message: str) -> None:
    """A range that is reversed, empty or misspelt is asked back."""
    with pytest.raises(RangeError) as error:
        parsing.parse_range(text, "band")
    assert str(error.value) == message


UNITS = "is not known; allowed are Pa, hPa, kPa, mbar, psi, inH2O (in w.c. is inH2O)"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: units.pressure_pa(1, "bars"),
            f"pressure unit 'bars' {UNITS}",
        ),
        (
            lambda: units.convert_pressure(1, "mbar", ""),
            f"pressure unit '' {UNITS}",
        ),
        (lambda: units.pressure_pa(math.nan, "Pa"), "pressure nan: a finite number is needed"),
        (lambda: numbers.say_seconds(-1), "time -1 s: 0 or more is allowed"),
        (lambda: numbers.say_seconds(math.inf), "time inf: a finite number is needed"),
        (lambda: numbers.say_turn(math.nan), "turn nan: a finite number is needed"),
    ],
)
def test_bad_values_are_refused(call: Callable[[], object], message: str) -> None:
    """Unknown units, and numbers that are none, are refused with what is allowed."""
    with pytest.raises(RangeError) as error:
        call()
    assert str(error.value) == message


@pytest.mark.parametrize(("value", "unit", "expected"), [(212.0, "F", 100.0), (-40.0, "°F", -40.0), (7.5, "degC", 7.5)])
def test_temperatures_in_either_unit(value: float, unit: str, expected: float) -> None:
    """C = (F - 32) / 1.8, NIST SP 811 Appendix B [M]; water boils at 212 F, both scales meet at -40."""
    assert units.celsius(value, unit) == pytest.approx(expected)


def test_an_unknown_temperature_unit_is_refused() -> None:
    """No unit is guessed."""
    with pytest.raises(RangeError, match=r"^temperature unit 'R': it is C or F$"):
        units.celsius(500.0, "R")


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        ("8inH2O", ("8", "inH2O")),
        ("19.8mbar", ("19.8", "mbar")),
        ("-0.5 kPa", ("-0.5", "kPa")),
        ("7.5in w.c.", ("7.5", "in w.c.")),
        ("12 C", ("12 C", "")),
        ("1/24cw", ("1/24cw", "")),
        ("tight", ("tight", "")),
        ("", ("", "")),
    ],
)
def test_a_pressure_is_parted_from_its_unit(words: str, parts: tuple[str, str]) -> None:
    """Only a number with a pressure's unit behind it; anything else stays as it is."""
    assert parsing.split_unit(words) == parts
