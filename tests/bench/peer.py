"""A peer that any user could write with a general-purpose library: a Gaussian process for each screw (scikit-learn).

At a rate: display = start + usual gain x turns + f(turns of both screws) + white noise; f is a Gaussian process
(RBF over half a turn; Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, ch. 2; from
memory). It takes the turn with the least expected squared miss among those that keep cap, rich edge and low fire's
limit, and ends a rate at 95 % of its own probability of the band. It waits as long as this boiler needs, which nobody
else is told; of play and the hand it knows nothing.
"""

import math

import numpy as np
from scipy.stats import norm

from advisor.screws import SCREW_FOR, SCREWS, Firing
from advisor.training.simulated_visit import SimulatedVisit
from advisor.training.strategies import (
    MARK_PARTS,
    USUAL_GAIN,
    Set,
    alternate,
    change_wait_s,
    low_likely_pct,
    most_low_pct,
    settling_s,
)

SURE, PAST = 0.95, 0.05  # of the band, to end a rate; of passing the rich edge, at most
NOISE_PCT = 0.06  # % CO2, rounding and what a display still trails by
MOST_REREADS = 4  # readings in a row, then a turn even where staying looks best
GAINS: dict[Firing, list[float]] = {  # % CO2 per turn of each of SCREWS (offset, throttle)
    "high": [0.0, USUAL_GAIN["throttle"]], "low": [USUAL_GAIN["offset"], USUAL_GAIN["throttle"]],
}  # fmt: skip


def gaussian_process(visit: SimulatedVisit) -> SimulatedVisit:
    """A visit by the Gaussian process: wait, read, take the best turn or end the rate."""
    from sklearn.gaussian_process import GaussianProcessRegressor  # here, not above: slow to load
    from sklearn.gaussian_process.kernels import RBF, WhiteKernel

    kernel = RBF(0.5, "fixed") + WhiteKernel(NOISE_PCT**2, "fixed")
    seen: dict[Firing, list[tuple[list[float], float]]] = {"high": [], "low": []}

    def set_rate(firing: Firing) -> Set | None:
        screw, (low, high), setup, turned = SCREW_FOR[firing], visit.bands[firing], visit.job.setup, False
        centre, gains = visit.centres_pct[firing], np.array(GAINS[firing])
        cap, mark = setup.cap_turns[screw], setup.mark_turns[screw]
        eighths = MARK_PARTS[-1]
        counts = [*range(eighths), *range(eighths, math.floor(cap / mark * eighths + 1e-9) + 1, eighths)]
        turns = np.array([sign * count * mark / eighths for count in counts for sign in (1, -1)])
        visit.wait(max(change_wait_s(visit), settling_s(visit.boiler, 0.5 if visit.readings else 1.0)))
        for reads in range(1, 1000):
            hand = [sum(act.turns_cw for act in visit.turns if act.screw == each) for each in SCREWS]
            seen[firing].append((hand, visit.read()))
            x, y = np.array([place for place, _ in seen[firing]]), np.array([shown for _, shown in seen[firing]])
            model = GaussianProcessRegressor(kernel, optimizer=None).fit(x, y - centre - x @ gains)
            there = np.array(hand) + np.outer(turns, [each == screw for each in SCREWS])
            mean, sd = model.predict(there, return_std=True)
            mean, sd = mean + centre + there @ gains, np.sqrt(np.maximum(sd**2 - NOISE_PCT**2, 1e-6))
            if norm.cdf(high, mean[0], sd[0]) - norm.cdf(low, mean[0], sd[0]) >= SURE:
                return "turned" if turned else "held"
            if visit.given_up:
                return None
            forbidden = (turns > 0) & (norm.sf(high, mean, sd) > PAST)
            miss = np.where(forbidden, np.inf, (mean - centre) ** 2 + sd**2)
            near = low <= mean[0] <= high and reads < MOST_REREADS
            miss[:2] = miss[0] if near else np.inf  # to stay is to read again
            best = float(turns[int(np.argmin(miss))])
            if not best or not np.isfinite(miss.min()):
                continue
            if low_likely_pct(visit, screw, best) > most_low_pct(visit):
                return "open"
            visit.turn(screw, best)
            visit.wait(max(setup.min_wait_s[screw], settling_s(visit.boiler, 0.5)))
            turned = True
        return None

    return alternate(visit, set_rate, 1)
