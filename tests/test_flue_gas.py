"""What one flue reading comes to, against published formulas and other libraries (statuses as in test_fuels.py)."""

import pytest

from advisor.chemistry import flue_gas as chemistry
from advisor.chemistry.flue_gas import FlueGas, flue_gas
from advisor.chemistry.fuels import METHANE, NATURAL_GAS, PROPANE, Fuel

LOSS = 40 * (0.66 / 16 + 0.009)  # (60 - 20) (0.66 / (21 - 5) + 0.009), 1. BImSchV Annex 2 No. 3.4 [C]
HALF = Fuel("half", {"CH4": 0.5, "C3H8": 0.5})


@pytest.mark.parametrize(
    ("quantity", "gas", "expected", "source"),
    [
        ("co_air_free_ppm", flue_gas(NATURAL_GAS, 9.0, 5.0, 100.0), 131.447, "ANSI/BPI-1200-S-2017 [S]"),
        # without O2 that of the fuel's line: natural gas of 11.858 % at most (CoolProp's composition, chemicals [X])
        ("co_air_free_ppm", flue_gas(NATURAL_GAS, 9.0, None, 100.0), 100 * 20.9 / (20.9 - 20.95 * (1 - 9 / 11.858)),
         "O2 on the line, ANSI/BPI-1200-S-2017 [S]"),
        ("co_co2_ratio", flue_gas(NATURAL_GAS, 9.0, 5.0, 100.0), 100 / 90_000, "plain ratio of BS 7967 [S]"),
        # 350 ppm, the same rule's other limit, is its 0.004 at 8.75 % CO2
        ("co_co2_ratio", flue_gas(NATURAL_GAS, 8.75, None, 350.0), 0.004, "BS 7967 [S]"),
        ("excess_air_ratio", flue_gas(METHANE, 8.7639), 1.3, "dry_flue_lean.csv [X]"),
        ("excess_air_ratio", flue_gas(PROPANE, 10.3355), 1.3, "dry_flue_lean.csv [X]"),
        ("excess_air_ratio", flue_gas(NATURAL_GAS, NATURAL_GAS.co2_max_pct), 1.0, "no excess air at the CO2 maximum"),
        ("flue_loss_pct", flue_gas(NATURAL_GAS, 9.0, 5.0, flue_c=60.0, air_c=20.0), LOSS, "1. BImSchV [C]"),
        ("flue_loss_pct", flue_gas(NATURAL_GAS, 9.0, 5.0, flue_c=20.0, air_c=20.0), 0.0, "no warmer than the air"),
        # without O2 that of the line: methane at 8.7639 % CO2 has 5.2583 % (dry_flue_lean.csv [X])
        ("flue_loss_pct", flue_gas(METHANE, 8.7639, flue_c=60.0, air_c=20.0), 40 * (0.66 / (21 - 5.2583) + 0.009),
         "1. BImSchV [C]"),
    ],
)  # fmt: skip
def test_quantities_follow_their_sources(quantity: str, gas: FlueGas, expected: float, source: str) -> None:
    """Each quantity is the published formula's at this reading."""
    assert getattr(gas, quantity) == pytest.approx(expected, rel=2e-5, abs=1e-9), source


@pytest.mark.parametrize(
    ("quantity", "gas"),
    [
        ("co_air_free_ppm", flue_gas(NATURAL_GAS, 9.0, 5.0)),  # CO was not read
        ("co_co2_ratio", flue_gas(NATURAL_GAS, 9.0, 5.0)),
        ("co_co2_ratio", flue_gas(NATURAL_GAS, 0.0, 20.9, 50.0)),
        ("flue_loss_pct", flue_gas(NATURAL_GAS, 9.0, 5.0, flue_c=60.0)),  # one temperature is missing
        ("flue_loss_pct", flue_gas(NATURAL_GAS, 9.0, 5.0, air_c=20.0)),
        ("flue_loss_pct", flue_gas(NATURAL_GAS, 9.0, 5.0, flue_c=10.0, air_c=20.0)),  # colder than the air
        ("flue_loss_pct", flue_gas(HALF, 9.0, flue_c=60.0, air_c=20.0)),  # the law has no formula for it
        ("excess_air_ratio", flue_gas(NATURAL_GAS, 0.0)),
        ("excess_air_ratio", flue_gas(NATURAL_GAS, 14.0)),
        ("excess_air_ratio", flue_gas(NATURAL_GAS, 9.0, 0.5, 5000.0, lean_flame=False)),
        ("dew_point_c", flue_gas(Fuel("monoxide", {"CO": 1.0}), 17.0)),  # no hydrogen, no water
    ],
)
def test_what_can_not_be_known_is_left_out(quantity: str, gas: FlueGas) -> None:
    """No quantity is guessed from what was not read, or where its formula does not hold."""
    assert getattr(gas, quantity) is None


def test_co_alone_is_worked_out_of_a_flame_that_is_not_lean() -> None:
    """CO is kept in sight where nothing else holds; with hardly any flue in the sample O2 is taken as 20.5 %."""
    gas = flue_gas(NATURAL_GAS, 9.0, 0.5, 5000.0, flue_c=60.0, air_c=20.0, lean_flame=False)
    assert gas.co_air_free_ppm == pytest.approx(5000 * 20.9 / 20.4)
    assert (gas.dew_point_c, gas.flue_loss_pct) == (None, None)
    assert chemistry.co_air_free_ppm(NATURAL_GAS, 10.0, 0.1, 20.9) == pytest.approx(10 * 20.9 / 0.4)


def test_dew_point_is_the_fuels() -> None:
    """That of `fuels`, which is checked there against CoolProp."""
    assert flue_gas(NATURAL_GAS, NATURAL_GAS.co2_max_pct).dew_point_c == NATURAL_GAS.dew_point_c(1.0)


def test_a_flue_without_water_has_its_excess_air() -> None:
    """CO + 1/2 O2 = CO2: 2.3866 of air (0.5 / 0.2095), 2.8866 of flue, all dry; 1 / 0.17 of flue at 17 % CO2."""
    ratio = flue_gas(Fuel("monoxide", {"CO": 1.0}), 17.0).excess_air_ratio
    assert ratio == pytest.approx(1 + (1 / 0.17 - 2.8866) / 2.3866, abs=1e-4)
