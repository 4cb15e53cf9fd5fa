"""What holds for one whole job: the unknowns and their places, the scales, and what follows from the facts."""

import math
from dataclasses import dataclass

from advisor.job_setup.setup import Facts
from advisor.log.events import FIRINGS, SCREWS
from advisor.response.hypotheses import LagHypotheses, ScrewHypotheses, lag_hypotheses, screw_hypotheses
from advisor.response.valve import StraightScale

# places of the unknowns in the regression
LEVEL = {"high": 0, "low": 1}
GAIN = {"offset": 2, "throttle": 3}
DRIFT, STANDSTILL, HAND, GAP, UNKNOWNS = 4, 5, 6, 7, 8
AXIS = {"offset": 1, "throttle": 2}  # of the hypotheses; axis 0 is the lag
GAP_SD_PCT = 1.4  # how far what was displayed before an unlogged change may lie from what settles, % CO2
START_GAP_PCT = -1.0  # where a display stands at the start beside what settles: it comes up from clean air, % CO2
FIRING_FOR = {"offset": "low", "throttle": "high"}
SCREW_FOR = {firing: screw for screw, firing in FIRING_FOR.items()}


@dataclass(frozen=True)
class Model:
    """What holds for the whole job: scales and hypotheses that follow from its facts."""

    facts: Facts
    scales: dict[str, StraightScale]
    lag: LagHypotheses
    screws: dict[str, ScrewHypotheses]
    toward_richer: dict[str, float]  # +1 where clockwise is said to be richer, -1 where leaner
    noise_var: float  # square of the expected spread of one displayed reading, (% CO2)^2
    noise_shape: float  # how firmly that is believed
    standstill_var: float  # of the error shared by the readings of one standstill, (% CO2)^2

    @staticmethod
    def of(facts: Facts) -> "Model":
        """The model of a job with these facts."""
        scales = {firing: StraightScale(facts.fuel, sum(facts.bands[firing]) / 2) for firing in FIRINGS}
        # rounding to a step: u = step / sqrt(12), JCGM 100:2008 F.2.2.1
        before_rounding_var, rounding_var = facts.prior.noise_sd_pct**2, facts.display_step_pct**2 / 12
        return Model(
            facts=facts,
            scales=scales,
            lag=lag_hypotheses(facts.prior),
            screws={
                screw: screw_hypotheses(facts.prior, screw, facts.clockwise[screw] != "unknown") for screw in SCREWS
            },
            standstill_var=facts.prior.standstill_sd_pct**2 + _shared_rounding_var(facts),
            toward_richer={s: -1.0 if facts.clockwise[s] == "leaner" else 1.0 for s in SCREWS},
            noise_var=before_rounding_var + rounding_var,
            # rounding is not in doubt: readings that repeat on a coarse display don't show that it is small
            noise_shape=max(facts.prior.noise_shape, (rounding_var / before_rounding_var) ** 2),
        )


def _shared_rounding_var(facts: Facts) -> float:
    """Variance of the rounding error that readings of one state share, (% CO2)^2.

    The mean of many readings rounded to a step q, with noise s before rounding, is off by up to
    (q / pi) exp(-2 pi^2 s^2 / q^2): the first term of the Fourier series of rounding. Own derivation.
    """
    step, noise = facts.display_step_pct, facts.prior.noise_sd_pct
    return float((step / math.pi * math.exp(-2 * (math.pi * noise / step) ** 2)) ** 2 / 2)
