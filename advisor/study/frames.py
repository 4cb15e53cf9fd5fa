"""Log rows as a table: the columns of the log, `job`, `row`, and `facts` (the head of the log, on the job's first row).

One such frame may hold any number of whole jobs. Everything in `advisor.study` is worked out from it.
"""

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any

import pandas as pd

from advisor.errors import RangeError
from advisor.job_setup.setup import JobSetup
from advisor.log import header as heads
from advisor.log.csv_rows import guarded
from advisor.log.events import COLUMNS, Event
from advisor.log.file import Log

ROW_COLUMNS = ("job", "row", *COLUMNS, "facts")
_NUMBERS = ("turns_cw", "co2_pct", "o2_pct", "co_ppm")


def rows_frame(logs: Iterable[tuple[str, Log]]) -> pd.DataFrame:
    """Logs, each with the name of its job, as one frame with ROW_COLUMNS."""
    named: list[tuple[str, int, Event, str]] = []
    for job, log in logs:
        head = heads.format_header(log.setup)
        named += [(job, row, event, head if row == 1 else "") for row, event in enumerate(log.events, 1)]
    columns: dict[str, object] = {"job": [job for job, *_ in named], "row": [row for _, row, *_ in named]}
    for name in COLUMNS:
        columns[name] = [getattr(event, name) for _, _, event, _ in named]
    columns["facts"] = [head for *_, head in named]
    frame = pd.DataFrame(columns)
    frame["time"] = pd.to_datetime(frame["time"], utc=True)
    texts = [name for name in ROW_COLUMNS if name not in ("row", "time", *_NUMBERS)]
    return frame.astype({"row": "int64", **dict.fromkeys(_NUMBERS, "float64"), **dict.fromkeys(texts, object)})


@lru_cache(maxsize=4096)
def facts_of(head: str) -> JobSetup:
    """The facts in the head of a log. Raises LogError."""
    return heads.parse_header([line.encode() for line in head.splitlines()], "facts").setup


def job_facts(rows: pd.DataFrame) -> dict[str, JobSetup]:
    """The facts of each job in a frame. Raises RangeError where a job has none."""
    heads_given = rows[rows["facts"].astype(bool) & rows["facts"].notna()].drop_duplicates("job")
    found = {job: facts_of(head) for job, head in zip(heads_given["job"], heads_given["facts"], strict=True)}
    without = set(rows["job"].unique()) - set(found)
    if without:
        raise RangeError(
            f"job '{min(without)}' has no facts: its first row needs the head of its log in the column `facts`. "
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

    def missing(value: object) -> bool:
        return value is pd.NA or (isinstance(value, float) and math.isnan(value))

    return [
        {str(name): None if missing(value) else value for name, value in row.items()}
        for row in table.to_dict("records")
    ]


def for_spreadsheets(table: pd.DataFrame) -> pd.DataFrame:
    """The table with no text that a spreadsheet would run as a formula; an apostrophe goes before it, as in a log."""
    return table.map(lambda value: guarded(value) if isinstance(value, str) else value)


def words(values: Iterable[object]) -> pd.Series:
    """Text as a column of plain Python strings, whatever pandas would make of it."""
    return pd.Series(list(values), dtype=object)


def whole_jobs(jobs: Sequence[str], parts: int) -> list[list[str]]:
    """The jobs in about equal parts, none split: for engines that map a function over parts."""
    size = -(-len(jobs) // parts) or 1
    return [list(jobs[at : at + size]) for at in range(0, len(jobs), size)]
