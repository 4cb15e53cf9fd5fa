"""Tidy tables of many jobs: one row per reading, per turn, per job. Each is a pure function, log rows in, table out.

Overshoots and bands are judged by what the display showed once settled: what was true is not in a log. Settled means
in every table, and in `replay`: usable, and read once the job's own shortest waits were over.
"""

from typing import Any

import numpy as np
import pandas as pd

from advisor.job_setup.prior_file import say_turndowns
from advisor.screws import FIRINGS, SCREWS
from advisor.study.frames import words
from advisor.study.timeline import OWN_FIRING, OWN_SCREW, READING, TURN, Array, Bools, Ints, Timeline, timeline

TURNDOWN_RANGES = ((1.0, 4.0), (4.0, 6.0), (6.0, 20.5))  # own choice; from and to, the latter left out
TINY = 1e-9


def readings(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per reading that stands.

    minutes since the job's first row; distance_pct = |CO2 - band centre|, % CO2; moves: turns of this rate's own screw
    so far; wait_s since the last change; settled, in_band (as displayed); found: codes of what it says by itself.
    """
    return readings_of(timeline(rows))


def moves(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per turn that stands.

    before_pct, after_pct: settled CO2 displayed before and after it, without a change of rate or another screw's turn
    in between; where readings were skipped, `pair_turns_cw` holds all turns between the two. change_pct on the straight
    scale; gain_per_turn: % CO2 per turn in the richer direction; waited_s: from the change before to the turn;
    wait_kept: made on a settled reading; in_band_after; overshot: passed the far edge of the band. These two as
    displayed, and missing (pandas' nullable boolean) where no settled reading tells.
    """
    return moves_of(timeline(rows))


def jobs(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per job: facts, minutes, moves, readings, waits kept and broken, overshoots, how it ended, findings.

    turndown_stated: False where `open` had to assume it; practice: a made-up boiler; such a job is in the tables, and
    teaches the prior nothing (`learn`).
    """
    return jobs_of(timeline(rows))


def readings_of(line: Timeline) -> pd.DataFrame:
    """`readings` of a timeline."""
    at = np.flatnonzero(line.kind == READING)
    job, firing, co2 = line.job[at], line.firing[at], line.co2_pct[at]
    low, high = line.bands[job, firing].T
    return pd.DataFrame(
        {
            **_named(line, at),
            "firing": _words(firing, FIRINGS),
            "minutes": _minutes(line)[at],
            "co2_pct": co2,
            "o2_pct": line.o2_pct[at],
            "co_ppm": line.co_ppm[at],
            "distance_pct": np.abs(co2 - line.centres[job, firing]),
            "straight_pct": line.linearised_pct[at],
            "moves": _moves_so_far(line)[at, firing],
            "wait_s": line.time_s[at] - line.changed_s[at],
            "settled": line.settled[at],
            "in_band": (co2 >= low - TINY) & (co2 <= high + TINY),
            "found": words([line.found[i] for i in at]),
        }
    )


def moves_of(line: Timeline) -> pd.DataFrame:
    """`moves` of a timeline."""
    at = np.flatnonzero(line.kind == TURN)
    job, screw, firing = line.job[at], line.screw[at], line.firing[at]
    still = line.segment[at]
    own = firing == OWN_FIRING[screw]
    shown, linearised, count, stay_of, screw_of, turns_of = _segments(line)
    before = _last_read(count, stay_of, screw_of)[still]
    paired = (before >= 0) & (count[still] > 0) & own
    kept = np.maximum(before, 0)
    travelled = np.concatenate([[0.0], np.cumsum(turns_of)])
    pair_turns = travelled[still + 1] - travelled[kept + 1]
    richer = line.richer[job, screw]
    change = np.where(paired, linearised[still] - linearised[kept], np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.where(paired & (np.abs(pair_turns) > TINY), change / (pair_turns * richer), np.nan)
    low, high = line.bands[job, np.maximum(firing, 0)].T
    was, now = np.where(paired, shown[kept], np.nan), np.where(count[still] > 0, shown[still], np.nan)
    previous = np.maximum(still - 1, 0)  # each job's first row begins a standstill, so this is of the same job
    waited = line.time_s[at] - _began(line)[previous]
    wait_kept = count[previous] > 0 if at.size else at > 0
    return pd.DataFrame(
        {
            **_named(line, at),
            "screw": _words(screw, SCREWS),
            "firing": _words(firing, FIRINGS),
            "minutes": _minutes(line)[at],
            "turns_cw": line.turns_cw[at],
            "waited_s": waited,
            "wait_kept": wait_kept,
            "before_pct": was,
            "after_pct": now,
            "pair_turns_cw": np.where(paired, pair_turns, np.nan),
            "change_pct": change,
            "gain_per_turn": gain,
            "in_band_after": _told((now >= low - TINY) & (now <= high + TINY), np.isfinite(now)),
            "overshot": _told(passed(was, now, low, high), paired),
        }
    )


def jobs_of(line: Timeline) -> pd.DataFrame:
    """`jobs` of a timeline."""
    count = len(line.jobs)

    def total(where: Bools) -> Ints:
        return np.bincount(line.job[where], minlength=count)

    turned, read = line.kind == TURN, line.kind == READING
    moved = moves_of(line)
    of_move = pd.Index(line.jobs).get_indexer(pd.Index(moved["job"]))
    last_turn = _at_end(line, turned, line.time_s, np.full(count, -np.inf))
    table = {
        "job": words(line.jobs),
        "fuel": words([setup.fuel.name for setup in line.setup]),
        "valve_family": words([setup.valve_family for setup in line.setup]),
        "turndown": [setup.turndown for setup in line.setup],
        "turndown_stated": np.array([setup.turndown_stated for setup in line.setup], dtype=bool),
        "turndown_range": words([turndown_range(setup.turndown) for setup in line.setup]),
        "prior_source": words([setup.prior_source for setup in line.setup]),
        "practice": np.array([setup.practice for setup in line.setup], dtype=bool),
        "minutes": _at_end(line, np.ones(line.job.size, bool), _minutes(line), np.zeros(count)),
        "readings": total(read),
        "readings_too_soon": total(read & line.usable & ~line.settled),
        "moves": total(turned),
        **{f"moves_{screw}": total(turned & (line.screw == n)) for n, screw in enumerate(SCREWS)},
        "waits_kept": np.bincount(of_move[moved["wait_kept"].to_numpy()], minlength=count),
        "waits_broken": np.bincount(of_move[~moved["wait_kept"].to_numpy()], minlength=count),
        "overshoots": np.bincount(of_move[moved["overshot"].to_numpy(bool, na_value=False)], minlength=count),
    }
    ended = np.ones(count, dtype=bool)
    for rate, firing in enumerate(FIRINGS):
        counts = read & line.settled & (line.firing == rate)
        table[f"found_{firing}_pct"] = _at_start(line, counts)
        left = _at_end(line, counts, line.co2_pct, np.full(count, np.nan))
        table[f"left_{firing}_pct"] = left
        low, high = line.bands[:, rate].T
        since = _at_end(line, counts, line.time_s, np.full(count, -np.inf)) > last_turn
        ended &= (left >= low - TINY) & (left <= high + TINY) & since
    table["ended_in_band"] = ended
    codes: list[dict[str, None]] = [{} for _ in line.jobs]
    for at in np.flatnonzero(read):
        if line.found[at]:
            codes[line.job[at]].update(dict.fromkeys(line.found[at].split()))
    table["found"] = words([" ".join(sorted(own)) for own in codes])
    return pd.DataFrame(table)


def passed(was: Any, now: Any, low: Any, high: Any) -> Any:
    """Whether a turn took the display past the far edge of the band, from before or inside it; arrays or numbers."""
    return ((now > high + TINY) & (was <= high + TINY)) | ((now < low - TINY) & (was >= low - TINY))


def turndown_range(turndown: float) -> str:
    """The range of turndown that a job is counted in, in words."""
    return say_turndowns(*next((limits for limits in TURNDOWN_RANGES if turndown < limits[1]), TURNDOWN_RANGES[-1]))


def turndown_limits(words: str) -> tuple[float, float]:
    """From and to (left out) of a range in `turndown_range`'s words."""
    return {say_turndowns(*limits): limits for limits in TURNDOWN_RANGES}[words]


# --- standstills ------------------------------------------------------------------------------------


def _segments(line: Timeline) -> tuple[Array, Array, Array, Ints, Ints, Array]:
    """Of each standstill: last settled CO2 displayed, mean straight, count, stay, screw turned to begin it, turns."""
    size = int(line.segment[-1]) + 1 if line.segment.size else 0
    reads = np.flatnonzero(line.settled)
    still = line.segment[reads]
    count = np.bincount(still, minlength=size).astype(np.float64)
    with np.errstate(invalid="ignore"):
        linearised = np.bincount(still, line.linearised_pct[reads], minlength=size) / count
    shown = np.full(size, np.nan)
    shown[still] = line.co2_pct[reads]  # the last one stays
    stay, screw, turns = np.full(size, -1), np.full(size, -1), np.zeros(size)
    stay[line.segment] = line.stay
    turned = np.flatnonzero(line.kind == TURN)
    screw[line.segment[turned]], turns[line.segment[turned]] = line.screw[turned], line.turns_cw[turned]
    return shown, linearised, count, stay, screw, turns


def _last_read(count: Array, stay: Ints, screw: Ints) -> Ints:
    """For each standstill the one before it with a settled reading, same stay and screw between; -1: none."""
    size = count.size
    found = np.full(size, -1)
    at = np.maximum.accumulate(np.where(count > 0, np.arange(size), -1)) if size else np.arange(0)
    found[1:] = at[:-1]
    found[(found >= 0) & (stay[found] != stay)] = -1
    # all turns between must be of one screw: the run of standstills begun by the same screw
    runs = np.cumsum(np.concatenate([[True], screw[1:] != screw[:-1]])) if size else np.arange(0)
    found[(found >= 0) & (runs[np.minimum(found + 1, size - 1)] != runs)] = -1
    return found


def _began(line: Timeline) -> Array:
    """Moment at which each standstill began, s since 1970."""
    size = int(line.segment[-1]) + 1 if line.segment.size else 0
    began = np.full(size, np.nan)
    began[line.segment] = line.changed_s
    return began


def _moves_so_far(line: Timeline) -> Ints:
    """Turns of each rate's own screw up to each row of its job (N, 2)."""
    so_far = np.zeros((line.job.size, 2), dtype=np.int64)
    for rate, screw in enumerate(OWN_SCREW):
        total = np.cumsum((line.kind == TURN) & (line.screw == screw))
        start = line.starts[line.job]
        so_far[:, rate] = total - np.where(start > 0, total[np.maximum(start - 1, 0)], 0)
    return so_far


def _minutes(line: Timeline) -> Array:
    minutes: Array = (line.time_s - line.time_s[line.starts[line.job]]) / 60
    return minutes


def _at_end(line: Timeline, where: Bools, values: Array, default: Array) -> Array:
    """The value at each job's last row where a condition holds."""
    found: Array = default.astype(np.float64)
    at = np.flatnonzero(where)
    found[line.job[at]] = values[at]
    return found


def _at_start(line: Timeline, where: Bools) -> Array:
    found = np.full(len(line.jobs), np.nan)
    at = np.flatnonzero(where)[::-1]
    found[line.job[at]] = line.co2_pct[at]
    return found


def _told(values: Bools, known: Bools) -> pd.arrays.BooleanArray:
    """True and false where that is known; missing elsewhere, so that a mean is a share of what could be judged."""
    return pd.arrays.BooleanArray(values, ~known)


def _named(line: Timeline, at: Ints) -> dict[str, object]:
    return {"job": words(line.jobs[job] for job in line.job[at]), "row": line.row[at]}


def _words(codes: Ints, names: tuple[str, ...]) -> pd.Series:
    return words((*names, "")[code] for code in codes)
