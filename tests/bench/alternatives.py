"""Other ways to build the adviser, each on the same boilers: `python tests/bench/alternatives.py --visits 100`.

Every alternative changes one thing and leaves the rest as it is. The table says what the change does. The boilers are
those of the first seeds, on which things are tuned; the bench's own (`run.FIRST_SEED`) are not among them.
"""

import argparse
import os
import sys
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, ExitStack, nullcontext
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from unittest.mock import patch

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import policies
from numpy.typing import ArrayLike, NDArray
from policies import Outcome
from pool import in_two
from report import markdown, mean, share
from run import BOILERS, at_least, some_of
from scipy import optimize

from advisor.decision import candidates as rate
from advisor.decision.candidates import Move, Setting
from advisor.job_setup.prior import Prior
from advisor.log.events import Event
from advisor.response import filter as response
from advisor.response import hypotheses, model
from advisor.response.filter import FilterState
from advisor.response.hypotheses import LagHypotheses, ScrewHypotheses
from advisor.response.valve import LinearisedScale
from advisor.training.simulator import Boiler, Scenario

Array = NDArray[np.float64]
LOG_NORMAL = ((-1.5, 0.159), (-0.5, 0.341), (0.5, 0.341), (1.5, 0.136), (2.5, 0.023))  # a normal law's shares
QUADRATURE = (0.1, 0.5, 0.9)  # quantiles of the next reading that the two-step rule looks at, each a third


class PlainScale(LinearisedScale):
    """CO2 as it is, not stretched into a straight line of the offset screw."""

    def linearised(self, co2_pct: ArrayLike) -> Array:
        return np.asarray(co2_pct, float)

    def co2_pct(self, linearised: ArrayLike) -> Array:
        return np.clip(np.asarray(linearised, float), 0.0, self.fuel.co2_max_pct)


def one_lag(prior: Prior) -> LagHypotheses:
    """A single lag: the middle of both ranges."""
    dead_s, tau_s = np.mean(prior.dead_time_s), np.sqrt(np.prod(prior.time_constant_s))
    return LagHypotheses(np.array([dead_s]), np.array([tau_s]), np.ones(1))


def _wide_normal(prior: Prior, screw: str) -> tuple[float, float]:
    """Mean and spread of the log-normal gain."""
    middle = prior.gain_per_turn[screw] * np.exp(prior.gain_log_sd**2 / 2)
    return float(middle), float(middle * np.sqrt(np.exp(prior.gain_log_sd**2) - 1))


def conjugate_only(prior: Prior, screw: str, direction_known: bool) -> ScrewHypotheses:
    """One normal gain, no slack, no faults: what a plain Bayesian regression would have."""
    middle, spread = _wide_normal(prior, screw)
    nothing = np.zeros(2)  # twice the same: an axis of one stands for a screw that was never turned
    return ScrewHypotheses(
        np.full(2, middle), np.full(2, spread), nothing, nothing, np.zeros(2, dtype=bool), np.full(2, 0.5)
    )


def normal_gain(prior: Prior, screw: str, direction_known: bool) -> ScrewHypotheses:
    """One normal gain in place of the nodes of a log-normal; slack and faults as they are."""
    usual = hypotheses.screw_hypotheses(prior, screw, direction_known)
    middle, spread = _wide_normal(prior, screw)
    sign = np.sign(usual.gain)
    gain, gain_sd = np.where(usual.dead, 0.0, sign * middle), np.where(usual.dead, usual.gain_sd, spread)
    return replace(usual, gain=gain, gain_sd=gain_sd)


def two_steps(here: Setting) -> Move | None:
    """Of the allowed moves, the one that leaves least to be expected after the move that follows it."""
    mark = here.visit.setup.mark_turns[here.screw]
    for split in rate.FINER:
        count = int(here.cap_turns / mark * split + rate.TINY)
        moves = here.moves([sign * k * mark / split for k in range(1, count + 1) for sign in (1, -1)])
        allowed = [move for move in moves if here.refusal(move) is None]
        if allowed:
            return min(allowed, key=lambda move: (_left_after(here, move), abs(move.turns_cw)))
    return None


def _left_after(here: Setting, move: Move) -> float:
    """Expected squared distance from the centre after this move, the reading it brings, and the best move then."""
    belief, now_s = here.visit.belief, here.visit.at.timestamp()
    centre, cap = belief.model.scales[here.firing].centre_co2_pct, here.visit.setup.cap_turns[here.screw]
    moved = belief.turned(here.screw, move.turns_cw, now_s)
    read_s = now_s + 90.0
    forecast, costs = moved.displayed(read_s), []
    for chance in QUADRATURE:
        co2 = here.co2_pct(forecast.ppf(chance))
        at = datetime.fromtimestamp(read_s, here.visit.at.tzinfo)
        taught = moved.after(Event(at, "reading", firing=here.firing, co2_pct=co2))
        turns = np.arange(-cap, cap + 1e-9, here.visit.setup.mark_turns[here.screw]).tolist()
        after = taught.settled_after(here.firing, here.screw, turns)
        costs.append(min((f.mean - centre) ** 2 + f.var for f in [*after, taught.settled(here.firing)]))
    return float(np.mean(costs))


def at_centres(belief: FilterState) -> dict[str, float]:
    """Both rates taken to stand at the centres of their bands."""
    return {firing: scale.centre_co2_pct for firing, scale in belief.model.scales.items()}


def _patched(*changes: tuple[object, str, object]) -> Callable[[], AbstractContextManager[Any]]:
    def patched() -> AbstractContextManager[Any]:
        stack = ExitStack()
        for where, name, new in changes:
            stack.enter_context(patch.object(where, name, new))
        return stack

    return patched


def told(scenario: Scenario, seed: int, what: str) -> dict[str, object]:
    """A prior that knows this boiler's gains, its lag, or both, as nobody on site does: what does not knowing cost?"""
    boiler = policies.Site(scenario, "told", seed).boiler
    prior: dict[str, object] = {}
    if "gain" in what:
        gains = {screw: _gain(boiler, screw, firing) for firing, screw in policies.SCREW.items()}
        prior |= {"gain_per_turn": gains, "gain_log_sd": 0.08, "chance_reversed": 0.001, "chance_dead": 0.001}
    if "lag" in what:
        prior["dead_time_s"] = (0.95 * boiler.dead_time_s, 1.05 * boiler.dead_time_s)
        prior["time_constant_s"] = (0.95 * boiler.time_constant_s, 1.05 * boiler.time_constant_s)
    return {"prior": prior}


def _gain(boiler: Boiler, screw: str, firing: str) -> float:
    """True % CO2 per turn of a screw at the centre of the band."""

    def away(turns: float) -> float:
        return policies.settled_at(boiler, screw, firing, turns) - policies.CENTRES[firing]

    here = 0.0 if away(-3.0) * away(3.0) > 0 else float(optimize.brentq(away, -3.0, 3.0))
    return (away(here + 0.001) - away(here - 0.001)) / 0.002


@dataclass(frozen=True)
class Alternative:
    """A change to the adviser, facts that go with it, and what it is told of each boiler beforehand."""

    name: str
    change: Callable[[], AbstractContextManager[Any]] = nullcontext
    setup: tuple[tuple[str, object], ...] = ()
    told: str = ""


ALTERNATIVES = (
    Alternative("as built"),
    Alternative("plain CO2, not the straight scale", _patched((model, "StraightScale", PlainScale))),
    Alternative("throttle's effect at the band's centres", _patched((FilterState, "stands", property(at_centres)))),
    Alternative("a start like any unlogged change", _patched((response, "START_GAP_PCT", 0.0))),
    Alternative("noise known more firmly (shape 3.4)", setup=(("prior", {"noise_shape": 3.4}),)),
    Alternative(
        "one conjugate regression, no grids",
        _patched((model, "screw_hypotheses", conjugate_only), (model, "lag_hypotheses", one_lag)),
    ),
    Alternative("one lag, grids over the rest", _patched((model, "lag_hypotheses", one_lag))),
    Alternative("log-normal gain without the heavier tail", _patched((hypotheses, "GAIN_NODES", LOG_NORMAL))),
    Alternative("normal gain, not log-normal", _patched((model, "screw_hypotheses", normal_gain))),
    Alternative("two-step look-ahead", _patched((Setting, "best", property(two_steps)))),
    Alternative("first move up to the cap", _patched((Setting, "first_try", False))),
    Alternative("a rate is set from 90 % on", setup=(("stop_chance", 0.9),)),
    Alternative("prior gain narrower (log spread 0.4)", setup=(("prior", {"gain_log_sd": 0.4}),)),
    Alternative("told the valve's gains", told="gain"),
    Alternative("told the lag", told="lag"),
    Alternative("told gains and lag", told="gain lag"),
)  # fmt: skip
HEADER = (
    "boilers", "adviser", "truly in band at both rates, %", "ever overshot, %", "minutes", "moves",
    "90 % interval holds, %", "halted, %",
)  # fmt: skip


def visit(task: tuple[str, int, tuple[tuple[str, object], ...], str]) -> Outcome:
    """One visit with some facts changed."""
    name, seed, setup, what = task
    scenario = BOILERS[name]
    known = told(scenario, seed, what) if what else {}
    return policies.advised(scenario, seed, **dict(setup), **known)  # type: ignore[arg-type]


def outcomes(alternative: Alternative, scenario: str, visits: int) -> list[Outcome]:
    """Visits of one alternative, on the same boilers as any other; `in_two` forks with the change already made."""
    tasks = [(scenario, seed, alternative.setup, alternative.told) for seed in range(visits)]
    with alternative.change():
        return in_two(visit, tasks, f"{scenario}: {alternative.name}", chunksize=2)


def row(alternative: Alternative, scenario: str, done: list[Outcome]) -> tuple[str, ...]:
    """A row of the table."""
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


def rows(
    visits: int, scenarios: Iterable[str], alternatives: Iterable[Alternative] = ALTERNATIVES
) -> list[tuple[str, ...]]:
    """The table of all alternatives."""
    return [row(a, scenario, outcomes(a, scenario, visits)) for scenario in scenarios for a in alternatives]


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--visits", type=at_least(1), default=100)
    parser.add_argument("--scenarios", type=some_of(BOILERS), default=["base", "everything-at-once"])
    asked = parser.parse_args(words)
    print(markdown(HEADER, rows(asked.visits, asked.scenarios)), end="")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
