"""The timed gas meter: what is typed about it, turned into an input rate."""

import re

from advisor import units
from advisor.chemistry import flue_gas as figures
from advisor.errors import RangeError
from advisor.procedure.stages import METER_GAS

_DIAL = re.compile(r"([\d.,]+(?:/0*[1-9]\d*)?)\s*(ft3|m3|l)\s+([\d.,]+)\s*s?")


def reference_factor_of(words: str) -> float:
    """ "12 20 15" or "12 20 15 980" (gas C, gauge mbar, heating value's C, barometer mbar) -> volume factor.

    Of an ideal gas, see figures.reference_factor.
    """
    numbers = [units.parse_number(word, METER_GAS) for word in words.split()]
    if len(numbers) not in (3, 4):
        raise RangeError(f"{METER_GAS} '{words}': three numbers, or four with the barometer, such as 12 20 15 980")
    gas_c, gauge_mbar, reference_c, *barometer_mbar = numbers
    air_pa = 100 * barometer_mbar[0] if barometer_mbar else figures.REFERENCE_PA
    return figures.reference_factor(gas_c, 100 * gauge_mbar, reference_c, air_pa)


def timed_input_kw(words: str, heating_value: tuple[float, str], factor: float = 1.0) -> float:
    """ "1 ft3 22" (dial and seconds, figures.METER_M3 has the units) -> input, kW.

    Raises RangeError; the formulas and their sources are in figures.
    """
    match = _DIAL.fullmatch(words.strip().lower().replace("³", "3"))
    if not match:
        raise RangeError(f"'{words}': dial, its unit and the seconds, such as 1 ft3 22 or 0.1 m3 95")
    top, slash, bottom = match[1].partition("/")
    dial = units.parse_number(top, "dial") / (units.parse_number(bottom, "dial") if slash else 1.0)
    seconds = units.parse_number(match[3], "seconds")
    return figures.input_rate_kw(figures.gas_flow_m3_h(dial, match[2], seconds), heating_value, factor)
