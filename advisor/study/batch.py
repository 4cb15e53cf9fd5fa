"""What each job's readings say of gain, slack and lag of each screw: one regression for all jobs at once.

For one screw at its own rate, with screw and lag behaving as one hypothesis (slack w, start in it, dead time, time
constant) says, a reading i on the straight scale is

    y_i = level + g x_i + e_i,   x_i = position that the display shows (play and lag taken out)            (1)

with one level for each leg: a stay at the rate without a turn of the other screw. With the levels fitted, the
likelihood of g has the sums A = S xx, B = S xy, C = S yy about the means of the legs (weights 1 / variance of e_i):

    L(g) ~ exp(-(C - 2 g B + g^2 A) / 2)                                                                   (2)

The hand's error makes g uncertain by a share h of itself (variance of the mean share turned), which widens (2) to

    L(g) ~ exp(-(C - B^2 / A) / 2) (1 + A h g^2)^(-1/2) exp(-A (g - B / A)^2 / (2 (1 + A h g^2)))           (3)

Own derivation. Cheap where the full model (`advisor.response.filter`) is exact: noise is taken as known (the job's prior),
each screw by itself. All jobs go through numpy together.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from advisor.response.valve import apply_backlash, step_response
from advisor.screws import SCREWS
from advisor.study.frames import words
from advisor.study.timeline import OWN_FIRING, READING, TURN, Array, Ints, Timeline, timeline

LOG_GAIN = np.linspace(np.log(0.2), np.log(80.0), 81)  # of % CO2 per turn
BACKLASH = np.array([0.0, 1 / 64, 1 / 32, 3 / 64, 1 / 16])  # turns
STARTS = np.array([-2 / 3, 0.0, 2 / 3])  # of half the slack, as likely
TIME_CONSTANT = np.geomspace(7.0, 66.0, 6)  # s
DEAD_TIME = np.array([7.0, 13.0])  # s, as likely
FORGET_S = 300.0  # a turn longer ago than this has come through whole
GAP_PCT, GAP_FROM_S, GAP_TIME_S = 0.6, 12.0, 20.0  # what is left on display of the state before a leg, % CO2, s
JOBS_AT_ONCE, PAIRS_AT_ONCE = 400, 8
LIKELY_FAULTY = 0.9


@dataclass(frozen=True)
class Likelihood:
    """Likelihoods of K pairs of a job and a screw, each scaled to a largest value of 1.

    job, screw (K,); gain (K, time constants, slacks, log gains): of a screw that works as stated;
    reversed, dead (K,): of one that works the other way, or does nothing, on the same scale
    """

    job: Ints
    screw: Ints
    gain: Array
    reversed: Array
    dead: Array

    @property
    def flat(self) -> Array:
        """Likelihood of the log gain with all slacks and lags as likely (K, log gains)."""
        mean: Array = self.gain.mean(axis=(1, 2))
        return mean


def likelihoods(line: Timeline) -> Iterator[Likelihood]:
    """Likelihoods of every pair of a job and a screw that was turned between two readings, some jobs at a time."""
    for first in range(0, len(line.jobs), JOBS_AT_ONCE):
        rows = np.arange(*np.searchsorted(line.job, (first, first + JOBS_AT_ONCE)))
        for screw in range(2):
            yield _likelihood(line, rows, screw)


def screws(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per job and screw that was turned between readings.

    gain_per_turn with its 90 % range (_low, _high), % CO2 per turn in the stated richer direction, nothing assumed of
    it but its size being from 0.2 to 80; gain_doubt_log_sd: standard deviation of the logarithm of the estimate, as are
    all ..._doubt_...: the job's doubt, not the spread of valves; slack_turns, time_constant_s: what the readings say
    (doubts as wide as before where they say nothing); chance_reversed, chance_dead.
    A job alone hardly tells slack and lag: all are taken as likely here, so the gains lie 4 to 5 % above the truth in
    the median (an invented fleet of 300 jobs), within 1 % once the fleet's slack and lag are known, as in `learn`.
    """
    return screws_of(timeline(rows))


def screws_of(line: Timeline) -> pd.DataFrame:
    """`screws` of a timeline."""
    return pd.concat([table_of(line, found) for found in (NOTHING, *likelihoods(line))], ignore_index=True)


def table_of(line: Timeline, found: Likelihood) -> pd.DataFrame:
    """`screws` of some likelihoods."""
    works = found.gain.mean(axis=(1, 2, 3))
    sound, other_way, nothing = fault_chances(line, found.job).T
    whole = sound * works + other_way * found.reversed + nothing * found.dead
    weight = found.gain / found.gain.sum(axis=(1, 2, 3), keepdims=True)
    by_gain, by_backlash, by_lag = weight.sum(axis=(1, 2)), weight.sum(axis=(1, 3)), weight.sum(axis=(2, 3))
    mean, spread = _moments(by_gain, LOG_GAIN)
    backlash, backlash_sd = _moments(by_backlash, BACKLASH)
    lag, lag_sd = _moments(by_lag, np.log(TIME_CONSTANT))
    below = np.cumsum(by_gain, axis=1)
    low, high = (np.exp(_crossing(below, chance)) for chance in (0.05, 0.95))
    return pd.DataFrame(
        {
            "job": words(line.jobs[job] for job in found.job),
            "screw": words(SCREWS[screw] for screw in found.screw),
            "gain_per_turn": np.exp(mean),
            "gain_per_turn_low": low,
            "gain_per_turn_high": high,
            "gain_doubt_log_sd": spread,
            "slack_turns": backlash,
            "slack_doubt_sd": backlash_sd,
            "time_constant_s": np.exp(lag),
            "time_constant_doubt_log_sd": lag_sd,
            "chance_reversed": other_way * found.reversed / whole,
            "chance_dead": nothing * found.dead / whole,
        }
    )


def fault_chances(line: Timeline, job: Ints) -> Array:
    """Chance that a screw works as stated, works the other way and does nothing, by each job's own prior (K, 3)."""
    faults = [(line.setup[j].prior.chance_reversed, line.setup[j].prior.chance_dead) for j in job]
    chances = np.array(faults, dtype=np.float64).reshape(-1, 2)
    return np.column_stack([1 - chances.sum(axis=1), chances])


def _moments(weight: Array, values: Array) -> tuple[Array, Array]:
    mean = weight @ values
    return mean, np.sqrt(np.maximum(weight @ values**2 - mean**2, 0.0))


def _crossing(below: Array, chance: float) -> Array:
    """Log gain under which `chance` lies, between grid points."""
    at = np.argmax(below >= chance - 1e-12, axis=1)
    here = below[np.arange(len(at)), at]
    before = np.where(at > 0, below[np.arange(len(at)), at - 1], 0.0)
    step = LOG_GAIN[1] - LOG_GAIN[0]
    share: Array = LOG_GAIN[at] + step * ((chance - before) / np.maximum(here - before, 1e-300) - 0.5)
    return share


_NONE = np.zeros(0, dtype=np.int64)
NOTHING = Likelihood(
    _NONE, _NONE, np.zeros((0, TIME_CONSTANT.size, BACKLASH.size, LOG_GAIN.size)), np.zeros(0), np.zeros(0)
)


def _likelihood(line: Timeline, rows: Ints, screw: int) -> Likelihood:
    """Likelihoods for the jobs in some rows of the timeline, one screw."""
    rate = OWN_FIRING[screw]
    turned = line.kind[rows] == TURN
    own = np.cumsum(turned & (line.screw[rows] == screw)) - 1  # index of the last turn of this screw; of any job
    reads = (line.kind[rows] == READING) & line.usable[rows] & (line.firing[rows] == rate)
    turns = rows[turned & (line.screw[rows] == screw)]
    # a leg: a stay at one rate without a turn of the other screw
    others = np.cumsum(turned & (line.screw[rows] != screw))
    leg = np.cumsum((np.diff(line.stay[rows], prepend=-1) != 0) | (np.diff(others, prepend=0) != 0))
    reading, last, leg_of = rows[reads], own[reads], leg[reads]
    if not (reading.size and turns.size):
        return NOTHING
    leg_of_turn = leg[turned & (line.screw[rows] == screw)]
    position, moved = _positions(line, turns, screw)
    shown = _shown(line, reading, turns, last, leg_of, leg_of_turn, position, moved)
    variance = _variance(line, rows, reading, leg, leg_of)
    a, b, c, pairs = sums(shown, line.linearised_pct[reading], 1 / variance, leg_of, line.job[reading])
    keep = a.max(axis=1) > 0  # turned between two readings
    job = pairs[keep]
    hand = np.array([line.setup[j].prior.actuation_sd for j in job]) ** 2 * _few_turns(line, turns, job)
    return _over_gains(a[keep], b[keep], c[keep], hand, job, np.full(job.size, screw))


def _positions(line: Timeline, turns: Ints, screw: int) -> tuple[Array, Array]:
    """Where the screw acts before each turn, and how far the turn moves that, for each slack and start (T, S)."""
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
    """Variance of each reading's error, (% CO2)^2; readings of one standstill share a part of theirs."""
    priors = [(f.prior.noise_sd_pct**2 + f.display_step_pct**2 / 12, f.prior.segment_sd_pct**2) for f in line.setup]
    noise, shared = np.array(priors)[line.job[reading]].T
    _, place, count = np.unique(line.segment[reading], return_inverse=True, return_counts=True)
    began = line.changed_s[rows[np.searchsorted(leg, leg_of)]]
    gap = GAP_PCT * np.exp(-np.maximum(line.time_s[reading] - began - GAP_FROM_S, 0.0) / GAP_TIME_S)
    variance: Array = noise + count[place] * shared + gap**2
    return variance


def sums(shown: Array, linearised: Array, weight: Array, leg: Ints, job: Ints) -> tuple[Array, Array, Array, Ints]:
    """A, B (K, L, S) and C (K,) of equation (2), and the job of each of the K."""
    flat = shown.reshape(shown.shape[0], -1)
    legs = np.flatnonzero(np.concatenate([[True], leg[1:] != leg[:-1]]))
    per_leg = np.add.reduceat(weight, legs)

    def centred(product: Array, left: Array, right: Array) -> Array:
        return np.add.reduceat(product, legs) - left * right / (per_leg[:, None] if product.ndim > 1 else per_leg)

    weighted, y = flat * weight[:, None], linearised * weight
    x_sum, y_sum = np.add.reduceat(weighted, legs), np.add.reduceat(y, legs)
    xx = centred(weighted * flat, x_sum, x_sum)
    xy = centred(weighted * linearised[:, None], x_sum, y_sum[:, None])
    yy = centred(y * linearised, y_sum, y_sum)
    job_of_leg = job[legs]
    jobs = np.flatnonzero(np.concatenate([[True], job_of_leg[1:] != job_of_leg[:-1]]))
    a, b, c = (np.add.reduceat(part, jobs) for part in (xx, xy, yy))
    a = np.where(a > 1e-9, a, 0.0)
    return a, np.where(a > 0, b, 0.0), c, job_of_leg[jobs]


def _few_turns(line: Timeline, turns: Ints, job: Ints) -> Array:
    """Variance of the share that the hand turned in all, for an error of 1 in each turn: 1 / n for n equal turns."""
    count = len(line.jobs)
    square = np.bincount(line.job[turns], line.turns_cw[turns] ** 2, minlength=count)
    fourth = np.bincount(line.job[turns], line.turns_cw[turns] ** 4, minlength=count)
    share: Array = fourth[job] / square[job] ** 2
    return share


def _over_gains(a: Array, b: Array, c: Array, hand: Array, job: Ints, screw: Ints) -> Likelihood:
    """Equation (3) on the grid of gains, summed over dead times and starts; a few pairs at a time, to stay in cache."""
    gain = np.exp(LOG_GAIN)
    works = np.empty((job.size, TIME_CONSTANT.size, BACKLASH.size, gain.size))
    other, dead = np.empty(job.size), np.empty(job.size)
    for first in range(0, job.size, PAIRS_AT_ONCE):
        at = slice(first, first + PAIRS_AT_ONCE)
        stated = _log_likelihood(a[at], b[at], c[at], hand[at], gain)
        against = _log_likelihood(a[at], -b[at], c[at], hand[at], gain[::8])
        top = np.maximum(np.maximum(stated.max(axis=(1, 2)), against.max(axis=(1, 2))), -c[at] / 2)
        stated -= top[:, None, None]
        shape = (-1, TIME_CONSTANT.size, DEAD_TIME.size, BACKLASH.size, STARTS.size, gain.size)
        works[at] = np.exp(stated, out=stated).reshape(shape).mean(axis=(2, 4))
        other[at] = np.exp(against - top[:, None, None]).mean(axis=(1, 2))
        dead[at] = np.exp(-c[at] / 2 - top)
    return Likelihood(job, screw, works, other, dead)


def _log_likelihood(a: Array, b: Array, c: Array, hand: Array, gain: Array) -> Array:
    """Logarithm of equation (3): a, b (K, L S), c, hand (K,), gain (G,) -> (K, L S, G)."""
    best = np.divide(b, a, out=np.zeros_like(b), where=a > 0)
    widened = a[:, :, None] * (hand[:, None] * gain**2)[:, None, :]
    widened += 1
    away = gain - best[:, :, None]
    away *= away
    away *= a[:, :, None]
    away /= widened
    away += np.log(widened, out=widened)
    away *= -0.5
    away += ((b * best - c[:, None]) / 2)[:, :, None]
    return away
