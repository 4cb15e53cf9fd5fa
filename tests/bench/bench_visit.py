"""Whole visits of the bench: the boiler of each seed, what a visit came to, and whether a stop was right.

Every policy (`advisor.training.strategies`) works at the same cap, marks and least waits, sees the same display and
pays the same time for a reading, a turn and a change of rate. A visit goes high, low, high again, until both rates were
read in band since the last turn of any screw.
"""

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from multiprocessing import get_context
from typing import Any, TypeVar

import numpy as np
from peer import gaussian_process
from rich.console import Console
from rich.progress import track

from advisor.chemistry import limits
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.decision.answers import Advice
from advisor.messages import Finding
from advisor.response.situation import Situation
from advisor.screws import FIRINGS, SCREW_FOR, Firing
from advisor.training.simulated_visit import DONE, Act, SimulatedVisit, VisitSettings, overshot
from advisor.training.simulator import Reading, Scenario, draw
from advisor.training.strategies import MARK_PARTS, RULES, act, by_rule, most_low_pct, omniscient, peak_fell

START = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
SETTINGS = VisitSettings(check_s=40.0, longest_s=3 * 3600.0, most_turns=61)
LEAST_PRESSURE = 0.9  # share of the right gas pressure under which a manometer shows it to be wrong; own choice
CENTRES: dict[Firing, float] = {"high": 9.2, "low": 8.8}
DOUBTS = {  # codes of findings and reasons that doubt screw, line or gas
    "wrong-way", "no-effect", "fell", "fell-short", "fell-again", "air-in-sample", "pressure-due", "changed-by-itself",
    "drift",
    "maybe-against", "way-in-doubt", "shortfall", "turn-unseen",
}  # fmt: skip
RIGHT_NAMES: dict[str, tuple[str, ...]] = {  # findings that name a fault rightly; where there are none, none can
    "reversed screw": ("wrong-way",),
    "dead screw": ("no-effect",),
    "air in the sample": (),  # from the start it lies on the fuel's own line
    "air in the sample later": ("air-in-sample", "fell", "fell-short"),
    "analyser on another fuel": ("other-fuel",),
    "falling gas pressure": (
        "air-in-sample",
        "pressure-due",
        "drift",
        "fell-again",
    ),  # all tell to look at the gas pressure
    "blocked intake": ("changed-by-itself", "drift"),  # CO2 rises by itself; both tell to look at the air intake
    "rich start": ("rich", "high-co"),
    "hand turns twice as far": (),  # a hand is not told from a livelier screw
}
KINDS = {  # readings by what came before them; the key begins the names of their counts in `Outcome`
    "turned": "after a turn",  # the first that was waited for
    "changed": "after a change of rate",  # the first that was waited for, the start's too
    "early": "on the way",  # the wait is not over
    "again": "read again",  # in the same segment
}
NEAR_CO_PCT = NATURAL_GAS.co2_max_pct * (1 - 1.5 / 20.95)
CO_CODES = ("rich", "high-co", "co-climbing", "co-no-flame", "co-rising", "co-climbs", "co-by-itself")
CO_PLAY = 0.9
ADVISER, OMNISCIENT, PEER = "adviser", "omniscient", "Gaussian process"
Strategy = Callable[[SimulatedVisit], SimulatedVisit]
STRATEGIES: dict[str, Strategy] = {
    OMNISCIENT: omniscient,
    PEER: gaussian_process,
    **{name: partial(by_rule, rule=replace(rule, minds_low=True)) for name, rule in RULES.items()},
}


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
    rich_past: bool = False  # a turn richer took the rate being set past the rich edge
    lean_past_pct: float = 0.0  # how far beyond the lean edge turns leaner took the rate being set, at most
    low_over: bool = (
        False  # a throttle turn richer took low fire above the most it may have (`strategies.most_low_pct`)
    )
    low_pushed_pct: float = 0.0  # how far throttle turns took low fire above band and start, at most
    doubted: bool = False  # the adviser doubted screw, line or gas, in whatever words
    minutes: float = 0.0
    moves: int = 0
    readings: int = 0
    past_said: float = 0.0  # the adviser's stated chances to pass the far edge, added up over its turns
    past_came: int = 0  # turns after which the settled CO2 was truly past it
    predicted: int = 0  # readings for which a 90 % range was worked out
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
    co_peak_said: bool = False  # CO of the start was pointed out, before readings count
    co_stopped: str = ""  # codes of stops for CO at some moment of the visit, parted by blanks; only the adviser's
    co_stopped_wrongly: str = ""  # those of them that the flame was not: see `CoWatch`
    co_warned: str = ""
    co_warned_wrongly: str = ""

    @property
    def both(self) -> bool:
        """Whether both rates are truly in band."""
        return self.in_band_high and self.in_band_low


def visit_to(scenario: Scenario, seed: int, fault: str = "", **setup: Any) -> SimulatedVisit:
    """A visit to the boiler of this seed, nothing done yet; `setup`: further keywords of the job."""
    boiler = draw(scenario, np.random.default_rng([seed, 20260504]), CENTRES, fault=fault)
    return SimulatedVisit(boiler, {**facts(scenario), **setup}, SETTINGS, START)


def facts(scenario: Scenario) -> dict[str, Any]:
    """Keywords of the job at every boiler of a scenario."""
    half = scenario.band_half_pct
    bands = {firing: (centre - half, centre + half) for firing, centre in CENTRES.items()}
    return {"fuel": "natural gas", "bands": bands}


def outcome_of(visit: SimulatedVisit, scenario: Scenario, policy: str, seed: int, **more: Any) -> Outcome:
    """What a visit came to."""
    boiler, turns, bad = visit.boiler, visit.turns, bad_turns(visit)
    out_pct = {firing: _out_pct(visit, firing, flame.co2_pct) for firing, flame in visit.as_found.items()}
    pushed = [_out_pct(visit, turn.running, turn.co2_pct()[1]) - out_pct[turn.running] for turn in bad]
    moved = [turn.co2_pct(firing) for turn in turns for firing in FIRINGS]
    set_here = [(*visit.bands[turn.running], *turn.co2_pct()) for turn in turns]
    lows = [turn.co2_pct("low") for turn in turns if turn.screw == "throttle"]
    most_pct, start_pct = most_low_pct(visit), max(visit.bands["low"][1], visit.as_found["low"].co2_pct)
    return Outcome(
        scenario.name,
        policy,
        seed,
        boiler.fault,
        finished=visit.ending == DONE,
        fault_met=visit.fault_begun,
        fault_s=boiler.now_s - visit.fault_from_s if visit.fault_begun else 0.0,
        bad_moves=len(bad),
        found_out_pct=max(out_pct.values()),
        pushed_pct=max([0.0, *pushed]),
        in_band_high=visit.in_band("high"),
        in_band_low=visit.in_band("low"),
        overshot=any(overshot(visit.bands[turn.running], *turn.co2_pct()) for turn in turns),
        low_past=any(overshot(visit.bands["low"], *low) for low in lows),
        rich_past=any(after > high >= before for _, high, before, after in set_here),
        lean_past_pct=max([0.0, *(low - after for low, _, before, after in set_here if after < min(low, before))]),
        low_over=any(after > max(most_pct, before) for before, after in lows),
        low_pushed_pct=max([0.0, *(after - start_pct for before, after in lows if after > before)]),
        near_co=any(before <= NEAR_CO_PCT < after for before, after in moved),
        minutes=boiler.now_s / 60,
        moves=len(turns),
        readings=len(visit.readings),
        **more,
    )


def bad_turns(visit: SimulatedVisit) -> list[Act]:
    """The turns that brought CO2 no nearer to the middle of the band while the fault was there."""
    if not visit.boiler.fault:
        return []
    met = [(turn, visit.centres_pct[turn.running]) for turn in visit.turns if turn.at_s >= visit.fault_from_s]
    return [turn for turn, centre in met if abs(turn.co2_pct()[1] - centre) >= abs(turn.co2_pct()[0] - centre)]


def _out_pct(visit: SimulatedVisit, firing: Firing, co2_pct: float) -> float:
    """How far a CO2 lies out of the band."""
    low, high = visit.bands[firing]
    return max(0.0, co2_pct - high, low - co2_pct)


def past_far_edge(visit: SimulatedVisit, turn: Act) -> bool:
    """Whether the true settled CO2 is past the edge that lay ahead of a turn just made (clockwise is richer)."""
    low, high = visit.bands[turn.running]
    there = turn.co2_pct()[1]
    return there > high if turn.turns_cw > 0 else there < low


def by_strategy(
    scenario: Scenario, seed: int, policy: str, fault: str = "", strategy: Strategy | None = None
) -> Outcome:
    """A visit by one of STRATEGIES, or another that is given."""
    visit = visit_to(scenario, seed, fault)
    return outcome_of((strategy or STRATEGIES[policy])(visit), scenario, policy, seed)


def advised(
    scenario: Scenario,
    seed: int,
    fault: str = "",
    watch: Callable[[SimulatedVisit, Advice], None] | None = None,
    visit: SimulatedVisit | None = None,
    **setup: Any,
) -> Outcome:
    """A visit that does what the adviser says; `watch` is called after every turn with the advice it followed.

    visit  one that was made already, nothing done yet; left out: to the boiler of this seed
    """
    visit, counts = visit or visit_to(scenario, seed, fault, **setup), Counter[str]()
    co = CoWatch(visit)
    ended: dict[str, Any] = {}
    since = ""  # what the display shows next once waited for, a key of KINDS
    asked_after = -1  # turns made when the gas pressure was last measured because CO2 fell short
    past_said = 0.0
    while not visit.given_up and not ended.get("halted"):
        advice = visit.job.next(visit.at)
        codes = {finding.code for finding in advice.findings}
        co.heard(advice.findings)
        ended["doubted"] = ended.get("doubted", False) or bool(DOUBTS & (codes | {why.code for why in advice.why}))
        if "hinted_after" not in ended and codes & set(RIGHT_NAMES.get(fault, ())):
            ended["hinted_after"] = len(bad_turns(visit))
        if asks_for_line := codes & {"fell", "fell-short"}:  # to prove the sample line tight again
            visit.check("line")
            if visit.found:
                ended |= {"halted": min(asks_for_line), "halted_rightly": True}
            else:
                counts["line_proved"] += 1
        elif "fell-again" in codes and asked_after < len(visit.turns):  # to look at the gas pressure
            asked_after = len(visit.turns)
            visit.wait(SETTINGS.check_s)
            if visit.boiler.gas_pressure_share() < LEAST_PRESSURE:
                ended |= {"halted": "fell-again", "halted_rightly": True}
        elif advice.action == "finish":
            visit.ending = DONE
            break
        elif advice.action == "halt" and peak_fell(visit, advice):
            continue
        elif advice.action == "halt":
            code = advice.stops[0].code
            named = visit.fault_begun and code in RIGHT_NAMES[fault]
            ended |= {"halted": code, "halted_rightly": named or is_true(visit, code)}
        else:
            situation = visit.job.situation(visit.at)
            act(visit, advice)
            if advice.action == "read":
                since = _count_reading(counts, visit, situation, since)
                co.reading()
            elif advice.action == "turn":
                past_said += advice.chance_past_band or 0.0
                counts["past_came"] += past_far_edge(visit, visit.acts[-1])
                if watch:
                    watch(visit, advice)
            since = {"turn": "turned", "run_at": "changed"}.get(advice.action, since)
    return outcome_of(visit, scenario, ADVISER, seed, past_said=past_said, **counts, **co.counts(), **ended)


def _count_reading(counts: Counter[str], visit: SimulatedVisit, before: Situation, since: str) -> str:
    """Count a reading against the 90 % range that was known of it; returns what the next one is."""
    now, shown = replace(before, at=visit.at), visit.readings[-1].co2_pct
    low_pct, high_pct = expected_now(now)
    kind, held = "early" if now.wait_left_s > 0 else since, int(low_pct <= shown <= high_pct)
    counts.update({"predicted": 1, "covered": held, f"{kind}_said": 1, f"{kind}_held": held})
    counts["covered_as_shown"] += round(low_pct, 1) <= shown <= round(high_pct, 1)
    return since if kind == "early" else "again"


class CoWatch:
    """Whether what the adviser says of CO is true of the flame: of the settled one, without noise and start peak.

    A finding is wrong where the flame falls short by more than a tenth (`CO_PLAY`, a display's noise) of what it says.
    """

    def __init__(self, visit: SimulatedVisit) -> None:
        self.visit = visit
        self.read: dict[Firing, list[Reading]] = {firing: [] for firing in FIRINGS}  # flames as read, by rate
        self.peak_said = False
        self.said: dict[tuple[str, Firing | None], tuple[bool, bool]] = {}  # stop or not, true or not

    def reading(self) -> None:
        """A reading was taken."""
        firing = self.visit.boiler.running
        self.read[firing].append(self.visit.boiler.flame(firing))

    def heard(self, findings: Iterable[Finding]) -> None:
        """Judge what is said for the first time."""
        for finding in findings:
            a_stop = finding.severity == "halt"
            span_s = self.visit.job.setup.policy.just_lit_s if a_stop else limits.START_WAIT_S
            if finding.code in CO_CODES and self.visit.boiler.lit_for_s < span_s:
                self.peak_said = True  # CO of the start: it is told to see whether it falls
            elif (key := (finding.code, finding.firing)) not in self.said and finding.code in CO_CODES:
                self.said[key] = a_stop, self._true(finding)

    def _true(self, finding: Finding) -> bool:
        policy, flames = self.visit.job.setup.policy, self.read[finding.firing] if finding.firing else []
        now = flames[-1].co_air_free_ppm if flames else 0.0
        least = min((flame.co_air_free_ppm for flame in flames), default=0.0)

        def up(times: float, by_ppm: float) -> bool:
            return now >= CO_PLAY * times * least and now - least >= CO_PLAY * by_ppm

        limit = limits.CO_AIR_FREE_PPM
        jumped = now > CO_PLAY * policy.co_jump_ppm and up(policy.co_jump_times, 0.0)
        match finding.code:
            case "high-co" | "rich":
                return any(flame.co_air_free_ppm > CO_PLAY * limit for flame in flames)
            case "co-climbing":  # over what bars a turn richer, or leapt up
                return now > CO_PLAY * policy.co_bar_ppm or jumped
            case "co-rising" if finding.variant != "climbs":
                return now > CO_PLAY * limit * policy.co_near_share
            case "co-climbs":
                return up(policy.co_climb_times, policy.co_climb_ppm)
            case "co-rising" | "co-by-itself":
                return jumped
        return False

    def counts(self) -> dict[str, Any]:
        """The codes, as fields of `Outcome`."""

        def codes(stop: bool, wrong_only: bool) -> str:
            said = [
                code
                for (code, _), (is_stop, true) in self.said.items()
                if is_stop == stop and not (true and wrong_only)
            ]
            return " ".join(sorted(set(said)))

        return {
            "co_peak_said": self.peak_said,
            "co_stopped": codes(True, False),
            "co_stopped_wrongly": codes(True, True),
            "co_warned": codes(False, False),
            "co_warned_wrongly": codes(False, True),
        }


def expected_now(situation: Situation) -> tuple[float, float]:
    """The 90 % range of a reading taken at this moment, % CO2."""
    belief = situation.belief
    assert belief.firing is not None
    forecast, scale = belief.displayed(situation.at_s), belief.model.scales[belief.firing]
    return float(scale.co2_pct(forecast.ppf(0.05))), float(scale.co2_pct(forecast.ppf(0.95)))


def is_true(visit: SimulatedVisit, code: str) -> bool:
    """Whether what a halt says is so on this (sound) boiler, by its hidden truth."""
    boiler = visit.boiler
    firing = boiler.running
    screw, (low, high) = SCREW_FOR[firing], visit.bands[firing]
    here, flame, setup = boiler.settled_pct(firing), boiler.flame(firing), visit.job.setup
    shown = visit.readings[-1] if visit.readings else flame
    match code:
        case "high-co" | "rich":
            return flame.co_air_free_ppm > CO_PLAY * limits.CO_AIR_FREE_PPM
        case "co-climbing":  # CO bars turns richer though the flame is in truth too lean
            return shown.co_air_free_ppm > 190 and here < low
        case "impossible":  # the flame is in truth as far off as the display says
            return abs(here - shown.co2_pct) < 0.5 and not low - 4 < here < high + 2.5
        case "no-effect":  # a whole cap moves CO2 by less than a display shows
            moved = boiler.settled_after(firing, screw, setup.cap_turns[screw]) - here
            return abs(moved) < boiler.display_step_pct
        case "no-safe-turn":  # the smallest turn moves CO2 by more than half the band
            smallest = setup.mark_turns[screw] / MARK_PARTS[-1]
            return abs(boiler.settled_after(firing, screw, smallest) - here) > (high - low) / 2
        case (
            "travel-limit"
        ):  # the band is out of reach within the limit; the hand is ahead of the effect by half the play
            reach = limits.USUAL_TRAVEL_TURNS[screw] - boiler.backlash_turns[screw] / 2
            end = math.copysign(reach, low - here) - boiler.acts[screw]
            way_there = [boiler.settled_after(firing, screw, end * share) for share in np.linspace(0, 1, 20)]
            return all(co2 < low for co2 in way_there) or all(co2 > high for co2 in way_there)
    return False


Task = TypeVar("Task")
Result = TypeVar("Result")


def in_two(one: Callable[[Task], Result], tasks: Sequence[Task], what: str, chunksize: int = 4) -> list[Result]:
    """What `one` gives for each task, in their order, worked out by two processes; a progress bar on standard error.

    The processes are forked: they start with what was changed in this one, which new ones would know nothing of.
    """
    with get_context("fork").Pool(2) as pool:
        done = pool.imap(one, tasks, chunksize=chunksize)
        return list(track(done, what, total=len(tasks), console=Console(stderr=True), transient=True))
