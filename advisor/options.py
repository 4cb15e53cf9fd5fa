"""Words typed as options of `open`, and moments, turned into values."""

import re
from datetime import datetime, time, timedelta
from typing import Any

from advisor import units
from advisor.errors import RangeError

SETTABLE = (
    "cap_turns", "cap_statement", "mark_turns", "travel_limit_turns", "clockwise", "min_wait_s", "turndown",
    "co_limit_ppm_air_free", "display_step_pct", "analyser_accuracy_pct", "overshoot_chance", "stop_chance",
    "input_rate", "heating_value",
)  # fmt: skip


def now() -> datetime:
    """The moment, in local time."""
    return datetime.now().astimezone()


def parse_time(words: str | None) -> datetime | None:
    """A moment as typed. ISO 8601, without an offset in local time; or a time alone: the last time it was that late.

    None stays None. A time up to an hour ahead is today's: clocks differ.
    """
    if words is None:
        return None
    typed = words.strip()
    clock = re.fullmatch(r"(\d{1,2}):(\d\d)(?::(\d\d))?", typed)
    try:
        if clock:
            hour, minute, second = (int(part or 0) for part in clock.groups())
            moment = datetime.combine(now().date(), time(hour, minute, second)).astimezone()
            return moment - timedelta(days=1) if moment > now() + timedelta(hours=1) else moment
        moment = datetime.fromisoformat(typed)
    except ValueError:
        raise RangeError(f"time '{words}' can't be read: give 10:32, 10:32:30 or 2026-05-04T10:32:00+02:00") from None
    return moment if moment.tzinfo else moment.astimezone()


def one_of(typed: str, names: tuple[str, ...]) -> str:
    """A name as typed, in any case or cut short: "H" is "high". What fits none is left as it is."""
    fitting = [name for name in names if typed and name.startswith(typed.lower())]
    return fitting[0] if len(fitting) == 1 else typed


def parse_mixture(words: str) -> dict[str, float]:
    """ "CH4=0.8,H2=0.2" -> {"CH4": 0.8, "H2": 0.2}."""
    parts = {}
    for part in words.split(","):
        species, equals, share = part.partition("=")
        if not equals:
            raise RangeError(f"mixture '{words}': give each part as name=share, such as CH4=0.8,H2=0.2")
        parts[species.strip()] = units.parse_number(share, f"share of {species.strip()}")
    return parts


def parse_pressure(words: str) -> tuple[str, tuple[float, float, str]]:
    """ "working pressure=17:25 mbar" -> ("working pressure", (17.0, 25.0, "mbar"))."""
    name, equals, rest = words.partition("=")
    limits, _, unit = rest.strip().partition(" ")
    if not (equals and name.strip() and unit.strip()):
        raise RangeError(f"pressure '{words}': give it as \"working pressure=17:25 mbar\"")
    low, high = units.parse_range(limits, name.strip())
    return name.strip(), (low, high, unit.strip())


def parse_settings(words: list[str]) -> dict[str, Any]:
    """["clockwise.throttle=leaner", "turndown=6"] -> {"clockwise": {"throttle": "leaner"}, "turndown": 6.0}."""
    settings: dict[str, Any] = {}
    for setting in words:
        name, equals, value = setting.partition("=")
        name, _, screw = name.strip().partition(".")
        if not equals or name not in SETTABLE:
            raise RangeError(f"setting '{setting}': give name=value; names are {', '.join(SETTABLE)}")
        parsed = _value(value.strip(), name)
        if screw:
            settings.setdefault(name, {})[screw] = parsed
        else:
            settings[name] = parsed
    return settings


def _value(typed: str, name: str) -> float | str | tuple[float | str, ...]:
    """A number, a fraction such as 1/24, numbers with a unit, or the words as they are where the fact is in words."""
    if name == "input_rate":
        limits, _, unit = typed.partition(" ")
        return (*units.parse_range(limits, name), unit.strip())
    if name == "heating_value":
        number, _, unit = typed.partition(" ")
        return units.parse_number(number, name), unit.strip()
    if name in ("clockwise", "cap_statement"):
        return typed
    top, slash, bottom = typed.partition("/")
    if not slash:
        return units.parse_number(typed, name)
    below = units.parse_number(bottom, name)
    if below == 0:
        raise RangeError(f"{name}: '{typed}' divides by zero")
    return units.parse_number(top, name) / below
