"""Which stage the visit is in, how each stage stands and what is still open, from the rows of the log alone."""

from collections.abc import Mapping
from typing import Literal, NamedTuple

from advisor.decision.advise import Case
from advisor.decision.answers import Advice
from advisor.decision.candidates import TINY
from advisor.diagnosis.answers import Wrong, answer_to, measured_s, wrong_answers
from advisor.diagnosis.carbon_monoxide import co_read_since_start
from advisor.job_setup.setup import CHANGES_VALVE
from advisor.log.check_items import (
    AIR_C,
    CLEAN_AIR_CO,
    CLEAN_AIR_O2,
    EXTRAS,
    FLUE_C,
    HEATING_VALUE,
    IN_SERVICE,
    INPUT_RATE,
    LEFT_OUT,
    NONE_OPENED,
    OPENED_JOINTS,
    OUTCOME,
    PLATE_INPUT,
    PRESSURE_DROP,
    SAMPLE_LINE,
    SKIPPED,
    STANDING,
    TEST_POINTS,
    TIGHT,
    clockwise_item,
    problem_of,
)
from advisor.log.events import Event, firing_at_rows
from advisor.messages import Finding, Reason
from advisor.procedure.stages import (
    BOTH,
    CLOSE,
    HIGH,
    LIGHT,
    LOW,
    PRESSURE,
    PROOF,
    PROOF_AT_FIRING,
    RECORD,
    STAGES,
    Question,
    Stage,
    questions_of,
)
from advisor.response.situation import Situation
from advisor.screws import FIRINGS, SCREWS, Firing, other_firing

State = Literal["open", "done", "blocked", "skipped"]
# checks of the instrument that are made anew when the boiler was left for hours
_EACH_SESSION = (CLEAN_AIR_O2, CLEAN_AIR_CO, SAMPLE_LINE)
_WAYS = tuple(map(clockwise_item, SCREWS))
_IN_SETUP = {HEATING_VALUE: "heating_value", PLATE_INPUT: "input_rate"}
# stages whose answers a later turn makes worthless
_AFTER_TURNS = (PROOF, CLOSE, RECORD)
BEFORE_SETTING = STAGES[: STAGES.index(HIGH)]

Why = Finding | Reason  # why something is blocked: a stop, a wrong answer, or what bars the end of the visit


class Step(NamedTuple):
    """What a stage asks next: a question, or readings.

    firing  the rate that is read with the cover on; None: what is advised
    co      whether CO alone is asked for: the burner was lit just now
    """

    question: Question | None = None
    firing: Firing | None = None
    co: bool = False


class StageState(NamedTuple):
    """How one stage stands.

    state   "open", "done", "blocked" by an answer or a stop that does not let the visit go on, or "skipped"
    why     why it is blocked; None otherwise
    skipped the reason it was skipped for, as typed; "" otherwise
    step    what it asks next; None where it is done or skipped
    wrong   the wrong answers that stand in it, skipped or not; none in the record, which is of paper
    """

    stage: Stage
    state: State
    why: Why | None = None
    skipped: str = ""
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
    barred: Why | None = None  # why the appliance can't be logged as left in service; None where it can

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

    @property
    def to_do(self) -> tuple[str, ...]:
        """The same, and what is still to come once the rates are set: proof, closing up, record."""
        after = (state.stage.name for state in self.states if state.stage in _AFTER_TURNS and not state.over)
        return tuple(dict.fromkeys((*self.left_behind, *after)))


def progress_of(case: Case, advice: Advice) -> Progress:
    """How every stage of a visit stands; `advice` is what `advise` says of the same case."""
    situation = case.situation
    halt = advice.stops[0] if advice.stops else None
    # a leak found at the end does not unset the rates
    unset = any(finding.code != "not-ready" for finding in advice.stops)
    both_set = not unset and all(s.holds and s.has_as_left for s in (case.high, case.low))
    skipped = {event.value: event.note for event in situation.notes(SKIPPED)}
    wrong = wrong_answers(situation)
    states: list[StageState] = []
    for stage in STAGES:
        if stage.sets:
            all_set = all(state.over for state in states if state.stage.sets)
            state = _setting(stage, situation, halt if all_set else None, both_set)
        else:
            barred = _barred(states, halt) if stage is RECORD else None
            state = _asking(stage, situation, halt, barred, wrong)
        if state.state != "done" and stage.name in skipped:
            state = StageState(stage, "skipped", skipped=skipped[stage.name])
        stand = tuple(wrong[item] for item in _items(stage, situation) if item in wrong)
        states.append(state._replace(wrong=stand))
    first = STAGES.index(HIGH) if situation.was_lit else 0
    working = next((state for state in states[first:] if not state.over), None)
    return Progress(tuple(states), working, _barred(states, halt))


def open_items(case: Case) -> tuple[str, ...]:
    """Names of what must be proved before a job is finished and is not yet: sample line, joints, pressures, CO."""
    situation = case.situation
    line = answer_to(situation, SAMPLE_LINE, situation.session_from_s)
    joints = answer_to(situation, OPENED_JOINTS)
    items = [] if line and line.event.value == TIGHT else [SAMPLE_LINE]
    opened = situation.setup.visit in CHANGES_VALVE
    items += [] if not opened or (joints and joints.event.value in (TIGHT, NONE_OPENED)) else [OPENED_JOINTS]
    items += [name for name in situation.setup.pressures if not situation.checks(name)]
    items += [item for stage in skipped_unproved(situation) for item in unanswered(situation, stage)]
    items = list(dict.fromkeys(items))
    unread = [firing for firing in FIRINGS if not case.setting(firing).has_as_left]
    return (*items, *(f"CO at {firing} fire" for firing in unread))


def due_before_lighting(situation: Situation) -> list[str]:
    """Names of what is proved before the burner is lit and is not yet: sample line, joints, standing pressure."""
    line = answer_to(situation, SAMPLE_LINE, situation.session_from_s)
    due = [] if line and line.event.value == TIGHT else [SAMPLE_LINE]
    due += [OPENED_JOINTS] if situation.setup.visit in CHANGES_VALVE and not situation.checks(OPENED_JOINTS) else []
    return due + [STANDING for name in situation.setup.pressures if name == STANDING and not situation.checks(name)]


def skipped_unproved(situation: Situation) -> list[Stage]:
    """The stages before the setting that were skipped and still lack an answer that this kind of visit asks for."""
    skipped = {event.value for event in situation.notes(SKIPPED)}
    return [stage for stage in BEFORE_SETTING if stage.name in skipped and unanswered(situation, stage)]


def unanswered(situation: Situation, stage: Stage) -> list[str]:
    """Names of the questions of a stage that must be answered and are not; the way of a screw proves nothing."""
    asked = [each for each in questions_of(stage, situation.setup) if not each.optional and each.item not in _WAYS]
    return [each.item for each in asked if answered(situation, stage, each) is None]


def _setting(stage: Stage, situation: Situation, halt: Finding | None, both_set: bool) -> StageState:
    high_set = _went_on(situation, "high", "low", in_band=True)
    gone_on = {
        HIGH: high_set or (situation.firing == "low" and _went_on(situation, "high", "low")),  # or to look at low fire
        LOW: high_set and _went_on(situation, "low", "high", after=high_set),
    }.get(stage)
    if both_set or gone_on:
        return StageState(stage, "done")
    return StageState(stage, "blocked" if halt else "open", halt, step=Step())


def _went_on(situation: Situation, firing: Firing, then: Firing, *, in_band: bool = False, after: int = 0) -> int:
    """Number of the row, later than `after`, at which the boiler first went on from one rate to another; 0: none.

    Only after a settled reading there counts it, and `in_band` only after one in band.
    """
    low, high = situation.setup.bands[firing]
    settled = {row.number for row in situation.settled_readings(firing) if row.number > after}
    read = False
    for row in situation.rows:
        if row.number in settled:
            read = not in_band or low - TINY <= (row.event.co2_pct or 0.0) <= high + TINY
        elif read and row.event.firing == then:
            return row.number
    return 0


def _asking(
    stage: Stage, situation: Situation, halt: Finding | None, barred: Why | None, wrong: Mapping[str, Wrong]
) -> StageState:
    if stage is PROOF:
        step = _proof_step(situation, off_plate=INPUT_RATE in wrong)
        if step is None:
            return StageState(stage, "done")
        if step.question is None:
            return StageState(stage, "blocked" if halt else "open", halt, step=step)
        return _asked_in_proof(situation, step, step.question, wrong)
    for question in questions_of(stage, situation.setup):
        answer, step = answered(situation, stage, question), Step(question)
        if answer is None:
            drop = wrong.get(PRESSURE_DROP) if question.item in situation.setup.pressures else None
            why = wrong_finding(drop) if drop else None  # too large a drop: the pressures are measured again
            if stage is PRESSURE and situation.firing != "high":  # there they are measured
                why, step = why or halt, Step() if situation.firing is None else Step(firing="high")
            return StageState(stage, "blocked" if why else "open", why, step=step)
        if question.item == OUTCOME and answer.value == IN_SERVICE and barred:
            return StageState(stage, "blocked", barred, step=step)
        problem = problem_of(question.check, answer, situation.setup)
        if problem:
            why = Finding("wrong-answer", "halt", variant=problem.variant, data=problem.data)
            return StageState(stage, "blocked", why, step=step)
    if stage is LIGHT and (lighting := _lighting_step(situation, halt)):
        return StageState(stage, "blocked" if halt else "open", halt, step=lighting)
    return StageState(stage, "done")


def _lighting_step(situation: Situation, halt: Finding | None) -> Step | None:
    """What lighting asks next: the burner on, CO at once, the two minutes; None once these are over or work began.

    After a later start only CO is asked for.
    """
    if not situation.was_lit:
        return Step()
    begun = situation.of("turn") or situation.tracker.settled
    if halt or situation.firing is None:
        return None if begun else Step()
    starting = situation.at_s < situation.tracker.start_over_s
    if not co_read_since_start(situation) and (starting or not begun):
        return Step(co=True)
    return Step() if starting and not begun else None


def _asked_in_proof(situation: Situation, step: Step, question: Question, wrong: Mapping[str, Wrong]) -> StageState:
    if question.item == INPUT_RATE:
        why = wrong_finding(wrong[INPUT_RATE]) if INPUT_RATE in wrong else None
    else:
        answer = _latest(situation, question.item, _counts_from_s(situation, PROOF, question.item))
        problem = answer and problem_of(question.check, answer, situation.setup)
        why = Finding("wrong-answer", "halt", variant=problem.variant, data=problem.data) if problem else None
    return StageState(PROOF, "blocked" if why else "open", why, step=step)


def wrong_finding(wrong: Wrong) -> Finding:
    """A wrong answer as a finding."""
    return Finding("wrong-answer", "halt", variant=wrong.problem.variant, data=wrong.problem.data)


def _items(stage: Stage, situation: Situation) -> list[str]:
    timed = [INPUT_RATE] if stage is PROOF else []
    return [question.item for question in questions_of(stage, situation.setup)] + timed


def answered(situation: Situation, stage: Stage, question: Question) -> Event | None:
    """The row that answers a question (a check, or the note that leaves it out); None where it is still open."""
    answer = _latest(situation, question.item, _counts_from_s(situation, stage, question.item))
    if answer is None and question.optional:
        return next((event for event in situation.notes(LEFT_OUT) if event.value == question.item), None)
    return answer


def _latest(situation: Situation, item: str, since_s: float) -> Event | None:
    row = answer_to(situation, item, since_s)
    return row.event if row else None


def _counts_from_s(situation: Situation, stage: Stage, item: str) -> float:
    """Moment from which an answer counts: what was checked before a later change is no proof."""
    if item == OPENED_JOINTS:
        return 0.0
    if item in situation.setup.pressures:
        drop = answer_to(situation, PRESSURE_DROP)  # too large a drop is measured again
        return drop.at_s if drop and drop.event.value == "no" else 0.0
    if item == TEST_POINTS:
        return max([situation.turned_at_s, *measured_s(situation)])
    if stage in _AFTER_TURNS:
        return situation.turned_at_s
    if item not in _EACH_SESSION:
        return 0.0
    if situation.silent and answer_to(situation, OUTCOME) is None:
        return situation.at_s  # after hours it is asked before the boiler runs again, not after
    return situation.session_from_s


def _proof_step(situation: Situation, *, off_plate: bool) -> Step | None:
    """What the proof asks next: cover, a reading with CO at each rate with what belongs to it, the sample line."""
    cover, line = PROOF.questions
    on = answer_to(situation, cover.item, situation.turned_at_s)
    if on is None or on.event.value != "yes":
        return Step(cover)
    since_s = max(on.at_s, situation.fresh_from_s)
    proved = [
        row.event.rate
        for row in situation.tracker.settled
        if row.at_s > since_s and row.event.co_ppm is not None and row.event.rate
    ]
    first: Firing = (proved[0] if proved else situation.firing) or "high"
    for firing in (first, other_firing(first)):
        if firing not in proved:
            return Step(firing=firing)
        if situation.firing == firing:
            told, left_out = _told_at(situation, firing, since_s)
            extras = answer_to(situation, EXTRAS, since_s)  # asked once, for both rates
            told |= {EXTRAS} if extras or (told | left_out) & {FLUE_C, AIR_C, INPUT_RATE} else set()
            left_out |= {EXTRAS, HEATING_VALUE} if extras and extras.event.value == "no" else set()
            for question in PROOF_AT_FIRING[firing]:
                again = question.item == INPUT_RATE and off_plate
                if again or (question.item not in told | left_out and question.needs not in left_out):
                    return Step(question)
    if off_plate:
        return Step(firing="high")
    tight = answer_to(situation, line.item, since_s)
    return None if tight and tight.event.value in line.check.passes else Step(line)


def _told_at(situation: Situation, firing: Firing, since_s: float) -> tuple[set[str], set[str]]:
    """Items that were measured, and that were left out, at a rate since a moment."""
    told = {item for item, name in _IN_SETUP.items() if getattr(situation.setup, name)}
    running, left_out = firing_at_rows(situation.rows), set()
    for row in situation.rows:
        if running[row.number] == firing and row.at_s > since_s:
            if row.event.item == LEFT_OUT:
                left_out.add(row.event.value)
            else:
                told.add(row.event.item)
    return told, left_out - told


def _barred(states: list[StageState], halt: Finding | None) -> Why | None:
    """Why the appliance can't be left in service on this log; None where it can."""
    if halt:
        return Reason("barred-stop", {"stop": halt.text})
    for state in states:
        if state.wrong:
            wrong = wrong_finding(state.wrong[0]).text
            return Reason("barred-answer", {"stage": state.stage.name, "wrong": wrong})
        if state.stage in (BOTH, PROOF, CLOSE) and state.state != "done":
            code = "barred-skipped" if state.state == "skipped" else "barred-open"
            data = {"stage": state.stage.name, "why": state.skipped, "blocks": state.stage.words.blocks}
            return Reason(code, data)
    return None
