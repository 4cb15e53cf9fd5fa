"""What people type is read as meant or asked back in plain words; nothing is guessed."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from refused import refusal

from advisor import parsing, units
from advisor.errors import RangeError


@pytest.mark.parametrize(
    ("text", "number"),
    [("8.1", 8.1), (" 8.1 ", 8.1), ("8", 8.0), (".5", 0.5), ("8.", 8.0), ("-0.3", -0.3), ("+2", 2.0), ("1e-3", 0.001)],
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
        ("", "CO2: nothing was given, a number is needed"), ("  ", "CO2: nothing was given, a number is needed"),
        ("eight", f"CO2 'eight' {NOT_A_NUMBER}"), ("8.1%", f"CO2 '8.1%' {NOT_A_NUMBER}"),
        ("8 1", f"CO2 '8 1' {NOT_A_NUMBER}"), ("nan", f"CO2 'nan' {NOT_A_NUMBER}"),
        ("-inf", f"CO2 '-inf' {NOT_A_NUMBER}"), ("1_0", f"CO2 '1_0' {NOT_A_NUMBER}"),
        ("٨", f"CO2 '٨' {NOT_A_NUMBER}"), ("1e999", "CO2 '1e999' is too large a number. Is there a digit too many?"),
    ],
)  # fmt: skip
def test_bad_numbers_are_asked_back(text: str, message: str) -> None:
    """Anything else is refused, and the message says what to type."""
    assert refusal(parsing.parse_number, text, "CO2") == message


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
        lambda: parsing.parse_limits(text, "x"),
        lambda: parsing.parse_turn(text),
        lambda: units.pressure_pa(1.0, text),
    ):
        with suppress(RangeError):
            read()


@pytest.mark.parametrize(
    ("words", "turns_cw"),
    [
        ("1/24 cw", 1 / 24), ("1/24cw", 1 / 24), ("1/12 ccw", -1 / 12), ("1/12 CCW", -1 / 12),
        ("  1 / 12   Clockwise ", 1 / 12), ("1/8 counterclockwise", -1 / 8), ("1/8 counter-clockwise", -1 / 8),
        ("1/8 anticlockwise", -1 / 8), ("1/8 anti clockwise", -1 / 8), ("30deg cw", 1 / 12),
        ("30 degrees cw", 1 / 12), ("30° ccw", -1 / 12), ("0.05 ccw", -0.05), ("1/24 turn clockwise", 1 / 24),
        ("1 turn cw", 1.0), ("15 cw", 1 / 24), ("5 ccw", -5 / 360), ("360 cw", 1.0), ("0.5 cw", 0.5),
        ("360deg ccw", -1.0), ("0.5/12 cw", 1 / 24),
    ],
)  # fmt: skip
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
        ("1 cw", "'1 cw': degrees or turns? Say 1deg cw or 1 turn cw"),
        ("4 ccw", "'4 ccw': degrees or turns? Say 4deg ccw"),
        ("7.5 cw", "'7.5 cw': degrees or turns? Say 7.5deg cw"),
        ("400 cw", f"'400 cw' is 1.11111 turns; {IN_PARTS}"),
        ("2 turns cw", f"'2 turns cw' is 2 turns; {IN_PARTS}"),
        ("720deg cw", f"'720deg cw' is 2 turns; {IN_PARTS}"),
        ("0 cw", "'0 cw' is no turn at all. Say how far, such as 15 cw (degrees)"),
        ("0/24 ccw", "'0/24 ccw' is no turn at all. Say how far, such as 15 ccw (degrees)"),
        ("1/0 cw", "'1/0 cw' divides by 0. Say a fraction of a turn, such as 1/24"),
        ("-1/24 cw", "'-1/24 cw' has a sign. Say the way in words instead: 1/24 cw or 1/24 ccw"),
        ("+1/24", "'+1/24' has a sign. Say the way in words instead: 1/24 cw or 1/24 ccw"),
        ("1/-24 cw", "'1/-24 cw' has a sign. Say the way in words instead: 1/24 cw or 1/24 ccw"),
        ("\u2212 30deg cw", "'\u2212 30deg cw' has a sign. Say the way in words instead: 30deg cw or 30deg ccw"),
        ("0,05 ccw", "turn '0,05' has a comma. Did you mean 0.05?"),
        ("1/x cw", f"part of the turn 'x' {NOT_A_NUMBER}"),
        ("1/2/3 cw", f"part of the turn '2/3' {NOT_A_NUMBER}"),
        ("1/ cw", "part of the turn: nothing was given, a number is needed"),
        ("1-24 cw", f"turn '1-24' {NOT_A_NUMBER}"),
        ("cw", "'cw' is not a turn. Say how far and which way, such as 15 cw (degrees) or 1/24 cw"),
        ("a bit cw", "'a bit cw' is not a turn. Say how far and which way, such as 15 cw (degrees) or 1/24 cw"),
        ("", "'' is not a turn. Say how far and which way, such as 15 cw (degrees) or 1/24 cw"),
    ],
)
def test_bad_turns_are_asked_back(words: str, message: str) -> None:
    """A turn without a way, of nothing, too far or misspelt is never guessed."""
    assert refusal(parsing.parse_turn, words) == message


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
    assert refusal(parsing.parse_range, text, "band") == message


@pytest.mark.parametrize(
    ("typed", "limits"),
    [("17:25 mbar", (17.0, 25.0, "mbar")), ("17-25mbar", (17.0, 25.0, "mbar")), ("17 to 25 mbar", (17.0, 25.0, "mbar")),
     ("7 9 in w.c.", (7.0, 9.0, "in w.c."))],
)  # fmt: skip
def test_limits_are_read_with_their_unit(typed: str, limits: tuple[float, float, str]) -> None:
    """Two numbers with a colon, a dash, "to" or a blank between, and the unit behind them."""
    assert parsing.parse_limits(typed, "plate") == limits


@pytest.mark.parametrize(
    ("typed", "with_unit", "message"),
    [
        ("17:25", True, "plate '17:25' needs its unit at the end"),
        ("9.0:9.4 mbar", False, "plate '9.0:9.4 mbar': two numbers only, such as 9:9.4"),
        ("0:25 mbar", True, "plate '0:25 mbar': two rising numbers above 0 are needed"),
        ("25:17 mbar", True, "plate '25:17' runs backwards. Did you mean 17:25?"),
    ],
)
def test_bad_limits_are_asked_back(typed: str, with_unit: bool, message: str) -> None:
    """No unit is guessed, and none is left over."""
    assert refusal(lambda: parsing.parse_limits(typed, "plate", with_unit=with_unit)) == message


def test_a_whole_number_is_one_without_a_fraction() -> None:
    """A row has a whole number; what was not typed stays so."""
    assert (parsing.maybe_whole("12", "row"), parsing.maybe_whole(None, "row")) == (12, None)
    assert refusal(parsing.parse_whole, "1.5", "row") == "row '1.5' is not a whole number. Type digits only"


@pytest.mark.parametrize(("typed", "name"), [("H", "high"), ("lo", "low"), ("high", "high"), ("x", "x"), ("", "")])
def test_names_may_be_cut_short(typed: str, name: str) -> None:
    """ "H" is "high"; what fits none is left as it is."""
    assert parsing.one_of(typed, ("high", "low")) == name


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        ("8inH2O", ("8", "inH2O")), ("19.8mbar", ("19.8", "mbar")), ("-0.5 kPa", ("-0.5", "kPa")),
        ("7.5in w.c.", ("7.5", "in w.c.")), ("12 C", ("12 C", "")), ("1/24cw", ("1/24cw", "")),
        ("tight", ("tight", "")), ("", ("", "")),
    ],
)  # fmt: skip
def test_a_pressure_is_parted_from_its_unit(words: str, parts: tuple[str, str]) -> None:
    """Only a number with a pressure's unit behind it; anything else stays as it is."""
    assert parsing.split_unit(words) == parts
