"""Every quantity worked out from one flue reading: excess air, CO air-free, CO/CO2, dew point, flue loss.

Sources: CO air-free ANSI/BPI-1200-S-2017 [S]; CO/CO2 BS 7967 [S]; flue loss 1. BImSchV Annex 2 [C].
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from advisor.chemistry import fuels
from advisor.chemistry.fuels import Fuel
from advisor.errors import RangeError

HIGHEST_O2_PCT = 20.5  # O2 taken for CO air-free at most: above it there is hardly any flue in the sample, own choice


@dataclass(frozen=True)
class FlueGas:
    """One flue reading and what it comes to, dry volume; None where it was not read or can't be known from what was.

    co_air_free_ppm   CO x 20.9 / (20.9 - O2), O2 from the fuel's line where it was not read
    co_co2_ratio      CO / CO2 by volume
    excess_air_ratio  from CO2, lean side
    dew_point_c       of the flue with dry combustion air at 1 atm, C; None for a fuel without hydrogen
    flue_c, air_c     temperatures of flue and combustion air, C
    flue_loss_pct     of the input, without what condensing gives back
    """

    co2_pct: float | None = None
    o2_pct: float | None = None
    co_ppm: float | None = None
    co_air_free_ppm: float | None = None
    co_co2_ratio: float | None = None
    excess_air_ratio: float | None = None
    dew_point_c: float | None = None
    flue_c: float | None = None
    air_c: float | None = None
    flue_loss_pct: float | None = None


def flue_gas(
    fuel: Fuel,
    co2_pct: float | None,
    o2_pct: float | None = None,
    co_ppm: float | None = None,
    *,
    flue_c: float | None = None,
    air_c: float | None = None,
    lean_flame: bool = True,
) -> FlueGas:
    """What a reading comes to; CO2 and O2 in dry volume percent, CO in dry ppm, temperatures in C.

    lean_flame  whether CO2 and O2 are those of this fuel's lean flame; otherwise nothing is worked out from them but CO
    """
    read = FlueGas(
        co2_pct, o2_pct, co_ppm, co_air_free_ppm(fuel, co_ppm, co2_pct, o2_pct), co_co2_ratio(co_ppm, co2_pct),
        flue_c=flue_c, air_c=air_c,
    )  # fmt: skip
    if not lean_flame or co2_pct is None or not 0 < co2_pct <= fuel.co2_max_pct:
        return read
    ratio = fuel.excess_air_ratio(co2_pct=co2_pct)
    o2 = fuel.o2_from_co2_pct(co2_pct) if o2_pct is None else o2_pct
    loss = None
    if flue_c is not None and air_c is not None and flue_c >= air_c and o2 < fuels.AIR_O2_PCT:
        loss = _where_it_holds(fuel.flue_loss_pct, flue_c, air_c, o2)  # the formula covers two kinds of gas
    return replace(
        read, excess_air_ratio=ratio, dew_point_c=_where_it_holds(fuel.dew_point_c, ratio), flue_loss_pct=loss
    )


def co_air_free_ppm(fuel: Fuel, co_ppm: float | None, co2_pct: float | None, o2_pct: float | None) -> float | None:
    """CO of a reading, ppm air-free; O2 from the fuel's line where it was not read; None where CO was not."""
    if co_ppm is None:
        return None
    o2 = o2_on_line_pct(fuel, co2_pct or 0.0) if o2_pct is None else o2_pct
    return float(fuels.co_air_free_ppm(co_ppm, min(o2, HIGHEST_O2_PCT)))


def co_co2_ratio(co_ppm: float | None, co2_pct: float | None) -> float | None:
    """CO over CO2 of one reading, both dry, as a plain ratio; None where one was not read or there is no CO2."""
    return co_ppm / (co2_pct * 10_000) if co_ppm is not None and co2_pct else None


def o2_on_line_pct(fuel: Fuel, co2_pct: float) -> float:
    """O2 on the fuel's line, dry volume percent, at a CO2 of any size: beyond the line's ends that of its end."""
    return float(fuel.o2_from_co2_pct(min(max(co2_pct, 0.01), fuel.co2_max_pct)))


def _where_it_holds(formula: Callable[..., float], *values: float) -> float | None:
    try:
        return formula(*values)
    except RangeError:
        return None
