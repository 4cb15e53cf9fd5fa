"""Which stage the visit is in and how each stage stands, from the rows of the log alone."""

from collections.abc import Mapping
from typing import NamedTuple

from advisor.decision.advise import Advice
from advisor.decision.candidates import TINY, Rate
from advisor.log.events import FIRINGS, Event
from advisor.procedure import answers, stages
from advisor.procedure.answers import Wrong
from advisor.procedure.stages import BOTH, CLOSE, HIGH, LOW, OUTCOME, PROOF, RECORD, STAGES, Question, Stage
from advisor.response.situation import Visit
from advisor.response.tracker import SAMPLE_LINE, TIGHT

STATES = ("open", "done", "blocked", "skipped")
# checks of the instrument that are made anew when the boiler was left for hours
_EACH_SESSION = ("clean air O2", "clean air CO", "sample line")
_FACT = {stages.HEATING_VALUE: "heating_value", stages.PLATE_INPUT: "input_rate"}
# stages whose answers a later turn makes worthless
_AFTER_TURNS = (PROOF, CLOSE, RECORD)


class Step(NamedTuple):
    """What a stage asks next: a question, or readings (`firing`: at this rate with the cover on; None: as advised)."""

    question: Question | None = None
    firing: str | None = None


class StageState(NamedTuple):
    """How one stage stands.

    state   one of STATES; `blocked` stands for an answer or a stop that does not let the visit go on
    reason  why it is blocked or skipped; "" otherwise
    step    what it asks next; None where it is done or skipped
    wrong   the wrong answers that stand in it, skipped or not; none in the record, which is of paper
    """

    stage: Stage
    state: str
    reason: str = ""
    step: Step | None = None
    wrong: tuple[Wrong, ...] = ()

    @property
    def over(self) -> bool:
        """Whether nothing more is asked here."""
        return self.state in ("done", "skipped")


class Progress(NamedTuple):
    """The visit's stages in order, each with its state."""

    states: tuple[StageState, ...]
    working: StageState | None  # where the work is: past the questions once the boiler was run; None at the end
    barred: str = ""  # why the appliance can't be logged as left in service; "" where it can

    @property
    def current(self) -> StageState | None:
        """The first stage that is neither done nor skipped: what is asked next; None at the end."""
        return next((state for state in self.states if not state.over), None)

    def of(self, stage: Stage) -> StageState:
        """How this stage stands."""
        return self.states[STAGES.index(stage)]

    @property
    def left_behind(self) -> tuple[str, ...]:
        """Names of the stages before the work that are neither done nor skipped."""
        until = len(STAGES) if self.working is None else STAGES.index(self.working.stage)
        return tuple(state.stage.name for state in self.states[:until] if not state.over)


def follow(visit: Visit, advice: Advice) -> Progress:
    """How every stage of a visit stands; `advice` is what `decision.advise` says of the same visit."""
    halts = [finding.text for finding in advice.findings if finding.severity == "halt"]
    halt = halts[0] if halts else ""
    # a leak found at the end does not unset the rates
    unset = any(finding.severity == "halt" and finding.code != "not-ready" for finding in advice.findings)
    both_set = not unset and all(rate.holds and rate.has_as_left for rate in (Rate(visit, f) for f in FIRINGS))
    skipped = {event.value: event.note for event in _notes(visit, stages.SKIPPED)}
    wrong = answers.wrong_answers(visit)
    states: list[StageState] = []
    for stage in STAGES:
        state = (
            _setting(stage, visit, halt if all(state.over for state in states if state.stage.sets) else "", both_set)
            if stage.sets
            else _asking(stage, visit, halt, _barred(states, halt) if stage is RECORD else "", wrong)
        )
        if state.state != "done" and stage.name in skipped:
            state = StageState(stage, "skipped", skipped[stage.name])
        stand = tuple(wrong[item] for item in _items(stage, visit) if item in wrong)
        states.append(state._replace(wrong=stand))
    ran = visit.firing is not None
    first = STAGES.index(HIGH) if ran else 0
    working = next((state for state in states[first:] if not state.over), None)
    return Progress(tuple(states), working, _barred(states, halt))


def open_items(visit: Visit) -> tuple[str, ...]:
    """Names of what must be proved before a job is finished and is not yet: sample line, joints, pressures, CO."""
    line = _latest(visit, SAMPLE_LINE, visit.session_from_s)
    joints = _latest(visit, stages.OPENED_JOINTS, 0.0)
    checked = {row.event.item for row in visit.of("check")}
    items = [] if line and line.value == TIGHT else [SAMPLE_LINE]
    items += [] if joints and joints.value in stages.OPENED_JOINTS_PASS else [stages.OPENED_JOINTS]
    items += [name for name in visit.facts.pressures if name not in checked]
    return (*items, *(f"CO at {firing} fire" for firing in FIRINGS if not Rate(visit, firing).has_as_left))


def _notes(visit: Visit, item: str) -> list[Event]:
    return [row.event for row in visit.of("note") if row.event.item == item]


def _setting(stage: Stage, visit: Visit, halt: str, both_set: bool) -> StageState:
    high_set = _went_on(visit, "high", "low", in_band=True)
    gone_on = {
        HIGH: high_set or (visit.firing == "low" and _went_on(visit, "high", "low")),  # or to look at low fire once
        LOW: high_set and _went_on(visit, "low", "high", after=high_set),
    }.get(stage)
    if both_set or gone_on:
        return StageState(stage, "done")
    return StageState(stage, "blocked" if halt else "open", halt, Step())


def _went_on(visit: Visit, firing: str, then: str, *, in_band: bool = False, after: int = 0) -> int:
    """Number of the row, later than `after`, at which the boiler first went on from one rate to another; 0: none.

    Only after a settled reading there counts it, and `in_band` only after one in band.
    """
    low, high = visit.facts.bands[firing]
    settled = {row.number for row in visit.settled_readings(firing) if row.number > after}
    read = False
    for row in visit.rows:
        if row.number in settled:
            read = not in_band or low - TINY <= (row.event.co2_pct or 0.0) <= high + TINY
        elif read and row.event.firing == then:
            return row.number
    return 0


def _asking(stage: Stage, visit: Visit, halt: str, barred: str, wrong: Mapping[str, Wrong]) -> StageState:
    if stage is PROOF:
        step = _proof_step(visit, off_plate=stages.INPUT_RATE in wrong)
        if step is None or step.question is None:
            blocked = bool(halt) and step is not None
            return StageState(stage, "blocked" if blocked else "open" if step else "done", halt * blocked, step)
        question = step.question
    else:
        for question in stages.questions_of(stage, visit.facts):
            answer = answered(visit, stage, question)
            if answer is None and stages.PRESSURE_DROP in wrong and question.item in visit.facts.pressures:
                return StageState(stage, "blocked", wrong[stages.PRESSURE_DROP].why, Step(question))
            if answer is None:
                break
            why = barred if question.item == OUTCOME and answer.value == stages.IN_SERVICE else ""
            why = why or answers.why_wrong(question, answer, visit.facts)[0]
            if why:
                return StageState(stage, "blocked", why, Step(question))
        else:
            return StageState(stage, "done")
        step = Step(question)
    if question.item == stages.INPUT_RATE:
        why = wrong[question.item].why if question.item in wrong else ""
    else:
        answer = _latest(visit, question.item, _counts_from_s(visit, stage, question.item))
        why = answers.why_wrong(question, answer, visit.facts)[0] if answer else ""
    return StageState(stage, "blocked" if why else "open", why, step)


def _items(stage: Stage, visit: Visit) -> list[str]:
    timed = [stages.INPUT_RATE] if stage is PROOF else []
    return [question.item for question in stages.questions_of(stage, visit.facts)] + timed


def answered(visit: Visit, stage: Stage, question: Question) -> Event | None:
    """The row that answers a question (a check, or the note that leaves it out); None where it is still open."""
    since_s = _counts_from_s(visit, stage, question.item)
    answer = _latest(visit, question.item, since_s)
    if answer is None and question.optional:
        return next((e for e in _notes(visit, stages.LEFT_OUT) if e.value == question.item), None)
    return answer


def _latest(visit: Visit, item: str, since_s: float) -> Event | None:
    row = answers.answer_to(visit, item, since_s)
    return row.event if row else None


def _counts_from_s(visit: Visit, stage: Stage, item: str) -> float:
    """Moment from which an answer counts: what was checked before a later change is no proof."""
    if item == stages.OPENED_JOINTS:
        return 0.0
    if item in visit.facts.pressures:
        drop = _latest(visit, stages.PRESSURE_DROP, 0.0)  # too large a drop is measured again
        return drop.time.timestamp() if drop and drop.value == "no" else 0.0
    if item == stages.TEST_POINTS:
        return max([visit.turned_at_s, *answers.measured_s(visit)])
    if stage in _AFTER_TURNS:
        return visit.turned_at_s
    if item not in _EACH_SESSION:
        return 0.0
    if visit.silent and _latest(visit, OUTCOME, 0.0) is None:
        return visit.at.timestamp()  # after hours it is asked before the boiler runs again, not after
    return visit.session_from_s


def _proof_step(visit: Visit, *, off_plate: bool) -> Step | None:
    """What the proof asks next: cover, a reading with CO at each rate with what belongs to it, the sample line."""
    cover, line = PROOF.questions
    on = _latest(visit, cover.item, visit.turned_at_s)
    if on is None or on.value != "yes":
        return Step(cover)
    since_s = max(on.time.timestamp(), visit.fresh_from_s)
    proved = [
        row.event.firing
        for row in visit.history.settled
        if row.event.time.timestamp() > since_s and row.event.co_ppm is not None
    ]
    first = (proved or [visit.firing])[0] or "high"
    for firing in (first, "low" if first == "high" else "high"):
        if firing not in proved:
            return Step(firing=firing)
        if visit.firing == firing:
            told, left_out = _told_at(visit, firing, since_s)
            for question in stages.PROOF_AT_RATE[firing]:
                again = question.item == stages.INPUT_RATE and off_plate
                if again or (question.item not in told | left_out and question.needs not in left_out):
                    return Step(question)
    if off_plate:
        return Step(firing="high")
    tight = _latest(visit, line.item, since_s)
    return None if tight and tight.value in line.passes else Step(line)


def _told_at(visit: Visit, firing: str, since_s: float) -> tuple[set[str], set[str]]:
    """Items that were measured, and that were left out, at a rate since a moment."""
    told = {name for name in (stages.HEATING_VALUE, stages.PLATE_INPUT) if getattr(visit.facts, _FACT[name])}
    running, left_out = None, set()
    for event in (row.event for row in visit.rows):
        running = event.firing or running
        if running == firing and event.time.timestamp() > since_s:
            if event.item == stages.LEFT_OUT:
                left_out.add(event.value)
            else:
                told.add(event.item)
    return told, left_out - told


def _barred(states: list[StageState], halt: str) -> str:
    """Why the appliance can't be left in service on this log; "" where it can."""
    if halt:
        return f"A stop stands, so it can't be logged as in service: {halt}"
    for state in states:
        if state.wrong:
            return f"'{state.stage.name}' has a wrong answer, so it can't be logged as in service: {state.wrong[0].why}"
        if state.stage in (BOTH, PROOF, CLOSE) and state.state != "done":
            why = f"was skipped ({state.reason})" if state.state == "skipped" else "is not done"
            return f"'{state.stage.name}' {why}, so it can't be logged as in service: {state.stage.blocks}."
    return ""
