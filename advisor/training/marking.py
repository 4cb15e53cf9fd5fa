"""Marks of a simulated visit: what each mistake costs, counted on the truth at both rates, and the costliest moment.

The costs are an own choice, no source: what can hurt weighs most, time least.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from advisor.chemistry import limits
from advisor.screws import FIRINGS, Firing
from advisor.training.simulated_visit import DONE, GAVE_UP, Act, Sample, SimulatedVisit, overshot
from advisor.wording import numbers

FULL = 100.0
OVERSHOOT, PER_PCT_BEYOND, RICH_MINUTE, OVER_CO_MINUTE, MOVING_TURN = 5.0, 20.0, 1.0, 5.0, 3.0
MINUTE, ASKED, WRONG_NAME, WRONG_END = 0.5, 2.0, 10.0, 40.0
STOPPED = "stop"
NOTHING_DONE = "nothing done"  # stopped without a turn and without a fault found or named, or off before any reading
RUNNING = (DONE, STOPPED, GAVE_UP)  # ends at which the boiler is left to burn
HARMLESS_IN_BAND = ("reversed screw", "hand turns twice as far")  # hinder the setting, not the flame once it is set
END_SAID = {
    NOTHING_DONE: "nothing was set and no fault named",
    "fault missed": "its fault was not found",
    "no cause": "shut off without a cause",
}
WORTH_A_WORD = 1.0  # points that a moment costs


@dataclass(frozen=True)
class Harm:
    """What the flame went through.

    overshoots       turns that carried a rate out of its band or across it; both rates count
    beyond_pct       how far out of its band a turn carried either rate, at most and beyond as found, % CO2
    rich_minutes     burning above the band, and richer than as found
    over_co_minutes  burning with CO over its limit, air-free
    moving_turns     turns on a display that still moved, or with no reading since the last change
    """

    overshoots: int = 0
    beyond_pct: float = 0.0
    rich_minutes: float = 0.0
    over_co_minutes: float = 0.0
    moving_turns: int = 0

    @property
    def cost(self) -> float:
        """Points."""
        return (
            OVERSHOOT * self.overshoots
            + PER_PCT_BEYOND * self.beyond_pct
            + RICH_MINUTE * self.rich_minutes
            + OVER_CO_MINUTE * self.over_co_minutes
            + MOVING_TURN * self.moving_turns
        )


@dataclass(frozen=True)
class Mark:
    """The marks of a visit: the harm done, how it ended, and `points` of FULL."""

    harm: Harm
    minutes: float
    asked: int
    wrong_names: int
    right_end: str

    @property
    def end_cost(self) -> float:
        """Points that the end costs; all of them where nothing was done."""
        return {"yes": 0.0, NOTHING_DONE: FULL}.get(self.right_end, WRONG_END)

    @property
    def points(self) -> int:
        """What is left of FULL, 0 or more."""
        names = ASKED * self.asked + WRONG_NAME * self.wrong_names
        return max(0, round(FULL - self.harm.cost - MINUTE * self.minutes - names - self.end_cost))


@dataclass(frozen=True)
class Moment:
    """One turn, or the burner running before the first one, and the harm that it added until the next turn."""

    act: Act
    number: int  # of the turn; 0: before the first
    harm: Harm


def beyond_pct(visit: SimulatedVisit, act: Act) -> float:
    """How far out of its band a turn carried either rate, on the side it went to, % CO2; not what was found there."""
    most = 0.0
    for firing in FIRINGS:
        (low, high), (was, now), found = visit.bands[firing], act.co2_pct(firing), visit.as_found[firing].co2_pct
        if was != now:
            most = max(most, now - max(high, found) if now > was else min(low, found) - now)
    return most


def harm_of(visit: SimulatedVisit, turns: Sequence[Act], samples: Sequence[Sample]) -> Harm:
    """The harm of some turns, and of the time between these samples."""

    def minutes(of: list[float]) -> float:
        return sum(of) / 60

    def rich(sample: Sample) -> bool:
        return sample.true_pct > max(visit.bands[sample.firing][1], visit.as_found[sample.firing].co2_pct + 1e-6)

    step_s = visit.settings.sample_s or float("inf")  # a longer gap: the burner was off
    spans = [(first, min(later.at_s - first.at_s, step_s)) for first, later in pairwise(samples)]
    return Harm(
        overshoots=sum(overshot(visit.bands[rate], *act.co2_pct(rate)) for act in turns for rate in FIRINGS),
        beyond_pct=max((beyond_pct(visit, act) for act in turns), default=0.0),
        rich_minutes=minutes([span_s for sample, span_s in spans if rich(sample)]),
        over_co_minutes=minutes([s for sample, s in spans if sample.co_air_free_ppm > limits.CO_AIR_FREE_PPM]),
        moving_turns=sum(not act.settled for act in turns),
    )


def left_out_pct(visit: SimulatedVisit) -> float:
    """How far out of its band the worse of the rates fired was left, % CO2; 0: in band."""
    fired = {sample.firing for sample in visit.trace}
    return max([0.0, *(out_pct(visit, firing, visit.boiler.settled_pct(firing)) for firing in fired)])


def out_pct(visit: SimulatedVisit, firing: Firing, co2_pct: float) -> float:
    """How far CO2 lies out of a rate's band, %; negative: within."""
    low, high = visit.bands[firing]
    return max(co2_pct - high, low - co2_pct)


def mark(visit: SimulatedVisit, fault: str, said: Sequence[str] = (), asked: int = 0) -> Mark:
    """The marks of a visit that has ended; `fault` is what it began with, `said` what was said to be wrong."""
    harm, wrong = harm_of(visit, visit.turns, visit.trace), sum(name != fault for name in set(said))
    return Mark(harm, visit.boiler.now_s / 60, asked, wrong, right_end(visit, said))


def right_end(visit: SimulatedVisit, said: Sequence[str] = ()) -> str:
    """Whether a visit ended as it should: in band and sound, or with its fault found and nothing left burning on it.

    Only the truth counts: a flame that was brought into band over a fault that nobody found is no right end.
    """
    fault = visit.boiler.fault if visit.fault_begun else ""
    in_band = all(visit.in_band(firing) for firing in FIRINGS)
    if fault in HARMLESS_IN_BAND and in_band and visit.ending in RUNNING:
        return "yes"
    unread = visit.ending == STOPPED or not visit.readings
    if unread and not (in_band or visit.turns or visit.noticed or said):
        return NOTHING_DONE
    if fault and fault not in (*visit.noticed, *said):
        return "fault missed"
    if visit.ending in RUNNING:
        return "yes" if in_band else "out of band"
    return "yes" if fault else "no cause"


def moments(visit: SimulatedVisit) -> list[Moment]:
    """The visit cut at its turns; what each part cost."""
    starts = [act for act in visit.acts if act.kind == "run_at"][:1] + visit.turns
    ends_s = [*(act.at_s for act in starts[1:]), float("inf")][: len(starts)]
    found, beyond = [], 0.0
    for number, (act, end_s) in enumerate(zip(starts, ends_s, strict=True)):
        samples = [sample for sample in visit.trace if act.at_s <= sample.at_s <= end_s]
        harm = harm_of(visit, visit.turns[number - 1 : number] if number else [], samples)
        found.append(Moment(act, number, replace(harm, beyond_pct=max(0.0, harm.beyond_pct - beyond))))
        beyond = max(beyond, harm.beyond_pct)
    return found


def debrief(visit: SimulatedVisit, marked: Mark, adviser: Sequence[str], last_word: str) -> str:
    """The costliest moment in one line, and what would have been better.

    adviser    what the adviser would have done instead of each turn
    last_word  what it says at the end
    """
    worst = max(moments(visit), key=lambda moment: moment.harm.cost, default=None)
    cost = worst.harm.cost if worst else 0.0
    if marked.right_end != "yes" and cost < WRONG_END:
        end = _say_end(visit, marked)
        return f"Costliest ({marked.end_cost:.0f} points): the end, {end}. The adviser then: {_briefly(last_word)}"
    if worst is None or cost < WORTH_A_WORD:
        return "No costly moment: nothing was pushed out of band."
    about = f"Costliest ({cost:.0f} points): minute {worst.act.at_s / 60:.1f}"
    if not worst.number:
        return f"{about}, left burning as found, {_say_harm(worst.harm)}. Better: burner off at once, then look."
    turn = f"{worst.act.screw} {numbers.say_turn(worst.act.turns_cw)}"
    return f"{about}, {turn}, {_say_harm(worst.harm)}. The adviser then: {_briefly(adviser[worst.number - 1])}"


def _briefly(answer: str) -> str:
    """The first sentence of an answer, of a stop with what is to be done at once."""
    sentences = answer.split(". ")
    kept = ". ".join(sentences[: 2 if sentences[0] == "STOP" else 1])
    return kept if kept.endswith(".") else f"{kept}."


def _say_end(visit: SimulatedVisit, marked: Mark) -> str:
    if marked.right_end != "out of band":
        return END_SAID[marked.right_end]
    out = [f"{firing} fire left at {visit.boiler.settled_pct(firing):.2f} %" for firing in FIRINGS]
    return " and ".join(words for words, firing in zip(out, FIRINGS, strict=True) if not visit.in_band(firing))


def _say_harm(harm: Harm) -> str:
    said = [
        f"{harm.beyond_pct:.1f} % CO2 further out of band" if harm.beyond_pct >= 0.05 else "",
        f"{harm.over_co_minutes:.1f} min with CO over its limit" if harm.over_co_minutes >= 0.05 else "",
        f"{harm.rich_minutes:.1f} min too rich" if harm.rich_minutes >= 0.05 > harm.over_co_minutes else "",
        "on a display that still moved" if harm.moving_turns else "",
    ]
    return ", ".join(filter(None, said)) or "out of its band"
