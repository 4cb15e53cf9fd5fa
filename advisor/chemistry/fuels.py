"""Fuel gases and their flue: what one volume burns to, and what CO2, O2 and CO readings then mean.

Complete combustion with excess air ratio L >= 1, by element balance, ideal gases, per volume of fuel:

    dry flue = dry_flue + (L - 1) air_needed                                     (1)
    CO2      = co2_made / dry flue,  O2 = 0.2095 (L - 1) air_needed / dry flue    (2)
    O2       = 20.95 (1 - CO2 / co2_max_pct), both in percent: the fuel's line    (3)

Air here is dry, with 20.95 % O2 and the rest nitrogen. Inert parts of the fuel pass into the flue and its
own O2 lowers the air needed. Every method takes a float or an array and gives the same back. A value
outside its range, nan included, raises `RangeError`. CO2, O2 and CO are shares of the dry flue.

Sources: US EPA 40 CFR 60 App. A Method 3B (fuel factor; formula from a secondary copy); ANSI/BPI-1200-S-2017
(CO air-free; secondary copy); German 1. BImSchV Annex 2 No. 3.4 (flue loss; law text); IAPWS R7-97(2012)
Eq. 31 (saturation temperature of water).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import fsum, isclose
from types import MappingProxyType
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from advisor.errors import RangeError

Numbers = float | NDArray[np.float64]
Values = TypeVar("Values", float, NDArray[np.float64], Numbers)  # what goes in comes out

AIR_O2_PCT = 20.95  # dry air, for everything derived from a fuel's composition
METHOD_O2_PCT = 20.9  # dry air as the published CO air-free and fuel-factor formulas have it

# Atoms in one molecule: carbon, hydrogen, oxygen, and molecules of N2.
_ATOMS: Mapping[str, tuple[int, int, int, int]] = MappingProxyType({
    "CH4": (1, 4, 0, 0), "C2H6": (2, 6, 0, 0), "C3H8": (3, 8, 0, 0),
    "iC4": (4, 10, 0, 0), "nC4": (4, 10, 0, 0), "iC5": (5, 12, 0, 0), "nC5": (5, 12, 0, 0),
    "nC6": (6, 14, 0, 0), "H2": (0, 2, 0, 0), "CO": (1, 0, 1, 0),
    "CO2": (1, 0, 2, 0), "N2": (0, 0, 0, 1), "O2": (0, 0, 2, 0),
})  # fmt: skip
SPECIES = tuple(_ATOMS)
_BURNS = frozenset(SPECIES) - {"CO2", "N2", "O2"}
_ALLOWED = f"allowed are {', '.join(SPECIES)}"

# Constants A and B of the flue-loss formula, for the fuels whose combustible part is mainly these.
_FLUE_LOSS: tuple[tuple[frozenset[str], float, float], ...] = (
    (frozenset({"CH4", "C2H6"}), 0.66, 0.009),  # natural gas
    (frozenset({"C3H8", "iC4", "nC4"}), 0.63, 0.008),  # liquefied petroleum gas
)
_MAINLY = 0.75  # own choice: the law names the fuels but draws no line between them

# CO from which, with next to no O2, the flame is taken for rich, ppm, and what "next to no O2" is, %. Own
# choice: equilibrium gives CO in per cent just below L = 1 and next to none above 1.02 (cantera at 1500 K,
# tests/data/dry_flue_rich_1500K.csv); 2000 ppm lies between.
RICH_CO_PPM = 2000.0
RICH_O2_PCT = 1.0


@dataclass(frozen=True)
class Fuel:
    """A fuel gas of known composition.

    name         what the fuel is called, not empty
    composition  mole fraction of each part (names in SPECIES, each >= 0); must add up to 1 within 0.02
                 and is then scaled to 1; parts of 0 are left out

    Derived, in volumes per volume of fuel at L = 1:
    co2_made     CO2 in the flue, the fuel's own included
    air_needed   dry air
    dry_flue     flue without its water
    wet_flue     flue with its water as vapour
    and co2_max_pct, the CO2 of the dry flue at L = 1, percent.

    Raises RangeError for unknown parts, negative fractions, a wrong sum, or a gas that needs no air.
    """

    name: str
    composition: Mapping[str, float] = field(hash=False)
    co2_made: float = field(init=False, repr=False, compare=False)
    air_needed: float = field(init=False, repr=False, compare=False)
    dry_flue: float = field(init=False, repr=False, compare=False)
    wet_flue: float = field(init=False, repr=False, compare=False)
    co2_max_pct: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise RangeError("a fuel needs a name, such as 'town gas'")
        parts = _checked_parts(self.name, self.composition)
        carbon, hydrogen, oxygen, n2 = (fsum(x * _ATOMS[species][i] for species, x in parts.items()) for i in range(4))
        air = (carbon + hydrogen / 4 - oxygen / 2) * 100 / AIR_O2_PCT
        if not air > 1e-9:
            raise RangeError(f"fuel '{self.name}': nothing in it needs air to burn; add its combustible part")
        dry = carbon + n2 + air * (1 - AIR_O2_PCT / 100)
        for name, value in (
            ("composition", MappingProxyType(parts)),
            ("co2_made", carbon),
            ("air_needed", air),
            ("dry_flue", dry),
            ("wet_flue", dry + hydrogen / 2),
            ("co2_max_pct", 100 * carbon / dry),
        ):
            object.__setattr__(self, name, value)

    def __reduce__(self) -> tuple[type["Fuel"], tuple[str, dict[str, float]]]:
        # A MappingProxyType can't be pickled; worker processes need fuels.
        return Fuel, (self.name, dict(self.composition))

    @property
    def fuel_factor(self) -> float:
        """(O2 of air - O2) / CO2, the same all along this fuel's line (3): 20.95 / co2_max_pct.

        From readings, `fuels.fuel_factor` gives it with the 20.9 of its source, so 0.2 % less at the CO2
        maximum and 0.7 % less at 14 % O2. Raises RangeError for a fuel that makes no CO2.
        """
        self._need_carbon()
        return AIR_O2_PCT / self.co2_max_pct

    def co2_pct(self, excess_air_ratio: Values) -> Values:
        """CO2 of the dry flue, percent, at an excess air ratio of 1 or more."""
        flue = self.dry_flue + (_ratio(excess_air_ratio) - 1) * self.air_needed  # (1)
        return _like(excess_air_ratio, 100 * self.co2_made / flue)  # (2)

    def o2_pct(self, excess_air_ratio: Values) -> Values:
        """O2 of the dry flue, percent, at an excess air ratio of 1 or more."""
        excess = (_ratio(excess_air_ratio) - 1) * self.air_needed
        return _like(excess_air_ratio, AIR_O2_PCT * excess / (self.dry_flue + excess))  # (2)

    def excess_air_ratio(self, *, co2_pct: Values | None = None, o2_pct: Values | None = None) -> Values:
        """Excess air ratio (1 or more) from either CO2 or O2 of the dry flue, percent; lean side only.

        The same CO2 figure exists on the rich side too; O2 next to 0 with much CO tells (`looks_rich`).
        CO2 above 0 up to co2_max_pct, O2 from 0 to below 20.95.
        """
        if co2_pct is not None and o2_pct is None:
            excess = 100 * self.co2_made / self._co2(co2_pct) - self.dry_flue
            return _like(co2_pct, 1 + np.maximum(excess, 0) / self.air_needed)
        if o2_pct is not None and co2_pct is None:
            o2 = _o2(o2_pct)
            return _like(o2_pct, 1 + o2 * self.dry_flue / ((AIR_O2_PCT - o2) * self.air_needed))
        raise RangeError("excess_air_ratio: give either co2_pct or o2_pct, one of the two")

    def o2_from_co2_pct(self, co2_pct: Values) -> Values:
        """O2 on this fuel's line, percent, at a CO2 above 0 up to co2_max_pct."""
        return _like(co2_pct, AIR_O2_PCT * np.maximum(1 - self._co2(co2_pct) / self.co2_max_pct, 0))  # (3)

    def flue_loss_pct(self, flue_c: Values, air_c: Numbers, o2_pct: Numbers) -> Values:
        """Heat lost with the flue as percent of the input, without what condensing gives back.

        flue_c, air_c  temperature of flue and combustion air, C; -50 to 1000, flue not below air
        o2_pct         O2 of the dry flue, 0 to below 20.95

        1. BImSchV Annex 2 No. 3.4: (flue - air) (A / (21 - O2) + B). A and B are those of natural gas where
        methane and ethane are at least 3/4 of the combustible volume, those of LPG where propane and
        butanes are; RangeError for any other fuel (own choice of the line).
        """
        a, b = self._flue_loss_constants()
        flue, air = _array(flue_c), _array(air_c)
        for what, values in (("flue", flue), ("air", air)):
            ok = (values >= -50) & (values <= 1000)
            _need(ok, values, f"{what} temperature", "C", "-50 to 1000 C is allowed")
        rise = flue - air
        _need(rise >= 0, rise, "flue less air temperature", "C", "the flue can't be colder than the air")
        return _like(flue_c, rise * (a / (21 - _o2(o2_pct)) + b))

    def dew_point_c(self, excess_air_ratio: Values, pressure_pa: float = 101_325.0) -> Values:
        """Temperature below which water of the flue condenses, C, with dry combustion air.

        excess_air_ratio  1 or more; RangeError where the dew point falls below 0 C
        pressure_pa       pressure of the surrounding air, 30 000 to 120 000 Pa (1 atm where left out)

        Moist combustion air lifts the dew point by a degree or so. IAPWS R7-97(2012) Eq. 31.
        """
        if not 30_000 <= pressure_pa <= 120_000:
            raise RangeError(f"air pressure {pressure_pa:g} Pa: 30000 to 120000 Pa is allowed (1013 mbar is 101300 Pa)")
        water = self.wet_flue - self.dry_flue
        if not water > 0:
            raise RangeError(f"{self.name} has no hydrogen: its flue is dry and has no dew point")
        flue = self.wet_flue + (_ratio(excess_air_ratio) - 1) * self.air_needed
        return _like(excess_air_ratio, _saturation_c(pressure_pa * water / flue))

    def _need_carbon(self) -> None:
        if not self.co2_made > 0:
            raise RangeError(f"{self.name} has no carbon: its flue has no CO2 to go by, use O2 instead")

    def _co2(self, co2_pct: Numbers) -> NDArray[np.float64]:
        self._need_carbon()
        co2 = _array(co2_pct)
        ok = (co2 > 0) & (co2 <= self.co2_max_pct * (1 + 1e-12))  # the maximum itself is in
        if not _every(ok):
            most = f"{self.co2_max_pct:.2f} % is possible with {self.name}. Right fuel?"
            _need(ok, co2, "CO2", "%", f"more than 0 and at most {most}")
        return co2

    def _flue_loss_constants(self) -> tuple[float, float]:
        burns = {species: x for species, x in self.composition.items() if species in _BURNS}
        for kind, a, b in _FLUE_LOSS:
            if fsum(x for species, x in burns.items() if species in kind) >= _MAINLY * fsum(burns.values()):
                return a, b
        raise RangeError(
            f"flue loss of {self.name}: the published formula covers natural gas and LPG only "
            "(3/4 or more of the combustible part methane and ethane, or propane and butane)"
        )


def _checked_parts(name: str, composition: Mapping[str, float]) -> dict[str, float]:
    for species, x in composition.items():
        if species not in _ATOMS:
            raise RangeError(f"fuel '{name}': '{species}' is not a known part; {_ALLOWED}")
        if not 0 <= x < float("inf"):
            raise RangeError(f"fuel '{name}': {species} = {x:g}; a mole fraction from 0 to 1 is needed")
    total = fsum(composition.values())
    if not 0.98 <= total <= 1.02:
        raise RangeError(
            f"fuel '{name}': the parts add up to {total:.4g}, they must add up to 1 within 0.02. "
            "Give mole fractions (0.95 for 95 %) of all parts, nitrogen and CO2 too"
        )
    if isclose(total, 1, rel_tol=1e-12):
        total = 1.0  # kept to the last digit, so that a fuel made from another's composition equals it
    return {species: composition[species] / total for species in SPECIES if composition.get(species, 0) > 0}


def mixture(name: str, composition: Mapping[str, float]) -> Fuel:
    """Make a fuel from mole fractions, such as `mixture("site gas", {"CH4": 0.95, "N2": 0.05})`; see Fuel."""
    return Fuel(name, composition)


METHANE = Fuel("methane", {"CH4": 1.0})
PROPANE = Fuel("propane", {"C3H8": 1.0})
BUTANE = Fuel("butane", {"nC4": 1.0})  # pure normal butane
# One pipeline gas, of the composition "GulfCoast" shipped in CoolProp 8.0.0. Gas on site differs a little.
NATURAL_GAS = Fuel("natural gas", {
    "CH4": 0.965222, "C2H6": 0.018186, "C3H8": 0.004596, "iC4": 0.000977, "nC4": 0.001007, "iC5": 0.000473,
    "nC5": 0.000324, "nC6": 0.000664, "CO2": 0.005956, "N2": 0.002595,
})  # fmt: skip
BUILT_IN = (NATURAL_GAS, PROPANE, BUTANE, METHANE)


def by_name(name: str) -> Fuel:
    """Find a built-in fuel; capitals, spaces and hyphens do not matter. RangeError lists the names."""
    if not isinstance(name, str):
        raise RangeError(f"fuel {name!r:.40}: the name of a fuel in words is needed")
    for fuel in BUILT_IN:
        if _key(fuel.name) == _key(name):
            return fuel
    raise RangeError(
        f"fuel '{name}' is not built in. Built in are {', '.join(fuel.name for fuel in BUILT_IN)}; "
        "for any other gas make a mixture from its composition"
    )


def fuel_factor(co2_pct: Values, o2_pct: Values, co_ppm: Numbers = 0.0) -> Values:
    """Fuel factor Fo from readings: (20.9 - O2) / CO2, with O2 and CO2 as if the CO had burned.

    co2_pct above 0 up to 100, o2_pct from 0 to below 20.9, co_ppm from 0 to 1 000 000. US EPA Method 3B.
    """
    co2, co_pct = _array(co2_pct), _co(co_ppm) / 10_000
    _need((co2 > 0) & (co2 <= 100), co2, "CO2", "%", "more than 0 and at most 100 % is allowed")
    o2 = _o2(o2_pct, METHOD_O2_PCT)
    return _like(co2_pct, (METHOD_O2_PCT - (o2 - 0.5 * co_pct)) / (co2 + co_pct))


def co_air_free_ppm(co_ppm: Values, o2_pct: Values) -> Values:
    """CO as it would be without excess air, ppm: CO x 20.9 / (20.9 - O2). ANSI/BPI-1200-S-2017.

    co_ppm from 0 to 1 000 000, o2_pct from 0 to below 20.9.
    """
    return _like(co_ppm, _co(co_ppm) * METHOD_O2_PCT / (METHOD_O2_PCT - _o2(o2_pct, METHOD_O2_PCT)))


def looks_rich(co_ppm: Numbers, o2_pct: Numbers) -> bool | NDArray[np.bool_]:
    """Tell where the flame looks rich: CO of RICH_CO_PPM or more with O2 below RICH_O2_PCT (own choice).

    There CO2 falls when gas is added, so CO2 alone would send the screw the wrong way.
    co_ppm from 0 to 1 000 000, o2_pct from 0 to 25.
    """
    rich = (_co(co_ppm) >= RICH_CO_PPM) & (_reading("O2", o2_pct) < RICH_O2_PCT)
    return rich if rich.ndim else bool(rich)


def _key(name: str) -> str:
    return "".join(name.casefold().replace("-", " ").replace("_", " ").split())


def _array(values: Numbers) -> NDArray[np.float64]:
    try:
        return np.asarray(values, dtype=float)
    except (TypeError, ValueError):
        raise RangeError(f"{values!r:.40} is not a number: give one, or an array of them") from None


def _like(given: Values, result: Any) -> Values:
    """Give a plain float for a scalar result."""
    return float(result) if result.ndim == 0 else result  # type: ignore[return-value]


def _every(ok: NDArray[np.bool_]) -> bool:
    """Whether all are true; of one value, which is asked for most, in a fraction of the time that `all` takes."""
    return bool(ok if ok.ndim == 0 else ok.all())


def _need(ok: NDArray[np.bool_], values: NDArray[np.float64], what: str, unit: str, rule: str) -> None:
    """Refuse with the first value that is not ok (nan never is)."""
    if not _every(ok):
        bad = values[~ok].flat[0] if values.ndim else values
        raise RangeError(f"{what} {bad:g}{' ' if unit else ''}{unit}: {rule}")


def _ratio(excess_air_ratio: Numbers) -> NDArray[np.float64]:
    ratio = _array(excess_air_ratio)
    ok = (ratio >= 1) & (ratio < np.inf)
    _need(ok, ratio, "excess air ratio", "", "1 or more is allowed, below 1 is rich")
    return ratio


def _o2(o2_pct: Numbers, air_pct: float = AIR_O2_PCT) -> NDArray[np.float64]:
    o2 = _array(o2_pct)
    ok = (o2 >= 0) & (o2 < air_pct)
    if not _every(ok):
        _need(ok, o2, "O2", "%", f"0 to below {air_pct:g} % is allowed, {air_pct:g} % is plain air")
    return o2


def _reading(what: str, values_pct: Numbers) -> NDArray[np.float64]:
    """Take a CO2 or O2 reading as displayed, which may lie somewhat beyond what is possible."""
    values = _array(values_pct)
    _need((values >= 0) & (values <= 25), values, what, "%", "0 to 25 % is allowed")
    return values


def _co(co_ppm: Numbers) -> NDArray[np.float64]:
    co = _array(co_ppm)
    _need((co >= 0) & (co <= 1_000_000), co, "CO", "ppm", "0 to 1000000 ppm is allowed")
    return co


def _saturation_c(vapour_pa: NDArray[np.float64]) -> NDArray[np.float64]:
    """Temperature at which water vapour of this pressure is saturated, C. IAPWS R7-97(2012) Eq. 31."""
    rule = "below 611 Pa the dew point is under 0 C. Is the excess air ratio right?"
    _need(vapour_pa >= 611.213, vapour_pa, "water vapour", "Pa", rule)
    beta = (vapour_pa / 1e6) ** 0.25
    e = beta**2 - 17.073846940092 * beta + 14.915108613530
    f = 1167.0521452767 * beta**2 + 12020.824702470 * beta - 4823.2657361591
    g = -724213.16703206 * beta**2 - 3232555.0322333 * beta + 405113.40542057
    d = 2 * g / (-f - np.sqrt(f**2 - 4 * e * g))
    n9, n10 = -0.23855557567849, 650.17534844798
    kelvin = (n10 + d - np.sqrt((n10 + d) ** 2 - 4 * (n9 + n10 * d))) / 2
    return np.asarray(kelvin - 273.15)
