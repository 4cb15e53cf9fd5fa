"""What is asked, and the words that mean the same at every prompt."""

import re
from typing import Literal, NamedTuple

from advisor.decision.answers import Advice
from advisor.diagnosis.carbon_monoxide import stops_for_co
from advisor.log.check_items import ALARM_SOUNDS, CO_LIMIT, COVER, GAS_SMELL, OUTCOME, SAMPLE_LINE, plate_unit
from advisor.messages import Finding, Reason
from advisor.procedure.stages import Question
from advisor.report.answers import PUBLISHED_CO
from advisor.response.situation import Situation
from advisor.screws import Firing
from advisor.wording import finding_text, reason_text
from advisor.wording.numbers import say_typed
from advisor.wording.templates import Voice
from advisor.wording.visit import QUESTIONS

BEFORE_OPENING = ("power off", "gas off")  # asked late, where the log began with the burner on
READING = "CO2 O2 CO, such as 8.1 6.5 24"
WITH_IT = {  # how one answer gives more than was asked (`check_items.TOGETHER`)
    "throttle clockwise": "both screws: richer leaner", "other appliances": "with the pressure: running 19.8 mbar",
    OUTCOME: "with your name: in service; A. N. Other",
}  # fmt: skip
HELP = "Enter takes what is offered; ? says why; back, skip, stop and note WORDS do what they say."
OTHERS = (
    "You may also type: high or low (the rate it runs at), a turn such as 15 cw (degrees) or 1/24 cw, may 30 cw, tight "
    "or leaking (the sample line), richer or leaner (this screw, clockwise), check ITEM VALUE UNIT, void ROW. At any "
    "time, in a wait too: co 24, off (the burner went off, and why), a whole reading."
)

Command = Literal["why", "stop", "back", "skip", "note", "alarm"]
_COMMANDS: dict[str, Command] = {
    "?": "why", "why": "why", "stop": "stop", "quit": "stop", "exit": "stop", "back": "back", "skip": "skip",
}  # fmt: skip


ASKS_CAUSE = "What was the cause of the CO, and is it mended?"
CAUSE_HINT = "such as: intake blocked, cleared; or: not found"


class Prompt(NamedTuple):
    """A question, and what may be typed or what Enter takes."""

    asks: str
    hint: str = ""


def in_words(said: Finding | Reason, voice: Voice = "guide") -> str:
    """A sentence in a voice: the guide's, where short words are typed instead of commands, or another."""
    return finding_text(said, voice) if isinstance(said, Finding) else reason_text(said.code, said.data, voice)


def others(voice: Voice) -> str:
    """What else may be typed where an entry is due; on the page it is there to be seen."""
    return OTHERS if voice == "guide" else ""


def command_of(typed: str) -> Command | None:
    """Which of the words that mean the same everywhere was typed; None for an answer."""
    if not typed.lower().startswith("check ") and alarm_of(typed):
        return "alarm"
    return "note" if typed.lower().startswith("note ") else _COMMANDS.get(typed.lower())


def alarm_of(typed: str) -> tuple[str, str] | None:
    """A smell of gas or an alarm in what was typed, or that it is over: the check and its answer; else None."""
    words = set(re.findall(r"[a-z]+", typed.lower()))
    over = "no" if words & {"no", "not", "over", "stopped", "quiet", "off", "tight"} else "yes"
    if typed.lower() in ("gas", "leak") or ("gas" in words and words & {"smell", "smells", "smelt", "leak", "leaks"}):
        return GAS_SMELL, over
    return (ALARM_SOUNDS, over) if words & {"alarm", "alarms"} else None


def question_prompt(question: Question, situation: Situation) -> Prompt:
    """A question of the visit, with its choices and what Enter takes."""
    asks, check = question.asks, question.check
    if situation.was_lit and question.item in BEFORE_OPENING:
        asks = f"Before it was opened: {asks[0].lower()}{asks[1:]}"
    if question.item == SAMPLE_LINE and situation.checks(COVER):
        asks = f"Once more, at the end: {asks[0].lower()}{asks[1:]}"
    unit = plate_unit(question.item, situation.setup)
    if check.kind == "number" and not check.unit and unit:
        asks += f", {unit}"
    left_out = f"the published {PUBLISHED_CO}" if question.item == CO_LIMIT else "none"
    enter = question.usual or (left_out if question.optional else "")
    both = WITH_IT.get(question.item, "") if question.more else ""
    hints = [", ".join(check.choices), both, f"Enter: {enter}" if enter else ""]
    return Prompt(asks, "; ".join(filter(None, hints)))


def needs_cause(advice: Advice, firing: Firing | None) -> bool:
    """Whether the burner is off, CO stops the job and its cause was not told: it is not lit again without that."""
    return (
        firing is None
        and any(map(stops_for_co, advice.findings))
        and not any(map(advice.due, ("cause-told", "cause-mended")))
    )


def entry_prompt(advice: Advice, situation: Situation) -> Prompt:
    """What is asked where a reading, a turn or a change of rate is due."""
    match advice.action:
        case "run_at" if advice.due("off"):
            return Prompt(
                f"Burner off: find out why first. Lit again, at {advice.firing} fire: CO as it shows", "Enter: it runs"
            )
        case "run_at" if advice.due("light-first"):
            return Prompt("Light it, high fire in test mode: CO as it comes up", "Enter: it burns")
        case "run_at":
            return Prompt(f"Change to {advice.firing} fire in test mode: CO as it shows", "Enter: it runs")
        case "turn" if advice.turns_cw:
            return Prompt("What did you turn?", f"yes: {say_typed(advice.turns_cw)}, as advised; 0: nothing")
        case "halt" if advice.stopped_before and situation.firing and not situation.wait_left_s:
            return Prompt(f"At {situation.firing} fire: {READING}", "or what was done or found")
        case "halt" if advice.stopped_before and situation.firing:
            return Prompt(f"CO at {situation.firing} fire, ppm", "or CO2 O2 CO, or what was done or found")
        case "halt" if stops_for_co(advice.stops[0]) and needs_cause(advice, situation.firing):
            return Prompt(ASKS_CAUSE, CAUSE_HINT)
        case "halt" if advice.stops[0].code == "pressure-due":
            return Prompt("Working pressure now? No turn before it is read", "19.8 mbar, or what was done or found")
        case "halt" if advice.stops[0].code == "pressure":
            lit = "; lit again: high, and what was done" if situation.off else ""
            return Prompt(
                f"The {advice.stops[0].data['item']} measured again, or what was done or found", f"19.8 mbar{lit}"
            )
        case "halt":
            again = "lit again: high" if situation.off else ""
            return Prompt("A new reading, or what was done or found", again)
        case "read" if advice.asks_co:
            return Prompt(f"CO at {situation.firing} fire, ppm", "or CO2 O2 CO")
        case "read" if situation.tracker.open_shortfalls:
            return Prompt(QUESTIONS[SAMPLE_LINE].asks, f"tight, leaking; or {READING}")
    return Prompt(f"At {situation.firing} fire: {READING}")
