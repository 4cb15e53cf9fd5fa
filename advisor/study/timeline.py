"""The rows of many jobs as arrays: firing rates, segments, which readings are settled.

The rules are those of `advisor.response.tracker`, save one: a reading counts as settled once the job's own shortest
waits are over. What one job's readings say of its display's lag takes the full model, see `calibration`.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.chemistry import limits
from advisor.chemistry.fuels import Fuel
from advisor.job_setup.setup import JobSetup
from advisor.log.check_items import clockwise_item
from advisor.log.events import Event
from advisor.response.reading_checks import UNUSABLE, judge
from advisor.response.valve import LinearisedScale
from advisor.screws import DIRECTIONS, FIRING_FOR, FIRINGS, OFF, RUNNING, SCREW_FOR, SCREWS
from advisor.study.frames import job_setups

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Codes: firing as in FIRINGS (0 high, 1 low), screw as in SCREWS (0 offset, 1 throttle), -1 none (or burner off).
KINDS = ("firing", "reading", "turn", "check")
FIRING, READING, TURN, _ = range(4)
BURNER_OFF = RUNNING.index(OFF)
OWN_SCREW = np.array([SCREWS.index(SCREW_FOR[firing]) for firing in FIRINGS])
OWN_FIRING = np.array([FIRINGS.index(FIRING_FOR[screw]) for screw in SCREWS])


@dataclass(frozen=True)
class Timeline:
    """Standing rows of J jobs in order of job and time; arrays of shape (N,) unless stated otherwise.

    jobs, setup     names and setups of the J jobs
    job, first      index into them; index of the job's first row
    row, kind, time_s, screw, turns_cw, co2_pct, o2_pct, co_ppm   the rows; time in s since 1970
    firing          the rate at that moment
    linearised_pct  CO2 of usable readings on a scale linear in their rate's screw, % CO2; for internal use
    stay            number of the stay at one rate that the row falls in; -1 before the first
    segment         number of the time between two changes; a turn is the first row of its own, as is a job's first row
    changed_s       moment at which the segment began, s since 1970
    usable, settled of readings
    found           codes of what a reading says by itself, "" for none
    bands           low and high edge by job and rate (J, 2, 2), % CO2
    richer          +1 where clockwise is richer, -1 where leaner, by job and screw (J, 2)
    """

    jobs: list[str]
    setup: list[JobSetup]
    job: Ints
    first: Ints
    row: Ints
    kind: Ints
    time_s: Array
    firing: Ints
    screw: Ints
    turns_cw: Array
    co2_pct: Array
    o2_pct: Array
    co_ppm: Array
    linearised_pct: Array
    stay: Ints
    segment: Ints
    changed_s: Array
    usable: Bools
    settled: Bools
    found: list[str]
    bands: Array
    richer: Array


def timeline(rows: pd.DataFrame | Timeline) -> Timeline:
    """The timeline of the whole jobs in a frame of log rows (or itself); rows of one moment keep the log's order.

    Raises RangeError where a job has no setup.
    """
    if isinstance(rows, Timeline):
        return rows
    known = job_setups(rows)
    jobs = sorted(known)
    setup = [known[job] for job in jobs]
    frame = rows[_standing(rows)]
    job = pd.Index(jobs).get_indexer(pd.Index(frame["job"])).astype(np.int64)
    time_s = pd.to_datetime(frame["time"], utc=True).astype("datetime64[us, UTC]").astype("int64").to_numpy() / 1e6
    order = np.lexsort((frame["row"].to_numpy(), time_s, job))
    frame, job, time_s = frame.iloc[order], job[order], time_s[order]
    kind, screw = _codes(frame["event"], KINDS), _codes(frame["screw"], SCREWS)
    turns, co2, o2, co = (frame[name].to_numpy(np.float64) for name in ("turns_cw", "co2_pct", "o2_pct", "co_ppm"))
    bands = np.array([[of.bands[firing] for firing in FIRINGS] for of in setup]).reshape(-1, 2, 2)
    first = np.searchsorted(job, np.arange(len(jobs)))[job] if job.size else job

    stated = np.where(kind <= READING, _codes(frame["firing"], RUNNING), -1)
    before = _last(stated >= 0, first, stated, -1, strictly=True)
    left_for_s = np.array([of.policy.left_for_s for of in setup])
    gap = time_s - _last(kind <= TURN, first, time_s, np.inf, strictly=True) > left_for_s[job]
    begins = (stated >= 0) & ((stated != before) | gap)
    firing = np.asarray(_last(stated >= 0, first, np.where(stated == BURNER_OFF, -1, stated), -1))
    turned = kind == TURN
    stay = np.where(_last(begins, first, np.ones_like(job), 0) > 0, np.cumsum(begins) - 1, -1)
    changed = begins | turned | (np.arange(job.size) == first)
    earliest = np.full(job.size, -np.inf)
    waits = np.array([[of.min_wait_s[what] for what in (*SCREWS, "firing")] for of in setup]).reshape(-1, 3)
    for place, when in enumerate((turned & (screw == 0), turned & (screw == 1), begins)):
        earliest = np.maximum(earliest, _last(when, first, time_s, -np.inf) + waits[job, place])
    started = begins & (kind == FIRING) & ((before < 0) | (before == BURNER_OFF) | gap)
    earliest = np.maximum(earliest, _last(started, first, time_s, -np.inf) + limits.START_WAIT_S)
    found, usable = _judged(setup, job, kind, firing, co2, o2, co)
    # half a second for clocks that write whole seconds, as in `response.tracker`
    settled = usable & (time_s >= earliest - 0.5)
    return Timeline(
        jobs, setup, job, first, frame["row"].to_numpy(np.int64), kind, time_s, firing, screw, turns, co2, o2, co,
        _linearised(setup, bands.mean(axis=2), job, firing, co2, usable),
        stay, np.cumsum(changed) - 1, np.asarray(_last(changed, first, time_s, np.nan)), usable, settled, found, bands,
        _toward_richer(setup, job, frame),
    )  # fmt: skip


def _codes(values: pd.Series, names: tuple[str, ...]) -> Ints:
    """Place of each value among the names; -1 where it is none of them."""
    return pd.Index(names).get_indexer(pd.Index(values.astype(object))).astype(np.int64)


def _last(when: Bools, first: Ints, values: NDArray, default: float, *, strictly: bool = False) -> NDArray:  # type: ignore[type-arg]
    """For each row the value at the last row (of its job) at or before it where `when` holds; strictly: before it."""
    if not when.size:
        return values
    at = np.maximum.accumulate(np.where(when, np.arange(when.size), -1))
    if strictly:
        at = np.concatenate([[-1], at[:-1]])
    return np.where(at >= first, values[np.maximum(at, 0)], default)


def _standing(rows: pd.DataFrame) -> Bools:
    """Rows that are not void, of kinds that matter here. Only jobs with a void are looked at one by one."""
    stands = rows["event"].isin(KINDS).to_numpy().copy()
    voids = rows[rows["event"] == "void"]
    if voids.empty:
        return stands
    place = {key: at for at, key in enumerate(zip(rows["job"], rows["row"], strict=True))}
    for job, own in voids.groupby("job"):
        dead: set[int] = set()
        for row, value in sorted(zip(own["row"], own["value"], strict=True), reverse=True):
            if row not in dead:  # a void that is voided itself has no effect
                dead.add(int(value))
        stands[[place[job, number] for number in dead]] = False
    return stands


def _judged(
    setup: list[JobSetup], job: Ints, kind: Ints, firing: Ints, co2: Array, o2: Array, co: Array
) -> tuple[list[str], Bools]:
    """What each reading says by itself: codes, and whether its CO2 says anything about the screws."""
    found, usable = [""] * job.size, np.zeros(job.size, dtype=bool)
    moment = pd.Timestamp(2000, 1, 1, tz="UTC").to_pydatetime()
    for at in np.flatnonzero(kind == READING):
        co2_pct, o2_pct, co_ppm = (None if np.isnan(of[at]) else float(of[at]) for of in (co2, o2, co))
        rate = FIRINGS[firing[at]] if firing[at] >= 0 else None
        event = Event(moment, "reading", rate, co2_pct=co2_pct, o2_pct=o2_pct, co_ppm=co_ppm)
        codes = [finding.code for finding in judge(setup[job[at]], event)]
        found[at] = " ".join(codes)
        usable[at] = co2_pct is not None and not UNUSABLE.intersection(codes)
    return found, usable


def _linearised(setup: list[JobSetup], centres: Array, job: Ints, firing: Ints, co2: Array, usable: Bools) -> Array:
    """CO2 of the usable readings on a scale that is linear in the screw of their rate; NaN elsewhere.

    It equals the CO2, with slope 1, at the band's centre: f^2 for the offset, f for the throttle, see `response.valve`.
    """
    scales: dict[tuple[Fuel, float, int], int] = {}
    pairs = zip(setup, centres, strict=True)
    number = [
        [scales.setdefault((of.fuel, centre, rate), len(scales)) for rate, centre in enumerate(own)]
        for of, own in pairs
    ]
    of_row = np.where(usable, np.array(number, dtype=np.int64).reshape(-1, 2)[job, firing], -1)
    linearised = np.full(co2.size, np.nan)
    for (fuel, centre, rate), which in scales.items():
        at = np.flatnonzero(of_row == which)
        scale = LinearisedScale(fuel, centre)
        value = scale.linearised(np.minimum(co2[at], scale.fuel.co2_max_pct))
        if SCREWS[OWN_SCREW[rate]] == "throttle":
            f, at_centre = np.sqrt(scale.ratio_squared(value)), scale.ratio_squared_at_centre**0.5
            value = centre + 2 * at_centre * (f - at_centre) / scale.slope_at_centre
        linearised[at] = value
    return linearised


def _toward_richer(setup: list[JobSetup], job: Ints, frame: pd.DataFrame) -> Array:
    """+1 where clockwise is richer, -1 where leaner, as stated or as found on site; unknown counts as richer."""
    stated = [[of.clockwise[screw] for screw in SCREWS] for of in setup]
    items, values = frame["item"].to_numpy(), frame["value"].to_numpy()
    for number, screw in enumerate(SCREWS):
        for at in np.flatnonzero(items == clockwise_item(screw)):
            if values[at] in DIRECTIONS:
                stated[job[at]][number] = values[at]
    return np.where(np.array(stated).reshape(-1, 2) == "leaner", -1.0, 1.0)
