"""Any visit, sensible or not: after every event no answer goes past a limit, and `next` and `may` agree."""

import itertools
import math
from typing import Any, ClassVar

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from replay import Told

from advisor.chemistry import fuels
from advisor.decision.answers import Advice
from advisor.errors import RangeError
from advisor.screws import FIRING_FOR, FIRINGS, SCREWS

MARK = 1 / 24
LIMIT_PPM, BAR_PPM = 400.0, 200.0  # air-free: published limit (ANSI/BPI-1200-S-2017 [S]); over the latter never richer
LEAST_WAIT_S = {"offset": 60.0, "throttle": 60.0, "firing": 30.0, "start": 120.0}
STALE_S = 15 * 60.0
SIZES = (-1 / 4, -1 / 12, -MARK, MARK, 1 / 12)
WRONG = {"sample line": "leaking", "CO alarm": "no", "gas off": "no", "opened joints": "leaking", "water trap": "no"}
RIGHT = {"sample line": "tight", "CO alarm": "yes", "gas off": "yes", "opened joints": "tight", "water trap": "yes"}
SETUPS = st.fixed_dictionaries(
    {},
    optional={
        "clockwise": st.sampled_from([{"offset": "leaner"}, {"throttle": "leaner"}, {"throttle": "unknown"}]),
        "co_limit_ppm_air_free": st.sampled_from([100.0, 150.0, 350.0]),
        "cap_turns": st.sampled_from([{"offset": MARK, "throttle": MARK}, {"offset": 1 / 16}]),
        "travel_limit_turns": st.just({"offset": 1 / 4, "throttle": 1 / 4}),
    },
)


HAPPENS = st.one_of(
    st.tuples(
        st.just("reads_anything"), st.sampled_from([0.1, 5.0, 8.3, 9.2, 10.8]),
        st.sampled_from([None, 0.3, 4.6, 6.2, 20.8]), st.sampled_from([None, 20.0, 300.0, 3000.0]),
        st.sampled_from(FIRINGS),
    ),
    st.tuples(
        st.just("co_alone"), st.sampled_from([10.0, 60.0, 150.0, 230.0, 900.0, 2500.0]), st.sampled_from([1, 20, 130]),
    ),
    st.tuples(st.just("co_jumps"), st.sampled_from([30.0, 150.0, 500.0])),
    st.tuples(st.just("runs_at"), st.sampled_from([*FIRINGS, *FIRINGS, "off"]), st.sampled_from([1, 40, 150])),
    st.tuples(st.just("waits"), st.sampled_from([10, 60, 130, 600, 16 * 60, 5 * 3600])),
    st.tuples(st.just("finds_wrong"), st.sampled_from(sorted(WRONG))),
    st.sampled_from([("says", "cause of CO", "mended"), ("says", "throttle clockwise", "richer")]),
    st.tuples(st.just("skips"), st.sampled_from(["before", "valve", "gas pressure", "high fire", "proof"])),
)  # fmt: skip


class AnyVisit(RuleBasedStateMachine):
    """A job told event by event beside a plain account of what was logged: the rules hold by that account."""

    steps: ClassVar[int] = 0

    @initialize(
        stated=SETUPS, high=st.floats(7.5, 10.0), low=st.floats(7.5, 10.0), gain=st.sampled_from([1.0, 4.0, 9.0])
    )
    def begins(self, stated: dict[str, Any], high: float, low: float, gain: float) -> None:
        self.told, self.shows = Told(**stated), {"high": high, "low": low}
        self.gain, self.co_more = gain, 0.0
        self.way = {**dict.fromkeys(SCREWS, "richer"), **stated.get("clockwise", {})}
        self.bar_ppm = min(BAR_PPM, LIMIT_PPM, stated.get("co_limit_ppm_air_free", LIMIT_PPM))

    # ---- what happens

    def read_here(self, level: float = 0, *, whole: bool = True) -> None:
        """A reading as this boiler would show it, CO so many times 5 ppm more."""
        if running := self.told.situation.firing:
            co2 = round(min(max(self.shows[running], 3.5), 11.5), 1)
            co = 5.0 * level + 20.0 * max(1.0, 4 ** ((co2 - 10.3) / 0.3)) + self.co_more
            self.told.bare(running, co2, round(fuels.NATURAL_GAS.o2_from_co2_pct(co2), 1), round(co) if whole else None)

    @rule(wait_s=st.sampled_from([5, 35, 70, 130]), level=st.sampled_from([0, 0, 1, 5, 30, 200]), whole=st.booleans())
    def reads(self, wait_s: float, level: float, whole: bool) -> None:
        self.told.wait(wait_s)
        self.read_here(level, whole=whole)

    @rule(event=HAPPENS)
    def happens(self, event: tuple[Any, ...]) -> None:
        getattr(self, event[0])(*event[1:])

    def reads_anything(self, co2: float, o2: float | None, co: float | None, firing: str) -> None:
        """A slip, another rate than the one that runs, a probe in air, a rich flame."""
        self.told.wait(20).bare(firing, co2, o2, co)

    def co_alone(self, co_ppm: float, wait_s: float) -> None:
        self.told.wait(wait_s).job.co(co_ppm, at=self.told.now)
        self.told.wait(1)

    def co_jumps(self, more_ppm: float) -> None:
        self.co_more = more_ppm

    def runs_at(self, firing: str, wait_s: float) -> None:
        self.told.wait(wait_s).run_at(firing).wait(1)

    def waits(self, wait_s: float) -> None:
        self.told.wait(wait_s)

    def finds_wrong(self, item: str) -> None:
        self.told.wait(2).check(item, WRONG[item]).wait(1)

    def says(self, item: str, value: str) -> None:
        self.told.wait(2).check(item, value).wait(1)
        if item == "throttle clockwise":
            self.way["throttle"] = value

    def skips(self, stage: str) -> None:
        self.told.skip(stage)

    @rule(times=st.integers(2, 8))
    def does_as_advised(self, times: int) -> None:
        """Event by event; at a stop what is wrong is put right."""
        for _ in range(times):
            advice = self.told.next()
            if advice.action == "turn":
                self.turned(str(advice.screw), advice.turns_cw or 0.0)
            elif advice.action == "run_at":
                self.told.run_at(str(advice.firing)).wait(1)
            elif advice.action == "read":
                self.read_here()
            elif advice.action == "halt":
                self.mends()
            self.told.wait(advice.wait_s or 0.0)
            self.every_answer_keeps_the_rules()

    @rule(times=st.integers(2, 8))
    def goes_on(self, times: int) -> None:
        self.does_as_advised(times)

    def mends(self) -> None:
        """Wrong answers put right, what CO came from, a rich flame leaner; lit again, and a reading."""
        for item, wrong in WRONG.items():
            if self.answer(item) == wrong:
                self.told.wait(2).check(item, RIGHT[item]).wait(1)
        self.co_more = 0.0
        for screw, firing in (("throttle", "high"), ("offset", "low")):
            size = -1 / 12 if self.is_richer(screw, 1 / 12) else 1 / 12
            if self.shows[firing] > 10 and self.told.may(screw, size).allowed:
                self.turned(screw, size)
        if self.told.situation.firing is None:
            self.told.run_at("high")
        self.told.wait(180)
        self.read_here()

    @precondition(lambda self: self.told.situation.was_lit)
    @rule(
        screw=st.sampled_from(SCREWS),
        marks=st.sampled_from([-6, -3, -2, -1, 1, 2, 3, 6]),
        wait_s=st.sampled_from([1, 5, 150]),
    )
    def turns(self, screw: str, marks: int, wait_s: float) -> None:
        """A turn that nobody advised, at any rate, burner off too."""
        self.told.wait(wait_s)
        self.turned(screw, marks / 24)

    @precondition(lambda self: self.told.situation.of("turn"))
    @rule(part=st.sampled_from([0.5, 1.0, 1.0]))
    def turns_back(self, part: float) -> None:
        last = self.told.situation.of("turn")[-1].event
        self.turned(str(last.screw), -part * (last.turns_cw or 0.0))

    def turned(self, screw: str, turns_cw: float) -> None:
        self.told.turn(screw, turns_cw).wait(1)
        self.moved(screw, turns_cw)

    def moved(self, screw: str, turns_cw: float) -> None:
        sign = -1 if self.way[screw] == "leaner" else 1
        for firing in FIRINGS if screw == "throttle" else ("low",):
            self.shows[firing] += sign * self.gain * turns_cw

    @precondition(lambda self: self.told.job.rows())
    @rule(data=st.data(), why=st.sampled_from(["", "mistyped"]))
    def strikes(self, data: st.DataObject, why: str) -> None:
        """Any row; a turn that is struck was not made."""
        numbers = [row.number for row in self.told.situation.rows]
        number = data.draw(st.sampled_from(numbers[-3:]))
        event = self.told.job.events[number - 1]
        try:
            self.told.wait(1).void(number, why).wait(1)
        except RangeError:
            assert not why
            assert event.co_ppm is not None
            return
        if event.event == "turn":
            self.moved(str(event.screw), -(event.turns_cw or 0.0))

    # ---- the account of it

    def rows(self, *kinds: str) -> list[Any]:
        return [row for row in self.told.situation.rows if row.event.event in kinds]

    def answer(self, item: str) -> str:
        """The last answer to a check; "" where there is none."""
        return next((row.event.value for row in reversed(self.rows("check")) if row.event.item == item), "")

    @property
    def burner_off(self) -> bool:
        """Whether the last word on the burner is that it is off; a reading of a flame says it was lit."""
        last = [row.event for row in self.rows("firing", "reading") if row.event.firing and not self.dark(row.event)]
        return not last or last[-1].firing == "off"

    def dark(self, event: Any) -> bool:
        """Whether a reading shows no flame: of CO alone, or mostly of air."""
        return event.event == "reading" and (event.co2_pct is None or event.co2_pct < 3.0 or self.in_air(event))

    @staticmethod
    def in_air(event: Any) -> bool:
        """Whether a reading is of a sample that is mostly air."""
        return (event.co2_pct is not None and event.co2_pct < 1.0) or (event.o2_pct or 0.0) > 19.0

    def read_at(self, firing: str, since_s: float = 0.0) -> list[Any]:
        """The readings of a flame at a rate since a moment."""
        rows = [row for row in self.rows("reading") if row.event.firing == firing and row.at_s >= since_s]
        return [row for row in rows if not self.in_air(row.event)]

    def with_co(self, firing: str, since_s: float = 0.0) -> list[Any]:
        return [row for row in self.read_at(firing, since_s) if row.event.co_ppm is not None]

    @property
    def ready_s(self) -> float:
        """Moment before which no reading counts: the least waits after every turn, change of rate and start."""
        moments, burning = [0.0], False
        for row in self.rows("turn", "firing"):
            start = row.event.event == "firing" and not burning
            moments.append(row.at_s + LEAST_WAIT_S["start" if start else row.event.screw or "firing"])
            burning = row.event.firing != "off" if row.event.event == "firing" else burning
        return max(moments) - 1

    def air_free_ppm(self, event: Any) -> float:
        """CO x 20.9 / (20.9 - O2) with the O2 read, else that of the CO2 read, else of the lean edge of the band."""
        co2 = event.co2_pct if event.co2_pct is not None else self.told.job.setup.bands[event.firing][0]
        o2 = event.o2_pct if event.o2_pct is not None else fuels.NATURAL_GAS.o2_from_co2_pct(co2)
        return float(event.co_ppm * 20.9 / (20.9 - o2))

    def co_last(self, firing: str) -> float:
        """The last CO of a flame at a rate, ppm air-free; endless where one that was high was struck since."""
        rows = self.with_co(firing)
        struck = [
            each.by.number
            for each in self.told.situation.struck
            if each.row.event.firing == firing and each.row.event.co_ppm is not None and not self.in_air(each.row.event)
            if self.air_free_ppm(each.row.event) > self.bar_ppm
        ]
        if any(number > max([row.number for row in rows], default=0) for number in struck):
            return math.inf
        return self.air_free_ppm(rows[-1].event) if rows else 0.0

    def is_richer(self, screw: str, turns_cw: float) -> bool:
        """Whether a turn may be richer: by the way that is stated; of an unstated one what the job holds for sure."""
        if self.way[screw] == "unknown":
            setting = self.told.setting(FIRING_FOR[screw])
            return not setting.direction_sure or setting.richer(turns_cw)
        return (turns_cw > 0) == (self.way[screw] == "richer")

    # ---- what must never be

    @invariant()
    def every_answer_keeps_the_rules(self) -> None:
        if not hasattr(self, "told"):
            return
        type(self).steps += 1
        advice = self.told.next()
        self.agrees(advice)
        assert not self.burner_off or advice.action in ("run_at", "halt") or advice.has("closed")
        if advice.action == "turn":
            self.turn_keeps_the_rules(str(advice.screw), advice.turns_cw or 0.0)
        if advice.action == "finish" and not advice.has("closed"):
            assert not advice.stops
            assert max(self.co_last(firing) for firing in FIRINGS) <= LIMIT_PPM

    def turn_keeps_the_rules(self, screw: str, turns_cw: float) -> None:
        firing, situation = FIRING_FOR[screw], self.told.situation
        assert not self.burner_off
        assert situation.firing == firing
        assert abs(turns_cw) <= self.told.job.setup.cap_turns[screw] + 1e-9
        settled = [row for row in self.read_at(firing, self.ready_s) if row.event.co2_pct is not None]
        assert settled, "on no settled reading"
        assert situation.at_s - settled[-1].at_s <= STALE_S
        for item, wrong in WRONG.items():
            assert self.answer(item) != wrong, item
        if self.is_richer(screw, turns_cw):
            assert self.with_co(firing, self.ready_s), "without CO"
            assert self.co_last(firing) <= self.bar_ppm
            assert screw == "offset" or self.co_last("low") <= self.bar_ppm

    def agrees(self, advice: Advice) -> None:
        """What is advised may be done; what may be done without being advised leads out of CO, not into it."""
        if advice.action == "turn":
            assert self.told.may(str(advice.screw), advice.turns_cw or 0.0).allowed
        for screw, size in itertools.product(SCREWS, SIZES):
            verdict = self.told.may(screw, size)
            assert verdict.why
            if verdict.allowed and verdict.why[0].code.startswith("way-out"):
                self.leads_out(screw, size)
            elif verdict.allowed:
                assert (advice.action, advice.screw) == ("turn", screw)
                self.turn_keeps_the_rules(screw, size)

    def leads_out(self, screw: str, turns_cw: float) -> None:
        """A turn leaner within the cap in all, or the last one undone: richer only to where CO was read and clean."""
        turns, firing = self.rows("turn"), FIRING_FOR[screw]
        undone = -turns_cw / turns[-1].event.turns_cw if turns and turns[-1].event.screw == screw else 0.0
        if not 0 < undone <= 1 + 1e-6:
            assert not self.is_richer(screw, turns_cw)
            read = [row for row in self.read_at(firing) if row.event.co2_pct is not None]
            since = [row.event.turns_cw for row in turns if row.event.screw == screw and row.at_s > read[-1].at_s]
            leaner = max(sum(since) * math.copysign(1.0, turns_cw), 0.0)
            assert abs(turns_cw) + leaner <= self.told.job.setup.cap_turns[screw] + 1e-9
        elif self.is_richer(screw, turns_cw):
            since_s = turns[-2].at_s if len(turns) > 1 else 0.0
            read = [row for row in self.with_co(firing, since_s) if row.at_s < turns[-1].at_s]
            assert read
            assert self.air_free_ppm(read[-1].event) <= self.bar_ppm


def visits(most: int, steps: int) -> None:
    run_state_machine_as_test(
        AnyVisit,
        settings=settings(
            max_examples=most, stateful_step_count=steps, deadline=None, derandomize=True, database=None,
            report_multiple_bugs=False, suppress_health_check=list(HealthCheck),
        ),
    )  # fmt: skip


def test_no_answer_at_any_moment_of_any_visit_breaks_a_rule() -> None:
    """Random visits with CO jumps, burner off, wrong-rate turns, skipped checks and struck rows."""
    visits(4, 15)


@pytest.mark.slow
def test_no_answer_of_ten_thousand_moments_breaks_a_rule() -> None:
    """The same at full size."""
    AnyVisit.steps = 0
    visits(200, 25)
    assert AnyVisit.steps >= 10_000
