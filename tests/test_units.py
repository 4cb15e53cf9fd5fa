"""Pressures, powers, heating values and temperatures against NIST SP 811 (statuses as in test_fuels.py)."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from refused import refusal

from advisor import units


@pytest.mark.parametrize(
    ("value", "unit", "pascal", "source"),
    [
        (1, "psi", 6894.757, "NIST SP 811 Appendix B [C]"),
        (1, "inH2O", 249.0889, "NIST SP 811 Appendix B, conventional [C]"),
        (1, "in w.c.", 249.0889, "NIST SP 811 Appendix B, conventional [C]"),
        (1, "inwc", 249.0889, "NIST SP 811 Appendix B, conventional [C]"),
        (1, "in. W.C.", 249.0889, "NIST SP 811 Appendix B, conventional [C]"),
        (17.4, "mbar", 1740, "SI prefix"),
        (17.4, "hPa", 1740, "SI prefix"),
        (1.74, "kPa", 1740, "SI prefix"),
        (-5, "Pa", -5, "SI"),
    ],
)
def test_pressures_in_pascal(value: float, unit: str, pascal: float, source: str) -> None:
    """Each unit has the published size; the inch of water is the conventional one."""
    assert units.pressure_pa(value, unit) == pytest.approx(pascal, rel=1e-15), source


@given(st.floats(-1e6, 1e6), st.sampled_from(list(units.PASCALS)), st.sampled_from(list(units.PASCALS)))
def test_pressures_convert_there_and_back(value: float, unit: str, to: str) -> None:
    """Converting to another unit and back gives the same pressure."""
    there = units.convert_pressure(value, unit, to)
    assert units.convert_pressure(there, to, unit) == pytest.approx(value, rel=1e-14, abs=1e-300)


@pytest.mark.parametrize(
    ("convert", "quantity", "expected", "source"),
    [
        (units.power_kw, (3412.142, "Btu/h"), 1.0, "1 kW is 3412.142 Btu/h, NIST SP 811 Appendix B [M]"),
        (units.convert_power, (2.5, "kW", "W"), 2500.0, "SI prefix"),
        (units.heating_value_mj_m3, (1.0, "Btu/ft3"), 0.0372589, "3.725 895 E-2, NIST SP 811 Appendix B [M]"),
        (units.heating_value_mj_m3, (1.0, "kWh/m3"), 3.6, "1 kWh is 3.6 MJ"),
    ],
)
def test_powers_and_heating_values(
    convert: Callable[..., float], quantity: tuple[object, ...], expected: float, source: str
) -> None:
    """Each unit has the published size."""
    assert convert(*quantity) == pytest.approx(expected, rel=2e-6), source


@pytest.mark.parametrize(("value", "unit", "expected"), [(212.0, "F", 100.0), (-40.0, "°F", -40.0), (7.5, "degC", 7.5)])
def test_temperatures_in_either_unit(value: float, unit: str, expected: float) -> None:
    """C = (F - 32) / 1.8, NIST SP 811 Appendix B [M]; water boils at 212 F, both scales meet at -40."""
    assert units.celsius(value, unit) == pytest.approx(expected)


KNOWN = "is not known; allowed are Pa, hPa, kPa, mbar, psi, inH2O (in w.c. is inH2O)"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: units.pressure_pa(1, "bars"), f"pressure unit 'bars' {KNOWN}"),
        (lambda: units.convert_pressure(1, "mbar", ""), f"pressure unit '' {KNOWN}"),
        (lambda: units.pressure_pa(math.nan, "Pa"), "pressure nan: a finite number is needed"),
        (lambda: units.power_kw(1.0, "hp"), "power unit 'hp' is not known; allowed are kW, W, Btu/h"),
        (lambda: units.celsius(500.0, "R"), "temperature unit 'R': it is C or F"),
    ],
)
def test_unknown_units_are_refused(call: Callable[[], object], message: str) -> None:
    """No unit is guessed; the message says what is allowed."""
    assert refusal(call) == message
