"""Log rows of many jobs as one table, from which everything in `advisor.study` is worked out.

Columns: `job` (its name), `row` (from 1), those of the log, and `header` (the head of the log as text, on the job's
first row). One such frame may hold any number of whole jobs.
"""

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any

import pandas as pd

from advisor.errors import RangeError
from advisor.job_setup.setup import JobSetup
from advisor.log.csv_rows import guarded
from advisor.log.events import COLUMNS, Event
from advisor.log.file import Log
from advisor.log.header import format_header, parse_header

ROW_COLUMNS = ("job", "row", *COLUMNS, "header")
_NUMBERS = ("turns_cw", "co2_pct", "o2_pct", "co_ppm")


def rows_frame(logs: Iterable[tuple[str, Log]]) -> pd.DataFrame:
    """Logs, each with the name of its job, as one frame with ROW_COLUMNS."""
    records = [
        (job, row, *(getattr(event, name) for name in COLUMNS), format_header(log.setup) if row == 1 else "")
        for job, log in logs
        for row, event in enumerate(log.events, 1)
    ]
    frame = pd.DataFrame(records, columns=list(ROW_COLUMNS))
    frame["time"] = pd.to_datetime(frame["time"], utc=True)
    texts = [name for name in ROW_COLUMNS if name not in ("row", "time", *_NUMBERS)]
    return frame.astype({"row": "int64", **dict.fromkeys(_NUMBERS, "float64"), **dict.fromkeys(texts, object)})


@lru_cache(maxsize=4096)
def _setup(header: str) -> JobSetup:
    return parse_header([line.encode() for line in header.splitlines()], "header").setup


def job_setups(rows: pd.DataFrame) -> dict[str, JobSetup]:
    """The setup of each job in a frame. Raises RangeError where a job has none, LogError where it is unusable."""
    first = rows[rows["header"].astype(bool) & rows["header"].notna()].drop_duplicates("job")
    found = {job: _setup(header) for job, header in zip(first["job"], first["header"], strict=True)}
    without = set(rows["job"].unique()) - set(found)
    if without:
        raise RangeError(
            f"job '{min(without)}' has no setup: its first row needs the head of its log in the column `header`. "
            "A job must not be split between two parts"
        )
    return found


def job_events(rows: pd.DataFrame) -> tuple[Event, ...]:
    """The rows of one job as events, in the order of the log."""
    ordered = rows.sort_values("row")[list(COLUMNS)]
    return tuple(Event(**{name: _cell(name, value) for name, value in record.items()}) for record in plain(ordered))


def _cell(name: str, value: Any) -> Any:
    if name == "time":
        moment = pd.Timestamp(value)
        return (moment if moment.tzinfo else moment.tz_localize("UTC")).to_pydatetime()
    if name in ("item", "value", "unit", "note"):
        return "" if pd.isna(value) else str(value)
    return None if pd.isna(value) or value == "" else value


def plain(table: pd.DataFrame) -> list[dict[str, Any]]:
    """A table as plain values, one record a row; None for what is not a number and what is missing."""
    return [
        {str(name): None if value is pd.NA or value != value else value for name, value in row.items()}
        for row in table.to_dict("records")
    ]


def for_spreadsheets(table: pd.DataFrame) -> pd.DataFrame:
    """The table with no text that a spreadsheet would run as a formula; an apostrophe goes before it, as in a log."""
    return table.map(lambda value: guarded(value) if isinstance(value, str) else value)


def text_column(values: Iterable[object]) -> pd.Series:
    """Text as a column of plain Python strings, whatever pandas would make of it."""
    return pd.Series(list(values), dtype=object)


def pieces(jobs: Sequence[str], size: int) -> list[Sequence[str]]:
    """The jobs in pieces of a size, none split."""
    return [jobs[at : at + size] for at in range(0, len(jobs), size)]


def whole_jobs(jobs: Sequence[str], parts: int) -> list[Sequence[str]]:
    """The jobs in about equal parts, none split: for engines that map a function over parts."""
    return pieces(jobs, -(-len(jobs) // parts) or 1)
