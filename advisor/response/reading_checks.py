"""What one flue reading says by itself: can it be true, is it this fuel's, is the flame rich, is CO high."""

from dataclasses import replace

from advisor.chemistry import flue_gas as chemistry
from advisor.chemistry import fuels, limits
from advisor.chemistry.flue_gas import FlueGas, o2_on_line_pct
from advisor.chemistry.fuels import Fuel
from advisor.job_setup.setup import JobSetup
from advisor.log.events import Event
from advisor.messages import Finding

# findings of one reading after which its CO2 says nothing about the screws
UNUSABLE = frozenset({"impossible", "rich", "other-fuel", "off-line"})


def co_limit_ppm(setup: JobSetup) -> float:
    """CO limit in force, ppm air-free: the published one, or the user's own where it is stricter."""
    own = setup.co_limit_ppm_air_free
    return limits.CO_AIR_FREE_PPM if own is None else min(own, limits.CO_AIR_FREE_PPM)


def co_air_free_ppm(setup: JobSetup, reading: Event) -> float | None:
    """CO of a reading, ppm air-free; None where CO was not read."""
    return chemistry.co_air_free_ppm(setup.fuel, reading.co_ppm, reading.co2_pct, reading.o2_pct)


def flue_gas_of(setup: JobSetup, reading: Event, flue_c: float | None = None, air_c: float | None = None) -> FlueGas:
    """Everything worked out from a reading, with the temperatures (C) that belong to it."""
    return chemistry.flue_gas(
        setup.fuel, reading.co2_pct, reading.o2_pct, reading.co_ppm, flue_c=flue_c, air_c=air_c,
        lean_flame=usable(setup, reading),
    )  # fmt: skip


def judge(setup: JobSetup, reading: Event, *, outdated: bool = False, rising: bool = False) -> tuple[Finding, ...]:
    """All findings of one reading taken by itself, the gravest first; a graver one leaves out what it explains.

    outdated  CO was read again since: what is said of the flame and its CO is said in the past
    rising    the display was coming up from clean air: that it still showed much of it is no trouble
    """
    before = "_before" if outdated else ""
    unusable = _impossible(setup, reading, rising) or _rich(setup, reading, before) or _off_line(setup, reading)
    found = [unusable] if unusable else []
    if not (unusable and unusable.code == "rich"):
        found += _carbon_monoxide(setup, reading, before)
    return tuple(replace(finding, firing=reading.firing) for finding in found)


def usable(setup: JobSetup, reading: Event) -> bool:
    """Whether the CO2 of this reading says anything about the screws."""
    return not any(finding.code in UNUSABLE for finding in judge(setup, reading))


def with_clean_air(setup: JobSetup, reading: Event) -> bool:
    """Whether nothing is wrong with this reading but that clean air is still in it: too little CO2 for a flame."""
    rising = judge(setup, reading, rising=True)
    return not usable(setup, reading) and not any(finding.code in UNUSABLE for finding in rising)


def _impossible(setup: JobSetup, reading: Event, rising: bool) -> Finding | None:
    fuel, policy = setup.fuel, setup.policy
    co2, o2, most = reading.co2_pct or 0.0, reading.o2_pct, setup.fuel.co2_max_pct
    if co2 > most + policy.co2_rounding_pct:
        variant = "too_high"
    elif rising:
        return None
    elif co2 < most * policy.least_co2_share:
        variant = "no_flame"
    elif o2 is not None and o2 >= policy.plain_air_o2_pct:
        variant = "plain_air"
    else:
        return None
    data = {"co2": co2, "o2": o2, "fuel": fuel.name, "most": most}
    return Finding("impossible", "halt", variant=variant, data=data)


def _rich(setup: JobSetup, reading: Event, before: str) -> Finding | None:
    """CO in thousands with O2 near 0; or, with CO not given, too little CO2 for so little O2."""
    co2, o2, co = reading.co2_pct or 0.0, reading.o2_pct, reading.co_ppm
    if o2 is None or o2 >= fuels.RICH_O2_PCT:
        return None
    if co is None and _on_line(setup.fuel, co2, o2, setup.policy.fuel_line_o2_pct):
        return None
    if co is not None and not fuels.looks_rich(co, o2):
        return None
    by = "by_o2" if co is None else "by_co"
    return Finding("rich", "halt", variant=f"{by}{before}", data={"co2": co2, "o2": o2, "co": co})


def _off_line(setup: JobSetup, reading: Event) -> Finding | None:
    fuel, tolerance = setup.fuel, setup.policy.fuel_line_o2_pct
    co2, o2 = reading.co2_pct or 0.0, reading.o2_pct
    if o2 is None or _on_line(fuel, co2, o2, tolerance):
        return None
    data = {"co2": co2, "o2": o2, "fuel": fuel.name, "line_o2": o2_on_line_pct(fuel, co2)}
    if co2 < o2 <= fuel.co2_max_pct and _on_line(fuel, o2, co2, tolerance):
        return Finding("off-line", "halt", variant="swapped", data=data)
    for other in fuels.BUILT_IN:
        if other.name != fuel.name and co2 < other.co2_max_pct and _on_line(other, co2, o2, tolerance):
            return Finding("other-fuel", "halt", data={**data, "other": other.name})
    return Finding("off-line", "halt", variant="no_fuel", data=data)


def _on_line(fuel: Fuel, co2: float, o2: float, tolerance_pct: float) -> bool:
    return abs(o2 - o2_on_line_pct(fuel, co2)) <= tolerance_pct


def _carbon_monoxide(setup: JobSetup, reading: Event, before: str) -> list[Finding]:
    air_free, limit = co_air_free_ppm(setup, reading), co_limit_ppm(setup)
    if air_free is None or air_free <= limit * setup.policy.co_near_share:
        return []
    data = {"air_free": air_free, "limit": limit}
    if air_free <= limit:
        return [Finding("co-rising", "warn", variant=f"near_limit{before}", data=data)]
    high_edge = setup.bands[reading.firing or "high"][1]
    side = "above" if (reading.co2_pct or 0.0) > high_edge else "not_above"
    return [Finding("high-co", "halt", variant=f"{side}{before}", data=data)]
