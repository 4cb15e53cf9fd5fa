"""Plays a lesson on its made-up boiler: the hand's way, another way beside it, what the adviser would have said."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from advisor.chemistry import limits
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.decision.answers import Advice, Verdict
from advisor.job import Job
from advisor.log.check_items import MENDED
from advisor.messages import Finding
from advisor.training.lessons import FOLLOW, Lesson
from advisor.training.simulated_visit import FACTS, MadeVisit, Point, Score, Trace
from advisor.training.simulator import Reading
from advisor.training.strategies import PROVED_FIRST, advised, fixed_step
from advisor.wording import at_once, numbers, past_text

ASKS = ("sample-line", "pressure-unknown")  # what the adviser wants proved before any turn
UNPROVED, AS_BEFORE = "Not before it is proved.", "Not before it is proved, as said."
AS_ADVISED = "This was its advice."
OFF = "burner off"  # said by the steps that lead a dangerous stop


@dataclass(frozen=True)
class Run:
    """One way through a lesson: what was done, the course of display and truth, what it came to."""

    name: str
    points: tuple[Point, ...]
    trace: Trace
    score: Score

    @property
    def turns(self) -> tuple[Point, ...]:
        """The points at which a screw was turned."""
        return tuple(point for point in self.points if point.turned)


@dataclass(frozen=True)
class Step:
    """One numbered step of the hand: its moment, what it did, display before it, truth before and after, the adviser.

    hand in words; screw, and turn as typed, empty where nothing was turned
    shown  the last reading before it; before_pct, after_pct in dry volume percent CO2, co_air_free_ppm after it: truth
    """

    number: int
    at_s: float
    hand: str
    screw: str
    turn: str
    shown: Reading | None
    before_pct: float
    after_pct: float
    co_air_free_ppm: float
    adviser: str


@dataclass(frozen=True)
class Played:
    """A lesson played: the hand's way, the other way on the same boiler, the steps, the lesson's words with figures."""

    lesson: Lesson
    hand: Run
    other: Run
    steps: tuple[Step, ...]
    last_word: str  # what the adviser says at the end of the hand's way

    def say(self, name: str) -> str:
        """A text of the lesson with this play's figures in it."""
        return str(getattr(self.lesson, name)).format_map(figures(self))


@cache
def play(lesson: Lesson) -> Played:
    """Play a lesson; the same every time."""
    hand, other = (MadeVisit(lesson.boiler(), Job(**FACTS)) for _ in range(2))
    if lesson.script == FOLLOW:
        advised(hand)
        for look in PROVED_FIRST:  # the same tests, so that the minutes compare
            other.check(look)
        fixed_step(other)
        names, asked = ("The hand, following the adviser", "A fixed step of 1/12 turn"), [AS_ADVISED] * hand.moves
    else:
        asked = _follow_script(hand, lesson.script)
        advised(other)
        names = ("The hand", "The adviser's way, same boiler")
    last_word = _shortly(hand.job.next(hand.at))
    return Played(lesson, _run(names[0], hand), _run(names[1], other), _steps(hand.points, asked), last_word)


def _run(name: str, visit: MadeVisit) -> Run:
    return Run(name, tuple(visit.points), visit.trace(), visit.score())


def _follow_script(visit: MadeVisit, script: str) -> list[str]:
    """Do the script; returns what the adviser would have said to each turn just before it."""
    asked: list[str] = []
    said: set[str] = set()
    for command in script.split("; "):
        if command.startswith("turn "):
            advice = visit.job.next(visit.at)
            screw, turns_cw = visit.parsed_turn(command.split()[1:])
            verdict = visit.job.may(screw, turns_cw, visit.at)
            unproved = [finding.text for finding in advice.findings if finding.code in ASKS]
            asked.append(_answer(verdict, advice, unproved, said))
        visit.do(command)
    return asked


def _steps(points: Sequence[Point], asked: Sequence[str]) -> tuple[Step, ...]:
    """The turns, and what was found and put right, numbered."""
    steps: list[Step] = []
    shown, answers = None, iter(asked)
    for point in points:
        shown = point.shown or shown
        if point.before and point.flame and (point.turned or point.seen.startswith(MENDED)):
            steps.append(
                Step(
                    number=len(steps) + 1,
                    at_s=point.at_s,
                    hand=_hand(point),
                    screw=point.turned[0] if point.turned else "",
                    turn=_short_turn(point),
                    shown=shown,
                    before_pct=point.before.co2_pct,
                    after_pct=point.flame.co2_pct,
                    co_air_free_ppm=point.flame.co_air_free_ppm,
                    adviser=next(answers) if point.turned else "",
                )
            )
    return tuple(steps)


def _hand(point: Point) -> str:
    if not point.turned:
        return point.seen.rstrip(".")
    screw, turns_cw = point.turned
    return f"{screw} {numbers.say_fraction(turns_cw)} turn {'clockwise' if turns_cw > 0 else 'counterclockwise'}"


def _short_turn(point: Point) -> str:
    if not point.turned:
        return ""
    return f"{numbers.say_fraction(point.turned[1])} {'cw' if point.turned[1] > 0 else 'ccw'}"


def _answer(verdict: Verdict, advice: Advice, unproved: Sequence[str], said: set[str]) -> str:
    """What the adviser would have said to a turn: first what to do, then why; `said` holds what was told before."""
    if advice.action == "halt":
        return _shortly(advice)
    why = _shortly(advice) if advice.action == "read" else verdict.reasons[0]
    if unproved:
        fresh = [text for text in unproved if text not in said]
        said.update(fresh)
        even_then = [] if verdict.allowed else [f"And then: {_no(why)}"]
        return " ".join([UNPROVED if fresh else AS_BEFORE, *fresh, *even_then])
    if verdict.allowed:
        return "Yes."
    return f"{_no(why)} {_shortly(advice)}" if advice.action == "turn" else _no(why)


def _no(why: str) -> str:
    return why if why.startswith("No ") else f"No. {why}"


def _shortly(advice: Advice) -> str:
    match advice.action:
        case "turn" if advice.screw and advice.turns_cw:
            way = "clockwise" if advice.turns_cw > 0 else "counterclockwise"
            return f"Turn the {advice.screw} screw {numbers.say_fraction(advice.turns_cw)} turn {way}."
        case "wait":
            return f"Wait {numbers.say_seconds(advice.wait_s or 0)} more, then read."
        case "read":
            return f"Read again. {advice.reasons[0]}"
        case "run_at":
            return f"Change to {advice.firing} fire. {advice.reasons[0]}"
        case "finish":
            return "Done: both rates are in band."
    return _stop(next(finding for finding in advice.findings if finding.severity == "halt"))


def _stop(finding: Finding) -> str:
    """A stop, never cut: what to do at once leads where the flame is dangerous."""
    first = at_once(finding.code)
    return " ".join(["STOP.", *first, past_text(finding) if first else finding.text])


def what_the_adviser_said(played: Played) -> tuple[tuple[str, str], ...]:
    """What the adviser would have said to each turn: (steps and turn, answer), like ones once; then at the end."""
    said: list[tuple[list[int], str, str]] = []
    for step in played.steps:
        if step.adviser and said and said[-1][1:] == (step.turn, step.adviser) and said[-1][0][-1] == step.number - 1:
            said[-1][0].append(step.number)
        else:
            said.append(([step.number], step.turn or "no turn", step.adviser or f"({step.hand}.)"))
    counted = [(f"{n[0]}{f'-{n[-1]}' if len(n) > 1 else ''}: {turn}", answer) for n, turn, answer in said]
    return (*counted, ("At the end", played.last_word))


def figures(played: Played) -> dict[str, Any]:
    """The figures that the texts of a lesson may hold: of the hand's way, and with `other_` of the other."""
    hand, lesson = played.hand, played.lesson
    bands: dict[str, tuple[float, float]] = FACTS["bands"]
    readings = [point.shown for point in hand.points if point.shown]
    found: dict[str, Any] = {
        **_outcome(hand),
        **{f"other_{name}": value for name, value in _outcome(played.other).items()},
        "limit": limits.CO_AIR_FREE_PPM,
        "found_high": lesson.boiler().settled_pct("high"),
        "below": bands["high"][0] - hand.score.left_pct["high"],
        "past": hand.score.peak_co2_pct - bands["high"][1],
        "o2": readings[-1].o2_pct,
        "o2_right": NATURAL_GAS.o2_from_co2_pct(min(readings[-1].co2_pct, NATURAL_GAS.co2_max_pct)),
        "peak_low": max(_true_at(hand, "low"), default=0.0),
        "travel": numbers.say_fraction(sum(point.turned[1] for point in hand.turns if point.turned)),
        "co_share": max(point.flame.co_ppm for point in hand.points if point.flame) / 10_000,
    }
    found |= {f"shown_{number}": reading.co2_pct for number, reading in enumerate(readings, 1)}
    found |= {f"before_{step.number}": step.shown.co2_pct for step in played.steps if step.shown}
    for number, point in enumerate(hand.turns, 1):
        if point.before and point.flame:
            found[f"true_{number}"] = point.flame.co2_pct
            found[f"moved_{number}"] = abs(point.flame.co2_pct - point.before.co2_pct)
    return found


def _true_at(run: Run, rate: str) -> list[float]:
    """The true CO2 while this rate was fired, %."""
    trace = run.trace
    return [true for firing, true in zip(trace.firing, trace.true_pct, strict=True) if firing == rate]


def _outcome(run: Run) -> dict[str, Any]:
    score = run.score
    return {
        "minutes": score.minutes,
        "turns": _counted(score.moves),
        "turns_high": _counted(sum(point.firing == "high" for point in run.turns)),
        "unsettled": score.unsettled_moves,
        "overshoots": score.overshoots,
        "beyond": score.beyond_pct,
        "peak": score.peak_co2_pct,
        "least": min(run.trace.true_pct),
        "co": score.peak_co_air_free_ppm,
        "left_high": score.left_pct["high"],
        "left_low": score.left_pct["low"],
        "lost": _minutes_lost(run),
    }


def _counted(turns: int) -> str:
    return {0: "no turn", 1: "1 turn"}.get(turns, f"{turns} turns")


def _minutes_lost(run: Run) -> float:
    """Minutes from the first turn out of the band, or across it, until the flame was in it again, or the end."""
    bands: dict[str, tuple[float, float]] = FACTS["bands"]
    for point in run.turns:
        low, high = bands[point.firing or "high"]
        before, after = (flame.co2_pct if flame else low for flame in (point.before, point.flame))
        if after > high >= before or after < low <= before:
            back = [
                at_s
                for at_s, firing, true in zip(run.trace.at_s, run.trace.firing, run.trace.true_pct, strict=True)
                if at_s > point.at_s and firing == point.firing and low <= true <= high
            ]
            return (min(back, default=run.trace.at_s[-1]) - point.at_s) / 60
    return 0.0
