"""What was learned, as priors that a job can start with: `open --prior` takes the file."""

from hashlib import blake2b

import numpy as np
import pandas as pd

from advisor.job_setup.prior import Prior
from advisor.job_setup.prior_file import LearnedPrior, format_priors
from advisor.response.hypotheses import TIME_CONSTANT_NODES
from advisor.screws import SCREWS, Screw
from advisor.study import learn
from advisor.study.learn import GROUP, LAG_LOG_SD, NAMES, Estimate
from advisor.study.tables import turndown_limits

# No fleet makes a new valve surer than that. Own choice, from 60 visits each with a prior whose gains were half the
# true ones, before the heavier tail of gains: with 0.41 eight of them passed the band, with 0.5 four, with 0.6 two.
# What a right prior saves comes from its median.
LEAST_LOG_SD = 0.6
BACKLASH_LIMITS = (1 / 200, 1 / 8)  # turns, own choice
# middle and spread of the built-in chances along the range of log time constants
_places, _chances = np.array(TIME_CONSTANT_NODES).T
LAG_PLACE = float(_chances @ _places)
LAG_SPREAD = float((_chances @ (_places - LAG_PLACE) ** 2) ** 0.5)
SEAL = "# not edited while this fits the text above: "
REMARKS = (
    "A first guess learned from job logs, for: advisor open LOG --prior THIS_FILE",
    "A job takes the [[prior]] that names the most about it. Names are those of advisor.job_setup.prior.Prior;",
    "what is not named stays built in. gain_per_turn: median, % CO2 per turn, by screw; gain_log_sd: spread of its",
    "logarithm, at least 0.6, since the next valve may be another; slack_turns: widest slack; time_constant_s:",
    "shortest and longest; noise_sd_pct: of one reading, % CO2.",
)


def learned(evidence: pd.DataFrame) -> list[LearnedPrior]:
    """The priors of the fleet and of each of its groups, from evidence (see `learn`); the fleet's comes first."""
    fleet, groups = learn.estimates(evidence)
    if not fleet:
        return []
    noise = learn.noise_sd_pct(evidence)
    found = [_prior(fleet, noise and noise[0])]
    for key in dict.fromkeys(group[:-1] for group in groups):
        fuel, family, turndown = key
        own = {screw: groups[(*key, screw)] for screw in SCREWS if (*key, screw) in groups}
        jobs = max(estimate.jobs for estimate in own.values())
        values = _prior({**fleet, **own}, noise and noise[0]).values
        found.append(LearnedPrior(values, fuel, family, turndown_limits(turndown), jobs))
    return found


def _prior(estimates: dict[Screw, Estimate], noise: float | None) -> LearnedPrior:
    built_in = Prior()
    parts = list(estimates.values())
    gains = {screw: float(np.exp(part.mean[NAMES.index("log_gain")])) for screw, part in estimates.items()}
    spreads = [np.hypot(part.interval("log_spread")[0], part.sd[NAMES.index("log_gain")]) for part in parts]
    backlash = max(part.interval("log_slack")[2] for part in parts)
    at = NAMES.index("log_lag")
    weights = np.array([part.sd[at] ** -2.0 for part in parts])
    log_lag = float(weights @ [part.mean[at] for part in parts] / weights.sum())
    span = float(np.hypot(LAG_LOG_SD, weights.sum() ** -0.5)) / LAG_SPREAD
    values: dict[str, object] = {
        "gain_per_turn": {screw: gains.get(screw, built_in.gain_per_turn[screw]) for screw in SCREWS},
        "gain_log_sd": max(LEAST_LOG_SD, float(max(spreads))),
        "slack_turns": float(np.clip(backlash, *BACKLASH_LIMITS)),
        "time_constant_s": tuple(float(np.exp(log_lag + span * (place - LAG_PLACE))) for place in (0, 1)),
    }
    if noise is not None:
        values["noise_sd_pct"] = max(noise, 0.005)
    return LearnedPrior(values, jobs=max(part.jobs for part in parts))


def as_table(evidence: pd.DataFrame) -> pd.DataFrame:
    """What was learned, one row per group and screw (the fleet first): estimates with 90 % ranges, jobs.

    Columns GROUP, jobs, and for gain_per_turn, gain_log_sd, slack_turns, time_constant_s: name, name_low, name_high.
    """
    fleet, groups = learn.estimates(evidence)
    whole: dict[tuple[str, ...], Estimate] = {("", "", "", screw): estimate for screw, estimate in fleet.items()}
    rows = []
    said = ("gain_per_turn", "gain_log_sd", "slack_turns", "time_constant_s")
    for key, estimate in {**whole, **groups}.items():
        row: dict[str, object] = {}
        for level, part in zip(GROUP, key, strict=True):
            row[level] = part
        row["jobs"] = estimate.jobs
        for name, inner in zip(said, NAMES, strict=True):
            row[name], row[f"{name}_low"], row[f"{name}_high"] = estimate.interval(inner)
        rows.append(row)
    columns = [*GROUP, "jobs", *(f"{name}{end}" for name in said for end in ("", "_low", "_high"))]
    return pd.DataFrame(rows, columns=columns)


def as_toml(evidence: pd.DataFrame, title: str) -> str:
    """The text of a prior file; its last line tells whether it was edited since."""
    text = format_priors(title, learned(evidence), REMARKS)
    return f"{text}{SEAL}{_digest(text)}\n"


def edited(text: str) -> bool:
    """Whether the text of a prior file is not what `as_toml` wrote."""
    written, _, mark = text.rpartition(SEAL)
    return mark.strip() != _digest(written)


def _digest(text: str) -> str:
    return blake2b(text.encode(), digest_size=6).hexdigest()
