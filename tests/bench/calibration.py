"""Is the advice honest? `python tests/bench/calibration.py` answers in two ways.

    --draws N    jobs drawn from the model's own prior, for simulation-based calibration (2000)
    --visits N   visits of each scenario on boilers the model does not know, for the reliability curves (200)

Simulation-based calibration (Talts et al. 2018, arXiv 1804.06788): draw the truth from the prior, a job from the
truth, and ask where the truth lies in the posterior. Its place must be uniform. Here the place is read off the exact
posterior (the limit of many posterior draws); that of the slack, which has a few values, is spread within its step.
"""

import argparse
import itertools
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from multiprocessing import Pool
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import policies
from numpy.typing import NDArray
from rich.console import Console
from rich.progress import track
from scipy import stats

from advisor import regression, response
from advisor.decision import Advice
from advisor.events import SCREWS, Event
from advisor.facts import Facts
from advisor.fuels import NATURAL_GAS
from advisor.model import AXIS, DRIFT, GAIN, LEVEL, STANDSTILL
from advisor.response import Belief
from advisor.simulator import SCENARIOS

Array = NDArray[np.float64]
BANDS = {"high": (9.0, 9.4), "low": (8.6, 9.0)}
BINS = 20
START = datetime(2026, 5, 11, 9, 0, tzinfo=UTC)
QUANTITIES = ("level high", "level low", "gain throttle", "gain offset", "slack throttle", "slack offset")
EDGES = np.array([0.0, 0.02, 0.1, 0.25, 0.5, 0.75, 0.9, 0.98, 1.0])


# ---- simulation-based calibration


@dataclass
class Truth:
    """One job's truth, drawn from what the model assumes: its hypotheses, noise and unknowns.

    at  place of the true hypothesis on the axes lag, offset, throttle
    """

    random: np.random.Generator
    belief: Belief
    at: tuple[int, int, int] = field(init=False)
    noise_var: float = field(init=False)
    unknowns: Array = field(init=False)

    def __post_init__(self) -> None:
        model, fit = self.belief.model, self.belief.fit
        weights = (model.lag.weight, *(model.screws[screw].weight for screw in SCREWS))
        self.at = tuple(int(self.random.choice(w.size, p=w)) for w in weights)  # type: ignore[assignment]
        self.noise_var = float(fit.scale[self.at]) / self.random.gamma(fit.shape)
        sd = np.sqrt(np.diagonal(fit.cov[(..., *self.at)]) * self.noise_var)
        self.unknowns = fit.mean[(..., *self.at)] + sd * self.random.standard_normal(sd.size)

    def error(self, var: float) -> float:
        """A normal error; `var` in noise variances."""
        return float(np.sqrt(var * self.noise_var) * self.random.standard_normal())

    def after(self, event: Event) -> None:
        """Let the event happen: the belief learns that it was made, the truth moves as the model says."""
        before, self.belief = self.belief, self.belief.after(event)
        if event.event == "firing":
            self.draw_anew(DRIFT)
            self.draw_anew(STANDSTILL)
        elif event.screw:
            effects, last = before.effects[event.screw], self.belief.states[-1]
            hand = self.error(self._here(last.hand_var) / effects[last.firing] ** 2)
            for firing, level in LEVEL.items():
                self.unknowns[level] += effects[firing] * hand
            self.draw_anew(STANDSTILL)

    def draw_anew(self, unknown: int) -> None:
        """Draw an unknown that the event has made new, from what the belief takes it to be."""
        fit = self.belief.fit
        self.unknowns[unknown] = fit.mean[(unknown, *self.at)] + self.error(fit.cov[(unknown, unknown, *self.at)])

    def read(self, at: datetime) -> None:
        """Draw a reading and let the belief learn it."""
        row, extra = self.belief._row(at.timestamp())
        shown = sum(self._here(x) * b for x, b in zip(row, self.unknowns, strict=True))
        straight = shown + self.error(1 + self._here(extra))
        self.belief = replace(self.belief, fit=regression.update(self.belief.fit, row, straight, extra))

    def _here(self, values: Any) -> float:
        """A figure under the true hypothesis."""
        array = np.asarray(values, float)
        if not array.ndim:
            return float(array)
        return float(array[tuple(place if size > 1 else 0 for place, size in zip(self.at, array.shape, strict=True))])

    def places(self) -> list[float]:
        """Where the truth lies in the posterior, 0 to 1, by quantity."""
        belief, found = self.belief, []
        for firing in LEVEL:
            row = belief._settled_row(firing, belief.displaced)
            settled = sum(self._here(x) * b for x, b in zip(row, self.unknowns, strict=True))
            found.append(belief.settled(firing).below(settled))
        for screw in ("throttle", "offset"):
            found.append(belief.gain(screw).below(float(self.unknowns[GAIN[screw]])))
        for screw in ("throttle", "offset"):
            slack = belief.model.screws[screw].slack
            true, chance = slack[self.at[AXIS[screw]]], belief.chances(screw)
            equal = np.abs(slack - true) < 1e-9
            found.append(float(chance[slack < true - 1e-9].sum() + self.random.random() * chance[equal].sum()))
        return found


def job_drawn(seed: int) -> list[float]:
    """Places of the truth after one job: both screws turned and turned back, readings early and late, both rates."""
    random = np.random.default_rng([seed, 20260511])
    belief = Belief.before_any_event(Facts(fuel=NATURAL_GAS, bands=BANDS)).unfolded("offset").unfolded("throttle")
    truth = Truth(random, belief)
    at = START

    def wait(seconds: float) -> datetime:
        nonlocal at
        at += timedelta(seconds=seconds)
        return at

    for firing, screw in (("high", "throttle"), ("low", "offset")):
        truth.after(Event(wait(5), "firing", firing=firing))
        truth.read(wait(random.uniform(30, 60)))
        truth.read(wait(random.uniform(60, 120)))
        for marks in (1, 2, -1):
            turns_cw = float(marks * random.choice([1, 2]) / 24)
            truth.after(Event(wait(10), "turn", screw=screw, turns_cw=turns_cw))
            if random.random() < 0.5:
                truth.read(wait(random.uniform(15, 40)))
            truth.read(wait(random.uniform(60, 120)))
    return truth.places()


def places(draws: int, seed: int = 0) -> Array:
    """Places of the truth in the posterior, (draws, quantities), each 0 to 1."""
    with never_dropping(), Pool(2) as pool:
        done = pool.imap(job_drawn, range(seed, seed + draws), chunksize=8)
        return np.array(list(track(done, "drawn jobs", total=draws, console=Console(stderr=True), transient=True)))


@contextmanager
def never_dropping() -> Iterator[None]:
    """Keep every hypothesis, so that their places stay what they are."""
    kept, response.HOPELESS = response.HOPELESS, -1.0
    try:
        yield
    finally:
        response.HOPELESS = kept


def uniform_p(place: Array) -> float:
    """Chance of places at least as uneven, by Pearson's chi-square over 20 equal bins."""
    counts, _ = np.histogram(place, bins=BINS, range=(0, 1))
    return float(stats.chisquare(counts).pvalue)


# ---- reliability on boilers the model does not know


@dataclass(frozen=True)
class Claim:
    """What was said of one turn, and what came of it: chances 0 to 1, truths of the settled CO2."""

    in_band: float
    past_band: float
    was_in_band: bool
    was_past_band: bool


def claims_of(task: tuple[str, int]) -> list[Claim]:
    """What the adviser claimed of every turn of one visit."""
    name, seed = task
    scenario = next(scenario for scenario in SCENARIOS if scenario.name == name)
    found: list[Claim] = []

    def watch(site: policies.Site, advice: Advice) -> None:
        low, high = site.bands[site.boiler.firing]
        there = site.boiler.settled_pct(site.boiler.firing)
        assert advice.turns_cw is not None
        past = there > high if advice.turns_cw > 0 else there < low
        found.append(Claim(advice.chance_in_band or 0.0, advice.chance_past_band or 0.0, low <= there <= high, past))

    policies.advised(scenario, seed, watch=watch)
    return found


def claims(visits: int, names: Sequence[str]) -> list[Claim]:
    """Claims of `visits` visits of each scenario."""
    tasks = [(name, seed) for name in names for seed in range(visits)]
    with Pool(2) as pool:
        done = pool.imap(claims_of, tasks, chunksize=4)
        shown = track(done, "visits", total=len(tasks), console=Console(stderr=True), transient=True)
        return [claim for found in shown for claim in found]


def reliability(said: Array, came: NDArray[np.bool_], edges: Array = EDGES) -> list[tuple[int, float, float, float]]:
    """For each class of stated chance: count, mean stated, share that came true, its standard error."""
    rows = []
    for low, high in itertools.pairwise(edges):
        here = (said >= low) & ((said < high) | ((high == 1) & (said <= 1)))
        if here.any():
            share = float(came[here].mean())
            rows.append(
                (int(here.sum()), float(said[here].mean()), share, float(np.sqrt(share * (1 - share) / here.sum())))
            )
    return rows


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--visits", type=int, default=200)
    asked = parser.parse_args(words)
    if asked.draws:
        found = places(asked.draws)
        print(f"| quantity ({asked.draws} jobs drawn) | mean place (0.5) | within the middle 90 %, % | p, uniform |")
        print("|---|---|---|---|")
        for name, place in zip(QUANTITIES, found.T, strict=True):
            middle = 100 * np.mean((place > 0.05) & (place < 0.95))
            print(f"| {name} | {place.mean():.3f} | {middle:.1f} | {uniform_p(place):.3f} |")
    if asked.visits:
        made = claims(asked.visits, [scenario.name for scenario in SCENARIOS])
        for what, said, came in (
            ("in band after the turn", [c.in_band for c in made], [c.was_in_band for c in made]),
            ("past the far edge after the turn", [c.past_band for c in made], [c.was_past_band for c in made]),
        ):
            print(f"\n| {what}: turns | said, % | came true, % | +/- |\n|---|---|---|---|")
            for count, mean, share, error in reliability(np.array(said), np.array(came)):
                print(f"| {count} | {100 * mean:.1f} | {100 * share:.1f} | {100 * 1.96 * error:.1f} |")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
