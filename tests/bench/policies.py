"""Whole visits on made-up boilers: the adviser and one who knows the valve; the rules of thumb are in `rules`.

Every policy works at the same cap, marks and minimum waits, sees the same display and pays the same time for a
reading, a turn and a change of rate. A visit goes high, low, high again, until both rates were read in band since the
last turn of any screw.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from advisor import Job
from advisor.chemistry import limits
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.decision.answers import Advice
from advisor.response.situation import Situation
from advisor.training.simulator import LATER_FAULTS, Boiler, Scenario, draw

START = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
READ_S, TURN_S, CHANGE_S = 8.0, 10.0, 5.0  # time a reading, a turn and a change of rate take
CHECK_S = 40.0  # and proving the sample line tight, or measuring the gas pressure
LEAST_PRESSURE = 0.9  # share of the right gas pressure under which a manometer shows it to be wrong; own choice
# Shortest waits; the adviser keeps its own, which are no shorter. After a turn and after a change of rate: common
# practice, no source. After the burner's start: 1. BImSchV Annex 2, law text, as read for the project's job.md.
WAIT_S = {"turn": 60.0, "firing": 30.0, "start": 120.0}
CENTRES = {"high": 9.2, "low": 8.8}
CAP = {"throttle": 1 / 8, "offset": 1 / 12}
MARK = 1 / 24
FINER = (1, 2, 4, 8)  # parts of a mark that may be turned where coarser ones can't bring it in
SCREW = {"high": "throttle", "low": "offset"}
RIGHT_NAMES: dict[str, tuple[str, ...]] = {  # findings that name a fault rightly; where there are none, none can
    "reversed screw": ("wrong-way",),
    "dead screw": ("no-effect",),
    "air in the sample": (),  # from the start it lies on the fuel's own line
    "air in the sample later": ("air-in-sample", "fell", "fell-short"),
    "analyser on another fuel": ("other-fuel",),
    "falling gas pressure": ("air-in-sample", "drift", "fell-again"),  # all tell to look at the gas pressure
    "blocked intake": ("changed-by-itself", "drift"),  # CO2 rises by itself; both tell to look at the air intake
    "rich start": ("rich", "high-co"),
    "hand turns twice as far": (),  # a hand is not told from a livelier screw
}
KINDS = {  # readings by what came before them; the key begins the names of their counts in `Outcome`
    "turned": "after a turn",  # the first that was waited for
    "changed": "after a change of rate",  # the first that was waited for, the start's too
    "early": "on the way",  # the wait is not over
    "again": "read again",  # at the same standstill
}
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
    fault_met: bool = False  # whether the fault had begun when the visit ended
    fault_s: float = 0.0  # how long it had been there by then
    bad_moves: int = 0  # turns that brought CO2 no nearer to the middle of the band while the fault was there
    line_proved: int = 0  # times the advice asked for a proof of a line that was tight
    found_out_pct: float = 0.0  # how far the worse rate lay out of its band when found
    hinted_after: int = -1  # bad moves made when a warning or a stop first named the screw
    pushed_pct: float = 0.0  # how far bad moves took the true CO2 out of the band, beyond where it was found
    in_band_high: bool = False
    in_band_low: bool = False
    overshot: bool = False  # a turn took the rate being set past the far edge
    low_past: bool = False  # a throttle turn took low fire past an edge of its band
    near_co: bool = False  # a turn took either rate to where under 1.5 % O2 is left
    minutes: float = 0.0
    moves: int = 0
    readings: int = 0
    past_said: float = 0.0  # the adviser's stated chances to pass the far edge, added up over its turns
    past_came: int = 0  # turns after which the settled CO2 was truly past it
    predicted: int = 0  # readings for which a 90 % range was reckoned
    covered: int = 0  # how many of them lay in it
    turned_said: int = 0  # the same by kind (`KINDS`)
    turned_held: int = 0
    changed_said: int = 0
    changed_held: int = 0
    early_said: int = 0
    early_held: int = 0
    again_said: int = 0
    again_held: int = 0
    covered_as_shown: int = 0  # with the range rounded as the display rounds, which is how it is told

    def count_reading(self, kind: str, *, held: bool, as_shown: bool) -> None:
        """Count a reading of a kind (`KINDS`)."""
        self.predicted += 1
        self.covered += held
        setattr(self, f"{kind}_said", getattr(self, f"{kind}_said") + 1)
        setattr(self, f"{kind}_held", getattr(self, f"{kind}_held") + held)
        self.covered_as_shown += as_shown

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
        self.found_out_pct = {rate: self._out_pct(rate) for rate in SCREW}
        self.outcome.found_out_pct = max(self.found_out_pct.values())

    def _out_pct(self, firing: str) -> float:
        """How far the true settled CO2 lies out of the band."""
        (low, high), here = self.bands[firing], self.boiler.settled_pct(firing)
        return max(0.0, here - high, low - here)

    def turn(self, screw: str, turns_cw: float) -> None:
        firing = self.boiler.firing
        found = {rate: self.boiler.settled_pct(rate) for rate in SCREW}
        self.boiler.wait(TURN_S)
        self.boiler.turn(screw, turns_cw)
        left = {rate: self.boiler.settled_pct(rate) for rate in SCREW}
        self.outcome.moves += 1
        self.outcome.near_co |= any(found[rate] <= NEAR_CO_PCT < left[rate] for rate in SCREW)
        self.outcome.overshot |= _passed(self.bands[firing], found[firing], left[firing])
        self.outcome.low_past |= screw == "throttle" and _passed(self.bands["low"], found["low"], left["low"])
        no_nearer = abs(left[firing] - CENTRES[firing]) >= abs(found[firing] - CENTRES[firing])
        if self.fault_met and no_nearer:
            self.outcome.bad_moves += 1
            beyond_pct = self._out_pct(firing) - self.found_out_pct[firing]
            self.outcome.pushed_pct = max(self.outcome.pushed_pct, beyond_pct)

    @property
    def fault_met(self) -> bool:
        """Whether the boiler's fault has begun."""
        return bool(self.boiler.fault) and self.boiler.now_s >= self.fault_seen_from_s

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

    def past_far_edge(self, turns_cw: float) -> bool:
        """Whether the true settled CO2 is past the edge that lay ahead of a turn just made (clockwise is richer)."""
        low, high = self.bands[self.boiler.firing]
        there = self.boiler.settled_pct(self.boiler.firing)
        return there > high if turns_cw > 0 else there < low

    def done(self, finished: bool) -> Outcome:
        outcome = self.outcome
        outcome.finished = finished
        outcome.minutes = self.boiler.now_s / 60
        outcome.fault_met = self.fault_met
        outcome.fault_s = self.boiler.now_s - self.fault_seen_from_s if self.fault_met else 0.0
        outcome.in_band_high, outcome.in_band_low = self.truly_in_band("high"), self.truly_in_band("low")
        return outcome

    @property
    def too_long(self) -> bool:
        return self.boiler.now_s > LONGEST_S or self.outcome.moves > MOST_MOVES


def _passed(band: tuple[float, float], before: float, after: float) -> bool:
    """Whether a turn took CO2 past an edge that it was not past before."""
    low, high = band
    return after > high >= before or after < low <= before


def advised(
    scenario: Scenario,
    seed: int,
    fault: str = "",
    watch: Callable[[Site, Advice], None] | None = None,
    **setup: object,
) -> Outcome:
    """A visit that does what the adviser says; `watch` is called after every turn with the advice it followed."""
    site = Site(scenario, "adviser", seed, fault)
    job = Job(fuel="natural gas", bands=site.bands, **setup)
    since = ""  # what the display shows next once waited for, a key of KINDS
    asked_after = -1  # moves made when the gas pressure was last measured because CO2 fell short

    def at() -> datetime:
        return START + timedelta(seconds=round(site.boiler.now_s, 3))

    while not site.too_long:
        advice = job.next(at())
        if site.outcome.hinted_after < 0 and any(f.code in RIGHT_NAMES.get(fault, ()) for f in advice.findings):
            site.outcome.hinted_after = site.outcome.bad_moves
        codes = {finding.code for finding in advice.findings}
        if asks_for_line := codes & {"fell", "fell-short"}:  # to prove the sample line tight again
            site.boiler.wait(CHECK_S)
            if not (site.fault_met and site.boiler.fault.startswith("air in the sample")):
                job.check("sample line", "tight", at=at())
                site.outcome.line_proved += 1
                continue
            site.outcome.halted, site.outcome.halted_rightly = asks_for_line.pop(), True
            return site.done(False)
        if "fell-again" in codes and asked_after < site.outcome.moves:  # to look at the gas pressure
            asked_after = site.outcome.moves
            site.boiler.wait(CHECK_S)
            if site.boiler.gas_pressure_share() < LEAST_PRESSURE:
                site.outcome.halted, site.outcome.halted_rightly = "fell-again", True
                return site.done(False)
            continue
        if advice.action == "finish":
            return site.done(True)
        if advice.action == "halt":
            site.outcome.halted = next(f.code for f in advice.findings if f.severity == "halt")
            site.done(False)
            named = site.outcome.fault_met and site.outcome.halted in RIGHT_NAMES[fault]
            site.outcome.halted_rightly = named or _is_true(site, site.outcome.halted)
            return site.outcome
        if advice.action == "run_at":
            assert advice.firing is not None
            site.run_at(advice.firing)
            job.run_at(advice.firing, at=at())
            since = "changed"
        elif advice.action == "wait":
            assert advice.wait_s is not None
            site.boiler.wait(math.ceil(advice.wait_s))
        elif advice.action == "read":
            site.read()
            visit, shown = job.situation(at()), site.last.co2_pct  # as of the moment the display is read
            low_pct, high_pct = _expected_now(visit)
            kind = "early" if visit.wait_left_s() > 0 else since
            held, as_shown = low_pct <= shown <= high_pct, round(low_pct, 1) <= shown <= round(high_pct, 1)
            site.outcome.count_reading(kind, held=held, as_shown=as_shown)
            since = since if kind == "early" else "again"
            job.read(site.boiler.firing, site.last.co2_pct, site.last.o2_pct, site.last.co_ppm, at=at())
        else:
            assert advice.screw is not None
            assert advice.turns_cw is not None
            site.turn(advice.screw, advice.turns_cw)
            job.turn(advice.screw, advice.turns_cw, at=at())
            since = "turned"
            site.outcome.past_said += advice.chance_past_band or 0.0
            site.outcome.past_came += site.past_far_edge(advice.turns_cw)
            if watch:
                watch(site, advice)
    return site.done(False)


def _expected_now(visit: Situation) -> tuple[float, float]:
    """The 90 % range of the reading that is about to be logged, % CO2."""
    belief = visit.belief
    assert belief.firing is not None
    forecast, scale = belief.displayed(visit.at.timestamp()), belief.model.scales[belief.firing]
    return float(scale.co2_pct(forecast.ppf(0.05))), float(scale.co2_pct(forecast.ppf(0.95)))


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
            reach = (
                limits.USUAL_TRAVEL_TURNS[screw] - boiler.backlash_turns[screw] / 2
            )  # of the effect; the hand is ahead
            end = (reach if here < low else -reach) - boiler.acts[screw]
            way_there = [settled_at(boiler, screw, firing, end * share) for share in np.linspace(0, 1, 20)]
            return all(co2 < low for co2 in way_there) or all(co2 > high for co2 in way_there)
    return False


def settled_at(boiler: Boiler, screw: str, firing: str, turns: float) -> float:
    """True settled CO2 if the effect of a screw were `turns` further."""
    acts = boiler.acts[screw]
    boiler.acts[screw] = acts + turns
    there = boiler.settled_pct(firing)
    boiler.acts[screw] = acts
    return there


def omniscient(
    scenario: Scenario,
    seed: int,
    fault: str = "",
    *,
    zone: float = 0.75,
    first_turn: Callable[[Site, str], float] | None = None,
) -> Outcome:
    """One who knows the valve: only cap, marks and waits bind; waits longer where this boiler needs it.

    zone        the share of the half band about its middle that is near enough, 0 to 1
    first_turn  chooses each screw's first turn (turns clockwise), for one who does not know its gain before
    """
    site = Site(scenario, "omniscient", seed, fault)
    boiler, tried = site.boiler, set[str]()
    firing, read_since_turn, first = "high", set[str](), True
    while not site.too_long:
        site.run_at(firing)
        boiler.wait(max(WAIT_S["start" if first else "firing"], _settling_s(boiler, 1.0 if first else 0.5)))
        first = False
        site.read()
        while True:
            here, centre = boiler.settled_pct(firing), CENTRES[firing]
            screw = SCREW[firing]
            if site.truly_in_band(firing) and abs(here - centre) <= zone * (site.bands[firing][1] - centre) + 1e-12:
                break
            if first_turn and screw not in tried:
                tried.add(screw)
                best = first_turn(site, screw)
            else:
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
    hand, acts, half = boiler.hand[screw], boiler.acts[screw], boiler.backlash_turns[screw] / 2
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
    return best or _through_play(boiler, screw, firing, centre)


def _through_play(boiler: Boiler, screw: str, firing: str, centre: float) -> float:
    """The largest turn towards the centre where play wider than the cap swallows all of it; else 0."""
    turns = math.copysign(math.floor(CAP[screw] / MARK + 1e-9) * MARK, centre - boiler.settled_pct(firing))
    swallowed = abs(boiler.hand[screw] + turns - boiler.acts[screw]) < boiler.backlash_turns[screw] / 2
    return turns if swallowed else 0.0
