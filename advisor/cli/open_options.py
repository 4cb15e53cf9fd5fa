"""Words typed as options of `open`, turned into values."""

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from advisor import parsing
from advisor.chemistry import fuels
from advisor.errors import RangeError
from advisor.job_setup import band_check
from advisor.job_setup.setup import JobSetup
from advisor.job_setup.typed_values import parse_fuel as built_in_fuel
from advisor.screws import FIRINGS, Firing

SETTABLE = (
    "cap_turns", "cap_statement", "mark_turns", "travel_limit_turns", "clockwise", "min_wait_s", "turndown",
    "co_limit_ppm_air_free", "display_step_pct", "analyser_accuracy_pct", "overshoot_chance", "stop_chance",
    "input_rate", "heating_value",
)  # fmt: skip

_LIMITS_AND_UNIT = re.compile(r"(.*?)\s*([A-Za-z].*)?")


def parse_mixture(words: str) -> dict[str, float]:
    """ "CH4=0.8,H2=0.2" -> {"CH4": 0.8, "H2": 0.2}, mole fractions."""
    parts = {}
    for part in words.split(","):
        species, equals, share = part.partition("=")
        if not equals:
            raise RangeError(f"mixture '{words}': give each part as name=share, such as CH4=0.8,H2=0.2")
        parts[species.strip()] = parsing.parse_number(share, f"share of {species.strip()}")
    return parts


def parse_fuel(name: str, mixture: str | None) -> fuels.Fuel:
    """A built-in fuel, or under a name of its own the mixture of these parts. Raises RangeError."""
    if not mixture:
        return built_in_fuel(name)
    parts = parse_mixture(mixture)
    try:
        known = fuels.by_name(name).name
    except RangeError:
        return fuels.mixture(name, parts)
    raise RangeError(f"{known} is built in with its own composition: leave --mixture out, or name the gas otherwise")


def parse_band(fuel: fuels.Fuel, firing: Firing, co2: str | None, o2: str | None) -> tuple[float, float]:
    """The CO2 band of a rate, from one of its two options. Raises RangeError unless one is given."""
    if (co2 is None) == (o2 is None):
        raise RangeError(
            f"band at {firing} fire: give --{firing} in CO2, such as 9.0:9.4, or --{firing}-o2 in O2, such as 4.3:5.0, "
            "from the maker's instructions"
        )
    if o2 is None:
        return parsing.parse_range(co2 or "", f"--{firing}")
    return band_check.band_from_o2(fuel, *parsing.parse_range(o2, f"--{firing}-o2"))


def stated_setup(
    before: JobSetup | None,
    fuel: str | None,
    mixture: str | None,
    bands: Mapping[Firing, tuple[str | None, str | None]],
    stated: Mapping[str, Any],
) -> JobSetup:
    """The setup of what was stated, over that of an earlier visit where there is one.

    bands  by rate, as typed: in CO2, in O2
    Raises RangeError where fuel or bands are missing, or the fuel is another than before.
    """
    said: dict[str, Any] = {name: value for name, value in stated.items() if value or isinstance(value, bool)}
    if before is None:
        if fuel is None:
            raise RangeError(
                "--fuel is missing. Type: advisor open LOG --fuel NAME --high BAND --low BAND. More: advisor open "
                "--help"
            )
        gas = parse_fuel(fuel, mixture)
        return JobSetup(fuel=gas, bands={firing: parse_band(gas, firing, *bands[firing]) for firing in FIRINGS}, **said)
    if fuel is not None and parse_fuel(fuel, mixture) != before.fuel:
        raise RangeError(f"--from: that boiler burned {before.fuel.name}. For another fuel open without --from")
    given = {firing: parse_band(before.fuel, firing, *bands[firing]) for firing in FIRINGS if any(bands[firing])}
    merged: dict[str, Any] = {
        name: {**getattr(before, name), **value} if isinstance(value, dict) else value for name, value in said.items()
    }
    return replace(before, bands={**before.bands, **given}, **merged)


def ask_back_bands(setup: JobSetup, confirmed: bool) -> None:
    """Raise RangeError for bands that can't be, and for unusual ones that were not confirmed."""
    band_check.refuse(setup.fuel, setup.bands)
    doubts = band_check.doubts(setup.fuel, setup.bands)
    if doubts and not confirmed:
        raise RangeError(f"{' '.join(doubts)} If it is so in the maker's instructions, add --confirm-band")


def parse_pressure(words: str) -> tuple[str, tuple[float, float, str]]:
    """ "working pressure=17:25 mbar" -> ("working pressure", (17.0, 25.0, "mbar"))."""
    name, equals, rest = words.partition("=")
    limits, unit = _LIMITS_AND_UNIT.fullmatch(rest.strip()).groups("")  # type: ignore[union-attr]  # every part may be empty
    if not (equals and name.strip() and unit.strip()):
        raise RangeError(f"pressure '{words}': give it as \"working pressure=17:25 mbar\"")
    low, high = parsing.parse_range(limits, name.strip())
    return name.strip(), (low, high, unit)


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
    figure, _, unit = typed.partition(" ")
    if name == "input_rate":
        return (*parsing.parse_range(figure, name), unit.strip())
    if name == "heating_value":
        return parsing.parse_number(figure, name), unit.strip()
    if name in ("clockwise", "cap_statement"):
        return typed
    top, slash, bottom = typed.partition("/")
    if not slash:
        return parsing.parse_number(typed, name)
    below = parsing.parse_number(bottom, name)
    if below == 0:
        raise RangeError(f"{name}: '{typed}' divides by zero")
    return parsing.parse_number(top, name) / below
