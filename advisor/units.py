"""Pressures, powers, heating values and temperatures in other units.

Pressure units: NIST SP 811 Appendix B; the inch of water is the conventional one (249.0889 Pa), not that at 4 C or
60 F.
"""

import re
from collections.abc import Mapping
from math import isfinite
from types import MappingProxyType

from advisor.errors import RangeError

PASCALS: Mapping[str, float] = MappingProxyType(
    {"Pa": 1.0, "hPa": 100.0, "kPa": 1000.0, "mbar": 100.0, "psi": 6894.757, "inH2O": 249.0889}
)
# Btu of the International Table, 1055.05585262 J; foot 0.3048 m exactly. NIST SP 811 Appendix B [M].
BTU_J, FT3_M3 = 1055.05585262, 0.3048**3
KILOWATTS: Mapping[str, float] = MappingProxyType({"kW": 1.0, "W": 1e-3, "Btu/h": BTU_J / 3.6e6})
MJ_PER_M3: Mapping[str, float] = MappingProxyType({"MJ/m3": 1.0, "kWh/m3": 3.6, "Btu/ft3": BTU_J / 1e6 / FT3_M3})
_PRESSURE_UNITS = {unit.lower(): unit for unit in PASCALS} | {"inwc": "inH2O"}


def pressure_pa(value: float, unit: str) -> float:
    """Pressure in pascal (gauge or absolute, as given). RangeError for an unknown unit or nan."""
    return _finite(value, "pressure") * PASCALS[_pressure_unit(unit)]


def convert_pressure(value: float, unit: str, to: str) -> float:
    """Pressure in the unit `to`. RangeError for an unknown unit or nan."""
    return pressure_pa(value, unit) / PASCALS[_pressure_unit(to)]


def power_kw(value: float, unit: str) -> float:
    """Power in kW. RangeError for an unknown unit or nan."""
    return _finite(value, "power") * _factor(KILOWATTS, unit, "power unit")


def convert_power(value: float, unit: str, to: str) -> float:
    """Power in the unit `to`. RangeError for an unknown unit or nan."""
    return power_kw(value, unit) / _factor(KILOWATTS, to, "power unit")


def heating_value_mj_m3(value: float, unit: str) -> float:
    """Heating value in MJ/m3 of the same gas volume. RangeError for an unknown unit or nan."""
    return _finite(value, "heating value") * _factor(MJ_PER_M3, unit, "unit of heating value")


def celsius(value: float, unit: str) -> float:
    """A temperature in C from C or F (with or without a degree sign). RangeError for another unit."""
    match unit.strip().lower().removeprefix("deg").strip(" °"):
        case "c" | "":
            return value
        case "f":
            return (value - 32) / 1.8
    raise RangeError(f"temperature unit '{unit}': it is C or F")


def _factor(table: Mapping[str, float], unit: str, what: str) -> float:
    plain = unit.replace(" ", "").replace("³", "3").replace("^3", "3").lower()
    for name, factor in table.items():
        if name.lower() == plain:
            return factor
    raise RangeError(f"{what} '{unit}' is not known; allowed are {', '.join(table)}")


def is_pressure_unit(unit: str) -> bool:
    """Whether these words name a unit of pressure."""
    return _plain_unit(unit) in _PRESSURE_UNITS


def _plain_unit(unit: str) -> str:
    return re.sub(r"[\s.]", "", unit).lower()


def _pressure_unit(unit: str) -> str:
    found = _PRESSURE_UNITS.get(_plain_unit(unit))
    if found is None:
        known = ", ".join(PASCALS)
        raise RangeError(f"pressure unit '{unit}' is not known; allowed are {known} (in w.c. is inH2O)")
    return found


def _finite(value: float, what: str) -> float:
    if not isfinite(value):
        raise RangeError(f"{what} {value:g}: a finite number is needed")
    return value
