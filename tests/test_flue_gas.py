"""What one flue reading comes to, against published formulas and other libraries (statuses as in test_fuels.py)."""

import pytest

from advisor.chemistry import flue_gas as chemistry
from advisor.chemistry.flue_gas import flue_gas
from advisor.chemistry.fuels import METHANE, NATURAL_GAS, PROPANE, Fuel

HALF, MONOXIDE = Fuel("half", {"CH4": 0.5, "C3H8": 0.5}), Fuel("monoxide", {"CO": 1.0})


@pytest.mark.parametrize(
    ("quantity", "fuel", "read", "expected", "source"),
    [
        ("co_air_free_ppm", NATURAL_GAS, {"co2_pct": 9.0, "o2_pct": 5.0, "co_ppm": 100.0}, 131.447,
         "ANSI/BPI-1200-S-2017 [S]"),
        # without O2 that of the fuel's line: natural gas of 11.858 % at most (CoolProp's composition, chemicals [X])
        ("co_air_free_ppm", NATURAL_GAS, {"co2_pct": 9.0, "co_ppm": 100.0},
         100 * 20.9 / (20.9 - 20.95 * (1 - 9 / 11.858)), "ANSI/BPI-1200-S-2017 [S]"),
        ("co_co2_ratio", NATURAL_GAS, {"co2_pct": 9.0, "co_ppm": 100.0}, 100 / 90_000, "plain ratio of BS 7967 [S]"),
        # 350 ppm, the same rule's other limit, is its 0.004 at 8.75 % CO2
        ("co_co2_ratio", NATURAL_GAS, {"co2_pct": 8.75, "co_ppm": 350.0}, 0.004, "BS 7967 [S]"),
        ("excess_air_ratio", METHANE, {"co2_pct": 8.7639}, 1.3, "dry_flue_lean.csv [X]"),
        ("excess_air_ratio", PROPANE, {"co2_pct": 10.3355}, 1.3, "dry_flue_lean.csv [X]"),
        ("excess_air_ratio", METHANE, {"co2_pct": 0.5}, 1 + (1 / 0.005 - 8.5465) / 9.5465, "chemicals 1.5.2 [X]"),
        ("excess_air_ratio", NATURAL_GAS, {"co2_pct": NATURAL_GAS.co2_max_pct}, 1.0, "none at the CO2 maximum"),
        # CO + 1/2 O2 = CO2: 2.3866 of air (0.5 / 0.2095), 2.8866 of flue, all dry; 1 / 0.17 of flue at 17 % CO2
        ("excess_air_ratio", MONOXIDE, {"co2_pct": 17.0}, 1 + (1 / 0.17 - 2.8866) / 2.3866, "element balance"),
        ("flue_loss_pct", NATURAL_GAS, {"co2_pct": 9.0, "o2_pct": 5.0, "flue_c": 60.0, "air_c": 20.0},
         40 * (0.66 / (21 - 5) + 0.009), "1. BImSchV Annex 2 No. 3.4 [C]"),
        ("flue_loss_pct", NATURAL_GAS, {"co2_pct": 9.0, "o2_pct": 5.0, "flue_c": 20.0, "air_c": 20.0}, 0.0,
         "no warmer than the air"),
        # without O2 that of the line: methane at 8.7639 % CO2 has 5.2583 % (dry_flue_lean.csv [X])
        ("flue_loss_pct", METHANE, {"co2_pct": 8.7639, "flue_c": 60.0, "air_c": 20.0},
         40 * (0.66 / (21 - 5.2583) + 0.009), "1. BImSchV Annex 2 No. 3.4 [C]"),
    ],
)  # fmt: skip
def test_quantities_follow_their_sources(
    quantity: str, fuel: Fuel, read: dict[str, float], expected: float, source: str
) -> None:
    """Each quantity is the published formula's at this reading."""
    assert getattr(flue_gas(fuel, **read), quantity) == pytest.approx(expected, rel=2e-5, abs=1e-9), source


@pytest.mark.parametrize(
    ("quantity", "fuel", "read"),
    [
        ("co_air_free_ppm", NATURAL_GAS, {"co2_pct": 9.0, "o2_pct": 5.0}),  # CO was not read
        ("co_co2_ratio", NATURAL_GAS, {"co2_pct": 9.0, "o2_pct": 5.0}),
        ("co_co2_ratio", NATURAL_GAS, {"co2_pct": 0.0, "o2_pct": 20.9, "co_ppm": 50.0}),
        ("flue_loss_pct", NATURAL_GAS, {"co2_pct": 9.0, "flue_c": 60.0}),  # one temperature is missing
        ("flue_loss_pct", NATURAL_GAS, {"co2_pct": 9.0, "air_c": 20.0}),
        ("flue_loss_pct", NATURAL_GAS, {"co2_pct": 9.0, "flue_c": 10.0, "air_c": 20.0}),  # colder than the air
        ("flue_loss_pct", HALF, {"co2_pct": 9.0, "flue_c": 60.0, "air_c": 20.0}),  # the law has no formula for it
        ("excess_air_ratio", NATURAL_GAS, {"co2_pct": 0.0}),
        ("excess_air_ratio", NATURAL_GAS, {"co2_pct": 14.0}),
        ("excess_air_ratio", NATURAL_GAS, {"co2_pct": None, "co_ppm": 900.0}),  # CO alone
        ("dew_point_c", MONOXIDE, {"co2_pct": 17.0}),  # no hydrogen, no water
    ],
)
def test_what_can_not_be_known_is_left_out(quantity: str, fuel: Fuel, read: dict[str, float]) -> None:
    """No quantity is guessed from what was not read, or where its formula does not hold."""
    assert getattr(flue_gas(fuel, **read), quantity) is None


def test_co_alone_is_worked_out_of_a_flame_that_is_not_lean() -> None:
    """CO is kept in sight where nothing else holds; with hardly any flue in the sample O2 is taken as 20.5 %."""
    gas = flue_gas(NATURAL_GAS, 9.0, 0.5, 5000.0, flue_c=60.0, air_c=20.0, lean_flame=False)
    assert gas.co_air_free_ppm == pytest.approx(5000 * 20.9 / 20.4)
    assert (gas.dew_point_c, gas.flue_loss_pct) == (None, None)
    assert (gas.co2_pct, gas.o2_pct, gas.co_ppm, gas.flue_c, gas.air_c) == (9.0, 0.5, 5000.0, 60.0, 20.0)  # as read
    assert chemistry.co_air_free_ppm(NATURAL_GAS, 10.0, None, None) == pytest.approx(10 * 20.9 / 0.4)
    assert chemistry.co_air_free_ppm(NATURAL_GAS, 10.0, 0.1, 20.9) == pytest.approx(10 * 20.9 / 0.4)


def test_dew_point_is_the_fuels() -> None:
    """That of `fuels`, which is checked there against CoolProp."""
    assert flue_gas(NATURAL_GAS, NATURAL_GAS.co2_max_pct).dew_point_c == NATURAL_GAS.dew_point_c(1.0)
