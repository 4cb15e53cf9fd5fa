"""Moments as typed: local unless they say otherwise, never far ahead of the clock."""

from datetime import datetime, timedelta

import pytest
from refused import refusal

from advisor.dialogue import moments
from advisor.dialogue.moments import parse_time


def test_times_are_local_unless_they_say_otherwise() -> None:
    """A bare time is today's, local; ISO 8601 with an offset is taken as it is."""
    moment = parse_time("9:05")
    assert moment is not None
    assert (moment.hour, moment.minute) == (9, 5)
    assert moment.tzinfo is not None
    assert parse_time("2026-05-04T10:32:00+02:00") == datetime.fromisoformat("2026-05-04T10:32:00+02:00")
    assert parse_time(None) is None


def test_a_bare_time_is_the_last_time_it_was_that_late(monkeypatch: pytest.MonkeyPatch) -> None:
    """Just after midnight 23:58 is yesterday's, not tonight's."""
    late = datetime.fromisoformat("2026-05-05T00:01:00+00:00").astimezone()
    monkeypatch.setattr(moments, "now", lambda: late)
    before = late - timedelta(minutes=3)
    assert parse_time(f"{before:%H:%M}") == before
    assert parse_time(f"{late:%H:%M:%S}") == late


@pytest.mark.parametrize("ahead", [timedelta(days=1, seconds=1), timedelta(days=31), timedelta(days=400)])
def test_a_date_still_to_come_is_refused(ahead: timedelta, monkeypatch: pytest.MonkeyPatch) -> None:
    """More than a day ahead the date was mistyped; a replay that runs ahead of the clock is let be."""
    clock = datetime.fromisoformat("2026-05-05T12:00:00+00:00")
    monkeypatch.setattr(moments, "now", lambda: clock)
    assert parse_time("2026-05-06T11:59:59+00:00") == clock + timedelta(seconds=86399)
    typed = (clock + ahead).isoformat()
    assert refusal(parse_time, typed) == (
        f"time '{typed}' is still to come: this clock shows 2026-05-05 12:00. Is one of them wrong?"
    )


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("25:10", "time '25:10' can't be read: give 10:32, 10:32:30 or 2026-05-04T10:32:00+02:00"),
        ("noon", "time 'noon' can't be read: give 10:32, 10:32:30 or 2026-05-04T10:32:00+02:00"),
        ("last", "--at last is for next, may and show: an entry needs its own moment, such as 10:32"),
    ],
)
def test_what_is_no_moment_is_asked_back(typed: str, message: str) -> None:
    """The message says how a moment is typed."""
    assert refusal(parse_time, typed) == message
