"""The population of valves that the jobs came from: an empirical-Bayes (hierarchical) estimate by group of jobs.

In one group the log gain of a screw is Normal(mean m, sd s), its backlash even from 0 to w, the logarithm of the
display's time constant Normal(log t, LAG_LOG_SD). For fixed (m, s, w, t) a job's likelihood is a weighted sum over the
grids of `likelihoods`, and the group's log-likelihood is the sum over its jobs:

    log L(m, s, w, t) = sum over jobs of log sum over gain, backlash, lag of P(these | m, s, w, t) L_job     (1)

Evaluated on a fixed grid of (m, s, w, t) this sum is additive: parts of a fleet combine exactly by adding their tables
(`evidence`), whatever the split. Jobs of which the screw is faulty carry little weight: (1) also has the probability
that the screw works the other way or does nothing.

Groups differ too: each of the four logarithms x of (median, s, w, t) is Normal(u, v) over groups. What all groups say
of one of them is then its own (1) times what the other groups lead one to expect of it:

    p(x_g | all) ~ L_g(x_g) N(x_g; m_-g, s_-g)                                                              (2)

with m_-g, s_-g the mean and sd of a new group given the groups other than g; u is integrated in closed form, v on a
grid. No job counts twice. Own derivation from Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 5 [M].
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import numpy as np
import pandas as pd

from advisor.job_setup.prior import Prior
from advisor.screws import SCREWS, Screw
from advisor.study.frames import text_column
from advisor.study.likelihoods import BACKLASH, LOG_GAIN, TIME_CONSTANT, fault_chances, likelihoods, moments, table_of
from advisor.study.tables import turndown_range
from advisor.study.timeline import OWN_SCREW, Array, Timeline, timeline

GROUP = ("fuel", "valve_family", "turndown_range", "screw")
LAG_LOG_SD = 0.45  # sd of the log time constant in one group; about that of the built-in prior
# Of NAMES: how far the fast regression itself is off, as seen on fleets of known populations. More jobs do not mend it.
MODEL_SD = np.array([0.01, 0.03, 0.25, 0.1])
MEANS = np.linspace(np.log(0.6), np.log(36.0), 38)  # of the log gain
SDS = np.geomspace(0.1, 1.2, 10)  # of the log gain
WIDEST = np.array([1 / 96, 1 / 48, 1 / 32, 1 / 24, 1 / 16])  # backlash, turns
LAGS = np.geomspace(8.0, 55.0, 6)  # s
AXES = (MEANS, np.log(SDS), np.log(WIDEST), np.log(LAGS))
NAMES = ("gain_per_turn", "gain_log_sd", "backlash_turns", "time_constant_s")  # what AXES are the logarithms of
SHAPE = tuple(axis.size for axis in AXES)
JOBS_AT_ONCE = 32
FEWEST_REREADS = 50
BETWEEN = np.geomspace(0.02, 2.0, 30)  # sd of the logarithms of NAMES from group to group
CENTRE_SHARE = 0.2  # of the variance of a belief: of the centre of all groups; the rest is what groups differ by
LEAST_PRECISION = 1e-3
FIRST_CELL = 4  # after the counts, see `evidence`
QUANTITIES = FIRST_CELL + int(np.prod(SHAPE))

Totals = dict[tuple[str, ...], Array]  # all quantities of each group


def evidence(rows: pd.DataFrame) -> pd.DataFrame:
    """The additive summary of the jobs in a frame of log rows; practice on a made-up boiler is left out.

    fuel, valve_family, turndown_range, screw  the group
    quantity  number of the quantity. 0 to 3: jobs that say something; pairs of readings of one segment, sum of
              their differences, % CO2, and of the squares, (% CO2)^2. From FIRST_CELL on: equation (1) on the grid
    value     its value

    Parts of a fleet are put together by summing `value` over equal group and quantity (`combined`, or any engine).
    """
    return as_evidence(screws_and_totals(timeline(rows))[1])


def screws_and_totals(line: Timeline) -> tuple[pd.DataFrame, Totals]:
    """`likelihoods.screws` and the evidence of a timeline at once: both rest on the same likelihoods."""
    screws, total = [], _rereads(line)
    for found in likelihoods(line):
        screws.append(table_of(line, found))
        groups: dict[tuple[str, ...], list[int]] = {}
        for place, (job, screw) in enumerate(zip(found.job, found.screw, strict=True)):
            if not line.setup[job].practice:
                groups.setdefault(_group(line, job, screw), []).append(place)
        for group, places in groups.items():
            sound, other_way, nothing = fault_chances(line, found.job[places]).T
            faulty = other_way * found.reversed[places] + nothing * found.dead[places]
            row = total.setdefault(group, np.zeros(QUANTITIES))
            row[0] += len(places)
            row[FIRST_CELL:] += log_likelihood(found.gain[places], sound, faulty)
    return pd.concat(screws, ignore_index=True), total


def combined(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Evidence of several parts of a fleet together; a job must be in one part only."""
    return as_evidence(totals(pd.concat(list(parts))))


def add(total: Totals, more: Totals) -> None:
    """Add the evidence of a part to a running total."""
    for group, row in more.items():
        total[group] = total.get(group, 0) + row


def totals(found: pd.DataFrame) -> Totals:
    """All quantities of each group in a table of evidence."""
    total: Totals = {}
    for group, part in found.fillna({"valve_family": ""}).groupby(list(GROUP), sort=True):
        row = total[tuple(map(str, group))] = np.zeros(QUANTITIES)
        np.add.at(row, part["quantity"].to_numpy(np.int64), part["value"].to_numpy(np.float64))
    return total


def as_evidence(total: Totals) -> pd.DataFrame:
    """All quantities of each group as a table of evidence."""
    groups = sorted(total)
    columns = {name: text_column(np.repeat([group[n] for group in groups], QUANTITIES)) for n, name in enumerate(GROUP)}
    values = np.concatenate([np.zeros(0), *(total[group] for group in groups)])
    return pd.DataFrame({**columns, "quantity": np.tile(np.arange(QUANTITIES), len(groups)), "value": values})


def log_likelihood(gain: Array, sound: Array, faulty: Array) -> Array:
    """Equation (1) on the grid (cells,), summed over K jobs.

    gain    likelihood of a screw that works (K, lags, backlashes, gains)
    sound   probability that it works (K,)
    faulty  probabilities of its faults, each times its likelihood (K,)
    """
    of_gain, of_backlash, of_lag = _chances()
    total = np.zeros((WIDEST.size * LAGS.size, MEANS.size * SDS.size))
    for first in range(0, len(gain), JOBS_AT_ONCE):  # few at a time, to stay in cache
        at = slice(first, first + JOBS_AT_ONCE)
        mixed = np.einsum("wb,tl,klbz->kwtz", of_backlash, of_lag, gain[at], optimize=True)
        cells = (mixed.reshape(-1, LOG_GAIN.size) @ of_gain).reshape(-1, *total.shape)
        cells *= sound[at, None, None]
        cells += faulty[at, None, None] + 1e-300
        total += np.log(cells, out=cells).sum(axis=0)
    whole: Array = total.T.ravel()  # (w t, m s) -> (m, s, w, t)
    return whole


@lru_cache(maxsize=1)
def _chances() -> tuple[Array, Array, Array]:
    """P(log gain | m, s) (gains, m s), P(backlash | w) (w, backlashes), P(lag | t) (t, lags)."""
    means, sds = np.meshgrid(MEANS, SDS, indexing="ij")
    gain = np.exp(-0.5 * ((LOG_GAIN[:, None] - means.ravel()) / sds.ravel()) ** 2) / sds.ravel()
    backlash = [_hats(BACKLASH, np.linspace(0, widest, 401)).mean(axis=0) for widest in WIDEST]
    away = np.linspace(-3.5, 3.5, 701)
    normal = np.exp(-0.5 * away**2) / np.exp(-0.5 * away**2).sum()
    lag = [normal @ _hats(np.log(TIME_CONSTANT), np.log(t) + LAG_LOG_SD * away) for t in LAGS]
    return gain / gain.sum(axis=0), np.stack(backlash), np.stack(lag)


def _hats(nodes: Array, points: Array) -> Array:
    """Weights with which a function known at nodes is interpolated linearly at points (P, nodes)."""
    return np.stack([np.interp(points, nodes, row) for row in np.eye(nodes.size)], axis=1)


def _group(line: Timeline, job: int, screw: int) -> tuple[str, str, str, str]:
    setup = line.setup[job]
    return setup.fuel.name, setup.valve_family, turndown_range(setup.turndown), SCREWS[screw]


def _rereads(line: Timeline) -> Totals:
    """Differences of settled readings that follow each other in one segment."""
    total: Totals = {}
    reads = np.flatnonzero(line.settled)
    same = line.segment[reads[:-1]] == line.segment[reads[1:]]
    first, second = reads[:-1][same], reads[1:][same]
    for at, apart in zip(second, np.abs(line.co2_pct[second] - line.co2_pct[first]), strict=True):
        if not line.setup[line.job[at]].practice:
            row = total.setdefault(_group(line, line.job[at], OWN_SCREW[line.firing[at]]), np.zeros(QUANTITIES))
            row[1:FIRST_CELL] += (1.0, apart, apart**2)
    return total


# --- from evidence to estimates ---------------------------------------------------------------------


@dataclass(frozen=True)
class Estimate:
    """Posterior of one group, or of the fleet.

    jobs      how many it rests on
    mean, sd  of the logarithms of NAMES (4,)
    """

    jobs: int
    mean: Array
    sd: Array

    def interval(self, name: str) -> tuple[float, float, float]:
        """Estimate of one of NAMES with its 90 % range (low, high)."""
        at = NAMES.index(name)
        middle, low, high = np.exp(self.mean[at] + 1.6449 * self.sd[at] * np.array([0, -1, 1]))
        return float(middle), float(low), float(high)


def as_table(evidence: pd.DataFrame) -> pd.DataFrame:
    """The estimates, one row per group and screw; the fleet first, with fuel, valve_family, turndown_range empty.

    fuel, valve_family, turndown_range, screw  the group
    jobs  real jobs that turned the screw between two readings
    gain_per_turn, gain_per_turn_low, gain_per_turn_high  of the median valve, at the band's centre, % CO2 per turn
    gain_log_sd, gain_log_sd_low, gain_log_sd_high  sd of the gain's logarithm from valve to valve
    backlash_turns, backlash_turns_low, backlash_turns_high  widest backlash, turns
    time_constant_s, time_constant_s_low, time_constant_s_high  of the display, s

    _low and _high bound the 90 % range of the estimate.
    """
    fleet, groups = estimates(evidence)
    whole: dict[tuple[str, ...], Estimate] = {("", "", "", screw): estimate for screw, estimate in fleet.items()}
    columns = [*GROUP, "jobs", *(f"{name}{end}" for name in NAMES for end in ("", "_low", "_high"))]
    rows = [
        (*key, estimate.jobs, *(value for name in NAMES for value in estimate.interval(name)))
        for key, estimate in {**whole, **groups}.items()
    ]
    return pd.DataFrame(rows, columns=columns)


def estimates(found: pd.DataFrame) -> tuple[dict[Screw, Estimate], dict[tuple[str, ...], Estimate]]:
    """The fleet's estimate by screw, and each group's, shrunk to the fleet as far as the groups are alike."""
    fleet: dict[Screw, Estimate] = {}
    groups: dict[tuple[str, ...], Estimate] = {}
    known = {group: row for group, row in totals(found).items() if row[0] > 0}
    for screw in SCREWS:
        here = {group: row for group, row in known.items() if group[-1] == screw}
        if not here:
            continue
        start, whole = _built_in(screw), sum(here.values(), np.zeros(QUANTITIES))
        fleet[screw] = _estimate(whole, *start)
        alone = [posterior(row[FIRST_CELL:], *start) for row in here.values()]
        means, sds = (np.array(of) for of in zip(*alone, strict=True))
        expected = new_group(means, sds, *start)
        groups |= {group: _estimate(row, *of) for (group, row), of in zip(here.items(), expected, strict=True)}
    return fleet, groups


def _estimate(row: Array, mean: Array, sd: Array) -> Estimate:
    """An estimate whose sd allows for what more jobs would not mend."""
    mean, sd = posterior(row[FIRST_CELL:], mean, sd)
    return Estimate(int(row[0]), mean, np.hypot(sd, MODEL_SD))


def _built_in(screw: str) -> tuple[Array, Array]:
    """Beliefs (mean, sd) about the logarithms of NAMES in a group of which no job is known; own choice.

    Together with the spread within a group they come to what the built-in prior says of one valve.
    """
    prior = Prior()
    short, long = prior.time_constant_s
    middle = short * (long / short) ** 0.37
    mean = np.log([prior.gain_per_turn[screw], 0.4, prior.backlash_turns / 2, middle])
    return mean, np.array([0.6, 0.5, 0.5, 0.45])


@cache
def _splines() -> tuple[Any, ...]:
    """For each of AXES a function of points: the weights (points, nodes) that a cubic spline gives the nodes."""
    from scipy.interpolate import CubicSpline

    return tuple(CubicSpline(axis, np.eye(axis.size)) for axis in AXES)


def posterior(cells: Array, mean: Array, sd: Array) -> tuple[Array, Array]:
    """Posterior mean and sd of the logarithms of NAMES (units as there), from a table of (1) and normal beliefs (2).

    The table is interpolated by cubic splines and integrated on a grid that closes in on the posterior.
    """
    table, grids, axes = cells.reshape(SHAPE), list(AXES), range(len(AXES))
    for _ in range(6):
        fine = table
        for number, (spline, grid) in enumerate(zip(_splines(), grids, strict=True)):
            fine = np.moveaxis(np.tensordot(spline(grid), fine, (1, number)), 0, number)
        for number, grid in enumerate(np.ix_(*grids)):
            fine = fine - 0.5 * ((grid - mean[number]) / sd[number]) ** 2
        weight = np.exp(fine - fine.max())
        margins = [weight.sum(axis=tuple(axis for axis in axes if axis != number)) for number in axes]
        of_axes = [moments(margin / margin.sum(), grid) for margin, grid in zip(margins, grids, strict=True)]
        found, found_sd = np.array(of_axes).T
        reach = 4.5 * np.maximum(found_sd, [(grid[1] - grid[0]) / 3 for grid in grids])
        ends = zip(AXES, found - reach, found + reach, strict=True)
        grids = [np.linspace(max(axis[0], low), min(axis[-1], high), 19) for axis, low, high in ends]
    return found, found_sd


def new_group(means: Array, sds: Array, mean: Array, sd: Array) -> list[tuple[Array, Array]]:
    """Mean and sd of (2) for each of G groups, from the others alone.

    means, sds  what each group says by itself of the logarithms of NAMES (G, 4), under normal beliefs `mean`, `sd`
                about one group, which are taken out again here
    """
    centre_var, between_var = CENTRE_SHARE * sd**2, (1 - CENTRE_SHARE) * sd**2
    precision = np.maximum(sds**-2.0 - sd**-2.0, LEAST_PRECISION)
    found = (means * sds**-2.0 - mean * sd**-2.0) / precision
    spread = BETWEEN[:, None, None]  # (B, G, 4): each sd between groups, group, name
    weight = 1 / (1 / precision + spread**2)
    log_share = 0.5 * (np.log(weight) - weight * found**2)

    def others(values: Array) -> Array:
        total: Array = values.sum(axis=1, keepdims=True) - values
        return total

    whole = 1 / centre_var + others(weight)
    centre = (mean / centre_var + others(weight * found)) / whole
    log_weight = others(log_share) + 0.5 * (whole * centre**2 - np.log(whole))
    log_weight += np.log(spread) - 0.5 * spread**2 / between_var  # half normal, on a logarithmic grid
    chance = np.exp(log_weight - log_weight.max(axis=0))
    chance /= chance.sum(axis=0)
    expected = (chance * centre).sum(axis=0)
    var = (chance * (1 / whole + spread**2 + (centre - expected) ** 2)).sum(axis=0)
    return list(zip(expected, np.sqrt(var), strict=True))


def noise_sd_pct(found: pd.DataFrame) -> tuple[float, int] | None:
    """Sd of one reading before rounding, % CO2, from readings taken twice, and their number; None under 50 pairs.

    With rounding phases evenly spread, the mean difference displayed is the mean true difference, which is
    2 / sqrt(pi) times the sd of one reading if that is normal.
    """
    _, pairs, apart, _ = sum(totals(found).values(), np.zeros(QUANTITIES))[:FIRST_CELL]
    return (float(apart / pairs * np.sqrt(np.pi) / 2), int(pairs)) if pairs >= FEWEST_REREADS else None
