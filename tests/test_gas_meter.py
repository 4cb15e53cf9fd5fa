"""Gas pressure and the timed gas meter against published values (statuses as in test_fuels.py)."""

import math
from collections.abc import Callable

import pytest
from refused import refusal

from advisor import units
from advisor.chemistry import gas_meter as meter


@pytest.mark.parametrize(
    ("dial_ft3", "seconds", "ft3_h", "source"),
    [
        (0.5, 22.0, 81.82, "worked example printed in a trade-education article [C]"),
        (1.0, 20.0, 180.0, "dial table of the same kind [S]"),
        (1.0, 30.0, 120.0, "dial table of the same kind [S]"),
        (1.0, 60.0, 60.0, "dial table of the same kind [S]"),
    ],
)
def test_gas_rate_by_the_meter(dial_ft3: float, seconds: float, ft3_h: float, source: str) -> None:
    """3600 x dial / seconds; a cubic foot is 0.3048^3 m3 exactly."""
    assert meter.gas_flow_m3_h(dial_ft3, "ft3", seconds) / 0.3048**3 == pytest.approx(ft3_h, abs=0.005), source


def test_input_rate_of_the_printed_example() -> None:
    """81.82 ft3/h at 1000 Btu/ft3 is 81 820 Btu/h [C]: 23.98 kW."""
    kw = meter.timed_input_kw("1/2 ft3 22", (1000.0, "Btu/ft3"))
    assert units.convert_power(kw, "kW", "Btu/h") == pytest.approx(81_820, abs=5)
    assert kw == pytest.approx(23.98, abs=0.005)
    assert meter.timed_input_kw("0.5 FT³ 22 s", (1000.0, "Btu/ft3"), 0.9) == pytest.approx(0.9 * kw)


def test_input_rate_counts_the_volume_correction() -> None:
    """2 m3/h at the meter, 0.9 m3 of reference each, at 36 MJ/m3: 64.8 MJ/h, 18 kW."""
    assert meter.input_rate_kw(2.0, (36.0, "MJ/m3"), 0.9) == pytest.approx(18.0)


@pytest.mark.parametrize(
    ("at_meter", "expected"),
    [
        # one mole at 15 C and 1013.25 mbar fills 23.645 l, at 0 C 22.414 l (CODATA [M]): their ratio
        ((0.0, 0.0, 15.0), 23.645 / 22.414),
        ((15.0, 0.0, 15.0), 1.0),
        ((15.0, 60_000.0, 15.0, 60_000.0), 120_000 / 101_325),  # twice the absolute pressure
        ((-40.0, 0.0, -40.0, 110_000.0), 110_000 / 101_325),  # the ends of each range are in
        ((60.0, 100_000.0, 60.0, 60_000.0), 160_000 / 101_325),
    ],
)
def test_volume_correction_is_that_of_an_ideal_gas(at_meter: tuple[float, ...], expected: float) -> None:
    """Volume goes with temperature and against pressure."""
    assert meter.reference_factor(*at_meter) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize(
    ("typed", "expected"), [("12 20 15 980", (98_000 + 2_000) / 101_325 * 288.15 / 285.15), ("0 0 15", 288.15 / 273.15)]
)
def test_the_volume_correction_is_typed_in_numbers(typed: str, expected: float) -> None:
    """C and gauge mbar at the meter, C of the heating value, and the barometer in mbar where it is known."""
    assert meter.parse_reference_factor(typed) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("working", "drop"),
    [
        ((19.8, "mbar"), 0.6),
        ((1980.0, "Pa"), 0.6),
        ((21.0, "mbar"), -0.6),  # working above standing is given as it is
        ((8.0, "inH2O"), 20.4 - 8 * 2.490889),  # 249.0889 Pa, NIST SP 811 [C]
    ],
)
def test_pressure_drop(working: tuple[float, str], drop: float) -> None:
    """From 20.4 mbar standing, in its unit and in percent of it; units may differ."""
    assert meter.pressure_drop((20.4, "mbar"), working) == pytest.approx((drop, 100 * drop / 20.4))


def test_the_shortest_and_the_longest_timing_are_in() -> None:
    """5 to 3600 s on the meter."""
    assert meter.gas_flow_m3_h(1.0, "m3", 5.0) == 720.0
    assert meter.gas_flow_m3_h(1.0, "l", 3600.0) == 0.001


SECONDS = "s on the meter: 5 to 3600 s is allowed; time more turns of the dial"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: meter.gas_flow_m3_h(1.0, "gal", 30.0), "dial in 'gal': it is one of m3, ft3, l"),
        (lambda: meter.gas_flow_m3_h(1.0, "ft3", 2.0), f"2 {SECONDS}"),
        (lambda: meter.gas_flow_m3_h(1.0, "l", 3600.5), f"3600.5 {SECONDS}"),
        (lambda: meter.gas_flow_m3_h(0.0, "m3", 30.0), "dial 0 m3: more than 0 is needed"),
        (lambda: meter.gas_flow_m3_h(math.inf, "m3", 30.0), "dial inf m3: more than 0 is needed"),
        (lambda: meter.reference_factor(200.0, 0.0, 15.0), "gas temperature 200 C: -40 to 60 C is allowed"),
        (lambda: meter.reference_factor(-40.5, 0.0, 15.0), "gas temperature -40.5 C: -40 to 60 C is allowed"),
        (lambda: meter.reference_factor(15.0, 0.0, 60.5),
         "temperature of the heating value 60.5 C: -40 to 60 C is allowed"),
        (lambda: meter.reference_factor(15.0, 0.0, -40.5),
         "temperature of the heating value -40.5 C: -40 to 60 C is allowed"),
        (lambda: meter.reference_factor(15.0, -0.5, 15.0), "pressure at the meter -0.5 Pa: 0 to 100000 Pa is allowed"),
        (lambda: meter.reference_factor(15.0, 100_001.0, 15.0),
         "pressure at the meter 100001 Pa: 0 to 100000 Pa is allowed"),
        (lambda: meter.reference_factor(15.0, 0.0, 15.0, 1013.0), "barometer 1013 Pa: 60000 to 110000 Pa is allowed"),
        (lambda: meter.reference_factor(15.0, 0.0, 15.0, 110_001.0),
         "barometer 110001 Pa: 60000 to 110000 Pa is allowed"),
        (lambda: meter.pressure_drop((0.0, "mbar"), (1.0, "mbar")), "standing pressure 0 mbar: more than 0 is needed"),
        (lambda: meter.timed_input_kw("1 22", (38.5, "MJ/m3")),
         "'1 22': dial, its unit and the seconds, such as 1 ft3 22 or 0.1 m3 95"),
        (lambda: meter.timed_input_kw("1.1.1 ft3 22", (38.5, "MJ/m3")),
         "dial '1.1.1' is not a number. Type digits and a point only, no unit"),
        (lambda: meter.timed_input_kw("1 ft3 2,2", (38.5, "MJ/m3")), "seconds '2,2' has a comma. Did you mean 2.2?"),
        (lambda: meter.parse_reference_factor("12 20 x"),
         "gas at meter 'x' is not a number. Type digits and a point only, no unit"),
        (lambda: meter.parse_reference_factor("12 20"),
         "gas at meter '12 20': three numbers, or four with the barometer, such as 12 20 15 980"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused(call: Callable[[], object], message: str) -> None:
    """What it is and what is allowed."""
    assert refusal(call) == message
