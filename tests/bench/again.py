"""The same boiler a year later: `python tests/bench/again.py [--visits N] [--scenario NAME] [--first-seed N]`.

Each boiler is set once, by the adviser. Then it is found out of band again, its gains changed by a year (sd 15 % of
each, invented), and set twice from the same state: by the adviser that knows nothing of the first visit, and by one
that starts from its log (`open --from`). Means of the paired differences with 1.96 standard errors; shares that passed
the far edge with the discordant pairs.
"""

import argparse
import math
import sys
from dataclasses import replace
from functools import partial

import numpy as np
from bench_visit import CENTRES, SETTINGS, START, Outcome, advised, in_two, visit_to
from run import BOILERS

from advisor.response.earlier_visit import next_setup
from advisor.training.simulated_visit import SimulatedVisit
from advisor.training.simulator import Boiler, Scenario, draw

GAIN_YEAR_LOG_SD = 0.15  # of what a year does to a gain here; invented
FROM = ("prior", "clockwise")  # what the second visit knows of the first


def a_year_later(scenario: Scenario, seed: int, before: Boiler) -> Boiler:
    """The same valve, lag and turndown; CO2 as found, noise and drift anew."""
    rng = np.random.default_rng([seed, 20270504])
    gains = {
        name: getattr(before, name) * math.exp(GAIN_YEAR_LOG_SD * rng.standard_normal())
        for name in ("opening_per_turn", "offset_per_turn")
    }
    same = {name: getattr(before, name) for name in ("backlash_turns", "dead_time_s", "time_constant_s")}
    as_it_is = replace(scenario, turndown=(before.turndown, before.turndown))
    return draw(as_it_is, rng, CENTRES, stated={**gains, **same})


def both_ways(scenario: Scenario, seed: int) -> tuple[Outcome, Outcome] | None:
    """The second visit without and with the first visit's log; None where the first did not finish."""
    first = visit_to(scenario, seed)
    if not advised(scenario, seed, visit=first).finished:
        return None
    setup = next_setup(first.job.situation(first.job.ended), "service", "first visit")
    bands = {firing: tuple(band) for firing, band in setup.bands.items()}
    blind = {"fuel": "natural gas", "bands": bands, "visit": "service"}
    known = {**blind, **{name: getattr(setup, name) for name in FROM}}
    outcomes = []
    for facts in (blind, known):
        boiler = a_year_later(scenario, seed, first.boiler)
        visit = SimulatedVisit(boiler, facts, SETTINGS, START.replace(year=START.year + 1))
        outcomes.append(advised(scenario, seed, visit=visit))
    return outcomes[0], outcomes[1]


def paired(pairs: list[tuple[Outcome, Outcome]], name: str) -> str:
    """Means of a quantity without and with the first visit, and of the difference."""
    blind, known = (np.array([getattr(pair[way], name) for pair in pairs], float) for way in (0, 1))
    change = known - blind
    error = 1.96 * change.std(ddof=1) / math.sqrt(change.size)
    return (
        f"{name}: {blind.mean():.3f} without, {known.mean():.3f} with, difference {change.mean():+.3f} +/- {error:.3f}"
    )


def told(scenario: Scenario, pairs: list[tuple[Outcome, Outcome] | None]) -> str:
    """The result in lines."""
    finished = [pair for pair in pairs if pair]
    lines = [f"{scenario.name}: {len(finished)} of {len(pairs)} boilers whose first visit finished"]
    lines += [
        paired(finished, name) for name in ("moves", "minutes", "readings", "overshot", "near_co", "both", "finished")
    ]
    fewer, more = (sum(way * (known.moves - blind.moves) > 0 for blind, known in finished) for way in (-1, 1))
    lines.append(f"fewer turns with: {fewer}, more: {more}, as many: {len(finished) - fewer - more}")
    worse = sum(known.overshot and not blind.overshot for blind, known in finished)
    better = sum(blind.overshot and not known.overshot for blind, known in finished)
    return "\n".join([*lines, f"overshot only with: {worse}, only without: {better}"])


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--visits", type=int, default=400)
    parser.add_argument("--scenario", choices=BOILERS, default="base")
    parser.add_argument("--first-seed", type=int, default=50_000)
    asked = parser.parse_args(words)
    scenario = BOILERS[asked.scenario]
    seeds = range(asked.first_seed, asked.first_seed + asked.visits)
    print(told(scenario, in_two(partial(both_ways, scenario), seeds, "boilers")))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
