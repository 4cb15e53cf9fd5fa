"""What the visit works out from what was measured: drop, gas rate, input rate, flue figures, certainty of the band.

Each is a pure function; gas volumes are those of an ideal gas. Sources: meter timing 3600 x dial / seconds (trade
education, printed worked example [C]); CO air-free ANSI/BPI-1200-S-2017 [S]; CO/CO2 BS 7967 [S]; flue loss
1. BImSchV Annex 2 [C]; conformity probability JCGM 106:2012 and rectangular accuracy JCGM 100:2008 4.3.7 [M].
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from advisor import units
from advisor.chemistry import fuels
from advisor.errors import RangeError
from advisor.job_setup.setup import Facts
from advisor.log.events import Event
from advisor.response.reading_checks import co_air_free_ppm, usable

REFERENCE_PA = 101_325.0  # pressure at which gas volumes are stated, ISO 13443 [M]
ZERO_C_K = 273.15
METER_M3 = {"m3": 1.0, "ft3": units.FT3_M3, "l": 1e-3}


def pressure_drop(standing: tuple[float, str], working: tuple[float, str]) -> tuple[float, float]:
    """Drop from standing to working pressure, (value, unit) each: in the unit of the first, and in % of it.

    Standing above 0; a negative drop (working above standing) is given as it is.
    """
    value, unit = standing
    if not units.pressure_pa(value, unit) > 0:
        raise RangeError(f"standing pressure {value:g} {unit}: more than 0 is needed")
    drop = value - units.convert_pressure(*working, to=unit)
    return drop, 100 * drop / value


def gas_flow_m3_h(dial: float, unit: str, seconds: float) -> float:
    """Gas flow at meter conditions, m3/h, from the volume of one turn of the dial and the seconds it took.

    unit "m3", "ft3" or "l"; seconds 5 to 3600: shorter is too coarse to time by hand (own choice).
    """
    if unit not in METER_M3:
        raise RangeError(f"dial in '{unit}': it is one of {', '.join(METER_M3)}")
    if not 0 < dial < math.inf:
        raise RangeError(f"dial {dial:g} {unit}: more than 0 is needed")
    if not 5 <= seconds <= 3600:
        raise RangeError(f"{seconds:g} s on the meter: 5 to 3600 s is allowed; time more turns of the dial")
    return 3600 * dial * METER_M3[unit] / seconds


def reference_factor(gas_c: float, gauge_pa: float, reference_c: float, air_pa: float = REFERENCE_PA) -> float:
    """Volume at reference temperature and 1013.25 mbar per volume at the meter, of an ideal gas.

    gas_c, reference_c  temperature at the meter, and that of the heating value, C, -40 to 60
    gauge_pa, air_pa    gauge pressure at the meter (0 to 100 000) and barometer (60 000 to 110 000), Pa
    """
    for what, value, low, high, unit in (
        ("gas temperature", gas_c, -40.0, 60.0, "C"),
        ("temperature of the heating value", reference_c, -40.0, 60.0, "C"),
        ("pressure at the meter", gauge_pa, 0.0, 100_000.0, "Pa"),
        ("barometer", air_pa, 60_000.0, 110_000.0, "Pa"),
    ):
        if not low <= value <= high:
            raise RangeError(f"{what} {value:g} {unit}: {low:g} to {high:g} {unit} is allowed")
    return (air_pa + gauge_pa) / REFERENCE_PA * (reference_c + ZERO_C_K) / (gas_c + ZERO_C_K)


def input_rate_kw(flow_m3_h: float, heating_value: tuple[float, str], factor: float = 1.0) -> float:
    """Input, kW, on the basis of the heating value (gross or net as that is): flow x factor x heating value."""
    return flow_m3_h * factor * units.heating_value_mj_m3(*heating_value) / 3.6


def calibration_age_days(calibrated: date, on: date) -> int:
    """Days between the analyser's calibration and a day; 0 or more."""
    return max(0, (on - calibrated).days)


def co_co2_ratio(co_ppm: float, co2_pct: float) -> float:
    """CO over CO2 of one reading, both dry, as a plain ratio; CO2 above 0."""
    if not co2_pct > 0:
        raise RangeError(f"CO2 {co2_pct:g} %: more than 0 is needed for CO/CO2")
    return co_ppm / (co2_pct * 10_000)


@dataclass(frozen=True)
class FlueFigures:
    """What one reading means; None where something it needs was not measured.

    excess_air_pct, dew_point_c  from CO2 (dry combustion air, 1013 mbar); no dew point of a fuel without hydrogen
    flue_loss_pct    of the input, without what condensing gives back
    co_air_free_ppm, co_co2
    """

    excess_air_pct: float
    dew_point_c: float | None = None
    flue_loss_pct: float | None = None
    co_air_free_ppm: float | None = None
    co_co2: float | None = None


def flue_figures(
    facts: Facts, reading: Event, flue_c: float | None = None, air_c: float | None = None
) -> FlueFigures | None:
    """The flue figures of a reading; None where its CO2 says nothing of this fuel's lean flame (`readings.usable`)."""
    fuel, co2 = facts.fuel, reading.co2_pct or 0.0
    if co2 > fuel.co2_max_pct or not usable(facts, reading):
        return None
    ratio = fuel.excess_air_ratio(co2_pct=co2)
    o2 = fuel.o2_from_co2_pct(co2) if reading.o2_pct is None else reading.o2_pct
    loss = None
    if flue_c is not None and air_c is not None and flue_c >= air_c and o2 < fuels.AIR_O2_PCT:
        loss = _where_it_holds(fuel.flue_loss_pct, flue_c, air_c, o2)  # the formula covers two kinds of gas
    return FlueFigures(
        100 * (ratio - 1),
        _where_it_holds(fuel.dew_point_c, ratio),
        loss,
        co_air_free_ppm(facts, reading),
        None if reading.co_ppm is None else co_co2_ratio(reading.co_ppm, co2),
    )


def _where_it_holds(formula: Callable[..., float], *values: float) -> float | None:
    try:
        return formula(*values)
    except RangeError:
        return None


def chance_truly_in_band(mean_pct: float, sd_pct: float, low_pct: float, high_pct: float, accuracy_pct: float) -> float:
    """Chance that the true CO2 lies in the band, the analyser's own accuracy counted in.

    mean_pct, sd_pct  what the readings say of the displayed settled CO2, taken as normal; sd above 0
    accuracy_pct      +/- limits of the analyser's error, every error within them as likely (u = a / sqrt(3))

    Conformity probability p = F(high) - F(low) of the sum of the two. Own integral of the normal distribution:
    with G(z) = z Phi(z) + phi(z), F(x) = sd / (2 a) (G((x - mean + a) / sd) - G((x - mean - a) / sd)).
    """
    if not (sd_pct > 0 and accuracy_pct >= 0 and low_pct < high_pct):
        raise RangeError("chance in band: a spread above 0, an accuracy of 0 or more and a rising band are needed")

    def below(edge: float) -> float:
        apart = edge - mean_pct
        if accuracy_pct < 1e-6 * sd_pct:
            return _phi_sum(apart / sd_pct)
        up, down = ((apart + sign * accuracy_pct) / sd_pct for sign in (1, -1))
        return sd_pct / (2 * accuracy_pct) * (_integral(up) - _integral(down))

    return min(1.0, max(0.0, below(high_pct) - below(low_pct)))


def _phi_sum(z: float) -> float:
    return math.erfc(-z / math.sqrt(2)) / 2


def _integral(z: float) -> float:
    return z * _phi_sum(z) + math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
