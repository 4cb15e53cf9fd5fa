"""Plays a lesson on its simulated boiler: the hand's way, another way beside it, what the adviser would have said."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from advisor.chemistry import limits
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.decision.answers import Advice
from advisor.report.answers import say_stop
from advisor.response.earlier_visit import next_setup
from advisor.screws import Screw
from advisor.training.lessons import FOLLOW, Lesson
from advisor.training.simulated_visit import FACTS, START, Act, SimulatedVisit, overshot
from advisor.training.simulator import Reading
from advisor.training.strategies import PROVED_FIRST, adviser, fixed_step, follow
from advisor.wording import finding_text, numbers, reason_text
from advisor.wording.templates import Voice

ASKS = ("sample-line", "pressure-unknown")  # findings of what the adviser wants proved before any turn
UNPROVED, AS_BEFORE = "Not before it is proved.", "Not before it is proved, as said."
SAME = "The same."
FIGURE = re.compile(r"\d+(\.\d+)?")
AS_ADVISED = "This was its advice."


@dataclass(frozen=True)
class Step:
    """One numbered step of the hand, a turn or what was put right: the last reading before it, and the adviser."""

    number: int
    act: Act
    shown: Reading | None
    adviser: str

    @property
    def turn(self) -> str:
        """The turn in short; "" where nothing was turned."""
        return numbers.say_brief_turn(self.act.turns_cw) if self.act.screw else ""


@dataclass(frozen=True)
class Played:
    """A lesson played: the hand's way, the other way on the same boiler, the steps, the lesson's words with figures.

    earlier       the visit whose log the hand's starts from
    first_advice  what the hand's first turn was expected to bring, then
    """

    lesson: Lesson
    hand: SimulatedVisit
    other: SimulatedVisit
    steps: tuple[Step, ...]
    last_word: str  # what the adviser says at the end of the hand's way
    earlier: SimulatedVisit | None = None
    first_advice: Advice | None = None

    def say(self, name: str) -> str:
        """A text of the lesson with this play's figures in it."""
        text = str(getattr(self.lesson, name))
        return text.format_map(figures(self)) if "{" in text else text


@cache
def play(lesson: Lesson) -> Played:
    """Play a lesson; the same every time."""
    if lesson.earlier:
        return _play_again(lesson)
    hand, other = SimulatedVisit(lesson.boiler()), SimulatedVisit(lesson.boiler())
    if lesson.script == FOLLOW:
        adviser(hand)
        for look in PROVED_FIRST:  # the same tests, so that the minutes compare
            other.check(look)
        fixed_step(other)
        hand.name, other.name = "The hand, following the adviser", "A fixed step of 1/12 turn"
        asked = [AS_ADVISED] * len(hand.turns)
    else:
        hand.name, other.name = "The hand", "The adviser's way, same boiler"
        asked = _follow_script(hand, lesson.script)
        for look in lesson.looks:
            other.check(look)
            if other.found:
                other.mend()
        adviser(other)
    return Played(lesson, hand, other, tuple(steps(hand, asked)), last_word(hand))


def _play_again(lesson: Lesson) -> Played:
    """A second visit a year later that starts from the log of the first, and one that starts from an empty log."""
    first = adviser(SimulatedVisit(replace(lesson, **lesson.earlier).boiler()))
    known = next_setup(first.job.situation(first.job.ended), "service", "the first visit")
    empty = {**FACTS, "visit": known.visit}
    from_log = {**empty, **{name: getattr(known, name) for name in ("prior", "prior_source", "clockwise")}}
    hand, other = (
        SimulatedVisit(lesson.boiler(), facts, start=START.replace(year=START.year + 1)) for facts in (from_log, empty)
    )
    first.name, hand.name, other.name = (
        "The first visit",
        "A year later, from its log",
        "A year later, from an empty log",
    )
    for look in PROVED_FIRST:
        hand.check(look)
    advice = follow(hand, "turn")
    adviser(hand, prepared=False)
    adviser(other)
    asked = [AS_ADVISED] * len(hand.turns)
    return Played(lesson, hand, other, tuple(steps(hand, asked)), last_word(hand), first, advice)


def _follow_script(visit: SimulatedVisit, script: str) -> list[str]:
    """Do the script; returns what the adviser would have said to each turn just before it."""
    asked: list[str] = []
    said: set[str] = set()
    for command in script.split("; "):
        if command.startswith("turn "):
            asked.append(answer(visit, *visit.parsed_turn(command.split()[1:]), said))
        visit.do(command)
    return asked


def steps(visit: SimulatedVisit, asked: list[str]) -> Iterator[Step]:
    """The numbered steps of a hand; `asked`: what the adviser would have said to each turn."""
    shown, answers, number = None, iter(asked), 0
    for act in visit.acts:
        shown = act.shown or shown
        if act.firing and act.kind in ("turn", "mend"):
            number += 1
            yield Step(number, act, shown, next(answers) if act.screw else "")


def last_word(visit: SimulatedVisit, voice: Voice = "log") -> str:
    """What the adviser says now, in short."""
    return _shortly(visit.job.next(visit.at), voice)


def answer(visit: SimulatedVisit, screw: Screw, turns_cw: float, said: set[str], voice: Voice = "log") -> str:
    """What the adviser would have said to a turn: first what to do, then why; `said` holds what was told before."""
    advice, verdict = visit.job.next(visit.at), visit.job.may(screw, turns_cw, visit.at)
    if advice.action == "halt":
        return _shortly(advice, voice)
    why = f"No. {_shortly(advice, voice) if advice.action == 'read' else verdict.reasons[0]}"
    unproved = [finding_text(finding, voice) for finding in advice.findings if finding.code in ASKS]
    if unproved:
        fresh = [text for text in unproved if text not in said]
        said.update(fresh)
        even_then = [] if verdict.allowed else [f"And then: {why}"]
        return " ".join([UNPROVED if fresh else AS_BEFORE, *fresh, *even_then])
    if verdict.allowed:
        return "Yes."
    return f"{why} {_shortly(advice, voice)}" if advice.action == "turn" else why


def _shortly(advice: Advice, voice: Voice) -> str:
    """The adviser's answer in short; a stop is never cut: what to do at once leads where the flame is dangerous."""
    match advice.action:
        case "turn" if advice.screw and advice.turns_cw:
            return f"Turn the {advice.screw} screw {numbers.say_turn(advice.turns_cw)}."
        case "wait":
            return f"Wait {numbers.say_seconds(advice.wait_s or 0)} more, then read."
        case "read":
            return f"Read again. {_reason(advice, voice)}"
        case "run_at":
            return f"Change to {advice.firing} fire. {_reason(advice, voice)}"
        case "finish":
            return "Done: both rates are in band."
    stop = advice.stops[0]
    return say_stop(stop, voice)


def _reason(advice: Advice, voice: Voice) -> str:
    return reason_text(advice.why[0].code, advice.why[0].data, voice)


def what_the_adviser_said(played: Played) -> tuple[tuple[str, str], ...]:
    """What the adviser would have said to each turn: (steps and turn, answer); then at the end.

    An answer that differs from the one before in its figures at most is not said again.
    """
    said: list[tuple[list[int], str, str]] = []
    for step in filter(lambda step: step.turn, played.steps):
        if said and said[-1][1:] == (step.turn, step.adviser) and said[-1][0][-1] == step.number - 1:
            said[-1][0].append(step.number)
        else:
            said.append(([step.number], step.turn, step.adviser))
    counted = [(f"{n[0]}{f'-{n[-1]}' if len(n) > 1 else ''}: {turn}", answer) for n, turn, answer in said]
    counted.append(("At the end", played.last_word))
    bare = ["", *(FIGURE.sub("", answer) for _, answer in counted)]
    return tuple(
        (turn, SAME if now == before else answer)
        for (turn, answer), before, now in zip(counted, bare, bare[1:], strict=False)
    )


def figures(played: Played) -> dict[str, Any]:
    """The figures that the texts of a lesson may hold: of the hand's way, and with `other_` of the other."""
    hand, score, readings = played.hand, played.hand.score(), played.hand.readings
    low, high = hand.bands["high"]
    found: dict[str, Any] = {
        **_outcome(hand),
        **{f"other_{name}": value for name, value in _outcome(played.other).items()},
        "limit": limits.CO_AIR_FREE_PPM,
        "found_high": played.lesson.boiler().settled_pct("high"),
        "below": low - score.left_pct["high"],
        "past": score.peak_co2_pct - high,
        "o2": readings[-1].o2_pct,
        "o2_right": NATURAL_GAS.o2_from_co2_pct(min(readings[-1].co2_pct, NATURAL_GAS.co2_max_pct)),
        "peak_low": max(hand.true_pct("low"), default=0.0),
        "travel": numbers.say_fraction(sum(turn.turns_cw for turn in hand.turns)),
        "co_share": max(act.after[act.firing].co_ppm for act in hand.acts if act.firing) / 10_000,
    }
    if (earlier := played.earlier) and (advice := played.first_advice):
        found |= {f"earlier_{name}": value for name, value in _outcome(earlier).items()}
        found |= {"expected": advice.expect_co2_pct, "expected_low": advice.expect_low_pct}
        found |= {"expected_high": advice.expect_high_pct}
    found |= {f"shown_{number}": reading.co2_pct for number, reading in enumerate(readings, 1)}
    found |= {f"before_{step.number}": step.shown.co2_pct for step in played.steps if step.shown}
    for number, turn in enumerate(hand.turns, 1):
        before, after = turn.co2_pct()
        found |= {f"true_{number}": after, f"moved_{number}": abs(after - before)}
    return found


def _outcome(visit: SimulatedVisit) -> dict[str, Any]:
    score = visit.score()
    return {
        "minutes": score.minutes,
        "turns": _counted(score.turns),
        "turn_1": numbers.say_brief_turn(visit.turns[0].turns_cw) if visit.turns else "",
        "turns_high": _counted(sum(turn.firing == "high" for turn in visit.turns)),
        "unsettled": score.unsettled_turns,
        "overshoots": score.overshoots,
        "beyond": score.beyond_pct,
        "peak": score.peak_co2_pct,
        "least": min(sample.true_pct for sample in visit.trace),
        "co": score.peak_co_air_free_ppm,
        "left_high": score.left_pct["high"],
        "left_low": score.left_pct["low"],
        "lost": _minutes_lost(visit),
    }


def _counted(turns: int) -> str:
    return {0: "no turn", 1: "1 turn"}.get(turns, f"{turns} turns")


def _minutes_lost(visit: SimulatedVisit) -> float:
    """Minutes from the first turn out of the band, or across it, until the flame was in it again, or the end."""
    for turn in visit.turns:
        low, high = band = visit.bands[turn.running]
        if overshot(band, *turn.co2_pct()):
            later = [sample for sample in visit.trace if sample.at_s > turn.at_s]
            back_s = [s.at_s for s in later if s.firing == turn.firing and low <= s.true_pct <= high]
            return (min(back_s, default=later[-1].at_s) - turn.at_s) / 60
    return 0.0
