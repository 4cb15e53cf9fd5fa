"""The gas supply: the drop of its pressure, and the timed gas meter. Volumes are those of an ideal gas.

Meter timing: flow = 3600 x dial / seconds (trade education, printed worked example [C]).
"""

import math
import re

from advisor import parsing, units
from advisor.errors import RangeError

REFERENCE_PA = 101_325.0  # pressure at which gas volumes are stated, ISO 13443 [M]
ZERO_C_K = 273.15
METER_M3 = {"m3": 1.0, "ft3": units.FT3_M3, "l": 1e-3}
_DIAL = re.compile(r"([\d.,]+(?:/0*[1-9]\d*)?)\s*(ft3|m3|l)\s+([\d.,]+)\s*s?")


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


def parse_reference_factor(words: str) -> float:
    """ "12 20 15" or "12 20 15 980" (gas C, gauge mbar, heating value's C, barometer mbar) -> volume factor.

    Of an ideal gas, see `reference_factor`. Raises RangeError.
    """
    numbers = [parsing.parse_number(word, "gas at meter") for word in words.split()]
    if len(numbers) not in (3, 4):
        raise RangeError(f"gas at meter '{words}': three numbers, or four with the barometer, such as 12 20 15 980")
    gas_c, gauge_mbar, reference_c, *barometer_mbar = numbers
    air_pa = 100 * barometer_mbar[0] if barometer_mbar else REFERENCE_PA
    return reference_factor(gas_c, 100 * gauge_mbar, reference_c, air_pa)


def timed_input_kw(words: str, heating_value: tuple[float, str], factor: float = 1.0) -> float:
    """ "1 ft3 22" (dial and seconds, METER_M3 has the units) -> input, kW. Raises RangeError."""
    match = _DIAL.fullmatch(words.strip().lower().replace("³", "3"))
    if not match:
        raise RangeError(f"'{words}': dial, its unit and the seconds, such as 1 ft3 22 or 0.1 m3 95")
    top, slash, bottom = match[1].partition("/")
    dial = parsing.parse_number(top, "dial") / (parsing.parse_number(bottom, "dial") if slash else 1.0)
    seconds = parsing.parse_number(match[3], "seconds")
    return input_rate_kw(gas_flow_m3_h(dial, match[2], seconds), heating_value, factor)
