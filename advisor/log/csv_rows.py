"""One event <-> one line of a job log: what a row must hold, how its cells are written, which line was cut short.

Text keeps to its line: backslashes, control characters and what some programs take for a line end are
written as \\\\, \\n, \\x1b or \\u2028. Text that a spreadsheet would run as a formula gets an apostrophe in
front, taken off again when read.

A last line without a line end was cut short by lost power. Where it still is a whole row (the note, its last
cell, may be cut) it counts. Otherwise it stays, and the next append closes it with TORN_MARK, which other CSV
readers skip for its `#`. The mark is on the line itself, so power lost in that append leaves nothing unclear.
"""

import csv
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from functools import lru_cache
from typing import Any

from advisor import parsing
from advisor.errors import RangeError
from advisor.job_setup.typed_values import CONTROL
from advisor.log.events import COLUMNS, KINDS, Event
from advisor.screws import FIRINGS, RUNNING, SCREWS

TORN_MARK = b" # torn line"
MAX_LINE = 32_768  # bytes; a row with MAX_TEXT in every cell stays below
MAX_TEXT = 1000  # characters
FILLING = b", \t\r"  # what an empty line may hold: a spreadsheet fills up short rows

# For each kind of event: the fields it needs, and those it may have besides. Any may have a note.
_USES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "reading": ((), ("firing", "co2_pct", "o2_pct", "co_ppm")),
    "turn": (("screw", "turns_cw"), ()),
    "firing": (("firing",), ()),
    "check": (("item", "value"), ("unit",)),
    "note": (("note",), ("item", "value", "unit")),
    "void": (("item", "value"), ()),
}
_CHOICES = {"event": KINDS, "firing": RUNNING, "screw": SCREWS}
_RANGES = {  # lowest, highest, how it is said, what to do
    "turns_cw": (-2.0, 2.0, "turns in one row", "Enter a longer turn in parts"),
    "co2_pct": (0.0, 25.0, "% CO2", "Read the display again"),
    "o2_pct": (0.0, 25.0, "% O2", "Read the display again"),
    "co_ppm": (0.0, 100_000.0, "ppm CO", "Read the display again"),
}
_TEXTS = ("item", "value", "unit", "note")

_UNSAFE = CONTROL + r"\ud800-\udfff"  # half characters, which neither UTF-8 nor TOML can hold
_ESCAPED = re.compile(rf"[\\{_UNSAFE}]")
_ESCAPE = re.compile(r"\\(\\|n|x[0-9a-f]{2}|u[0-9a-f]{4})")
_QUOTED = re.compile(r'[",#]|^\s|\s$')
_FORMULA = re.compile(r"\s*[=+\-@]|'")
_GUARD = re.compile(r"'(?=\s*[=+\-@]|')")
_SIGNED = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")


class TornRowError(Exception):
    """The line was cut short by lost power and does not count."""


# ---- the event


def check_event(event: Event) -> None:
    """Raise RangeError unless the event is complete, in range and has nothing that its kind does not use."""
    if not isinstance(event.time, datetime):
        raise RangeError(f"time {event.time!r:.40} is no moment: give a datetime with its time zone")
    if event.time.utcoffset() is None:
        raise RangeError(f"time {event.time.isoformat()} has no offset from UTC: add it, such as +01:00")
    if not 2000 <= event.time.year < 2200:
        raise RangeError(f"time {event.time.isoformat()}: years 2000 to 2199 are allowed. Check the clock")
    for name, allowed in _CHOICES.items():
        choice = getattr(event, name)
        if choice is not None and choice not in allowed:
            raise RangeError(f"{name} '{choice!s:.40}' is not known: it is one of {', '.join(allowed)}")
    needed, optional = _USES[event.event]
    for name in COLUMNS[2:]:
        value = getattr(event, name)
        if name in _TEXTS and not isinstance(value, str):
            raise RangeError(f"{name} {value!r:.40} is not text: give it as words")
        if value is None or value == "" or (name in _TEXTS and not value.strip()):
            if name in needed:
                raise RangeError(f"a {event.event} needs {name}: give it")
        elif name not in (*needed, *optional, "note"):
            raise RangeError(f"a {event.event} has no {name}: leave it empty")
        elif name in _RANGES:
            _check_number(name, value)
        if name in _TEXTS and len(value) > MAX_TEXT:
            raise RangeError(f"{name} has {len(value)} characters: up to {MAX_TEXT} are allowed. Shorten it")
    if event.event == "reading" and event.co2_pct is None and (event.co_ppm is None or event.o2_pct is not None):
        raise RangeError("a reading needs co2_pct: give it; CO alone may be given too")
    if event.event == "reading" and event.co2_pct is not None and event.firing not in FIRINGS:
        raise RangeError("a reading needs firing: give it, high or low")
    if event.turns_cw == 0:
        raise RangeError("0 turns is no turn: leave it out")
    if event.event == "void" and not (event.item == "row" and re.fullmatch("[1-9][0-9]{0,8}", event.value)):
        raise RangeError(
            f"a void of '{event.item:.40}' '{event.value:.40}': item must be 'row', "
            "and value the number of the row to strike, counted from 1"
        )


def _check_number(name: str, value: float) -> None:
    if not parsing.is_number(value):
        raise RangeError(f"{name} {value!r:.40} is not a number: give it as one, not as text")
    low, high, said, remedy = _RANGES[name]
    if low <= value <= high:
        return
    for shift in (10, 100):  # the usual slip: 81 for 8.1
        if name.endswith("_pct") and high < value <= high * shift:
            raise RangeError(f"{value:g} {said} can't be. Did you mean {value / shift:g}?")
    raise RangeError(f"{value:g} {said} can't be: from {low:g} to {high:g} is allowed. {remedy}")


# ---- written


def format_row(event: Event, order: Sequence[str] = COLUMNS) -> str:
    """Write an event as one CSV row without a line end; columns that are not an event's stay empty."""
    return ",".join(_cell(getattr(event, name)) if name in COLUMNS else "" for name in order)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        milli = value.microsecond and value.microsecond % 1000 == 0
        return value.isoformat(timespec="milliseconds" if milli else "auto")
    if not isinstance(value, str):
        return repr(float(value)).removesuffix(".0")  # the shortest text that reads back as the same number
    text = guarded(_ESCAPED.sub(_escape, value))
    return '"' + text.replace('"', '""') + '"' if _QUOTED.search(text) else text


def guarded(text: str) -> str:
    """The text with an apostrophe before what a spreadsheet would run as a formula."""
    return f"'{text}" if _FORMULA.match(text) and not _SIGNED.fullmatch(text) else text


def _escape(match: re.Match[str]) -> str:
    code = ord(match[0])
    return {10: r"\n", 92: r"\\"}.get(code) or (f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}")


def one_line(text: str) -> str:
    """Escape all that would not stay on one line of a terminal."""
    return re.sub(f"[{_UNSAFE}]", _escape, text)


# ---- read


def line_text(raw: bytes) -> str:
    """Decode a line without its end. Raises RangeError."""
    if len(raw) > MAX_LINE:
        raise RangeError(f"a line of {len(raw)} bytes: up to {MAX_LINE} are allowed. Is this a job log?")
    if b"\0" in raw:
        raise RangeError("a zero byte: a log is plain text. Restore the file from a copy")
    with suppress(UnicodeDecodeError):
        return raw.rstrip(b"\r").decode("utf-8")
    raise RangeError("not UTF-8 text: save the file as CSV in UTF-8")


def split_cells(text: str) -> list[str]:
    """Split a line at its commas, those in quotes left out. Raises RangeError."""
    with suppress(csv.Error):
        return next(csv.reader([text]), [])
    raise RangeError("not a CSV row: put text that has a comma or a line end in double quotes")


@lru_cache(maxsize=512)  # every entry of a visit reads its log again
def parse_row(raw: bytes, order: tuple[str, ...]) -> Event | None:
    """Read a line below the header row; None where it is empty or starts with `#`.

    Raises TornRowError for a line that is marked as torn, RangeError for any other that is not a row.
    """
    if raw.rstrip(FILLING).endswith(TORN_MARK):
        raise TornRowError
    if not raw.strip(FILLING) or raw.lstrip().startswith(b"#"):
        return None
    cells = split_cells(line_text(raw))
    if len(cells) != len(order):  # never guessed: 8,1 without quotes would turn into two readings
        raise RangeError(
            f"{len(cells)} cells where the header row has {len(order)}: "
            "write numbers with a point, and text that has a comma in double quotes"
        )
    found = dict(zip(order, cells, strict=True))
    if found["time"].strip() == "time":
        raise RangeError("a second header row: a log holds one job. Split the file here")
    event = Event(**{name: _parse_cell(name, found[name]) for name in COLUMNS})
    check_event(event)
    return event


def _parse_cell(name: str, cell: str) -> Any:
    if name in _TEXTS:
        return _ESCAPE.sub(_unescape, cell[1:] if _GUARD.match(cell) else cell)
    cell = cell.strip()
    if not cell and name not in ("time", "event"):
        return None
    if name in _RANGES:
        if len(cell) > 40:
            raise RangeError(f"{name} '{cell:.40}…': up to 40 characters are allowed. Write a plain number")
        return parsing.parse_number(cell, name)
    if name != "time":
        return cell
    with suppress(ValueError):
        return datetime.fromisoformat(cell)
    raise RangeError(f"time '{cell:.40}' is not a date and time: write it as 2026-03-01T14:05:00+01:00")


def _unescape(match: re.Match[str]) -> str:
    return {"n": "\n", "\\": "\\"}.get(match[1]) or chr(int(match[1][1:], 16))


# ---- cut short


def parse_tail(raw: bytes, order: tuple[str, ...]) -> Event | None:
    """Read a last line that has no line end. Raises TornRowError where it is not a whole row."""
    closed = raw + _missing_quote(raw)
    try:
        event = parse_row(closed, order)
    except RangeError:
        raise TornRowError from None
    if event and order[-1] in COLUMNS[:-1]:  # not the note: 24 may have been 240
        raise TornRowError
    if any(closed.endswith(TORN_MARK[:size]) for size in range(2, len(TORN_MARK))):
        raise TornRowError
    return event


def closing(raw: bytes, order: tuple[str, ...]) -> bytes:
    """What a last line without a line end needs before it gets one, to be read then as it is read now."""
    try:
        parse_tail(raw, order)
    except TornRowError:
        return _missing_quote(raw) + TORN_MARK
    return _missing_quote(raw)


def _missing_quote(raw: bytes) -> bytes:
    """Give the quote that the cut left open, or other CSV readers would take the next rows into it."""
    text = raw.decode("latin-1")  # every byte is a character here; commas and quotes stay what they are
    with suppress(RangeError):
        if len(split_cells(text)) == len(split_cells(text + ",")):  # the comma fell inside the quote
            return b'"'
    return b""
