"""What holds for one whole job: the unknowns and their indices, the scales, and what follows from the setup."""

import math
from dataclasses import dataclass

from advisor.job_setup.setup import JobSetup
from advisor.response.hypotheses import LagHypotheses, ScrewHypotheses, lag_hypotheses, screw_hypotheses
from advisor.response.valve import LinearisedScale
from advisor.screws import FIRINGS, SCREWS, Firing, Screw

# indices of the unknowns of the regression, all in % CO2 on the linearised scale, gains per turn
LEVEL: dict[Firing, int] = {"high": 0, "low": 1}  # of each rate, the screws as found
GAIN: dict[Screw, int] = {"offset": 2, "throttle": 3}  # of each screw at its own rate
DRIFT = 4  # slow change after a change of rate
SEGMENT = 5  # error shared by the readings between two changes
ACTUATION = 6  # error of the last turn
GAP = 7  # at a start: from what settles to what was displayed before
UNKNOWNS = 8
AXIS: dict[Screw, int] = {"offset": 1, "throttle": 2}  # of the hypotheses; axis 0 is the lag

GAP_SD_PCT = 1.4  # of the gap, % CO2, own choice
START_GAP_PCT = -1.0  # mean of the gap at a start: the display comes up from clean air, % CO2, own choice


@dataclass(frozen=True)
class Model:
    """Scales and hypotheses of one job.

    scales         linearised scale by rate, centred on its band
    toward_richer  by screw, +1 where clockwise is said to be richer, -1 where leaner
    noise_var      square of the expected standard deviation of one displayed reading, (% CO2)^2
    noise_shape    how firmly that is believed: shape of the inverse-gamma law
    segment_var    of the error shared by the readings of one segment, (% CO2)^2
    """

    setup: JobSetup
    scales: dict[Firing, LinearisedScale]
    lag: LagHypotheses
    screws: dict[Screw, ScrewHypotheses]
    toward_richer: dict[Screw, float]
    noise_var: float
    noise_shape: float
    segment_var: float

    @staticmethod
    def of(setup: JobSetup) -> "Model":
        """The model of a job with this setup."""
        scales = {firing: LinearisedScale(setup.fuel, sum(setup.bands[firing]) / 2) for firing in FIRINGS}
        # rounding to a step: u = step / sqrt(12), JCGM 100:2008 F.2.2.1
        before_rounding_var, rounding_var = setup.prior.noise_sd_pct**2, setup.display_step_pct**2 / 12
        return Model(
            setup=setup,
            scales=scales,
            lag=lag_hypotheses(setup.prior),
            screws={
                screw: screw_hypotheses(setup.prior, screw, setup.clockwise[screw] != "unknown") for screw in SCREWS
            },
            segment_var=setup.prior.segment_sd_pct**2 + _shared_rounding_var(setup),
            toward_richer={s: -1.0 if setup.clockwise[s] == "leaner" else 1.0 for s in SCREWS},
            noise_var=before_rounding_var + rounding_var,
            # rounding is not in doubt: readings that repeat on a coarse display don't show that it is small
            noise_shape=max(setup.prior.noise_shape, (rounding_var / before_rounding_var) ** 2),
        )


def _shared_rounding_var(setup: JobSetup) -> float:
    """Variance of the rounding error that readings of one state share, (% CO2)^2.

    The mean of many readings rounded to a step q, with noise s before rounding, is off by up to
    (q / pi) exp(-2 pi^2 s^2 / q^2): the first term of the Fourier series of rounding. Own derivation.
    """
    step, noise = setup.display_step_pct, setup.prior.noise_sd_pct
    return float((step / math.pi * math.exp(-2 * (math.pi * noise / step) ** 2)) ** 2 / 2)
