"""Numbers as people say them: turns and waits; what is said of a turn can be typed again."""

import math
from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from refused import refusal

from advisor import parsing
from advisor.wording import numbers


@pytest.mark.parametrize(
    ("turns_cw", "words"),
    [
        (1 / 24, "15° (1/24 turn) clockwise"),
        (-1 / 12, "30° (1/12 turn) counterclockwise"),
        (1 / 48, "7.5° (1/48 turn) clockwise"),
        (1 / 16, "22° (1/16 turn) clockwise"),
        (1 / 96, "3.8° (1/96 turn) clockwise"),
        (7 / 8, "315° (7/8 turn) clockwise"),
        (-25 / 48, "188° (25/48 turn) counterclockwise"),
        (1 / 20, "18° (1/20 turn) clockwise"),
        (0.11, "40° (0.11 turn) clockwise"),
        (0.0003, "0.11° (0.0003 turn) clockwise"),
        (0.042, "15° (1/24 turn) clockwise"),
        (1.0, "360° (1 turn) clockwise"),
        (-1.5, "1 1/2 turns counterclockwise"),
        (0.0, "no turn"),
    ],
)
def test_turns_are_said(turns_cw: float, words: str) -> None:
    """A turn is said in degrees, as the usual fraction, and with its way."""
    assert numbers.say_turn(turns_cw) == words


@given(st.integers(1, 96), st.sampled_from([1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 96]), st.booleans())
def test_what_is_said_can_be_typed(numerator: int, denominator: int, clockwise: bool) -> None:
    """The fraction with its way reads back as the same turn, the degrees as the same to half a degree."""
    turns_cw = min(numerator, denominator) / denominator * (1 if clockwise else -1)
    assert parsing.parse_turn(numbers.say_typed(turns_cw)) == pytest.approx(turns_cw, rel=1e-12)
    in_degrees = f"{numbers.say_degrees(turns_cw)} {numbers.say_way(turns_cw)}"
    assert parsing.parse_turn(in_degrees) == pytest.approx(turns_cw, abs=0.51 / 360)


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


@pytest.mark.parametrize(("seconds", "words"), [(42, "45 s"), (40.4, "40 s"), (61, "65 s"), (301, "5 min 5 s")])
def test_waits_are_said_in_steps_of_five_seconds(seconds: float, words: str) -> None:
    """Rounded up; half a second is forgiven."""
    assert numbers.say_wait(seconds) == words


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: numbers.say_seconds(-1), "time -1 s: 0 or more is allowed"),
        (lambda: numbers.say_seconds(math.inf), "time inf: a finite number is needed"),
        (lambda: numbers.say_turn(math.nan), "turn nan: a finite number is needed"),
    ],
)
def test_numbers_that_are_none_are_refused(call: Callable[[], object], message: str) -> None:
    """What is not finite, or a wait below nothing."""
    assert refusal(call) == message
