"""The whole visit at the keyboard: one short question at a time, each answer on disk before the next is asked.

What is asked follows from the log alone (`progress`), so a visit that was left, or whose terminal died, goes on at
the same question.
"""

import os
from collections.abc import Callable
from datetime import datetime
from math import ceil
from pathlib import Path

from advisor import parsing
from advisor.chemistry import fuels, gas_meter
from advisor.cli.terminal import PROMPT_WIDTH, Stop, Terminal
from advisor.decision.answers import Advice
from advisor.diagnosis.answers import flue_gas_at, input_of
from advisor.dialogue import moments
from advisor.dialogue.entries import OTHERS, Entry, entry_prompt, parse_entry, parse_turn, refuse_entry
from advisor.errors import AdvisorError, LogGrownError, RangeError
from advisor.job import Job
from advisor.log.check_items import (
    AIR_C,
    CALIBRATED,
    COVER,
    CUT_SHORT,
    IN_SERVICE,
    INPUT_RATE,
    LEFT_OUT,
    METER_GAS,
    OUTCOME,
    PRESSURE_DROP,
    SKIPPED,
    parse_answer,
    plate_unit,
)
from advisor.log.events import still_valid
from advisor.log.file import name_of
from advisor.messages import Reason
from advisor.procedure.progress import Progress, StageState
from advisor.procedure.stages import HIGH, LINE_TEST, LOW, STAGES, Question, Stage
from advisor.report.answers import (
    say_event,
    say_findings,
    say_look_first,
    say_next,
    say_plainly,
    say_struck,
    say_verdict,
)
from advisor.report.layout import labelled, listed
from advisor.report.overview import calibration_reasons, drop_reasons, input_reasons, say_flue
from advisor.response.situation import Situation
from advisor.screws import FIRINGS, Firing
from advisor.wording import finding_text, reason_text
from advisor.wording.numbers import say_seconds, say_turn

HELP = "Enter takes what is offered; ? says why; back, skip, stop and note WORDS do what they say."
SAID_AT_ONCE = {  # before a wait goes on
    "turn": ("large-turn", "wrong-rate"),
    "reading": ("co2-alone", "co-rising", "co-by-itself"),
}
NO_ANSWER = "Enter alone is no answer here."
CHANGED = "The log has grown meanwhile: another terminal? Nothing was logged. See what it asks now."


class AskAnew(Exception):  # noqa: N818 - no error: the log, or what is known, has changed
    """Look at the log again and ask what it asks now."""


class Guide:
    """A walk through the stages of one visit. `now` gives the moment; all else is in the log."""

    def __init__(
        self, path: str | os.PathLike[str], terminal: Terminal, now: Callable[[], datetime] | None = None
    ) -> None:
        self.path, self.terminal, self.now = Path(name_of(path)), terminal, now or moments.now
        self._stage: Stage | None = None
        self._cautioned: set[str] = set()
        self._shown, self._steps = "", ""

    def run(self) -> None:
        """Ask until the visit is over or the user leaves. Raises LogError where the log can't be read."""
        try:
            if not self.path.exists():
                self._open()
            self.job = Job.load(self.path)
            self.job.only_if_seen = True  # what was asked about may have been logged elsewhere by now
            self._say(HELP)
            while self._step():
                pass
        except (Stop, KeyboardInterrupt):
            saved = "All that was entered is saved" if self.path.exists() else "No log was started"
            self._say(f"Left. {saved}; go on with: advisor guide {self.path}")

    def _step(self) -> bool:
        """Ask what the log asks now; False at the end of the visit."""
        job = self.job
        job.refresh()
        at = self._moment()
        self.situation = situation = job.situation(at)
        advice = job.next(at)
        self.progress = job.progress(at, advice)
        state = self.progress.current
        if state is None or state.step is None:
            self._say_over(self.progress)
            return False
        self._announce(state, advice)
        try:
            if state.step.question:
                self._question(state.step.question, situation)
            elif state.step.firing:
                self._prove(state.step.firing, situation)
            else:
                self._set(advice, situation)
        except AskAnew:
            pass
        except AdvisorError as error:
            self._say(str(error))
        return True

    # ---- the log that is not there yet

    def _open(self) -> None:
        self._say(f"{self.path} is not there yet. Three answers from the maker's instructions start it.")
        known = ", ".join(fuel.name for fuel in fuels.BUILT_IN)
        asks = [f"Fuel ({known})", *(f"CO2 band at {firing} fire, %, such as 9.0:9.4" for firing in FIRINGS)]
        told: list[str] = []  # as typed, each of them read already
        while not self.path.exists():
            typed = self.terminal.ask(asks[len(told)] if len(told) < len(asks) else _read_back(told))
            low = typed.lower()
            try:
                if low == "stop":
                    raise Stop
                if low == "?":
                    self._say("It is in the maker's instructions for this model, fuel and altitude; none is built in.")
                elif low == "back":
                    if not told:
                        self._say("There is nothing to go back to.")
                    del told[-1:]
                elif not typed and len(told) < len(asks):
                    self._say(NO_ANSWER)
                elif len(told) < len(asks):
                    (_parse_band if told else fuels.by_name)(typed)
                    told.append(typed)
                elif low in ("", "y", "yes"):
                    bands = dict(zip(FIRINGS, map(_parse_band, told[1:]), strict=True))
                    Job.create(self.path, fuel=fuels.by_name(told[0]).name, bands=bands)
                else:
                    self._say("Enter where it is right; back asks the last one again.")
            except RangeError as error:
                self._say(str(error))
                told = told if len(told) < len(asks) else []

    # ---- questions

    def _announce(self, state: StageState, advice: Advice) -> None:
        """The stage where it begins, its caution once, and what blocks it."""
        stage = state.stage
        if stage is not self._stage:
            self._stage, self._shown = stage, ""
            high_first = stage is LOW and advice.firing == "high" and self.progress.of(HIGH).state == "skipped"
            does = "high fire comes first, though it was skipped" if high_first else stage.words.does
            self._say(f"\nStage {STAGES.index(stage) + 1} of {len(STAGES)}, {stage.name}: {does}.")
            if stage.name not in self._cautioned:
                self._cautioned.add(stage.name)
                self.terminal.say("\n".join(labelled("Caution", stage.words.caution)))
        if state.state == "blocked" and not stage.sets:
            self._say(f"STOP. {self._why(state)}")

    def _why(self, state: StageState) -> str:
        """Why a stage is blocked, as it is typed here."""
        why = state.why
        assert why is not None
        return reason_text(why.code, why.data, "guide") if isinstance(why, Reason) else finding_text(why, "guide")

    def _question(self, question: Question, situation: Situation) -> None:
        if question.item == PRESSURE_DROP:
            self._say_reasons(drop_reasons(situation))
        typed = self._ask(_prompt(question, situation), question.words.why)
        asked_again = self.progress.current is not None and self.progress.current.state == "blocked"
        if not typed and not question.usual and question.optional and not asked_again:
            self._note("left out", item=LEFT_OUT, value=question.item)
            return
        if not typed and not question.usual:
            raise RangeError(NO_ANSWER)
        note = ""
        if question.check.kind == "meter":
            kw, note = self._timed(typed, situation)
            value, unit = f"{kw:.3g}", "kW"
        else:
            words = typed or question.usual
            value, unit = parse_answer(question.check, words, situation.setup, situation.at.date())
        if value == IN_SERVICE and self.progress.barred:
            raise RangeError(self.progress.barred.text)
        self._enter(lambda job, at: job.check(question.item, value, unit, at=at, note=note))
        self._follow_up(question.item)

    def _timed(self, typed: str, situation: Situation) -> tuple[float, str]:
        """Input rate in kW from the dial's time, and how it came about."""
        heating_value = situation.setup.heating_value
        if heating_value is None:
            raise RangeError("no heating value that can be read is in the log: log that check, then time the meter")
        told = [row.event.value for row in situation.checks(METER_GAS)]
        factor = gas_meter.parse_reference_factor(told[-1]) if told else 1.0
        kw = gas_meter.timed_input_kw(typed, heating_value, factor)
        return kw, f"{typed} s, {heating_value[0]:g} {heating_value[1]}, volume factor {factor:.3f}"

    def _follow_up(self, item: str) -> None:
        """What an answer works out to."""
        if item not in (CALIBRATED, INPUT_RATE, AIR_C):
            return
        situation = self.job.situation(self._moment())
        if item == CALIBRATED:
            self._say_reasons(calibration_reasons(situation))
        timed = input_of(situation)
        if item == INPUT_RATE and timed and timed.side in ("", "inside"):  # else it is asked again
            self._say_reasons(input_reasons(situation))
        if item == AIR_C and situation.firing:
            gas = flue_gas_at(situation, situation.firing)
            if gas and gas.flue_loss_pct is not None:
                self._say(f"{Reason('flue-loss', {'loss_pct': gas.flue_loss_pct}).text.capitalize()}.")

    def _say_flue(self, situation: Situation, firing: Firing) -> None:
        gas = flue_gas_at(situation, firing)
        if gas and gas.excess_air_ratio is not None:
            self._say(f"At {firing} fire: {say_flue(situation.setup, gas)}")

    def _say_reasons(self, reasons: list[Reason]) -> None:
        for reason in reasons:
            self._say(reason.text)

    # ---- readings and turns

    def _set(self, advice: Advice, situation: Situation) -> None:
        """Do what the advice says, or log what was done instead."""
        why = [reason_text(reason.code, reason.data, "guide") for reason in advice.why]
        if advice.action == "wait" and not _cut_short(situation):
            self._wait(advice.wait_s or 0.0, f"then read at {situation.firing} fire")
            return
        if advice.action == "run_at":
            self._show("\n".join([*say_findings(advice.findings, ("warn",), "guide"), *listed("Why", why)]))
        elif advice.action != "wait":
            self._show(say_next(self.job.case(situation.at), advice, self.progress, "guide"))
        if advice.action == "halt":
            self._say_trouble(advice, situation)
        elif situation.tracker.open_shortfalls and advice.action != "run_at":
            advice = Advice("read", firing=situation.firing)  # Enter alone turns nothing
            why = [LINE_TEST.words.why]
        self._entry(advice, situation, f"{' '.join(why)} {OTHERS}")

    def _say_trouble(self, advice: Advice, situation: Situation) -> None:
        """What to look at first, once for each stop; when a new reading will count."""
        steps = "\n".join(say_look_first(advice.findings))
        if steps != self._steps:
            self._steps = steps
            self.terminal.say(steps)
        if wait_s := situation.wait_left_s:
            self._say(f"Not steady yet: a reading counts after {say_seconds(wait_s)} more.")

    def _prove(self, firing: Firing, situation: Situation) -> None:
        """A reading with CO at one rate with the cover on."""
        why = "What counts is read with the cover on, CO included, at both rates, since the last turn."
        if situation.firing != firing:
            self._entry(Advice("run_at", firing=firing), situation, why)
            return
        covered = [row.event.time for row in situation.checks(COVER)]
        since_cover_s = (situation.at - covered[-1]).total_seconds() if covered else 0.0
        wait_s = max(situation.wait_left_s, situation.setup.min_wait_s["firing"] - since_cover_s)
        if wait_s > 0 and not _cut_short(situation):
            self._wait(wait_s, f"then read at {firing} fire")
            return
        before = len(self.job.events)
        self._entry(Advice("read", firing=firing), situation, why)
        last = self.job.events[-1]
        if len(self.job.events) > before and last.event == "reading":
            self._say_flue(self.job.situation(self._moment()), firing)
            if last.co_ppm is None:
                self._say("The proof needs CO too: read all three.")

    def _wait(self, seconds: float, then: str) -> None:
        left_s = self.terminal.wait(float(ceil(seconds)), then)
        if not left_s:
            return
        reason = self._ask("Why is the wait cut short? Enter goes on waiting", "It is kept for the record.")
        if reason:
            refuse_entry(reason, self.situation.firing)
            self._note(reason, item=CUT_SHORT, value=f"{ceil(left_s)}", unit="s")

    def _entry(self, advice: Advice, situation: Situation, why: str) -> None:
        """Log what was typed where a reading or a turn is due."""
        typed, firing = self._ask(entry_prompt(advice, situation), why), situation.firing
        if typed.lower().startswith("may "):
            turn = parse_turn(typed[4:], firing)
            self.terminal.say(say_verdict(self.job.may(*turn, at=self._moment()), voice="guide"))
        else:
            self._enter(parse_entry(typed, advice, firing))
            self._say_at_once(advice)

    def _say_at_once(self, advice: Advice) -> None:
        """What is odd about the turn or the reading that was logged just now, before the wait goes on."""
        made = self.job.events[-1]
        if made.event == "void":
            self._say(say_struck(self.job.events, int(made.value)))
        if made.event not in SAID_AT_ONCE:
            return
        now = self.job.next(self._moment())
        if now.action != "wait":
            return
        if made.screw == advice.screw and (made.turns_cw or 0.0) * (advice.turns_cw or 0.0) < 0:
            self._say(
                f"That is the other way than advised: {made.screw} screw {say_turn(advice.turns_cw or 0.0)}. "
                "If it was made so, watch CO and wait; if not, cut the wait short and type back."
            )
        for finding in now.findings:
            if finding.code in SAID_AT_ONCE[made.event]:
                self._say(finding_text(finding, "guide"))

    # ---- what can be typed anywhere

    def _ask(self, question: str, why: str) -> str:
        """One answer; `?`, back, skip, stop and note are seen to here."""
        while True:
            typed = self.terminal.ask(question)
            low = typed.lower()
            if low in ("?", "why"):
                self._say(why)
                self._say(HELP)
            elif low in ("stop", "quit", "exit"):
                raise Stop
            elif low == "back":
                self._back()
                raise AskAnew
            elif low == "skip":
                self._skip()
                raise AskAnew
            elif low.startswith("note "):
                self._note(typed[5:])
                raise AskAnew
            else:
                return typed

    def _back(self) -> None:
        """Strike the last row that stands; a turn only if it was never made."""
        valid = still_valid(self.job.events)
        rows = [n for n, event in enumerate(self.job.events, 1) if valid[n - 1] and event.event != "void"]
        if not rows:
            self._say("There is nothing to go back to.")
            return
        event = self.job.events[rows[-1] - 1]
        if event.event == "turn":
            never = self.terminal.ask(f"Row {rows[-1]}, {say_event(event)}. Was it never made? (yes, no)")
            if never.lower() not in ("yes", "y"):
                self._say("Then it stays: a turn that was made is turned back with a turn of its own.")
                return
        self._enter(lambda job, at: job.void(rows[-1], at=at))
        self._say(say_struck(self.job.events, rows[-1]))

    def _skip(self) -> None:
        """Leave the stage out, with a reason."""
        assert self._stage
        stage = self._stage
        reason = self.terminal.ask(f"Why is '{stage.name}' skipped? It shows on the record; Enter: not skipped")
        if reason and reason.lower() not in ("back", "stop", "?"):
            refuse_entry(reason, self.situation.firing)
            self._note(reason, item=SKIPPED, value=stage.name)

    def _note(self, words: str, **about: str) -> None:
        self._enter(lambda job, at: job.note(words, at=at, **about))

    def _moment(self) -> datetime:
        return self.job.moment(self.now())

    def _enter(self, log: Entry) -> None:
        """Log something, unless the log is no longer the one that was asked about."""
        try:
            log(self.job, self._moment())
        except LogGrownError:
            self._say(CHANGED)
            raise AskAnew from None
        self._shown = ""

    def _say(self, words: str) -> None:
        if words:
            self.terminal.say(say_plainly(words) if words[0] != "\n" else "\n" + say_plainly(words[1:]))

    def _show(self, said: str) -> None:
        """Print an answer, unless it is the one that stands above already."""
        if said and said not in self._shown:
            self._shown += said
            self.terminal.say(said)

    def _say_over(self, progress: Progress) -> None:
        left = [row.event.value for row in self.situation.checks(OUTCOME)]
        self._say(f"\nThe visit is over{f'; the appliance is left {left[-1]}' if left else ''}.")
        skipped = [f"{state.stage.name}: {state.skipped}" for state in progress.states if state.state == "skipped"]
        if skipped:
            self.terminal.say("\n".join(listed("Skipped", skipped)))


def _parse_band(typed: str) -> tuple[float, float]:
    return parsing.parse_limits(typed, "band", with_unit=False)[:2]


def _read_back(told: list[str]) -> str:
    """Fuel and bands as they were understood."""
    bands = (
        f"{low:g} to {high:g} % at {firing} fire"
        for firing, (low, high) in zip(FIRINGS, map(_parse_band, told[1:]), strict=True)
    )
    return f"Read back: {fuels.by_name(told[0]).name}, CO2 {', '.join(bands)}\n(Enter: right; back)"


def _prompt(question: Question, situation: Situation) -> str:
    asks, hints = question.words.asks, list(question.check.choices)
    unit = plate_unit(question.item, situation.setup)
    if question.check.kind == "number" and not question.check.unit and unit:
        asks += f", {unit}"
    hints = [", ".join(hints)] if hints else []
    hints += [f"Enter: {question.usual}"] if question.usual else ["Enter: none"] if question.optional else []
    hint = f"({'; '.join(hints)})" if hints else ""
    return f"{asks} {hint}".strip() if len(asks) + len(hint) < PROMPT_WIDTH else f"{asks}\n{hint}".strip()


def _cut_short(situation: Situation) -> bool:
    """Whether the wait that runs was cut short, and no reading has been taken since."""
    for row in reversed(situation.rows):
        if row.event.item == CUT_SHORT:
            return row.at_s > situation.changed_at_s
        if row.event.event == "reading":
            return False
    return False
