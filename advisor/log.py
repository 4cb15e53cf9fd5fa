"""The job log on disk: one plain CSV file, appended to and never rewritten. Nothing here prints.

Format 1, UTF-8: `# key = value` lines with the job's facts as TOML, one fact a line, `format = 1` among them;
one header row with the names in COLUMNS, in any order, other columns left alone; one row per event. Rows
count from 1, whatever lies between them.

Text keeps to its line: backslashes, control characters and what some programs take for a line end are
written as \\\\, \\n, \\x1b or \\u2028. Text that a spreadsheet would run as a formula gets an apostrophe in
front, taken off again when read.

A last line without a line end was cut short by lost power. Where it still is a whole row (the note, its last
cell, may be cut) it counts. Otherwise it stays, and the next append closes it with TORN_MARK, which other CSV
readers skip for its `#`. The mark is on the line itself, so power lost in that append leaves nothing unclear.
"""

import csv
import errno
import os
import re
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, fields
from datetime import datetime
from functools import partial
from io import FileIO
from types import UnionType
from typing import Any, get_args, get_origin

from advisor import fuels, units
from advisor.errors import LogError, RangeError
from advisor.events import COLUMNS, FIRINGS, KINDS, SCREWS, Event
from advisor.facts import Facts
from advisor.prior import Prior

try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None  # type: ignore[assignment]
try:
    import msvcrt
except ImportError:  # not Windows
    msvcrt = None  # type: ignore[assignment]

FORMAT = 1
TORN_MARK = b" # torn line"
MAX_BYTES = 32 * 2**20  # some 300,000 rows; bounds what a wrong file can take
MAX_LINE = 32_768  # bytes; a row with MAX_TEXT in every cell stays below
MAX_TEXT = 1000  # characters
MAX_COLUMNS = 100
MAX_HEAD = 1000  # lines
LOCK_PATIENCE_S = 10.0
_FILLING = b", \t\r"  # what an empty line may hold: a spreadsheet fills up short rows

# For each kind of event: the fields it needs, and those it may have besides. Any may have a note.
_USES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "reading": (("firing", "co2_pct"), ("o2_pct", "co_ppm")),
    "turn": (("screw", "turns_cw"), ()),
    "firing": (("firing",), ()),
    "check": (("item", "value"), ("unit",)),
    "note": (("note",), ("item", "value", "unit")),
    "void": (("item", "value"), ()),
}
_CHOICES = {"event": KINDS, "firing": FIRINGS, "screw": SCREWS}
_RANGES = {  # lowest, highest, how it is said, what to do
    "turns_cw": (-2.0, 2.0, "turns in one row", "Enter a longer turn in parts"),
    "co2_pct": (0.0, 25.0, "% CO2", "Read the display again"),
    "o2_pct": (0.0, 25.0, "% O2", "Read the display again"),
    "co_ppm": (0.0, 100_000.0, "ppm CO", "Read the display again"),
}
_TEXTS = ("item", "value", "unit", "note")

# What a fact must be is what the record says, save that a file names its fuel in words.
_FACT_TYPES: dict[str, Any] = {entry.name: entry.type for entry in fields(Facts)}
_FACT_TYPES |= {"format": float, "fuel": str, "fuel_composition": Mapping[str, float]}
_PRIOR_TYPES: dict[str, Any] = {entry.name: entry.type for entry in fields(Prior)}
_ALWAYS_WRITTEN = ("bands", "cap_turns", "mark_turns", "travel_limit_turns", "clockwise", "min_wait_s",
                   "turndown", "display_step_pct")  # fmt: skip

_CONTROL = r"\x00-\x1f\x7f-\x9f\u2028\u2029"
_UNSAFE = _CONTROL + r"\ud800-\udfff"  # half characters, which neither UTF-8 nor TOML can hold
_ESCAPED = re.compile(rf"[\\{_UNSAFE}]")
_ESCAPE = re.compile(r"\\(\\|n|x[0-9a-f]{2}|u[0-9a-f]{4})")
_QUOTED = re.compile(r'[",#]|^\s|\s$')
_FORMULA = re.compile(r"\s*[=+\-@]|'")
_GUARD = re.compile(r"'(?=\s*[=+\-@]|')")
_SIGNED = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")
# A comma before such a sign too: a spreadsheet splits these lines at their commas.
_TOML_ESCAPED = re.compile(rf'["\\{_CONTROL}]|[,;](?=\s*[=+\-@])')
_TOML_LINE = re.compile(r"\s*#\s*(?:#.*|([A-Za-z_]\w*)\s*=.*)?", re.ASCII)

_NOTHING_SAVED = ". Nothing was saved"
_START = "'advisor open' starts a log"
_OS_WORDS: tuple[tuple[type[OSError], str], ...] = (
    (FileExistsError, "this file exists, and a log is never overwritten. Choose another name"),
    (FileNotFoundError, "there is no such file or folder. Check the name; " + _START),
    (IsADirectoryError, "this is a folder. Give the name of a job log, such as visit.csv"),
    (PermissionError, "this may not be read or written. Check the rights on the file and its folder"),
)


Given = dict[str, tuple[int, object]]  # a fact's line number and value, by key


@dataclass(frozen=True, slots=True)
class Log:
    """A job log as read.

    facts     the facts of the job
    events    every row, voided ones too, in the order of the file (row n is events[n - 1])
    warnings  what the user must know about the file, each `file:line: ...`
    """

    facts: Facts
    events: tuple[Event, ...]
    warnings: tuple[str, ...]


# ---- one event


def check_event(event: Event) -> None:
    """Raise RangeError unless the event is complete, in range and has nothing that its kind does not use."""
    if event.time.utcoffset() is None:
        raise RangeError(f"time {event.time.isoformat()} has no offset from UTC: add it, such as +01:00")
    if not 2000 <= event.time.year < 2200:
        raise RangeError(f"time {event.time.isoformat()}: years 2000 to 2199 are allowed. Check the clock")
    for name, allowed in _CHOICES.items():
        choice = getattr(event, name)
        if choice is not None and choice not in allowed:
            raise RangeError(f"{name} '{choice:.40}' is not known: it is one of {', '.join(allowed)}")
    needed, optional = _USES[event.event]
    for name in COLUMNS[2:]:
        value = getattr(event, name)
        if value is None or value == "" or (name in _TEXTS and not value.strip()):
            if name in needed:
                raise RangeError(f"a {event.event} needs {name}: give it")
        elif name not in needed and name not in optional and name != "note":
            raise RangeError(f"a {event.event} has no {name}: leave it empty")
        elif name in _RANGES:
            _check_number(name, value)
        if name in _TEXTS and len(value) > MAX_TEXT:
            raise RangeError(f"{name} has {len(value)} characters: up to {MAX_TEXT} are allowed. Shorten it")
    if event.turns_cw == 0:
        raise RangeError("0 turns is no turn: leave it out")
    if event.event == "void" and not (event.item == "row" and re.fullmatch("[1-9][0-9]{0,8}", event.value)):
        raise RangeError(f"a void of '{event.item:.40}' '{event.value:.40}': item must be 'row', "
                         "and value the number of the row to strike, counted from 1")  # fmt: skip


def _check_number(name: str, value: float) -> None:
    low, high, said, remedy = _RANGES[name]
    if low <= value <= high:
        return
    shift = next((shift for shift in (10, 100) if high < value <= high * shift), 0)
    if shift and name.endswith("_pct"):  # the usual slip: 81 for 8.1
        raise RangeError(f"{value:g} {said} can't be. Did you mean {value / shift:g}?")
    raise RangeError(f"{value:g} {said} can't be: from {low:g} to {high:g} is allowed. {remedy}")


def format_row(event: Event, order: Sequence[str] = COLUMNS) -> str:
    """Write an event as one CSV row without a line end; columns that are not an event's stay empty."""
    return ",".join(_cell(getattr(event, name)) if name in COLUMNS else "" for name in order)


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        milli = value.microsecond and value.microsecond % 1000 == 0
        return value.isoformat(timespec="milliseconds" if milli else "auto")
    if not isinstance(value, str):
        return _number(value)
    text = _ESCAPED.sub(_escape, value)
    if _FORMULA.match(text) and not _SIGNED.fullmatch(text):
        text = "'" + text
    return '"' + text.replace('"', '""') + '"' if _QUOTED.search(text) else text


def _number(value: Any) -> str:
    return repr(float(value)).removesuffix(".0")  # the shortest text that reads back as the same number


def _escape(match: re.Match[str]) -> str:
    code = ord(match[0])
    return {10: r"\n", 92: r"\\"}.get(code) or (f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}")


def _unescape(match: re.Match[str]) -> str:
    return {"n": "\n", "\\": "\\"}.get(match[1]) or chr(int(match[1][1:], 16))


def _parse_row(raw: bytes, order: Sequence[str]) -> Event | None:
    """Read a line below the header row; None where it is empty or starts with `#`. Raises RangeError."""
    if _holds_nothing(raw):
        return None
    cells = _split(_text(raw))
    if len(cells) != len(order):  # never guessed: 8,1 without quotes would turn into two readings
        raise RangeError(
            f"{len(cells)} cells where the header row has {len(order)}: "
            "write numbers with a point, and text that has a comma in double quotes"
        )
    found = dict(zip(order, cells, strict=True))
    if found["time"].strip() == "time":
        raise RangeError("a second header row: a log holds one job. Split the file here")
    filled = (name for name in COLUMNS if found[name] or name in ("time", "event"))
    event = Event(**{name: _parse_cell(name, found[name]) for name in filled})
    check_event(event)
    return event


def _parse_cell(name: str, cell: str) -> Any:
    if name in _TEXTS:
        return _ESCAPE.sub(_unescape, cell[1:] if _GUARD.match(cell) else cell)
    cell = cell.strip()
    if name in _RANGES:
        if len(cell) > 40:
            raise RangeError(f"{name} '{cell:.40}…': up to 40 characters are allowed. Write a plain number")
        return units.parse_number(cell, name) if cell else None
    if name != "time":
        return cell if cell or name == "event" else None
    with suppress(ValueError):
        return datetime.fromisoformat(cell)
    raise RangeError(f"time '{cell:.40}' is not a date and time: write it as 2026-03-01T14:05:00+01:00")


# ---- one line


def _text(raw: bytes) -> str:
    if len(raw) > MAX_LINE:
        raise RangeError(f"a line of {len(raw)} bytes: up to {MAX_LINE} are allowed. Is this a job log?")
    if b"\0" in raw:
        raise RangeError("a zero byte: a log is plain text. Restore the file from a copy")
    with suppress(UnicodeDecodeError):
        return raw.rstrip(b"\r").decode("utf-8")
    raise RangeError("not UTF-8 text: save the file as CSV in UTF-8")


def _split(text: str) -> list[str]:
    with suppress(csv.Error):
        return next(csv.reader([text]), [])
    raise RangeError("not a CSV row: put text that has a comma or a line end in double quotes")


def _holds_nothing(raw: bytes) -> bool:
    return not raw.strip(_FILLING) or raw.lstrip().startswith(b"#")


def _is_torn(raw: bytes) -> bool:
    return raw.rstrip(_FILLING).endswith(TORN_MARK)


def _closed_quote(raw: bytes) -> bytes:
    """Close a quote that the cut left open, or other CSV readers would take the next rows into it."""
    text = raw.decode("latin-1")  # every byte is a character here; commas and quotes stay what they are
    with suppress(RangeError):
        if len(_split(text)) == len(_split(text + ",")):  # the comma fell inside the quote
            return raw + b'"'
    return raw


def _parse_tail(raw: bytes, order: Sequence[str]) -> Event | None:
    """Read a last line that has no line end. Raises RangeError where it is not a whole row."""
    event = _parse_row(_closed_quote(raw), order)
    if event and order[-1] in COLUMNS[:-1]:
        raise RangeError(f"{order[-1]} may be cut short")
    if any(raw.endswith(TORN_MARK[:size]) for size in range(2, len(TORN_MARK))):
        raise RangeError("the mark is cut short")
    return event


def _located(error: RangeError, name: str, number: int) -> LogError:
    return LogError(f"{name}:{number}: {re.sub(f'[{_UNSAFE}]', _escape, str(error))}")


@contextmanager
def _at(name: str, number: int) -> Iterator[None]:
    """Turn a RangeError into a LogError that says where."""
    try:
        yield
    except RangeError as error:
        raise _located(error, name, number) from None


# ---- the whole log


def parse_log(data: bytes, name: str) -> Log:
    """Read the bytes of a job log; `name` is what messages call the file.

    Any bytes give a Log or a LogError: `name:line: what it is, what is allowed, what to do`.
    """
    if len(data) > MAX_BYTES:
        raise LogError(f"{name}:1: larger than {MAX_BYTES >> 20} MiB, no job log is. Is this the right file?")
    lines = _lines(data)
    given, order, header = _parse_head(lines, name)
    facts = _parse_facts(given, name, header)
    events: list[Event] = []
    warnings: list[str] = []
    for number, raw in enumerate(lines[header:], header + 1):
        unfinished = number == len(lines) and raw != b""
        event, torn = None, _is_torn(raw)
        try:
            if not torn:
                event = _parse_tail(raw, order) if unfinished else _parse_row(raw, order)
        except RangeError as error:
            if not unfinished:
                raise _located(error, name, number) from None
            torn = True
        if torn:
            warnings.append(
                f"{name}:{number}: this line was cut short (power lost?). It stays and does not count: "
                "where no later row has what happened, enter it again"
            )
        elif event:
            events.append(event)
            if event.event == "void" and int(event.value) >= len(events):
                raise LogError(
                    f"{name}:{number}: row {len(events)} voids row {event.value}: only an earlier row can be "
                    "voided. Give the number of the row to strike, counted from 1"
                )
            if unfinished:
                warnings.append(
                    f"{name}:{number}: this last line has no line end (power lost?). It counts, so don't "
                    "enter it again; its note may be cut short"
                )
    return Log(facts, tuple(events), tuple(warnings))


def _lines(data: bytes) -> list[bytes]:
    return data.removeprefix(b"\xef\xbb\xbf").split(b"\n")


def _parse_head(lines: Sequence[bytes], name: str) -> tuple[Given, tuple[str, ...], int]:
    """Give the facts with their line numbers, the order of the columns, and the line of the header row."""
    given: Given = {}
    for number, raw in enumerate(lines[:MAX_HEAD], 1):
        if not raw.strip(_FILLING):
            continue
        with _at(name, number):
            text = _text(raw)
            if not text.lstrip(' "').startswith("#"):  # a spreadsheet quotes a `#` line that holds quotes
                if "format" not in given:
                    raise RangeError(f"not a job log, which starts with '# format = {FORMAT}'. {_START}")
                return given, _column_order(text), number
            key, value = _parse_fact(text)
            if key in given:
                raise RangeError(f"fact '{key}' is given twice, first in line {given[key][0]}: remove one")
            if key:
                given[key] = (number, value)
    raise LogError(
        f"{name}:{min(len(lines), MAX_HEAD)}: no header row down to here: it comes below the facts. {_START}"
    )


def _column_order(text: str) -> tuple[str, ...]:
    order = [cell.strip() for cell in _split(text)]
    for column in COLUMNS:
        if order.count(column) != 1:
            raise RangeError(f"the header row has '{column}' {order.count(column)} times: "
                             f"each of {', '.join(COLUMNS)} is needed once, between commas")  # fmt: skip
    if len(order) > MAX_COLUMNS:
        raise RangeError(f"{len(order)} columns: up to {MAX_COLUMNS} are allowed. Remove some")
    return tuple(order)


# ---- facts


def format_head(facts: Facts) -> str:
    """Write the facts and the header row, each line with its end. Some facts left as usual are left out."""
    usual = Facts(facts.fuel, facts.bands)
    lines = [f"# format = {FORMAT}", f"# fuel = {_toml(facts.fuel.name)}"]
    if facts.fuel not in fuels.BUILT_IN:
        lines.append(f"# fuel_composition = {_toml(facts.fuel.composition)}")
    for entry in fields(Facts)[1:]:
        value = getattr(facts, entry.name)
        if entry.name in _ALWAYS_WRITTEN or value != getattr(usual, entry.name):
            lines.append(f"# {entry.name} = {_toml(value)}")
    return "\n".join([*lines, ",".join(COLUMNS), ""])


def _toml(value: Any) -> str:
    if isinstance(value, Prior):
        value = {name: getattr(value, name) for name in _PRIOR_TYPES}
    if isinstance(value, Mapping):
        keys = {key: key if re.fullmatch("[A-Za-z0-9_-]+", key) else _toml(key) for key in value}
        return "{" + ", ".join(f"{keys[key]} = {_toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, tuple):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, str):
        return '"' + _TOML_ESCAPED.sub(_toml_escape, value) + '"'
    return repr(float(value))


def _toml_escape(match: re.Match[str]) -> str:
    return {'"': r"\"", "\\": r"\\", "\n": r"\n"}.get(match[0]) or f"\\u{ord(match[0]):04x}"


def _parse_fact(text: str) -> tuple[str, object]:
    """Read one `# key = value` line; the key is empty for a remark. Raises RangeError."""
    # As written, else as a spreadsheet saves it: split at the commas, cells that have quotes quoted again.
    for line in (text.rstrip(","), ",".join(_split(text)).rstrip(",")):
        match = _TOML_LINE.fullmatch(line)
        if match and not match[1]:
            return "", None
        if match and match[1] not in _FACT_TYPES:
            raise RangeError(f"fact '{match[1]:.40}' is not known: it is one of {', '.join(_FACT_TYPES)}")
        if match:
            with suppress(ValueError, RecursionError):  # RecursionError: thousands of brackets
                return match[1], tomllib.loads(line.lstrip().removeprefix("#"))[match[1]]
    raise RangeError(
        f"'{text:.40}' can't be read: a fact is '# key = value' on one line, with text in double quotes, "
        "numbers with a point, lists in [ ] and tables in { }. A remark starts with '# #'"
    )


def _parse_facts(given: Given, name: str, header: int) -> Facts:
    values: dict[str, Any] = {}
    for key, (number, value) in given.items():
        with _at(name, number):
            values[key] = _fit(value, _FACT_TYPES[key], key)
    with _at(name, given["format"][0]):
        _check_format(values.pop("format"))
    for key in ("fuel", "bands"):
        if key not in given:
            raise LogError(f"{name}:{header}: the fact '{key}' is missing: add '# {key} = ...' above this")
    parts = values.pop("fuel_composition", None)
    with _at(name, given["fuel" if parts is None else "fuel_composition"][0]):
        fuel = values["fuel"]
        values["fuel"] = fuels.by_name(fuel) if parts is None else fuels.mixture(fuel, parts)
    try:
        return Facts(**values)
    except RangeError as error:  # its first word is the fact, or one band or pressure of it
        about = str(error).split()[0].rstrip(":")
        with _at(name, next((number for key, (number, _) in given.items() if key.startswith(about)), header)):
            raise


def _check_format(version: float) -> None:
    if version > FORMAT:
        raise RangeError(f"format {version:g}: written by a newer version of this program. Read it with that")
    if version != FORMAT:
        raise RangeError(f"format {version:g} is not known: {FORMAT} is needed")


def _fit(value: Any, wanted: Any, what: str) -> Any:
    """Give a TOML value the type that the record wants, lists as tuples. Raises RangeError where it can't."""
    kind, args = get_origin(wanted) or wanted, get_args(wanted)
    if kind is UnionType:
        return _fit(value, args[0], what)
    if kind is Prior and isinstance(value, dict):
        unknown = float  # the name itself is refused by the prior
        return {key: _fit(value[key], _PRIOR_TYPES.get(key, unknown), f"{what} {key:.40}") for key in value}
    if kind is Mapping and isinstance(value, dict):
        return {key: _fit(value[key], args[1], f"{what} {key:.40}") for key in value}
    if kind is tuple and isinstance(value, list) and len(value) == len(args):
        return tuple(_fit(item, arg, what) for item, arg in zip(value, args, strict=True))
    if kind is float and type(value) in (int, float) and abs(value) <= 1e300:
        return float(value)
    if kind is str and isinstance(value, str):
        return value
    words = {float: "a number", str: "text in double quotes", tuple: f"a list of {len(args)} in [ ]"}
    raise RangeError(f"{what}: {words.get(kind, 'a table in { }')} is needed")


# ---- files


def read_log(path: str | os.PathLike[str]) -> Log:
    """Read a job log from disk. Raises LogError as `parse_log` does, and where the file can't be read."""
    with _plain_words(path), open(path, "rb") as file:
        data = file.read(MAX_BYTES + 1)
    return parse_log(data, os.fspath(path))


def create_log(path: str | os.PathLike[str], facts: Facts) -> None:
    """Start a job log; it is on disk, whole, when this returns. Raises LogError; no file is ever replaced."""
    name = os.fspath(path)
    try:
        data = format_head(facts).encode("utf-8")
    except UnicodeEncodeError:
        raise LogError(f"{name}: the facts hold text that is not UTF-8. Retype it{_NOTHING_SAVED}") from None
    parse_log(data, name)  # a log that could not be read back is not begun
    folder = os.path.dirname(name) or os.curdir
    draft = os.path.join(folder, f".advisor-{os.urandom(6).hex()}.new")
    with _plain_words(path, _NOTHING_SAVED):
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


def append_events(path: str | os.PathLike[str], events: Sequence[Event]) -> None:
    """Append rows in one locked write; they are on disk when this returns.

    Raises RangeError for an event that is not valid and LogError where the rows can't be saved; then none is.
    """
    for event in events:
        check_event(event)
    name = os.fspath(path)
    with _plain_words(path, _NOTHING_SAVED), open(path, "r+b", buffering=0) as file:
        unlock = _lock(file, name)
        try:
            data = file.readall()
            addition = _addition(data, events, name)
            try:
                _write_all(file, addition)
            except OSError:
                with suppress(OSError):
                    file.truncate(len(data))  # what was refused must not turn up later as a row
                raise
        finally:
            unlock()


def _addition(data: bytes, events: Sequence[Event], name: str) -> bytes:
    """What to append: what the last line still lacks, then the rows as this file orders its columns."""
    lines = _lines(data)
    _, order, header = _parse_head(lines, name)
    end = b"\r\n" if lines[0].endswith(b"\r") else b"\n"
    tail, closing = lines[-1], b""
    if tail and header < len(lines):
        closing = _closed_quote(tail)[len(tail) :]
        try:
            _parse_tail(tail, order)
        except RangeError:
            closing += TORN_MARK
    rows = [format_row(event, order).encode("utf-8") + end for event in events]
    addition = b"".join([closing + end if tail else b"", *rows])
    if len(data) + len(addition) > MAX_BYTES:
        raise LogError(f"{name}: this log is full at {MAX_BYTES >> 20} MiB. Start a new one{_NOTHING_SAVED}")
    return addition


def _write_new(path: str, data: bytes) -> None:
    file = FileIO(path, "xb")
    try:
        with file:
            _write_all(file, data)
    except OSError:
        with suppress(OSError):
            os.unlink(path)  # a part of a head is no log
        raise


def _write_all(file: FileIO, data: bytes) -> None:
    while data:
        written = os.write(file.fileno(), data)
        if not written:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        data = data[written:]
    os.fsync(file.fileno())


def _lock(file: FileIO, path: str) -> Callable[[], object]:
    """Keep other programs from appending; give back what lifts the lock. Readers need none."""
    handle = file.fileno()
    if fcntl is not None:
        with suppress(OSError):  # some network folders can't lock
            fcntl.flock(handle, fcntl.LOCK_EX)
            return partial(fcntl.flock, handle, fcntl.LOCK_UN)
    elif msvcrt is not None:
        _lock_byte(file, msvcrt.LK_LOCK)
        return partial(_lock_byte, file, msvcrt.LK_UNLCK)
    patience = time.monotonic() + LOCK_PATIENCE_S
    while True:
        with suppress(FileExistsError):
            open(f"{path}.lock", "x").close()
            return partial(os.unlink, f"{path}.lock")
        if time.monotonic() > patience:
            words = f"another program is writing to this log. If none is, delete {path}.lock"
            raise LogError(f"{path}: {words}{_NOTHING_SAVED}")
        time.sleep(0.01)


def _lock_byte(file: FileIO, mode: int) -> None:
    file.seek(2 * MAX_BYTES)  # behind anything that a reader reads
    msvcrt.locking(file.fileno(), mode, 1)  # type: ignore[attr-defined]
    file.seek(0)


@contextmanager
def _plain_words(path: str | os.PathLike[str], outcome: str = "") -> Iterator[None]:
    """Turn what the system says about a file into a LogError that says what to do."""
    try:
        yield
    except OSError as error:
        words = next((words for kind, words in _OS_WORDS if isinstance(error, kind)), None)
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            words = "the disk is full: free some space"
        raise LogError(f"{os.fspath(path)}: {words or error.strerror or error}{outcome}") from error
