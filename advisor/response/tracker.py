"""What the rows of a job teach, taken one by one in order of time."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta

from advisor import units
from advisor.chemistry import limits
from advisor.errors import RangeError
from advisor.job_setup.setup import DIRECTIONS, Facts
from advisor.log.events import SCREWS, Event
from advisor.response import reading_checks as readings
from advisor.response import regression
from advisor.response.filter import Belief
from advisor.response.model import LEVEL, UNKNOWNS
from advisor.response.regression import Mixture

SETTLED_CHANCE = 0.95  # chance that less than half a display step is still to come, asked of a wait
ACCEPTED_CHANCE = 0.9  # and of a reading that was taken: it may itself have shifted the belief a little
STEP_PCT = 0.25  # a change of CO2 with no turn made that is worth stopping for, own choice
STEP_SDS = 4.0  # and by how many spreads it must stand out
CERTAIN_STEP_PCT = 0.4  # a change that one reading proves, own choice: no display noise makes it
SHORT = 0.05  # chance, as of the last change, of CO2 as low as it came: worth a second look if it proves a change
A_MOMENT = timedelta(microseconds=1)
LEFT_FOR_S = 4 * 3600.0  # rows further apart than this belong to two sessions: the boiler was cold in between
FRESH_START_SD_PCT = 1.0  # how far CO2 may have moved by itself where a check has explained it
SAMPLE_LINE, TIGHT, LEAKING = "sample line", "tight", "leaking"


@dataclass(frozen=True)
class Row:
    """An event with its number: rows count from 1 in the order of the log."""

    number: int
    event: Event


def in_order(rows: Sequence[Row]) -> list[Row]:
    """Rows, given in the order of the log, in order of time.

    Rows of one moment keep the order of the log: each is put a microsecond after the one before it, so that whatever
    compares moments finds them in that order.
    """
    ordered: list[Row] = []
    for row in sorted(rows, key=lambda row: row.event.time):
        earliest = ordered[-1].event.time + A_MOMENT if ordered else row.event.time
        late = row.event.time < earliest
        ordered.append(replace(row, event=replace(row.event, time=earliest)) if late else row)
    return ordered


def facts_as_told(facts: Facts, rows: Sequence[Row]) -> Facts:
    """The facts with what the technician has found out on site: the direction of a screw, as a check."""
    told = dict(facts.clockwise)
    for row in rows:
        for screw in SCREWS:
            if row.event.item == clockwise_item(screw) and row.event.value in DIRECTIONS:
                told[screw] = row.event.value
    return facts if told == facts.clockwise else replace(facts, clockwise=told)


def clockwise_item(screw: str) -> str:
    """Name of the check that tells what a clockwise turn of `screw` does: richer, leaner or unknown."""
    return f"{screw} clockwise"


@dataclass(frozen=True)
class Suspect:
    """A reading away from what was expected: its row number, rate and moment, what was expected and shown, % CO2."""

    number: int
    firing: str
    at_s: float
    expected_co2_pct: float
    co2_pct: float

    @property
    def proves(self) -> bool:
        """Whether this one reading is enough to stop for; after a smaller step the display is read again first."""
        return abs(self.co2_pct - self.expected_co2_pct) > CERTAIN_STEP_PCT


@dataclass(frozen=True)
class Fall(Suspect):
    """A settled reading that fell short of the turn before it. Its turn, and how unlikely that was just after it.

    chance        of CO2 as low as that, 0 to 1
    line_proved   the sample line has been proved tight since that turn: what came is so
    """

    chance: float = 1.0
    line_proved: bool = False


@dataclass(frozen=True)
class History:
    """What rows taken in order have taught.

    belief    about the valve
    settled   readings that count for decisions: usable, in no doubt, waited for and settled when read
    proven    numbers of the readings that did so when they were read, though a pressure found wrong later may have
              taken their ground away: what CO was is not undone by that
    suspects  readings that moved with no turn made, so far unexplained; they taught nothing
    fallen    readings of this session that came out leaner, after a turn, than that turn could well make them; they
              teach until the sample line is looked at
    leaking   the sample line was found leaking and has not been proved tight since: no reading teaches
    line_proved_s  when it was last proved tight, s since 1970
    rising    readings on the way up from clean air that no flame gives by itself; they taught nothing either, as a
              burner that lit late or a probe not yet in its place looks the same
    coming_up  the boiler was started, and the display has not come up from clean air yet, as far as read
    steady    by rate: settled readings since a turn that moves this rate
    changed_s  when each screw, or "firing", was last changed, s since 1970
    at_change  the belief just after the last change
    clean      the same without anything read since CO2 fell short, until a reading on a line proved tight shows whether
               that was so
    came_back  the same where that was a change of rate
    started_s  when the boiler was last started, as far as logged, s since 1970
    began_s, last_s  first row since the boiler was last left for hours, and last row, s since 1970
    """

    belief: Belief
    settled: tuple[Row, ...] = ()
    proven: frozenset[int] = frozenset()
    suspects: tuple[Suspect, ...] = ()
    fallen: tuple[Fall, ...] = ()
    leaking: bool = False
    line_proved_s: float = 0.0
    rising: tuple[Event, ...] = ()
    coming_up: bool = False
    steady: Mapping[str, int] = field(default_factory=dict)
    changed_s: Mapping[str, float] = field(default_factory=dict)
    at_change: Belief | None = None
    clean: Belief | None = None
    came_back: Belief | None = None
    started_s: float = 0.0
    began_s: float = 0.0
    last_s: float = 0.0
    left: bool = False  # the boiler was left for hours, and neither a change of rate nor a reading was logged since

    def after(self, row: Row) -> "History":
        """The history after one more row."""
        at_s = row.event.time.timestamp()
        left_for_hours = at_s - self.last_s > LEFT_FOR_S
        began_s = at_s if left_for_hours else self.began_s
        left = left_for_hours or self.left
        history = replace(self, began_s=began_s, last_s=at_s)
        if left_for_hours:  # what fell short with the line never proved is no ground for another day
            history = replace(history, belief=self.clean or self.belief, clean=None, fallen=())
        taught = history._taught(row, left)
        return replace(taught, left=left and row.event.event not in ("firing", "reading"))

    def _taught(self, row: Row, left_for_hours: bool) -> "History":
        event = row.event
        match event.event:
            case "firing":
                return self._after_firing(row, left_for_hours)
            case "turn" if event.screw:
                # the throttle moves both rates, the offset hardly high fire
                steady = {} if event.screw == "throttle" else {**self.steady, "low": 0}
                return replace(self._changed(event.screw, lambda belief: belief.after(event), row), steady=steady)
            case "check" if event.item == SAMPLE_LINE and event.value == TIGHT:
                return replace(self._line_proved(), leaking=False, line_proved_s=row.event.time.timestamp())
            case "check" if event.item == SAMPLE_LINE:
                # what was read since the last change is no ground for a turn, and taught what air does
                before = self.clean or self.at_change or self.belief
                return replace(self._read_anew(before), proven=frozenset(), leaking=True)
            case "check" if event.item in self.belief.model.facts.pressures:
                return replace(self, settled=(), steady={}) if _outside(self.belief.model.facts, event) else self
            case "reading":
                return self._after_reading(row, left_for_hours)
        return self

    def _line_proved(self) -> "History":
        """What stands once the line is proved tight: what was read in doubt is read again."""
        if self.suspects:
            fresh = self._read_anew(_fresh_start(self.clean or self.belief))
            return replace(fresh, suspects=(), proven=frozenset())
        if falls := self.open_falls:
            settled = tuple(row for row in self.settled if row.event.time.timestamp() < falls[0].at_s)
            return replace(self, came_back=None, settled=settled, steady={})
        return self

    def _read_anew(self, belief: Belief) -> "History":
        """This belief, and no reading that counts as settled."""
        return replace(self, belief=belief, clean=None, came_back=None, settled=(), steady={})

    @property
    def open_falls(self) -> tuple[Fall, ...]:
        """The falls since the sample line was last proved tight."""
        return tuple(fall for fall in self.fallen if fall.at_s > self.line_proved_s and not fall.line_proved)

    def _after_firing(self, row: Row, left_for_hours: bool) -> "History":
        event, at_s = row.event, row.event.time.timestamp()
        again = event.firing == self.belief.firing
        if again and not left_for_hours and at_s < self.changed_s.get("firing", at_s) + limits.START_WAIT_S:
            return self  # it runs at this rate already
        lit = left_for_hours or again or not self.belief.states  # the same rate once more: it was off meanwhile
        changed = self._changed("firing", lambda belief: belief.after(event, anew=lit), row)
        return replace(changed, coming_up=True, started_s=at_s) if lit else changed

    def _after_reading(self, row: Row, left_for_hours: bool) -> "History":
        event, firing = row.event, row.event.firing or ""

        def at_its_rate(belief: Belief) -> Belief:
            return belief.at_rate_of(event, anew=left_for_hours)

        before = at_its_rate(self.belief)
        history = self if before is self.belief else self._changed("firing", at_its_rate, row)
        if self.leaking:
            return history
        if not readings.usable(before.model.facts, event):
            rising = history.coming_up and not history._shows_settled(before, event)
            rising = rising and readings.with_clean_air(before.model.facts, event)
            return replace(history, rising=(*history.rising, event)) if rising else history
        history = replace(history, coming_up=False)
        if history.clean and not history.open_falls:
            before, clean = history._told_apart(before, history.clean, row)
            history = replace(history, clean=clean)
        seen = history.steady.get(firing, 0)
        comparable = seen > 0 and history._shows_settled(before, event)
        # readings on the way may have taught the step: what was known on coming back had not
        known = (before, history.came_back) if comparable else ()
        suspect = next((found for belief in known if belief and (found := _moved_by_itself(belief, row))), None)
        if suspect:
            return replace(history, suspects=(*history.suspects, suspect))
        belief = before.after(event)
        history = replace(history, belief=belief, suspects=() if comparable else history.suspects)
        if not (comparable or history._shows_settled(belief, event)):
            return history
        was_read = any(row.event.firing == firing for row in history.settled)
        turned_s = max((at_s for what, at_s in history.changed_s.items() if what in SCREWS), default=math.inf)
        proved = history.line_proved_s > turned_s
        if not seen and was_read and (found := _fell(history.at_change or before, row, line_proved=proved)):
            history = replace(history, fallen=(*history.fallen, found))
            if proved:  # it is so: nothing known before is held against the next reading
                history = replace(history, came_back=None)
            else:
                history = replace(history, clean=history.clean or history.at_change)
        settled, proven = (*history.settled, row), history.proven | {row.number}
        return replace(history, settled=settled, proven=proven, steady={**history.steady, firing: seen + 1})

    def _told_apart(self, belief: Belief, clean: Belief, row: Row) -> tuple[Belief, Belief | None]:
        """With the line proved tight: the belief that the settled reading bears out; both until there is one.

        Back up where it was to be expected: the line had leaked when CO2 fell, and a hose was pushed on.
        """
        if row.event.firing != self.fallen[-1].firing or not self._shows_settled(belief, row.event):
            return belief, clean.after(row.event)
        return min(belief, clean, key=lambda either: abs(_against(either, row)[2])), None

    def _changed(self, what: str, change: Callable[[Belief], Belief], row: Row) -> "History":
        belief = change(self.belief)
        clean = self.clean and change(self.clean)
        came_back = belief if what == "firing" else None
        changed_s = {**self.changed_s, what: row.event.time.timestamp()}
        return replace(self, belief=belief, at_change=belief, clean=clean, came_back=came_back, changed_s=changed_s)

    def _shows_settled(self, belief: Belief, reading: Event) -> bool:
        at_s = reading.time.timestamp()
        # half a second for clocks that write whole seconds
        return at_s >= self.counts_from_s - 0.5 and belief.settled_chance(at_s) >= ACCEPTED_CHANCE

    @property
    def earliest_s(self) -> float:
        """Moment from which the shortest waits after every change are over, s since 1970."""
        waits = self.belief.model.facts.min_wait_s
        return max((at_s + waits[what] for what, at_s in self.changed_s.items()), default=0.0)

    @property
    def start_over_s(self) -> float:
        """Moment from which the wait after the latest start is over, s since 1970."""
        return self.started_s + limits.START_WAIT_S

    @property
    def counts_from_s(self) -> float:
        """Moment from which a reading may count as settled: after all of these waits, s since 1970."""
        return max(self.earliest_s, self.start_over_s)


def checked_pressure(facts: Facts, check: Event) -> float:
    """A logged gas pressure in the unit of its range on the data plate; RangeError where it can't be read."""
    unit = facts.pressures[check.item][2]
    return units.convert_pressure(units.parse_number(check.value, check.item), check.unit, unit)


def _outside(facts: Facts, check: Event) -> bool:
    """Whether a logged gas pressure lies outside the data plate's range, or can't be read."""
    low, high, _ = facts.pressures[check.item]
    try:
        return not low <= checked_pressure(facts, check) <= high
    except RangeError:
        return True


def _moved_by_itself(belief: Belief, row: Row) -> Suspect | None:
    suspect, forecast, apart = _against(belief, row)
    worth_a_look_pct = max(STEP_PCT, 1.5 * belief.model.facts.display_step_pct)
    return suspect if abs(apart) >= max(worth_a_look_pct, STEP_SDS * forecast.var**0.5) else None


def _fell(belief: Belief, row: Row, *, line_proved: bool) -> Fall | None:
    suspect, forecast, apart = _against(belief, row)
    half_step = belief.model.facts.display_step_pct / 2  # what a display rounds away
    chance = forecast.below(forecast.mean + apart + half_step)
    return Fall(**vars(suspect), chance=chance, line_proved=line_proved) if suspect.proves and chance < SHORT else None


def _against(belief: Belief, row: Row) -> tuple[Suspect, Mixture, float]:
    """A reading beside what was expected of it, the forecast, and how far above its mean it came (straight %)."""
    event = row.event
    assert event.firing is not None
    assert event.co2_pct is not None
    scale = belief.model.scales[event.firing]
    forecast = belief.displayed(event.time.timestamp())
    expected = float(scale.co2_pct(forecast.mean))
    suspect = Suspect(row.number, event.firing, event.time.timestamp(), expected, event.co2_pct)
    return suspect, forecast, float(scale.straight(min(event.co2_pct, scale.fuel.co2_max_pct))) - forecast.mean


def _fresh_start(belief: Belief) -> Belief:
    """Keep the gains, let both levels move: what a check explained may have changed them."""
    fit, var = belief.fit, FRESH_START_SD_PCT**2 / belief.fit.noise_var
    for index in LEVEL.values():
        direction = [1.0 if j == index else 0.0 for j in range(UNKNOWNS)]
        fit = regression.loosen(fit, direction, var)
    return replace(belief, fit=fit)
