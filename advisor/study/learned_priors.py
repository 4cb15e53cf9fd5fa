"""Priors that a job can start with, from the population of valves: `open --prior` takes the file."""

from hashlib import blake2b

import numpy as np
import pandas as pd

from advisor.job_setup.prior import Prior
from advisor.job_setup.prior_file import LearnedPrior, format_priors
from advisor.response.hypotheses import TIME_CONSTANT_NODES
from advisor.screws import SCREWS, Screw
from advisor.study.population import LAG_LOG_SD, NAMES, Estimate, estimates, noise_sd_pct
from advisor.study.tables import TURNDOWN_RANGES

# No fleet makes a new valve surer than that. Own choice, from 60 visits each with a prior whose gains were half the
# true ones, before the heavier tail of gains: with 0.41 eight of them passed the band, with 0.5 four, with 0.6 two.
# What a right prior saves comes from its median.
LEAST_LOG_SD = 0.6
LEAST_NOISE_PCT = 0.005  # % CO2, own choice
BACKLASH_LIMITS = (1 / 200, 1 / 8)  # turns, own choice
# mean and sd of the built-in weights along the range of log time constants
_places, _weights = np.array(TIME_CONSTANT_NODES).T
LAG_MEAN = float(_weights @ _places)
LAG_SD = float((_weights @ (_places - LAG_MEAN) ** 2) ** 0.5)
SEAL = "# not edited while this fits the text above: "
REMARKS = (
    "A first guess learned from job logs, for: advisor open LOG --prior THIS_FILE",
    "A job takes the [[prior]] that names the most about it. Names are those of advisor.job_setup.prior.Prior;",
    "what is not named stays built in. gain_per_turn: median, % CO2 per turn, by screw; gain_log_sd: sd of its",
    "logarithm, at least 0.6, since the next valve may be another; backlash_turns: widest play; time_constant_s:",
    "shortest and longest; noise_sd_pct: of one reading, % CO2.",
)


def priors(evidence: pd.DataFrame) -> list[LearnedPrior]:
    """The priors of the fleet and of each of its groups, from `population.evidence`; the fleet's comes first."""
    fleet, groups = estimates(evidence)
    if not fleet:
        return []
    noise = noise_sd_pct(evidence)
    found = [_prior(fleet, noise)]
    for key in dict.fromkeys(group[:-1] for group in groups):
        fuel, family, turndown = key
        own = {screw: groups[(*key, screw)] for screw in SCREWS if (*key, screw) in groups}
        jobs = max(estimate.jobs for estimate in own.values())
        found.append(
            LearnedPrior(_prior({**fleet, **own}, noise).values, fuel, family, TURNDOWN_RANGES[turndown], jobs)
        )
    return found


def _prior(of_screw: dict[Screw, Estimate], noise: tuple[float, int] | None) -> LearnedPrior:
    gain, lag = NAMES.index("gain_per_turn"), NAMES.index("time_constant_s")
    parts = list(of_screw.values())
    weights = np.array([part.sd[lag] ** -2.0 for part in parts])
    log_lag = float(weights @ [part.mean[lag] for part in parts] / weights.sum())
    span = float(np.hypot(LAG_LOG_SD, weights.sum() ** -0.5)) / LAG_SD
    medians: dict[str, float] = {screw: part.interval("gain_per_turn")[0] for screw, part in of_screw.items()}
    log_sds = [float(np.hypot(part.interval("gain_log_sd")[0], part.sd[gain])) for part in parts]
    backlash = max(part.interval("backlash_turns")[2] for part in parts)
    values: dict[str, object] = {
        "gain_per_turn": {**Prior().gain_per_turn, **medians},
        "gain_log_sd": max(LEAST_LOG_SD, *log_sds),
        "backlash_turns": float(np.clip(backlash, *BACKLASH_LIMITS)),
        "time_constant_s": tuple(float(np.exp(log_lag + span * (place - LAG_MEAN))) for place in (0, 1)),
    }
    if noise is not None:
        values["noise_sd_pct"] = max(noise[0], LEAST_NOISE_PCT)
    return LearnedPrior(values, jobs=max(part.jobs for part in parts))


def as_toml(evidence: pd.DataFrame, title: str) -> str:
    """The text of a prior file; its last line tells whether it was edited since."""
    text = format_priors(title, priors(evidence), REMARKS)
    return f"{text}{SEAL}{_digest(text)}\n"


def edited(text: str) -> bool:
    """Whether the text of a prior file is not what `as_toml` wrote."""
    written, _, mark = text.rpartition(SEAL)
    return mark.strip() != _digest(written)


def _digest(text: str) -> str:
    return blake2b(text.encode(), digest_size=6).hexdigest()
