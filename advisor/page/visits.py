"""The logs of one folder, told by number, never by path; each visit is read and answered by one request at a time."""

import hashlib
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from advisor.dialogue import moments
from advisor.errors import AdvisorError, LogError
from advisor.job import Job
from advisor.job_setup.setup import JobSetup
from advisor.log.events import Event
from advisor.log.file import create_log, read_log
from advisor.log.site_facts import with_site_facts
from advisor.page import practice
from advisor.response.replay import standing_rows
from advisor.response.situation import left_as
from advisor.wording.page import page_text

Clock = Callable[[], datetime]
MOST_LISTED = 200
AWAY = timedelta(minutes=30)  # without a request: longer than any wait


@dataclass
class Visit:
    """One log.

    said      what the last entry came to, and at how many rows: shown until the next one
    taken_up  whether it is to be asked first how the burner runs: no phone was here for a while, or the server was not
    """

    path: Path
    number: int
    clock: Clock
    lock: threading.RLock = field(default_factory=threading.RLock)
    said: tuple[int, list[str]] = (0, [])
    taken_up: bool = True
    _seen: datetime | None = None
    _job: Job | None = None

    def job(self) -> Job:
        """The job as its log stands now. Raises LogError."""
        try:
            if self._job is None:
                self._job = Job.load(self.path)
                self._job.only_if_seen = True  # what was asked about may have been logged elsewhere by now
            else:
                self._job.refresh()
            return self._job
        except AdvisorError:
            self._job = None
            raise

    def seen(self) -> None:
        """A phone is here."""
        now = self.clock()
        self.taken_up |= self._seen is not None and now - self._seen > AWAY
        self._seen = now

    def now(self, job: Job, late_s: float = 0.0) -> datetime:
        """The moment of an entry that was sent `late_s` ago: the clock's, on a made-up boiler the game's."""
        now = job.moment(practice.moment(job, self.path) if job.setup.practice else self.clock())
        return now if not late_s else job.moment(max([now - timedelta(seconds=late_s), *filter(None, [job.ended])]))

    def said_now(self, job: Job) -> list[str]:
        """What the last entry came to."""
        rows, said = self.said
        return said if rows == len(job.events) else []


@dataclass(frozen=True)
class Summary:
    """What the list of visits says of one: `trouble` where its log can't be read."""

    number: int
    name: str
    place: str = ""
    ended: datetime | None = None
    left: str = ""
    practice: bool = False
    trouble: str = ""


class Folder:
    """The visits of one folder."""

    def __init__(self, path: Path, clock: Clock = moments.now) -> None:
        self.path, self.clock = path, clock
        self._visits: dict[int, Visit] = {}
        self._summaries: dict[int, tuple[tuple[int, int], Summary]] = {}
        self._lock = threading.Lock()

    def paths(self) -> Iterator[tuple[int, Path]]:
        """The logs with their numbers: plain files that end in .csv, no links."""
        try:
            with os.scandir(self.path) as found:
                names = sorted(
                    each.name for each in found if each.name.endswith(".csv") and each.is_file(follow_symlinks=False)
                )
        except OSError as error:
            raise LogError(page_text("look-at-folder", path=self.path, error=error.strerror)) from None
        for name in names:
            if not name.startswith("."):
                yield number_of(name), self.path / name

    def visit(self, number: int) -> Visit:
        """The visit of this number. LogError where there is none."""
        with self._lock:
            known = self._visits.get(number)
            if known is None:
                path = dict(self.paths()).get(number)
                if path is None:
                    raise LogError(page_text("no-such-visit"))
                known = self._visits[number] = Visit(path, number, self.clock)
            return known

    def summaries(self) -> list[Summary]:
        """What there is, the latest entry first."""
        found = [self._summary(number, path) for number, path in self.paths()]
        return sorted(found, key=lambda each: (each.ended.timestamp() if each.ended else 0.0, each.name), reverse=True)

    def start(self, setup: JobSetup, first: Callable[[Job], object] | None = None) -> int:
        """A new log in the folder, named by the moment; its number. Raises LogError."""
        begun = f"{'practice' if setup.practice else 'visit'}-{self.clock():%Y-%m-%d-%H%M%S}"
        for name in (f"{begun}{more}.csv" for more in ("", *(f"-{count}" for count in range(2, 100)))):
            if not (self.path / name).exists():
                create_log(self.path / name, setup)
                if first:
                    first(Job.load(self.path / name))
                return number_of(name)
        raise LogError(page_text("too-many", path=self.path))

    def _summary(self, number: int, path: Path) -> Summary:
        stat = path.stat()
        known = self._summaries.get(number)
        if known and known[0] == (stat.st_mtime_ns, stat.st_size):
            return known[1]
        try:
            log = read_log(path)
            made = _summary(number, path.stem, log.setup, log.events)
        except AdvisorError as error:
            made = Summary(number, path.stem, trouble=str(error).removeprefix(f"{self.path}{os.sep}"))
        self._summaries[number] = (stat.st_mtime_ns, stat.st_size), made
        return made


def number_of(name: str) -> int:
    """The number of a log, the same as long as its name is."""
    return int.from_bytes(hashlib.blake2b(os.fsencode(name), digest_size=5).digest(), "big")


def _summary(number: int, name: str, stated: JobSetup, events: tuple[Event, ...]) -> Summary:
    rows = standing_rows(events)
    setup, left = with_site_facts(stated, rows), left_as(rows)
    place = ", ".join(filter(None, [setup.boiler, setup.site]))
    ended = max((event.time for event in events), default=None)
    return Summary(number, name, place, ended, left.value if left else "", setup.practice)
