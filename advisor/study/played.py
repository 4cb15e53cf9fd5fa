"""What following the advice would have taken: the adviser's visit to the valve that each job's fit describes.

A boiler is drawn from what the whole job says of it (levels as found, gains, backlash, lag, noise), and the adviser
sets it from as found. Nobody can turn a job back, but over many jobs such draws come out as the boilers themselves do.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any
from zlib import crc32

import numpy as np
import pandas as pd

from advisor.job import Job
from advisor.job_setup.prior import Prior
from advisor.job_setup.setup import JobSetup
from advisor.response.filter import FilterState
from advisor.response.model import GAIN, LEVEL
from advisor.response.situation import Situation
from advisor.screws import FIRINGS, SCREWS, Firing, Screw
from advisor.study.frames import job_events, job_setups
from advisor.training.simulated_visit import PLATE, PRESSURE, SimulatedVisit, VisitSettings
from advisor.training.simulator import Boiler, BurnerCO
from advisor.training.strategies import adviser

SETTINGS = VisitSettings(longest_s=3600.0, most_turns=40)
LEVELS_PCT = (2.0, 0.2)  # a drawn CO2 as found is at least that, % CO2, and so far below what the fuel can give
LEAST_NOISE_PCT = 0.01
COLUMNS = ("logged_min", "logged_moves", "minutes", "moves", "overshoots", "in_band", "ending")
Change = Callable[[JobSetup], JobSetup]


def played(rows: pd.DataFrame, change: Change = lambda setup: setup, *, seed: int = 1) -> pd.DataFrame:
    """One row per job that was read at both rates: as logged, and as the adviser would have set a boiler like it.

    job           its name
    logged_min, logged_moves  from the first change of rate or reading to the last row at the boiler, min; turns
    minutes, moves  the same of the adviser's visit
    overshoots    its turns that took the true CO2 past the band
    in_band       whether it left the true CO2 in band at both rates
    ending        "done", or why it ended

    `change` tells what is otherwise for the adviser's visit, such as its prior; the boiler stays the one of the job's
    own fit. `seed`, with the job's name, is that of the draw: the same seed draws the same boilers.
    """
    setups = job_setups(rows)
    records = []
    for name, own in rows.groupby("job", sort=True):
        job = Job.of(setups[str(name)], job_events(own))
        end = job.situation(job.ended)
        if all(end.settled_readings(firing) for firing in FIRINGS):
            rng = np.random.default_rng([seed, crc32(str(name).encode())])
            visit = _visit(end, change(job.setup).prior, rng)
            records.append((name, *_logged(end), *_told(visit)))
    types = dict.fromkeys(COLUMNS[:-2], np.float64) | {"in_band": bool, "ending": object}
    return pd.DataFrame(records, columns=["job", *COLUMNS]).astype({"job": object} | types)


def _visit(end: Situation, prior: Prior, rng: np.random.Generator) -> SimulatedVisit:
    """The adviser's visit to a boiler drawn from a job's end."""
    facts = {entry.name: getattr(end.setup, entry.name) for entry in fields(JobSetup)}
    facts |= {"prior": prior, "pressures": {PRESSURE: PLATE}, "practice": True}
    return adviser(SimulatedVisit(boiler_like(end.belief, rng), facts, SETTINGS))


def _logged(end: Situation) -> tuple[float, int]:
    """Minutes at the boiler as logged, gaps of hours left out; turns."""
    at_s = np.array([row.at_s for row in end.rows if row.event.event in ("firing", "reading", "turn")])
    gaps = np.diff(at_s)
    return float(gaps[gaps <= end.policy.left_for_s].sum() / 60), len(end.of("turn"))


def _told(visit: SimulatedVisit) -> tuple[Any, ...]:
    score = visit.score()
    lit_s = next(act.at_s for act in visit.acts if act.kind == "run_at")
    return score.minutes - lit_s / 60, score.turns, score.overshoots, all(score.in_band.values()), score.ending


@dataclass(frozen=True)
class _Draw:
    """One valve from the posterior: index of its hypothesis (lag, offset, throttle), and its linear unknowns.

    squared  f^2 as found, by rate
    gain     % CO2 per turn in the stated richer direction
    """

    index: tuple[int, int, int]
    squared: dict[Firing, float]
    gain: dict[Screw, float]
    noise_sd_pct: float


def _draw(state: FilterState, rng: np.random.Generator) -> _Draw:
    posterior = state.posterior
    weight = posterior.weight
    flat = int(rng.choice(weight.size, p=weight.ravel() / weight.sum()))
    lag, offset, throttle = (int(place) for place in np.unravel_index(flat, weight.shape))
    index = lag, offset, throttle
    names = [*(LEVEL[firing] for firing in FIRINGS), *(GAIN[screw] for screw in SCREWS)]
    var = float(posterior.noise_var[index])
    mean, cov = posterior.mean[(names, *index)], posterior.cov[(*np.ix_(names, names), *index)] * var
    values = rng.multivariate_normal(mean, cov, method="eigh")
    squared: dict[Firing, float] = {}
    for firing, level in zip(FIRINGS, values, strict=False):
        scale = state.model.scales[firing]
        least, below = LEVELS_PCT
        co2 = float(np.clip(scale.co2_pct(level), least, scale.fuel.co2_max_pct - below))
        squared[firing] = float(scale.ratio_squared(scale.linearised(co2)))
    rounding = state.model.setup.display_step_pct**2 / 12
    noise = max(var - rounding, 0.0) ** 0.5
    gain = dict(zip(SCREWS, map(float, values[len(FIRINGS) :]), strict=True))
    return _Draw(index, squared, gain, max(noise, LEAST_NOISE_PCT))


def boiler_like(belief: FilterState, rng: np.random.Generator) -> Boiler:
    """A boiler with its screws as found, drawn from the posterior of a job.

    With f^2 = K^2 A^2 (1 + P / turndown^2) at high fire and the same without turndown at low fire (A the throttle's
    opening, P the offset), both rates as found give K and P, and the gains at the bands' centres the screws' own.
    """
    state = belief.unfolded("offset").unfolded("throttle")
    setup, model = state.model.setup, state.model
    one = _draw(state, rng)
    lag, *of_screw = one.index
    squeeze = setup.turndown**2
    ratio_squared = (one.squared["high"] - one.squared["low"] / squeeze) / (1 - 1 / squeeze)
    ratio_squared = max(ratio_squared, 1e-3)
    high, low = (model.scales[firing] for firing in ("high", "low"))
    opening = (high.ratio_squared_at_centre / one.squared["high"]) ** 0.5
    per_turn = {
        "throttle": one.gain["throttle"] * high.slope_at_centre * opening / (2 * high.ratio_squared_at_centre),
        "offset": one.gain["offset"] * low.slope_at_centre / (ratio_squared * opening**2),
    }
    hypotheses = {screw: (model.screws[screw], place) for screw, place in zip(SCREWS, of_screw, strict=True)}
    backlash = {screw: float(of.backlash[place]) for screw, (of, place) in hypotheses.items()}
    return Boiler(
        fuel=setup.fuel,
        ratio=ratio_squared**0.5,
        offset=one.squared["low"] / ratio_squared - 1,
        opening_per_turn=per_turn["throttle"] * model.toward_richer["throttle"],
        offset_per_turn=per_turn["offset"] * model.toward_richer["offset"],
        turndown=setup.turndown,
        backlash_turns=backlash,
        play_at={screw: rng.uniform(-0.5, 0.5) * wide for screw, wide in backlash.items()},
        dead_time_s=float(model.lag.dead_time_s[lag]),
        time_constant_s=float(model.lag.time_constant_s[lag]),
        noise_sd_pct=one.noise_sd_pct,
        drift_pct={firing: setup.prior.drift_sd_pct * rng.standard_normal() for firing in FIRINGS},
        drift_time_s=setup.prior.drift_time_s,
        actuation_sd=setup.prior.actuation_sd / 2,
        analyser_pct=0.0,
        display_step_pct=setup.display_step_pct,
        rng=rng,
        co=BurnerCO(),  # little and steady: a log tells of the CO2 of its valve
        co_rng=rng,
    )
