"""What happened on site: one record per row of the job log, the fields named as the log's columns."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import datetime, timedelta
from typing import Literal, NamedTuple

from advisor.errors import RangeError
from advisor.screws import OFF, Firing, Running, Screw

Kind = Literal["reading", "turn", "firing", "check", "note", "void"]
KINDS: tuple[Kind, ...] = ("reading", "turn", "firing", "check", "note", "void")
A_MOMENT = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Event:
    """One row of a job log. Fields that a kind of event does not use are None or empty.

    time      timezone-aware moment of the event
    event     one of KINDS
    firing    firing rate of a reading, or the rate changed to (`firing` event): one of FIRINGS, or "off"; a reading
              of CO alone may have none
    screw     screw of a turn: one of SCREWS
    turns_cw  turn made by the hand, fraction of a turn, clockwise positive
    co2_pct, o2_pct  dry volume percent as displayed
    co_ppm    dry volume parts per million as displayed
    item, value, unit  what a check looked at and what it found; for a void, item is "row" and value its number
    note      free text
    flue      of a reading of CO alone: CO2 and O2 (or None) last read at that rate, dry volume percent; not logged
    """

    time: datetime
    event: Kind
    firing: Running | None = None
    screw: Screw | None = None
    turns_cw: float | None = None
    co2_pct: float | None = None
    o2_pct: float | None = None
    co_ppm: float | None = None
    item: str = ""
    value: str = ""
    unit: str = ""
    note: str = ""
    flue: tuple[float, float | None] | None = field(default=None, compare=False)

    @property
    def rate(self) -> Firing | None:
        """The firing rate it is about; None where the burner is off, or none is named."""
        return None if self.firing == OFF else self.firing


COLUMNS = tuple(each.name for each in fields(Event) if each.name != "flue")


def still_valid(events: Sequence[Event], at: datetime | None = None) -> list[bool]:
    """Tell for each event whether it stands (at a moment): not struck by a later `void` row that stands itself.

    Rows count from 1 in the order of the log. A void that is voided strikes nothing.
    """
    valid = [True] * len(events)
    for index in range(len(events) - 1, -1, -1):
        if valid[index] and events[index].event == "void" and (at is None or events[index].time <= at):
            valid[int(events[index].value) - 1] = False
    return valid


class Row(NamedTuple):
    """An event with its number: rows count from 1 in the order of the log."""

    number: int
    event: Event

    @property
    def at_s(self) -> float:
        """Moment of the event, s since 1970."""
        return self.event.time.timestamp()


def strikes(events: Sequence[Event], at: datetime | None = None) -> dict[int, Row]:
    """The `void` rows that stand (at a moment), by the number of the row that each strikes; of several the last."""
    valid = still_valid(events, at)
    return {
        int(event.value): Row(number, event)
        for number, (event, stands) in enumerate(zip(events, valid, strict=True), 1)
        if stands and event.event == "void" and (at is None or event.time <= at)
    }


def in_order(rows: Sequence[Row]) -> list[Row]:
    """Rows, given in the order of the log, in order of time.

    Rows of one moment keep the order of the log: each is put a microsecond after the one before it, so that whatever
    compares moments finds them in that order.
    """
    ordered: list[Row] = []
    for row in sorted(rows, key=lambda row: row.event.time):
        earliest = ordered[-1].event.time + A_MOMENT if ordered else row.event.time
        late = row.event.time < earliest
        ordered.append(Row(row.number, replace(row.event, time=earliest)) if late else row)
    return ordered


def firing_at_rows(rows: Iterable[Row]) -> dict[int, Firing | None]:
    """The firing rate that ran at each row, by row number; None before the start and while the burner is off."""
    running: dict[int, Firing | None] = {}
    firing: Firing | None = None
    for row in rows:
        firing = row.event.rate if row.event.firing else firing
        running[row.number] = firing
    return running


def local_now() -> datetime:
    """The moment, in local time, with its offset from UTC. RangeError where the system's time zone is none."""
    try:
        return datetime.now().astimezone()
    except ValueError:
        raise RangeError("this system's time zone is a day or more from UTC: set it right (TZ)") from None
