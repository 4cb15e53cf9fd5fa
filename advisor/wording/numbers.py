"""Numbers as people say them: turns, waits, chances."""

import math
from math import ceil, isfinite

from advisor.errors import RangeError

# Steps that are read as fractions: marks of 1/96, then of 1/60 and 1/72 turn with what they reduce to.
_GRIDS = (96, 60, 72)
_ROUNDING_TURNS = 0.0005  # a turn typed with three decimals still finds its fraction


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


def say_degrees(turns: float) -> str:
    """Say the size of a turn in degrees, without its sign: "15°", "7.5°"."""
    degrees = 360 * _finite(abs(turns), "turn")
    return f"{degrees:.0f}°" if degrees >= 10 else f"{degrees:.2g}°"


def say_size(turns: float) -> str:
    """Say the size of a turn both ways, without its sign: "15° (1/24 turn)"; over one turn in turns alone."""
    if abs(turns) > 1 + _ROUNDING_TURNS:
        return f"{say_fraction(turns)} turns"
    return f"{say_degrees(turns)} ({say_fraction(turns)} turn)"


def say_band(band: tuple[float, float]) -> str:
    """A band of CO2 in figures of equal length: "8.6 to 9.0"."""
    places = max(map(_places, band))
    return f"{band[0]:.{places}f} to {band[1]:.{places}f}"


def say_co2(co2_pct: float) -> str:
    """CO2 as it was read: "9.0", or "9.05" from a finer display."""
    return f"{co2_pct:.{_places(co2_pct)}f}"


def _places(co2_pct: float) -> int:
    return 1 if abs(10 * co2_pct - round(10 * co2_pct)) < 1e-6 else 2


def say_way(turns_cw: float) -> str:
    """The way of a turn in a word, clockwise positive."""
    return "clockwise" if turns_cw > 0 else "counterclockwise"


def say_turn(turns_cw: float) -> str:
    """Say a turn with its way: "15° (1/24 turn) clockwise"."""
    return f"{say_size(turns_cw)} {say_way(turns_cw)}" if turns_cw else "no turn"


def say_brief_turn(turns_cw: float) -> str:
    """A turn in a table or picture: "15° cw"."""
    return f"{say_degrees(turns_cw)} {'cw' if turns_cw > 0 else 'ccw'}"


def say_typed(turns_cw: float) -> str:
    """A turn as it may be typed: "15 cw"; "7.5deg cw" where it is no whole number of degrees."""
    degrees = 360 * abs(turns_cw)
    whole = degrees >= 5 and abs(degrees - round(degrees)) <= 360 * _ROUNDING_TURNS
    return f"{f'{degrees:.0f}' if whole else f'{degrees:.10g}deg'} {'cw' if turns_cw > 0 else 'ccw'}"


def say_seconds(seconds: float) -> str:
    """Say a wait: "45 s", "90 s", "2 min", "2 min 30 s"; rounded up, a wait is never cut short."""
    if not _finite(seconds, "time") >= 0:
        raise RangeError(f"time {seconds:g} s: 0 or more is allowed")
    whole = ceil(seconds - 1e-6)
    minutes, rest = divmod(whole, 60)
    if whole < 120 and whole != 60:
        return f"{whole} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


def say_wait(seconds: float) -> str:
    """Say a wait in whole steps of 5 s, rounded up; half a second is forgiven."""
    return say_seconds(5 * -(-(seconds - 0.5) // 5))


def say_chance(chance: float) -> str:
    """A chance (0 to 1) in words: "12 %", "under 1 %", "over 99 %"."""
    if 0 < chance < 0.005:
        return "under 1 %"
    if 0.995 <= chance < 1:
        return "over 99 %"
    return f"{100 * chance:.0f} %"


def _finite(value: float, what: str) -> float:
    if not isfinite(value):
        raise RangeError(f"{what} {value:g}: a finite number is needed")
    return value
