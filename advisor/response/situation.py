"""One job at one moment: the rows that stand, in order, what they taught, and how long there is still to wait."""

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from advisor.job_setup.setup import Facts
from advisor.log.events import Event
from advisor.procedure.stages import OUTCOME
from advisor.response.filter import Belief
from advisor.response.model import FIRING_FOR
from advisor.response.tracker import LEFT_FOR_S, SETTLED_CHANCE, History, Row, Suspect

STALE_S = 900.0  # age of a settled reading from which a turn asks for a new one, own choice
SHORT_WAIT_S, LONGEST_WAIT_S = 30.0, 900.0
MOST_PEEKS = 3  # readings on the way in one wait
PEEK_EVERY_S = 25.0
PEEK_MARGIN_S = 15.0  # closer to the end of the wait than this a reading on the way tells nothing new
# chance from which a screw is said to work against its stated direction; slack, drift and a slow display look like it
SURE_OF_WAY = 0.95


@dataclass(frozen=True)
class Visit:
    """One job as it stands at one moment.

    rows     events that stand up to `at`, in order of time
    history  what they taught
    """

    facts: Facts
    rows: tuple[Row, ...]
    history: History
    at: datetime

    @property
    def belief(self) -> Belief:
        """What the job so far says about the valve."""
        return self.history.belief

    @property
    def firing(self) -> str | None:
        """The rate the boiler runs at, as far as logged."""
        return self.belief.firing

    @property
    def changed_at_s(self) -> float:
        """Moment of the last turn or change of rate, s since 1970."""
        return self.belief.states[-1].since_s if self.belief.states else 0.0

    @property
    def turned_at_s(self) -> float:
        """Moment of the last turn of any screw, s since 1970 (0 when none was made)."""
        return max((row.event.time.timestamp() for row in self.of("turn")), default=0.0)

    @property
    def left(self) -> bool:
        """Whether the boiler was left for hours since the last row, so that nothing read before holds."""
        return self.history.left or self.silent

    @property
    def silent(self) -> bool:
        """Whether hours have passed since the last row."""
        return bool(self.rows) and self.at.timestamp() - self.history.last_s > LEFT_FOR_S

    @property
    def closed(self) -> Event | None:
        """How the appliance was left, where nothing was done at the boiler since; None while the visit goes on."""
        for row in reversed(self.rows):
            if row.event.event in ("reading", "turn", "firing"):
                return None
            if row.event.item == OUTCOME and row.event.event == "check":
                return row.event
        return None

    @property
    def stale(self) -> bool:
        """Whether the last settled reading since the last change is too old to turn by."""
        read = self.settled_readings(self.firing or "", self.changed_at_s)
        return bool(read) and self.at.timestamp() - read[-1].event.time.timestamp() > STALE_S

    @property
    def session_from_s(self) -> float:
        """Moment just before this session's first row, s since 1970: what is later belongs to it."""
        return self.history.began_s - 1.0

    @property
    def fresh_from_s(self) -> float:
        """Moment from which readings show the boiler as it is now: the last turn, or the session's start."""
        return max(self.turned_at_s, self.session_from_s)

    @property
    def unsure(self) -> Suspect | None:
        """A lone reading that moved a little with no turn made: noise or trouble, another reading will tell."""
        suspects = self.history.suspects
        return suspects[0] if len(suspects) == 1 and not suspects[0].proves else None

    @property
    def unsure_fall(self) -> bool:
        """Whether the only settled reading at this standstill is one that fell short of its turn."""
        falls = [
            fall for fall in self.history.open_falls if fall.firing == self.firing and fall.at_s > self.changed_at_s
        ]
        return bool(falls) and not self.settled_readings(falls[-1].firing, falls[-1].at_s)

    def latest(self, firing: str | None = None, *, having: str = "co2_pct") -> Event | None:
        """The latest reading (at one rate) in which the named figure was given, usable or not."""
        for row in reversed(self.of("reading")):
            if firing in (None, row.event.firing) and getattr(row.event, having) is not None:
                return row.event
        return None

    def of(self, kind: str) -> list[Row]:
        """The rows of one kind, in order of time."""
        return [row for row in self.rows if row.event.event == kind]

    def turns_of(self, screw: str) -> list[Event]:
        """The turns of one screw, in order of time."""
        return [row.event for row in self.of("turn") if row.event.screw == screw]

    def say_step(self, suspect: Suspect) -> str:
        """A reading that moved by itself, in words; an offset turn meanwhile hardly moves high fire."""
        of_which = "of the throttle screw " if suspect.firing == "high" and self.turns_of("offset") else ""
        moved = f"from {suspect.expected_co2_pct:.1f} to {suspect.co2_pct:.1f} %"
        return f"CO2 went {moved} with no turn {of_which}made (row {suspect.number})"

    def turns_read(self, screw: str) -> int:
        """How many turns of one screw had their settled effect read before it was turned again."""
        made_s = [turn.time.timestamp() for turn in self.turns_of(screw)]
        read_s = [row.event.time.timestamp() for row in self.settled_readings(FIRING_FOR[screw])]
        return sum(any(a < at < b for at in read_s) for a, b in pairwise([*made_s, float("inf")]))

    def settled_readings(self, firing: str, since_s: float = 0.0) -> list[Row]:
        """Readings at `firing`, later than `since_s`, that count: usable, in no doubt, waited for and settled."""
        return [
            row for row in self.history.settled if row.event.firing == firing and row.event.time.timestamp() > since_s
        ]

    def wait_left_s(self) -> float:
        """Seconds from `at` until a reading will show the settled value; 0 when it does already."""
        if not self.belief.states:
            return 0.0
        now_s = self.at.timestamp()
        return max(0.0, settled_from_s(self.belief, max(self.history.counts_from_s, now_s)) - now_s)

    def peek_in_s(self, wait_s: float) -> float | None:
        """Seconds until a reading on the way is worth taking within a wait of `wait_s`; None where it is not.

        It costs a few seconds of a wait that goes on anyway, and shows how fast this boiler answers.
        """
        since_s, now_s = self.changed_at_s, self.at.timestamp()
        taken = [s for s in (row.event.time.timestamp() for row in self.of("reading")) if s > since_s]
        if len(taken) >= MOST_PEEKS:
            return None
        peek_s = max(self.history.earliest_s, max(taken, default=since_s) + PEEK_EVERY_S, now_s)
        return peek_s - now_s if peek_s + PEEK_MARGIN_S <= now_s + wait_s else None


def settled_from_s(belief: Belief, first_s: float) -> float:
    """Moment (s since 1970), at or after `first_s`, from which a display shows the settled value; own search.

    Where that is more than a quarter of an hour off, the end of that: to be asked anew then.
    """
    if belief.settled_chance(first_s) >= SETTLED_CHANCE:
        return first_s
    early, late = first_s, first_s + SHORT_WAIT_S
    while late - first_s < LONGEST_WAIT_S and belief.settled_chance(late) < SETTLED_CHANCE:
        early, late = late, first_s + 2 * (late - first_s)
    while late - early > 1.0:
        middle = (early + late) / 2
        if belief.settled_chance(middle) >= SETTLED_CHANCE:
            late = middle
        else:
            early = middle
    return min(late, first_s + LONGEST_WAIT_S)
