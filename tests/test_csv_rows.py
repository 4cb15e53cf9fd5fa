"""One event <-> one line: what is written reads back, what is wrong is said with its line."""

from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st
from log_cases import AT, FACTS, HEAD, HEAD_LINES, HEADER_ROW, bounded, read_back, refusal

from advisor.log.csv_rows import format_row
from advisor.log.events import COLUMNS, Event
from advisor.log.header import format_header

times = st.builds(
    lambda moment, minutes: moment.replace(
        microsecond=moment.microsecond // 1000 * 1000, tzinfo=timezone(timedelta(minutes=minutes))
    ),
    st.datetimes(datetime(2000, 1, 1), datetime(2199, 12, 31)),
    st.integers(-1439, 1439),
)
anything = st.text(max_size=40) | st.text(alphabet="=+-@'\t\\nxu0\"#,; \r\n\x85\u2028\ud800", max_size=12)
words = anything.filter(str.strip)
pct = st.floats(0, 25)
turns = st.floats(-2, 2).filter(bool)
rows = st.one_of(
    st.builds(
        Event, times, st.just("reading"), firing=st.sampled_from(["high", "low"]), co2_pct=pct,
        o2_pct=st.none() | pct, co_ppm=st.none() | st.floats(0, 1e5), note=anything,
    ),
    st.builds(
        Event, times, st.just("turn"), screw=st.sampled_from(["offset", "throttle"]), turns_cw=turns, note=anything
    ),
    st.builds(
        Event, times, st.just("reading"), firing=st.sampled_from(["high", "low", "off", None]),
        co_ppm=st.floats(0, 1e5), note=anything,
    ),
    st.builds(Event, times, st.just("firing"), firing=st.sampled_from(["high", "low", "off"]), note=anything),
    st.builds(Event, times, st.just("check"), item=words, value=words, unit=anything, note=anything),
    st.builds(Event, times, st.just("note"), item=anything, value=anything, unit=anything, note=words),
)  # fmt: skip


def with_row(row: str) -> str:
    """The message for a log whose only row is this, without the place, which is checked here."""
    place, _, words = refusal(HEAD + row.encode() + b"\n").partition(": ")
    assert place == f"visit.csv:{HEAD_LINES + 1}"
    return words


def row_of(**cells: str) -> str:
    return ",".join({"time": AT.isoformat(), **cells}.get(name, "") for name in COLUMNS)


@bounded
@given(st.lists(rows, max_size=4), st.permutations([*COLUMNS, "remark of mine"]), st.sampled_from(["\n", "\r\n"]))
def test_any_event_reads_back_as_itself(events: list[Event], order: list[str], end: str) -> None:
    """Every event survives its row, in any order of the columns, and each row is one line."""
    text = format_header(FACTS).replace(HEADER_ROW, ",".join(order)).replace("\n", end)
    lines = [format_row(event, order) for event in events]
    assert not any(line.splitlines()[1:] for line in lines)
    log_read = read_back((text + "".join(line + end for line in lines)).encode())
    assert list(log_read.events) == events
    assert [event.time.utcoffset() for event in log_read.events] == [event.time.utcoffset() for event in events]
    assert log_read.warnings == ()


@given(st.datetimes(datetime(2000, 1, 1), datetime(2199, 12, 31)))
@bounded
def test_a_time_is_written_no_finer_than_needed(moment: datetime) -> None:
    """Whole seconds stay whole; milliseconds are three digits; nothing is rounded away."""
    event = Event(moment.replace(tzinfo=timezone.utc), "note", note="n")  # noqa: UP017
    cell = format_row(event).split(",")[0]
    assert datetime.fromisoformat(cell) == event.time
    assert len(cell) == 25 + (0 if moment.microsecond == 0 else 4 if moment.microsecond % 1000 == 0 else 7)


@pytest.mark.parametrize("text", ["=1+1", "+A1", "-A1", "@x", "  =1+1", "'=1", "''", "'", "-", "\t=1"])
def test_no_text_is_run_by_a_spreadsheet(text: str) -> None:
    """A text cell never begins as a formula and still reads back as typed."""
    event = Event(AT, "note", note=text)
    cell = format_row(event).rsplit(",", 1)[1].strip('"')
    assert cell.lstrip()[:1] not in "=+-@"
    assert read_back(HEAD + format_row(event).encode() + b"\n").events == (event,)


def test_a_signed_number_stays_plain() -> None:
    """Neither a turn nor a signed value of a check gets an apostrophe."""
    turn = Event(AT, "turn", screw="offset", turns_cw=-0.5)
    check = Event(AT, "check", item="draught", value="-4.5", unit="Pa")
    assert ",offset,-0.5," in format_row(turn)
    assert ",draught,-4.5,Pa," in format_row(check)


ROW_MESSAGES = [
    (row_of(time="yesterday", event="note", note="n"),
     "time 'yesterday' is not a date and time: write it as 2026-03-01T14:05:00+01:00"),
    (row_of(time="2026-03-01T14:05:00", event="note", note="n"),
     "time 2026-03-01T14:05:00 has no offset from UTC: add it, such as +01:00"),
    (row_of(time="1026-03-01T14:05:00Z", event="note", note="n"),
     "time 1026-03-01T14:05:00+00:00: years 2000 to 2199 are allowed. Check the clock"),
    (row_of(event="look"), "event 'look' is not known: it is one of reading, turn, firing, check, note, void"),
    (row_of(event="reading", co2_pct="8.1"), "a reading needs firing: give it, high or low"),
    (row_of(event="reading", firing="mid", co2_pct="8"), "firing 'mid' is not known: it is one of high, low, off"),
    (row_of(event="reading", firing="low", co2_pct="8.1", screw="offset"), "a reading has no screw: leave it empty"),
    (row_of(event="reading", firing="low", co2_pct="81"), "81 % CO2 can't be. Did you mean 8.1?"),
    (row_of(event="reading", firing="low", co2_pct="810"), "810 % CO2 can't be. Did you mean 8.1?"),
    (row_of(event="reading", firing="low", co2_pct="-1"),
     "-1 % CO2 can't be: from 0 to 25 is allowed. Read the display again"),
    (row_of(event="reading", firing="low", co2_pct="8", o2_pct="65"), "65 % O2 can't be. Did you mean 6.5?"),
    (row_of(event="reading", firing="low", co2_pct="8", co_ppm="200000"),
     "200000 ppm CO can't be: from 0 to 100000 is allowed. Read the display again"),
    (row_of(event="reading", firing="low", co2_pct='"8,1"'), "co2_pct '8,1' has a comma. Did you mean 8.1?"),
    (row_of(event="reading", firing="low", co2_pct="8,1"),
     "13 cells where the header row has 12: write numbers with a point, and text that has a comma in double quotes"),
    (row_of(event="reading", firing="low", co2_pct="9" * 41),
     f"co2_pct '{'9' * 40}…': up to 40 characters are allowed. Write a plain number"),
    (row_of(event="turn", screw="offset", turns_cw="24"),
     "24 turns in one row can't be: from -2 to 2 is allowed. Enter a longer turn in parts"),
    (row_of(event="turn", screw="offset", turns_cw="0"), "0 turns is no turn: leave it out"),
    (row_of(event="note", note="x" * 1001), "note has 1001 characters: up to 1000 are allowed. Shorten it"),
    (row_of(event="void", item="row", value="x"),
     "a void of 'row' 'x': item must be 'row', and value the number of the row to strike, counted from 1"),
    (row_of(event="void", item="row", value="1"),
     "row 1 voids row 1: only an earlier row can be voided. Give the number of the row to strike, counted from 1"),
    ("too,short", "2 cells where the header row has 12: write numbers with a point, "
     "and text that has a comma in double quotes"),
    (HEADER_ROW, "a second header row: a log holds one job. Split the file here"),
    ("x\0y", "a zero byte: a log is plain text. Restore the file from a copy"),
    ("x\ry", "not a CSV row: put text that has a comma or a line end in double quotes"),
    ("x" * 40_000, "a line of 40000 bytes: up to 32768 are allowed. Is this a job log?"),
]  # fmt: skip


@pytest.mark.parametrize(("row", "message"), ROW_MESSAGES)
def test_a_bad_row_is_said_with_its_line(row: str, message: str) -> None:
    """What it is, what is allowed, what to do."""
    assert with_row(row) == message


def test_bytes_that_are_not_utf8_are_said_with_their_line() -> None:
    """Another encoding is never guessed."""
    assert refusal(HEAD + b"\xe4\n") == "visit.csv:12: not UTF-8 text: save the file as CSV in UTF-8"
