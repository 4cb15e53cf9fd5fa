"""A made-up boiler with its own physics, for proofs and practice. It knows nothing of the advice.

Gas ~ A sqrt(dP + P), air ~ sqrt(dP), dP ~ (fan speed)^2, so the fuel/air ratio at a rate is

    f = K A sqrt(1 + P / dP)                                                                (1)

with A moved by the throttle screw and P by the offset screw. Between hand and flame stand the hand's own
error and the play of each screw; between flame and display a dead time, a first-order lag, a slow drift after
a change of rate, noise and rounding. CO is each burner's own (`BurnerCO`), drawn from a stream of its own: what a
seed gives apart from CO does not hang on it. Every figure is invented; the spread of each is in `Scenario`.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from advisor.chemistry.fuels import NATURAL_GAS, PROPANE, Fuel
from advisor.screws import FIRING_FOR, FIRINGS, SCREWS, Firing, Screw

FAULTS = (
    "reversed screw", "dead screw", "air in the sample", "air in the sample later", "analyser on another fuel",
    "falling gas pressure", "blocked intake", "rich start", "hand turns twice as far",
)  # fmt: skip

MOST_CO_PPM = 100_000.0  # where the display ends

LATER_FAULTS = ("air in the sample later", "falling gas pressure", "blocked intake")  # begin on the way


@dataclass(frozen=True)
class Scenario:
    """How boilers, screws, hands and analysers differ: each pair is a range or (median, spread of the logarithm).

    gain_*           % CO2 per turn near the band, (median, log spread); the screw's own rate
    backlash_turns   play of each screw, evenly between
    dead_time_s, time_constant_s  evenly between; the time constant evenly in its logarithm
    as_found_sd_pct  spread of CO2 as found about the band's centre at each rate, % CO2 (cut at 2.5)
    noise_sd_pct     of one reading before rounding, % CO2, evenly between
    drift_pct        slow change after a change of rate, spread, % CO2; dies with drift_time_s
    actuation_sd     error of each turn as a share of it
    analyser_sd_pct  constant error of the analyser, % CO2
    band_half_pct    half the width of the band, % CO2
    co_air_free_ppm  CO of a lean flame, ppm air-free, evenly in its logarithm: 3 to 120 ppm on a display at 4.5 % O2
    co_early_chance, co_early_from  share of burners whose CO climbs early, and from where: CO2 as a share of the fuel's
                     maximum; the others climb from `BurnerCO.climbs_from`
    co_peak_ppm, co_peak_time_s  peak on the display at lighting, evenly in its logarithm, and time to fall to 1/e
    co_noise_ppm     noise of a display of CO, apart from 5 % of the figure
    """

    name: str
    gain_offset: tuple[float, float] = (5.0, 0.4)
    gain_throttle: tuple[float, float] = (4.0, 0.4)
    backlash_turns: tuple[float, float] = (0.0, 1 / 32)
    dead_time_s: tuple[float, float] = (5.0, 15.0)
    time_constant_s: tuple[float, float] = (8.0, 25.0)
    as_found_sd_pct: float = 0.8
    noise_sd_pct: tuple[float, float] = (0.02, 0.05)
    drift_pct: float = 0.04
    drift_time_s: float = 120.0
    actuation_sd: float = 0.08
    analyser_sd_pct: float = 0.01
    band_half_pct: float = 0.2
    turndown: tuple[float, float] = (4.0, 6.0)
    co_air_free_ppm: tuple[float, float] = (4.0, 155.0)
    co_early_chance: float = 0.15
    co_early_from: tuple[float, float] = (0.76, 0.82)
    co_peak_ppm: tuple[float, float] = (50.0, 800.0)
    co_peak_time_s: tuple[float, float] = (6.0, 15.0)
    co_noise_ppm: tuple[float, float] = (0.5, 2.0)


BASE = Scenario("base")
SCENARIOS = (
    BASE,
    replace(BASE, name="wide-gain", gain_offset=(5.0, 0.9), gain_throttle=(4.0, 0.9)),
    replace(BASE, name="strong-slack", backlash_turns=(1 / 48, 1 / 16)),
    replace(BASE, name="slow-lag", dead_time_s=(10.0, 20.0), time_constant_s=(25.0, 60.0)),
    replace(BASE, name="narrow-band", band_half_pct=0.1),
    replace(BASE, name="coarse-hand", actuation_sd=0.25),
    Scenario(
        "everything-at-once",
        gain_offset=(5.0, 0.9),
        gain_throttle=(4.0, 0.9),
        backlash_turns=(0.0, 1 / 16),
        dead_time_s=(5.0, 20.0),
        time_constant_s=(8.0, 60.0),
        as_found_sd_pct=1.0,
        noise_sd_pct=(0.02, 0.07),
        drift_pct=0.08,
        actuation_sd=0.2,
        analyser_sd_pct=0.02,
    ),
)
BEYOND = (  # outside what the adviser takes for granted: it trusts the analyser, and its prior is centred on `BASE`
    replace(BASE, name="analyser-off", analyser_sd_pct=0.1),
    Scenario(
        "prior-off",
        gain_offset=(12.5, 0.4),
        gain_throttle=(10.0, 0.4),
        backlash_turns=(1 / 16, 1 / 10),
        drift_pct=0.1,
        drift_time_s=300.0,
    ),
)


@dataclass(frozen=True)
class Reading:
    """What the display shows: dry volume percent, ppm."""

    co2_pct: float
    o2_pct: float
    co_ppm: float

    @property
    def co_air_free_ppm(self) -> float:
        """CO without the surplus air, ppm; O2 as it is when the flame is rich."""
        return self.co_ppm * 20.9 / max(20.9 - self.o2_pct, 0.1)


@dataclass(frozen=True)
class BurnerCO:
    """CO of one burner. As it stands: little and steady, for boilers that show something else.

    air_free_ppm  of a lean flame, ppm air-free
    climbs_from   CO2 as a share of the fuel's maximum near which CO begins to climb
    peak_ppm, peak_time_s  on the display at lighting, and the time in which it falls to 1/e, s
    noise_ppm     of a display, ppm
    """

    air_free_ppm: float = 19.0
    climbs_from: float = 0.85
    peak_ppm: float = 0.0
    peak_time_s: float = 10.0
    noise_ppm: float = 0.0

    def flame_ppm(self, fuel: Fuel, co2_pct: float, *, rich: bool) -> float:
        """Dry ppm of the settled flame: steep close to stoichiometric, per cent when rich."""
        if rich:
            return 3000.0 + 15_000.0 * max(0.0, fuel.co2_max_pct - co2_pct)
        climbing = 20.0 * math.exp((co2_pct - self.climbs_from * fuel.co2_max_pct) / 0.35)
        return min(3000.0, self.air_free_ppm * co2_pct / fuel.co2_max_pct + climbing)

    def left_of_peak_ppm(self, lit_for_s: float) -> float:
        """What is left of the peak so long after lighting, ppm as displayed."""
        return self.peak_ppm * math.exp(-lit_for_s / self.peak_time_s)


def draw_co(scenario: Scenario, rng: np.random.Generator) -> BurnerCO:
    """CO of a burner of a scenario."""

    def evenly_in_logarithm(pair: tuple[float, float]) -> float:
        return math.exp(rng.uniform(*np.log(pair)))

    early = rng.uniform() < scenario.co_early_chance
    early_from = rng.uniform(*scenario.co_early_from)
    return BurnerCO(
        evenly_in_logarithm(scenario.co_air_free_ppm),
        early_from if early else BurnerCO.climbs_from,
        evenly_in_logarithm(scenario.co_peak_ppm),
        rng.uniform(*scenario.co_peak_time_s),
        rng.uniform(*scenario.co_noise_ppm),
    )


@dataclass
class Boiler:
    """One boiler with its valve, hand and analyser. Times in s, turns in turns (clockwise positive).

    opening_per_turn  relative throttle opening per turn; offset_per_turn: P in units of dP at low fire per turn
    The state (`now_s`, positions, what is under way to the display) moves with `wait`, `turn` and `run_at`.
    """

    fuel: Fuel
    ratio: float  # K of equation (1), throttle as found
    offset: float  # P as found, in units of dP at low fire
    opening_per_turn: float
    offset_per_turn: float
    turndown: float
    backlash_turns: dict[Screw, float]
    play_at: dict[Screw, float]  # where in the play the job starts, turns
    dead_time_s: float
    time_constant_s: float
    noise_sd_pct: float
    drift_pct: dict[Firing, float]
    drift_time_s: float
    actuation_sd: float
    analyser_pct: float
    display_step_pct: float
    rng: np.random.Generator
    co: BurnerCO
    co_rng: np.random.Generator
    fault: str = ""
    fault_from_s: float = 0.0
    sample_share: float = 0.93  # of flue gas in the sample where air is drawn in
    now_s: float = 0.0
    firing: Firing | None = None
    firing_since_s: float = 0.0
    lit_at_s: float = 0.0
    hand: dict[Screw, float] = field(default_factory=lambda: {"offset": 0.0, "throttle": 0.0})
    acts: dict[Screw, float] = field(default_factory=dict)
    _shown: float = 0.0
    _aim: float = 0.0
    _shown_at_s: float = 0.0
    _coming: list[tuple[float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.acts = dict(self.play_at)

    @property
    def running(self) -> Firing:
        """The rate that runs."""
        assert self.firing is not None
        return self.firing

    @property
    def lit_for_s(self) -> float:
        """How long the burner has been lit, s."""
        return self.now_s - self.lit_at_s

    # --- what the technician does -----------------------------------------------------------------

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.now_s += seconds

    def run_at(self, firing: Firing) -> None:
        """Change the firing rate; lights the burner where it is off."""
        lit = not self.firing
        self.firing, self.firing_since_s = firing, self.now_s
        if lit:
            self.lit_at_s, self._coming = self.now_s, []
            self._shown = self._aim = self.rng.uniform(0.6, 1.0) * self.settled_pct(firing)
            self._shown_at_s = self.now_s
        self._under_way()

    def off(self) -> None:
        """Put the burner out: the sample is clean air from now on."""
        self.firing = None

    def turn(self, screw: Screw, turns_cw: float) -> None:
        """Turn a screw: the hand errs, the play takes its part, the rest moves the flame."""
        made = turns_cw * (1 + self.actuation_sd * self.rng.standard_normal())
        if self.fault == "hand turns twice as far":
            made *= 2
        self.hand[screw] += made
        half = self.backlash_turns[screw] / 2
        self.acts[screw] = min(max(self.acts[screw], self.hand[screw] - half), self.hand[screw] + half)
        self._under_way()

    def read(self) -> Reading:
        """Look at the display."""
        co2, o2, co = self._sampled()
        noise = self.noise_sd_pct * self.rng.standard_normal() + self.analyser_pct
        slope = 20.95 / self.fuel.co2_max_pct
        return Reading(
            max(0.0, _rounded(co2 + noise, self.display_step_pct)),
            max(0.0, _rounded(o2 - noise * slope, self.display_step_pct)),
            self._shown_co(co, self.rng.standard_normal()),
        )

    def read_co(self) -> float:
        """Look at the CO on the display, ppm."""
        return self._shown_co(self._sampled()[2], self.co_rng.standard_normal())

    def _shown_co(self, co_ppm: float, flicker: float) -> float:
        noise = self.co.noise_ppm * self.co_rng.standard_normal()
        return min(_in_steps(co_ppm * (1 + 0.05 * flicker) + noise), MOST_CO_PPM)

    def display_pct(self) -> float:
        """Where the CO2 display stands, without noise and rounding, dry volume percent."""
        return self._sampled()[0]

    def _sampled(self) -> tuple[float, float, float]:
        """CO2, O2 (dry volume percent) and CO (ppm) that have reached the cells, as the analyser works them out."""
        if not self.firing:
            return 0.0, 20.95, 0.0
        true = self._display_now()
        true += self.drift_pct[self.running] * math.exp(-(self.now_s - self.firing_since_s) / self.drift_time_s)
        co = self.co.flame_ppm(self.fuel, true, rich=self._is_rich())
        co += self.co.left_of_peak_ppm(self.lit_for_s)
        o2 = 0.0 if self._is_rich() else 20.95 * (1 - true / self.fuel.co2_max_pct)
        co2 = true
        if self.fault == "air in the sample" or (
            self.fault == "air in the sample later" and self.now_s >= self.fault_from_s
        ):
            share = self.sample_share
            co2, o2, co = co2 * share, o2 * share + 20.95 * (1 - share), co * share
        if self.fault == "analyser on another fuel":
            co2 = PROPANE.co2_max_pct * (1 - o2 / 20.95)
        return co2, o2, co

    def mend(self) -> None:
        """Put right what is wrong with sample, analyser, gas or air."""
        self.fault = ""
        self._under_way()

    # --- what the flame does ----------------------------------------------------------------------

    def settled_pct(self, firing: Firing) -> float:
        """True settled CO2 at a rate with the screws as they are, dry volume percent."""
        return _co2_pct(self.fuel, self._ratio(firing))

    def settled_after(self, firing: Firing, screw: Screw, turns: float) -> float:
        """The same if the effect of a screw were `turns` further, backlash apart."""
        acts = self.acts[screw]
        self.acts[screw] = acts + turns
        there = self.settled_pct(firing)
        self.acts[screw] = acts
        return there

    def flame(self, firing: Firing) -> Reading:
        """What the flame truly gives at a rate once settled: no air in the sample, no analyser, no rounding."""
        co2, rich = self.settled_pct(firing), self._ratio(firing) > 1
        o2 = 0.0 if rich else 20.95 * (1 - co2 / self.fuel.co2_max_pct)
        return Reading(co2, o2, self.co.flame_ppm(self.fuel, co2, rich=rich))

    def gas_pressure_share(self) -> float:
        """Working gas pressure as a share of the right one; gas flow goes with its square root."""
        return (1 - self._gas_lost()) ** 2 if self.fault == "falling gas pressure" else 1.0

    def _gas_lost(self) -> float:
        return min(0.12, 2e-4 * max(0.0, self.now_s - self.fault_from_s))

    def still_to_come_pct(self) -> float:
        """How far the display is, or is yet to move, from the settled flame because of dead time and lag, % CO2."""
        on_the_way = [self._display_now(), self._aim, *(value for _, value in self._coming)]
        return max(abs(value - self.settled_pct(self.running)) for value in on_the_way)

    def _ratio(self, firing: Firing) -> float:
        throttle, offset = (self._effect(screw) for screw in ("throttle", "offset"))
        opening = 1 + self.opening_per_turn * throttle
        signal = self.turndown**2 if firing == "high" else 1.0
        squared = 1 + (self.offset + self.offset_per_turn * offset) / signal
        ratio = self.ratio * max(opening, 0.05) * math.sqrt(max(squared, 0.05))
        if self.fault == "falling gas pressure" and firing == "high":
            ratio *= 1 - self._gas_lost()
        if self.fault == "blocked intake":
            ratio *= 1 + min(0.2, 2e-4 * max(0.0, self.now_s - self.fault_from_s))
        return ratio

    def _effect(self, screw: Screw) -> float:
        moved = self.acts[screw] - self.play_at[screw]
        return {"reversed screw": -moved, "dead screw": 0.0}.get(self.fault, moved)

    def _is_rich(self) -> bool:
        return self._ratio(self.running) > 1

    def _under_way(self) -> None:
        if self.firing:
            self._coming.append((self.now_s + self.dead_time_s, self.settled_pct(self.firing)))

    def _display_now(self) -> float:
        if self.fault in ("falling gas pressure", "blocked intake"):
            self._coming.append((self.now_s, self.settled_pct(self.running)))
        for at_s, value in [step for step in self._coming if step[0] <= self.now_s]:
            self._relax(at_s)
            self._aim = value
        self._coming = [step for step in self._coming if step[0] > self.now_s]
        self._relax(self.now_s)
        return self._shown

    def _relax(self, at_s: float) -> None:
        gone = max(0.0, at_s - self._shown_at_s)
        self._shown = self._aim + (self._shown - self._aim) * math.exp(-gone / self.time_constant_s)
        self._shown_at_s = max(at_s, self._shown_at_s)


def _co2_pct(fuel: Fuel, ratio: float) -> float:
    """Dry CO2 of a fuel/air ratio. Rich of 1 it falls again; slope from the committed equilibrium table (cantera)."""
    if ratio <= 1:
        return 100 * fuel.co2_made / (fuel.dry_flue + (1 / ratio - 1) * fuel.air_needed)
    return max(0.0, fuel.co2_max_pct - 18.0 * (1 - 1 / ratio))


def _ratio_of(fuel: Fuel, co2_pct: float) -> float:
    """Fuel/air ratio on the lean side that gives this CO2."""
    return 1 / (1 + (100 * fuel.co2_made / co2_pct - fuel.dry_flue) / fuel.air_needed)


def _in_steps(co_ppm: float) -> float:
    """CO as a display shows it: three figures above 1,000 ppm, whole ppm below."""
    return float(f"{co_ppm:.3g}") if co_ppm >= 1000 else max(0.0, float(round(co_ppm)))


def _rounded(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)


def draw(
    scenario: Scenario,
    rng: np.random.Generator,
    centres_pct: Mapping[Firing, float],
    *,
    fuel: Fuel = NATURAL_GAS,
    display_step_pct: float = 0.1,
    fault: str = "",
    stated: Mapping[str, Any] | None = None,
) -> Boiler:
    """A boiler of a scenario whose CO2 as found lies about `centres_pct` (by rate, dry volume percent).

    `stated`: fields of the boiler that are set and not drawn.
    """

    def spread(pair: tuple[float, float]) -> float:
        return pair[0] * math.exp(pair[1] * rng.standard_normal())

    turndown = rng.uniform(*scenario.turndown)
    found = {}
    for firing, centre in centres_pct.items():
        away = float(np.clip(scenario.as_found_sd_pct * rng.standard_normal(), -2.5, 2.5))
        found[firing] = min(centre + away, fuel.co2_max_pct - 0.9)
    squared = {firing: _ratio_of(fuel, co2) ** 2 for firing, co2 in found.items()}
    # equation (1) at both rates gives K and P: f_high^2 = K^2 (1 + P / turndown^2), f_low^2 = K^2 (1 + P)
    ratio_squared = (squared["high"] - squared["low"] / turndown**2) / (1 - 1 / turndown**2)
    offset = squared["low"] / ratio_squared - 1
    if fault == "rich start":
        ratio_squared *= (1.06 / math.sqrt(squared["high"])) ** 2
    (co_rng,) = rng.spawn(1)
    boiler = Boiler(
        fuel=fuel,
        ratio=math.sqrt(ratio_squared),
        offset=offset,
        opening_per_turn=0.0,
        offset_per_turn=0.0,
        turndown=turndown,
        backlash_turns={screw: rng.uniform(*scenario.backlash_turns) for screw in SCREWS},
        play_at={},
        dead_time_s=rng.uniform(*scenario.dead_time_s),
        time_constant_s=math.exp(rng.uniform(*np.log(scenario.time_constant_s))),
        noise_sd_pct=rng.uniform(*scenario.noise_sd_pct),
        drift_pct={firing: scenario.drift_pct * rng.standard_normal() for firing in FIRINGS},
        drift_time_s=scenario.drift_time_s,
        actuation_sd=scenario.actuation_sd,
        analyser_pct=scenario.analyser_sd_pct * rng.standard_normal(),
        display_step_pct=display_step_pct,
        rng=rng,
        co=draw_co(scenario, co_rng),
        co_rng=co_rng,
        fault=fault,
        fault_from_s=float(rng.uniform(200, 700)),
    )
    boiler.play_at = {screw: rng.uniform(-0.5, 0.5) * backlash for screw, backlash in boiler.backlash_turns.items()}
    # the gains are stated near the band: dCO2 = dCO2/df * df, with df/dA = f / A and df/dP = f / (2 (1 + P))
    for screw in reversed(SCREWS):  # in this order: the draws of a seed hang on it
        near = _ratio_of(fuel, centres_pct[FIRING_FOR[screw]])
        slope = (_co2_pct(fuel, near * 1.001) - _co2_pct(fuel, near * 0.999)) / 0.002
        if screw == "throttle":
            boiler.opening_per_turn = spread(scenario.gain_throttle) / slope
        else:
            boiler.offset_per_turn = spread(scenario.gain_offset) / slope * 2 * near**2 / ratio_squared
    for name, value in (stated or {}).items():
        setattr(boiler, name, value)
    boiler.acts = dict(boiler.play_at)
    return boiler
