"""Taking the last entry back: which row it is, and what must be said with it."""

from typing import NamedTuple

from advisor.diagnosis.carbon_monoxide import worth_a_reason
from advisor.dialogue.entries import Entry
from advisor.errors import RangeError
from advisor.job import Job
from advisor.log.events import Event, still_valid
from advisor.report.answers import say_event

NOTHING = "There is nothing to go back to."
STAYS = "Then it stays: a turn that was made is turned back with a turn of its own."
STANDS = "Then it stands: CO is not struck without a reason."


class Last(NamedTuple):
    """The last row that stands.

    was_turn    it is struck only where the turn was never made
    needs_why   it is struck only with a reason
    """

    row: int
    event: Event
    was_turn: bool
    needs_why: bool

    @property
    def asks(self) -> str:
        """What is asked before it is struck; nothing where it may be struck at once."""
        if self.was_turn:
            return f"Row {self.row}, {say_event(self.event)}. Was it never made?"
        if self.needs_why:
            return f"Row {self.row} has CO {self.event.co_ppm:g} ppm and stays on the record. Why is it struck?"
        return ""

    def strike(self, *, never_made: bool = False, why: str = "") -> Entry:
        """The entry that strikes it. RangeError where what must be said is not."""
        if self.was_turn and not never_made:
            raise RangeError(STAYS)
        if self.needs_why and not why:
            raise RangeError(STANDS)
        return lambda job, at: job.void(self.row, at=at, note=why)


def last_row(job: Job) -> Last | None:
    """The last row that stands; None where there is none."""
    valid = still_valid(job.events)
    rows = [n for n, event in enumerate(job.events, 1) if valid[n - 1] and event.event != "void"]
    if not rows:
        return None
    event = job.events[rows[-1] - 1]
    setup = job.situation(job.ended).setup
    return Last(rows[-1], event, event.event == "turn", worth_a_reason(setup, event))
