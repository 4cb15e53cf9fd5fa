"""The setup of one job: what the user states when the log is opened, checked and completed."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any

from advisor import units
from advisor.chemistry import limits
from advisor.chemistry.fuels import Fuel
from advisor.errors import RangeError
from advisor.job_setup.policy import Policy
from advisor.job_setup.prior import Prior
from advisor.job_setup.typed_values import fitted
from advisor.screws import DIRECTIONS, FIRINGS, SCREWS, Direction, Firing, Screw

TURNDOWNS = (1.0, 20.0)  # from and to
VISITS = ("valve-change", "conversion", "service", "complaint")
CHANGES_VALVE = VISITS[:2]  # kinds of visit that change the valve or its gas, and open gas joints
AIR_FREE, DISPLAYED, RATIO = "ppm air-free", "ppm", "CO/CO2"
CO_BASES: Mapping[str, tuple[float, float]] = MappingProxyType(  # what a CO limit is stated in, lowest and highest
    {AIR_FREE: (1.0, 10_000.0), DISPLAYED: (1.0, 10_000.0), RATIO: (0.0001, 0.05)}
)


@dataclass(frozen=True)
class JobSetup:
    """The setup of one job. `fuel` and `bands` have no default: they come from the maker's instructions.

    fuel       the gas burned
    bands      CO2 band at each firing rate, (low, high) in dry volume percent
    cap_turns  largest single move by screw, turns; above the usual cap only with `cap_statement`
    cap_statement  where the maker's instructions allow a larger move, in the user's words
    mark_turns     step in which moves are advised by screw, turns
    travel_limit_turns  largest net turn from as found by screw, turns
    clockwise      what a clockwise turn does by screw: "richer", "leaner" or "unknown"
    clockwise_stated  whether somebody said so by screw, or an earlier visit showed it; else it is asked about
    min_wait_s     shortest wait after a turn of each screw and after a change of firing rate, s
    turndown       ratio of high to low fan speed (about the ratio of the rates)
    turndown_stated  whether somebody said so; otherwise it is assumed
    co_limit_ppm_air_free  the maker's or the user's own CO limit, ppm air-free; the published one holds where it is
               stricter
    co_limit   the same as (value, basis), where it is stated on another basis: one of CO_BASES
    display_step_pct       step of the analyser's CO2 display, %
    analyser_accuracy_pct  accuracy of its CO2 reading, +/- %, when known
    overshoot_chance       largest accepted chance that a move passes the far edge of the band, 0 to 0.5
    stop_chance            chance of being in band from which a rate counts as set, 0.5 to 1
    pressures  allowed gas pressures from the data plate: name -> (low, high, unit)
    input_rate  input on the data plate with its tolerance, gross: (low, high, unit), when known
    heating_value  gross heating value from the gas supplier: (value, unit), when known
    prior      what is assumed about the valve before its first turn
    site, analyser, boiler, serial, reason, valve, technician, analyser_serial  free text for the record: where it
               stands, make and model, serial number, why the visit, which valve was fitted, who
    calibrated  date of the analyser's last calibration, as 2026-02-11
    practice   whether the boiler is made up: everything made from the log says PRACTICE
    valve_family   the user's own label for valves that respond alike, for the study of many jobs
    prior_source   where `prior` comes from: empty for the built-in one
    visit      what kind of visit it is: one of VISITS
    policy     thresholds of checks, waits and decision; not kept in the log
    """

    fuel: Fuel
    bands: Mapping[Firing, tuple[float, float]]
    cap_turns: Mapping[Screw, float] = field(default_factory=dict)
    cap_statement: str = ""
    mark_turns: Mapping[Screw, float] = field(default_factory=dict)
    travel_limit_turns: Mapping[Screw, float] = field(default_factory=dict)
    clockwise: Mapping[Screw, Direction] = field(default_factory=dict)
    clockwise_stated: Mapping[Screw, bool] = field(default_factory=dict)
    min_wait_s: Mapping[str, float] = field(default_factory=dict)
    turndown: float = 5.0
    turndown_stated: bool = True
    co_limit_ppm_air_free: float | None = None
    co_limit: tuple[float, str] | None = None
    display_step_pct: float = 0.1
    analyser_accuracy_pct: float | None = None
    overshoot_chance: float = 0.05
    stop_chance: float = 0.99
    pressures: Mapping[str, tuple[float, float, str]] = field(default_factory=dict)
    input_rate: tuple[float, float, str] | None = None
    heating_value: tuple[float, str] | None = None
    prior: Prior = field(default_factory=Prior)
    site: str = ""
    analyser: str = ""
    practice: bool = False
    valve_family: str = ""
    prior_source: str = ""
    visit: str = VISITS[0]
    boiler: str = ""
    serial: str = ""
    reason: str = ""
    valve: str = ""
    technician: str = ""
    analyser_serial: str = ""
    calibrated: str = ""
    policy: Policy = field(default_factory=Policy)

    def __post_init__(self) -> None:
        put = object.__setattr__
        for name, wanted in SETUP_TYPES.items():
            given = getattr(self, name)
            one_for_both = name in _PER_SCREW and not isinstance(given, Mapping)
            put(self, name, fitted(given, float if one_for_both else wanted, name))
        for name, usual in (
            ("cap_turns", limits.USUAL_CAP_TURNS),
            ("mark_turns", limits.USUAL_MARK_TURNS),
            ("travel_limit_turns", limits.USUAL_TRAVEL_TURNS),
            ("clockwise", dict.fromkeys(SCREWS, "richer")),
            ("min_wait_s", limits.USUAL_MIN_WAIT_S),
        ):
            put(self, name, _completed(name, getattr(self, name), usual))
        put(self, "bands", MappingProxyType(_checked_bands(self.bands, self.fuel, self.policy)))
        put(self, "pressures", MappingProxyType({k: _checked_pressure(k, v) for k, v in self.pressures.items()}))
        if self.input_rate is not None:
            put(self, "input_rate", _checked_input_rate(self.input_rate))
        if self.heating_value is not None:
            put(self, "heating_value", checked_heating_value(self.heating_value))
        if self.co_limit is not None:
            put(self, "co_limit", checked_co_limit(self.co_limit))
        put(self, "prior", Prior.from_mapping(self.prior))
        if self.visit not in VISITS:
            raise RangeError(f"visit = '{self.visit:.40}': it is one of {', '.join(VISITS)}")
        for screw in SCREWS:
            self._check_screw(screw)
        for name, low, high, unit in (
            ("turndown", *TURNDOWNS, ""),
            ("display_step_pct", 0.001, 0.5, " % CO2"),
            ("overshoot_chance", 0.001, 0.5, ""),
            ("stop_chance", 0.5, 0.999, ""),
            ("analyser_accuracy_pct", 0.0, 2.0, " % CO2"),
            ("co_limit_ppm_air_free", 1.0, 10_000.0, " ppm"),
        ):
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise RangeError(f"{name} = {value:g}: from {low:g} to {high:g}{unit} is allowed")
        for name, wait in self.min_wait_s.items():
            floor = limits.USUAL_MIN_WAIT_S[name]
            if not floor <= wait <= 1800:
                raise RangeError(f"min_wait_s for {name} = {wait:g}: from {floor:g} to 1800 s is allowed")

    @property
    def stated_co_limit(self) -> tuple[float, str] | None:
        """The maker's CO limit and its basis, as stated; None where none was."""
        if self.co_limit is None and self.co_limit_ppm_air_free is not None:
            return self.co_limit_ppm_air_free, AIR_FREE
        return self.co_limit

    def __reduce__(self) -> tuple[type["JobSetup"], tuple[object, ...]]:
        # A MappingProxyType can't be pickled.
        values = (getattr(self, entry.name) for entry in fields(self))
        return JobSetup, tuple(dict(value) if isinstance(value, MappingProxyType) else value for value in values)

    def _check_screw(self, screw: Screw) -> None:
        if self.clockwise[screw] not in DIRECTIONS:
            raise RangeError(
                f"clockwise for the {screw} screw = '{self.clockwise[screw]}': it is one of {', '.join(DIRECTIONS)}"
            )
        cap, usual, hard = self.cap_turns[screw], limits.USUAL_CAP_TURNS[screw], limits.HARD_CAP_TURNS[screw]
        if not 0 < cap <= hard:
            raise RangeError(
                f"cap_turns for the {screw} screw = {cap:.4g}: more than 0 and at most {hard:.4g} turn is allowed"
            )
        if cap > usual * (1 + 1e-9) and not self.cap_statement.strip():
            raise RangeError(
                f"cap_turns for the {screw} screw = {cap:.4g} is above the usual {usual:.4g} turn: "
                "say in cap_statement where the maker's instructions allow it, or lower it"
            )
        if not 1 / 200 <= self.mark_turns[screw] <= cap * (1 + 1e-9):
            raise RangeError(
                f"mark_turns for the {screw} screw = {self.mark_turns[screw]:.4g}: "
                f"from 0.005 up to its cap of {cap:.4g} turn is allowed"
            )
        if not cap <= self.travel_limit_turns[screw] * (1 + 1e-9) <= 5:
            raise RangeError(
                f"travel_limit_turns for the {screw} screw = {self.travel_limit_turns[screw]:.4g}: "
                f"from its cap of {cap:.4g} up to 5 turns is allowed"
            )


SETUP_TYPES: dict[str, Any] = {entry.name: entry.type for entry in fields(JobSetup) if entry.name != "policy"}
_PER_SCREW = ("cap_turns", "mark_turns", "travel_limit_turns")


def _completed(name: str, given: Any, usual: Mapping[Any, object]) -> Mapping[Any, object]:
    """Fill a per-screw mapping with the usual values; one number stands for both screws."""
    if isinstance(given, int | float):
        given = dict.fromkeys(SCREWS, given)
    for key in given:
        if key not in usual:
            raise RangeError(f"{name}: '{key}' is not one of {', '.join(usual)}")
    return MappingProxyType({**usual, **given})


def _checked_bands(
    bands: Mapping[Firing, tuple[float, float]], fuel: Fuel, policy: Policy
) -> dict[Firing, tuple[float, float]]:
    checked: dict[Firing, tuple[float, float]] = {}
    if set(bands) != set(FIRINGS):
        raise RangeError("bands: one for 'high' and one for 'low' are needed, in % CO2, from the maker's instructions")
    for firing in FIRINGS:
        low, high = bands[firing]
        if not 0 < low < high:
            raise RangeError(
                f"band at {firing} fire {low:g} to {high:g}: two rising numbers above 0 are needed, in % CO2"
            )
        if high >= fuel.co2_max_pct:
            raise RangeError(
                f"band at {firing} fire {low:g} to {high:g} % CO2: {fuel.name} can't give more than "
                f"{fuel.co2_max_pct:.1f} %. Right fuel, and the point in the right place?"
            )
        if fuel.o2_from_co2_pct(high) < policy.least_o2_pct:
            raise RangeError(
                f"band at {firing} fire {low:g} to {high:g} % CO2: with {fuel.name} its upper edge leaves "
                f"{fuel.o2_from_co2_pct(high):.1f} % O2, next to a rich flame. Is it the band of another fuel?"
            )
        if low < fuel.co2_max_pct / 3:
            raise RangeError(
                f"band at {firing} fire {low:g} to {high:g} % CO2: that is more than 3 times the air "
                f"{fuel.name} needs. Right fuel, and the point in the right place?"
            )
        checked[firing] = (low, high)
    return checked


def _checked_pressure(name: str, given: tuple[float, float, str]) -> tuple[float, float, str]:
    low, high, unit = given
    units.pressure_pa(low, unit)
    if not 0 < low < high:
        raise RangeError(f"pressure '{name}' {low:g} to {high:g} {unit}: two rising numbers above 0 are needed")
    return (low, high, unit)


def checked_co_limit(given: tuple[float, str]) -> tuple[float, str]:
    """A CO limit as stated, value and basis; RangeError where it can't be."""
    value, basis = given
    if basis not in CO_BASES:
        raise RangeError(f"co_limit in '{basis:.40}': it is in {', '.join(CO_BASES)}")
    low, high = CO_BASES[basis]
    if not low <= value <= high:
        raise RangeError(f"co_limit = {value:g} {basis}: from {low:g} to {high:g} is allowed")
    return value, basis


def _checked_input_rate(given: tuple[float, float, str]) -> tuple[float, float, str]:
    low, high, unit = given
    if not 0 < units.power_kw(low, unit) < units.power_kw(high, unit) <= 5000:
        raise RangeError(f"input_rate {low:g} to {high:g} {unit}: two rising numbers above 0, up to 5000 kW")
    return low, high, unit


def checked_heating_value(given: tuple[float, str]) -> tuple[float, str]:
    """A heating value with its unit; RangeError where it can't be."""
    value, unit = given
    if not 5 <= units.heating_value_mj_m3(value, unit) <= 150:
        raise RangeError(
            f"heating_value {value:g} {unit}: from 5 to 150 MJ/m3 (134 to 4026 Btu/ft3) is allowed. Right unit?"
        )
    return value, unit
