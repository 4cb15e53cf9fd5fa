"""One job at one moment: the rows that stand, in order, what they taught, and how far the flame has settled."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from advisor import readings, regression
from advisor.events import SCREWS, Event
from advisor.facts import Facts
from advisor.response import FIRING_FOR, LEVEL, UNKNOWNS, Belief

SETTLED_CHANCE = 0.95  # chance that less than half a display step is still to come, asked of a wait
ACCEPTED_CHANCE = 0.9  # and of a reading that was taken: it may itself have shifted the belief a little
LONGEST_WAIT_S = 900.0
STEP_PCT = 0.25  # a change of CO2 with no turn made that is worth stopping for, own choice
STEP_SDS = 4.0  # and by how many spreads it must stand out
FRESH_START_SD_PCT = 1.0  # how far CO2 may have moved by itself where a check has explained it
SAMPLE_LINE = "sample line"


@dataclass(frozen=True)
class Row:
    """An event with its number: rows count from 1 in the order of the log."""

    number: int
    event: Event


def in_order(rows: Sequence[Row]) -> list[Row]:
    """Rows in order of time. Rows of the same moment are put in an order that does not depend on the log."""
    kinds = ("firing", "reading", "turn")

    def key(row: Row) -> tuple[object, ...]:
        event = row.event
        rank = kinds.index(event.event) if event.event in kinds else len(kinds)
        return (
            event.time.timestamp(), rank, event.firing or "", event.screw or "",
            event.turns_cw or 0.0, event.co2_pct or 0.0, event.o2_pct or 0.0, event.co_ppm or 0.0,
        )  # fmt: skip

    return sorted(rows, key=key)


def facts_as_told(facts: Facts, rows: Sequence[Row]) -> Facts:
    """The facts with what the technician has found out on site: the direction of a screw, as a check."""
    told = dict(facts.clockwise)
    for row in rows:
        for screw in SCREWS:
            if row.event.event == "check" and row.event.item == clockwise_item(screw):
                told[screw] = row.event.value
    return facts if told == facts.clockwise else replace(facts, clockwise=told)


def clockwise_item(screw: str) -> str:
    """Name of the check that tells what a clockwise turn of `screw` does: richer, leaner or unknown."""
    return f"{screw} clockwise"


@dataclass(frozen=True)
class Suspect:
    """A reading that moved with no turn made: its row number, what was expected and shown, % CO2."""

    number: int
    expected_co2_pct: float
    co2_pct: float


@dataclass(frozen=True)
class History:
    """What rows taken in order have taught: the belief, and readings that stand apart and taught nothing."""

    belief: Belief
    suspects: tuple[Suspect, ...] = ()
    steady: Mapping[str, int] | None = None  # by rate: readings since its own screw was last turned

    def after(self, row: Row) -> "History":
        """The history after one more row."""
        event, belief, steady = row.event, self.belief, dict(self.steady or {})
        if event.event == "turn" and event.screw:
            steady[FIRING_FOR[event.screw]] = 0
        if event.event == "check" and event.item == SAMPLE_LINE and self.suspects:
            return replace(self, belief=_fresh_start(belief), suspects=())
        if event.event != "reading" or event.firing is None or event.co2_pct is None:
            return replace(self, belief=belief.after(event), steady=steady)
        if not readings.usable(belief.model.facts, event):
            return replace(self, belief=belief.at_rate_of(event), steady=steady)
        suspects = self.suspects
        if steady.get(event.firing, 0):
            suspect = _moved_by_itself(belief.at_rate_of(event), row)
            if suspect:
                return replace(self, belief=belief.at_rate_of(event), suspects=(*suspects, suspect))
            suspects = ()
        steady[event.firing] = steady.get(event.firing, 0) + 1
        return History(belief.after(event), suspects, steady)


def _moved_by_itself(belief: Belief, row: Row) -> Suspect | None:
    event = row.event
    assert event.firing is not None
    assert event.co2_pct is not None
    scale = belief.model.scales[event.firing]
    forecast = belief.displayed(event.time.timestamp())
    apart = float(scale.straight(min(event.co2_pct, scale.fuel.co2_max_pct))) - forecast.mean
    if abs(apart) < max(STEP_PCT, STEP_SDS * forecast.var**0.5):
        return None
    return Suspect(row.number, float(scale.co2_pct(forecast.mean)), event.co2_pct)


def _fresh_start(belief: Belief) -> Belief:
    """Keep the gains, let both levels move: what a check explained may have changed them."""
    fit, var = belief.fit, FRESH_START_SD_PCT**2 / belief.model.noise_var
    for index in LEVEL.values():
        direction = [1.0 if j == index else 0.0 for j in range(UNKNOWNS)]
        fit = regression.loosen(fit, direction, var)
    return replace(belief, fit=fit)


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

    def of(self, kind: str) -> list[Row]:
        """The rows of one kind, in order of time."""
        return [row for row in self.rows if row.event.event == kind]

    @property
    def last_reading(self) -> Event | None:
        """The latest reading, usable or not."""
        found = self.of("reading")
        return found[-1].event if found else None

    def _min_wait_s(self, before_s: float) -> float:
        """The shortest wait after the last change up to `before_s`, s."""
        waits, changed = self.facts.min_wait_s, ""
        for row in self.rows:
            if row.event.time.timestamp() <= before_s and row.event.event in ("turn", "firing"):
                changed = row.event.screw or "firing"
        return waits[changed or "firing"]

    def settled_readings(self, firing: str, since_s: float) -> list[Row]:
        """Readings at `firing` from `since_s` on that count: usable, in no doubt, waited for and settled."""
        doubted = {suspect.number for suspect in self.history.suspects}
        found = []
        for row in self.of("reading"):
            at_s = row.event.time.timestamp()
            if row.event.firing != firing or at_s < since_s or row.number in doubted:
                continue
            if readings.usable(self.facts, row.event) and self.settled_at(at_s):
                found.append(row)
        return found

    def settled_at(self, at_s: float) -> bool:
        """Whether a reading displayed at `at_s` shows the settled value, the shortest wait kept."""
        since_s = max((s.since_s for s in self.belief.states if s.since_s <= at_s), default=at_s)
        if at_s - since_s < self._min_wait_s(at_s) - 0.5:
            return False
        return self.belief.settled_chance(at_s) >= ACCEPTED_CHANCE

    def wait_left_s(self) -> float:
        """Seconds from `at` until a reading will show the settled value; 0 when it does already."""
        if not self.belief.states:
            return 0.0
        now_s = self.at.timestamp()
        first_s = self.changed_at_s + self._min_wait_s(now_s)
        return max(0.0, settled_from_s(self.belief, max(first_s, now_s)) - now_s)


def settled_from_s(belief: Belief, first_s: float) -> float:
    """Moment (s since 1970), at or after `first_s`, from which a display shows the settled value."""
    if belief.settled_chance(first_s) >= SETTLED_CHANCE:
        return first_s
    early, late = first_s, first_s + LONGEST_WAIT_S
    while late - early > 1.0:
        middle = (early + late) / 2
        if belief.settled_chance(middle) >= SETTLED_CHANCE:
            late = middle
        else:
            early = middle
    return late
