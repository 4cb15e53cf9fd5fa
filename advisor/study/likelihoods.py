"""What each job's readings say of gain, backlash and lag of each screw: one regression for all jobs at once.

For one screw at its own rate, under one hypothesis of backlash, start within it, dead time and time constant, a
reading i on a scale that is linear in the screw is

    y_i - r_i y_0 = (1 - r_i) level + g x_i + e_i                                                         (1)

x_i   how far the display shows the screw moved since the leg began, backlash and lag taken out
r_i   what it still shows of the state before the leg, which was displayed as y_0; 0 where nobody read that
with one level for each leg: a stay at the rate without a turn of the other screw. With the levels integrated out, the
likelihood of g has the sums A = S xx, B = S xy, C = S yy beside the levels (weights 1 / variance of e_i), and the rest

    Q(g) = C - B^2 / A + A (g - B / A)^2 / (1 + A h g^2)                                                   (2)

in which h is the variance of the error of all turns together, as a share of g. The noise is unknown by a factor, as in
the filter (inverse gamma of that shape a and scale b in noise variances), so for n readings beyond the levels

    L(g) ~ (1 + A h g^2)^(-1/2) (1 + Q(g) / (2 b))^-(a + n / 2)                                            (3)

Own derivation. Each screw stands by itself; the exact model is `advisor.response.filter`, whose own likelihoods take 45
ms a job against 0.6 and are no closer: on invented fleets of 14 families, 1,000 jobs each, the median gain is off by
-0.1 +- 0.2 % (offset) and +0.5 +- 0.4 % (throttle); by the filter -1.5 and -2.5 % in the first of them, with its few
nodes of lag 25 % too fast. All jobs go through numpy together.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.response.regression import expected_sd_share
from advisor.response.valve import apply_backlash, step_response
from advisor.screws import SCREWS
from advisor.study.frames import text_column
from advisor.study.timeline import OWN_FIRING, READING, TURN, Array, Ints, Timeline, timeline

LOG_GAIN = np.linspace(np.log(0.2), np.log(80.0), 81)  # of % CO2 per turn
BACKLASH = np.array([0.0, 1 / 64, 1 / 32, 3 / 64, 1 / 16])  # turns
STARTS = np.array([-2 / 3, 0.0, 2 / 3])  # of half the backlash, equally likely
TIME_CONSTANT = np.geomspace(7.0, 66.0, 6)  # s
DEAD_TIME = np.array([7.0, 13.0])  # s, equally likely
LAGS = np.tile(DEAD_TIME, TIME_CONSTANT.size), np.repeat(TIME_CONSTANT, DEAD_TIME.size)  # s, all L of them
FORGET_S = 300.0  # a turn longer ago than this is displayed in full
GAP_PCT, GAP_FROM_S, GAP_TIME_S = 0.6, 12.0, 20.0  # what is left on display of a state that nobody read, % CO2, s
JOBS_AT_ONCE, PAIRS_AT_ONCE = 400, 8


@dataclass(frozen=True)
class Likelihood:
    """Likelihoods of K pairs of a job and a screw, each scaled to a largest value of 1.

    job, screw      (K,)
    gain            of a screw that works as stated (K, time constants, backlashes, log gains)
    reversed, dead  of one that works the other way, or does nothing, on the same scale (K,)
    """

    job: Ints
    screw: Ints
    gain: Array
    reversed: Array
    dead: Array


def likelihoods(line: Timeline) -> Iterator[Likelihood]:
    """Likelihoods of every pair of a job and a screw that was turned between two readings, some jobs at a time."""
    for first in range(0, max(1, len(line.jobs)), JOBS_AT_ONCE):
        rows = np.arange(*np.searchsorted(line.job, (first, first + JOBS_AT_ONCE)))
        for screw in range(2):
            yield _likelihood(line, rows, screw)


def screws(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per job and screw that was turned between readings: what this job's readings alone say of it.

    job, screw    name of the job; which screw
    gain_per_turn, gain_per_turn_low, gain_per_turn_high  estimate and 90 % range at the band's centre, in the stated
                  richer direction, % CO2 per turn; nothing is assumed of it but a size of 0.2 to 80
    gain_doubt_log_sd  standard deviation of the estimate's logarithm: the job's doubt, not the spread among valves
    backlash_turns, backlash_doubt_sd  estimate and its standard deviation, turns
    time_constant_s  of the display, s
    time_constant_doubt_log_sd  standard deviation of its logarithm
    chance_reversed, chance_dead  probability that the screw works the other way; that it does nothing, 0 to 1

    A job alone hardly tells backlash and lag: all are equally likely here, so the gains lie 4 to 5 % above the truth in
    the median (an invented fleet of 300 jobs), within 1 % once the fleet's backlash and lag are known (`population`).
    """
    line = timeline(rows)
    return pd.concat([table_of(line, found) for found in likelihoods(line)], ignore_index=True)


def table_of(line: Timeline, found: Likelihood) -> pd.DataFrame:
    """`screws` of some likelihoods."""
    sound, other_way, nothing = fault_chances(line, found.job).T
    whole = sound * found.gain.mean(axis=(1, 2, 3)) + other_way * found.reversed + nothing * found.dead
    weight = found.gain / found.gain.sum(axis=(1, 2, 3), keepdims=True)
    by_gain = weight.sum(axis=(1, 2))
    log_gain, log_gain_sd = moments(by_gain, LOG_GAIN)
    backlash, backlash_sd = moments(weight.sum(axis=(1, 3)), BACKLASH)
    log_lag, log_lag_sd = moments(weight.sum(axis=(2, 3)), np.log(TIME_CONSTANT))
    low, high = (np.exp(_ppf(np.cumsum(by_gain, axis=1), chance)) for chance in (0.05, 0.95))
    return pd.DataFrame(
        {
            "job": text_column(line.jobs[job] for job in found.job),
            "screw": text_column(SCREWS[screw] for screw in found.screw),
            "gain_per_turn": np.exp(log_gain),
            "gain_per_turn_low": low,
            "gain_per_turn_high": high,
            "gain_doubt_log_sd": log_gain_sd,
            "backlash_turns": backlash,
            "backlash_doubt_sd": backlash_sd,
            "time_constant_s": np.exp(log_lag),
            "time_constant_doubt_log_sd": log_lag_sd,
            "chance_reversed": other_way * found.reversed / whole,
            "chance_dead": nothing * found.dead / whole,
        }
    )


def fault_chances(line: Timeline, job: Ints) -> Array:
    """Chance that a screw works as stated, works the other way and does nothing, by each job's own prior (K, 3)."""
    faults = [(line.setup[j].prior.chance_reversed, line.setup[j].prior.chance_dead) for j in job]
    chances = np.array(faults, dtype=np.float64).reshape(-1, 2)
    return np.column_stack([1 - chances.sum(axis=1), chances])


def moments(weight: Array, values: Array) -> tuple[Array, Array]:
    """Mean and sd of values with weights (..., V) that sum to 1, in the values' unit."""
    mean = np.asarray(weight @ values)
    return mean, np.sqrt((weight * (values - mean[..., None]) ** 2).sum(axis=-1))


def _ppf(cdf: Array, chance: float) -> Array:
    """Log gain below which `chance` lies, between grid points."""
    at = np.argmax(cdf >= chance - 1e-12, axis=1)
    rows = np.arange(len(at))
    before = np.where(at > 0, cdf[rows, at - 1], 0.0)
    share = (chance - before) / np.maximum(cdf[rows, at] - before, 1e-300)
    log_gain: Array = LOG_GAIN[at] + (LOG_GAIN[1] - LOG_GAIN[0]) * (share - 0.5)
    return log_gain


_SHAPE = (TIME_CONSTANT.size, BACKLASH.size, LOG_GAIN.size)
_NONE = np.zeros(0)
NOTHING = Likelihood(_NONE.astype(np.int64), _NONE.astype(np.int64), np.zeros((0, *_SHAPE)), _NONE, _NONE)


def _likelihood(line: Timeline, rows: Ints, screw: int) -> Likelihood:
    """Likelihoods for the jobs in some rows of the timeline, one screw."""
    turned = line.kind[rows] == TURN
    own = turned & (line.screw[rows] == screw)
    reads = (line.kind[rows] == READING) & line.usable[rows] & (line.firing[rows] == OWN_FIRING[screw])
    # a leg: a stay at one rate without a turn of the other screw
    others = np.cumsum(turned & (line.screw[rows] != screw))
    leg = np.cumsum((np.diff(line.stay[rows], prepend=-1) != 0) | (np.diff(others, prepend=0) != 0))
    reading, turns, leg_of = rows[reads], rows[own], leg[reads]
    if not (reading.size and turns.size):
        return NOTHING
    last = (np.cumsum(own) - 1)[reads]  # the last turn of this screw, of whichever job, as an index of `turns`
    shown = _shown(line, reading, turns, last, leg_of, leg[own], *_positions(line, turns, screw))
    left, before, variance = _before_leg(line, rows, reading, leg, leg_of)
    value = line.linearised_pct[reading][:, None] - left * before[:, None]
    found, pairs = sums(shown, value, 1 - left, 1 / variance, leg_of, line.job[reading])
    keep = found.a.max(axis=1) > 0  # turned between two readings
    job = pairs[keep]
    doubt = _actuation_var(line, turns, job), _noise_shape(line, job)
    return _over_gains(found.of(keep), *doubt, job, np.full(job.size, screw))


def _positions(line: Timeline, turns: Ints, screw: int) -> tuple[Array, Array]:
    """Position of the screw after each turn, and how far the turn moved it, for each backlash and start (T, S), turns.

    Both in the richer direction; the position is from the job's start.
    """
    backlash = np.repeat(BACKLASH, STARTS.size)
    start = np.tile(STARTS, BACKLASH.size) * backlash / 2
    size = line.turns_cw[turns] * line.richer[line.job[turns], screw]
    first = np.searchsorted(line.job[turns], line.job[turns])
    total = np.cumsum(size)
    hand = total - np.where(first > 0, total[first - 1], 0.0)
    nth = np.arange(turns.size) - first
    before, after = np.zeros((turns.size, backlash.size)), np.zeros((turns.size, backlash.size))
    for number in range(int(nth.max()) + 1):
        at = np.flatnonzero(nth == number)
        before[at] = after[at - 1] if number else start
        after[at] = apply_backlash(before[at], hand[at, None], backlash)
    return after - start, after - before


def _shown(
    line: Timeline, reading: Ints, turns: Ints, last: Ints, leg: Ints, leg_of_turn: Ints, position: Array, moved: Array
) -> Array:
    """x of equation (1) for each reading, lag and screw (R, L, S): from where the screw stood when the leg began."""
    before = np.searchsorted(leg_of_turn, leg) - 1  # the last turn before the leg, of whichever job

    def stood(turn: Ints) -> Array:
        same_job = (turn >= 0) & (line.job[turns[np.maximum(turn, 0)]] == line.job[reading])
        return np.where(same_job[:, None], position[np.maximum(turn, 0)], 0.0)

    shown = np.repeat((stood(last) - stood(before))[:, None, :], LAGS[0].size, axis=1)
    back = 0
    at = np.flatnonzero(last > before)
    while at.size:
        turn = last[at] - back
        elapsed = line.time_s[reading[at]] - line.time_s[turns[turn]]
        shown[at] -= (1 - step_response(elapsed[:, None], *LAGS))[:, :, None] * moved[turn][:, None, :]
        back += 1
        turn = last[at] - back
        recent = line.time_s[reading[at]] - line.time_s[turns[np.maximum(turn, 0)]] < FORGET_S
        at = at[(turn > before[at]) & recent]
    return shown


def _before_leg(line: Timeline, rows: Ints, reading: Ints, leg: Ints, leg_of: Ints) -> tuple[Array, Array, Array]:
    """What a reading still shows of the state before its leg.

    Its share of the display for each lag (R, L), what was displayed then, % CO2 (R,), and the variance of the reading's
    error, (% CO2)^2 (R,): more where nobody read that state. Readings of one segment share a part of theirs.
    """
    first = np.searchsorted(leg, leg_of)  # row of the leg's start
    usable = np.flatnonzero((line.kind[rows] == READING) & line.usable[rows])
    at = rows[usable[np.maximum(np.searchsorted(usable, first) - 1, 0)]]
    start = rows[first]
    known = (at < start) & (line.segment[at] == line.segment[start - 1]) & (line.job[at] == line.job[start])
    since = line.time_s[reading] - line.changed_s[start]
    left = np.where(known[:, None], 1 - step_response(since[:, None], *LAGS), 0.0)
    priors = [(of.prior.noise_sd_pct**2 + of.display_step_pct**2 / 12, of.prior.segment_sd_pct**2) for of in line.setup]
    noise, shared = np.array(priors)[line.job[reading]].T
    _, place, count = np.unique(line.segment[reading], return_inverse=True, return_counts=True)
    gap = np.where(known, 0.0, GAP_PCT) * np.exp(-np.maximum(since - GAP_FROM_S, 0.0) / GAP_TIME_S)
    return left, np.where(known, line.co2_pct[at], 0.0), noise + count[place] * shared + gap**2


@dataclass(frozen=True)
class Sums:
    """A, B, C of equation (2), the logarithm of what the levels' integrals leave (K, L S), degrees of freedom (K,)."""

    a: Array
    b: Array
    c: Array
    log_whole: Array
    df: Ints

    def of(self, which: Ints | NDArray[np.bool_] | slice) -> "Sums":
        """Those of some pairs."""
        return Sums(*(values[which] for values in vars(self).values()))


def sums(shown: Array, value: Array, level: Array, weight: Array, leg: Ints, job: Ints) -> tuple[Sums, Ints]:
    """The sums of K jobs, and the job of each.

    value, level  y of each reading, and how much of its leg's level it shows, for each lag (R, L)
    """
    legs, jobs = (np.flatnonzero(np.concatenate([[True], of[1:] != of[:-1]])) for of in (leg, job))
    in_leg = np.repeat(np.arange(legs.size), np.diff(legs, append=leg.size))
    weights, level = weight[:, None, None], level[:, :, None]
    whole = np.add.reduceat(weights * level**2, legs) + 1e-12

    def beside_level(values: Array) -> Array:
        rest: Array = values - level * (np.add.reduceat(weights * level * values, legs) / whole)[in_leg]
        return rest

    x, y = beside_level(shown), beside_level(value[:, :, None])
    a, b, c = (np.add.reduceat(weights * product, jobs) for product in (x * x, x * y, y * y + 0 * x))
    of_leg = np.log(whole / np.add.reduceat(weights, legs))
    log_whole = np.add.reduceat(of_leg, np.searchsorted(legs, jobs)) + np.zeros_like(a)
    df = np.diff(jobs, append=job.size) - np.diff(np.searchsorted(legs, jobs), append=legs.size)
    a, b, c, log_whole = (of.reshape(jobs.size, -1) for of in (a, b, c, log_whole))
    a = np.where(a > 1e-9, a, 0.0)
    return Sums(a, np.where(a > 0, b, 0.0), c, log_whole, df), job[jobs]


def _actuation_var(line: Timeline, turns: Ints, job: Ints) -> Array:
    """Variance of the relative error of all turns of a job together, h of (3): 1 / n that of each for n equal turns."""
    of_each = np.array([line.setup[j].prior.actuation_sd for j in job]) ** 2
    square, fourth = (np.bincount(line.job[turns], line.turns_cw[turns] ** power)[job] for power in (2, 4))
    share: Array = of_each * fourth / square**2
    return share


def _noise_shape(line: Timeline, job: Ints) -> Array:
    """How firmly the noise is believed, as in `advisor.response.model`."""
    priors = [(of.prior.noise_shape, of.display_step_pct**2 / 12 / of.prior.noise_sd_pct**2) for of in line.setup]
    return np.array([max(shape, rounding**2) for shape, rounding in priors])[job]


def _over_gains(found: Sums, actuation_var: Array, noise_shape: Array, job: Ints, screw: Ints) -> Likelihood:
    """Equation (3) on the grid of gains, summed over dead times and starts; a few pairs at a time, to stay in cache."""
    gain = np.exp(LOG_GAIN)
    works = np.empty((job.size, *_SHAPE))
    other, dead = np.empty(job.size), np.empty(job.size)
    for first in range(0, job.size, PAIRS_AT_ONCE):
        at = slice(first, first + PAIRS_AT_ONCE)
        some, doubt = found.of(at), (actuation_var[at], noise_shape[at])
        stated = _log_likelihood(some, *doubt, gain)
        against = _log_likelihood(some, *doubt, -gain[::8])
        still = _log_likelihood(some, *doubt, np.zeros(1))
        top = np.max([of.max(axis=(1, 2)) for of in (stated, against, still)], axis=0)[:, None, None]
        stated -= top
        shape = (-1, TIME_CONSTANT.size, DEAD_TIME.size, BACKLASH.size, STARTS.size, gain.size)
        works[at] = np.exp(stated, out=stated).reshape(shape).mean(axis=(2, 4))
        other[at], dead[at] = (np.exp(of - top).mean(axis=(1, 2)) for of in (against, still))
    return Likelihood(job, screw, works, other, dead)


def _log_likelihood(found: Sums, actuation_var: Array, noise_shape: Array, gain: Array) -> Array:
    """Logarithm of equation (3): K pairs, actuation_var, noise_shape (K,), gain (G,) -> (K, L S, G)."""
    a, b = found.a, found.b
    best = np.divide(b, a, out=np.zeros_like(b), where=a > 0)
    widened = a[:, :, None] * (actuation_var[:, None] * gain**2)[:, None, :]
    widened += 1
    away = gain - best[:, :, None]
    away *= away
    away *= a[:, :, None]
    away /= widened
    away += np.maximum(found.c - b * best, 0.0)[:, :, None]
    scale = np.array([1 / expected_sd_share(shape) for shape in noise_shape])  # in noise variances
    away /= 2 * scale[:, None, None]
    np.log1p(away, out=away)
    away *= (noise_shape + found.df / 2)[:, None, None]
    away += (np.log(widened, out=widened) + found.log_whole[:, :, None]) / 2
    return np.negative(away, out=away)
