"""What each job's readings say of gain, backlash and lag of each screw: one regression for all jobs at once.

For one screw at its own rate, under one hypothesis of backlash, start within it, dead time and time constant, a
reading i on the linearised scale is

    y_i = level + g x_i + e_i,   x_i = position that the display shows (backlash and lag taken out)        (1)

with one level for each leg: a stay at the rate without a turn of the other screw. With the levels fitted, the
likelihood of g has the sums A = S xx, B = S xy, C = S yy about the means of the legs (weights 1 / variance of e_i):

    L(g) ~ exp(-(C - 2 g B + g^2 A) / 2)                                                                   (2)

The actuation error makes g uncertain by a share of itself with variance h, which widens (2) to

    L(g) ~ exp(-(C - B^2 / A) / 2) (1 + A h g^2)^(-1/2) exp(-A (g - B / A)^2 / (2 (1 + A h g^2)))           (3)

Own derivation. Noise is taken as known (the job's prior) and each screw by itself; the exact model is
`advisor.response.filter`. All jobs go through numpy together.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from advisor.response.valve import apply_backlash, step_response
from advisor.screws import SCREWS
from advisor.study.frames import text_column
from advisor.study.timeline import OWN_FIRING, READING, TURN, Array, Ints, Timeline, timeline

LOG_GAIN = np.linspace(np.log(0.2), np.log(80.0), 81)  # of % CO2 per turn
BACKLASH = np.array([0.0, 1 / 64, 1 / 32, 3 / 64, 1 / 16])  # turns
STARTS = np.array([-2 / 3, 0.0, 2 / 3])  # of half the backlash, equally likely
TIME_CONSTANT = np.geomspace(7.0, 66.0, 6)  # s
DEAD_TIME = np.array([7.0, 13.0])  # s, equally likely
FORGET_S = 300.0  # a turn longer ago than this is displayed in full
GAP_PCT, GAP_FROM_S, GAP_TIME_S = 0.6, 12.0, 20.0  # what is left on display of the state before a leg, % CO2, s
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
    variance = _variance(line, rows, reading, leg, leg_of)
    a, b, c, pairs = sums(shown, line.linearised_pct[reading], 1 / variance, leg_of, line.job[reading])
    keep = a.max(axis=1) > 0  # turned between two readings
    job = pairs[keep]
    return _over_gains(a[keep], b[keep], c[keep], _actuation_var(line, turns, job), job, np.full(job.size, screw))


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
    """x of equation (1) for each reading, lag and screw (R, L, S): the position, less what is still under way."""
    dead, constant = np.tile(DEAD_TIME, TIME_CONSTANT.size), np.repeat(TIME_CONSTANT, DEAD_TIME.size)
    same_job = (last >= 0) & (line.job[turns[np.maximum(last, 0)]] == line.job[reading])
    here = np.where(same_job[:, None], position[np.maximum(last, 0)], 0.0)
    shown = np.repeat(here[:, None, :], dead.size, axis=1)
    back = 0
    at = np.flatnonzero(same_job)
    while at.size:
        turn = last[at] - back
        elapsed = line.time_s[reading[at]] - line.time_s[turns[turn]]
        to_come = 1 - step_response(elapsed[:, None], dead, constant)
        shown[at] -= to_come[:, :, None] * moved[turn][:, None, :]
        back += 1
        at = at[last[at] >= back]
        turn = last[at] - back
        recent = line.time_s[reading[at]] - line.time_s[turns[turn]] < FORGET_S
        at = at[(leg_of_turn[turn] == leg[at]) & recent]
    return shown


def _variance(line: Timeline, rows: Ints, reading: Ints, leg: Ints, leg_of: Ints) -> Array:
    """Variance of each reading's error, (% CO2)^2; readings of one segment share a part of theirs."""
    priors = [(of.prior.noise_sd_pct**2 + of.display_step_pct**2 / 12, of.prior.segment_sd_pct**2) for of in line.setup]
    noise, shared = np.array(priors)[line.job[reading]].T
    _, place, count = np.unique(line.segment[reading], return_inverse=True, return_counts=True)
    began = line.changed_s[rows[np.searchsorted(leg, leg_of)]]
    gap = GAP_PCT * np.exp(-np.maximum(line.time_s[reading] - began - GAP_FROM_S, 0.0) / GAP_TIME_S)
    variance: Array = noise + count[place] * shared + gap**2
    return variance


def sums(shown: Array, linearised: Array, weight: Array, leg: Ints, job: Ints) -> tuple[Array, Array, Array, Ints]:
    """A, B (K, L S) and C (K,) of equation (2), and the job of each of the K."""
    legs, jobs = (np.flatnonzero(np.concatenate([[True], of[1:] != of[:-1]])) for of in (leg, job))
    in_leg = np.repeat(np.arange(legs.size), np.diff(legs, append=leg.size))
    weights = weight[:, None]

    def about_mean(values: Array) -> Array:
        mean = np.add.reduceat(weights * values, legs) / np.add.reduceat(weights, legs)
        centred: Array = values - mean[in_leg]
        return centred

    x, y = about_mean(shown.reshape(shown.shape[0], -1)), about_mean(linearised[:, None])
    a, b, c = (np.add.reduceat(weights * product, jobs) for product in (x * x, x * y, y * y))
    a = np.where(a > 1e-9, a, 0.0)
    return a, np.where(a > 0, b, 0.0), c[:, 0], job[jobs]


def _actuation_var(line: Timeline, turns: Ints, job: Ints) -> Array:
    """Variance of the relative error of all turns of a job together, h of (3): 1 / n that of each for n equal turns."""
    of_each = np.array([line.setup[j].prior.actuation_sd for j in job]) ** 2
    square, fourth = (np.bincount(line.job[turns], line.turns_cw[turns] ** power)[job] for power in (2, 4))
    share: Array = of_each * fourth / square**2
    return share


def _over_gains(a: Array, b: Array, c: Array, actuation_var: Array, job: Ints, screw: Ints) -> Likelihood:
    """Equation (3) on the grid of gains, summed over dead times and starts; a few pairs at a time, to stay in cache."""
    gain = np.exp(LOG_GAIN)
    works = np.empty((job.size, *_SHAPE))
    other, dead = np.empty(job.size), np.empty(job.size)
    for first in range(0, job.size, PAIRS_AT_ONCE):
        at = slice(first, first + PAIRS_AT_ONCE)
        stated = _log_likelihood(a[at], b[at], c[at], actuation_var[at], gain)
        against = _log_likelihood(a[at], -b[at], c[at], actuation_var[at], gain[::8])
        top = np.maximum(np.maximum(stated.max(axis=(1, 2)), against.max(axis=(1, 2))), -c[at] / 2)
        stated -= top[:, None, None]
        shape = (-1, TIME_CONSTANT.size, DEAD_TIME.size, BACKLASH.size, STARTS.size, gain.size)
        works[at] = np.exp(stated, out=stated).reshape(shape).mean(axis=(2, 4))
        other[at] = np.exp(against - top[:, None, None]).mean(axis=(1, 2))
        dead[at] = np.exp(-c[at] / 2 - top)
    return Likelihood(job, screw, works, other, dead)


def _log_likelihood(a: Array, b: Array, c: Array, actuation_var: Array, gain: Array) -> Array:
    """Logarithm of equation (3): a, b (K, L S), c, actuation_var (K,), gain (G,) -> (K, L S, G)."""
    best = np.divide(b, a, out=np.zeros_like(b), where=a > 0)
    widened = a[:, :, None] * (actuation_var[:, None] * gain**2)[:, None, :]
    widened += 1
    away = gain - best[:, :, None]
    away *= away
    away *= a[:, :, None]
    away /= widened
    away += np.log(widened, out=widened)
    away *= -0.5
    away += ((b * best - c[:, None]) / 2)[:, :, None]
    return away
