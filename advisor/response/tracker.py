"""What rows teach, one by one in order of time: which readings are settled, which moved by themselves."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from advisor.chemistry import limits
from advisor.errors import RangeError
from advisor.job_setup.setup import JobSetup
from advisor.log.check_items import ALARMS, CO_CAUSE, MENDED, SAMPLE_LINE, TIGHT
from advisor.log.events import Event, Row
from advisor.log.site_facts import pressure_in_plate_unit
from advisor.response import reading_checks, regression
from advisor.response.change_detection import Outlier, Shortfall, compare, jump, shortfall
from advisor.response.filter import FilterState
from advisor.response.model import LEVEL, UNKNOWNS
from advisor.screws import OFF, SCREWS, Firing


@dataclass(frozen=True)
class Tracker:
    """What rows taken in order have taught.

    belief       state of the filter: what is known of the valve
    settled      readings that count for decisions: usable, in no doubt, waited for and settled when read
    proven       numbers of the readings that did so when they were read, though a pressure found wrong later may have
                 taken their ground away: what CO was is not undone by that
    outliers     readings that moved with no turn made, so far unexplained; they taught nothing
    fell         the first reading that fell with no turn made, once the line was proved tight
    shortfalls   readings of this session that came out leaner, after a turn, than that turn could well make them; they
                 teach until the sample line is looked at
    wrong_pressures  gas pressures that were last found outside the data plate: what is read meanwhile is no ground
    leaking      the sample line was found leaking and has not been proved tight since: no reading teaches
    line_proved_s  when it was last proved tight, s since 1970
    rising       readings on the way up from clean air that no flame gives by itself; they taught nothing either, as a
                 burner that lit late or a probe not yet in its place looks the same
    coming_up    the boiler was started, and the display has not come up from clean air yet, as far as read
    steady       by rate: settled readings since a turn that moves this rate
    changed_s    when each screw, or "firing", was last changed, s since 1970
    at_change    state of the filter just after the last change
    clean        the same without anything read since CO2 fell short, until a reading on a line proved tight shows
                 whether that was so
    came_back    state of the filter just after the last change, where that was a change of rate
    read_s       by rate: when a settled reading was last taken there, s since 1970
    co_alone     numbers of the readings of CO alone that were taken with the flame settled
    off          row that says the burner is off; None while it runs, and before the first start
    started_s    when the boiler was last started, as far as logged, s since 1970
    began_s, last_s  first row since the boiler was last left for hours, and last row, s since 1970
    left         the boiler was left for hours, and neither a change of rate nor a reading was logged since
    """

    belief: FilterState
    settled: tuple[Row, ...] = ()
    proven: frozenset[int] = frozenset()
    outliers: tuple[Outlier, ...] = ()
    fell: Outlier | None = None
    shortfalls: tuple[Shortfall, ...] = ()
    wrong_pressures: frozenset[str] = frozenset()
    leaking: bool = False
    line_proved_s: float = 0.0
    rising: tuple[Event, ...] = ()
    coming_up: bool = False
    steady: Mapping[Firing, int] = field(default_factory=dict)
    changed_s: Mapping[str, float] = field(default_factory=dict)
    at_change: FilterState | None = None
    clean: FilterState | None = None
    came_back: FilterState | None = None
    read_s: Mapping[Firing, float] = field(default_factory=dict)
    co_alone: frozenset[int] = frozenset()
    off: Row | None = None
    started_s: float = 0.0
    began_s: float = 0.0
    last_s: float = 0.0
    left: bool = False

    @property
    def setup(self) -> JobSetup:
        """The setup of the job."""
        return self.belief.model.setup

    def after(self, row: Row) -> "Tracker":
        """The tracker after one more row."""
        left_for_hours = row.at_s - self.last_s > self.setup.policy.left_for_s
        left = left_for_hours or self.left
        tracker = replace(self, began_s=row.at_s if left_for_hours else self.began_s, last_s=row.at_s)
        if left_for_hours:  # what fell short with the line never proved is no ground for another day
            tracker = replace(tracker, belief=self.clean or self.belief, clean=None, shortfalls=(), fell=None)
        taught = tracker._taught(row, left_for_hours=left)
        ran = row.event.rate is not None and row.event.event in ("firing", "reading")
        return replace(taught, left=left and not ran)

    def _taught(self, row: Row, *, left_for_hours: bool) -> "Tracker":
        event = row.event
        match event.event:
            case "firing" if event.firing == OFF:
                return replace(self, off=row)
            case "firing":
                return self._after_firing(row, left_for_hours=left_for_hours)
            case "turn" if event.screw:
                # the throttle moves both rates, the offset hardly high fire
                steady: dict[Firing, int] = {} if event.screw == "throttle" else {**self.steady, "low": 0}
                return replace(self._changed(event.screw, lambda belief: belief.after(event), row), steady=steady)
            case "check" if event.item == SAMPLE_LINE and event.value == TIGHT:
                return replace(self._line_proved(), leaking=False, line_proved_s=row.at_s)
            case "check" if event.item == SAMPLE_LINE:
                # what was read since the last change taught what air does; nobody knows when the leak began
                before = _fresh_start(self.clean or self.at_change or self.belief)
                return replace(self._read_anew(before), proven=frozenset(), leaking=True)
            case "check" if event.item in ALARMS and event.value == "yes":
                return replace(self, off=row)  # whoever says so has put it off
            case "check" if event.item == CO_CAUSE and event.value == MENDED:
                return self._mended()
            case "check" if event.item in self.setup.pressures:
                return self._after_pressure(row)
            case "reading" if event.co2_pct is None:
                return self._after_co(row)
            case "reading":
                return self._after_reading(row, left_for_hours=left_for_hours)
        return self

    def _after_pressure(self, row: Row) -> "Tracker":
        """After a gas pressure: what was read at a wrong one, and before it was found so, is read anew.

        Put right, it explains what moved before, and the display has a way to go as after a change of rate.
        """
        check = row.event
        wrong = self.wrong_pressures - {check.item}
        if _outside_plate(self.setup, check):
            wrong |= {check.item}
        if not wrong and not self.wrong_pressures:
            return self
        if not wrong:
            right = self._mended()
            return replace(right, wrong_pressures=wrong, changed_s={**self.changed_s, "firing": row.at_s})
        return replace(self, settled=(), steady={}, wrong_pressures=wrong)

    def _mended(self) -> "Tracker":
        """After a fault was mended: the levels may be others, what moved before is no trouble any more."""
        return replace(self._levels_anew(), outliers=(), shortfalls=(), fell=None)

    def _after_co(self, row: Row) -> "Tracker":
        """After a reading of CO alone: it teaches nothing of the valve."""
        changed_s = self.belief.states[-1].since_s if self.belief.states else 0.0
        steady = any(each.event.firing == row.event.firing and each.at_s > changed_s for each in self.settled)
        counts = steady and self.off is None and not self.leaking and row.event.firing == self.belief.firing
        return replace(self, co_alone=self.co_alone | {row.number}) if counts else self

    def _line_proved(self) -> "Tracker":
        """What stands once the line is proved tight: what was read in doubt is read again."""
        if self.outliers:
            fell = next((odd for odd in self.outliers if odd.fell), self.fell) if not self.leaking else None
            return replace(self._levels_anew(), outliers=(), proven=frozenset(), fell=fell)
        if short := self.open_shortfalls:
            settled = tuple(row for row in self.settled if row.at_s < short[0].at_s)
            return replace(self, came_back=None, settled=settled, steady={})
        return self

    def _read_anew(self, belief: FilterState) -> "Tracker":
        """This state of the filter, and no reading that counts as settled."""
        return replace(self, belief=belief, clean=None, came_back=None, settled=(), steady={})

    def _levels_anew(self) -> "Tracker":
        """The gains kept, both levels free to move, and no reading that counts as settled."""
        return self._read_anew(_fresh_start(self.clean or self.belief))

    @property
    def open_shortfalls(self) -> tuple[Shortfall, ...]:
        """The shortfalls since the sample line was last proved tight."""
        return tuple(short for short in self.shortfalls if short.at_s > self.line_proved_s and not short.line_proved)

    def _after_firing(self, row: Row, *, left_for_hours: bool) -> "Tracker":
        event = row.event
        again = event.firing == self.belief.firing
        was_off = self.off is not None
        if (
            again
            and not left_for_hours
            and not was_off
            and row.at_s < self.changed_s.get("firing", row.at_s) + limits.START_WAIT_S
        ):
            return self  # it runs at this rate already
        # the same rate once more: it was off meanwhile
        lit = left_for_hours or again or was_off or not self.belief.states
        changed = self._changed("firing", lambda belief: belief.after(event, anew=lit), row)
        if not lit:
            return changed
        told = changed._mended() if was_off and event.note else changed
        return replace(told, coming_up=True, started_s=row.at_s, off=None)

    def _after_reading(self, row: Row, *, left_for_hours: bool) -> "Tracker":
        event, firing = row.event, row.event.rate
        assert firing is not None
        was_off = self.off is not None
        if was_off and not reading_checks.usable(self.setup, event):
            return self
        if not self.belief.states and reading_checks.mostly_air(self.setup, event):
            return self  # a probe in air before the boiler is lit starts nothing

        def at_its_rate(belief: FilterState) -> FilterState:
            return belief.at_firing_of(event, anew=left_for_hours or was_off)

        before = at_its_rate(self.belief)
        tracker = self if before is self.belief else self._changed("firing", at_its_rate, row)
        if was_off:  # a flame: it was lit again, and nobody said when
            tracker = replace(tracker, off=None, started_s=row.at_s)
        if self.leaking:
            return tracker
        if not reading_checks.usable(self.setup, event):
            rising = tracker.coming_up and not tracker._shows_settled(before, row)
            rising = rising and reading_checks.with_clean_air(self.setup, event)
            return replace(tracker, rising=(*tracker.rising, event)) if rising else tracker
        tracker = replace(tracker, coming_up=False)
        if tracker.clean and not tracker.open_shortfalls:
            before, clean = tracker._told_apart(before, tracker.clean, row)
            tracker = replace(tracker, clean=clean)
        seen = tracker.steady.get(firing, 0)
        comparable = seen > 0 and tracker._shows_settled(before, row)
        # readings on the way may have taught the jump: what was known on coming back had not
        known = (before, tracker.came_back) if comparable else ()
        outlier = next((found for belief in known if belief and (found := jump(belief, row))), None)
        if outlier:
            return replace(tracker, outliers=(*tracker.outliers, outlier))
        if found := tracker._cannot_be_on_the_way(before, row):
            return replace(tracker, shortfalls=(*tracker.shortfalls, found))  # it teaches nothing
        belief = before.after(event)
        tracker = replace(tracker, belief=belief, outliers=() if comparable else tracker.outliers)
        if not (comparable or tracker._shows_settled(belief, row)):
            return tracker
        if not seen and any(settled.event.firing == firing for settled in tracker.settled):
            tracker = tracker._with_shortfall(before, row)
        settled, proven = (*tracker.settled, row), tracker.proven | {row.number}
        steady, read_s = {**tracker.steady, firing: seen + 1}, {**tracker.read_s, firing: row.at_s}
        return replace(tracker, settled=settled, proven=proven, steady=steady, read_s=read_s)

    def _cannot_be_on_the_way(self, before: FilterState, row: Row) -> Shortfall | None:
        """A reading on the way after a turn or a change of rate, far leaner than any way there: air in the sample.

        A start is left out, as its display comes from clean air; so is a turn at a rate that was not read before it.
        """
        if self.at_change is None or not self.at_change.states[-1].known_before or self._shows_settled(before, row):
            return None
        turned = self.changed_s.get("firing", -math.inf) <= max(
            self.changed_s.get(screw, -math.inf) for screw in SCREWS
        )
        if turned and row.event.firing not in self.read_s:
            return None
        found = shortfall(self.at_change, row, line_proved=False)
        if found and (
            found.chance < self.setup.policy.unlikely_shortfall_chance if turned else jump(self.at_change, row)
        ):
            return found
        return None

    def _with_shortfall(self, before: FilterState, row: Row) -> "Tracker":
        """The first settled reading after a turn, kept as a shortfall where it is one."""
        turned_s = max((at_s for what, at_s in self.changed_s.items() if what in SCREWS), default=math.inf)
        proved = self.line_proved_s > turned_s
        found = shortfall(self.at_change or before, row, line_proved=proved)
        if not found:
            return self
        tracker = replace(self, shortfalls=(*self.shortfalls, found))
        if proved:  # it is so: nothing known before is held against the next reading
            return replace(tracker, came_back=None)
        return replace(tracker, clean=tracker.clean or tracker.at_change)

    def _told_apart(self, belief: FilterState, clean: FilterState, row: Row) -> tuple[FilterState, FilterState | None]:
        """With the line proved tight: the state that the settled reading bears out; both until there is one.

        Back up where it was to be expected: the line had leaked when CO2 fell, and a hose was pushed on.
        """
        if row.event.firing != self.shortfalls[-1].firing or not self._shows_settled(belief, row):
            return belief, clean.after(row.event)
        return min(belief, clean, key=lambda either: abs(compare(either, row)[2])), None

    def _changed(self, what: str, change: Callable[[FilterState], FilterState], row: Row) -> "Tracker":
        belief = change(self.belief)
        clean = self.clean and change(self.clean)
        came_back = belief if what == "firing" else None
        changed_s = {**self.changed_s, what: row.at_s}
        return replace(self, belief=belief, at_change=belief, clean=clean, came_back=came_back, changed_s=changed_s)

    def _shows_settled(self, belief: FilterState, row: Row) -> bool:
        # half a second for clocks that write whole seconds
        waited = row.at_s >= self.counts_from_s - 0.5
        return waited and belief.settled_chance(row.at_s) >= self.setup.policy.accepted_chance

    @property
    def earliest_s(self) -> float:
        """Moment from which the shortest waits after every change are over, s since 1970."""
        waits = self.setup.min_wait_s
        return max((at_s + waits[what] for what, at_s in self.changed_s.items()), default=0.0)

    @property
    def start_over_s(self) -> float:
        """Moment from which the wait after the latest start is over, s since 1970."""
        return self.started_s + limits.START_WAIT_S

    @property
    def counts_from_s(self) -> float:
        """Moment from which a reading may count as settled: after all of these waits, s since 1970."""
        return max(self.earliest_s, self.start_over_s)


def _outside_plate(setup: JobSetup, check: Event) -> bool:
    """Whether a logged gas pressure lies outside the data plate's range, or can't be read."""
    low, high, _ = setup.pressures[check.item]
    try:
        return not low <= pressure_in_plate_unit(setup, check) <= high
    except RangeError:
        return True


def _fresh_start(belief: FilterState) -> FilterState:
    """Keep the gains, let both levels move: what a check explained may have changed them."""
    posterior = belief.posterior
    var = belief.model.setup.policy.fresh_start_sd_pct**2 / posterior.noise_var
    for index in LEVEL.values():
        direction = [1.0 if j == index else 0.0 for j in range(UNKNOWNS)]
        posterior = regression.add_process_noise(posterior, direction, var)
    return replace(belief, posterior=posterior)
