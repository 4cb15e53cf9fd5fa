"""Words typed by people, turned into values. Nothing is guessed: what is not plain is refused with a question.

Turns are fractions of one full turn of a screw, clockwise positive, seen from the front.
"""

import re
from math import isfinite
from numbers import Real
from typing import Any, TypeGuard, TypeVar, cast

from advisor import units
from advisor.errors import RangeError

Name = TypeVar("Name", bound=str)

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
_TURN = re.compile(
    r"(?P<far>.*?)\s*(?P<unit>degrees?|deg|°|turns?)?\s*"
    r"(?P<way>cw|ccw|clockwise|counter[ -]?clockwise|anti[ -]?clockwise)?"
)
_LIMITS = re.compile(r"([\d.]+)\s*(?::|-|\u2013|\bto\b|\s)\s*([\d.]+)\s*([A-Za-z].*)?")
LEAST_DEGREES = 5  # a whole number from here on is degrees: own choice, no screw is set by five whole turns
_LOW_HIGH = "Write the lower and the upper number as LOW:HIGH"


def parse_number(text: str, what: str) -> float:
    """Read a plain finite number as a person types it; `what` says in the error what it stands for.

    In whatever unit it stands for. Raises RangeError for anything else; a decimal comma is asked about, never guessed.
    """
    typed = text.strip()
    if not typed:
        raise RangeError(f"{what}: nothing was given, a number is needed")
    if "," in typed:
        raise RangeError(f"{what} '{typed}' has a comma. {_comma_question(typed)}")
    if not _NUMBER.fullmatch(typed):
        raise RangeError(f"{what} '{typed}' is not a number. Type digits and a point only, no unit")
    number = float(typed)
    if not isfinite(number):
        raise RangeError(f"{what} '{typed}' is too large a number. Is there a digit too many?")
    return number


def parse_whole(text: str, what: str) -> int:
    """Read a whole number as a person types it, such as that of a row. Raises RangeError for anything else."""
    number = parse_number(text, what)
    if not number.is_integer():
        raise RangeError(f"{what} '{text.strip()}' is not a whole number. Type digits only")
    return int(number)


def is_number(value: Any) -> TypeGuard[float]:
    """Whether a program gave a number (numpy's too), not text and not true or false."""
    return isinstance(value, Real) and not isinstance(value, bool)


def _comma_question(typed: str) -> str:
    point, joined = typed.replace(",", "."), typed.replace(",", "")
    if re.fullmatch(r"[+-]?\d{1,3},\d{3}", typed):
        return f"Did you mean {point} or {joined}?"
    if _NUMBER.fullmatch(point):
        return f"Did you mean {point}?"
    return "Type a point before the decimals, nothing else"


def parse_range(text: str, what: str) -> tuple[float, float]:
    """Read "LOW:HIGH" as two rising numbers, in the unit they stand for. Raises RangeError for anything else."""
    pointed = text.strip().replace(",", ".")
    if "," in text and all(map(_NUMBER.fullmatch, pointed.split(":"))):
        raise RangeError(f"{what} '{text.strip()}' has a comma. Did you mean {pointed}?")
    low_text, colon, high_text = text.strip().partition(":")
    if not colon:
        dash = re.fullmatch(r"([\d.]+)\s*(?:-|\u2013|to|\.\.|\s)\s*([\d.]+)", low_text)
        hint = f"Did you mean {dash[1]}:{dash[2]}?" if dash else _LOW_HIGH
        raise RangeError(f"{what} '{low_text}' has no colon. {hint}")
    low, high = parse_number(low_text, what), parse_number(high_text, what)
    if low > high:
        raise RangeError(
            f"{what} '{text.strip()}' runs backwards. Did you mean {high_text.strip()}:{low_text.strip()}?"
        )
    if low == high:
        raise RangeError(f"{what} '{text.strip()}' has no width. {_LOW_HIGH}")
    return low, high


def parse_turn(words: str) -> float:
    """Read a turn such as "15 cw", "1/24 cw", "30deg ccw" or "0.05 clockwise": turns, clockwise positive.

    A bare number below 1 is turns, a whole one from 5 degrees; any other is asked back. More than 0 and at most 1 turn,
    always with its direction. Raises RangeError for anything else.
    """
    typed = " ".join(words.split())
    match = _TURN.fullmatch(typed.lower())
    assert match  # every part of the pattern may be empty
    far, way = match["far"], match["way"]
    unit = "deg" if (match["unit"] or "").startswith(("d", "°")) else ""
    if not re.match(r"[-+\u2212]?\s*[\d.]", far):
        raise RangeError(f"'{typed}' is not a turn. Say how far and which way, such as 15 cw (degrees) or 1/24 cw")
    if re.search(r"(^|/)\s*[-+\u2212]", far):
        far = re.sub(r"[-+\u2212]\s*", "", far) + unit
        raise RangeError(f"'{typed}' has a sign. Say the way in words instead: {far} cw or {far} ccw")
    stray = re.fullmatch(r"([\d./]+)\s*([a-z]+)", far)
    if stray and way is None:
        raise RangeError(f"'{stray[2]}' is no way to turn. Say {stray[1]} cw (clockwise) or {stray[1]} ccw")
    number = _turn_size(far, typed)
    if way is None:
        raise RangeError(f"Which way? Say {far}{unit} cw (clockwise) or {far}{unit} ccw (counterclockwise)")
    if number == 0:
        raise RangeError(f"'{typed}' is no turn at all. Say how far, such as 15 {way} (degrees)")
    bare = not match["unit"] and "/" not in far
    if bare and number >= 1 and not (number >= LEAST_DEGREES and number.is_integer()):
        raise RangeError(f"'{typed}': degrees or turns? Say {far}deg {way}{_or_in_turns(number, far, way)}")
    size = number / (360 if unit or (bare and number >= 1) else 1)
    if size > 1:
        raise RangeError(
            f"'{typed}' is {size:g} turns; one entry holds at most 1. Was it really made, enter it in parts"
        )
    return size if way in ("cw", "clockwise") else -size


_SWAPPED = (12, 16, 24, 48)  # usual parts of a turn, whose digits are easily typed the wrong way round


def _turn_size(far: str, typed: str) -> float:
    if "/" not in far:
        return parse_number(far, "turn")
    above, below = (parse_number(part, "part of the turn") for part in far.split("/", 1))
    if (meant := below % 10 * 10 + below // 10) in _SWAPPED and below != meant:
        raise RangeError(f"'{typed}': was 1/{meant:g} meant? Then say so; else say the turn in degrees")
    if below == 0:
        raise RangeError(f"'{typed}' divides by 0. Say a fraction of a turn, such as 1/24")
    return above / below


def _or_in_turns(number: float, far: str, way: str) -> str:
    return f" or {far} turn {way}" if number == 1 else ""


def split_unit(words: str) -> tuple[str, str]:
    """A pressure typed as one word in its number and its unit: "8inH2O" -> ("8", "inH2O"); other words and ""."""
    match = re.fullmatch(r"([-+\d.,]+)\s*([A-Za-z].*)", words.strip())
    return (match[1], match[2]) if match and units.is_pressure_unit(match[2]) else (words, "")


def parse_limits(words: str, what: str, *, with_unit: bool = True) -> tuple[float, float, str]:
    """ "17:25 mbar", "17-25 mbar" or "17 25 mbar" -> (17.0, 25.0, "mbar"). Raises RangeError for anything else."""
    match = _LIMITS.fullmatch(words.strip())
    low, high = parse_range(f"{match[1]}:{match[2]}" if match else words.split(" ")[0], what)
    unit = (match[3] or "") if match else ""
    if with_unit and not unit:
        raise RangeError(f"{what} '{words}' needs its unit at the end")
    if unit and not with_unit:
        raise RangeError(f"{what} '{words}': two numbers only, such as {low:g}:{high:g}")
    if low <= 0:
        raise RangeError(f"{what} '{words}': two rising numbers above 0 are needed")
    return low, high, unit


def parse_co_limit(words: str) -> tuple[float, str]:
    """ "100 ppm", "400 ppm air-free" or "0.004 CO/CO2" -> the number and its basis. Raises RangeError."""
    number, _, basis = " ".join(words.split()).partition(" ")
    value, said = parse_number(number, "CO limit"), basis.lower().replace(" ", "").replace("-", "")
    if said in ("ppm", "ppmasdisplayed", "ppmdisplayed"):
        return value, "ppm"
    if said in ("ppmairfree", "airfree"):
        return value, "ppm air-free"
    if said in ("co/co2", "ratio"):
        return value, "CO/CO2"
    raise RangeError(
        f"CO limit '{words}': which basis? Type {value:g} ppm air-free, {value:g} ppm (as displayed), or a ratio such "
        "as 0.004 CO/CO2"
    )


def one_of(typed: str, names: tuple[Name, ...]) -> Name:
    """A name typed in any case or cut short: "H" is "high". What fits none is left as it is, for others to refuse."""
    fitting = [name for name in names if typed and name.startswith(typed.lower())]
    return fitting[0] if len(fitting) == 1 else cast(Name, typed)


def maybe_whole(typed: str | None, what: str) -> int | None:
    """A whole number where one was typed."""
    return None if typed is None else parse_whole(typed, what)


def maybe_number(typed: str | None, what: str) -> float | None:
    """A number where one was typed, in the unit it stands for."""
    return None if typed is None else parse_number(typed, what)
