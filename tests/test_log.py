"""The job log: what is written reads back, what was acknowledged stays, what is wrong is said with its line."""

import errno
import io
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from random import Random
from types import SimpleNamespace

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor import fuels, log
from advisor.errors import LogError, RangeError
from advisor.events import COLUMNS, Event
from advisor.facts import Facts
from advisor.heads import format_head
from advisor.log import Log, append_events, create_log, parse_log, read_log
from advisor.prior import Prior
from advisor.rows import check_event, format_row

AT = datetime(2026, 3, 1, 14, 5, tzinfo=timezone(timedelta(hours=1)))
FACTS = Facts(fuels.NATURAL_GAS, {"high": (9.0, 9.4), "low": (8.6, 9.0)})
HEAD = format_head(FACTS).encode()
HEAD_LINES = HEAD.count(b"\n")
HEADER_ROW = ",".join(COLUMNS)
READING = Event(AT, "reading", firing="low", co2_pct=8.1, o2_pct=6.5, co_ppm=24)
TURN = Event(AT, "turn", screw="offset", turns_cw=1 / 24, note='a "quick" turn, # 2 of 3')
VOID = Event(AT, "void", item="row", value="1")
GOOD = HEAD + "".join(format_row(event) + "\n" for event in (READING, TURN, VOID)).encode()

SHORT = (
    "this line was cut short (power lost?). It stays and does not count: "
    "where no later row has what happened, enter it again"
)
UNENDED = "this last line has no line end (power lost?). It counts, so don't enter it again; its note may be cut short"

bounded = settings(deadline=None, derandomize=True, max_examples=200)
many = settings(deadline=None, derandomize=True, max_examples=1500)

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
    st.builds(Event, times, st.just("firing"), firing=st.sampled_from(["high", "low"]), note=anything),
    st.builds(Event, times, st.just("check"), item=words, value=words, unit=anything, note=anything),
    st.builds(Event, times, st.just("note"), item=anything, value=anything, unit=anything, note=words),
)  # fmt: skip
site_text = st.text(st.characters(exclude_categories=("Cs",)), max_size=60) | st.text(
    alphabet='=+-@,;"\\\n\t# ', max_size=12
)
facts = st.builds(
    Facts,
    fuel=st.sampled_from(fuels.BUILT_IN[:1])
    | st.floats(0.7, 1).map(lambda x: fuels.mixture('town "gas", 2', {"CH4": x, "N2": 1 - x})),
    bands=st.floats(0.1, 1).map(lambda width: {"high": (8.5, 8.5 + width), "low": (8.0, 8.0 + width)}),
    cap_turns=st.floats(1 / 24, 1 / 12).map(lambda cap: {"offset": cap}),
    travel_limit_turns=st.floats(0.5, 4).map(lambda travel: {"throttle": travel}),
    clockwise=st.sampled_from(["richer", "leaner", "unknown"]).map(lambda way: {"throttle": way}),
    turndown=st.floats(1, 20),
    co_limit_ppm_air_free=st.none() | st.floats(1, 400),
    analyser_accuracy_pct=st.none() | st.floats(0, 2),
    overshoot_chance=st.floats(0.001, 0.5),
    pressures=st.dictionaries(site_text, st.floats(1, 20).map(lambda low: (low, 2 * low, "mbar")), max_size=3),
    prior=st.builds(Prior, gain_log_sd=st.floats(0.1, 2), slack_turns=st.floats(0.01, 0.2)) | st.just(Prior()),
    site=site_text,
    analyser=site_text,
)


def read_back(data: bytes) -> Log:
    return parse_log(data, "visit.csv")


def refusal(data: bytes) -> str:
    with pytest.raises(LogError) as caught:
        read_back(data)
    return str(caught.value)


def with_row(row: str) -> str:
    """The message for a log whose only row is this, without the place, which is checked here."""
    place, _, words = refusal(HEAD + row.encode() + b"\n").partition(": ")
    assert place == f"visit.csv:{HEAD_LINES + 1}"
    return words


def row_of(**cells: str) -> str:
    return ",".join({"time": AT.isoformat(), **cells}.get(name, "") for name in COLUMNS)


# ---- what is written reads back


@bounded
@given(st.lists(rows, max_size=4), st.permutations([*COLUMNS, "remark of mine"]), st.sampled_from(["\n", "\r\n"]))
def test_any_event_reads_back_as_itself(events: list[Event], order: list[str], end: str) -> None:
    """Every event survives its row, in any order of the columns, and each row is one line."""
    text = format_head(FACTS).replace(HEADER_ROW, ",".join(order)).replace("\n", end)
    lines = [format_row(event, order) for event in events]
    assert not any(line.splitlines()[1:] for line in lines)
    log_read = read_back((text + "".join(line + end for line in lines)).encode())
    assert list(log_read.events) == events
    assert [event.time.utcoffset() for event in log_read.events] == [event.time.utcoffset() for event in events]
    assert log_read.warnings == ()


@bounded
@given(facts)
def test_any_facts_read_back_as_themselves(stated: Facts) -> None:
    """Facts survive their lines to the last digit, one line a fact, with or without a byte-order mark."""
    data = format_head(stated).encode()
    assert read_back(data).facts == stated
    assert read_back(b"\xef\xbb\xbf" + data.replace(b"\n", b"\r\n")).facts == stated
    assert all(line.startswith("# ") for line in data.decode().splitlines()[:-1])


@given(st.datetimes(datetime(2000, 1, 1), datetime(2199, 12, 31)))
@bounded
def test_a_time_is_written_no_finer_than_needed(moment: datetime) -> None:
    """Whole seconds stay whole; milliseconds are three digits; nothing is rounded away."""
    event = Event(moment.replace(tzinfo=timezone.utc), "note", note="n")  # noqa: UP017
    cell = format_row(event).split(",")[0]
    assert datetime.fromisoformat(cell) == event.time
    assert len(cell) == 25 + (0 if moment.microsecond == 0 else 4 if moment.microsecond % 1000 == 0 else 7)


def test_the_file_is_as_described() -> None:
    """A new log and its rows, letter for letter."""
    assert GOOD.decode() == (
        "# format = 1\n"
        '# fuel = "natural gas"\n'
        "# bands = {high = [9.0, 9.4], low = [8.6, 9.0]}\n"
        "# cap_turns = {offset = 0.08333333333333333, throttle = 0.125}\n"
        "# mark_turns = {offset = 0.041666666666666664, throttle = 0.041666666666666664}\n"
        "# travel_limit_turns = {offset = 0.5, throttle = 1.0}\n"
        '# clockwise = {offset = "richer", throttle = "richer"}\n'
        "# min_wait_s = {offset = 60.0, throttle = 60.0, firing = 30.0}\n"
        "# turndown = 5.0\n"
        "# display_step_pct = 0.1\n"
        "time,event,firing,screw,turns_cw,co2_pct,o2_pct,co_ppm,item,value,unit,note\n"
        "2026-03-01T14:05:00+01:00,reading,low,,,8.1,6.5,24,,,,\n"
        '2026-03-01T14:05:00+01:00,turn,,offset,0.041666666666666664,,,,,,,"a ""quick"" turn, # 2 of 3"\n'
        "2026-03-01T14:05:00+01:00,void,,,,,,,row,1,,\n"
    )


def test_pandas_reads_a_log_as_it_is() -> None:
    """Text with commas, quotes and # stays in its cell; numbers are numbers; torn lines harm no other row."""
    torn = b'2026-03-01T14:05:00+01:00,check,,,,,,,"gas, wor'
    data = GOOD + torn
    data += log._addition(data, [TURN, READING], "visit.csv")
    table = pd.read_csv(io.BytesIO(data), comment="#")
    assert tuple(table.columns) == COLUMNS
    assert table["event"].tolist() == ["reading", "turn", "void", "check", "turn", "reading"]
    assert table["note"].dropna().tolist() == [TURN.note, TURN.note]
    assert table["turns_cw"].dropna().tolist() == [TURN.turns_cw, TURN.turns_cw]


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


def test_no_fact_is_run_by_a_spreadsheet() -> None:
    """Facts split into cells at their commas never make a cell that begins as a formula."""
    stated = replace(FACTS, site="cellar,=1+1, @x,-2")
    line = next(line for line in format_head(stated).splitlines() if "site" in line)
    assert line == r'# site = "cellar\u002c=1+1\u002c @x\u002c-2"'
    assert read_back(format_head(stated).encode()).facts == stated


def test_a_log_saved_by_a_spreadsheet_reads_the_same() -> None:
    """Lines filled up with commas, and # lines split and quoted again as cells, change nothing."""
    lines = GOOD.decode().splitlines()
    stated = [
        ",".join('"' + c.replace('"', '""') + '"' if '"' in c else c for c in line.split(",")) for line in lines[:10]
    ]
    for head in (stated, [line + ",,," for line in lines[:10]]):
        saved = "\r\n".join([*head, lines[10] + ",,", *(line + ",," for line in lines[11:]), ",,,,", ""])
        assert read_back(saved.encode()) == read_back(GOOD)


def test_remarks_empty_lines_and_further_columns_are_left_alone() -> None:
    """They neither count as rows nor hurt."""
    row, header = format_row(READING), HEADER_ROW
    text = f"# # my own log\n\n#\n# format = 1\n{format_head(FACTS)[13:]}".replace(header, f"mine,{header}")
    assert read_back(f"{text}\n# remark\nx,{row}\n\n,,\ny,{row}\n".encode()).events == (READING, READING)


# ---- bad content


@many
@given(
    st.binary(max_size=300)
    | st.binary(max_size=200).map(lambda tail: GOOD + tail)
    | st.binary().map(lambda b: b"# " + b)
)
def test_any_bytes_give_a_log_or_a_log_error(data: bytes) -> None:
    """Nothing but a LogError with a line comes out, and it is one clean line."""
    try:
        read_back(data)
    except LogError as error:
        place, _, words = str(error).partition(": ")
        assert place.startswith("visit.csv:")
        assert 1 <= int(place.split(":")[1]) <= data.count(b"\n") + 1
        assert len(words.splitlines()) == 1


def corrupted(data: bytes, random: Random) -> bytes:
    lines = data.split(b"\n")
    for _ in range(random.randint(1, 3)):
        here, there = random.randrange(len(lines)), random.randrange(len(lines))
        line = bytearray(lines[here])
        at = random.randrange(len(line) + 1)
        match random.randrange(6):
            case 0:
                line[at : at + random.randint(0, 3)] = random.randbytes(random.randint(0, 3))
            case 1:
                line[at:at] = random.choice([b",", b'"', b"#", b"-", b"9", b"\0", b"\r", b"[", b"{", b"1e999", b"nan"])
            case 2:
                lines[here], lines[there] = lines[there], lines[here]
                continue
            case 3:
                lines.insert(there, lines[here])
                continue
            case 4:
                del line[at:]
            case _:
                cells = bytes(line).split(b",")
                random.shuffle(cells)
                line = bytearray(b",".join(cells))
        lines[here] = bytes(line)
    return b"\n".join(lines)


@pytest.mark.parametrize("times_more", [1, pytest.param(10, marks=pytest.mark.slow)])
def test_a_corrupted_log_gives_a_log_or_a_log_error(times_more: int) -> None:
    """Whatever is changed in a good log, it reads or is refused with its line; an append then does the same."""
    random, outcomes = Random(7), {True: 0, False: 0}
    rich = replace(
        FACTS, site="a, b", prior=Prior(gain_log_sd=0.5), pressures={"working pressure": (17.0, 25.0, "mbar")}
    )
    good = format_head(rich).encode() + GOOD[len(HEAD) :] * 2
    for _ in range(2000 * times_more):
        data = corrupted(good, random)
        try:
            before = read_back(data)
        except LogError as error:
            outcomes[False] += str(error).split(":")[1].isdigit()
        else:
            after = read_back(data + log._addition(data, [READING], "visit.csv"))
            assert after.events == (*before.events, READING)
            outcomes[True] += 1
    assert sum(outcomes.values()) == 2000 * times_more
    assert min(outcomes.values()) > 100


ROW_MESSAGES = [
    (row_of(time="yesterday", event="note", note="n"),
     "time 'yesterday' is not a date and time: write it as 2026-03-01T14:05:00+01:00"),
    (row_of(time="2026-03-01T14:05:00", event="note", note="n"),
     "time 2026-03-01T14:05:00 has no offset from UTC: add it, such as +01:00"),
    (row_of(time="1026-03-01T14:05:00Z", event="note", note="n"),
     "time 1026-03-01T14:05:00+00:00: years 2000 to 2199 are allowed. Check the clock"),
    (row_of(event="look"), "event 'look' is not known: it is one of reading, turn, firing, check, note, void"),
    (row_of(event="reading", co2_pct="8.1"), "a reading needs firing: give it"),
    (row_of(event="reading", firing="mid", co2_pct="8"), "firing 'mid' is not known: it is one of high, low"),
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


KNOWN = (
    "fuel, bands, cap_turns, cap_statement, mark_turns, travel_limit_turns, clockwise, min_wait_s, turndown, "
    "co_limit_ppm_air_free, display_step_pct, analyser_accuracy_pct, overshoot_chance, stop_chance, pressures, prior, "
    "site, analyser"
)
READ_WELL = (
    "can't be read: a fact is '# key = value' on one line, with text in double quotes, numbers with a point, "
    "lists in [ ] and tables in { }. A remark starts with '# #'"
)
HEAD_MESSAGES = [
    ("# format = 1", "# format = 2", "1: format 2: written by a newer version of this program. Read it with that"),
    ("# format = 1", "# format = 0", "1: format 0 is not known: 1 is needed"),
    ("# format = 1\n", "", "10: not a job log, which starts with '# format = 1'. 'advisor open' starts a log"),
    ("# turndown = 5.0", "# turndown = 50.0", "9: turndown = 50: from 1 to 20 is allowed"),
    ("# turndown = 5.0", "# turndown = nan", "9: turndown: a number is needed"),
    ("# turndown = 5.0", "# turndown = true", "9: turndown: a number is needed"),
    ("# turndown = 5.0", "# turndown = 5,0", f"9: '# turndown = 5,0' {READ_WELL}"),
    ("# turndown = 5.0", "# turned = 5.0",
     f"9: fact 'turned' is not known: it is one of {KNOWN}, format, fuel_composition"),
    ("# turndown = 5.0", "# a word", f"9: '# a word' {READ_WELL}"),
    ("# turndown = 5.0", "# format = 1", "9: fact 'format' is given twice, first in line 1: remove one"),
    ("# turndown = 5.0", "# site = 3", "9: site: text in double quotes is needed"),
    ("# turndown = 5.0", "# clockwise = 3", "9: fact 'clockwise' is given twice, first in line 7: remove one"),
    ("{high = [9.0, 9.4], low = [8.6, 9.0]}", "[9.0, 9.4]", "3: bands: a table in { } is needed"),
    ("high = [9.0, 9.4]", "high = [9.0]", "3: bands high: a list of 2 in [ ] is needed"),
    ("high = [9.0, 9.4]", "high = [9.4, 9.0]",
     "3: band at high fire 9.4 to 9: two rising numbers above 0 are needed, in % CO2"),
    ('# fuel = "natural gas"\n', "", "10: the fact 'fuel' is missing: add '# fuel = ...' above this"),
    ('fuel = "natural gas"', 'fuel = "coal"',
     "2: fuel 'coal' is not built in. Built in are natural gas, propane, butane, methane; "
     "for any other gas make a mixture from its composition"),
    ("# turndown = 5.0", "# fuel_composition = {CH4 = 0.5}",
     "9: fuel 'natural gas': the parts add up to 0.5, they must add up to 1 within 0.02. "
     "Give mole fractions (0.95 for 95 %) of all parts, nitrogen and CO2 too"),
    ("# turndown = 5.0", "# prior = {gain_log_sd = -1}", "9: prior gain_log_sd = -1: a number above 0 is needed"),
    (",unit,", ",units,", f"11: the header row has 'unit' 0 times: "
     f"each of {', '.join(COLUMNS)} is needed once, between commas"),
    (",unit,", ",unit,unit,", f"11: the header row has 'unit' 2 times: "
     f"each of {', '.join(COLUMNS)} is needed once, between commas"),
    (HEADER_ROW, HEADER_ROW + ",x" * 100, "11: 112 columns: up to 100 are allowed. Remove some"),
    (HEADER_ROW, "", "12: no header row down to here: it comes below the facts. 'advisor open' starts a log"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), HEAD_MESSAGES)
def test_a_bad_head_is_said_with_its_line(old: str, new: str, message: str) -> None:
    """What it is, what is allowed, what to do."""
    assert HEAD.decode().count(old) == 1
    assert refusal(HEAD.decode().replace(old, new).encode()) == f"visit.csv:{message}"


@pytest.mark.parametrize(
    "data",
    [
        b"# format = 1\n# site = " + b"[" * 32_000 + b"\n",
        b"# format = 1\n# site = {" + b"a." * 16_000 + b"a = 1}\n",
        b"# format = 1\n# turndown = " + b"9" * 5000 + b"\n",
        b'# format = 1\n# site = """' + b"\\" * 30_000 + b"\n",
        b"\n" * log.MAX_BYTES,
        b"# # x\n" * 100_000,
        HEAD + b"," * 10_000_000,
        HEAD + b"\n" * 2_000_000 + b"x\n",
        b"x" * (log.MAX_BYTES + 1),
    ],
    ids=["brackets", "dots", "digits", "backslashes", "empty", "remarks", "commas", "gap", "too big"],
)
def test_a_hostile_file_is_answered_soon(data: bytes) -> None:
    """No file takes more than a few seconds."""
    start = time.perf_counter()
    with suppress(LogError):
        read_back(data)
    assert time.perf_counter() - start < 10


def test_a_hundred_thousand_rows_read_soon() -> None:
    """A log far longer than any visit is read in seconds."""
    data = HEAD + (format_row(READING) + "\n").encode() * 100_000
    start = time.perf_counter()
    assert len(read_back(data).events) == 100_000
    assert time.perf_counter() - start < 15


@pytest.mark.parametrize(
    ("event", "message"),
    [
        (replace(READING, time=AT.replace(tzinfo=None)),
         "time 2026-03-01T14:05:00 has no offset from UTC: add it, such as +01:00"),
        (replace(READING, co2_pct=float("nan")),
         "nan % CO2 can't be: from 0 to 25 is allowed. Read the display again"),
        (replace(TURN, screw="gas"), "screw 'gas' is not known: it is one of offset, throttle"),
    ],
)  # fmt: skip
def test_an_event_is_checked_before_it_is_logged(event: Event, message: str, tmp_path: Path) -> None:
    """What a log would refuse to read is refused when entered, and nothing is written."""
    create_log(tmp_path / "visit.csv", FACTS)
    for refuse in (check_event, lambda event: append_events(tmp_path / "visit.csv", [READING, event])):
        with pytest.raises(RangeError) as caught:
            refuse(event)
        assert str(caught.value) == message
    assert (tmp_path / "visit.csv").read_bytes() == HEAD


# ---- lost power


def appended(data: bytes, event: Event = READING) -> bytes:
    return data + log._addition(data, [event], "visit.csv")


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
@pytest.mark.parametrize("last", [READING, TURN, VOID, Event(AT, "check", item='"=é', value="ü, ö", note="ä\n,")])
def test_a_cut_at_every_byte_costs_at_most_the_last_row(last: Event, end: bytes) -> None:
    """The rows before stay; the cut row counts whole or not at all, the same before and after an append."""
    before = GOOD.replace(b"\n", end)
    row = format_row(last).encode() + end
    kept = read_back(before).events
    for size in range(len(row)):
        data = before + row[:size]
        found = read_back(data)
        tail = found.events[len(kept) :]
        assert found.events[: len(kept)] == kept
        assert [replace(event, note="") for event in tail] in ([], [replace(last, note="")])
        assert all(last.note.startswith(event.note.rstrip("\\x")) for event in tail)
        assert found.warnings == ((f"visit.csv:15: {UNENDED if tail else SHORT}",) if size else ())
        after = read_back(appended(data))
        assert after.events == (*found.events, READING)
        assert after.warnings == ((f"visit.csv:15: {SHORT}",) if size and not tail else ())
        assert appended(data).startswith(data)


def test_power_lost_again_while_the_cut_line_is_closed_costs_nothing_more() -> None:
    """A repair cut at any byte of the mark, or here and there later, is itself repaired."""
    for last in (READING, Event(AT, "note", note="n"), replace(READING, note="a, b")):
        row = format_row(last).encode()
        for cut in {*range(1, len(row), 6), *range(len(row) - 5, len(row))}:
            data = GOOD + row[:cut]
            kept = read_back(data).events
            addition = log._addition(data, [TURN], "visit.csv")
            for size in [*range(1, 20), *range(20, len(addition), 25)]:
                once = read_back(data + addition[:size]).events
                assert once[: len(kept)] == kept
                assert [replace(event, note="") for event in once[len(kept) :]] in ([], [replace(TURN, note="")])
                assert read_back(appended(data + addition[:size])).events == (*once, READING)


@pytest.mark.parametrize(
    "tail", [b"\0" * 4096, b"\xff\xfe", b"\0" * 100_000, b'"', b"2026-03-01T14:05:00+01:00,note,\xc3"]
)
def test_a_garbage_tail_is_a_cut_line(tail: bytes) -> None:
    """Zero bytes or half a character, as a file system may leave them, are kept and closed."""
    assert read_back(GOOD + tail).warnings == (f"visit.csv:15: {SHORT}",)
    assert read_back(appended(GOOD + tail)).events == (READING, TURN, VOID, READING)
    assert read_back(appended(appended(GOOD + tail))).warnings == (f"visit.csv:15: {SHORT}",)


def test_a_cut_line_counts_only_where_its_last_cell_is_the_note() -> None:
    """With a number last, 24 may have been 240: the line does not count."""
    order = [name for name in COLUMNS if name != "co_ppm"] + ["co_ppm"]
    data = HEAD.replace(HEADER_ROW.encode(), ",".join(order).encode()) + format_row(READING, order).encode()
    assert read_back(data).events == ()
    assert read_back(appended(data)).events == (READING,)


def test_a_header_row_without_a_line_end_gets_one() -> None:
    """The first row starts on its own line."""
    assert appended(HEAD[:-1]) == HEAD + format_row(READING).encode() + b"\n"


# ---- files


@pytest.fixture
def path(tmp_path: Path) -> Path:
    create_log(tmp_path / "visit.csv", FACTS)
    return tmp_path / "visit.csv"


def file_refusal(path: Path, action: str = "append") -> str:
    with pytest.raises(LogError) as caught:
        {"append": lambda: append_events(path, [READING]), "read": lambda: read_log(path),
         "create": lambda: create_log(path, FACTS)}[action]()  # fmt: skip
    return str(caught.value).removeprefix(f"{path}: ")


def test_a_new_log_is_whole_and_alone(path: Path) -> None:
    """The file is there with its head, nothing else is left in the folder, and rows follow."""
    assert path.read_bytes() == HEAD
    assert [entry.name for entry in path.parent.iterdir()] == ["visit.csv"]
    append_events(path, [READING, TURN])
    append_events(str(path), [VOID])
    assert path.read_bytes() == GOOD
    assert read_log(path) == Log(FACTS, (READING, TURN, VOID), ())


def test_the_order_of_columns_and_the_line_ends_of_a_file_are_kept(path: Path) -> None:
    """A row is appended as the file's own header row has it."""
    order = ["mine", *reversed(COLUMNS)]
    path.write_bytes(HEAD.replace(HEADER_ROW.encode(), ",".join(order).encode()).replace(b"\n", b"\r\n"))
    append_events(path, [READING])
    assert path.read_bytes().endswith(b"\r\n,,,,,24,6.5,8.1,,,low,reading,2026-03-01T14:05:00+01:00\r\n")
    assert read_log(path).events == (READING,)


def test_no_file_is_ever_replaced(path: Path) -> None:
    """Starting a log where a file is refuses and leaves that file alone."""
    path.write_bytes(b"mine")
    words = "this file exists, and a log is never overwritten. Choose another name. Nothing was saved"
    assert file_refusal(path, "create") == words
    assert path.read_bytes() == b"mine"
    assert [entry.name for entry in path.parent.iterdir()] == ["visit.csv"]


def test_without_hard_links_a_log_is_still_begun(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a memory stick the file is written straight, and still never replaced."""

    def link(*_: object) -> None:
        raise OSError(errno.EPERM, "no links")

    monkeypatch.setattr(os, "link", link)
    create_log(tmp_path / "visit.csv", FACTS)
    assert (tmp_path / "visit.csv").read_bytes() == HEAD
    words = "this file exists, and a log is never overwritten. Choose another name. Nothing was saved"
    assert file_refusal(tmp_path / "visit.csv", "create") == words


def test_a_missing_or_unusable_file_is_said(path: Path) -> None:
    """Each trouble with the file itself has its words; an append never makes a file."""
    gone = "there is no such file or folder. Check the name; 'advisor open' starts a log"
    assert file_refusal(path.with_name("none.csv")) == f"{gone}. Nothing was saved"
    assert not path.with_name("none.csv").exists()
    assert file_refusal(path.with_name("none.csv"), "read") == gone
    assert file_refusal(path.parent / "none" / "visit.csv", "create") == f"{gone}. Nothing was saved"
    folder = "this is a folder. Give the name of a job log, such as visit.csv"
    assert file_refusal(path.parent, "read") == folder
    assert file_refusal(path.parent) == f"{folder}. Nothing was saved"
    path.write_bytes(b"")
    message = "1: no header row down to here: it comes below the facts. 'advisor open' starts a log"
    assert file_refusal(path) == f"{path}:{message}"
    assert path.read_bytes() == b""


def test_facts_that_a_log_can_not_hold_are_refused(tmp_path: Path) -> None:
    """A log that could not be read back is not begun."""
    words = "the facts hold text that is not UTF-8. Retype it. Nothing was saved"
    with pytest.raises(LogError) as caught:
        create_log(tmp_path / "a.csv", replace(FACTS, site="x" * 40_000))
    message = "a line of 40011 bytes: up to 32768 are allowed. Is this a job log?"
    assert str(caught.value) == f"{tmp_path / 'a.csv'}:11: {message}"
    with pytest.raises(LogError) as caught:
        create_log(tmp_path / "a.csv", replace(FACTS, site="\ud800"))
    assert str(caught.value) == f"{tmp_path / 'a.csv'}: {words}"
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("written", [0, 1, 30, 200])
def test_a_full_disk_saves_nothing_and_harms_nothing(path: Path, monkeypatch: pytest.MonkeyPatch, written: int) -> None:
    """A write cut short by a full disk is taken back, said, and the file goes on as before."""
    append_events(path, [READING])
    before, write, calls = path.read_bytes(), os.write, []

    def full(handle: int, data: bytes) -> int:
        if calls or not written:
            raise OSError(errno.ENOSPC, "No space left on device")
        calls.append(1)
        return write(handle, data[:written])

    with monkeypatch.context() as patch:
        patch.setattr(os, "write", full)
        with pytest.raises(LogError) as caught:
            append_events(path, [TURN, TURN, TURN])
    assert str(caught.value) == f"{path}: the disk is full: free some space. Nothing was saved"
    assert path.read_bytes() == before
    append_events(path, [TURN])
    assert read_log(path).events == (READING, TURN)


def test_a_full_disk_begins_no_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither a log nor a draft of it is left behind."""
    monkeypatch.setattr(os, "write", lambda *_: 0)
    words = "the disk is full: free some space. Nothing was saved"
    assert file_refusal(tmp_path / "visit.csv", "create") == words
    assert not list(tmp_path.iterdir())


def test_a_read_only_place_is_said(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rights that are missing are named, whichever call meets them."""

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("builtins.open", refuse)
    monkeypatch.setattr(log, "FileIO", refuse)
    words = "this may not be read or written. Check the rights on the file and its folder"
    assert file_refusal(path) == f"{words}. Nothing was saved"
    assert file_refusal(path.with_name("new.csv"), "create") == f"{words}. Nothing was saved"
    assert file_refusal(path, "read") == words


def test_a_failing_sync_is_not_taken_for_saved(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A row that did not reach the disk is taken back and said."""

    def fail(_: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fsync", fail)
    assert file_refusal(path) == "Input/output error. Nothing was saved"
    assert path.read_bytes() == HEAD


def test_a_full_log_says_so(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A log never grows past what can be read."""
    monkeypatch.setattr(log, "MAX_BYTES", 2**20)
    path.write_bytes(HEAD + b"\n" * (2**20 - len(HEAD)))
    assert file_refusal(path) == "this log is full at 1 MiB. Start a new one. Nothing was saved"


def test_the_lock_of_the_other_system_is_used(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without POSIX locks one byte far behind the end is locked and freed again."""
    calls: list[tuple[int, int]] = []

    def locking(handle: int, mode: int, size: int) -> None:
        assert size == 1
        calls.append((mode, os.lseek(handle, 0, os.SEEK_CUR)))

    monkeypatch.setattr(log, "fcntl", None)
    monkeypatch.setattr(log, "msvcrt", SimpleNamespace(locking=locking, LK_LOCK=1, LK_UNLCK=0))
    append_events(path, [READING])
    assert calls == [(1, 2 * log.MAX_BYTES), (0, 2 * log.MAX_BYTES)]
    assert read_log(path).events == (READING,)


def test_a_lock_file_serves_where_no_lock_does(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is removed again; one that stays is waited for and then named."""
    monkeypatch.setattr(log, "fcntl", None)
    append_events(path, [READING])
    assert [entry.name for entry in path.parent.iterdir()] == ["visit.csv"]
    path.with_name("visit.csv.lock").touch()
    monkeypatch.setattr(log, "LOCK_PATIENCE_S", 0.05)
    words = f"another program is writing to this log. If none is, delete {path}.lock. Nothing was saved"
    assert file_refusal(path) == words
    assert read_log(path).events == (READING,)


def write_many(path: str, name: str, count: int) -> None:
    for number in range(count):
        append_events(path, [Event(AT + timedelta(seconds=number), "note", item=name, value=str(number), note="n, n")])


@pytest.mark.parametrize("count", [200, pytest.param(1000, marks=pytest.mark.slow)])
def test_two_programs_append_at_once(path: Path, count: int) -> None:
    """All rows of both are there, whole and in each one's order."""
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=write_many, args=(str(path), name, count)) for name in "ab"]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    found = read_log(path)
    assert found.warnings == ()
    assert len(found.events) == 2 * count
    for name in "ab":
        assert [int(event.value) for event in found.events if event.item == name] == list(range(count))


ENDLESS = """
import sys
from datetime import datetime, timezone
from advisor.events import Event
from advisor.log import append_events
number = int(sys.argv[2])
while True:
    append_events(sys.argv[1], [Event(datetime.now(timezone.utc), "note", value=str(number), note="n" * 900)])
    print(number, flush=True)
    number += 1
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no kill -9 there")
@pytest.mark.parametrize("rounds", [10, pytest.param(300, marks=pytest.mark.slow)])
def test_killed_at_any_moment_no_acknowledged_row_is_lost(path: Path, rounds: int) -> None:
    """Every row whose append returned is there; the file reads and the next append works."""
    random, start = Random(3), 0
    for _ in range(rounds):
        with subprocess.Popen([sys.executable, "-c", ENDLESS, str(path), str(start)], stdout=subprocess.PIPE) as writer:
            assert writer.stdout
            acknowledged = int(writer.stdout.readline())
            time.sleep(random.uniform(0, 0.1))
            os.kill(writer.pid, signal.SIGKILL)
            acknowledged = max([acknowledged, *map(int, writer.stdout.read().split())])
        numbers = [int(event.value) for event in read_log(path).events if event.item == ""]
        assert numbers == list(range(len(numbers)))
        assert len(numbers) > acknowledged
        start = len(numbers)
    append_events(path, [Event(AT, "note", item="end", note="n")])
    assert read_log(path).events[-1].item == "end"
