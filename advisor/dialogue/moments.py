"""Moments as people type them."""

import re
from datetime import UTC, datetime, time, timedelta

from advisor.errors import RangeError
from advisor.log.events import local_now

LAST = "last"  # typed for the moment of the log's last row
now = local_now  # in this room the one clock by which what is typed is read
MOST_AHEAD = timedelta(days=1)  # a later moment is a slip in the date; a replay may run ahead of the clock


def parse_time(words: str | None) -> datetime | None:
    """A moment as typed. ISO 8601, without an offset in local time; or a time alone: the last time it was that late.

    None stays None. A time up to an hour ahead is today's. RangeError for what lies more than a day ahead:
    nothing can have happened then, so the date was mistyped or a clock is wrong.
    """
    if words is None:
        return None
    typed, present = words.strip(), now()
    if typed == LAST:
        raise RangeError(f"--at {LAST} is for next, may and show: an entry needs its own moment, such as 10:32")
    clock = re.fullmatch(r"(\d{1,2}):(\d\d)(?::(\d\d))?", typed)
    try:
        if clock:
            hour, minute, second = (int(part or 0) for part in clock.groups())
            moment = datetime.combine(present.date(), time(hour, minute, second)).astimezone()
            moment -= timedelta(days=1) if moment > present + timedelta(hours=1) else timedelta(0)
        else:
            moment = datetime.fromisoformat(typed)
        moment = moment if moment.tzinfo else moment.astimezone()
    except (ValueError, OverflowError):  # the latter: no local time in the year 1
        raise RangeError(f"time '{words}' can't be read: give 10:32, 10:32:30 or 2026-05-04T10:32:00+02:00") from None
    if moment > present + MOST_AHEAD:
        raise RangeError(
            f"time '{words}' is still to come: this clock shows {present:%Y-%m-%d %H:%M}. Is one of them wrong?"
        )
    return moment


def moment_to_answer(words: str | None, ended: datetime | None) -> datetime:
    """As `parse_time`; "last" is the moment of the log's last row, `ended`.

    Left out: now, or `ended` where it is later. An answer needs no time zone.
    """
    now_or_last = [datetime.now(UTC)] if ended is None else [datetime.now(UTC), ended]
    if words is not None and words.strip() == LAST:
        return now_or_last[-1]
    return parse_time(words) or max(now_or_last)
