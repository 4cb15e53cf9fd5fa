"""Whether a CO2 band can be that of a fuel: its O2 and excess air, what is refused, what is asked back.

Own choices, no source: makers' bands of premix condensing boilers leave some 20 to 40 % excess air.
"""

from collections.abc import Mapping
from typing import NamedTuple

from advisor.chemistry import fuels
from advisor.chemistry.fuels import Fuel
from advisor.errors import RangeError
from advisor.screws import FIRINGS, Firing

ALLOWED_EXCESS_AIR_PCT = (8.0, 90.0)  # outside these a band is refused
USUAL_EXCESS_AIR_PCT = (15.0, 50.0)  # outside these it is asked back
USUAL_WIDTH_PCT = 1.5  # % CO2; a wider band is asked back

Bands = Mapping[Firing, tuple[float, float]]


class Flue(NamedTuple):
    """A band in other quantities: O2 (dry volume percent) and excess air (%), each at its CO2-low and CO2-high edge."""

    o2_pct: tuple[float, float]
    excess_air_pct: tuple[float, float]


def flue_of(fuel: Fuel, band: tuple[float, float]) -> Flue:
    """O2 and excess air at both edges of a CO2 band."""
    o2 = [float(fuel.o2_from_co2_pct(edge)) for edge in band]
    air = [100 * (float(fuel.excess_air_ratio(co2_pct=edge)) - 1) for edge in band]
    return Flue((o2[0], o2[1]), (air[0], air[1]))


def band_from_o2(fuel: Fuel, o2_low: float, o2_high: float) -> tuple[float, float]:
    """The CO2 band of an O2 band, dry volume percent, to 0.01 %. Raises RangeError."""
    if not 0 < o2_low < o2_high < fuels.AIR_O2_PCT:
        raise RangeError(f"O2 band {o2_low:g} to {o2_high:g}: two rising numbers between 0 and 20.9 are needed, in %")
    edges = [float(fuel.co2_pct(fuel.excess_air_ratio(o2_pct=edge))) for edge in (o2_high, o2_low)]
    return round(edges[0], 2), round(edges[1], 2)


def refuse(fuel: Fuel, bands: Bands) -> None:
    """Raise RangeError where a band can't be that of this fuel's flame."""
    least, most = ALLOWED_EXCESS_AIR_PCT
    for firing in FIRINGS:
        lean, rich = flue_of(fuel, bands[firing]).excess_air_pct
        if rich < least or lean > most:
            raise RangeError(
                f"band at {firing} fire {_said(bands[firing])} % CO2: with {fuel.name} that is {rich:.0f} to "
                f"{lean:.0f} % excess air; {least:g} to {most:g} is possible.{_fits(fuel, bands[firing])} Right fuel, "
                "and the point in the right place?"
            )


def doubts(fuel: Fuel, bands: Bands) -> list[str]:
    """What is to be confirmed of bands that are possible but unusual, in sentences."""
    least, most = USUAL_EXCESS_AIR_PCT
    found = []
    for firing in FIRINGS:
        (low, high), (lean, rich) = bands[firing], flue_of(fuel, bands[firing]).excess_air_pct
        if rich < least or lean > most:
            found.append(
                f"{firing} fire {_said(bands[firing])} % CO2 is {rich:.0f} to {lean:.0f} % excess air with "
                f"{fuel.name}; usual is {least:g} to {most:g}.{_fits(fuel, bands[firing])}"
            )
        if high - low > USUAL_WIDTH_PCT:
            found.append(f"{firing} fire {_said(bands[firing])} % CO2 is {high - low:.1f} % wide.")
    if bands["low"][1] > bands["high"][1] and bands["low"][0] > bands["high"][0]:
        found.append("the low-fire band lies above the high-fire one. Swapped?")
    return found


def _fits(fuel: Fuel, band: tuple[float, float]) -> str:
    """Which other fuel the band would suit."""
    least, most = USUAL_EXCESS_AIR_PCT
    for other in fuels.BUILT_IN:
        if other.name != fuel.name and band[1] < other.co2_max_pct:
            lean, rich = flue_of(other, band).excess_air_pct
            if least <= rich and lean <= most:
                return f" It would suit {other.name}."
    return ""


def _said(band: tuple[float, float]) -> str:
    return f"{band[0]:g} to {band[1]:g}"
