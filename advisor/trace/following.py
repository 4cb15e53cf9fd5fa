"""A series that is followed as it comes: each line may bring a reading, and an answer where there is a new one."""

import os
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from advisor.decision.answers import Advice
from advisor.dialogue import moments
from advisor.errors import RangeError
from advisor.job import Job
from advisor.log.check_items import TRACE
from advisor.log.events import Event
from advisor.trace.clock import Shift
from advisor.trace.series import DAY_S, Reader, Sample, Unread
from advisor.trace.taking import CLOCKS_APART_S, Taking, label, start_of
from advisor.trace.thinning import LEAST_S

HALT_EVERY_S = 30.0  # between readings that a stop asks for, own choice


class Answer(NamedTuple):
    """An answer that is to be told, and the moment it holds for."""

    moment: datetime
    advice: Advice


class Follower:
    """Takes lines of a series into a job as they come.

    columns   as for `Reader`
    shift_s   seconds to add to the series' times for those of the log; left out, its last line read so far is of now

    What others add to the log meanwhile (turns, changes of rate) is seen with the next line. A reading is in the log
    when `hear` returns it.
    """

    def __init__(self, job: Job, columns: Mapping[str, str | None], shift_s: float | None = None) -> None:
        self.job, self.shift_s = job, shift_s
        self.reader = Reader("standard input", columns)
        self.taking: Taking | None = None
        self._due_s, self._size, self._news = 0.0, self._log_size(), True
        self._told: tuple[object, ...] = ()

    def hear(self, lines: Sequence[str]) -> list[Event]:
        """Take what came since; the readings that it brought into the log."""
        samples = [sample for line in lines if (sample := self.reader.add(line))]
        if self._log_size() != self._size:
            self._news = self.job.refresh()
            if self.taking:
                self.taking.look_again()
        if samples and not self.taking:
            self._begin(samples)
        taking, made = self.taking, list[Event]()
        with self.job.together():
            for sample in samples if taking else ():
                made += self._add(taking, sample) if taking else []
        return self._after(made)

    def close(self) -> list[Event]:
        """The end of the series; the reading that its last line brought."""
        if self.taking is None:
            return []
        with self.job.together():
            made = self.taking.close()
        self.taking.taken.unread[:0] = self.reader.series.unread
        return self._after(made)

    def answer(self, made: Sequence[Event] = ()) -> Answer | None:
        """What is next, where it is another answer than before or a reading that counts has come; else None."""
        if not (made or self._news):
            return None
        self._news = False
        ended = (self.taking.taken.ended if self.taking else None), self.job.ended
        moment = max([at for at in ended if at], default=moments.now())
        advice = self.job.next(moment)
        situation = self.job.situation(moment)
        wait_s = max(situation.wait_left_s, HALT_EVERY_S if advice.action == "halt" else LEAST_S)
        asked = advice.action in ("read", "wait", "halt")
        self._due_s = moment.timestamp() + (0.0 if advice.action == "read" else wait_s if asked else float("inf"))
        alarms = {finding.code for finding in advice.findings if finding.severity != "note"}
        told = (advice.action, advice.firing, advice.screw, advice.turns_cw, alarms, advice.open_items)
        counted = {row.event.time for row in situation.tracker.settled[-len(made) :]} if made else set()
        if told == self._told and not any(reading.time in counted for reading in made):
            return None
        self._told = told
        return Answer(moment, advice)

    def _begin(self, samples: Sequence[Sample]) -> None:
        kind, last = self.reader.series.kind, samples[-1]
        start_s, now_s = start_of(self.job, kind, samples), moments.now().timestamp()
        apart_s = now_s - start_s - last.at_s
        if kind == "clock" and self.shift_s is None:  # whatever day the log is of, this line is of now
            apart_s = (apart_s + DAY_S / 2) % DAY_S - DAY_S / 2
            start_s = now_s - last.at_s - apart_s
        if self.shift_s is None and kind != "seconds" and abs(apart_s) > CLOCKS_APART_S:
            raise RangeError(
                f"{self.reader.series.name}:{last.line}: this reading is {abs(apart_s) / 60:,.0f} min from now. Of a "
                "past series give the file's name instead of -, or say --shift 0 where its times are right"
            )
        shift_s = round(apart_s, 1) if self.shift_s is None else self.shift_s
        self.taking = Taking(self.job, self.reader.series.name, start_s, Shift(shift_s, shift_s, shift_s), live=True)
        at = self.taking.moment(samples[0])
        self.job.note(label(self.reader.series), item=TRACE, value=f"{shift_s:g}", unit="s", at=at)

    def _add(self, taking: Taking, sample: Sample) -> list[Event]:
        at = taking.moment(sample)
        if taking.taken.ended and at < taking.taken.ended:
            taking.taken.unread.append(Unread(sample.line, "its time is before that of the line above"))
            return []
        return taking.add(sample, asked=at.timestamp() >= self._due_s)

    def _after(self, made: list[Event]) -> list[Event]:
        self._size = self._log_size()
        if made and self.taking:
            self.taking.look_again()
        return made

    def _log_size(self) -> int:
        return os.stat(self.job.path).st_size if self.job.path else len(self.job.events)
