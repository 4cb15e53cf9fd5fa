"""Is the advice honest? `python tests/bench/calibration.py` answers in two ways.

    --draws N    jobs drawn from the model's own prior, for simulation-based calibration (2000)
    --visits N   visits of each scenario on boilers the model does not know, for the reliability curves (200)

Simulation-based calibration (Talts et al. 2018, arXiv 1804.06788): draw the truth from the prior, a job from the
truth, and ask where the truth lies in the posterior. Its place must be uniform. The job is played by a generator that
shares no arithmetic with the estimator, so that a fault of the estimator shows. The place is read off the exact
posterior (the limit of many posterior draws); that of backlash and lag, which have a few values, is spread in its step.
"""

import argparse
import itertools
import math
import os
import sys
from datetime import UTC, datetime, timedelta
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import bench_visit
import numpy as np
import pandas as pd
from bench_visit import in_two
from numpy.typing import NDArray
from report import wilson
from scipy import special, stats

from advisor.chemistry.fuels import NATURAL_GAS
from advisor.decision.answers import Advice
from advisor.job_setup.setup import JobSetup
from advisor.log.events import Event
from advisor.response.filter import FilterState
from advisor.response.model import GAP_SD_PCT, LEVEL, START_GAP_PCT, Model
from advisor.screws import SCREWS, Firing, Screw
from advisor.training.simulated_visit import SimulatedVisit
from advisor.training.simulator import SCENARIOS

Array = NDArray[np.float64]
BANDS: dict[Firing, tuple[float, float]] = {"high": (9.0, 9.4), "low": (8.6, 9.0)}
BINS = 20
START = datetime(2026, 5, 11, 9, 0, tzinfo=UTC)
BURNS = (0.3, 0.97)  # f^2 of readings between which the linearised scale can be trusted, own choice
QUANTITIES = (
    "level high", "level low", "gain throttle", "gain offset", "backlash throttle", "backlash offset",
    "time constant", "noise", "next reading",
)  # fmt: skip
EDGES = np.array([0.0, 0.02, 0.1, 0.25, 0.5, 0.75, 0.9, 0.98, 1.0])


# ---- simulation-based calibration


class Truth:
    """A boiler, its valve and the hand on it, drawn from the prior and played with arithmetic of its own.

    Of the adviser it takes figures only: prior, nodes of the hypotheses with their chances, and the linearised scale,
    on which f^2 is read in % CO2. Play, lag, drift and the hand's error, which is a share of the turn, are its own;
    what a turn does at each rate is f^2 = K^2 A^2 (1 + P / dP) (advisor/response/valve.py). All in % CO2, turns and s.
    """

    def __init__(self, random: np.random.Generator, setup: JobSetup) -> None:
        self.random, self.model, self.prior, self.turndown = random, Model.of(setup), setup.prior, setup.turndown
        model, lag = self.model, self.model.lag
        shape = model.noise_shape
        scale = model.noise_var * (special.gamma(shape) / special.gamma(shape - 0.5)) ** 2
        self.noise_var = scale / random.gamma(shape)
        place = random.choice(lag.weight.size, p=lag.weight)
        self.dead_time_s, self.time_constant_s = float(lag.dead_time_s[place]), float(lag.time_constant_s[place])
        self.gain, self.backlash, self.acts, self.hand = {}, {}, {}, dict.fromkeys(SCREWS, 0.0)
        for screw, each in model.screws.items():
            place = random.choice(each.weight.size, p=each.weight)
            self.gain[screw] = float(each.gain[place] + each.gain_sd[place] * random.standard_normal())
            self.backlash[screw], self.acts[screw] = float(each.backlash[place]), float(each.start[place])
        self.level = {
            firing: model.scales[firing].centre_co2_pct + self.error(self.prior.level_sd_pct) for firing in LEVEL
        }
        self.steps: list[tuple[float, float]] = []  # moments and levels of the states the boiler went into
        self.at_s = 0.0

    def error(self, sd: float) -> float:
        """A normal error; `sd` as it is where the noise is as the prior has it: spreads in % CO2 go with the noise."""
        return float(sd * math.sqrt(self.noise_var / self.model.noise_var) * self.random.standard_normal())

    def run_at(self, firing: Firing) -> None:
        """Change the rate, or start: then the display comes up from somewhere near clean air."""
        self.firing, self.firing_since_s = firing, self.at_s
        self.drift = self.error(self.prior.drift_sd_pct)
        if not self.steps:
            self.steps.append((-math.inf, self.level[firing] + START_GAP_PCT + self.error(GAP_SD_PCT)))
        self.segment = self.error(math.sqrt(self.model.segment_var))
        self.steps.append((self.at_s, self.level[firing]))

    def turn(self, screw: Screw, turns: float) -> None:
        """Turn a screw toward richer: the hand errs, the play takes its part, the rest moves f^2 at both rates."""
        self.hand[screw] += turns * (1 + self.prior.actuation_sd * float(self.random.standard_normal()))
        half, before = self.backlash[screw] / 2, self.acts[screw]
        self.acts[screw] = min(max(before, self.hand[screw] - half), self.hand[screw] + half)
        richer = self.gain[screw] * (self.acts[screw] - before)
        scales = self.model.scales
        squared = {firing: float(scales[firing].ratio_squared(level)) for firing, level in self.level.items()}
        slope = {firing: scale.slope_at_centre for firing, scale in scales.items()}  # of f^2, per % CO2
        if screw == "offset":  # P: adds to f^2, at high fire turndown^2 times less
            rise = {"low": richer * slope["low"], "high": richer * slope["low"] / self.turndown**2}
        else:  # A: adds to f at high fire, its gain stated at the band's centre; the same factor on f^2 at both rates
            was = math.sqrt(max(squared["high"], 0.01))  # below that nothing burns: such a job is set aside
            now = was + richer * slope["high"] / (2 * math.sqrt(scales["high"].ratio_squared_at_centre))
            rise = {firing: squared[firing] * ((now / was) ** 2 - 1) for firing in LEVEL}
        for firing in LEVEL:
            self.level[firing] += rise[firing] / slope[firing]
        self.segment = self.error(math.sqrt(self.model.segment_var))
        self.steps.append((self.at_s, self.level[self.firing]))

    def read(self) -> float:
        """A displayed reading, linearised % CO2: each state fades into the next, a dead time late; then the errors."""
        shown = self.steps[0][1]
        for (since_s, level), (until_s, _) in itertools.pairwise([*self.steps[1:], (self.at_s, 0.0)]):
            gone_s = min(until_s, self.at_s - self.dead_time_s) - since_s
            if gone_s > 0:
                shown = level + (shown - level) * math.exp(-gone_s / self.time_constant_s)
        drift = self.drift * math.exp(-(self.at_s - self.firing_since_s) / self.prior.drift_time_s)
        return shown + drift + self.segment + self.error(math.sqrt(self.model.noise_var))


class DrawnJob:
    """A drawn boiler, and a belief that is told the same events as in any job."""

    def __init__(self, seed: int) -> None:
        setup = JobSetup(fuel=NATURAL_GAS, bands=BANDS)
        self.truth, self.belief = Truth(np.random.default_rng([seed, 20260511]), setup), FilterState.initial(setup)
        self.beyond_the_scale = False  # whether a reading came where the linearised scale ends

    def wait(self, *seconds: float) -> None:
        """Let so many seconds pass, or some from the first to the second figure."""
        self.truth.at_s += self.truth.random.uniform(*seconds) if len(seconds) > 1 else seconds[0]

    def learn(self, event: str, **fields: Any) -> None:
        """Tell the belief."""
        at = START + timedelta(seconds=self.truth.at_s)
        self.belief = self.belief.after(Event(at, event, **fields))

    def run_at(self, firing: Firing) -> None:
        self.truth.run_at(firing)
        self.learn("firing", firing=firing)

    def turn(self, screw: Screw, turns: float) -> None:
        self.truth.turn(screw, turns)
        self.learn("turn", screw=screw, turns_cw=turns)

    def read(self) -> None:
        scale, linearised = self.truth.model.scales[self.truth.firing], self.truth.read()
        squared = float(scale.ratio_squared(linearised))
        self.beyond_the_scale |= not BURNS[0] < squared < BURNS[1]
        self.learn("reading", firing=self.truth.firing, co2_pct=float(scale.co2_pct(linearised)))

    def places(self) -> list[float]:
        """Where the truth lies in the posterior, 0 to 1, by quantity."""
        truth, belief, model = self.truth, self.belief, self.belief.model
        found = [belief.settled(firing).cdf(truth.level[firing]) for firing in ("high", "low")]
        found += [belief.gain(screw).cdf(truth.gain[screw]) for screw in ("throttle", "offset")]
        for screw in ("throttle", "offset"):
            found.append(self._place(model.screws[screw].backlash, belief.screw_chances(screw), truth.backlash[screw]))
        found.append(self._place(model.lag.time_constant_s, belief.lag_chances(), truth.time_constant_s))
        posterior = belief.posterior
        below = special.gammaincc(posterior.shape, posterior.scale / truth.noise_var)
        found.append(float(np.sum(posterior.weight * below)))
        self.wait(5, 90)
        at_s = START.timestamp() + truth.at_s
        return [*found, belief.displayed(at_s).cdf(truth.read())]

    def _place(self, values: Array, chance: Array, true: float) -> float:
        """Place of a quantity that has a few values, spread evenly within its step."""
        equal = np.isclose(values, true)
        return float(chance[(values < true) & ~equal].sum() + self.truth.random.random() * chance[equal].sum())


def job_drawn(seed: int) -> list[float] | None:
    """Places of the truth after one job: both screws turned and turned back, readings early and late, both rates.

    None where the readings went beyond the scale: a rule on the data alone, so the places of the rest stay uniform.
    """
    job = DrawnJob(seed)
    for firing, screw, moves in (("low", "", ()), ("high", "throttle", (1, 2, -1)), ("low", "offset", (1, 2, -1))):
        job.wait(5)
        job.run_at(firing)
        for seconds in ((30, 60), (60, 120)):
            job.wait(*seconds)
            job.read()
        for marks in moves:
            job.wait(10)
            job.turn(screw, float(marks * job.truth.random.choice([1, 2]) / 24))
            if job.truth.random.random() < 0.5:
                job.wait(15, 40)
                job.read()
            job.wait(60, 120)
            job.read()
    return None if job.beyond_the_scale else job.places()


def places(draws: int, seed: int = 0) -> Array:
    """Places of the truth in the posterior, (jobs, quantities), each 0 to 1; jobs beyond the scale are left out."""
    drawn = in_two(job_drawn, range(seed, seed + draws), "drawn jobs", chunksize=8)
    return np.array([found for found in drawn if found])


def uniform_p(place: Array) -> float:
    """Chance of places at least as uneven, by Pearson's chi-square over 20 equal bins."""
    counts, _ = np.histogram(place, bins=BINS, range=(0, 1))
    return float(stats.chisquare(counts).pvalue)


def mean_z(place: Array) -> float:
    """Standard errors by which the mean place is off a half: above 0 where the posterior lies too low."""
    return float((place.mean() - 0.5) * np.sqrt(12 * place.size))


def dispersion_z(place: Array) -> float:
    """Standard errors by which the places' mean square from a half is off 1/12: above 0 where it is too sure."""
    return float((np.mean((place - 0.5) ** 2) - 1 / 12) / np.sqrt((1 / 80 - 1 / 144) / place.size))


def middle(place: Array) -> tuple[float, float, float]:
    """Share of places within the middle 90 %, with its 95 % Wilson limits."""
    return wilson(int(((place > 0.05) & (place < 0.95)).sum()), place.size)


def evenness(found: Array) -> pd.DataFrame:
    """How even the places of each quantity are."""
    rows = [(mean_z(place), dispersion_z(place), *middle(place), uniform_p(place)) for place in found.T]
    columns = ["mean, z", "dispersion, z", "in the middle 90 %", "from", "to", "p, uniform"]
    return pd.DataFrame(rows, index=list(QUANTITIES), columns=columns)


# ---- reliability on boilers the model does not know


def claims_of(task: tuple[str, int]) -> list[dict[str, Any]]:
    """What the adviser claimed of every turn of one visit, and what came of it: truths of the settled CO2."""
    name, seed = task
    found: list[dict[str, Any]] = []

    def watch(visit: SimulatedVisit, advice: Advice) -> None:
        turn = visit.acts[-1]
        came = {"was_in_band": visit.in_band(turn.running), "was_past_band": bench_visit.past_far_edge(visit, turn)}
        stated = {"in_band": advice.chance_in_band, "past_band": advice.chance_past_band}
        found.append({"scenario": name, "seed": seed, **stated, **came})

    bench_visit.advised(next(scenario for scenario in SCENARIOS if scenario.name == name), seed, watch=watch)
    return found


def claims(visits: int) -> pd.DataFrame:
    """Claims of `visits` visits of each scenario, a row for each turn."""
    tasks = [(scenario.name, seed) for scenario in SCENARIOS for seed in range(visits)]
    return pd.DataFrame([claim for found in in_two(claims_of, tasks, "visits") for claim in found])


def reliability(made: pd.DataFrame, what: str, edges: Array = EDGES) -> pd.DataFrame:
    """For each class of stated chance: turns, mean stated, share that came true, its 95 % Wilson limits.

    The last class takes in what is stated beyond its edge, so that every claim is in one.
    """
    place = np.clip(np.searchsorted(edges, made[what], side="right") - 1, 0, edges.size - 2)
    rows = [
        (len(part), part[what].mean(), *wilson(int(part[f"was_{what}"].sum()), len(part)))
        for _, part in made.groupby(place)
    ]
    return pd.DataFrame(rows, columns=["turns", "stated", "came true", "from", "to"])


def past_the_edge(made: pd.DataFrame) -> pd.DataFrame:
    """By scenario: turns, turns stated to pass the far edge (sum of the chances), turns that did, their ratio +/-.

    Turns of one visit hang together, so 1.96 standard errors are worked out over visits. Where none passed, the error
    is three turns: were more than three to be expected, none would come in under 5 % (exp(-3)).
    """
    rows = []
    for name, part in made.groupby("scenario", sort=False):
        off = (part.was_past_band - part.past_band).groupby(part.seed).sum()
        stated, came = part.past_band.sum(), int(part.was_past_band.sum())
        error = 1.96 * np.sqrt((off**2).sum()) if came else 3.0
        rows.append((name, len(part), stated, came, came / stated, error / stated))
    return pd.DataFrame(rows, columns=["scenario", "turns", "stated, sum", "passed", "passed / stated", "+/-"])


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--visits", type=int, default=200)
    asked = parser.parse_args(words)
    if asked.draws:
        found = places(asked.draws)
        print(f"{len(found)} jobs drawn; {asked.draws - len(found)} more set aside: readings off the linearised scale")
        print(evenness(found).round(2).to_string())
    if asked.visits:
        made = claims(asked.visits)
        for what in ("in_band", "past_band"):
            print(f"\n{what} after the turn\n{reliability(made, what).round(3).to_string(index=False)}")
        print(f"\n{past_the_edge(made).round(2).to_string(index=False)}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
