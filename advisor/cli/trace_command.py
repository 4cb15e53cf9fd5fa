"""The command `trace`: a stored series in one go, or standard input as it comes; what to print of either."""

import queue
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime

from advisor.cli.terminal import Keys
from advisor.dialogue import moments
from advisor.errors import RangeError
from advisor.job import Job
from advisor.log.events import Event
from advisor.parsing import parse_number
from advisor.report import brief
from advisor.report.answers import say_event
from advisor.report.layout import labelled, listed, wrapped
from advisor.trace.following import Follower
from advisor.trace.series import Series, Unread, read_series
from advisor.trace.taking import Taken, start_of, take, zone_of
from advisor.wording.trace import trace_text

Columns = Mapping[str, str | None]
BACKLOG_S = 0.3  # in which what was there before has come
MOST_LINES, MOST_REASONS = 5, 6  # of the lines that were not read, named


def taken(job: Job, path: str, columns: Columns, shift: str | None) -> tuple[str, datetime]:
    """Take a stored series; what to print of it, and the moment to answer for: of a past log that of its last row."""
    series = read_series(path, **columns)  # type: ignore[arg-type]
    made = take(job, series, None if shift is None else _shift_s(job, series, shift))
    said = say_taken(made, series.kind, columns)
    moment = moments.moment_to_answer(None, job.ended)
    if job.ended and (moment - job.ended).total_seconds() > job.setup.policy.left_for_s:
        moment = job.ended
        said += "\n" + "\n".join(labelled("As of", trace_text("as-of", moment=moment)))
    return said, moment


def follow(job: Job, columns: Columns, shift: str | None, keys: Keys, echo: Callable[[str], None]) -> bool:
    """Take lines as they come until they end, or Ctrl-C, and answer; tells whether it ended with a stop."""
    follower = Follower(job, columns, None if shift is None else parse_number(shift, "--shift"))
    stopped = False
    keys.start()

    def tell(made: list[Event]) -> None:
        nonlocal stopped
        for reading in made:
            figures = say_event(replace(reading, item="", note=""))
            echo("\n".join(wrapped(trace_text("reading", time=reading.time, figures=figures))))
        if told := follower.answer(made):
            case, progress = job.case(told.moment), job.progress(told.moment, told.advice)
            echo(brief.say_next(case, told.advice, progress))
            stopped = told.advice.action == "halt"

    echo("\n".join(wrapped(trace_text("followed"))))
    tell([])
    try:
        for lines in _batches(keys):
            tell(follower.hear(lines))
        follower.reader.close()  # an end without any reading is a wrong file
    except KeyboardInterrupt:
        pass
    tell(follower.close())
    if follower.taking:
        echo(say_taken(follower.taking.taken, follower.reader.series.kind, columns))
    return stopped


def _batches(keys: Keys) -> Iterator[list[str]]:
    """Lines as they come, those that wait already together: the first time what stood in the file before."""
    until = None
    while (line := keys.line()) is not None:
        until = time.monotonic() + (BACKLOG_S if until is None else 0.0)
        lines: list[str | None] = [line]
        with suppress(queue.Empty):
            while lines[-1] is not None:
                lines.append(keys.line(max(0.0, until - time.monotonic())))
        yield [line for line in lines if line is not None]
        if lines[-1] is None:
            return


def _shift_s(job: Job, series: Series, typed: str) -> float:
    """The shift as typed: seconds; of times since a start the time of day of second 0."""
    if series.kind != "seconds":
        return parse_number(typed, "--shift")
    try:
        clock = datetime.strptime(typed.strip(), "%H:%M:%S" if typed.count(":") == 2 else "%H:%M").time()
    except ValueError:
        raise RangeError(
            f"--shift {typed}: this file counts seconds from its start. Give the time of day of its second 0, such as "
            "10:03:00"
        ) from None
    start = datetime.fromtimestamp(start_of(job, series.kind, series.samples), zone_of(job))
    return (datetime.combine(start.date(), clock, start.tzinfo) - start).total_seconds()


def say_taken(made: Taken, kind: str | None, columns: Columns) -> str:
    """What came of a series, in few lines."""
    if not (made.began and made.ended):
        return "\n".join(wrapped(trace_text("nothing")))
    lines = wrapped(trace_text("taken", **vars(made)))
    lines += labelled("Clock", _say_clock(made, kind))
    left = made.readings - made.logged - made.there - made.in_air - made.not_lit
    counts = {"there": made.there, "in_air": made.in_air, "not_lit": made.not_lit, "thinned": left}
    if rest := [trace_text(what, **{what: count}) for what, count in counts.items() if count > 0]:
        lines += labelled("Rest", "; ".join(rest) + ".")
    if columns["co"] is None or made.highest_co_ppm is not None:
        lines += labelled("CO", trace_text("co", co=made.highest_co_ppm) if columns["co"] else trace_text("no-co"))
    return "\n".join(lines + _say_unread(made.unread))


def _say_clock(made: Taken, kind: str | None) -> str:
    """How the series' clock stands to the log's."""
    by_s, doubt_s = made.shift.expected_s, (made.shift.high_s - made.shift.low_s) / 2
    if kind == "seconds":
        return trace_text("second-0-found" if doubt_s else "second-0", second_0=made.second_0, doubt=doubt_s)
    said = trace_text("behind" if by_s > 0 else "ahead" if by_s < 0 else "alike", size=abs(by_s))
    return trace_text("found" if doubt_s else "stated", shift=said, doubt=doubt_s)


def _say_unread(unread: list[Unread]) -> list[str]:
    """The lines that were not read, those of one reason together."""
    reasons: dict[str, list[int]] = {}
    for each in unread:
        reasons.setdefault(each.why, []).append(each.line)
    said = []
    for why, numbers in list(reasons.items())[:MOST_REASONS]:
        named = ", ".join(map(str, numbers[:MOST_LINES]))
        if len(numbers) > MOST_LINES:
            named = trace_text("more", lines=named, more=len(numbers) - MOST_LINES)
        of = trace_text("line" if len(numbers) == 1 else "lines", lines=named)
        said.append(trace_text("unread", lines=of, why=why))
    more = sum(map(len, list(reasons.values())[MOST_REASONS:]))
    return listed("Unread", [*said, *([trace_text("others", more=more)] if more else [])])
