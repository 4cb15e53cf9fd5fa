"""A prior learned from many jobs: an empirical-Bayes (hierarchical) estimate by group of jobs.

In one group the log gain of a screw is Normal(mean m, spread s), its slack even from 0 to w, the logarithm of the
display's time constant Normal(log t, LAG_LOG_SD). For fixed (m, s, w, t) a job's likelihood is a weighted sum over the
grids of `batch`, and the group's log-likelihood is the sum over its jobs:

    log L(m, s, w, t) = sum over jobs of log sum over gain, slack, lag of P(gain, slack, lag | m, s, w, t) L_job    (1)

Evaluated on a fixed grid of (m, s, w, t) this sum is additive: parts of a fleet combine exactly by adding their tables
(`evidence`), whatever the split. Jobs of which the screw is faulty carry little weight: (1) also has the chance that
the screw works the other way or does nothing. Groups are then shrunk to the fleet:

    log posterior = log L + log Normal(m, log s, log w, log t; fleet, between groups)        (2)

with the spread between groups estimated by expectation-maximisation. Own derivation from Gelman et al., Bayesian Data
Analysis, 3rd ed., ch. 5 (from memory).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from advisor.job_setup.prior import Prior
from advisor.screws import SCREWS, Screw
from advisor.study import batch
from advisor.study.batch import BACKLASH, LOG_GAIN, TIME_CONSTANT
from advisor.study.frames import words
from advisor.study.tables import turndown_range
from advisor.study.timeline import OWN_SCREW, READING, Array, Timeline, timeline

GROUP = ("fuel", "valve_family", "turndown_range", "screw")
LAG_LOG_SD = 0.45  # spread of the log time constant in one group; about that of the built-in prior
# Of NAMES: how far the fast regression itself is off, as seen on fleets of known figures. More jobs do not mend it.
MODEL_SD = np.array([0.03, 0.06, 0.2, 0.1])
MEANS = np.linspace(np.log(0.6), np.log(36.0), 38)  # of the log gain
SPREADS = np.geomspace(0.1, 1.2, 10)
WIDEST = np.array([1 / 96, 1 / 48, 1 / 32, 1 / 24, 1 / 16])  # turns
LAGS = np.geomspace(8.0, 55.0, 6)  # s
AXES = (MEANS, np.log(SPREADS), np.log(WIDEST), np.log(LAGS))
NAMES = ("log_gain", "log_spread", "log_slack", "log_lag")
SHAPE = tuple(axis.size for axis in AXES)
JOBS_AT_ONCE = 32
FEWEST_REREADS = 50
COUNTS = ("jobs", "rereads", "reread_pct", "reread_pct2")
FIRST_CELL = len(COUNTS)
FIGURES = FIRST_CELL + int(np.prod(SHAPE))

Totals = dict[tuple[str, ...], Array]  # all figures of each group


@lru_cache(maxsize=1)
def _chances() -> tuple[Array, Array, Array]:
    """P(log gain | m, s) (gains, m s), P(slack | w) (w, slacks), P(lag | t) (t, lags)."""
    means, spreads = np.meshgrid(MEANS, SPREADS, indexing="ij")
    away = (LOG_GAIN[:, None] - means.ravel()) / spreads.ravel()
    gain = np.exp(-0.5 * away**2) / spreads.ravel()
    fine = np.linspace(0, 1, 401)
    backlash = np.stack([_hats(BACKLASH, fine * widest).mean(axis=0) for widest in WIDEST])
    normal = np.exp(-0.5 * np.linspace(-3.5, 3.5, 701) ** 2)
    lag = np.stack(
        [
            normal @ _hats(np.log(TIME_CONSTANT), np.log(t) + LAG_LOG_SD * np.linspace(-3.5, 3.5, 701)) / normal.sum()
            for t in LAGS
        ]
    )
    return gain / gain.sum(axis=0), backlash, lag


def _hats(nodes: Array, points: Array) -> Array:
    """Weights with which a function known at nodes is interpolated, straight between them, at points (P, nodes)."""
    return np.stack([np.interp(points, nodes, row) for row in np.eye(nodes.size)], axis=1)


def evidence(rows: pd.DataFrame) -> pd.DataFrame:
    """The additive summary of the jobs in a frame of log rows: columns GROUP, `figure` and `value`.

    Figures COUNTS (jobs that say something; pairs of readings of one standstill, sums of their differences and of the
    squares, % CO2) and, from FIRST_CELL on, equation (1) on the grid. Practice on a made-up boiler is
    left out. Parts of a fleet are put together by summing `value` over equal group and figure (`combined`), here or in
    any engine.
    """
    return as_evidence(screws_and_totals(timeline(rows))[1])


def screws_and_totals(line: Timeline) -> tuple[pd.DataFrame, Totals]:
    """`batch.screws` and the evidence of a timeline at once: both rest on the same likelihoods."""
    total: Totals = {}
    screws = [batch.table_of(line, batch.NOTHING)]
    _add_rereads(total, line)
    for found in batch.likelihoods(line):
        screws.append(batch.table_of(line, found))
        groups: dict[tuple[str, ...], list[int]] = {}
        for place, (job, screw) in enumerate(zip(found.job, found.screw, strict=True)):
            if not line.setup[job].practice:
                groups.setdefault(_group(line, job, screw), []).append(place)
        for group, places in groups.items():
            sound, other_way, nothing = batch.fault_chances(line, found.job[places]).T
            faulty = other_way * found.reversed[places] + nothing * found.dead[places]
            row = total.setdefault(group, np.zeros(FIGURES))
            row[0] += len(places)
            row[FIRST_CELL:] += log_likelihood(found.gain[places], sound, faulty)
    return pd.concat(screws, ignore_index=True), total


def combined(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Evidence of several parts of a fleet together; a job must be in one part only."""
    total: Totals = {}
    for part in parts:
        add(total, totals(part))
    return as_evidence(total)


def add(total: Totals, more: Totals) -> None:
    """Add the evidence of a part to a running total."""
    for group, row in more.items():
        total[group] = total[group] + row if group in total else row


def totals(found: pd.DataFrame) -> Totals:
    """All figures of each group in a table of evidence."""
    total: Totals = {}
    for group, part in found.fillna({"valve_family": ""}).groupby(list(GROUP), sort=True):
        row = total.setdefault(tuple(map(str, group)), np.zeros(FIGURES))
        np.add.at(row, part["figure"].to_numpy(np.int64), part["value"].to_numpy(np.float64))
    return total


def as_evidence(total: Totals) -> pd.DataFrame:
    """All figures of each group as a table of evidence."""
    groups = sorted(total)
    columns = {name: words(np.repeat([group[n] for group in groups], FIGURES)) for n, name in enumerate(GROUP)}
    figures = np.tile(np.arange(FIGURES), len(groups))
    values = np.concatenate([np.zeros(0), *(total[group] for group in groups)])
    return pd.DataFrame({**columns, "figure": figures, "value": values})


def log_likelihood(gain: Array, sound: Array, faulty: Array) -> Array:
    """Equation (1) on the grid (cells,), summed over jobs: gain (K, lags, slacks, gains) of a screw that works.

    sound (K,)   chance that it works; faulty (K,): chances of its faults, each times its likelihood
    """
    of_gain, of_backlash, of_lag = _chances()
    total = np.zeros((WIDEST.size * LAGS.size, MEANS.size * SPREADS.size))
    for first in range(0, len(gain), JOBS_AT_ONCE):  # few at a time, to stay in cache
        some = gain[first : first + JOBS_AT_ONCE]
        mixed = np.einsum("wb,tl,klbz->kwtz", of_backlash, of_lag, some, optimize=True).reshape(-1, LOG_GAIN.size)
        cells = (mixed @ of_gain).reshape(len(some), *total.shape)
        cells *= sound[first : first + JOBS_AT_ONCE, None, None]
        cells += faulty[first : first + JOBS_AT_ONCE, None, None] + 1e-300
        total += np.log(cells, out=cells).sum(axis=0)
    # (w t, m s) -> (m, s, w, t)
    whole: Array = total.T.reshape(SHAPE).ravel()
    return whole


def _group(line: Timeline, job: int, screw: int) -> tuple[str, str, str, str]:
    setup = line.setup[job]
    return setup.fuel.name, setup.valve_family, turndown_range(setup.turndown), SCREWS[screw]


def _add_rereads(total: Totals, line: Timeline) -> None:
    """Add the differences of settled readings that follow each other in one standstill."""
    reads = np.flatnonzero(line.settled & (line.kind == READING))
    same = line.segment[reads[:-1]] == line.segment[reads[1:]]
    first, second = reads[:-1][same], reads[1:][same]
    for at, apart in zip(second, np.abs(line.co2_pct[second] - line.co2_pct[first]), strict=True):
        if line.setup[line.job[at]].practice:
            continue
        row = total.setdefault(_group(line, line.job[at], OWN_SCREW[line.firing[at]]), np.zeros(FIGURES))
        row[1:4] += (1.0, apart, apart**2)


# --- from evidence to a prior -----------------------------------------------------------------------


@dataclass(frozen=True)
class Estimate:
    """What one group (or the fleet) says: posterior means and spreads of NAMES, and how many jobs.

    mean, sd   arrays of four: log gain (% CO2 per turn), log of its spread, log widest slack (turns), log lag (s)
    """

    jobs: int
    mean: Array
    sd: Array

    def interval(self, name: str, width: float = 1.6449) -> tuple[float, float, float]:
        """Estimate with its range (90 % by default) of one of NAMES, not as a logarithm."""
        at = NAMES.index(name)
        middle, half = self.mean[at], width * self.sd[at]
        return float(np.exp(middle)), float(np.exp(middle - half)), float(np.exp(middle + half))


def _built_in(screw: str) -> tuple[Array, Array]:
    """Weak beliefs about NAMES before any job: the built-in prior, with wide spreads (own choice)."""
    prior = Prior()
    short, long = prior.time_constant_s
    middle = short * (long / short) ** 0.37
    mean = np.log([prior.gain_per_turn[screw], 0.5, prior.backlash_turns / 2, middle])
    return mean, np.array([1.0, 0.7, 0.7, 0.6])


def posterior(cells: Array, mean: Array, sd: Array) -> tuple[Array, Array]:
    """Posterior mean and spread of NAMES, in their units, from a table of (1) and independent normal beliefs (2).

    The table is interpolated by cubic splines and integrated on a grid that closes in on the posterior.
    """
    from scipy.interpolate import CubicSpline

    table = cells.reshape(SHAPE)
    grids = list(AXES)
    for _ in range(6):
        fine = table
        for number, grid in enumerate(grids):
            fine = CubicSpline(AXES[number], fine, axis=number)(grid)
        for number, grid in enumerate(grids):
            shape = [1] * len(AXES)
            shape[number] = -1
            fine = fine - (0.5 * ((grid - mean[number]) / sd[number]) ** 2).reshape(shape)
        weight = np.exp(fine - fine.max())
        found, spread = _margins(weight / weight.sum(), grids)
        reach = 4.5 * np.maximum(spread, [(grid[1] - grid[0]) / 3 for grid in grids])
        ends = zip(AXES, found - reach, found + reach, strict=True)
        grids = [np.linspace(max(axis[0], low), min(axis[-1], high), 19) for axis, low, high in ends]
    return found, spread


def _margins(weight: Array, grids: list[Array]) -> tuple[Array, Array]:
    """Mean and spread along each axis of weights that sum to 1."""
    found, spread = np.zeros(len(grids)), np.zeros(len(grids))
    for number, grid in enumerate(grids):
        margin = weight.sum(axis=tuple(axis for axis in range(len(grids)) if axis != number))
        found[number] = margin @ grid
        spread[number] = np.sqrt(margin @ (grid - found[number]) ** 2)
    return found, spread


def estimates(found: pd.DataFrame) -> tuple[dict[Screw, Estimate], dict[tuple[str, ...], Estimate]]:
    """The fleet's estimate by screw, and each group's, shrunk to the fleet as far as the groups are alike."""
    fleet: dict[Screw, Estimate] = {}
    groups: dict[tuple[str, ...], Estimate] = {}
    told = {group: row for group, row in totals(found).items() if row[0] > 0}
    for screw in SCREWS:
        here = {group: row for group, row in told.items() if group[-1] == screw}
        if not here:
            continue
        start, whole = _built_in(screw), sum(here.values(), np.zeros(FIGURES))
        fleet[screw] = _estimate(whole[0], *posterior(whole[FIRST_CELL:], *start))
        alone = [posterior(row[FIRST_CELL:], *start) for row in here.values()]
        centre, between = _between(alone, fleet[screw])
        for group, row in here.items():
            groups[group] = _estimate(row[0], *posterior(row[FIRST_CELL:], centre, between))
    return fleet, groups


def _estimate(jobs: float, mean: Array, sd: Array) -> Estimate:
    """An estimate whose spread allows for what more jobs would not mend."""
    return Estimate(int(jobs), mean, np.hypot(sd, MODEL_SD))


def _between(alone: list[tuple[Array, Array]], fleet: Estimate) -> tuple[Array, Array]:
    """Mean and spread of the groups' true figures, by expectation-maximisation on their normal approximations.

    The weak start (a spread of 0.5 with the weight of two groups) keeps few groups from looking alike by chance.
    """
    means, variances = (np.array([part[number] for part in alone]) for number in (0, 1))
    variances = variances**2
    centre, between = fleet.mean, np.full(len(NAMES), 0.5**2)
    for _ in range(50):
        shrunk = (means / variances + centre / between) / (1 / variances + 1 / between)
        left = 1 / (1 / variances + 1 / between)
        centre = (shrunk.sum(axis=0) + fleet.mean) / (len(alone) + 1)
        between = (((shrunk - centre) ** 2 + left).sum(axis=0) + 2 * 0.5**2) / (len(alone) + 2)
    return centre, np.sqrt(between)


def noise_sd_pct(found: pd.DataFrame) -> tuple[float, int] | None:
    """Spread of one reading before rounding, % CO2, from readings taken twice, and their number; None under 50 pairs.

    With rounding phases evenly spread, the mean difference displayed is the mean true difference, which is
    2 / sqrt(pi) times the spread of one reading if that is normal.
    """
    whole = sum(totals(found).values(), np.zeros(FIGURES))
    pairs, apart = whole[COUNTS.index("rereads")], whole[COUNTS.index("reread_pct")]
    return (float(apart / pairs * np.sqrt(np.pi) / 2), int(pairs)) if pairs >= FEWEST_REREADS else None
