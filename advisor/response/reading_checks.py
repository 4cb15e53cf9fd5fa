"""What one flue reading says by itself: can it be true, is it this fuel's, is the flame rich, is CO high."""

from dataclasses import replace
from typing import Literal, NamedTuple

from advisor.chemistry import flue_gas as chemistry
from advisor.chemistry import fuels, limits
from advisor.chemistry.flue_gas import FlueGas, o2_on_line_pct
from advisor.chemistry.fuels import Fuel
from advisor.job_setup.setup import AIR_FREE, DISPLAYED, JobSetup
from advisor.log.events import Event
from advisor.messages import Finding

# findings of one reading after which its CO2 says nothing about the screws
UNUSABLE = frozenset({"impossible", "rich", "other-fuel", "off-line"})


def co_limit_ppm(setup: JobSetup, reading: Event | None = None) -> float:
    """CO limit in force at a reading, ppm air-free: the published one, or the maker's where it is stricter.

    The maker's may be stated otherwise (`JobSetup.co_limit`); it is then worked out for the flue of this reading, or
    for the lean edge of the bands where none is given.
    """
    return min(limits.CO_AIR_FREE_PPM, own_co_limit_ppm(setup, reading) or limits.CO_AIR_FREE_PPM)


def own_co_limit_ppm(setup: JobSetup, reading: Event | None) -> float | None:
    """The maker's CO limit at a reading, ppm air-free; None where none was stated."""
    if setup.stated_co_limit is None:
        return None
    value, basis = setup.stated_co_limit
    if basis == AIR_FREE:
        return value
    co2_pct, o2_pct = _flue_of(setup, reading)
    shown_ppm = value if basis == DISPLAYED else value * 10_000 * co2_pct
    return chemistry.co_air_free_ppm(setup.fuel, shown_ppm, co2_pct, o2_pct)


def co_air_free_ppm(setup: JobSetup, reading: Event) -> float | None:
    """CO of a reading, ppm air-free; None where CO was not read, or the sample is mostly air.

    CO read alone is taken as diluted at the lean edge of the band, or as last read at that rate where that was leaner.
    """
    if reading.co_ppm is None or mostly_air(setup, reading):
        return None
    return chemistry.co_air_free_ppm(setup.fuel, reading.co_ppm, *_flue_of(setup, reading))


def without_flue(reading: Event) -> bool:
    """Whether nothing says how much CO was diluted: it was read alone, and no CO2 was read yet at that rate."""
    return reading.co2_pct is None and reading.flue is None


def mostly_air(setup: JobSetup, reading: Event) -> bool:
    """Whether the sample is clean air with next to no flue in it, as after a lock-out: no reading of a flame."""
    policy, co2, o2 = setup.policy, reading.co2_pct, reading.o2_pct
    if co2 is None and o2 is None:
        return False
    return (o2 is not None and o2 > policy.clean_sample_o2_pct) or (co2 or 0.0) < policy.clean_sample_co2_pct


def co_bar_ppm(setup: JobSetup, reading: Event | None = None) -> float:
    """CO from which no turn richer is allowed, ppm air-free: a share of its limit, at most `policy.co_bar_ppm`."""
    return min(co_limit_ppm(setup, reading) * setup.policy.co_bar_share, setup.policy.co_bar_ppm)


class CoAsStated(NamedTuple):
    """CO of a reading and its limit, ppm, both on the basis that the limit was stated in."""

    ppm: float
    limit_ppm: float
    displayed: bool  # as displayed; else air-free


def co_as_stated(setup: JobSetup, reading: Event) -> CoAsStated | None:
    """CO of a reading beside its limit; None where CO can't be made air-free (`co_air_free_ppm`)."""
    air_free, limit = co_air_free_ppm(setup, reading), co_limit_ppm(setup, reading)
    if air_free is None:
        return None
    if setup.co_limit and setup.co_limit[1] == DISPLAYED and limit < limits.CO_AIR_FREE_PPM:
        return CoAsStated(reading.co_ppm or 0.0, setup.co_limit[0], displayed=True)
    return CoAsStated(air_free, limit, displayed=False)


def _flue_of(setup: JobSetup, reading: Event | None) -> tuple[float, float | None]:
    """CO2 and O2 that belong to a CO figure, dry volume percent.

    Those read with it; else the leaner of those last read at that rate and the lean edge of the band.
    """
    if reading is not None and reading.co2_pct is not None:
        return reading.co2_pct, reading.o2_pct
    bands = setup.bands
    edge_pct = bands[reading.rate][0] if reading and reading.rate else min(low for low, _ in bands.values())
    return reading.flue if reading and reading.flue and reading.flue[0] < edge_pct else (edge_pct, None)


def flue_gas_of(setup: JobSetup, reading: Event, flue_c: float | None = None, air_c: float | None = None) -> FlueGas:
    """Everything worked out from a reading, with the temperatures (C) that belong to it."""
    return chemistry.flue_gas(
        setup.fuel, reading.co2_pct, reading.o2_pct, reading.co_ppm, flue_c=flue_c, air_c=air_c,
        lean_flame=usable(setup, reading),
    )  # fmt: skip


When = Literal["now", "lighting", "off", "before"]


def judge(setup: JobSetup, reading: Event, *, when: When = "now", rising: bool = False) -> tuple[Finding, ...]:
    """All findings of one reading taken by itself, the gravest first; a graver one leaves out what it explains.

    when    how what it says of CO is said: "now"; "lighting", in the first minute; "off", the burner is off by now;
            "before", CO was read again since
    rising  the display was coming up from clean air: that it still showed much of it is no trouble
    """
    unusable = None
    if reading.co2_pct is not None:
        unusable = _impossible(setup, reading, rising) or _rich(setup, reading, when) or _off_line(setup, reading)
    found = [unusable] if unusable else []
    if not (unusable and unusable.code == "rich"):
        found += _carbon_monoxide(setup, reading, when)
    return tuple(replace(finding, firing=reading.rate) for finding in found)


def usable(setup: JobSetup, reading: Event) -> bool:
    """Whether the CO2 of this reading says anything about the screws."""
    return reading.co2_pct is not None and not any(finding.code in UNUSABLE for finding in judge(setup, reading))


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


def _rich(setup: JobSetup, reading: Event, when: When) -> Finding | None:
    """CO in thousands with O2 near 0; or, with CO not given, too little CO2 for so little O2."""
    co2, o2, co = reading.co2_pct or 0.0, reading.o2_pct, reading.co_ppm
    if o2 is None or o2 >= fuels.RICH_O2_PCT:
        return None
    if co is None and _on_line(setup.fuel, co2, o2, setup.policy.fuel_line_o2_pct):
        return None
    if co is not None and not fuels.looks_rich(co, o2):
        return None
    by = "by_o2" if co is None else "by_co"
    return Finding("rich", "halt", variant=f"{by}_{when}", data={"co2": co2, "o2": o2, "co": co})


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


def _carbon_monoxide(setup: JobSetup, reading: Event, when: When) -> list[Finding]:
    air_free, limit = co_air_free_ppm(setup, reading), co_limit_ppm(setup, reading)
    if air_free is None:
        return []
    # how much CO read alone is thinned is not known: below the limit it counts as displayed, the least it can be
    least = reading.co_ppm or 0.0 if reading.co2_pct is None and air_free <= limit else air_free
    if least <= limit * setup.policy.co_near_share:
        return []
    bar = co_bar_ppm(setup, reading)
    data: dict[str, object] = {"air_free": air_free, "limit": limit, "bar": bar}
    if stated := co_as_stated(setup, reading):
        air_free_basis = " air-free (about, CO2 not read)" if without_flue(reading) else " air-free"
        data |= {"ppm": stated.ppm, "of": stated.limit_ppm, "basis": "" if stated.displayed else air_free_basis}
    if air_free <= limit:
        level = "barred" if air_free > bar else "near_limit"
        over = "_before" if when in ("before", "off") else ""
        return [Finding("co-rising", "warn", variant=f"{level}{over}", data=data)]
    high_edge = setup.bands[reading.rate or "high"][1]
    side = "above" if (reading.co2_pct or 0.0) > high_edge else "not_above"
    how = "at_once" if when in ("now", "lighting") and (reading.co_ppm or 0.0) > setup.policy.co_at_once_ppm else when
    return [Finding("high-co", "halt", variant=f"{how}_{side}", data=data)]
