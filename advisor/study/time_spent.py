"""Where the minutes of each job went: waiting for the display, extra turns, changes of rate, rereading."""

import numpy as np
import pandas as pd

from advisor.screws import SCREWS
from advisor.study.frames import text_column
from advisor.study.timeline import FIRING, READING, TURN, Array, Bools, Ints, Timeline, timeline

SPENT = ("preparing", "turning", "waiting", "changing", "rereading", "extra_turns", "other", "away")
PREPARING, TURNING, WAITING, CHANGING, REREADING, EXTRA, OTHER, AWAY = range(len(SPENT))
TINY_TURN = 1e-6  # turns


def time_spent(rows: pd.DataFrame | Timeline) -> pd.DataFrame:
    """One row per job; the minutes add up to its time from first row to last.

    job            its name
    preparing_min  before its first reading or turn: checks, lighting, the wait after the start
    turning_min    from the last reading before a turn to the turn
    waiting_min    from a turn to the first settled reading after it, or to the next change where there is none
    changing_min   for a change of rate: from the last reading before it to the first settled one after it
    rereading_min  from one settled reading to further ones with nothing changed between
    extra_turns_min  the share of the three above (not changing_min) that went into extra turns
    other_min      checks in between, and what comes after the last reading
    away_min       gaps in which the boiler was left for hours
    extra_turns    turns beyond the fewest that make the screws' net way within the cap: turns back, and small steps
    """
    line = timeline(rows)
    count = len(line.jobs)
    gap_min = np.diff(line.time_s, prepend=line.time_s[:1]) / 60
    gap_min[np.arange(line.job.size) == line.first] = 0.0
    what = _what(line, gap_min)
    # the way to a turn counts as that turn's; waiting and rereading as the turn's before them
    screw = np.where(line.kind == TURN, line.screw, _screw_before(line))
    spent = np.zeros((count, len(SPENT)))
    np.add.at(spent, (line.job, what), gap_min)
    extra = np.zeros(count, dtype=np.int64)
    for number in range(len(SCREWS)):
        made, needed = _turns(line, number)
        beyond = np.maximum(made - needed, 0)
        extra += beyond
        share = np.where(made > 0, beyond / np.maximum(made, 1), 0.0)
        for kind in (TURNING, WAITING, REREADING):
            at = (what == kind) & (screw == number)
            moved = np.bincount(line.job[at], gap_min[at], minlength=count) * share
            spent[:, kind] -= moved
            spent[:, EXTRA] += moved
    table = {f"{name}_min": np.maximum(spent[:, place], 0.0) for place, name in enumerate(SPENT)}
    return pd.DataFrame({"job": text_column(line.jobs), **table, "extra_turns": extra})


def _what(line: Timeline, gap_min: Array) -> Ints:
    """Which of SPENT the time before each row went into."""
    reading, turn, change = (line.kind == kind for kind in (READING, TURN, FIRING))
    started = _so_far(line.first, reading | turn)
    settled = _so_far(_segment_first(line), line.settled)
    after_turn = _screw_before(line) >= 0
    what = np.full(line.job.size, OTHER)
    what[reading] = np.where(settled, REREADING, np.where(after_turn, WAITING, CHANGING))[reading]
    what[turn] = np.where(settled | ~after_turn, TURNING, WAITING)[turn]
    what[change] = CHANGING
    what[~started] = PREPARING
    left_min = np.array([setup.policy.left_for_s / 60 for setup in line.setup])
    what[gap_min > left_min[line.job]] = AWAY
    return what


def _so_far(first: Ints, where: Bools) -> Bools:
    """Whether `where` holds at a row before each, from the row `first` on."""
    at = np.maximum.accumulate(np.where(where, np.arange(where.size), -1)) if where.size else first
    return np.concatenate([[-1], at])[:-1] >= first


def _segment_first(line: Timeline) -> Ints:
    """First row of the segment that the time before each row belongs to: of the row before, within its job."""
    before = np.maximum(np.arange(line.job.size) - 1, line.first)
    return np.searchsorted(line.segment, line.segment[before]).astype(np.int64)


def _screw_before(line: Timeline) -> Ints:
    """The screw whose turn began the segment that the time before each row belongs to; -1: none."""
    begins = _segment_first(line)
    return np.where(line.kind[begins] == TURN, line.screw[begins], -1)


def _turns(line: Timeline, screw: int) -> tuple[Ints, Ints]:
    """Turns of a screw by job, and the fewest within the cap that come to the same."""
    at = np.flatnonzero((line.kind == TURN) & (line.screw == screw))
    made = np.bincount(line.job[at], minlength=len(line.jobs))
    net = np.abs(np.bincount(line.job[at], line.turns_cw[at], minlength=len(line.jobs)))
    cap = np.array([setup.cap_turns[SCREWS[screw]] for setup in line.setup]) if line.setup else np.ones(0)
    return made, np.ceil(np.maximum(net - TINY_TURN, 0.0) / cap).astype(np.int64)
