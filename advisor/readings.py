"""What one flue-gas reading says by itself: can it be true, is it this fuel's, is the flame rich, is CO high."""

from dataclasses import dataclass

from advisor import fuels, limits
from advisor.events import Event
from advisor.facts import Facts

SEVERITIES = ("note", "warn", "halt")
LEAST_CO2_SHARE = 0.25  # of CO2 max; below it there is more than about 4 times the air needed: no set flame
ROUNDING_PCT = 0.15  # above CO2 max that rounding and a cell's accuracy explain, own choice

# findings of one reading after which its CO2 says nothing about the screws
UNUSABLE = frozenset({"impossible", "rich", "other-fuel", "off-line"})


@dataclass(frozen=True)
class Finding:
    """Something seen in the data. A `halt` stops all move advice until new readings or a void clear it.

    code      short fixed name, for programs
    severity  one of SEVERITIES
    text      what was seen and what to look at first, for the technician
    """

    code: str
    severity: str
    text: str


def co_limit_ppm(facts: Facts) -> float:
    """CO limit in force, ppm air-free: the published one, or the user's own where it is stricter."""
    own = facts.co_limit_ppm_air_free
    return limits.CO_AIR_FREE_PPM if own is None else min(own, limits.CO_AIR_FREE_PPM)


def judge(facts: Facts, reading: Event) -> tuple[Finding, ...]:
    """All findings of one reading taken by itself, the gravest first."""
    co2, o2, co = reading.co2_pct, reading.o2_pct, reading.co_ppm
    assert co2 is not None
    return tuple(
        finding
        for finding in (
            _impossible(facts.fuel, co2, o2),
            _rich(co2, o2, co),
            _off_line(facts.fuel, co2, o2),
            _high_co(facts, reading),
        )
        if finding is not None
    )


def usable(facts: Facts, reading: Event) -> bool:
    """Whether the CO2 of this reading says anything about the screws."""
    return not any(finding.code in UNUSABLE for finding in judge(facts, reading))


def _impossible(fuel: fuels.Fuel, co2: float, o2: float | None) -> Finding | None:
    most = fuel.co2_max_pct
    if co2 > most + ROUNDING_PCT:
        why = f"{co2:.1f} % CO2 can't come from {fuel.name}, which gives {most:.1f} % at most"
    elif co2 < most * LEAST_CO2_SHARE:
        why = f"{co2:.1f} % CO2 is no flame of {fuel.name} that could be set: burner off, or air in the sample?"
    elif o2 is not None and o2 >= fuels.AIR_O2_PCT:
        why = f"{o2:.1f} % O2 is plain air"
    else:
        return None
    return Finding("impossible", "halt", f"{why}. Check fuel, probe and analyser, then read again.")


def _rich(co2: float, o2: float | None, co: float | None) -> Finding | None:
    if co is None or o2 is None or not fuels.looks_rich(co, o2):
        return None
    return Finding(
        "rich",
        "halt",
        f"The flame is rich: CO {co:.0f} ppm with O2 {o2:.1f} %. On this side CO2 ({co2:.1f} %) falls when gas is "
        "added. Turn the burner off and air the room; restart only from the maker's starting position.",
    )


def _off_line(fuel: fuels.Fuel, co2: float, o2: float | None) -> Finding | None:
    if o2 is None or _impossible(fuel, co2, o2):
        return None
    if _on_line(fuel, co2, o2):
        return None
    expected = _o2_on_line(fuel, co2)
    seen = f"CO2 {co2:.1f} % with O2 {o2:.1f} % is not {fuel.name}, which would show O2 {expected:.1f} %"
    for other in fuels.BUILT_IN:
        if other.name != fuel.name and co2 < other.co2_max_pct and _on_line(other, co2, o2):
            return Finding(
                "other-fuel", "halt", f"{seen}; it fits {other.name}. Is the analyser set to the right fuel?"
            )
    return Finding(
        "off-line",
        "halt",
        f"{seen}, and no other fuel known here fits. Zero the analyser in clean air (O2 20.9 %), check its cells, "
        "then read again.",
    )


def _o2_on_line(fuel: fuels.Fuel, co2: float) -> float:
    return float(fuel.o2_from_co2_pct(min(co2, fuel.co2_max_pct)))


def _on_line(fuel: fuels.Fuel, co2: float, o2: float) -> bool:
    return abs(o2 - _o2_on_line(fuel, co2)) <= limits.FUEL_LINE_TOLERANCE_PCT


def _high_co(facts: Facts, reading: Event) -> Finding | None:
    co2, co = reading.co2_pct or 0.0, reading.co_ppm
    o2 = _o2_on_line(facts.fuel, co2) if reading.o2_pct is None else reading.o2_pct
    if co is None or o2 >= fuels.AIR_O2_PCT:
        return None
    air_free, limit = float(fuels.co_air_free_ppm(co, min(o2, 20.0))), co_limit_ppm(facts)
    if air_free <= limit:
        return None
    above_band = co2 > facts.bands[reading.firing or "high"][1]
    way_out = (
        "CO2 is above the band: if the maker's instructions let you trim from here, only leaner; log it and read."
        if above_band
        else "CO2 is not too high: look at burner, air intake and flue, not at the screws."
    )
    return Finding(
        "high-co",
        "halt",
        f"CO is {air_free:.0f} ppm air-free, over the limit of {limit:.0f}. Do not turn richer; if CO climbs, burner "
        f"off and air the room. {way_out}",
    )
