"""One job at one moment: the rows that stand, in order, what they taught, and how long there is still to wait."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

from advisor.job_setup.policy import Policy
from advisor.job_setup.setup import JobSetup
from advisor.log.check_items import OUTCOME
from advisor.log.events import Event, Kind, Row
from advisor.response.change_detection import Outlier
from advisor.response.filter import FilterState
from advisor.response.tracker import Tracker
from advisor.screws import FIRING_FOR, Firing, Screw

SEARCH_STEP_S = 30.0  # first step of the search for the moment from which a display shows the settled value


class Struck(NamedTuple):
    """A row that was struck, and the `void` that struck it."""

    row: Row
    by: Row


@dataclass(frozen=True)
class Situation:
    """One job as it stands at one moment.

    rows     events that stand up to `at`, in order of time
    tracker  what they taught
    struck   rows that were struck up to `at`
    """

    setup: JobSetup
    rows: tuple[Row, ...]
    tracker: Tracker
    at: datetime
    struck: tuple[Struck, ...] = ()

    @property
    def policy(self) -> Policy:
        """The thresholds of this job."""
        return self.setup.policy

    @property
    def belief(self) -> FilterState:
        """What the job so far says about the valve."""
        return self.tracker.belief

    @property
    def firing(self) -> Firing | None:
        """The rate the boiler runs at, as far as logged; None before it was lit and while the burner is off."""
        return None if self.tracker.off else self.belief.firing

    @property
    def was_lit(self) -> bool:
        """Whether the boiler was run at all, as far as logged."""
        return bool(self.belief.states)

    @property
    def off(self) -> Row | None:
        """The row that says the burner is off; None while it runs, and before the first start."""
        return self.tracker.off

    @property
    def at_s(self) -> float:
        """The moment, s since 1970."""
        return self.at.timestamp()

    @property
    def changed_at_s(self) -> float:
        """Moment of the last turn or change of rate, s since 1970."""
        return self.belief.states[-1].since_s if self.belief.states else 0.0

    @cached_property
    def turned_at_s(self) -> float:
        """Moment of the last turn of any screw, s since 1970 (0 when none was made)."""
        return max((row.at_s for row in self.of("turn")), default=0.0)

    @property
    def left(self) -> bool:
        """Whether the boiler was left for hours since the last row, so that nothing read before holds."""
        return self.tracker.left or self.silent

    @property
    def silent(self) -> bool:
        """Whether hours have passed since the last row."""
        return bool(self.rows) and self.at_s - self.tracker.last_s > self.policy.left_for_s

    @property
    def closed(self) -> Event | None:
        """How the appliance was left, where nothing was done at the boiler since; None while the visit goes on."""
        return left_as(self.rows)

    @property
    def stale(self) -> bool:
        """Whether the last settled reading since the last change is too old to turn by."""
        read = self.settled_readings(self.firing, self.changed_at_s) if self.firing else []
        return bool(read) and self.at_s - read[-1].at_s > self.policy.stale_s

    @property
    def session_from_s(self) -> float:
        """Moment just before this session's first row, s since 1970: what is later belongs to it."""
        return self.tracker.began_s - 1.0

    @property
    def fresh_from_s(self) -> float:
        """Moment from which readings show the boiler as it is now: the last turn, or the session's start."""
        return max(self.turned_at_s, self.session_from_s)

    @property
    def unsure_outlier(self) -> Outlier | None:
        """A lone reading that moved a little with no turn made: noise or trouble, another reading will tell."""
        outliers = self.tracker.outliers
        return outliers[0] if len(outliers) == 1 and not outliers[0].certain else None

    @property
    def unsure_shortfall(self) -> bool:
        """Whether the only settled reading of this segment is one that fell short of its turn."""
        short = [s for s in self.tracker.open_shortfalls if s.firing == self.firing and s.at_s > self.changed_at_s]
        return bool(short) and not self.settled_readings(short[-1].firing, short[-1].at_s)

    def latest(self, firing: Firing | None = None, *, having: str = "co2_pct") -> Row | None:
        """The latest reading (at one rate) in which the named quantity was given, usable or not."""
        for row in reversed(self.of("reading")):
            if firing in (None, row.event.firing) and getattr(row.event, having) is not None:
                return row
        return None

    def of(self, kind: Kind) -> list[Row]:
        """The rows of one kind, in order of time."""
        return [row for row in self.rows if row.event.event == kind]

    def checks(self, item: str) -> list[Row]:
        """The checks of this name, in order of time."""
        return [row for row in self.rows if row.event.event == "check" and row.event.item == item]

    def notes(self, item: str) -> list[Event]:
        """The notes about this, in order of time."""
        return [row.event for row in self.rows if row.event.event == "note" and row.event.item == item]

    def turns_of(self, screw: Screw) -> list[Row]:
        """The turns of one screw, in order of time."""
        return [row for row in self.of("turn") if row.event.screw == screw]

    def co_readings(self, firing: Firing, since_s: float = 0.0) -> list[Row]:
        """Readings with CO at `firing`, later than `since_s`, taken with the flame settled; of CO alone too."""
        settled = {row.number for row in self.tracker.settled} | self.tracker.co_alone
        return [
            row
            for row in self.of("reading")
            if row.event.firing == firing
            and row.event.co_ppm is not None
            and row.at_s > since_s
            and row.number in settled
        ]

    def net_turns_cw(self, screw: Screw, since_s: float = 0.0) -> float:
        """Net turn of a screw from as found, or since a moment, clockwise positive."""
        return sum(row.event.turns_cw or 0.0 for row in self.turns_of(screw) if row.at_s > since_s)

    def turns_since_read(self, screw: Screw) -> list[Row]:
        """The turns of a screw since the last settled reading at its own rate."""
        since_s = self.tracker.read_s.get(FIRING_FOR[screw], 0.0)
        return [row for row in self.turns_of(screw) if row.at_s > since_s]

    def turned_since_read(self, screw: Screw) -> float:
        """Net turn of a screw since the last settled reading at its own rate, clockwise positive."""
        return self.net_turns_cw(screw, self.tracker.read_s.get(FIRING_FOR[screw], 0.0))

    def turns_read(self, screw: Screw) -> int:
        """How many turns of one screw had their settled effect read before it was turned again."""
        made_s = [turn.at_s for turn in self.turns_of(screw)]
        read_s = [row.at_s for row in self.settled_readings(FIRING_FOR[screw])]
        return sum(any(a < at < b for at in read_s) for a, b in pairwise([*made_s, float("inf")]))

    def settled_readings(self, firing: Firing, since_s: float = 0.0) -> list[Row]:
        """Readings at `firing`, later than `since_s`, that count: usable, in no doubt, waited for and settled."""
        return [row for row in self.tracker.settled if row.event.firing == firing and row.at_s > since_s]

    @cached_property
    def wait_left_s(self) -> float:
        """Seconds from `at` until a reading will show the settled value; 0 when it does already."""
        if not self.belief.states:
            return 0.0
        return max(0.0, settled_from_s(self.belief, max(self.tracker.counts_from_s, self.at_s)) - self.at_s)

    def interim_reading_in_s(self, wait_s: float) -> float | None:
        """Seconds until a reading on the way is worth taking within a wait of `wait_s`; None where it is not.

        It costs a few seconds of a wait that goes on anyway, and shows how fast this boiler answers.
        """
        since_s, policy = self.changed_at_s, self.policy
        taken = [row.at_s for row in self.of("reading") if row.at_s > since_s and row.event.co2_pct is not None]
        if len(taken) >= policy.most_interim_readings:
            return None
        interim_s = max(self.tracker.earliest_s, max(taken, default=since_s) + policy.interim_every_s, self.at_s)
        return interim_s - self.at_s if interim_s + policy.interim_margin_s <= self.at_s + wait_s else None


def left_as(rows: Sequence[Row]) -> Event | None:
    """How the appliance was left, where nothing was done at the boiler since; None while the visit goes on."""
    for row in reversed(rows):
        if row.event.event in ("reading", "turn", "firing"):
            return None
        if row.event.item == OUTCOME and row.event.event == "check":
            return row.event
    return None


def settled_from_s(belief: FilterState, first_s: float) -> float:
    """Moment (s since 1970), at or after `first_s`, from which a display shows the settled value; own search.

    Where that is more than `policy.longest_wait_s` off, the end of that: to be asked anew then.
    """
    policy = belief.model.setup.policy

    def settled(at_s: float) -> bool:
        return belief.settled_chance(at_s) >= policy.settled_chance

    if settled(first_s):
        return first_s
    early, late = first_s, first_s + SEARCH_STEP_S
    while late - first_s < policy.longest_wait_s and not settled(late):
        early, late = late, first_s + 2 * (late - first_s)
    while late - early > 1.0:
        middle = (early + late) / 2
        if settled(middle):
            late = middle
        else:
            early = middle
    return min(late, first_s + policy.longest_wait_s)
