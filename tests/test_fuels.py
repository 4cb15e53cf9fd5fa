"""Fuels against published values, other libraries, and their own exact identities.

Status of a published value: [C] read in the source's own text, [S] in a secondary copy, [X] computed with the
named library, [M] from memory.
"""

import copy
import csv
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cantera
import numpy as np
import pytest
from chemicals.combustion import combustion_stoichiometry, fuel_air_spec_solver
from hypothesis import given
from hypothesis import strategies as st
from refused import refusal

from advisor.chemistry import fuels
from advisor.chemistry.fuels import BUTANE, METHANE, NATURAL_GAS, PROPANE, Fuel

DATA = Path(__file__).parent / "data"
ALKANES = {"CH4": 1, "C2H6": 2, "C3H8": 3, "iC4": 4, "nC4": 4, "iC5": 5, "nC5": 5, "nC6": 6}  # atoms of carbon
ATOMS: dict[str, dict[str, int]] = {
    **{name: {"C": carbon, "H": 2 * carbon + 2} for name, carbon in ALKANES.items()},
    "H2": {"H": 2}, "CO": {"C": 1, "O": 1}, "CO2": {"C": 1, "O": 2}, "N2": {"N": 2}, "O2": {"O": 2},
}  # fmt: skip
HYDROGEN, MONOXIDE = Fuel("hydrogen", {"H2": 1.0}), Fuel("monoxide", {"CO": 1.0})
HALF = Fuel("half", {"CH4": 0.5, "C3H8": 0.5})


def table(name: str) -> list[dict[str, str]]:
    with (DATA / name).open() as lines:
        assert next(lines).startswith("# ")
        return list(csv.DictReader(lines))


# --- published values ----------------------------------------------------------------------------------

ELEMENTS = "element balance; chemicals 1.5.2 and cantera 3.2.0 give the same [X]"


@pytest.mark.parametrize(
    ("fuel", "published", "source"),
    [
        (METHANE, {"air_needed": 9.5465, "dry_flue": 8.5465, "wet_flue": 10.5465, "co2_max_pct": 11.7006}, ELEMENTS),
        (PROPANE, {"air_needed": 23.8663, "dry_flue": 21.8663, "wet_flue": 25.8663, "co2_max_pct": 13.7197}, ELEMENTS),
        (NATURAL_GAS, {"air_needed": 9.7501, "dry_flue": 8.7473, "co2_max_pct": 11.858, "fuel_factor": 1.7668},
         "composition as shipped in CoolProp 8.0.0, results from chemicals 1.5.2 [X]"),
    ],
)  # fmt: skip
def test_stoichiometry(fuel: Fuel, published: dict[str, float], source: str) -> None:
    """Air, flue and CO2 maximum agree with the published figure to every printed digit."""
    for name, value in published.items():
        digits = len(str(value).partition(".")[2])
        assert round(getattr(fuel, name), digits) == value, source


@pytest.mark.parametrize("row", table("dry_flue_lean.csv"), ids=lambda r: "-".join(list(r.values())[:2]))
def test_lean_flue_table(row: dict[str, str]) -> None:
    """CO2 and O2 over excess air agree with the table (two other libraries, [X]) to its four decimals."""
    fuel, ratio = fuels.by_name(row["fuel"]), float(row["excess_air_ratio"])
    assert fuel.co2_pct(ratio) == pytest.approx(float(row["co2_dry_pct"]), abs=5.1e-5)
    assert fuel.o2_pct(ratio) == pytest.approx(float(row["o2_dry_pct"]), abs=5.1e-5)


@pytest.mark.parametrize(
    ("fuel", "dry_flue_factor", "carbon_factor"),
    [(NATURAL_GAS, 8710, 1040), (METHANE, 8710, 1040), (PROPANE, 8710, 1190)],
)
def test_co2_maximum_from_f_factors(fuel: Fuel, dry_flue_factor: float, carbon_factor: float) -> None:
    """CO2 maximum is Fc / Fd within 2.5 %: the factors are rounded and made for the average gas.

    EPA Method 19 Table 19-2, Fd and Fc, scf per million Btu [S].
    """
    assert fuel.co2_max_pct == pytest.approx(100 * carbon_factor / dry_flue_factor, rel=0.025)


def test_carbon_in_natural_gas() -> None:
    """The CO2 made from a volume is the published 53.06 kg/MMBtu x 1.026e-3 MMBtu/scf within 1 %.

    40 CFR 98 Table C-1 [C]; a standard cubic foot at 60 F and 14.7 psia, ideal gas.
    """
    moles_per_scf = 14.7 * 6894.757 * 0.3048**3 / (8.314462618 * (60 + 459.67) / 1.8)
    kilograms = NATURAL_GAS.co2_made * moles_per_scf * 0.0440095
    assert kilograms == pytest.approx(53.06 * 1.026e-3, rel=0.01)


@pytest.mark.parametrize(
    ("fuel", "low", "high"),
    [(NATURAL_GAS, 1.600, 1.836), (METHANE, 1.600, 1.836), (PROPANE, 1.434, 1.586), (BUTANE, 1.405, 1.553)],
)
def test_fuel_factor_in_published_range(fuel: Fuel, low: float, high: float) -> None:
    """From composition and from readings at any L it is as expected for the fuel: EPA Method 3B, Fo [M]."""
    ratio = np.array([1.0, 1.2, 1.5, 2.0])
    assert low <= fuel.fuel_factor <= high
    from_readings = fuels.fuel_factor(fuel.co2_pct(ratio), fuel.o2_pct(ratio))
    assert ((low <= from_readings) & (from_readings <= high)).all()
    assert from_readings == pytest.approx(fuel.fuel_factor, rel=0.006)  # 20.9 against 20.95


@pytest.mark.parametrize(
    ("co2_pct", "o2_pct", "co_ppm", "factor"), [(9.0, 5.0, 0.0, 15.9 / 9.0), (9.0, 5.0, 10_000.0, 16.4 / 10.0)]
)
def test_fuel_factor_by_hand(co2_pct: float, o2_pct: float, co_ppm: float, factor: float) -> None:
    """1 % CO counts as 1 % CO2 more and 0.5 % O2 less (EPA Method 3B, formula [S])."""
    assert fuels.fuel_factor(co2_pct, o2_pct, co_ppm) == pytest.approx(factor, rel=1e-15)


def test_co_air_free() -> None:
    """100 ppm at 5 % O2 is 131.45 ppm air-free (ANSI/BPI-1200-S-2017 [S]); without O2 nothing changes."""
    assert round(fuels.co_air_free_ppm(100.0, 5.0), 2) == 131.45
    assert fuels.co_air_free_ppm(100.0, 0.0) == 100.0


@pytest.mark.parametrize(
    ("fuel", "loss", "source"),
    [
        (NATURAL_GAS, 130 * (0.66 / 16 + 0.009), "1. BImSchV Annex 2 No. 3.4, natural gas [C]"),
        (PROPANE, 130 * (0.63 / 16 + 0.008), "1. BImSchV Annex 2 No. 3.4, LPG [C]"),
        (BUTANE, 130 * (0.63 / 16 + 0.008), "1. BImSchV Annex 2 No. 3.4, LPG [C]"),
        (Fuel("LPG and air", {"C3H8": 0.5, "N2": 0.4, "O2": 0.1}), 130 * (0.63 / 16 + 0.008), "the same"),
    ],
)
def test_flue_loss(fuel: Fuel, loss: float, source: str) -> None:
    """Flue loss follows the published formula with the constants of the fuel's kind."""
    assert fuel.flue_loss_pct(150.0, 20.0, 5.0) == pytest.approx(loss, rel=1e-14), source


def boils_at_k(pascal: float, medium: str = "Water") -> float:
    """Saturation temperature by CoolProp, which is loaded only where it is asked."""
    from CoolProp.CoolProp import PropsSI

    return float(PropsSI("T", "P", pascal, "Q", 1, medium))


@pytest.mark.parametrize(("pascal", "kelvin"), [(0.1e6, 372.755919), (1e6, 453.035632), (10e6, 584.149488)])
def test_saturation_temperature(pascal: float, kelvin: float) -> None:
    """The saturation formula gives the check values of IAPWS R7-97(2012) Table 36 [M], CoolProp too [X]."""
    assert fuels._saturation_c(np.array(pascal)) + 273.15 == pytest.approx(kelvin, abs=1e-6)
    assert boils_at_k(pascal, "IF97::Water") == pytest.approx(kelvin, abs=1e-6)


# --- other libraries, live -----------------------------------------------------------------------------


@pytest.mark.parametrize("species", [s for s in fuels.SPECIES if s not in ("CO2", "N2", "O2")])
def test_one_species_against_chemicals(species: str) -> None:
    """Air, CO2 and water of every combustible species are those of the other library."""
    balance = combustion_stoichiometry(ATOMS[species])
    fuel = Fuel(species, {species: 1.0})
    assert fuel.air_needed == pytest.approx(-balance["O2"] / 0.2095, rel=1e-12)
    assert fuel.co2_made == pytest.approx(balance.get("CO2", 0), abs=1e-12)
    assert fuel.wet_flue - fuel.dry_flue == pytest.approx(balance.get("H2O", 0), abs=1e-12)


@pytest.mark.parametrize(
    "fuel",
    [
        *fuels.BUILT_IN,
        Fuel("with hydrogen", {"CH4": 0.75, "H2": 0.2, "CO": 0.02, "N2": 0.03}),
        Fuel("with oxygen", {"CH4": 0.6, "CO2": 0.3, "N2": 0.06, "O2": 0.04}),
    ],
    ids=lambda fuel: fuel.name,
)
@pytest.mark.parametrize("ratio", [1.0, 1.07, 1.3, 1.9])
def test_lean_flue_against_chemicals(fuel: Fuel, ratio: float) -> None:
    """Air and flue of any mixture, inert parts and own oxygen too, are those of the other library."""
    names = [*ATOMS, "H2O"]
    numbers = {"CO2": "124-38-9", "N2": "7727-37-9", "O2": "7782-44-7", "H2O": "7732-18-5"}
    cas = [numbers.get(name, name) for name in names]
    air = [{"O2": 0.2095, "N2": 0.7905}.get(name, 0.0) for name in names]
    gas = [fuel.composition.get(name, 0.0) for name in names]
    out = fuel_air_spec_solver(
        zs_air=air, zs_fuel=gas, CASs=cas, atomss=[*ATOMS.values(), {"H": 2, "O": 1}],
        n_fuel=1.0, n_air=ratio * fuel.air_needed,
    )  # fmt: skip
    flue = dict(zip(names, out["ns_out"], strict=True))
    dry = sum(flue.values()) - flue["H2O"]
    assert fuel.dry_flue + (ratio - 1) * fuel.air_needed == pytest.approx(dry, rel=1e-9)
    assert fuel.wet_flue + (ratio - 1) * fuel.air_needed == pytest.approx(dry + flue["H2O"], rel=1e-9)
    assert fuel.co2_pct(ratio) == pytest.approx(100 * flue["CO2"] / dry, rel=1e-9)
    assert fuel.o2_pct(ratio) == pytest.approx(100 * flue["O2"] / dry, abs=1e-7)


@pytest.mark.parametrize(("fuel", "species"), [(METHANE, "CH4"), (PROPANE, "C3H8"), (HYDROGEN, "H2")])
@pytest.mark.parametrize("ratio", [1.05, 1.2, 1.5, 2.0])
def test_lean_flue_against_cantera(fuel: Fuel, species: str, ratio: float) -> None:
    """Air needed and lean flue are those of the equilibrium at 500 K, where combustion is complete."""
    gas = cantera.Solution("gri30.yaml")
    gas.TP = 500, 101_325
    gas.set_equivalence_ratio(1 / ratio, f"{species}:1", "O2:0.2095,N2:0.7905")
    fresh = dict(zip(gas.species_names, gas.X, strict=True))
    assert ratio * fuel.air_needed == pytest.approx((1 - fresh[species]) / fresh[species], rel=1e-9)
    gas.equilibrate("TP")
    burnt = dict(zip(gas.species_names, gas.X, strict=True))
    dry = 1 - burnt["H2O"]
    assert fuel.co2_pct(ratio) == pytest.approx(100 * burnt["CO2"] / dry, abs=1e-5)
    assert fuel.o2_pct(ratio) == pytest.approx(100 * burnt["O2"] / dry, abs=1e-5)


@pytest.mark.parametrize("fuel", [*fuels.BUILT_IN, HYDROGEN], ids=lambda fuel: fuel.name)
@pytest.mark.parametrize("ratio", [1.0, 1.25, 2.0, 10.0])
@pytest.mark.parametrize("pressure_pa", [70_000.0, 101_325.0])
def test_dew_point_against_coolprop(fuel: Fuel, ratio: float, pressure_pa: float) -> None:
    """The dew point is the saturation temperature of the flue's water vapour, within 0.01 K."""
    water = fuel.wet_flue - fuel.dry_flue
    vapour_pa = pressure_pa * water / (fuel.wet_flue + (ratio - 1) * fuel.air_needed)
    expected = boils_at_k(vapour_pa) - 273.15
    assert fuel.dew_point_c(ratio, pressure_pa) == pytest.approx(expected, abs=0.01)


def test_dew_point_down_to_the_triple_point() -> None:
    """Water of 611.657 Pa, its triple point, condenses at 0.01 C (IAPWS [M]); the highest pressure allowed is in."""
    pressure_pa = 120_000.0
    water = METHANE.wet_flue - METHANE.dry_flue
    ratio = 1 + (pressure_pa * water / 611.657 - METHANE.wet_flue) / METHANE.air_needed
    assert METHANE.dew_point_c(ratio, pressure_pa) == pytest.approx(0.01, abs=0.01)
    lowest = boils_at_k(30_000.0 * water / METHANE.wet_flue) - 273.15
    assert METHANE.dew_point_c(1.0, 30_000.0) == pytest.approx(lowest, abs=0.01)


# --- the rich side -------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", table("dry_flue_rich_1500K.csv"), ids=lambda row: row["excess_air_ratio"])
def test_rich_flame_is_told_from_lean(row: dict[str, str]) -> None:
    """The equilibrium flue looks rich where the flame is rich, and there only (cantera 3.2.0 [X])."""
    co_ppm = float(row["co_dry_pct"]) * 10_000
    assert fuels.looks_rich(co_ppm, float(row["o2_dry_pct"])) is (float(row["excess_air_ratio"]) < 1)


def test_looks_rich_needs_both_signs() -> None:
    """Much CO with air left, or no O2 without CO, is not called rich; an array gives an array."""
    rich = fuels.looks_rich(np.array([2000.0, 1999.0, 5000.0]), np.array([0.9, 0.0, 1.0]))
    assert isinstance(rich, np.ndarray)
    assert rich.tolist() == [True, False, False]


# --- exact identities ----------------------------------------------------------------------------------

ratios = st.floats(1.0, 50.0)


@st.composite
def any_fuel(draw: st.DrawFn) -> Fuel:
    """Draw a fuel of any allowed parts that has carbon and burns."""
    shares = {species: draw(st.floats(0.0, 1.0)) for species in fuels.SPECIES}
    shares["CH4"] = draw(st.floats(0.1, 1.0))
    shares["O2"] *= 0.1  # its own oxygen stays below what the methane needs
    total = sum(shares.values())
    return Fuel("drawn", {species: x / total for species, x in shares.items()})


def test_methane_at_half_as_much_air_again() -> None:
    """Methane at L = 1.5 has as much O2 as CO2, exactly: 0.2095 x 0.5 x 2 / 0.2095 = 1."""
    assert METHANE.co2_pct(1.5) == pytest.approx(METHANE.o2_pct(1.5), rel=1e-15)


@given(any_fuel(), ratios)
def test_ratio_comes_back_from_either_reading(fuel: Fuel, ratio: float) -> None:
    """L to CO2 to L, and L to O2 to L, lead back."""
    assert fuel.excess_air_ratio(co2_pct=fuel.co2_pct(ratio)) == pytest.approx(ratio, rel=1e-11)
    assert fuel.excess_air_ratio(o2_pct=fuel.o2_pct(ratio)) == pytest.approx(ratio, rel=1e-11)


@given(any_fuel(), ratios)
def test_lean_flue_lies_on_the_fuels_line(fuel: Fuel, ratio: float) -> None:
    """O2 from CO2 and the fuel factor agree with CO2 and O2 at any excess air."""
    co2, o2 = fuel.co2_pct(ratio), fuel.o2_pct(ratio)
    assert fuel.o2_from_co2_pct(co2) == pytest.approx(o2, abs=1e-12)
    assert (fuels.AIR_O2_PCT - o2) / co2 == pytest.approx(fuel.fuel_factor, rel=1e-11)


@given(any_fuel(), ratios, st.floats(0.0, 0.9))
def test_air_in_the_sample_stays_on_the_line(fuel: Fuel, ratio: float, air: float) -> None:
    """Air drawn into the sample line cannot be seen from O2 and CO2: the sample stays on the fuel's line."""
    co2 = fuel.co2_pct(ratio) * (1 - air)
    o2 = fuel.o2_pct(ratio) * (1 - air) + fuels.AIR_O2_PCT * air
    assert fuel.o2_from_co2_pct(co2) == pytest.approx(o2, abs=1e-11)


@given(any_fuel(), ratios, st.floats(1e-3, 10.0))
def test_more_air_less_co2(fuel: Fuel, ratio: float, more: float) -> None:
    """More air always means less CO2 and more O2."""
    assert fuel.co2_pct(ratio + more) < fuel.co2_pct(ratio)
    assert fuel.o2_pct(ratio + more) > fuel.o2_pct(ratio)


@given(st.sampled_from(fuels.BUILT_IN), st.floats(1.0, 10.0), st.floats(1e-3, 10.0))
def test_more_air_lower_dew_point(fuel: Fuel, ratio: float, more: float) -> None:
    """More air, or thinner air, always means a lower dew point."""
    assert fuel.dew_point_c(ratio + more) < fuel.dew_point_c(ratio)
    assert fuel.dew_point_c(ratio, 80_000) < fuel.dew_point_c(ratio)


@given(any_fuel(), any_fuel(), st.floats(0.0, 1.0))
def test_mixture_of_mixtures(one: Fuel, other: Fuel, share: float) -> None:
    """Volumes of air and flue of two gases mixed are the volumes of the gases, weighted by their shares."""
    mixed = fuels.mixture("both", {
        species: share * one.composition.get(species, 0) + (1 - share) * other.composition.get(species, 0)
        for species in fuels.SPECIES
    })  # fmt: skip
    for field in ("air_needed", "dry_flue", "wet_flue", "co2_made"):
        expected = share * getattr(one, field) + (1 - share) * getattr(other, field)
        assert getattr(mixed, field) == pytest.approx(expected, rel=1e-12)


def test_inert_part_changes_no_air() -> None:
    """A fifth nitrogen means a fifth less air; the fuel's own oxygen replaces oxygen of the air."""
    assert Fuel("lean gas", {"CH4": 0.8, "N2": 0.2}).air_needed == pytest.approx(0.8 * METHANE.air_needed)
    assert Fuel("weak gas", {"CH4": 0.1, "N2": 0.9}).air_needed == pytest.approx(0.1 * METHANE.air_needed)
    own = Fuel("gas and air", {"CH4": 0.9, "N2": 0.07905, "O2": 0.02095})
    assert own.air_needed == pytest.approx(0.9 * METHANE.air_needed - 0.1)
    assert own.co2_max_pct == pytest.approx(METHANE.co2_max_pct)


# --- shapes, names, copies -----------------------------------------------------------------------------

FORMULAS: list[tuple[Callable[..., Any], tuple[float, ...]]] = [
    (NATURAL_GAS.co2_pct, (1.3,)),
    (NATURAL_GAS.o2_pct, (1.3,)),
    (lambda co2: NATURAL_GAS.excess_air_ratio(co2_pct=co2), (9.0,)),
    (lambda o2: NATURAL_GAS.excess_air_ratio(o2_pct=o2), (5.0,)),
    (NATURAL_GAS.o2_from_co2_pct, (9.0,)),
    (NATURAL_GAS.flue_loss_pct, (60.0, 20.0, 5.0)),
    (NATURAL_GAS.dew_point_c, (1.3,)),
    (fuels.fuel_factor, (9.0, 5.0, 50.0)),
    (fuels.co_air_free_ppm, (50.0, 5.0)),
]


@pytest.mark.parametrize(("formula", "values"), FORMULAS)
def test_float_gives_float_array_gives_array(formula: Callable[..., Any], values: tuple[float, ...]) -> None:
    """A float gives a plain float; an array gives an array of its shape with the same numbers."""
    single = formula(*values)
    assert type(single) is float
    many = formula(*(np.full((2, 3), value) for value in values))
    assert many.shape == (2, 3)
    assert (many == single).all()
    assert formula(*(np.empty(0) for _ in values)).shape == (0,)


def test_highest_co2_is_no_excess_air() -> None:
    """Each fuel's CO2 maximum itself is allowed and means L = 1 and no O2, never a hair less."""
    for fuel in fuels.BUILT_IN:
        assert fuel.excess_air_ratio(co2_pct=fuel.co2_max_pct) == pytest.approx(1, abs=1e-12)
        assert fuel.excess_air_ratio(co2_pct=fuel.co2_pct(1.0)) >= 1
        assert fuel.o2_from_co2_pct(fuel.co2_pct(1.0)) >= 0


@pytest.mark.parametrize("name", ["natural gas", "Natural-Gas", " NATURALGAS ", "natural_gas"])
def test_fuels_are_found_by_name(name: str) -> None:
    """Capitals, blanks and hyphens do not matter in a fuel's name."""
    assert fuels.by_name(name) is NATURAL_GAS


def test_composition_is_scaled_to_one() -> None:
    """Rounded fractions are scaled to add up to 1; parts of 0 are left out; nothing can be changed later."""
    fuel = Fuel("gas", {"N2": 0.05, "CH4": 0.96, "H2": 0.0})
    assert dict(fuel.composition) == pytest.approx({"CH4": 0.96 / 1.01, "N2": 0.05 / 1.01})
    assert list(fuel.composition) == ["CH4", "N2"]
    with pytest.raises(TypeError):
        fuel.composition["CH4"] = 1.0  # type: ignore[index]


@pytest.mark.parametrize("total", [0.98, 1.02])
def test_a_sum_off_by_two_hundredths_is_scaled(total: float) -> None:
    """Two in a hundred is how far rounded fractions may be off."""
    assert dict(Fuel("gas", {"CH4": total}).composition) == {"CH4": 1.0}


def test_the_ends_of_each_range_are_in() -> None:
    """A reading at the end of its range is taken, the formula holding there too."""
    assert fuels.fuel_factor(0.5, 20.0) == pytest.approx(1.8)
    assert fuels.fuel_factor(100.0, 0.0) == pytest.approx(0.209)
    assert fuels.fuel_factor(10.0, 0.0, 1_000_000.0) == pytest.approx((20.9 + 50) / 110)
    # (flue - air) (0.66 / 21 + 0.009), 1. BImSchV Annex 2 No. 3.4 [C]
    assert METHANE.flue_loss_pct(1000.0, -50.0, 0.0) == pytest.approx(1050 * (0.66 / 21 + 0.009))
    assert METHANE.flue_loss_pct(20.0, 20.0, 5.0) == 0
    assert fuels.looks_rich(1_000_000.0, 0.0) is True
    assert fuels.looks_rich(0.0, 25.0) is False


@given(any_fuel())
def test_copies_are_equal(fuel: Fuel) -> None:
    """A fuel from another's composition, a copy and one sent to another process equal the first."""
    for twin in (Fuel(fuel.name, fuel.composition), copy.deepcopy(fuel), pickle.loads(pickle.dumps(fuel))):
        assert twin == fuel
        assert hash(twin) == hash(fuel)
        assert twin.co2_max_pct == fuel.co2_max_pct


def test_hydrogen_has_no_co2() -> None:
    """Pure hydrogen has a CO2 maximum of 0 and works by O2."""
    assert HYDROGEN.co2_max_pct == 0
    assert HYDROGEN.co2_pct(1.3) == 0
    assert HYDROGEN.excess_air_ratio(o2_pct=HYDROGEN.o2_pct(1.3)) == pytest.approx(1.3)


# --- what is refused -----------------------------------------------------------------------------------

SUM = "they must add up to 1 within 0.02. Give mole fractions (0.95 for 95 %) of all parts, nitrogen and CO2 too"
NO_AIR = "nothing in it needs air to burn; add its combustible part"
FRACTION = "a mole fraction from 0 to 1 is needed"


@pytest.mark.parametrize(
    ("composition", "message"),
    [
        ({"CH5": 1}, "'CH5' is not a known part; allowed are CH4, C2H6, C3H8, iC4, nC4, iC5, nC5, nC6, H2, CO, CO2, "
                     "N2, O2"),
        ({"CH4": 1.1, "N2": -0.1}, f"N2 = -0.1; {FRACTION}"),
        ({"CH4": np.nan}, f"CH4 = nan; {FRACTION}"),
        ({"CH4": np.inf}, f"CH4 = inf; {FRACTION}"),
        ({"CH4": 95, "N2": 5}, f"the parts add up to 100, {SUM}"),
        ({"CH4": 1.03}, f"the parts add up to 1.03, {SUM}"),
        ({"CH4": 0.97}, f"the parts add up to 0.97, {SUM}"),
        ({}, f"the parts add up to 0, {SUM}"),
        ({"N2": 0.8, "CO2": 0.2}, NO_AIR),
        ({"H2": 0.5, "O2": 0.5}, NO_AIR),
    ],
)  # fmt: skip
def test_what_is_no_fuel_is_refused(composition: dict[str, float], message: str) -> None:
    """Unknown parts, fractions that are none, a wrong sum, a gas that does not burn."""
    assert refusal(Fuel, "x", composition) == f"fuel 'x': {message}"


RATIO = "1 or more is allowed, below 1 is rich"
CO2 = "more than 0 and at most 11.86 % is possible with natural gas. Right fuel?"
O2 = "0 to below 20.95 % is allowed, 20.95 % is plain air"
O2_METHOD = "0 to below 20.9 % is allowed, 20.9 % is plain air"
EITHER = "excess_air_ratio: give either co2_pct or o2_pct, one of the two"
NO_CO2 = "hydrogen has no carbon: its flue has no CO2 to go by, use O2 instead"
TEMPERATURE = "-50 to 1000 C is allowed"
AIR = "30000 to 120000 Pa is allowed (1013 mbar is 101300 Pa)"
LOSS = (
    "the published formula covers natural gas and LPG only (3/4 or more of the combustible part methane and "
    "ethane, or propane and butane)"
)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Fuel(" ", {"CH4": 1}), "a fuel needs a name, such as 'town gas'"),
        (lambda: fuels.by_name("coal"), "fuel 'coal' is not built in. Built in are natural gas, propane, butane, "
                                        "methane; for any other gas make a mixture from its composition"),
        (lambda: NATURAL_GAS.co2_pct(0.99), f"excess air ratio 0.99: {RATIO}"),
        (lambda: NATURAL_GAS.o2_pct(np.array([1.2, np.nan])), f"excess air ratio nan: {RATIO}"),
        (lambda: NATURAL_GAS.dew_point_c(np.inf), f"excess air ratio inf: {RATIO}"),
        (lambda: NATURAL_GAS.excess_air_ratio(co2_pct=12.0), f"CO2 12 %: {CO2}"),
        (lambda: NATURAL_GAS.excess_air_ratio(co2_pct=0.0), f"CO2 0 %: {CO2}"),
        (lambda: NATURAL_GAS.o2_from_co2_pct(np.array([9.0, -1.0])), f"CO2 -1 %: {CO2}"),
        (lambda: NATURAL_GAS.excess_air_ratio(o2_pct=20.95), f"O2 20.95 %: {O2}"),
        (lambda: NATURAL_GAS.excess_air_ratio(o2_pct=-0.1), f"O2 -0.1 %: {O2}"),
        (lambda: NATURAL_GAS.excess_air_ratio(), EITHER),
        (lambda: NATURAL_GAS.excess_air_ratio(co2_pct=9.0, o2_pct=5.0), EITHER),
        (lambda: HYDROGEN.excess_air_ratio(co2_pct=1.0), NO_CO2),
        (lambda: HYDROGEN.o2_from_co2_pct(1.0), NO_CO2),
        (lambda: HYDROGEN.fuel_factor, NO_CO2),
        (lambda: HYDROGEN.flue_loss_pct(60.0, 20.0, 5.0), f"flue loss of hydrogen: {LOSS}"),
        (lambda: HALF.flue_loss_pct(60.0, 20.0, 5.0), f"flue loss of half: {LOSS}"),
        (lambda: NATURAL_GAS.flue_loss_pct(15.0, 20.0, 5.0),
         "flue less air temperature -5 C: the flue can't be colder than the air"),
        (lambda: NATURAL_GAS.flue_loss_pct(60.0, np.nan, 5.0), f"air temperature nan C: {TEMPERATURE}"),
        (lambda: NATURAL_GAS.flue_loss_pct(60.0, 20.0, 20.95), f"O2 20.95 %: {O2}"),
        (lambda: NATURAL_GAS.flue_loss_pct(60.0, -50.5, 5.0), f"air temperature -50.5 C: {TEMPERATURE}"),
        (lambda: NATURAL_GAS.flue_loss_pct(1000.5, 20.0, 5.0), f"flue temperature 1000.5 C: {TEMPERATURE}"),
        (lambda: NATURAL_GAS.dew_point_c(1.3, 120_001), f"air pressure 120001 Pa: {AIR}"),
        (lambda: NATURAL_GAS.dew_point_c(1.3, 1013), f"air pressure 1013 Pa: {AIR}"),
        (lambda: NATURAL_GAS.dew_point_c(100.0),
         "water vapour 209.986 Pa: below 611 Pa the dew point is under 0 C. Is the excess air ratio right?"),
        (lambda: MONOXIDE.dew_point_c(1.3), "monoxide has no hydrogen: its flue is dry and has no dew point"),
        (lambda: fuels.fuel_factor(0.0, 5.0), "CO2 0 %: more than 0 and at most 100 % is allowed"),
        (lambda: fuels.fuel_factor(100.5, 5.0), "CO2 100.5 %: more than 0 and at most 100 % is allowed"),
        (lambda: fuels.fuel_factor(9.0, 20.9), f"O2 20.9 %: {O2_METHOD}"),
        (lambda: fuels.fuel_factor(9.0, 5.0, -1.0), "CO -1 ppm: 0 to 1000000 ppm is allowed"),
        (lambda: fuels.co_air_free_ppm(50.0, 20.9), f"O2 20.9 %: {O2_METHOD}"),
        (lambda: fuels.co_air_free_ppm(2e6, 5.0), "CO 2e+06 ppm: 0 to 1000000 ppm is allowed"),
        (lambda: fuels.looks_rich(-5.0, 5.0), "CO -5 ppm: 0 to 1000000 ppm is allowed"),
        (lambda: fuels.looks_rich(5.0, 26.0), "O2 26 %: 0 to 25 % is allowed"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused(call: Callable[[], object], message: str) -> None:
    """A value outside its range is refused with the value, what is allowed and what to do."""
    assert refusal(call) == message
