"""What is asked now, from the log alone: one question, one entry or one wait. The guide and the page both ask it."""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import NamedTuple

from advisor.decision.advise import Case, expected_after
from advisor.decision.answers import Advice
from advisor.diagnosis.carbon_monoxide import co_read_since_start, stops_for_co
from advisor.dialogue import waits
from advisor.dialogue.prompts import Prompt, entry_prompt, in_words, others, question_prompt
from advisor.job import Job
from advisor.log.check_items import OUT_OF_SERVICE
from advisor.messages import Reason
from advisor.procedure.progress import Progress, StageState
from advisor.procedure.stages import CLOSE, LIGHT, LINE_TEST, PRESSURE, RECORD, Question
from advisor.report import answers, brief
from advisor.report.layout import listed, wrapped
from advisor.response.situation import Situation
from advisor.screws import Firing
from advisor.wording import further_steps
from advisor.wording.numbers import say_seconds
from advisor.wording.templates import Voice

WHY_PROVE = "What counts is read with the cover on, CO included, at both rates, since the last turn."


@dataclass(frozen=True)
class Asked:
    """One thing that is asked.

    why       what is said to "why?"
    question  of the visit; None where a reading, a turn, a change of rate or a wait is due
    advice    what an entry is read by, and done by Enter alone unless it is a turn; None at a question
    wait_s    seconds to wait first
    proof     rate that is read with the cover on; None where none is
    urgent    whether CO is over its limit, which comes before all questions
    answers   whether the answer of `next` stands above
    """

    why: str
    question: Question | None = None
    advice: Advice | None = None
    wait_s: float = 0.0
    proof: Firing | None = None
    urgent: bool = False
    answers: bool = False

    def prompt(self, situation: Situation) -> Prompt:
        """The question, with what Enter takes."""
        if self.question:
            return question_prompt(self.question, situation)
        assert self.advice
        return entry_prompt(self.advice, situation)


class Standing(NamedTuple):
    """A visit at a moment: the case, its advice, its progress, the stage that is asked about, and what is asked."""

    case: Case
    advice: Advice
    progress: Progress
    state: StageState | None
    asked: Asked | None

    @property
    def situation(self) -> Situation:
        """The job at that moment."""
        return self.case.situation


def standing(job: Job, at: datetime, voice: Voice = "guide") -> Standing:
    """How a visit stands at a moment, as its log was last read; nothing is asked at its end."""
    case, advice = job.case(at), job.next(at)
    progress = job.progress(at, advice)
    left = case.situation.closed
    over = left is not None and left.value == OUT_OF_SERVICE  # what was not done stays open on the record
    state = progress.of(RECORD) if over else progress.current
    return Standing(case, advice, progress, state, _asked(case, advice, state, voice))


def is_urgent(advice: Advice) -> bool:
    """Whether CO, a smell of gas or an alarm stops the work: nothing else is asked then."""
    return any(stops_for_co(finding) or finding.variant == "alarm" for finding in advice.stops)


def say_above(now: Standing, voice: Voice, *, steps: bool = True) -> list[str]:
    """The answer that stands above what is asked, in lines; none at a question. `steps` as in `say_next`."""
    advice, lines = now.advice, []
    if now.asked is None or not now.asked.answers:
        return []
    if advice.action == "run_at":
        why = [in_words(reason, voice) for reason in advice.why]
        order = wrapped(brief.first_line(now.case, advice, voice)) if voice == "guide" and now.situation.firing else []
        lines = [*order, *answers.say_findings(advice.findings, ("warn",), voice), *brief.say_now(now.case)]
        lines += listed("Why", why)
    else:
        lines = brief.say_next(now.case, advice, now.progress, voice, steps=steps).splitlines()
    return lines


def say_trouble(now: Standing) -> str:
    """Where the job is stopped, when a new reading will count; else nothing."""
    left_s = now.situation.wait_left_s
    burns = now.situation.firing is not None and not now.advice.has("high-co")
    stopped = now.asked and now.asked.answers and now.advice.action == "halt" and burns and left_s
    return f"Not steady yet: a reading counts after {say_seconds(left_s)} more." if stopped else ""


def say_then(now: Standing) -> str:
    """What comes after a wait."""
    if now.state and now.state.stage is LIGHT and not now.progress.of(PRESSURE).over:
        return "then the working pressure"
    then = expected_after(now.case, now.situation.wait_left_s)
    expects = f"; expect CO2 {then.expect_co2_pct:.1f} %" if brief.is_known(then) else ""
    return f"then read {brief.ALL} at {now.situation.firing} fire{expects}"


def _asked(case: Case, advice: Advice, state: StageState | None, voice: Voice) -> Asked | None:
    if state is None or state.step is None:
        return None
    step, situation = state.step, case.situation
    if is_urgent(advice) and state.stage not in (CLOSE, RECORD):  # there the boiler may be left with it, out of service
        return replace(_setting(situation, advice, voice), urgent=True)
    if step.question:
        return Asked(step.question.words.why, step.question)
    if step.firing:
        return _proving(situation, step.firing)
    if step.co:
        why = Reason("co-first-lit")
        return Asked(in_words(why, voice), advice=Advice("read", firing=situation.firing, why=(why,)))
    return _setting(situation, advice, voice)


def _proving(situation: Situation, firing: Firing) -> Asked:
    """A reading with CO at one rate with the cover on."""
    if situation.firing != firing:
        return Asked(WHY_PROVE, advice=Advice("run_at", firing=firing))
    wait_s = 0.0 if waits.was_cut_short(situation) else max(0.0, waits.proof_wait_s(situation))
    return Asked(WHY_PROVE, advice=Advice("read", firing=firing), wait_s=wait_s, proof=firing)


def _lit_after_a_stop(situation: Situation, advice: Advice) -> bool:
    """Whether it burns again after CO stopped the job, and CO was read: what clears the stop is waited for."""
    return advice.stopped_before and situation.firing is not None and co_read_since_start(situation)


def _setting(situation: Situation, advice: Advice, voice: Voice) -> Asked:
    """What the advice says. A reading on the way is heard in the wait, which is counted whole."""
    if situation.tracker.open_shortfalls and advice.action not in ("halt", "run_at"):  # Enter alone turns nothing
        prove = Advice("read", firing=situation.firing)
        return Asked(f"{LINE_TEST.words.why} {others(voice)}".strip(), advice=prove, answers=True)
    waits_on = advice.action == "wait" or advice.due("interim") or _lit_after_a_stop(situation, advice)
    wait_s = situation.wait_left_s if waits_on else 0.0
    if wait_s > 0 and not waits.was_cut_short(situation):
        return Asked(others(voice), advice=advice, wait_s=wait_s)
    why = [in_words(reason, voice) for reason in advice.why]
    if advice.action == "halt" and advice.stops:
        why += further_steps(advice.stops[0].code)
    return Asked(" ".join(filter(None, [*why, others(voice)])), advice=advice, answers=True)
