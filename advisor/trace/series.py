"""An analyser's own stored series: a table in a text file whose columns the user names. No file format is assumed.

The table begins at the first line that has all the named columns, parted by comma, semicolon or tab; what stands above
is left alone. Numbers have a point, or in the whole file a comma where semicolons or tabs part the columns. A time is a
clock time HH:MM:SS, an ISO 8601 date and time, or seconds since the start, in the whole column alike.
"""

import csv
import math
import os
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, NamedTuple

from advisor.errors import LogError, RangeError

DELIMITERS = ",;\t"
MAX_BYTES = 64 * 2**20  # weeks at 1 Hz; bounds what a wrong file can take
MOST_ABOVE = 200  # lines above the table
DAY_S = 86_400.0
LONGEST_S = 1e7  # since a start, s; a larger number is something else
Kind = Literal["clock", "date", "zoned", "seconds"]

_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d):([0-5]\d(?:[.,]\d+)?)")
_DATE = re.compile(r"2[01]\d\d-\d\d-\d\d[T ]\d\d:\d\d.*")
_NUMBER = re.compile(r"[+-]?(\d+(?:[.,]\d*)?|[.,]\d+)")


class Sample(NamedTuple):
    """One line of a series; None: the cell is empty.

    line   its number in the file
    at_s   s from the first midnight ("clock"), from 1970 in the analyser's local time ("date") or in UTC ("zoned"), or
           from the start ("seconds")
    co2_pct, o2_pct  dry volume percent
    co_ppm  dry ppm; of a display that only says "more than", that figure
    """

    line: int
    at_s: float
    co2_pct: float | None
    o2_pct: float | None = None
    co_ppm: float | None = None


class Unread(NamedTuple):
    """A line of the file that is not taken, and why, in words."""

    line: int
    why: str


@dataclass
class Series:
    """What was read so far: `samples`, the lines `unread`, and what its times are (`kind`)."""

    name: str
    kind: Kind | None = None
    samples: list[Sample] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)


def read_series(
    path: str | os.PathLike[str], *, time: str, co2: str, o2: str | None = None, co: str | None = None
) -> Series:
    """Read a stored series whose columns have these names: time, CO2 and O2 (dry volume percent), CO (dry ppm).

    Lines that can't be read are in `unread`, with why. Raises LogError, `file:line: what it is, what is allowed`, where
    the file can't be read, no line has all the names, or no line below it can be read.
    """
    name = os.fspath(path)
    reader = Reader(name, {"time": time, "co2": co2, "o2": o2, "co": co})
    try:
        if Path(path).exists() and not Path(path).is_file():
            raise LogError(f"{name}: this is no plain file. Give the name of a CSV file, or - for standard input")
        if Path(path).stat().st_size > MAX_BYTES:
            raise LogError(f"{name}: larger than {MAX_BYTES >> 20} MiB. Cut out the part that covers this visit")
        data = Path(path).read_bytes()
    except OSError as error:
        raise LogError(f"{name}: {error.strerror or error}. Check the name of the file") from None
    for line in _text(data).splitlines(keepends=True):
        reader.add(line)
    return reader.close()


def _text(data: bytes) -> str:
    """The text of a file in UTF-8 or UTF-16, as its first bytes say, else in a one-byte alphabet: names hold a °."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


class Reader:
    """Reads a series line by line; `series` is what came of it so far.

    columns  what each of "time", "co2", "o2" and "co" is called in the file; the last two may be None
    """

    def __init__(self, name: str, columns: Mapping[str, str | None]) -> None:
        self.series = Series(name)
        self.columns = {what: column.strip() for what, column in columns.items() if column is not None}
        if twice := _twice(list(self.columns.values())):
            raise RangeError(f"{name}: '{twice}' is named twice: each column holds one thing")
        self._line, self._above, self._place = 0, list[str](), dict[str, int]()
        self._delimiter = self._mark = ""
        self._midnights_s, self._last_s = 0.0, -math.inf

    def add(self, text: str) -> Sample | None:
        """Take one more line with its end; the sample in it, if any. LogError where no table has begun by now."""
        self._line += 1
        text, ended = text.removeprefix("\ufeff").rstrip("\r\n"), text.endswith(("\n", "\r"))
        if not self._place:
            self._look_for_table(text)
            return None
        cells = _split(text, self._delimiter)
        if not any(cells):
            return None
        try:
            if not ended:
                raise RangeError("no line end: it may be cut short")
            self.series.samples.append(self._sample(cells))
        except RangeError as error:
            self.series.unread.append(Unread(self._line, str(error)))
            return None
        return self.series.samples[-1]

    def close(self) -> Series:
        """The series, in order of time. LogError where it has no table, or no line in it could be read."""
        if not self._place:
            raise self._no_table()
        if not self.series.samples:
            line, why = self.series.unread[0] if self.series.unread else (self._line, "the table has no line")
            raise LogError(f"{self.series.name}:{line}: {why}; no line of this table can be read")
        self.series.samples.sort(key=lambda sample: sample.at_s)  # some files begin with the newest
        return self.series

    # --- the head of the table --------------------------------------------------------------------

    def _look_for_table(self, text: str) -> None:
        for delimiter in DELIMITERS:
            cells = _split(text, delimiter)
            if set(self.columns.values()) <= set(cells):
                if twice := _twice([cell for cell in cells if cell in self.columns.values()]):
                    raise LogError(f"{self.series.name}:{self._line}: two columns '{twice}': rename one of them")
                self._place = {what: cells.index(name) for what, name in self.columns.items()}
                self._delimiter = delimiter
                return
        self._above.append(text)
        if len(self._above) > MOST_ABOVE:
            raise self._no_table()

    def _no_table(self) -> LogError:
        """What is missing, told of the line that comes nearest to being the table's head."""
        names = set(self.columns.values())
        heads = [(n, _split(text, mark)) for n, text in enumerate(self._above, 1) for mark in DELIMITERS]
        line, cells = max(heads, key=lambda head: (len(names & set(head[1])), len(head[1])), default=(1, []))
        if not any(cells):
            return LogError(f"{self.series.name}:1: no table is in it, only empty lines. Is this the right file?")
        missing = " and ".join(f"'{name}'" for name in self.columns.values() if name not in cells)
        has = ", ".join(f"'{cell:.30}'" for cell in cells[:12] if cell)
        return LogError(
            f"{self.series.name}:{line}: no column {missing}. Give each name as it stands in the file; this line has: "
            f"{has}"
        )

    # --- one line of it ---------------------------------------------------------------------------

    def _sample(self, cells: list[str]) -> Sample:
        if max(self._place.values()) >= len(cells):
            raise RangeError(f"{len(cells)} cells, too few for the columns named")
        cell = {what: cells[place] for what, place in self._place.items()}
        at_s = self._time(cell["time"])
        co2, o2, co = (self._number(cell.get(what, ""), what) for what in ("co2", "o2", "co"))
        if co2 is None and co is None:
            raise RangeError(f"'{self.columns['co2']}' is empty")
        return Sample(self._line, at_s, co2, o2, co)

    def _number(self, cell: str, what: str) -> float | None:
        said = f"'{self.columns.get(what)}' is '{cell:.30}'"
        if what == "co":
            cell = cell.removeprefix(">").strip()  # beyond the display's end: at least so much
        if not cell:
            return None
        mark = "," if "," in cell else "." if "." in cell else ""
        if not _NUMBER.fullmatch(cell) or (mark == "," and self._delimiter == ","):
            raise RangeError(f"{said}, no number")
        if mark and self._mark and mark != self._mark:  # 1.234 may be a thousand: never guessed
            raise RangeError(f"{said}, and the decimals before had a {'comma' if self._mark == ',' else 'point'}")
        self._mark = self._mark or mark
        return float(cell.replace(",", "."))

    def _time(self, cell: str) -> float:
        kind, at_s = self._told(cell)
        if kind != (self.series.kind or kind):
            raise RangeError(f"'{self.columns['time']}' is '{cell:.30}', not written as the times before")
        self.series.kind = kind
        if kind == "clock" and at_s + self._midnights_s < self._last_s - DAY_S / 2:
            self._midnights_s += DAY_S
        self._last_s = at_s + self._midnights_s
        return self._last_s

    def _told(self, cell: str) -> tuple[Kind, float]:
        if clock := _CLOCK.fullmatch(cell):
            return "clock", 3600 * int(clock[1]) + 60 * int(clock[2]) + float(clock[3].replace(",", "."))
        with suppress(RangeError):
            number = self._number(cell, "time")
            if number is not None and abs(number) <= LONGEST_S:
                return "seconds", number
        with suppress(ValueError, OverflowError):
            if _DATE.fullmatch(cell):
                at = datetime.fromisoformat(cell)
                return ("zoned", at.timestamp()) if at.tzinfo else ("date", at.replace(tzinfo=UTC).timestamp())
        raise RangeError(
            f"'{self.columns['time']}' is '{cell:.30}': write 10:32:05, 2026-05-04T10:32:05 or seconds since the start"
        )


def _twice(names: list[str]) -> str:
    """A name that is in the list more than once; "" where none is."""
    return next((name for name in names if names.count(name) > 1), "")


def _split(text: str, delimiter: str) -> list[str]:
    """Cells of a line without the space around them; a line that is no CSV is one cell."""
    with suppress(csv.Error):
        return [cell.strip() for cell in next(csv.reader([text], delimiter=delimiter, skipinitialspace=True), [])]
    return [text]
