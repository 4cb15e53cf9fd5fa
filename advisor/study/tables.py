"""Tidy tables of many jobs: one row per reading, per turn, per job. Each is a pure function, log rows (or their
timeline) in, table out.

Overshoots and bands are judged by what the display showed once settled: the true CO2 is not in a log. Settled means in
every table, and in `replay`: usable, and read once the job's own shortest waits were over.
"""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.arrays import BooleanArray, IntegerArray

from advisor.chemistry.fuels import AIR_O2_PCT
from advisor.job_setup.prior_file import say_turndowns
from advisor.screws import FIRINGS, SCREWS
from advisor.study.frames import text_column
from advisor.study.timeline import OWN_FIRING, OWN_SCREW, READING, TURN, Array, Bools, Ints, Timeline, timeline

# by name: from and to (left out), a ratio; own choice
TURNDOWN_RANGES = {say_turndowns(*limits): limits for limits in ((1.0, 4.0), (4.0, 6.0), (6.0, 20.5))}
TINY = 1e-9
UNJUDGED = (  # why nobody can tell whether a turn passed the band
    "no settled reading before or after", "no settled reading before", "no settled reading after", "at the other rate",
)  # fmt: skip
HUNTING = 3  # reversals of one job's turns from which it hunts, own choice


def readings(rows: pd.DataFrame | Timeline) -> pd.DataFrame:
    """One row per reading that stands.

    job, row      name of the job, row of its log
    firing        rate of the reading, "high" or "low"
    minutes       time since the job's first row, min
    co2_pct, o2_pct  as displayed, % by volume, dry
    co_ppm        as displayed, ppm, not air-free
    distance_pct  |CO2 - band's centre|, % CO2
    half_band_pct  half the band's width, % CO2: up to there the display is in band
    moves         turns of this rate's own screw so far
    wait_s        time since the last change of rate or turn, s
    settled, in_band  whether it is settled; whether the display was in band
    found         codes of what it says by itself, separated by spaces
    """
    line = timeline(rows)
    at = np.flatnonzero(line.kind == READING)
    job, firing, co2 = line.job[at], line.firing[at], line.co2_pct[at]
    low, high = line.bands[job, firing].T
    return pd.DataFrame(
        {
            **_keys(line, at),
            "firing": _names(firing, FIRINGS),
            "minutes": _minutes(line)[at],
            "co2_pct": co2,
            "o2_pct": line.o2_pct[at],
            "co_ppm": line.co_ppm[at],
            "distance_pct": np.abs(co2 - (low + high) / 2),
            "half_band_pct": (high - low) / 2,
            "moves": _moves_so_far(line)[at, firing],
            "wait_s": line.time_s[at] - line.changed_s[at],
            "settled": line.settled[at],
            "in_band": (co2 >= low - TINY) & (co2 <= high + TINY),
            "found": text_column(line.found[i] for i in at),
        }
    )


def moves(rows: pd.DataFrame | Timeline) -> pd.DataFrame:
    """One row per turn that stands.

    job, row       name of the job, row of its log
    screw, firing  which screw; rate at that moment, "" where none was logged
    minutes        time since the job's first row, min
    turns_cw       turns, clockwise positive
    waited_s       time from the change before to the turn, s; NaN on a job's first row
    wait_kept      whether it was made on a settled reading
    before_pct, after_pct  settled CO2 displayed last before and last after it, % CO2; before_pct only where neither the
                   rate changed nor the other screw was turned in between
    intended_pct   change that would have brought before_pct to the band's centre, % CO2
    pair_turns_cw  all turns between these two, where readings were left out; turns, clockwise positive
    change_pct     rise from the mean of the settled displays before to that after, % CO2
    gain_per_turn  change_pct per turn in the richer direction, % CO2 per turn: the mean over the way between the two
    in_band_after, overshot  whether the display was then in band; had passed the band's far edge. Missing (pandas'
                   nullable boolean) where no settled reading tells, so a mean is a share of what could be judged
    unjudged       why `overshot` is missing, one of UNJUDGED; "" where it is not
    """
    line = timeline(rows)
    at = np.flatnonzero(line.kind == TURN)
    job, screw, firing = line.job[at], line.screw[at], line.firing[at]
    segment = line.segment[at]
    last, mean, count, stay_of, screw_of, turns_of = _segments(line)
    before = _last_read(count, stay_of, screw_of)[segment]
    paired = (before >= 0) & (count[segment] > 0) & (firing == OWN_FIRING[screw])
    from_segment = np.maximum(before, 0)
    travelled = np.concatenate([[0.0], np.cumsum(turns_of)])
    pair_turns = travelled[segment + 1] - travelled[from_segment + 1]
    change = np.where(paired, mean[segment] - mean[from_segment], np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.where(np.abs(pair_turns) > TINY, change / (pair_turns * line.richer[job, screw]), np.nan)
    low, high = line.bands[job, np.maximum(firing, 0)].T
    was, now = np.where(paired, last[from_segment], np.nan), np.where(count[segment] > 0, last[segment], np.nan)
    first = at == line.first[at]  # before a job's first row there is nothing to wait for, and no reading
    return pd.DataFrame(
        {
            **_keys(line, at),
            "screw": _names(screw, SCREWS),
            "firing": _names(firing, FIRINGS),
            "minutes": _minutes(line)[at],
            "turns_cw": line.turns_cw[at],
            "waited_s": np.where(first, np.nan, line.time_s[at] - line.changed_s[at - 1]),
            "wait_kept": ~first & (count[segment - 1] > 0),
            "before_pct": was,
            "after_pct": now,
            "intended_pct": (low + high) / 2 - was,
            "pair_turns_cw": np.where(paired, pair_turns, np.nan),
            "change_pct": change,
            "gain_per_turn": gain,
            "in_band_after": BooleanArray((now >= low - TINY) & (now <= high + TINY), np.isnan(now)),
            "overshot": BooleanArray(passed(was, now, low, high), ~paired),
            "unjudged": text_column(
                np.where(paired, "", _why_unjudged(before, count[segment], firing, screw)).tolist()
            ),
        }
    )


def jobs(rows: pd.DataFrame | Timeline) -> pd.DataFrame:
    """One row per job.

    job            its name
    start          moment of its first row, UTC
    site, analyser, fuel, valve_family  from its setup, as typed
    high_from_pct, high_to_pct, low_from_pct, low_to_pct  its bands at high and low fire, % CO2
    mark_offset_turns, mark_throttle_turns  one mark of each screw, turns
    turndown, turndown_stated, turndown_range  high over low input, a ratio; False where `open` had to assume it; the
                   range it is counted in
    prior_source   where its prior came from, "" for the built-in one
    practice       whether the boiler is made up: such a job is in the tables, but not in `evidence`
    minutes        from its first row to its last, min
    readings, readings_too_soon  how many; of them usable but not settled
    moves, moves_offset, moves_throttle  turns in all and by screw
    waits_kept, waits_broken  turns made on a settled reading; the others
    turns_judged   turns read settled before and after, of which the display tells whether they passed the band
    overshoots     of them those that passed the band's far edge; missing (pandas' nullable integer) where turns were
                   made and none could be judged
    reversals      turns against the turn of the same screw before it in the log; from HUNTING on the job hunts
    found_high_pct, left_high_pct, found_low_pct, left_low_pct  first and last settled CO2 displayed at a rate, % CO2
    ended_in_band  whether the last settled reading at each rate was in band, and since the last turn
    found_offset_pct  the same as found: settled CO2 less the band's centre, mean over the rates read before any turn
    off_line_pct   mean over its readings of CO2 displayed less the CO2 that the fuel gives at the O2 displayed, % CO2
    found          codes of what its readings say by themselves, separated by spaces
    """
    line = timeline(rows)
    count, setups = len(line.jobs), line.setup

    def total(where: Bools) -> Ints:
        return np.bincount(line.job[where], minlength=count)

    turned, read, moved = line.kind == TURN, line.kind == READING, moves(line)
    job_of_move, kept = line.job[turned], moved["wait_kept"].to_numpy()
    judged = np.bincount(job_of_move[moved["overshot"].notna()], minlength=count)
    last_turn = _per_job(line, np.flatnonzero(turned), line.time_s, -np.inf)
    place = np.arange(line.job.size, dtype=np.float64)
    first_turn = _per_job(line, np.flatnonzero(turned)[::-1], place, np.inf)
    table = {
        "job": text_column(line.jobs),
        "start": pd.to_datetime(_per_job(line, np.arange(line.job.size)[::-1], line.time_s), unit="s", utc=True),
        "site": text_column(setup.site for setup in setups),
        "analyser": text_column(setup.analyser for setup in setups),
        "fuel": text_column(setup.fuel.name for setup in setups),
        "valve_family": text_column(setup.valve_family for setup in setups),
        **{
            f"{firing}_{end}_pct": line.bands[:, rate, side]
            for rate, firing in enumerate(FIRINGS)
            for side, end in enumerate(("from", "to"))
        },
        **{f"mark_{screw}_turns": np.array([setup.mark_turns[screw] for setup in setups]) for screw in SCREWS},
        "turndown": [setup.turndown for setup in setups],
        "turndown_stated": np.array([setup.turndown_stated for setup in setups], dtype=bool),
        "turndown_range": text_column(turndown_range(setup.turndown) for setup in setups),
        "prior_source": text_column(setup.prior_source for setup in setups),
        "practice": np.array([setup.practice for setup in setups], dtype=bool),
        "minutes": _per_job(line, np.arange(line.job.size), _minutes(line), 0.0),
        "readings": total(read),
        "readings_too_soon": total(read & line.usable & ~line.settled),
        "moves": total(turned),
        **{f"moves_{screw}": total(turned & (line.screw == n)) for n, screw in enumerate(SCREWS)},
        "waits_kept": np.bincount(job_of_move[kept], minlength=count),
        "waits_broken": np.bincount(job_of_move[~kept], minlength=count),
        "turns_judged": judged,
        "overshoots": IntegerArray(
            np.bincount(job_of_move[moved["overshot"].to_numpy(bool, na_value=False)], minlength=count),
            (judged == 0) & (total(turned) > 0),
        ),
        "reversals": np.bincount(job_of_move[_reversed(line, turned)], minlength=count),
    }
    ended, found_offsets = np.ones(count, dtype=bool), []
    for rate, firing in enumerate(FIRINGS):
        at = np.flatnonzero(read & line.settled & (line.firing == rate))
        left = _per_job(line, at, line.co2_pct)
        found, read_first = (_per_job(line, at[::-1], of) for of in (line.co2_pct, place))
        table |= {f"found_{firing}_pct": found, f"left_{firing}_pct": left}
        low, high = line.bands[:, rate].T
        found_offsets.append(np.where(read_first < first_turn, found - (low + high) / 2, np.nan))
        ended &= (left >= low - TINY) & (left <= high + TINY) & (_per_job(line, at, line.time_s, -np.inf) > last_turn)
    codes: list[set[str]] = [set() for _ in line.jobs]
    for row in np.flatnonzero(read):
        codes[line.job[row]].update(line.found[row].split())
    told = np.isfinite(found_offsets).sum(axis=0)
    with np.errstate(invalid="ignore"):
        table |= {
            "ended_in_band": ended,
            "found_offset_pct": np.nansum(found_offsets, axis=0) / np.where(told, told, np.nan),
        }
    off_line = _off_line(line)
    return pd.DataFrame(
        {**table, "off_line_pct": off_line, "found": text_column(" ".join(sorted(own)) for own in codes)}
    )


def passed(was: Any, now: Any, low: Any, high: Any) -> Any:
    """Whether a turn took the display past the far edge of the band, from before or inside it; arrays or numbers."""
    return ((now > high + TINY) & (was <= high + TINY)) | ((now < low - TINY) & (was >= low - TINY))


def _why_unjudged(before: Ints, after: Array, firing: Ints, screw: Ints) -> NDArray[np.str_]:
    """Which of UNJUDGED holds for turns without a pair of settled readings around them."""
    neither, none_before, none_after, elsewhere = UNJUDGED
    told = np.where(before < 0, np.where(after > 0, none_before, neither), none_after)
    return np.where(firing != OWN_FIRING[screw], elsewhere, told)


def _reversed(line: Timeline, turned: Bools) -> Bools:
    """Whether a turn goes against the one of the same screw before it in its job, by turn."""
    at = np.flatnonzero(turned)
    against = np.zeros(at.size, dtype=bool)
    for screw in range(len(SCREWS)):
        own = np.flatnonzero(line.screw[at] == screw)
        turns, job = line.turns_cw[at[own]], line.job[at[own]]
        against[own[1:]] = (turns[1:] * turns[:-1] < 0) & (job[1:] == job[:-1])
    return against


def _off_line(line: Timeline) -> Array:
    """Mean by job of CO2 displayed less the CO2 of the fuel's line at the O2 displayed, usable readings only, % CO2."""
    at = np.flatnonzero(line.usable & np.isfinite(line.o2_pct))
    most = np.array([setup.fuel.co2_max_pct for setup in line.setup])[line.job[at]]
    apart = line.co2_pct[at] - most * (1 - line.o2_pct[at] / AIR_O2_PCT)
    count = np.bincount(line.job[at], minlength=len(line.jobs))
    mean: Array = np.bincount(line.job[at], apart, minlength=len(line.jobs)) / np.where(count, count, np.nan)
    return mean


def turndown_range(turndown: float) -> str:
    """Which of TURNDOWN_RANGES a job is counted in."""
    return next(name for name, (_, high) in TURNDOWN_RANGES.items() if turndown < high)


# --- segments ---------------------------------------------------------------------------------------


def _segments(line: Timeline) -> tuple[Array, Array, Array, Ints, Ints, Array]:
    """Of each segment: last and mean settled CO2 displayed, count, stay, screw turned to begin it, turns."""
    size = int(line.segment[-1]) + 1 if line.segment.size else 0
    read = line.segment[line.settled]
    count = np.bincount(read, minlength=size).astype(np.float64)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(read, line.co2_pct[line.settled], minlength=size) / count
    last = np.full(size, np.nan)
    last[read] = line.co2_pct[line.settled]  # of several the last stays
    stay, screw, turns = np.full(size, -1), np.full(size, -1), np.zeros(size)
    stay[line.segment] = line.stay
    turned = line.kind == TURN
    screw[line.segment[turned]], turns[line.segment[turned]] = line.screw[turned], line.turns_cw[turned]
    return last, mean, count, stay, screw, turns


def _last_read(count: Array, stay: Ints, screw: Ints) -> Ints:
    """For each segment the one before it with a settled reading, same stay and screw between; -1: none."""
    size = count.size
    if not size:
        return np.zeros(0, dtype=np.int64)
    at = np.maximum.accumulate(np.where(count > 0, np.arange(size), -1))
    found = np.concatenate([[-1], at[:-1]])
    # all turns between must be of one screw: the run of segments begun by the same screw
    runs = np.cumsum(np.concatenate([[True], screw[1:] != screw[:-1]]))
    same = (stay[found] == stay) & (runs[np.minimum(found + 1, size - 1)] == runs)
    return np.where(same, found, -1)


def _moves_so_far(line: Timeline) -> Ints:
    """Turns of each rate's own screw up to each row of its job (N, 2)."""
    own = (line.kind == TURN)[:, None] & (line.screw[:, None] == OWN_SCREW)
    total = np.concatenate([np.zeros((1, 2), dtype=np.int64), np.cumsum(own, axis=0)])
    so_far: Ints = total[1:] - total[line.first]
    return so_far


def _minutes(line: Timeline) -> Array:
    minutes: Array = (line.time_s - line.time_s[line.first]) / 60
    return minutes


def _per_job(line: Timeline, at: Ints, values: Array, default: float = np.nan) -> Array:
    """The value of each job at the last of the rows `at` that are its own."""
    found = np.full(len(line.jobs), default)
    found[line.job[at]] = values[at]
    return found


def _keys(line: Timeline, at: Ints) -> dict[str, object]:
    return {"job": text_column(line.jobs[job] for job in line.job[at]), "row": line.row[at]}


def _names(codes: Ints, names: tuple[str, ...]) -> pd.Series:
    return text_column((*names, "")[code] for code in codes)
