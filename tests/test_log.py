"""The job log: what is written reads back, what was acknowledged stays, what is wrong is said with its line."""

import errno
import io
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from random import Random
from types import SimpleNamespace

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from log_cases import AT, FACTS, GOOD, HEAD, HEAD_LINES, HEADER_ROW, READING, TURN, VOID, many, read_back
from refused import refusal

from advisor import Job
from advisor.errors import LogError, LogGrownError
from advisor.job_setup.prior import Prior
from advisor.log import file as log
from advisor.log.csv_rows import check_event, format_row
from advisor.log.events import COLUMNS, Event
from advisor.log.file import Log, append_events, create_log, read_log
from advisor.log.header import format_header

VOID_9 = replace(VOID, value="9")
SHORT = (
    "this line was cut short (power lost?). It stays and does not count: "
    "where no later row has what happened, enter it again"
)
TAKEN = "this file exists, and a log is never overwritten. Choose another name. Nothing was saved"
RIGHTS = "this may not be read or written. Check the rights on the file and its folder"
UNENDED = "this last line has no line end (power lost?). It counts, so don't enter it again; its note may be cut short"


def appended(data: bytes, *events: Event) -> bytes:
    """The same log with one more reading, or these rows."""
    return data + log.addition(data, events or (READING,), "visit.csv")


def test_the_file_is_as_described() -> None:
    """A new log and its rows, letter for letter."""
    assert GOOD.decode() == (
        "# format = 1\n"
        '# fuel = "natural gas"\n'
        "# bands = {high = [9.0, 9.4], low = [8.6, 9.0]}\n"
        "# cap_turns = {offset = 0.08333333333333333, throttle = 0.125}\n"
        "# mark_turns = {offset = 0.041666666666666664, throttle = 0.041666666666666664}\n"
        "# travel_limit_turns = {offset = 2.0, throttle = 2.0}\n"
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
    table = pd.read_csv(io.BytesIO(appended(GOOD + torn, TURN, READING)), comment="#")
    assert tuple(table.columns) == COLUMNS
    assert table["event"].tolist() == ["reading", "turn", "void", "check", "turn", "reading"]
    assert table["note"].dropna().tolist() == [TURN.note, TURN.note]
    assert table["turns_cw"].dropna().tolist() == pytest.approx([TURN.turns_cw, TURN.turns_cw], abs=1e-15)


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
    text = f"# # my own log\n\n#\n# format = 1\n{format_header(FACTS)[13:]}".replace(header, f"mine,{header}")
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
        line, other, here = random.choice(lines), random.choice(lines), random.randrange(len(lines))
        at, cells = random.randrange(len(line) + 1), line.split(b",")
        junk = random.choice([b",", b'"', b"#", b"-", b"9", b"\0", b"\r", b"[", b"{", b"1e999", b"nan"])
        lines[here] = random.choice([
            line[:at] + random.randbytes(random.randint(0, 3)) + line[at + random.randint(0, 3) :],
            line[:at] + junk + line[at:],
            line[:at],
            line + b"\n" + other,
            b",".join(random.sample(cells, len(cells))),
        ])  # fmt: skip
    return b"\n".join(lines)


@pytest.mark.parametrize("times_more", [1, pytest.param(10, marks=pytest.mark.slow)])
def test_a_corrupted_log_gives_a_log_or_a_log_error(times_more: int) -> None:
    """Whatever is changed in a good log, it reads or is refused with its line; an append then does the same."""
    random, outcomes = Random(7), [0, 0]  # refused, read
    rich = replace(
        FACTS, site="a, b", prior=Prior(gain_log_sd=0.5), pressures={"working pressure": (17.0, 25.0, "mbar")}
    )
    good = format_header(rich).encode() + GOOD[len(HEAD) :] * 2
    for _ in range(2000 * times_more):
        data = corrupted(good, random)
        try:
            before = read_back(data)
        except LogError as error:
            outcomes[0] += str(error).split(":")[1].isdigit()
        else:
            assert read_back(appended(data)).events == (*before.events, READING)
            outcomes[1] += 1
    assert sum(outcomes) == 2000 * times_more
    assert min(outcomes) > 100


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
    """No file takes more than a few seconds of processor time, whatever else the machine is doing."""
    start = time.process_time()
    with suppress(LogError):
        read_back(data)
    assert time.process_time() - start < 10


LONG = """
import sys
import time
from advisor.log import file as log
start, data = time.process_time(), open(sys.argv[1], "rb").read()
found = log.parse_log(data, "visit.csv")
log.append_events(sys.argv[1], [found.events[0]])
took = time.process_time() - start
peak_mb = 0.0
if sys.platform == "linux":  # not getrusage: its peak begins with that of the process that started this one
    peak_mb = int(open("/proc/self/status").read().split("VmHWM:")[1].split()[0]) / 1024
print(len(found.events), took, peak_mb)
"""


def test_a_hundred_thousand_rows_are_read_and_added_to_in_bounds(path: Path) -> None:
    """A log far longer than any visit takes seconds of processor time and 300 MB, the process with its imports."""
    with path.open("ab") as file:
        file.write((format_row(READING) + "\n").encode() * 100_000)
    done = subprocess.run([sys.executable, "-c", LONG, str(path)], capture_output=True, text=True, check=True)
    count, took_s, peak_mb = map(float, done.stdout.split())
    assert count == 100_000
    assert took_s < 15
    assert peak_mb < 300


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
        assert refusal(refuse, event) == message
    assert (tmp_path / "visit.csv").read_bytes() == HEAD


def test_a_void_of_a_row_that_is_not_there_is_refused(path: Path) -> None:
    """Neither a later row nor itself can be struck, also where several rows are added at once; nothing is written."""
    append_events(path, [READING])
    before = path.read_bytes()
    for added, row, voids in (([VOID_9], 2, 9), ([replace(VOID, value="2")], 2, 2), ([TURN, VOID_9], 3, 9)):
        assert refusal(append_events, path, added) == (
            f"row {row} voids row {voids}: only an earlier row can be voided. "
            "Give the number of the row to strike, counted from 1"
        )
    assert path.read_bytes() == before
    append_events(path, [TURN, replace(VOID, value="2")])
    assert read_log(path).events == (READING, TURN, replace(VOID, value="2"))


# ---- lost power


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
@pytest.mark.parametrize(
    "last",
    [
        READING,
        TURN,
        VOID,
        Event(AT, "check", item='"=é', value="ü, ö", note="ä\n,"),
        Event(AT, "note", note="no, # torn line, this"),
    ],
)
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
            whole = appended(data, TURN)
            for size in [*range(len(data) + 1, len(data) + 20), *range(len(data) + 20, len(whole), 25)]:
                once = read_back(whole[:size]).events
                assert once[: len(kept)] == kept
                assert [replace(event, note="") for event in once[len(kept) :]] in ([], [replace(TURN, note="")])
                assert read_back(appended(whole[:size])).events == (*once, READING)


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
    act = {"append": lambda: append_events(path, [READING]), "read": lambda: read_log(path),
           "create": lambda: create_log(path, FACTS)}[action]  # fmt: skip
    return refusal(act, error=LogError).removeprefix(f"{path}: ")


def failing(error: OSError) -> Callable[..., int]:
    """What stands in for a call of the system that fails."""

    def call(*_: object, **__: object) -> int:
        raise error

    return call


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
    two_lines = Event(AT, "note", note="two\nlines")
    append_events(path, [two_lines, READING])
    assert path.read_bytes().endswith(b"\r\n,,,,,24,6.5,8.1,,,low,reading,2026-03-01T14:05:00+01:00\r\n")
    assert path.read_bytes().count(b"\r\n") == path.read_bytes().count(b"\n") == HEAD_LINES + 2
    assert read_log(path).events == (two_lines, READING)


def test_no_file_is_ever_replaced(path: Path) -> None:
    """Starting a log where a file is refuses and leaves that file alone."""
    path.write_bytes(b"mine")
    assert file_refusal(path, "create") == TAKEN
    assert path.read_bytes() == b"mine"
    assert [entry.name for entry in path.parent.iterdir()] == ["visit.csv"]


def test_without_hard_links_a_log_is_still_begun(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a memory stick the file is written straight, and still never replaced."""
    monkeypatch.setattr(os, "link", failing(OSError(errno.EPERM, "no links")))
    create_log(tmp_path / "visit.csv", FACTS)
    assert (tmp_path / "visit.csv").read_bytes() == HEAD
    assert file_refusal(tmp_path / "visit.csv", "create") == TAKEN


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


@pytest.mark.parametrize(
    ("site", "message"),
    [
        ("x" * 40_000, ":11: a line of 40011 bytes: up to 32768 are allowed. Is this a job log?"),
        ("\ud800", ": the facts hold text that is not UTF-8. Retype it. Nothing was saved"),
    ],
)
def test_facts_that_a_log_can_not_hold_are_refused(tmp_path: Path, site: str, message: str) -> None:
    """A log that could not be read back is not begun."""
    said = refusal(create_log, tmp_path / "a.csv", replace(FACTS, site=site), error=LogError)
    assert said == f"{tmp_path / 'a.csv'}{message}"
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
        said = refusal(append_events, path, [TURN, TURN, TURN], error=LogError)
    assert said == f"{path}: the disk is full: free some space. Nothing was saved"
    assert path.read_bytes() == before
    append_events(path, [TURN])
    assert read_log(path).events == (READING, TURN)


def test_a_full_disk_begins_no_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither a log nor a draft of it is left behind."""
    monkeypatch.setattr(os, "write", lambda *_: 0)
    words = "the disk is full: free some space. Nothing was saved"
    assert file_refusal(tmp_path / "visit.csv", "create") == words
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_really_read_only_place_is_said(path: Path) -> None:
    """A log without the right to write is read but not added to; nothing begins in a folder without it."""
    path.chmod(0o400)
    assert file_refusal(path) == f"{RIGHTS}. Nothing was saved"
    assert read_log(path).events == ()
    path.chmod(0)
    assert file_refusal(path, "read") == RIGHTS
    path.parent.chmod(0o500)
    try:
        assert file_refusal(path.with_name("new.csv"), "create") == f"{RIGHTS}. Nothing was saved"
    finally:
        path.parent.chmod(0o700)
    assert [entry.name for entry in path.parent.iterdir()] == ["visit.csv"]


def test_rights_that_are_missing_are_said(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """They are named, whichever call meets them."""
    refuse = failing(PermissionError(errno.EACCES, "Permission denied"))
    monkeypatch.setattr("builtins.open", refuse)
    monkeypatch.setattr(log, "FileIO", refuse)
    assert file_refusal(path) == f"{RIGHTS}. Nothing was saved"
    assert file_refusal(path.with_name("new.csv"), "create") == f"{RIGHTS}. Nothing was saved"
    assert file_refusal(path, "read") == RIGHTS


def test_a_failing_sync_is_not_taken_for_saved(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A row that did not reach the disk is taken back and said."""
    monkeypatch.setattr(os, "fsync", failing(OSError(errno.EIO, "Input/output error")))
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
    monkeypatch.setattr(log, "msvcrt", SimpleNamespace(locking=locking, LK_NBLCK=1, LK_UNLCK=0))
    append_events(path, [READING])
    assert calls == [(1, 2 * log.MAX_BYTES), (0, 2 * log.MAX_BYTES)]
    assert read_log(path).events == (READING,)


@pytest.mark.parametrize("system", ["POSIX", "the other"])
def test_a_lock_that_is_not_let_go_is_waited_for_a_while(
    path: Path, monkeypatch: pytest.MonkeyPatch, system: str
) -> None:
    """A program that was stopped while it wrote does not make the next one wait for ever; nothing is logged."""
    monkeypatch.setattr(log, "LOCK_PATIENCE_S", 0.05)
    locking = failing(PermissionError(errno.EACCES, "Permission denied"))
    with monkeypatch.context() as patch, path.open("r+b") as other:
        if system == "POSIX":
            assert log.fcntl is not None
            log.fcntl.flock(other, log.fcntl.LOCK_EX)
        else:
            patch.setattr(log, "fcntl", None)
            patch.setattr(log, "msvcrt", SimpleNamespace(locking=locking, LK_NBLCK=1))
        words = "another program keeps this log locked (stopped with Ctrl-Z?). End it, then enter this again"
        assert file_refusal(path) == f"{words}. Nothing was saved"
    assert path.read_bytes() == HEAD
    append_events(path, [READING])
    assert read_log(path).events == (READING,)


def test_rows_are_added_only_to_what_was_seen(path: Path) -> None:
    """Who names the rows that were read last adds nothing where another program has added some since."""
    append_events(path, [READING], seen=())
    said = refusal(append_events, path, [TURN], (), error=LogGrownError)
    assert said == f"{path}: another program has added to this log meanwhile. Nothing was saved"
    append_events(path, [TURN], seen=(READING,))
    assert read_log(path).events == (READING, TURN)


def test_a_row_is_struck_once(path: Path) -> None:
    """Two terminals strike the same row at once: the second is told, and no second void is logged."""
    append_events(path, [READING])
    one, other = Job.load(path), Job.load(path)
    assert one.void() == 1
    assert refusal(other.void) == "row 1 is struck already"
    assert [event.event for event in read_log(path).events] == ["reading", "void"]
    append_events(path, [replace(VOID, value="2"), VOID])  # a void that is struck frees its row


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with a name there")
@pytest.mark.parametrize("action", ["read", "append"])
def test_a_pipe_is_no_log(tmp_path: Path, action: str) -> None:
    """It is refused, not waited on for ever."""
    os.mkfifo(tmp_path / "pipe.csv")
    words = "this is no plain file. Give the name of a job log, such as visit.csv"
    assert file_refusal(tmp_path / "pipe.csv", action).removesuffix(". Nothing was saved") == words


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


def test_a_lock_that_can_not_be_lifted_does_not_deny_what_was_saved(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody else removed the lock file meanwhile: the row is there, and no error says it is not."""
    sync, lock_file = os.fsync, path.with_name("visit.csv.lock")

    def removed(handle: int) -> None:
        sync(handle)
        lock_file.unlink()

    monkeypatch.setattr(log, "fcntl", None)
    monkeypatch.setattr(os, "fsync", removed)
    append_events(path, [READING])
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
from advisor.log.events import Event
from advisor.log.file import append_events
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


@pytest.mark.parametrize("locale", [{}, {"PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}], ids=["C", "C, ASCII"])
def test_text_is_utf_8_whatever_the_system_is_set_to(path: Path, locale: dict[str, str]) -> None:
    """In the C locale, also where Python takes it for plain ASCII, logs are read, kept and printed as UTF-8."""
    words = "größer als 5 °C, ガス"
    append_events(path, [Event(AT, "note", note=words)])
    typed = "für Düse 2"
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("LC_", "PYTHONIO", "PYTHONUTF8"))}
    cases = ((["note", str(path), typed.encode()], 0), (["note", str(path), b"f\xfcr"], 2), (["show", str(path)], 0))
    for command, status in cases:
        done = subprocess.run(
            [sys.executable, "-m", "advisor", *command], env={**kept, "LC_ALL": "C", **locale}, capture_output=True
        )
        assert done.returncode == status
        if status:
            assert done.stderr.decode("utf-8") == "'f?r' is not UTF-8 text: type it anew\n"
    assert [event.note for event in read_log(path).events] == [words, typed]
    assert words.encode() in path.read_bytes()
    assert words in done.stdout.decode("utf-8")


def test_the_hour_that_comes_twice_keeps_its_order(path: Path) -> None:
    """When summer time ends, 2:30 comes twice: the offset in each row tells them apart, read back as written."""
    summer, winter = (timezone(timedelta(hours=hours)) for hours in (2, 1))
    first, second = datetime(2026, 10, 25, 2, 30, tzinfo=summer), datetime(2026, 10, 25, 2, 10, tzinfo=winter)
    append_events(path, [Event(first, "note", note="first"), Event(second, "note", note="second")])
    found = [event.time for event in read_log(path).events]
    assert [time.isoformat() for time in found] == ["2026-10-25T02:30:00+02:00", "2026-10-25T02:10:00+01:00"]
    assert found[1] - found[0] == timedelta(minutes=40)
    assert [row.event.note for row in Job.load(path).rows()] == ["first", "second"]
