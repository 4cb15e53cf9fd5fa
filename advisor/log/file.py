"""The job log on disk: one plain CSV file, appended to and never rewritten. Nothing here prints.

Format 1, UTF-8: the setup and a header row (see `header`), then one row per event (see `csv_rows`). Rows count from 1,
whatever lies between them: empty lines, remarks that start with `#`, lines cut short.
"""

import errno
import os
import stat
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from io import BytesIO, FileIO
from itertools import chain, islice

from advisor.errors import LogError, LogGrownError, RangeError
from advisor.job_setup.setup import JobSetup
from advisor.log import csv_rows
from advisor.log import header as headers
from advisor.log.events import Event, still_valid

try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None  # type: ignore[assignment]
try:
    import msvcrt
except ImportError:  # not Windows
    msvcrt = None  # type: ignore[assignment]

MAX_BYTES = 32 * 2**20  # some 300,000 rows; bounds what a wrong file can take
LOCK_PATIENCE_S = 10.0

_NOTHING_SAVED = ". Nothing was saved"
_OS_WORDS: tuple[tuple[type[OSError], str], ...] = (
    (FileExistsError, "this file exists, and a log is never overwritten. Choose another name"),
    (FileNotFoundError, "there is no such file or folder. Check the name; " + headers.START),
    (IsADirectoryError, "this is a folder. Give the name of a job log, such as visit.csv"),
    (PermissionError, "this may not be read or written. Check the rights on the file and its folder"),
)


@dataclass(frozen=True, slots=True)
class Log:
    """A job log as read.

    setup     what is stated of the job
    events    every row, voided ones too, in the order of the file (row n is events[n - 1])
    warnings  what the user must know about the file, each `file:line: ...`
    """

    setup: JobSetup
    events: tuple[Event, ...]
    warnings: tuple[str, ...]


def parse_log(data: bytes, name: str) -> Log:
    """Read the bytes of a job log; `name` is what messages call the file.

    Any bytes give a Log or a LogError: `name:line: what it is, what is allowed, what to do`.
    """
    return _parsed(BytesIO(data), len(data), name)


def _parsed(file: Iterable[bytes], size: int, name: str, most_rows: int | None = None) -> Log:
    """Read lines with their ends, `size` bytes in all, no further than it takes to see that a log is too long."""
    if size > MAX_BYTES:
        raise LogError(f"{name}:1: larger than {MAX_BYTES >> 20} MiB, no job log is. Is this the right file?")
    lines = _lines(file)
    start = list(islice(lines, headers.MAX_HEAD))
    setup, order, header = headers.parse_header([raw for raw, _ in start], name)
    events: list[Event] = []
    warnings: list[str] = []
    for number, (raw, ended) in enumerate(chain(start[header:], lines), header + 1):
        unended = not ended and raw != b""
        try:
            event = csv_rows.parse_tail(raw, order) if unended else csv_rows.parse_row(raw, order)
            if event:
                events.append(event)
                _check_void(event, len(events))
                if most_rows and len(events) > most_rows:
                    raise LogError(f"{name}: more than {most_rows:,} rows: no visit has so many. Start a new log")
        except csv_rows.TornRowError:
            warnings.append(
                f"{name}:{number}: this line was cut short (power lost?). It stays and does not count: "
                "where no later row has what happened, enter it again"
            )
        except RangeError as error:
            raise headers.located(error, name, number) from None
        else:
            if event and unended:
                warnings.append(
                    f"{name}:{number}: this last line has no line end (power lost?). It counts, so don't "
                    "enter it again; its note may be cut short"
                )
    return Log(setup, tuple(events), tuple(warnings))


def _lines(file: Iterable[bytes]) -> Iterator[tuple[bytes, bool]]:
    """Each line without its end, and whether it has one; the last line has none, and is empty in a whole file."""
    mark, ended = b"\xef\xbb\xbf", True
    for raw in file:
        ended = raw.endswith(b"\n")
        yield raw.removeprefix(mark).removesuffix(b"\n"), ended
        mark = b""
    if ended:
        yield b"", False


def _check_void(event: Event, row: int) -> None:
    if event.event == "void" and int(event.value) >= row:
        raise RangeError(
            f"row {row} voids row {event.value}: only an earlier row can be voided. "
            "Give the number of the row to strike, counted from 1"
        )


# ---- files


def name_of(path: str | os.PathLike[str]) -> str:
    """The name of a file as text. Raises RangeError for what can't name one: None, a number, a line end in it."""
    try:
        name = os.fsdecode(path)
        if min(os.fsencode(name), default=32) >= 32:  # no control characters: messages have the name in them
            return name
    except (TypeError, UnicodeEncodeError):
        pass
    typed = os.fspath(path) if isinstance(path, os.PathLike) else path
    raise RangeError(f"log {typed!r:.40} can't be the name of a file: give the path of a job log, such as 'visit.csv'")


def read_log(path: str | os.PathLike[str], most_rows: int | None = None) -> Log:
    """Read a job log from disk, line by line.

    Raises LogError as `parse_log` does, where the file can't be read, and where it has more rows than `most_rows`.
    """
    name = name_of(path)
    with _plain_words(name), open(_plain(name), "rb") as file:
        return _parsed(file, os.fstat(file.fileno()).st_size, name, most_rows)


def create_log(path: str | os.PathLike[str], setup: JobSetup) -> None:
    """Start a job log; it is on disk, whole, when this returns. Raises LogError; no file is ever replaced."""
    name = name_of(path)
    try:
        data = headers.format_header(setup).encode("utf-8")
    except UnicodeEncodeError:
        raise LogError(f"{name}: the facts hold text that is not UTF-8. Retype it{_NOTHING_SAVED}") from None
    parse_log(data, name)  # a log that could not be read back is not begun
    folder = os.path.dirname(name) or os.curdir
    draft = os.path.join(folder, f".advisor-{os.urandom(6).hex()}.new")
    with _plain_words(name, _NOTHING_SAVED):
        try:
            _write_new(draft, data)
            try:
                os.link(draft, name)  # whole or not at all, and refused where the name is taken
            except FileExistsError:
                raise
            except OSError:  # no hard links here, as on many memory sticks
                _write_new(name, data)
        finally:
            with suppress(OSError):
                os.unlink(draft)
    with suppress(OSError):  # not every system lets a folder be synced
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def append_events(path: str | os.PathLike[str], events: Sequence[Event], seen: tuple[Event, ...] | None = None) -> None:
    """Append rows in one locked write; they are on disk when this returns.

    `seen`, the rows that were read last: LogGrownError where the file has others by now. Raises RangeError for an
    event that is not valid and LogError where the rows can't be saved; then none is.
    """
    for event in events:
        csv_rows.check_event(event)
    name = name_of(path)
    with _plain_words(name, _NOTHING_SAVED), open(_plain(name), "r+b", buffering=0) as file, _locked(file, name):
        data = file.readall()
        added = addition(data, events, name, seen)
        try:
            _write_all(file, added)
        except OSError:
            with suppress(OSError):
                file.truncate(len(data))  # what was refused must not turn up later as a row
            raise


def addition(data: bytes, events: Sequence[Event], name: str, seen: tuple[Event, ...] | None = None) -> bytes:
    """The bytes to append to a log of `data`: what its last line lacks, then the rows in the order of its columns.

    Raises as `append_events` does.
    """
    lines = [raw for raw, _ in _lines(BytesIO(data))]
    _, order, header = headers.parse_header(lines, name)
    if seen is not None or any(event.event == "void" for event in events):
        there = parse_log(data, name).events
        if seen is not None and there != seen:
            raise LogGrownError(f"{name}: another program has added to this log meanwhile{_NOTHING_SAVED}")
        for row, event in enumerate(events, len(there) + 1):
            _check_void(event, row)
            if event.event == "void" and not still_valid(there)[int(event.value) - 1]:
                raise RangeError(f"row {event.value} is struck already")
            there = (*there, event)
    end = b"\r\n" if lines[0].endswith(b"\r") else b"\n"
    added = b"".join(csv_rows.format_row(event, order).encode("utf-8") + end for event in events)
    if lines[-1]:
        closing = csv_rows.closing(lines[-1], order) if header < len(lines) else b""  # the header row needs none
        added = closing + end + added
    if len(data) + len(added) > MAX_BYTES:
        raise LogError(f"{name}: this log is full at {MAX_BYTES >> 20} MiB. Start a new one{_NOTHING_SAVED}")
    return added


def _plain(name: str) -> str:
    """The name. LogError for a pipe or a device, which could be waited on for ever."""
    kind = os.stat(name).st_mode
    if stat.S_ISREG(kind) or stat.S_ISDIR(kind):  # what is wrong with a folder is said when it is opened
        return name
    raise LogError(f"{name}: this is no plain file. Give the name of a job log, such as visit.csv")


def _write_new(path: str, data: bytes) -> None:
    file = FileIO(path, "xb")
    try:
        with file:
            _write_all(file, data)
    except OSError:
        with suppress(OSError):
            os.unlink(path)  # a part of a header is no log
        raise


def _write_all(file: FileIO, data: bytes) -> None:
    while data:
        written = os.write(file.fileno(), data)
        if not written:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        data = data[written:]
    os.fsync(file.fileno())


@contextmanager
def _locked(file: FileIO, path: str) -> Iterator[None]:
    """Keep other programs from appending. Readers need no lock."""
    try:
        unlock = _lock(file, path)
    except KeyboardInterrupt:
        raise LogError(f"{path}: stopped while another program was writing to this log{_NOTHING_SAVED}") from None
    try:
        yield
    finally:
        with suppress(OSError):  # whether the rows are saved is settled by now
            unlock()


def _lock(file: FileIO, path: str) -> Callable[[], object]:
    """Take the lock, waiting a while for another program; gives what lifts it."""
    until = time.monotonic() + LOCK_PATIENCE_S
    while True:
        try:
            return _lock_at_once(file, path)
        except (BlockingIOError, FileExistsError) as error:
            if time.monotonic() > until:
                words = "another program keeps this log locked (stopped with Ctrl-Z?). End it, then enter this again"
                if error.filename:
                    words = f"another program is writing to this log. If none is, delete {error.filename}"
                raise LogError(f"{path}: {words}{_NOTHING_SAVED}") from None
        time.sleep(0.01)


def _lock_at_once(file: FileIO, path: str) -> Callable[[], object]:
    """Take the lock. BlockingIOError or FileExistsError where another program has it."""
    handle = file.fileno()
    if fcntl is not None:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return partial(fcntl.flock, handle, fcntl.LOCK_UN)
        except BlockingIOError:
            raise
        except OSError:
            pass  # some network folders can't lock
    elif msvcrt is not None:
        try:
            _lock_byte(file, msvcrt.LK_NBLCK)
        except OSError:
            raise BlockingIOError from None
        return partial(_lock_byte, file, msvcrt.LK_UNLCK)
    open(f"{path}.lock", "x").close()
    return partial(os.unlink, f"{path}.lock")


def _lock_byte(file: FileIO, mode: int) -> None:
    file.seek(2 * MAX_BYTES)  # behind anything that a reader reads
    msvcrt.locking(file.fileno(), mode, 1)  # type: ignore[attr-defined]
    file.seek(0)


@contextmanager
def _plain_words(name: str, outcome: str = "") -> Iterator[None]:
    """Turn what the system says about a file into a LogError that says what to do."""
    try:
        yield
    except OSError as error:
        words = next((words for kind, words in _OS_WORDS if isinstance(error, kind)), None)
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            words = "the disk is full: free some space"
        raise LogError(f"{name}: {words or error.strerror or error}{outcome}") from error
