"""Numbers, turns and pressures between what people type or read and what the program reckons with.

Turns are fractions of one full turn of a screw, clockwise positive, seen from the front. Pressure units:
NIST SP 811 Appendix B; the inch of water is the conventional one (249.0889 Pa), not that at 4 C or 60 F.
"""

import math
import re
from collections.abc import Mapping
from math import ceil, isfinite
from numbers import Real
from types import MappingProxyType
from typing import Any, TypeGuard

from advisor.errors import RangeError

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
_TURN = re.compile(
    r"(?P<far>.*?)\s*(?P<unit>degrees?|deg|°|turns?)?\s*"
    r"(?P<way>cw|ccw|clockwise|counter[ -]?clockwise|anti[ -]?clockwise)?"
)

PASCALS: Mapping[str, float] = MappingProxyType(
    {"Pa": 1.0, "hPa": 100.0, "kPa": 1000.0, "mbar": 100.0, "psi": 6894.757, "inH2O": 249.0889}
)
# Btu of the International Table, 1055.05585262 J; foot 0.3048 m exactly. NIST SP 811 Appendix B [M].
BTU_J, FT3_M3 = 1055.05585262, 0.3048**3
KILOWATTS: Mapping[str, float] = MappingProxyType({"kW": 1.0, "W": 1e-3, "Btu/h": BTU_J / 3.6e6})
MJ_PER_M3: Mapping[str, float] = MappingProxyType({"MJ/m3": 1.0, "kWh/m3": 3.6, "Btu/ft3": BTU_J / 1e6 / FT3_M3})
_PRESSURE_UNITS = {unit.lower(): unit for unit in PASCALS} | {"inwc": "inH2O"}

# Steps that are read as fractions: marks of 1/96, then of 1/60 and 1/72 turn with what they reduce to.
_GRIDS = (96, 60, 72)
_ROUNDING_TURNS = 0.0005  # a turn typed with three decimals still finds its fraction
_QUARTERS = {
    1: "a quarter of an hour",
    2: "half an hour",
    3: "three quarters of an hour",
    4: "one hour",
    6: "an hour and a half",
}
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
    """Read a turn such as "1/24 cw", "30deg ccw" or "0.05 clockwise": turns, clockwise positive.

    More than 0 and at most 1 turn, always with its direction. Raises RangeError for anything else.
    """
    typed = " ".join(words.split())
    match = _TURN.fullmatch(typed.lower())
    assert match  # every part of the pattern may be empty
    far, way = match["far"], match["way"]
    unit = "deg" if (match["unit"] or "").startswith(("d", "°")) else ""
    if not re.match(r"[-+\u2212]?\s*[\d.]", far):
        raise RangeError(f"'{typed}' is not a turn. Say how far and which way, such as 1/24 cw")
    if re.search(r"(^|/)\s*[-+\u2212]", far):
        far = re.sub(r"[-+\u2212]\s*", "", far) + unit
        raise RangeError(f"'{typed}' has a sign. Say the way in words instead: {far} cw or {far} ccw")
    stray = re.fullmatch(r"([\d./]+)\s*([a-z]+)", far)
    if stray and way is None:
        raise RangeError(f"'{stray[2]}' is no way to turn. Say {stray[1]} cw (clockwise) or {stray[1]} ccw")
    size = _turn_size(far, typed) / (360 if unit else 1)
    if way is None:
        raise RangeError(f"Which way? Say {far}{unit} cw (clockwise) or {far}{unit} ccw (counterclockwise)")
    if size == 0:
        raise RangeError(f"'{typed}' is no turn at all. Say how far, such as 1/24 {way}")
    if size > 1:
        raise RangeError(_too_far(typed, size, way, plain=not match["unit"]))
    return size if way in ("cw", "clockwise") else -size


def _turn_size(far: str, typed: str) -> float:
    if "/" not in far:
        return parse_number(far, "turn")
    above, below = (parse_number(part, "part of the turn") for part in far.split("/", 1))
    if below == 0:
        raise RangeError(f"'{typed}' divides by 0. Say a fraction of a turn, such as 1/24")
    return above / below


def _too_far(typed: str, size: float, way: str, plain: bool) -> str:
    if not (plain and size.is_integer()):
        return f"'{typed}' is {size:g} turns; one entry holds at most 1. Was it really made, enter it in parts"
    meant = f"{size:g}deg" if size % 15 == 0 else f"1/{size:g}"  # a bare 30 was degrees, a bare 24 a 24th
    return f"'{typed}' is {size:g} whole turns. Did you mean {meant} {way}?"


def say_fraction(turns: float) -> str:
    """Say the size of a turn without its sign: "1/24", "1 1/2"; "0.053" where no usual fraction is near."""
    size = _finite(abs(turns), "turn")
    for grid in _GRIDS:
        parts = round(size * grid)
        if parts and abs(size - parts / grid) <= _ROUNDING_TURNS:
            common = math.gcd(parts, grid)
            whole, rest = divmod(parts // common, grid // common)
            broken = f"{rest}/{grid // common}" if rest else ""
            return f"{whole} {broken}".strip() if whole else broken
    return f"{size:.2g}" if size < 1 else f"{size:.2f}"


def say_turn(turns_cw: float) -> str:
    """Say a turn with its way and a picture: how long a clock's hour hand takes (1/12 turn is an hour).

    The hour hand is named because "half an hour" alone could be taken for the minute hand's half turn.
    """
    if turns_cw == 0:
        return "no turn"
    size, way = say_fraction(turns_cw), "clockwise" if turns_cw > 0 else "counterclockwise"
    if abs(turns_cw) > 1 + _ROUNDING_TURNS:
        return f"{size} turns {way}"
    return f"{size} turn {way} (hour hand: {_hour_hand(abs(turns_cw))})"


def _hour_hand(turns: float) -> str:
    minutes = turns * 720
    quarters = round(minutes / 15)
    if quarters and abs(minutes - 15 * quarters) <= 720 * _ROUNDING_TURNS:
        return _QUARTERS.get(quarters) or f"{quarters / 4:g} hours"
    hours, rest = divmod(max(round(minutes), 1), 60)
    return f"about {hours} h {rest} min" if hours else f"about {rest} min"


def say_seconds(seconds: float) -> str:
    """Say a wait: "45 s", "90 s", "2 min", "2 min 30 s"; rounded up, a wait is never cut short."""
    if not _finite(seconds, "time") >= 0:
        raise RangeError(f"time {seconds:g} s: 0 or more is allowed")
    whole = ceil(seconds - 1e-6)
    minutes, rest = divmod(whole, 60)
    if whole < 120 and whole != 60:
        return f"{whole} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


def part(words: str) -> tuple[str, str]:
    """A pressure typed as one word in its number and its unit: "8inH2O" -> ("8", "inH2O"); other words and ""."""
    match = re.fullmatch(r"([-+\d.,]+)\s*([A-Za-z].*)", words.strip())
    return (match[1], match[2]) if match and _plain_unit(match[2]) in _PRESSURE_UNITS else (words, "")


def pressure_pa(value: float, unit: str) -> float:
    """Pressure in pascal (gauge or absolute, as given). RangeError for an unknown unit or nan."""
    return _finite(value, "pressure") * PASCALS[_pressure_unit(unit)]


def convert_pressure(value: float, unit: str, to: str) -> float:
    """Pressure in the unit `to`. RangeError for an unknown unit or nan."""
    return pressure_pa(value, unit) / PASCALS[_pressure_unit(to)]


def power_kw(value: float, unit: str) -> float:
    """Power in kW. RangeError for an unknown unit or nan."""
    return _finite(value, "power") * _factor(KILOWATTS, unit, "power unit")


def heating_value_mj_m3(value: float, unit: str) -> float:
    """Heating value in MJ/m3 of the same gas volume. RangeError for an unknown unit or nan."""
    return _finite(value, "heating value") * _factor(MJ_PER_M3, unit, "unit of heating value")


def celsius(value: float, unit: str) -> float:
    """A temperature in C from C or F (with or without a degree sign). RangeError for another unit."""
    match unit.strip().lower().removeprefix("deg").strip(" °"):
        case "c" | "":
            return value
        case "f":
            return (value - 32) / 1.8
    raise RangeError(f"temperature unit '{unit}': it is C or F")


def _factor(table: Mapping[str, float], unit: str, what: str) -> float:
    plain = unit.replace(" ", "").replace("³", "3").replace("^3", "3").lower()
    for name, factor in table.items():
        if name.lower() == plain:
            return factor
    raise RangeError(f"{what} '{unit}' is not known; allowed are {', '.join(table)}")


def _plain_unit(unit: str) -> str:
    return re.sub(r"[\s.]", "", unit).lower()


def _pressure_unit(unit: str) -> str:
    found = _PRESSURE_UNITS.get(_plain_unit(unit))
    if found is None:
        known = ", ".join(PASCALS)
        raise RangeError(f"pressure unit '{unit}' is not known; allowed are {known} (in w.c. is inH2O)")
    return found


def _finite(value: float, what: str) -> float:
    if not isfinite(value):
        raise RangeError(f"{what} {value:g}: a finite number is needed")
    return value
