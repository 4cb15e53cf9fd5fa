"""Other ways to build the adviser, each on the same boilers: `python tests/bench/alternatives.py --visits 100`.

Every alternative changes one thing and leaves the rest as it is. The boilers are those of the first seeds, on which
things are tuned; the bench's own (`run.FIRST_SEED`) are not among them. The last columns set each beside the adviser as
built on the same boilers: their differences say more than two means with their own errors. A star marks what is told
from none: a mean beyond its 1.96 standard errors, a count where the boilers that differ tell so at 5 % (exact sign
test). Of all these comparisons one in twenty has a star by chance alone; what has none is not shown to be equal.
"""

import argparse
import math
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any
from unittest.mock import patch

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import bench_visit
import numpy as np
from bench_visit import CENTRES, Outcome, in_two
from numpy.typing import ArrayLike, NDArray
from report import markdown, mean, share
from run import BOILERS, some_of
from scipy import optimize, stats

from advisor.decision.candidates import TINY, Move, Setting
from advisor.decision.low_fire import LowFire
from advisor.job_setup.policy import Policy
from advisor.job_setup.prior import Prior
from advisor.log.events import Event
from advisor.response import filter as response_filter
from advisor.response import hypotheses, model
from advisor.response.filter import FilterState
from advisor.response.hypotheses import ScrewHypotheses
from advisor.response.predictive import Mixture
from advisor.response.valve import LinearisedScale
from advisor.screws import FIRING_FOR, SCREWS, Screw
from advisor.training.simulator import Boiler, Scenario

Array = NDArray[np.float64]
STOP_CHANCES = (0.8, 0.9, 0.95, 0.98)
MIDDLE_STARTS = ((0.0, 0.0, 0.20), (1 / 3, 0.0, 0.25), (2 / 3, 0.0, 0.30), (1.0, 0.0, 0.25))
LOG_NORMAL = ((-1.5, 0.159), (-0.5, 0.341), (0.5, 0.341), (1.5, 0.136), (2.5, 0.023))  # a normal law's shares
QUADRATURE = (0.1, 0.5, 0.9)  # quantiles of the next reading that the two-step rule looks at, each a third
ONE_LAG = Prior(dead_time_s=(11.99, 12.01), time_constant_s=(22.2, 22.3))  # the middle of both ranges


class PlainScale(LinearisedScale):
    """CO2 as it is, not linearised in the offset screw."""

    def linearised(self, co2_pct: ArrayLike) -> Array:
        return np.asarray(co2_pct, float)

    def co2_pct(self, linearised: ArrayLike) -> Array:
        return np.clip(np.asarray(linearised, float), 0.0, self.fuel.co2_max_pct)


def _wide_normal(prior: Prior, screw: str) -> tuple[float, float]:
    """Mean and standard deviation of the log-normal gain."""
    middle = prior.gain_per_turn[screw] * np.exp(prior.gain_log_sd**2 / 2)
    return float(middle), float(middle * np.sqrt(np.exp(prior.gain_log_sd**2) - 1))


def conjugate_only(prior: Prior, screw: str, direction_known: bool) -> ScrewHypotheses:
    """One normal gain, no backlash, no faults: what a plain Bayesian regression would have."""
    gain, gain_sd = _wide_normal(prior, screw)
    nothing = np.zeros(2)  # twice the same: an axis of one stands for a screw that was never turned
    return ScrewHypotheses(
        np.full(2, gain), np.full(2, gain_sd), nothing, nothing, np.zeros(2, dtype=bool), np.full(2, 0.5)
    )


def normal_gain(prior: Prior, screw: str, direction_known: bool) -> ScrewHypotheses:
    """One normal gain in place of the nodes of a log-normal; backlash and faults as they are."""
    usual = hypotheses.screw_hypotheses(prior, screw, direction_known)
    middle, sd = _wide_normal(prior, screw)
    gain, gain_sd = np.where(usual.dead, 0.0, np.sign(usual.gain) * middle), np.where(usual.dead, usual.gain_sd, sd)
    return replace(usual, gain=gain, gain_sd=gain_sd)


def squared_distance(here: Setting, forecast: Mixture) -> float:
    """Expected squared distance from the centre, squares of half the band: cautious control of one step."""
    return ((forecast.mean - here.centre) ** 2 + forecast.var) / here.half_band**2


def two_steps(here: Setting) -> Move | None:
    """Of the allowed moves, the one that leaves least to be expected after the move that follows it."""
    mark = here.situation.setup.mark_turns[here.screw]
    for split in here.situation.policy.mark_parts:
        count = int(here.cap_turns / mark * split + TINY)
        moves = here.moves([sign * k * mark / split for k in range(1, count + 1) for sign in (1, -1)])
        allowed = [move for move in moves if here.refusal(move) is None]
        if allowed:
            return min(allowed, key=lambda move: (_left_after(here, move), abs(move.turns_cw)))
    return None


def _left_after(here: Setting, move: Move) -> float:
    """Expected squared distance from the centre after this move, the reading it brings, and the best move then."""
    situation, read_s = here.situation, here.situation.at_s + 90.0
    cap, mark = situation.setup.cap_turns[here.screw], situation.setup.mark_turns[here.screw]
    moved, costs = situation.belief.turned(here.screw, move.turns_cw, situation.at_s), []
    for chance in QUADRATURE:
        co2 = here.co2_pct(moved.displayed(read_s).ppf(chance))
        at = datetime.fromtimestamp(read_s, situation.at.tzinfo)
        taught = moved.after(Event(at, "reading", firing=here.firing, co2_pct=co2))
        after = taught.settled_after(here.firing, here.screw, np.arange(-cap, cap + TINY, mark).tolist())
        costs.append(min((f.mean - here.centre) ** 2 + f.var for f in [*after, taught.settled(here.firing)]))
    return float(np.mean(costs))


def no_refusal(low: LowFire, turns_cw: float, *, direction_sure: bool) -> None:
    """Whatever low fire may come to."""


def at_centres(belief: FilterState) -> dict[str, float]:
    """Both rates taken to stand at the centres of their bands."""
    return {firing: scale.centre_co2_pct for firing, scale in belief.model.scales.items()}


def told(boiler: Boiler, what: str) -> Prior:
    """A prior that knows this boiler's gains, its lag, or both, as nobody on site does: what does not knowing cost?"""
    prior = Prior()
    if "gain" in what:
        gains = {screw: _gain(boiler, screw) for screw in SCREWS}
        prior = replace(prior, gain_per_turn=gains, gain_log_sd=0.08, chance_reversed=0.001, chance_dead=0.001)
    if "lag" in what:
        dead_s, tau_s = ((0.95 * seconds, 1.05 * seconds) for seconds in (boiler.dead_time_s, boiler.time_constant_s))
        prior = replace(prior, dead_time_s=dead_s, time_constant_s=tau_s)
    return prior


def _gain(boiler: Boiler, screw: Screw) -> float:
    """True % CO2 per turn of a screw at the centre of the band."""
    firing = FIRING_FOR[screw]

    def away(turns: float) -> float:
        return boiler.settled_after(firing, screw, turns) - CENTRES[firing]

    here = 0.0 if away(-3.0) * away(3.0) > 0 else float(optimize.brentq(away, -3.0, 3.0))
    return (away(here + 0.001) - away(here - 0.001)) / 0.002


@dataclass(frozen=True)
class Alternative:
    """One change to the adviser.

    setup    keywords of the job, where a field of setup, prior or policy says the change
    patches  what is replaced in the adviser's own code, (where, name, by what), where none does
    told     what it is told of each boiler beforehand
    """

    name: str
    setup: Mapping[str, Any] = field(default_factory=dict)
    patches: tuple[tuple[object, str, object], ...] = ()
    told: str = ""


ALTERNATIVES = (
    Alternative("as built"),
    Alternative("plain CO2, not the linearised scale", patches=((model, "LinearisedScale", PlainScale),)),
    Alternative(
        "throttle's effect at the band's centres", patches=((FilterState, "settled_mean", property(at_centres)),)
    ),
    Alternative("a start like any unlogged change", patches=((response_filter, "START_GAP_PCT", 0.0),)),
    Alternative("noise known more firmly (shape 3.4)", {"prior": Prior(noise_shape=3.4)}),
    Alternative(
        "one conjugate regression, no grids", {"prior": ONE_LAG}, ((model, "screw_hypotheses", conjugate_only),)
    ),
    Alternative("one lag, grids over the rest", {"prior": ONE_LAG}),
    Alternative("log-normal gain without the heavier tail", patches=((hypotheses, "GAIN_NODES", LOG_NORMAL),)),
    Alternative("normal gain, not log-normal", patches=((model, "screw_hypotheses", normal_gain),)),
    Alternative("two-step look-ahead", patches=((Setting, "best", property(two_steps)),)),
    Alternative(
        "least squared distance, a limit at both edges",
        {"policy": Policy(past_rich_turns=5.0)},
        ((Setting, "turns_to_go", squared_distance), (Setting, "keeps_to_the_edge", True)),
    ),
    Alternative("passing the rich edge costs nothing more", {"policy": Policy(past_rich_turns=0.0)}),
    Alternative("first move up to the cap", patches=((Setting, "first_try", False),)),
    *(Alternative(f"a rate is set from {100 * chance:g} % on", {"stop_chance": chance}) for chance in STOP_CHANCES),
    Alternative("without backlash", {"prior": Prior(backlash_turns=1e-6)}),
    Alternative("without where in it the job starts", patches=((hypotheses, "BACKLASH_NODES", MIDDLE_STARTS),)),
    Alternative("without drift after a change of rate", {"prior": Prior(drift_sd_pct=1e-3)}),
    Alternative("without an error shared by a segment", {"prior": Prior(segment_sd_pct=1e-3)}),
    Alternative("without an error of the hand", {"prior": Prior(actuation_sd=1e-3)}),
    Alternative("noise in no doubt", {"prior": Prior(noise_shape=50.0)}),
    Alternative("without the guard of low fire", patches=((LowFire, "refusal", no_refusal),)),
    Alternative("without the guard of the way", patches=((Setting, "direction_sure", True),)),
    Alternative("prior gain narrower (log spread 0.4)", {"prior": Prior(gain_log_sd=0.4)}),
    Alternative("told the valve's gains", told="gain"),
    Alternative("told the lag", told="lag"),
    Alternative("told gains and lag", told="gain lag"),
)
HEADER = (
    "boilers", "adviser", "truly in band at both rates, %", "ever overshot, %", "minutes", "moves",
    "90 % interval holds, %", "halted, %", "minutes, difference (boilers both finished)",
    "overshot: it / as built (only it / only as built)", "out of band at the end, likewise", "not finished, likewise",
    "90 % interval holds, difference, %",
)  # fmt: skip


def outcome(task: tuple[str, int, Mapping[str, Any], str]) -> Outcome:
    """What one visit comes to: scenario, seed, keywords of the job, what is told."""
    name, seed, setup, what = task
    scenario: Scenario = BOILERS[name]
    known = {"prior": told(bench_visit.visit_to(scenario, seed).boiler, what)} if what else {}
    return bench_visit.advised(scenario, seed, **setup, **known)


def outcomes(alternative: Alternative, scenario: str, visits: int) -> list[Outcome]:
    """Visits of one alternative, on the same boilers as any other; `in_two` forks with the change already made."""
    tasks = [(scenario, seed, alternative.setup, alternative.told) for seed in range(visits)]
    with ExitStack() as stack:
        for where, name, new in alternative.patches:
            stack.enter_context(patch.object(where, name, new))
        return in_two(outcome, tasks, f"{scenario}: {alternative.name}", chunksize=2)


def row(alternative: Alternative, scenario: str, done: list[Outcome]) -> tuple[str, ...]:
    """The first columns of a row."""
    ended = [o for o in done if o.finished]
    return (
        scenario,
        alternative.name,
        share(sum(o.both for o in ended), len(ended)),
        share(sum(o.overshot for o in done), len(done)),
        mean(o.minutes for o in ended),
        mean(o.moves for o in ended),
        share(sum(o.covered for o in done), sum(o.predicted for o in done)),
        share(sum(bool(o.halted) for o in done), len(done)),
    )


# ---- beside the adviser as built, boiler by boiler


def difference(values: Iterable[float]) -> tuple[float, float]:
    """A mean of one difference a boiler, with 1.96 standard errors; with fewer than two boilers these are not known."""
    array = np.array(list(values), dtype=float)
    if array.size < 2:
        return float(array.sum()), math.inf
    return float(array.mean()), float(1.96 * array.std(ddof=1) / math.sqrt(array.size))


def starred(mean: float, error: float) -> str:
    """A difference in words."""
    return f"{mean:+.1f} ± {error:.1f}{' *' if abs(mean) > error else ''}"


def counted(pairs: Iterable[tuple[bool, bool]]) -> str:
    """In how many visits something happened: with the alternative, as built, and with one but not the other."""
    other, built = np.array(list(pairs), dtype=bool).reshape(-1, 2).T
    only_other, only_built = int((other & ~built).sum()), int((built & ~other).sum())
    differ = only_other + only_built
    star = " *" if differ and stats.binomtest(only_other, differ).pvalue < 0.05 else ""
    return f"{other.sum()} / {built.sum()} ({only_other} / {only_built}){star}"


def held(other: Sequence[Outcome], built: Sequence[Outcome]) -> tuple[float, float]:
    """Difference of the shares of readings within their range, %; the readings of one visit hang together."""

    def parts(done: Sequence[Outcome]) -> tuple[float, NDArray[np.float64]]:
        covered, predicted = np.array([(o.covered, o.predicted) for o in done], float).T
        share = float(covered.sum() / predicted.sum())
        return 100 * share, 100 * (covered - share * predicted) / predicted.mean()  # what each visit does to the share

    (one, by_one), (two, by_two) = parts(other), parts(built)
    return one - two, difference(by_one - by_two)[1]


def differences(other: Sequence[Outcome], built: Sequence[Outcome]) -> tuple[str, ...]:
    """The last five columns, from the visits of both, boiler by boiler in the same order.

    Minutes and ends out of band are of the boilers that both finished, the rest of all.
    """
    pairs = list(zip(other, built, strict=True))
    assert all(o.seed == b.seed for o, b in pairs)
    ended = [(o, b) for o, b in pairs if o.finished and b.finished]
    return (
        f"{starred(*difference(o.minutes - b.minutes for o, b in ended))} ({len(ended)})",
        counted((o.overshot, b.overshot) for o, b in pairs),
        counted((not o.both, not b.both) for o, b in ended),
        counted((not o.finished, not b.finished) for o, b in pairs),
        starred(*held(other, built)),
    )


def compared(scenario: str, visits: int, others: Sequence[Alternative] = ALTERNATIVES) -> list[tuple[str, ...]]:
    """Rows of the table, under `HEADER`; the first alternative is the adviser as built."""
    done = [outcomes(alternative, scenario, visits) for alternative in others]
    beside = [("",) * 5, *(differences(found, done[0]) for found in done[1:])]
    return [(*row(other, scenario, found), *more) for other, found, more in zip(others, done, beside, strict=True)]


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--visits", type=int, default=100)
    parser.add_argument("--scenarios", type=some_of(BOILERS), default=["base", "everything-at-once"])
    asked = parser.parse_args(words)
    print(markdown(HEADER, [row for name in asked.scenarios for row in compared(name, asked.visits)]), end="")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
