"""A series into a job as readings: its clock beside the log's, the rate that ran, what is there already."""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import zip_longest
from pathlib import Path

import numpy as np

from advisor.dialogue import moments
from advisor.errors import RangeError
from advisor.job import Job
from advisor.log.check_items import OUTCOME, TRACE
from advisor.log.csv_rows import check_event
from advisor.log.events import Event, Row, firing_at_rows
from advisor.response import reading_checks
from advisor.screws import OFF, Firing
from advisor.trace.clock import Shift, find_shift
from advisor.trace.series import Kind, Sample, Series, Unread
from advisor.trace.thinning import AIR_S, Thinning

CLOCKS_APART_S = 600.0  # two clocks that are set may differ by this, own choice: further apart the user says it
BESIDE_S = 10.0  # of a typed reading, which shows the same display, give or take a clock and a hand, own choice
TO_AIR_S = 20.0  # before clean air, in which a display may be on its way down, own choice
FLUSHED_S = 120.0  # after the burner went off, from which CO on the display is not of its flue any more, own choice
WATCHED_S = 180.0  # after a change that no entry follows, in which it is taken to run as logged, own choice
FAR_S = 900.0  # between two entries of one visit, at most, own choice
MOST_DOUBT_S = 30.0  # of the shift, its 90 % range: half the usual wait, own choice


@dataclass
class Taken:
    """What came of a series so far.

    shift     seconds added to its times for the log's; its range is a point where it was stated, or logged before
    second_0  zero of its own clock, by the log's
    readings  of the series, samples; `logged` of them went into the log, `there` were there already or lie beside a
              reading that is, `in_air` have clean air in them, `not_lit` are from while no burner ran or long after the
              last entry; the rest tell little that those logged don't
    unread    lines that could not be read, or whose figures no display shows, and why
    began, ended  of the series, by the log's clock
    highest_co_ppm  as displayed, dry ppm; None where CO was not read
    """

    name: str
    shift: Shift
    second_0: datetime
    readings: int = 0
    logged: int = 0
    there: int = 0
    in_air: int = 0
    not_lit: int = 0
    unread: list[Unread] = field(default_factory=list)
    began: datetime | None = None
    ended: datetime | None = None
    highest_co_ppm: float | None = None


def take(job: Job, series: Series, shift_s: float | None = None) -> Taken:
    """Take a stored series into a job as readings, thinned; the same series again adds nothing.

    shift_s  seconds to add to its times for those of the log; for times since a start, from the log's first row to
             second 0. Left out it is the one that this series was taken with before, or found from the job's changes

    The readings pass the checks of typed ones; those of CO over its bar are kept. All are written in one go. Raises
    RangeError where the shift can't be told, differs from before, or leads into the future; LogError as `Job` does.
    """
    start_s = start_of(job, series.kind, series.samples)
    before_s = taken_before(job, series)
    if before_s is not None and shift_s is not None and abs(before_s - shift_s) > 0.05:
        raise RangeError(
            f"{series.name} was taken into this log with a shift of {before_s:g} s. Leave --shift out; or strike those "
            "rows first (void), then take it again"
        )
    stated_s = shift_s if before_s is None else before_s
    shift = _found(job, series, start_s) if stated_s is None else Shift(stated_s, stated_s, stated_s)
    taking = Taking(job, Path(series.name).name, start_s, shift)
    last = taking.moment(series.samples[-1])
    if last > moments.now() + moments.MOST_AHEAD:
        raise RangeError(
            f"{series.name}: its last reading would be of {last:%Y-%m-%d %H:%M}, still to come. Give --shift"
        )
    with job.together():
        for sample in series.samples:
            taking.add(sample)
        taking.close()
        if before_s is None and taking.taken.logged:
            job.note(label(series), item=TRACE, value=f"{shift.expected_s:g}", unit="s", at=taking.first)
    taking.taken.unread[:0] = series.unread
    return taking.taken


class Taking:
    """Takes samples in order of time into a job.

    start_s  s since 1970 of the zero of the series' own clock, by that clock
    live     whether the log grows while the series is followed: no reading is then put before what is logged
    """

    def __init__(self, job: Job, name: str, start_s: float, shift: Shift, *, live: bool = False) -> None:
        self._second_0 = datetime.fromtimestamp(round(start_s + shift.expected_s, 3), zone_of(job))
        self.job, self.live, self.taken = job, live, Taken(name, shift, self._second_0)
        self.first: datetime | None = None  # of the readings logged
        self._thinning, self._made = Thinning(job.setup), set[tuple[object, ...]]()
        self.look_again()

    def look_again(self) -> None:
        """Take in what the log holds by now: rates, changes, readings."""
        rows = self.job.rows()
        self._changes_s = [row.at_s for row in rows if row.event.event in ("turn", "firing")]
        self._fired_s = [row.at_s for row in rows if row.event.event == "firing"]
        self._rows_s, self._until_s = [row.at_s for row in rows], watched_until(rows)
        self._rates, rate = list[Firing | None](), None
        for row in rows:
            rate = row.event.rate if row.event.firing else None if row.event.item == OUTCOME else rate
            self._rates.append(rate)
        readings = [row for row in rows if row.event.event == "reading"]
        self._there = {_figures(row.event) for row in readings}
        self._typed_s = [row.at_s for row in readings if _figures(row.event) not in self._made]

    def moment(self, sample: Sample) -> datetime:
        """The moment of a sample by the log's clock."""
        return self._second_0 + timedelta(seconds=round(sample.at_s, 3))

    def add(self, sample: Sample, *, asked: bool = False) -> list[Event]:
        """Take one more sample; the readings that it brought into the log. `asked`: the answer waits for a reading."""
        at, taken = self.moment(sample), self.taken
        taken.readings += 1
        taken.began, taken.ended = taken.began or at, at
        if sample.co_ppm is not None:
            taken.highest_co_ppm = max(sample.co_ppm, taken.highest_co_ppm or 0.0)
        at_s = at.timestamp()
        place, changed = bisect_right(self._rows_s, at_s), bisect_right(self._changes_s, at_s)
        changed_s = self._changes_s[changed - 1] if changed else -math.inf
        watched = self.live or (place > 0 and at_s <= self._until_s[place - 1])
        rate = self._rates[place - 1] if watched and place else None
        if rate is None and not (watched and self._is_of_the_room(sample, at_s)):
            taken.not_lit += 1
            return []
        flue = (sample.co2_pct, sample.o2_pct) if rate and sample.co2_pct is not None else (None, None)
        event = Event(at, "reading", rate, None, None, flue[0], flue[1], sample.co_ppm, str(sample.line))
        try:
            check_event(replace(event, item=""))
        except RangeError as error:
            taken.unread.append(Unread(sample.line, str(error)))
            return []
        kept = self._thinning.kept(event, changed_s, asked=asked, looks_back=not self.live)
        taken.in_air = self._thinning.in_air
        return [reading for reading in kept if self._log(reading)]

    def _is_of_the_room(self, sample: Sample, at_s: float) -> bool:
        """Whether there is CO over its bar, with no burner running, that is not of flue left in the line."""
        of_flue = any(-FLUSHED_S < fired_s - at_s < BESIDE_S for fired_s in self._fired_s)
        return (sample.co_ppm or 0.0) > reading_checks.co_bar_ppm(self.job.setup) and not of_flue

    def close(self) -> list[Event]:
        """The end of the series: its last sample counts."""
        return [reading for reading in self._thinning.last() if self._log(reading)]

    def _log(self, reading: Event) -> bool:
        """Log a reading as if it were typed, unless it is there already."""
        over = (reading.co_ppm or 0.0) > reading_checks.co_bar_ppm(self.job.setup, reading)
        near = bisect_left(self._typed_s, reading.time.timestamp() + BESIDE_S)
        beside = near > 0 and self._typed_s[near - 1] > reading.time.timestamp() - BESIDE_S
        if _figures(reading) in self._there or (beside and not over):
            self.taken.there += 1
            return False
        try:
            if reading.rate and reading.co2_pct is not None:
                self.job.read(reading.rate, reading.co2_pct, reading.o2_pct, reading.co_ppm, at=reading.time)
            else:
                self.job.co(reading.co_ppm or 0.0, at=reading.time)
        except RangeError as error:
            self.taken.unread.append(Unread(int(reading.item), str(error)))
            return False
        self.taken.logged += 1
        self._made.add(_figures(reading))
        self.first = min(self.first or reading.time, reading.time)
        return True


def watched_until(rows: Sequence[Row]) -> list[float]:
    """Until when it is known after each row how the boiler ran, s since 1970: to the next row, unless that is far."""
    until_s = []
    for row, following in zip_longest(rows, rows[1:]):
        near = following is not None and following.at_s - row.at_s <= FAR_S
        alone_s = row.at_s + (WATCHED_S if row.event.event in ("turn", "firing") else 0.0)
        until_s.append(following.at_s if following and near else alone_s)
    return until_s


def zone_of(job: Job) -> tzinfo:
    """The zone of the log's last row, else of this system."""
    return (job.events[-1].time if job.events else moments.now()).tzinfo or UTC


def start_of(job: Job, kind: Kind | None, samples: Sequence[Sample]) -> float:
    """Zero of a series' own clock, s since 1970: by its kind, in the log's zone.

    Of clock times the midnight of the day, of those of the log, on which most changes fall into the series; of times
    since a start the log's first row.
    """
    rows, zone = job.rows(), zone_of(job)
    if kind == "zoned":
        return 0.0
    if kind == "date":
        first = datetime.fromtimestamp(samples[0].at_s, UTC)
        return -(first.replace(tzinfo=zone).utcoffset() or timedelta()).total_seconds()
    if kind == "seconds":
        return (rows[0].event.time if rows else moments.now()).timestamp()
    changed = [row.event.time for row in rows if row.event.event in ("turn", "firing")] or [moments.now()]
    days = sorted(
        {at.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0).timestamp() for at in changed}
    )
    first_s, last_s = samples[0].at_s - CLOCKS_APART_S, samples[-1].at_s + CLOCKS_APART_S
    return max(days, key=lambda day_s: (sum(first_s < at.timestamp() - day_s < last_s for at in changed), day_s))


def taken_before(job: Job, series: Series) -> float | None:
    """The shift with which this series, or the beginning of it, was taken into this log; None where it was not."""
    noted = [row.event for row in job.rows() if (row.event.event, row.event.item) == ("note", TRACE)]
    return next((float(event.value) for event in reversed(noted) if event.note == label(series)), None)


def label(series: Series) -> str:
    """A series as its note in the log names it: its file, and its first reading by its own clock."""
    first = series.samples[0]
    at = f"{first.at_s:g} s" if series.kind == "seconds" else f"{datetime.fromtimestamp(first.at_s, UTC):%H:%M:%S}"
    return f"{Path(series.name).name}, begins at {at} with CO2 {first.co2_pct or 0.0:g} %"


def _found(job: Job, series: Series, start_s: float) -> Shift:
    """The shift as the job's changes tell it. RangeError where they don't."""
    rows = job.rows()
    ran = firing_at_rows(rows)
    changes = [(row.at_s, ran[row.number] or OFF) for row in rows if row.event.event in ("turn", "firing")]
    typed = [(row.at_s, row.event.co2_pct) for row in rows if row.event.event == "reading" and row.event.co2_pct]
    flames = _flames(job, series.samples)
    sampled_s = np.array([start_s + sample.at_s for sample in flames])
    reach_s = -CLOCKS_APART_S, CLOCKS_APART_S
    if series.kind == "seconds" and changes and flames:  # anywhere along the log
        reach_s = float(changes[0][0] - sampled_s[-1]), float(changes[-1][0] - sampled_s[0])
    co2_pct = np.array([sample.co2_pct for sample in flames], float)
    ran_at = next((index for index, row in enumerate(rows) if changes and row.at_s == changes[0][0]), 0)
    known = [(row.at_s, until_s) for row, until_s in zip(rows, watched_until(rows), strict=True)][ran_at:]
    shift = find_shift(changes, known, sampled_s, co2_pct, typed, reach_s, job.setup.prior)
    if shift and shift.high_s - shift.low_s <= MOST_DOUBT_S:
        return Shift(round(shift.expected_s, 1), shift.low_s, shift.high_s)
    why = f"{shift.low_s:.0f} to {shift.high_s:.0f} s fit alike" if shift else "no turn or change of rate shows in it"
    of_day = "the time of day of the file's second 0, such as 10:03:00"
    seconds = "the seconds to add to the file's times; 0 where both clocks agree"
    raise RangeError(
        f"{series.name}: how its clock stands to the log's can't be told: {why}. Give it: --shift with "
        f"{of_day if series.kind == 'seconds' else seconds}"
    )


def _flames(job: Job, samples: Sequence[Sample]) -> list[Sample]:
    """The samples of a flame: no clean air in them, shortly before or after them, and no more CO2 than can be."""
    setup, start = job.setup, datetime.fromtimestamp(0, UTC)
    read = [(sample, sample.co2_pct) for sample in samples if sample.co2_pct is not None]
    air_s = [
        sample.at_s
        for sample, co2_pct in read
        if reading_checks.mostly_air(setup, Event(start, "reading", "high", co2_pct=co2_pct, o2_pct=sample.o2_pct))
    ]
    most_pct = setup.fuel.co2_max_pct + setup.policy.co2_rounding_pct
    return [
        sample
        for sample, co2_pct in read
        if bisect_right(air_s, sample.at_s - AIR_S) == bisect_right(air_s, sample.at_s + TO_AIR_S)
        and co2_pct <= most_pct
    ]


def _figures(reading: Event) -> tuple[object, ...]:
    return round(reading.time.timestamp(), 3), reading.co2_pct, reading.o2_pct, reading.co_ppm
