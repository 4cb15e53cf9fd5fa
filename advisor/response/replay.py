"""A job's rows played up to any moment: what stood then, and what it had taught."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

from advisor.job_setup.setup import JobSetup
from advisor.log.events import Event, Row, in_order, still_valid, strikes
from advisor.log.site_facts import with_site_facts
from advisor.response import reading_checks
from advisor.response.filter import FilterState
from advisor.response.situation import Situation, Struck
from advisor.response.tracker import Tracker


def standing_rows(events: Sequence[Event], at: datetime | None = None) -> list[Row]:
    """The rows that stand, up to `at`, in order of time; strikes that came later do not count."""
    valid = still_valid(events, at)
    return in_order(
        [
            Row(number, event)
            for number, (event, stands) in enumerate(zip(events, valid, strict=True), 1)
            if stands and event.event != "void" and (at is None or event.time <= at)
        ]
    )


class Replay:
    """A job's setup and events; the tracker of the moment asked last goes on from there where rows only grew."""

    def __init__(self, setup: JobSetup, events: Sequence[Event] = ()) -> None:
        self.setup, self.events = setup, tuple(events)
        self._known: tuple[tuple[Row, ...], Tracker] | None = None
        self._on_site: tuple[JobSetup, list[Event], JobSetup] | None = None  # as stated, checks, what both come to

    def at(self, moment: datetime | None = None) -> Situation:
        """The job as it stood at a moment; left out: now, or at its last row where the clock is behind that."""
        rows = standing_rows(self.events, moment)
        if moment is None:
            moment = max([datetime.now(UTC), *(row.event.time for row in rows[-1:])])
        return self._situation(tuple(rows), moment)

    def before(self, row: Row) -> Situation:
        """The job as it stood at the moment of a row, without it and what came after it in that moment."""
        rows = standing_rows(self.events, row.event.time)
        return self._situation(tuple(other for other in rows if other.at_s < row.at_s), row.event.time)

    def after(self, row: Row) -> Situation:
        """The job as it stood once a row was logged."""
        rows = standing_rows(self.events, row.event.time)
        return self._situation(tuple(other for other in rows if other.at_s <= row.at_s), row.event.time)

    def _situation(self, rows: tuple[Row, ...], moment: datetime) -> Situation:
        rows = _with_flue(self.setup, rows)
        checks = [row.event for row in rows if row.event.event == "check"]
        if self._on_site is None or self._on_site[:2] != (self.setup, checks):
            self._on_site = self.setup, checks, with_site_facts(self.setup, rows)
        setup = self._on_site[2]
        struck = tuple(
            Struck(Row(number, self.events[number - 1]), by) for number, by in strikes(self.events, moment).items()
        )
        return Situation(setup, rows, self._tracker(setup, rows), moment, struck)

    def _tracker(self, setup: JobSetup, rows: tuple[Row, ...]) -> Tracker:
        known_rows, tracker = self._known or ((), None)
        if tracker is None or tracker.setup != setup or rows[: len(known_rows)] != known_rows:
            known_rows, tracker = (), Tracker(FilterState.initial(setup))
        for row in rows[len(known_rows) :]:
            tracker = tracker.after(row)
        self._known = (rows, tracker)
        return tracker


def _with_flue(setup: JobSetup, rows: tuple[Row, ...]) -> tuple[Row, ...]:
    """The rows, those of CO alone with the flue that was last read at their rate: what its CO is diluted by."""
    told = list(rows)
    for index, (number, event) in enumerate(rows):
        if event.event != "reading" or event.co2_pct is not None:
            continue
        for _, before in reversed(rows[:index]):
            at_this_rate = before.event == "reading" and before.firing == event.firing
            if at_this_rate and before.co2_pct is not None and reading_checks.usable(setup, before):
                told[index] = Row(number, replace(event, flue=(before.co2_pct, before.o2_pct)))
                break
    return tuple(told)
