"""One small log and how to read it, for the tests of rows, heads and whole logs."""

from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import settings

from advisor.chemistry import fuels
from advisor.errors import LogError
from advisor.job_setup.setup import JobSetup
from advisor.log.csv_rows import format_row
from advisor.log.events import COLUMNS, Event
from advisor.log.file import Log, parse_log
from advisor.log.header import format_header

AT = datetime(2026, 3, 1, 14, 5, tzinfo=timezone(timedelta(hours=1)))
FACTS = JobSetup(fuels.NATURAL_GAS, {"high": (9.0, 9.4), "low": (8.6, 9.0)})
HEAD = format_header(FACTS).encode()
HEAD_LINES = HEAD.count(b"\n")
HEADER_ROW = ",".join(COLUMNS)
READING = Event(AT, "reading", firing="low", co2_pct=8.1, o2_pct=6.5, co_ppm=24)
TURN = Event(AT, "turn", screw="offset", turns_cw=1 / 24, note='a "quick" turn, # 2 of 3')
VOID = Event(AT, "void", item="row", value="1")
GOOD = HEAD + "".join(format_row(event) + "\n" for event in (READING, TURN, VOID)).encode()

bounded = settings(deadline=None, derandomize=True, max_examples=200)
many = settings(deadline=None, derandomize=True, max_examples=1500)


def read_back(data: bytes) -> Log:
    return parse_log(data, "visit.csv")


def refusal(data: bytes) -> str:
    with pytest.raises(LogError) as caught:
        read_back(data)
    return str(caught.value)
