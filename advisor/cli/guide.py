"""The whole visit at the keyboard: one short question at a time, each answer on disk before the next is asked.

What is asked follows from the log alone (`progress`), so a visit that was left, or whose terminal died, goes on at
the same question.
"""

import os
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from math import ceil
from pathlib import Path

from advisor import parsing
from advisor.cli.terminal import Stop, Terminal, prompt_width
from advisor.decision.answers import Advice, Verdict
from advisor.dialogue import moments, new_job, taken_up, waits
from advisor.dialogue.after_entry import at_once, comes_to, proof_comes_to
from advisor.dialogue.asked import Asked, Standing, is_urgent, say_above, say_then, say_trouble, standing
from advisor.dialogue.entries import (
    WHEN_TURNED,
    Entry,
    asks_first,
    is_co,
    meant,
    parse_after,
    parse_at_any_time,
    parse_entry,
    parse_may,
    parse_question,
    remark,
    skip_stage,
    with_points,
)
from advisor.dialogue.prompts import (
    HELP,
    OTHERS,
    Prompt,
    command_of,
    entry_prompt,
    in_words,
    question_prompt,
)
from advisor.dialogue.striking import NOTHING, last_row
from advisor.errors import AdvisorError, LogGrownError, RangeError
from advisor.job import Job
from advisor.log.check_items import METER_GAS, OUTCOME, PRESSURE_DROP, STANDING, WORKING
from advisor.log.events import Event
from advisor.log.file import create_log, name_of
from advisor.messages import Finding
from advisor.procedure.progress import StageState
from advisor.procedure.stages import HIGH, LOW, Question, Stage
from advisor.report import answers, brief
from advisor.report.layout import labelled, listed, wrapped
from advisor.report.show import drop_reasons
from advisor.screws import RUNNING

CHANGED = "The log has grown meanwhile: another terminal? Nothing was logged. See what it asks now."


class AskAnew(Exception):  # noqa: N818 - no error: the log, or what is known, has changed
    """Look at the log again and ask what it asks now."""


class Guide:
    """A walk through the stages of one visit. `now` gives the moment; all else is in the log.

    stands, situation, advice, progress  as the log stood when it was last looked at (`_look`)
    """

    def __init__(
        self, path: str | os.PathLike[str], terminal: Terminal, now: Callable[[], datetime] | None = None
    ) -> None:
        self.path, self.terminal, self.now = Path(name_of(path)), terminal, now or moments.now
        self._stage: Stage | None = None
        self._announced: Stage | None = None
        self._cautioned: set[str] = set()
        self._above = ""  # answers since the last entry: they stand on the screen
        self._stop = ""  # the stop whose steps were said last
        self._last, self._meant = "", ""  # what was typed last, and what was asked back of it
        self._helped = False  # whether what else may be typed was said

    def run(self) -> None:
        """Ask until the visit is over or the user leaves. Raises LogError where the log can't be read."""
        try:
            if not self.path.exists():
                self._start_log()
            self.job = Job.load(self.path)
            self.job.only_if_seen = True  # what was asked about may have been logged elsewhere by now
            self._say(HELP)
            self._ask_how_it_runs()
            while (now := self._look()).state and now.asked:
                self._go_on(now.state, now.asked)
            self._say_over()
        except (Stop, KeyboardInterrupt):
            saved = "All that was entered is saved" if self.path.exists() else "No log was started"
            self._say(f"Left. {saved}; go on with: advisor guide {self.path}")

    def _start_log(self) -> None:
        """Ask for fuel and bands until a log could be started with them."""
        self._say(f"{self.path} is not there yet. A few answers start it.")
        start = new_job.Opening()
        while not self.path.exists():
            typed = self._typed(start.prompt)
            try:
                match command_of(typed):
                    case "stop":
                        raise Stop
                    case "why":
                        self._say(new_job.WHY)
                    case "back":
                        start.back()
                    case _:
                        if setup := start.take(typed):
                            create_log(self.path, setup)
            except RangeError as error:
                self._say(str(error))

    def _ask_how_it_runs(self) -> None:
        """Where a visit is taken up again with the burner on, as far as is logged: whether it still is, first."""
        while self._look().asked and taken_up.asks_how_it_runs(self.situation):
            running = self.situation.firing
            typed = self.terminal.ask(f"{taken_up.ASKS} (high, low, off; logged: {running})")
            now = parsing.one_of(typed, RUNNING)
            if now == running:
                return
            if now in RUNNING:
                with suppress(AskAnew):
                    self._log(taken_up.found(now))
                return
            with suppress(AskAnew):
                if self._common(typed, taken_up.WHY):
                    continue
                try:
                    if entry := parse_at_any_time(f"co {typed}" if is_co(typed) else typed, running):
                        self._log(entry)
                        return  # what was read of a flame says that it burns
                    self._say(f"'{typed}': first how it runs, high, low or off.")
                except RangeError as error:
                    self._say(str(error))

    # ---- what the log asks now

    def _look(self) -> Standing:
        """Read the log again; nothing is asked at the end of the visit."""
        self.job.refresh()
        at = self._moment()
        now = standing(self.job, at)
        self.stands, self.advice, self.situation, self.progress = now, now.advice, now.situation, now.progress
        return now

    def _go_on(self, state: StageState, asked: Asked) -> None:
        """Ask what this stage asks next; a slip is said, and the log is looked at again."""
        self._stage = state.stage
        try:
            if not asked.urgent:
                if is_urgent(self.advice):
                    self._show("\n".join(wrapped(answers.say_stop(self.advice.stops[0], "guide"))))
                self._announce(state)
            if asked.question:
                self._question(asked.question)
            elif asked.wait_s:
                self._wait(asked.wait_s)
            else:
                self._due(asked)
        except AskAnew:
            pass
        except AdvisorError as error:
            self._meant = meant(self._last, str(error))  # a yes takes it
            self._say(str(error))

    def _announce(self, state: StageState) -> None:
        """The stage where it begins, its caution once, and what blocks it."""
        stage = state.stage
        if stage is not self._announced:
            self._announced, self._above = stage, ""
            high_first = stage is LOW and self.advice.firing == "high" and self.progress.of(HIGH).state == "skipped"
            does = "high fire comes first, though it was skipped" if high_first else stage.words.does
            self._say_apart(f"{stage.words.called.capitalize()}{f': {does}' if does else ''}.")
            if stage.name not in self._cautioned:
                self._cautioned.add(stage.name)
                self.terminal.say("\n".join(labelled("Caution", stage.words.caution)))
        if state.why and state.step and state.step.question:
            why = state.why
            self._say(answers.say_stop(why, "guide") if isinstance(why, Finding) else f"STOP. {in_words(why)}")

    def _say_over(self) -> None:
        left = [row.event.value for row in self.situation.checks(OUTCOME)]
        self._say_apart(f"The visit is over{f'; the appliance is left {left[-1]}' if left else ''}.")
        skipped = [f"{state.stage.name}: {state.skipped}" for state in self.progress.states if state.state == "skipped"]
        if skipped:
            self.terminal.say("\n".join(listed("Skipped", skipped)))

    # ---- questions

    def _question(self, question: Question) -> None:
        """Ask a question, log its answer, say what that works out to."""
        if question.item == PRESSURE_DROP:
            self._say(*(reason.text for reason in drop_reasons(self.situation)))
        typed = self._ask(question_prompt(question, self.situation), question.words.why, question)
        self._log(parse_question(typed, question, self.situation, self.progress))
        self._say(*comes_to(question.item, self.job.situation(self._moment())))

    # ---- readings and turns

    def _due(self, asked: Asked) -> None:
        """A reading, a turn or a change of rate, and what was done instead."""
        assert asked.advice
        stop = self.advice.stops[0].text if self.advice.stops else ""
        self._show("\n".join(say_above(self.stands, "guide", steps=not stop or stop != self._stop)))
        self._stop = stop
        self._say(say_trouble(self.stands))
        made = self._entry(asked.advice, asked.why)
        if asked.proof and made and made.event == "reading":
            self._say(*proof_comes_to(asked.proof, self.job.situation(self._moment())))

    def _wait(self, seconds: float) -> None:
        """Count a wait down; one that is cut short is noted with its reason."""
        left_s, typed = self.terminal.wait(float(ceil(seconds)), say_then(self.stands))
        if typed:
            self._take(typed, self.advice, OTHERS)
        elif left_s:
            asks = Prompt("Why is the wait cut short? Enter goes on waiting")
            if reason := self._ask(asks, "It is kept for the record."):
                self._log(waits.cut_short(reason, left_s, self.situation.firing))
        else:
            more = (now := self._look()).asked and now.asked.wait_s
            self._say("Not steady yet." if more else "The wait is over.")

    def _entry(self, advice: Advice, why: str) -> Event | None:
        """Log what is typed where a reading or a turn is due, and say what is odd about it; the row that was logged."""
        return self._enter(self._ask(entry_prompt(advice, self.situation), why, advice=advice), advice)

    def _take(self, typed: str, advice: Advice, why: str) -> None:
        """Do what was typed in a wait."""
        if not self._common(typed, why):
            self._enter(typed, advice)

    def _enter(self, typed: str, advice: Advice) -> Event | None:
        """Log what was typed, and say what is odd about it; the row that was logged."""
        firing = self.situation.firing
        if turn := parse_may(typed, firing):
            at = self._moment()
            self.terminal.say(brief.say_verdict(self.job.case(at), self.job.may(*turn, at=at), "guide"))
            return None
        asked = asks_first(typed, advice, self.situation)
        if firing and asked:
            entry = parse_after(typed, self._reason(asked), advice, firing)
        else:
            entry = parse_entry(typed, advice, firing)
        made = self._log(entry)
        if asked and made.co2_pct is None:
            self._say(WHEN_TURNED)
        unsaid = made.item in (STANDING, WORKING) or (made.event == "turn" and advice.action != "turn")
        if unsaid:  # of which pressure, or screw, may not have been typed
            self._say(f"Logged: {answers.say_event(made)}.")
        self._say(*at_once(self.job, advice, self._moment()))
        return made

    # ---- what can be typed anywhere

    def _typed(self, prompt: Prompt) -> str:
        """One line; the hint stands beside the question where both fit."""
        hint = f"({prompt.hint})" if prompt.hint else ""
        between = " " if len(prompt.asks) + len(hint) < prompt_width() else "\n"
        typed = with_points(self.terminal.ask(f"{prompt.asks}{between}{hint}".strip()))
        self._last = self._meant if self._meant and typed.lower() in ("yes", "y") else typed
        self._meant = ""
        return self._last

    def _ask(self, prompt: Prompt, why: str, question: Question | None = None, advice: Advice | None = None) -> str:
        """One answer; the words that mean the same everywhere are seen to here."""
        while True:
            typed = self._typed(prompt)
            if self._common(typed, why):
                continue
            takes_three = question is not None and question.item == METER_GAS
            changes_rate = advice is not None and advice.action == "run_at"
            if (takes_three or changes_rate) and typed[:1].isdigit():
                return typed  # figures of the rate it comes to
            word, _, figure = typed.lower().partition(" ")
            if question is not None and word in question.check.choices and not any(map(str.isalpha, figure[:1])):
                return typed  # other appliances: off 19.8
            if advice is not None and asks_first(typed, advice, self.situation):
                return typed
            if entry := parse_at_any_time(typed, self.situation.firing):
                lit_or_not = changes_rate and self.situation.firing is None and typed.lower().startswith("co ")
                if lit_or_not and self._reason("Does the burner burn now? (yes, no)").lower() in ("yes", "y"):
                    return typed[3:]
                self._take_at_any_time(entry, aside=question is not None)
            return typed

    def _common(self, typed: str, why: str) -> bool:
        """See to the words that mean the same everywhere; whether there is nothing more to do with it."""
        match command_of(typed):
            case None:
                return False
            case "why":
                short = why.replace(OTHERS, "").strip()  # what else may be typed is said once, and alone
                self._say(*([short] if self._helped and short else [why, HELP]))
                self._helped = True
                return True
            case "stop":
                raise Stop
            case "back":
                self._back()
            case "skip":
                self._skip()
            case "note":
                self._log(remark(typed[5:]))
            case "alarm":
                self._log(remark(typed))
        raise AskAnew

    def _back(self) -> None:
        """Strike the last row that stands; a turn only if it was never made."""
        last, never, why = last_row(self.job), False, ""
        if last is None:
            self._say(NOTHING)
            return
        if last.was_turn:
            never = self._reason(f"{last.asks} (yes, no)").lower() in ("yes", "y")
        elif last.needs_why:
            why = self._reason(last.asks)
        self._log(last.strike(never_made=never, why=why))

    def _skip(self) -> None:
        """Leave the stage out, with a reason."""
        assert self._stage
        name = self._stage.name
        reason = self._reason(f"Why is '{name}' skipped, the whole of it? It shows on the record; Enter: not skipped")
        if reason and command_of(reason) in (None, "note"):
            self._log(skip_stage(reason, name, self.situation.firing))

    def _reason(self, asks: str) -> str:
        """Words about something that was typed; what may be typed at any time is taken here too."""
        typed = self.terminal.ask(asks)
        if entry := parse_at_any_time(typed, self.situation.firing):
            self._take_at_any_time(entry)
        return typed

    def _take_at_any_time(self, entry: Entry, *, aside: bool = True) -> None:
        """Log what was typed beside a question, and say so; where a reading is due it needs no word."""
        made = self._log(entry)
        if aside and (made.co2_pct is not None or made.event == "firing"):
            self._say(f"Logged: {answers.say_event(made)}.")
        self._say(*at_once(self.job, self.advice, self._moment()))
        raise AskAnew

    def _log(self, entry: Entry) -> Event:
        """Log something, unless the log is no longer the one that was asked about; the row it made."""
        try:
            said = entry(self.job, self._moment())
        except LogGrownError:
            self._say(CHANGED)
            raise AskAnew from None
        self._above, made = "", self.job.events[-1]
        if made.event == "void":
            self._say(answers.say_struck(self.job.events, int(made.value), "guide"))
        if isinstance(said, Verdict) and not said.allowed:
            self._say(answers.say_not_advised(said, "guide"))
        return made

    def _moment(self) -> datetime:
        return self.job.moment(self.now())

    # ---- on the screen

    def _say(self, *sentences: str) -> None:
        for sentence in sentences:
            if sentence:
                self.terminal.say(answers.say_plainly(sentence))

    def _say_apart(self, sentence: str) -> None:
        self.terminal.say("\n" + answers.say_plainly(sentence))

    def _show(self, answer: str) -> None:
        """Print an answer, unless it stands above already."""
        if answer and answer not in self._above:
            self._above += answer
            self.terminal.say(answer)
