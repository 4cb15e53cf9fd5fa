"""Whole visits on made-up boilers: the adviser, one who knows the valve, and the rules of thumb.

Every policy works at the same cap, marks and minimum waits, sees the same display and pays the same time for a
reading, a turn and a change of rate. A visit goes high, low, high again, until both rates hold without a move.
"""

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from advisor import Job
from advisor.decision import Advice
from advisor.fuels import NATURAL_GAS
from advisor.simulator import LATER_FAULTS, Boiler, Scenario, draw

START = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
READ_S, TURN_S, CHANGE_S = 8.0, 10.0, 5.0  # time a reading, a turn and a change of rate take
WAIT_S = {"turn": 60.0, "firing": 60.0, "start": 120.0}  # the usual waits, of all but the adviser, which has its own
CENTRES = {"high": 9.2, "low": 8.8}
CAP = {"throttle": 1 / 8, "offset": 1 / 12}
MARK = 1 / 24
FINER = (1, 2, 4, 8)  # parts of a mark that may be turned where coarser ones can't bring it in
TRAVEL_TURNS = 2.0
SCREW = {"high": "throttle", "low": "offset"}
HINTS = {"reversed screw": ("wrong-way",), "dead screw": ("no-effect",)}  # findings that may come as a warning first
NEAR_CO_PCT = NATURAL_GAS.co2_max_pct * (1 - 1.5 / 20.95)
LONGEST_S, MOST_MOVES = 3 * 3600.0, 60


@dataclass
class Outcome:
    """What one visit came to."""

    scenario: str
    policy: str
    seed: int
    fault: str = ""
    finished: bool = False
    halted: str = ""  # code of the finding that stopped the visit
    halted_rightly: bool = False  # whether what it says is true of this boiler
    bad_moves: int = 0  # turns that brought CO2 no nearer to the band while a fault was there to be seen
    hinted_after: int = -1  # bad moves made when a warning or a stop first named the screw
    pushed_pct: float = 0.0  # how far the turns moved the true CO2 beyond the band, at worst
    in_band_high: bool = False
    in_band_low: bool = False
    overshot: bool = False
    near_co: bool = False  # a turn took either rate to where under 1.5 % O2 is left
    minutes: float = 0.0
    moves: int = 0
    readings: int = 0
    predicted: int = 0
    covered: int = 0
    covered_as_shown: int = 0  # with the range rounded as the display rounds, which is how it is told
    cpu_s: float = 0.0

    @property
    def both(self) -> bool:
        """Whether both rates are truly in band."""
        return self.in_band_high and self.in_band_low


class Site:
    """A boiler with a technician who keeps to a policy; watches what truly happens."""

    def __init__(self, scenario: Scenario, policy: str, seed: int, fault: str = "") -> None:
        rng = np.random.default_rng([seed, 20260504])
        half = scenario.band_half_pct
        self.bands = {firing: (centre - half, centre + half) for firing, centre in CENTRES.items()}
        self.boiler: Boiler = draw(scenario, rng, CENTRES, fault=fault)
        self.outcome = Outcome(scenario.name, policy, seed, fault)

    def turn(self, screw: str, turns_cw: float) -> None:
        firing = self.boiler.firing
        found = {rate: self.boiler.settled_pct(rate) for rate in SCREW}
        self.boiler.wait(TURN_S)
        self.boiler.turn(screw, turns_cw)
        left = {rate: self.boiler.settled_pct(rate) for rate in SCREW}
        before, after = found[firing], left[firing]
        if any(found[rate] <= NEAR_CO_PCT < left[rate] for rate in SCREW):
            self.outcome.near_co = True
        low, high = self.bands[firing]
        centre = (low + high) / 2
        if (after > high >= before) or (after < low <= before):
            self.outcome.overshot = True
        self.outcome.moves += 1
        if abs(after - centre) >= abs(before - centre) and self.boiler.now_s >= self.fault_seen_from_s:
            self.outcome.bad_moves += bool(self.boiler.fault)
            self.outcome.pushed_pct = max(self.outcome.pushed_pct, after - high, low - after)

    @property
    def fault_seen_from_s(self) -> float:
        """When the boiler's fault begins; a fault of screw, hand or start is there from the first second."""
        return self.boiler.fault_from_s if self.boiler.fault in LATER_FAULTS else 0.0

    @property
    def co_air_free_ppm(self) -> float:
        return self.last.co_ppm * 20.9 / max(20.9 - self.last.o2_pct, 0.9)

    def read(self) -> float:
        self.boiler.wait(READ_S)
        self.outcome.readings += 1
        self.last = self.boiler.read()
        return self.last.co2_pct

    def run_at(self, firing: str) -> None:
        self.boiler.wait(CHANGE_S)
        self.boiler.run_at(firing)

    def truly_in_band(self, firing: str) -> bool:
        low, high = self.bands[firing]
        return low <= self.boiler.settled_pct(firing) <= high

    def done(self, finished: bool) -> Outcome:
        outcome = self.outcome
        outcome.finished = finished
        outcome.minutes = self.boiler.now_s / 60
        outcome.in_band_high, outcome.in_band_low = self.truly_in_band("high"), self.truly_in_band("low")
        return outcome

    @property
    def too_long(self) -> bool:
        return self.boiler.now_s > LONGEST_S or self.outcome.moves > MOST_MOVES


def advised(
    scenario: Scenario,
    seed: int,
    fault: str = "",
    watch: Callable[[Site, Advice], None] | None = None,
    **facts: object,
) -> Outcome:
    """A visit that does what the adviser says; `watch` is called after every turn with the advice it followed."""
    site = Site(scenario, "adviser", seed, fault)
    job = Job(fuel="natural gas", bands=site.bands, **{"travel_limit_turns": TRAVEL_TURNS, **facts})  # type: ignore[arg-type]

    def at() -> datetime:
        return START + timedelta(seconds=round(site.boiler.now_s, 3))

    while not site.too_long:
        began = time.process_time()
        advice = job.next(at())
        site.outcome.cpu_s = max(site.outcome.cpu_s, time.process_time() - began)
        if site.outcome.hinted_after < 0 and any(f.code in HINTS.get(fault, ()) for f in advice.findings):
            site.outcome.hinted_after = site.outcome.bad_moves
        if advice.action == "finish":
            return site.done(True)
        if advice.action == "halt":
            site.outcome.halted = next(f.code for f in advice.findings if f.severity == "halt")
            site.outcome.halted_rightly = bool(fault) or _is_true(site, site.outcome.halted)
            return site.done(False)
        if advice.action == "run_at":
            assert advice.firing is not None
            site.run_at(advice.firing)
            job.run_at(advice.firing, at=at())
        elif advice.action == "wait":
            assert advice.wait_s is not None
            site.boiler.wait(math.ceil(advice.wait_s))
        elif advice.action == "read":
            site.read()
            low_pct, high_pct = _expected_now(job, at())  # as of the moment the display is read
            site.outcome.predicted += 1
            site.outcome.covered += low_pct <= site.last.co2_pct <= high_pct
            site.outcome.covered_as_shown += round(low_pct, 1) <= site.last.co2_pct <= round(high_pct, 1)
            job.read(site.boiler.firing, site.last.co2_pct, site.last.o2_pct, site.last.co_ppm, at=at())
        else:
            assert advice.screw is not None
            assert advice.turns_cw is not None
            site.turn(advice.screw, advice.turns_cw)
            job.turn(advice.screw, advice.turns_cw, at=at())
            if watch:
                watch(site, advice)
    return site.done(False)


def _expected_now(job: Job, at: datetime) -> tuple[float, float]:
    """The 90 % range of the reading that is about to be logged, % CO2."""
    belief = job.visit(at).belief
    assert belief.firing is not None
    forecast, scale = belief.displayed(at.timestamp()), belief.model.scales[belief.firing]
    return float(scale.co2_pct(forecast.quantile(0.05))), float(scale.co2_pct(forecast.quantile(0.95)))


def _is_true(site: Site, code: str) -> bool:
    """Whether what a halt says is so on this (sound) boiler, by its hidden truth."""
    boiler, firing = site.boiler, site.boiler.firing
    screw, (low, high) = SCREW[firing], site.bands[firing]
    here = boiler.settled_pct(firing)
    match code:
        case "high-co" | "rich":
            return site.co_air_free_ppm > 390
        case "co-climbing":  # CO is near its limit though the flame is in truth too lean
            return site.co_air_free_ppm > 190 and here < low
        case "impossible":  # the flame is in truth as far off as the display says
            return abs(here - site.last.co2_pct) < 0.5 and not low - 4 < here < high + 2.5
        case "no-effect":  # a whole cap moves CO2 by less than a display shows
            return abs(settled_at(boiler, screw, firing, CAP[screw]) - here) < boiler.display_step_pct
        case "no-safe-turn":  # the smallest turn moves CO2 by more than half the band
            return abs(settled_at(boiler, screw, firing, MARK / FINER[-1]) - here) > (high - low) / 2
        case "travel-limit":  # the band is out of reach within the limit
            ends = [
                settled_at(boiler, screw, firing, way * TRAVEL_TURNS - boiler.acts[screw] + boiler.play_at[screw])
                for way in (-1, 1)
            ]
            return max(ends) < low or min(ends) > high
    return False


def settled_at(boiler: Boiler, screw: str, firing: str, turns: float) -> float:
    """True settled CO2 if the effect of a screw were `turns` further."""
    acts = boiler.acts[screw]
    boiler.acts[screw] = acts + turns
    there = boiler.settled_pct(firing)
    boiler.acts[screw] = acts
    return there


def _marks(turns: float, screw: str) -> float:
    """The nearest whole mark within the cap, at least one."""
    most = math.floor(CAP[screw] / MARK + 1e-9)
    count = min(max(1, round(abs(turns) / MARK)), most)
    return math.copysign(count * MARK, turns)


Rule = Callable[[float, list[tuple[float, float]], int, str], float]  # error, (turn, change) so far, move, screw


def fixed(size: float) -> Rule:
    """Always the same turn."""
    return lambda error, past, move, screw: math.copysign(size, error)


def proportional(error: float, past: list[tuple[float, float]], move: int, screw: str) -> float:
    """The error over a gain taken from experience (the medians of the base scenario)."""
    return error / {"offset": 5.0, "throttle": 4.0}[screw]


def harmonic(error: float, past: list[tuple[float, float]], move: int, screw: str) -> float:
    """The harmonic rule: the n-th correction is 1/n of the proportional one (Grubbs 1954)."""
    return proportional(error, past, move, screw) / move


def secant(error: float, past: list[tuple[float, float]], move: int, screw: str) -> float:
    """The gain of the last turn, guarded to a factor of four about experience."""
    usual = {"offset": 5.0, "throttle": 4.0}[screw]
    gain = usual
    if past and past[-1][0]:
        gain = min(max(past[-1][1] / past[-1][0], usual / 4), usual * 4)
    return error / gain


RULES: dict[str, Rule] = {
    "guarded secant": secant,
    "proportional": proportional,
    "harmonic 1/n": harmonic,
    "fixed 1/12": fixed(1 / 12),
    "fixed 1/24": fixed(1 / 24),
}


def by_rule(scenario: Scenario, seed: int, name: str, fault: str = "") -> Outcome:
    """A visit by a rule of thumb: wait, read, in band on the display or turn."""
    site, rule = Site(scenario, name, seed, fault), RULES[name]
    past: dict[str, list[tuple[float, float]]] = {"high": [], "low": []}
    firing, moved, first = "high", True, True
    while True:
        site.run_at(firing)
        site.boiler.wait(WAIT_S["start" if first else "firing"])
        first, shown, turned = False, site.read(), False
        low, high = site.bands[firing]
        while not low - 1e-9 <= shown <= high + 1e-9:
            if site.too_long:
                return site.done(False)
            error = CENTRES[firing] - shown
            turns = _marks(rule(error, past[firing], len(past[firing]) + 1, SCREW[firing]), SCREW[firing])
            site.turn(SCREW[firing], turns)
            site.boiler.wait(WAIT_S["turn"])
            before, shown, turned = shown, site.read(), True
            past[firing].append((turns, shown - before))
        if not moved and not turned:
            return site.done(True)
        moved = turned
        firing = "low" if firing == "high" else "high"


def omniscient(scenario: Scenario, seed: int, fault: str = "") -> Outcome:
    """One who knows the valve: only cap, marks and waits bind; waits longer where this boiler needs it."""
    site = Site(scenario, "omniscient", seed, fault)
    boiler = site.boiler
    firing, read_since_turn, first = "high", set[str](), True
    while not site.too_long:
        site.run_at(firing)
        boiler.wait(max(WAIT_S["start" if first else "firing"], _settling_s(boiler, 1.0 if first else 0.5)))
        first = False
        site.read()
        while True:
            here, centre = boiler.settled_pct(firing), CENTRES[firing]
            screw = SCREW[firing]
            if site.truly_in_band(firing) and abs(here - centre) <= 0.75 * (site.bands[firing][1] - centre):
                break
            best = _best_mark(boiler, screw, firing, site.bands[firing])
            if best == 0.0:
                break
            site.turn(screw, best)
            boiler.wait(max(WAIT_S["turn"], _settling_s(boiler, abs(here - boiler.settled_pct(firing)))))
            site.read()
            read_since_turn.clear()
            if site.too_long:
                return site.done(False)
        read_since_turn.add(firing)
        if len(read_since_turn) == 2:
            return site.done(True)
        firing = "low" if firing == "high" else "high"
    return site.done(False)


def _settling_s(boiler: Boiler, change_pct: float) -> float:
    return boiler.dead_time_s + boiler.time_constant_s * math.log(max(change_pct, 0.05) / 0.05)


def _best_mark(boiler: Boiler, screw: str, firing: str, band: tuple[float, float]) -> float:
    """The turn within the cap that brings the true value closest to the centre: whole marks, parts where those fail."""
    hand, acts, half = boiler.hand[screw], boiler.acts[screw], boiler.slack_turns[screw] / 2
    centre = sum(band) / 2
    best, least = 0.0, abs(boiler.settled_pct(firing) - centre)
    for split in FINER if least < 1 else (1,):  # far off whole marks will do
        step, most = MARK / split, math.floor(CAP[screw] / MARK * split + 1e-9)
        for count in range(-most, most + 1):
            there = hand + count * step
            acting = min(max(acts, there - half), there + half)
            away = abs(settled_at(boiler, screw, firing, acting - acts) - centre)
            if away < least - 1e-9:
                best, least = count * step, away
        if least <= (band[1] - band[0]) / 2:
            break
    return best
