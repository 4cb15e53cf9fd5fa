"""What one flue-gas reading says by itself: can it be true, is it this fuel's, is the flame rich, is CO high."""

from dataclasses import dataclass, replace

from advisor.chemistry import fuels, limits
from advisor.job_setup.setup import Facts
from advisor.log.events import Event

SEVERITIES = ("note", "warn", "halt")
LEAST_CO2_SHARE = 0.25  # of CO2 max; below it there is more than about 4 times the air needed: no set flame
ROUNDING_PCT = 0.15  # above CO2 max that rounding and a cell's accuracy explain, own choice

HIGHEST_O2_PCT = 20.5  # of a flue that is not plain air
CO_NEAR_SHARE = 0.5  # of the limit, from which no richer turn is advised, own choice

# findings of one reading after which its CO2 says nothing about the screws
UNUSABLE = frozenset({"impossible", "rich", "other-fuel", "off-line"})


@dataclass(frozen=True)
class Finding:
    """Something seen in the data. A `halt` stops all move advice until new readings or a void clear it.

    code      short fixed name, for programs
    severity  one of SEVERITIES
    text      what was seen and what to look at first, for the technician
    firing, screw   the rate or the screw it is about; None where it is about the whole job
    """

    code: str
    severity: str
    text: str
    firing: str | None = None
    screw: str | None = None


def co_limit_ppm(facts: Facts) -> float:
    """CO limit in force, ppm air-free: the published one, or the user's own where it is stricter."""
    own = facts.co_limit_ppm_air_free
    return limits.CO_AIR_FREE_PPM if own is None else min(own, limits.CO_AIR_FREE_PPM)


def judge(facts: Facts, reading: Event, *, outdated: bool = False, rising: bool = False) -> tuple[Finding, ...]:
    """All findings of one reading taken by itself, the gravest first; a graver one leaves out what it explains.

    outdated  CO was read again since: what is said of the flame and its CO is said in the past
    rising    the display was coming up from clean air: that it still showed much of it is no trouble
    """
    fuel, co2, o2, co = facts.fuel, reading.co2_pct or 0.0, reading.o2_pct, reading.co_ppm
    is_ = "was" if outdated else "is"
    unusable = _impossible(fuel, co2, o2, rising) or _rich(fuel, co2, o2, co, is_) or _off_line(fuel, co2, o2)
    found = [unusable] if unusable else []
    if not (unusable and unusable.code == "rich"):
        found += _carbon_monoxide(facts, reading, is_)
    return tuple(replace(finding, firing=reading.firing) for finding in found)


def usable(facts: Facts, reading: Event) -> bool:
    """Whether the CO2 of this reading says anything about the screws."""
    return not any(finding.code in UNUSABLE for finding in judge(facts, reading))


def with_clean_air(facts: Facts, reading: Event) -> bool:
    """Whether nothing is wrong with this reading but that clean air is still in it: too little CO2 for a flame."""
    rising = judge(facts, reading, rising=True)
    return not usable(facts, reading) and not any(finding.code in UNUSABLE for finding in rising)


def co_air_free_ppm(facts: Facts, reading: Event) -> float | None:
    """CO of a reading, ppm air-free; O2 from this fuel's line where it was not given; None where CO was not."""
    if reading.co_ppm is None:
        return None
    o2 = _o2_on_line(facts.fuel, reading.co2_pct or 0.0) if reading.o2_pct is None else reading.o2_pct
    return float(fuels.co_air_free_ppm(reading.co_ppm, min(o2, HIGHEST_O2_PCT)))


def _impossible(fuel: fuels.Fuel, co2: float, o2: float | None, rising: bool) -> Finding | None:
    most = fuel.co2_max_pct
    if co2 > most + ROUNDING_PCT:
        why = f"{co2:.1f} % CO2 can't come from {fuel.name}, which gives {most:.1f} % at most"
    elif rising:
        return None
    elif co2 < most * LEAST_CO2_SHARE:
        why = f"{co2:.1f} % CO2 is no flame of {fuel.name} that could be set: burner off, or the probe in air?"
    elif o2 is not None and o2 >= HIGHEST_O2_PCT:
        why = f"{o2:.1f} % O2 is plain air"
    else:
        return None
    return Finding("impossible", "halt", f"{why.rstrip('?')}. Check fuel, burner, probe and analyser, then read again.")


def _rich(fuel: fuels.Fuel, co2: float, o2: float | None, co: float | None, is_: str) -> Finding | None:
    """CO in thousands with O2 near 0; or, with CO not given, too little CO2 for so little O2."""
    if o2 is None or o2 >= fuels.RICH_O2_PCT:
        return None
    if co is None and _on_line(fuel, co2, o2):
        return None
    if co is not None and not fuels.looks_rich(co, o2):
        return None
    seen = f"O2 {o2:.1f} % with CO2 {co2:.1f} %" if co is None else f"CO {co:.0f} ppm with O2 {o2:.1f} %"
    return Finding(
        "rich",
        "halt",
        f"The flame {is_} rich: {seen}. On this side CO2 falls when gas is added. Burner off, air the room; restart "
        "only from the maker's starting position.",
    )


def _off_line(fuel: fuels.Fuel, co2: float, o2: float | None) -> Finding | None:
    if o2 is None or _on_line(fuel, co2, o2):
        return None
    expected = _o2_on_line(fuel, co2)
    seen = f"CO2 {co2:.1f} % with O2 {o2:.1f} % is not {fuel.name}, which would show O2 {expected:.1f} %"
    if co2 < o2 <= fuel.co2_max_pct and _on_line(fuel, o2, co2):
        swapped = f"CO2 {o2:.1f} % with O2 {co2:.1f} % would be"
        return Finding("off-line", "halt", f"{seen}; {swapped}. Swapped? Then void it and log it the right way round.")
    for other in fuels.BUILT_IN:
        if other.name != fuel.name and co2 < other.co2_max_pct and _on_line(other, co2, o2):
            return Finding(
                "other-fuel",
                "halt",
                f"{seen}; it fits {other.name}. Is the analyser set to the right fuel? Put it right, then read again "
                "with O2.",
            )
    return Finding(
        "off-line",
        "halt",
        f"{seen}, and no other fuel known here fits. Zero the analyser in clean air (O2 20.9 %), check its cells, "
        "then read again.",
    )


def _o2_on_line(fuel: fuels.Fuel, co2: float) -> float:
    return float(fuel.o2_from_co2_pct(min(max(co2, 0.01), fuel.co2_max_pct)))


def _on_line(fuel: fuels.Fuel, co2: float, o2: float) -> bool:
    return abs(o2 - _o2_on_line(fuel, co2)) <= limits.FUEL_LINE_TOLERANCE_PCT


def _carbon_monoxide(facts: Facts, reading: Event, is_: str) -> list[Finding]:
    air_free, limit = co_air_free_ppm(facts, reading), co_limit_ppm(facts)
    if air_free is None or air_free <= limit * CO_NEAR_SHARE:
        return []
    at = f"CO at {reading.firing} fire {is_} {air_free:.0f} ppm air-free"
    if air_free <= limit:
        text = f"{at}, more than half of the limit of {limit:.0f}. No turn richer; look at burner, air and flue."
        return [Finding("co-rising", "warn", text)]
    band = facts.bands[reading.firing or "high"]
    way_out = (
        f"CO2 {is_} above the band: if the maker's instructions let you trim from here, only leaner; log it and read."
        if (reading.co2_pct or 0.0) > band[1]
        else f"CO2 {is_} not above the band: look at burner, air intake and flue, not at the screws."
    )
    return [
        Finding(
            "high-co",
            "halt",
            f"{at}, over the limit of {limit:.0f}. Do not turn richer; unless it falls at once, burner off and air the "
            f"room. {way_out}",
        )
    ]
