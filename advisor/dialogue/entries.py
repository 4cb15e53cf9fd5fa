"""What is typed where an answer, a reading or a turn is due, turned into an entry of the job."""

import re
import shlex
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import NamedTuple

from advisor import parsing
from advisor.chemistry import gas_meter
from advisor.decision.answers import Advice, Verdict
from advisor.diagnosis.carbon_monoxide import stops_for_co, worth_a_reason
from advisor.dialogue.moments import parse_time
from advisor.dialogue.prompts import ASKS_CAUSE, CAUSE_HINT, READING, alarm_of, in_words, needs_cause
from advisor.errors import RangeError
from advisor.job import Job
from advisor.log import check_items
from advisor.log.events import Event
from advisor.procedure.progress import Progress, due_before_lighting
from advisor.procedure.stages import Question
from advisor.response.situation import Situation
from advisor.screws import FIRINGS, OFF, SCREW_FOR, SCREWS, Firing, Screw
from advisor.wording.numbers import say_typed

MOST_O2_PCT = 25  # a display shows no more, whatever it is zeroed to
NO_ANSWER = "Enter alone is no answer here"
WITH_EFFECT = (check_items.STANDING, check_items.WORKING, check_items.SAMPLE_LINE,
               *map(check_items.clockwise_item, SCREWS), check_items.CO_CAUSE, check_items.SERIAL)  # fmt: skip
WHEN_TURNED = "When it was turned is not known: of this reading only CO counts. Read again after the wait."
_DONE = ("fixed", "mended", "repaired", "cleaned", "cleared", "replaced")  # at a stop, in a word
_NOTHING = ("0", "no", "n", "none", "nothing")  # was turned; a CO2 of 0 is no reading of a flame
_PRESSURE = re.compile(r"(?:(?:running|off|none)\s+)?([\d.,]+\s*(?:[A-Za-z][A-Za-z.2 ]*)?)")
_NUMBERS = re.compile(r"[\d.,]+(\s+[\d.,]+){0,2}")

READ = ("CO2", "O2", "CO")  # in this order
Entry = Callable[[Job, datetime], object]  # logs something at a moment


class Turn(NamedTuple):
    """A turn of a screw, clockwise positive."""

    screw: Screw
    turns_cw: float


# ---- where a question of the visit is asked


def parse_question(typed: str, question: Question, situation: Situation, progress: Progress) -> Entry:
    """The entry that answers a question; Enter alone takes what is usual or leaves it out. Raises RangeError.

    What was answered wrongly can't be left out any more.
    """
    check, item, words = question.check, question.item, typed or question.usual
    if not words:
        asked_again = progress.current is not None and progress.current.state == "blocked"
        if asked_again or not question.optional:
            raise RangeError(f"{NO_ANSWER}.")
        return lambda job, at: job.note("left out", item=check_items.LEFT_OUT, value=item, at=at)
    if check.kind == "meter":
        kw, how = _timed_kw(words, situation)
        return lambda job, at: job.check(item, f"{kw:.3g}", "kW", at=at, note=how)
    if parts := _parts(words, question):
        answers = [
            (name, *check_items.parse_answer(check_items.CHECK_ITEMS[name], part, situation.setup, situation.at.date()))
            for name, part in parts
        ]
    else:
        answers = [(item, *check_items.parse_answer(check, words, situation.setup, situation.at.date()))]

    def log(job: Job, at: datetime) -> None:
        for answer in answers:
            log_check(job, *answer, at=at)

    return log


def log_check(job: Job, item: str, value: str, unit: str = "", *, at: datetime | None, note: str = "") -> None:
    """Log a check. RangeError for an appliance left in service though a stop stands or the proof is not whole."""
    left = item == check_items.OUTCOME and parsing.one_of(value, (check_items.IN_SERVICE,)) == check_items.IN_SERVICE
    if left and (barred := job.progress(at).barred):
        raise RangeError(in_words(barred))
    job.check(item, value, unit, at=at, note=note)


def _parts(words: str, question: Question) -> list[tuple[str, str]]:
    """The checks that an answer gives at once, each with its words; empty where it gives the one that was asked.

    RangeError for more than there are.
    """
    items = (question.item, *question.more)
    if len(items) == 1:
        return []
    semicolons = ";" in words or question.check.kind == "text" or question.item == check_items.OUTCOME
    parts = [part.strip() for part in (words.split(";") if semicolons else words.split(maxsplit=len(items) - 1))]
    if len(parts) == 1:
        return []
    if len(parts) > len(items):
        raise RangeError(f"{len(parts)} answers to {len(items)} things: {', '.join(items)}")
    return [(item, part) for item, part in zip(items, parts, strict=False) if part]


def _timed_kw(typed: str, situation: Situation) -> tuple[float, str]:
    """Input rate in kW from the dial's time, and how it came about."""
    heating_value = situation.setup.heating_value
    if heating_value is None:
        raise RangeError("no heating value that can be read is in the log: log that check, then time the meter")
    told = situation.checks(check_items.METER_GAS)
    factor = gas_meter.parse_reference_factor(told[-1].event.value) if told else 1.0
    kw = gas_meter.timed_input_kw(typed, heating_value, factor)
    return kw, f"{typed} s, {heating_value[0]:g} {heating_value[1]}, volume factor {factor:.3f}"


# ---- where a reading, a turn or a change of rate is due


def parse_turn(typed: str, firing: Firing | None) -> Turn:
    """ "offset 15 cw", or "15 cw" of the screw of this rate. Raises RangeError."""
    first, _, rest = typed.strip().partition(" ")
    screw = parsing.one_of(first, SCREWS)
    if screw in SCREWS:
        return Turn(screw, parsing.parse_turn(rest))
    if not firing:
        raise RangeError(f"Which screw? Say it first: throttle {typed}.")
    return Turn(SCREW_FOR[firing], parsing.parse_turn(typed))


def parse_may(typed: str, firing: Firing | None) -> Turn | None:
    """The turn that is asked about with "may 1/12 cw"; None where something else was typed. Raises RangeError."""
    word, _, turn = typed.partition(" ")
    return parse_turn(turn, firing) if turn and word.lower() == "may" else None


def parse_at_any_time(typed: str, firing: Firing | None) -> Entry | None:
    """What may be typed at every prompt and in every wait: CO, burner off, a reading, a known check; None for others.

    Raises RangeError for what begins like one of these and is none.
    """
    word, _, rest = typed.partition(" ")
    if word.lower() == "co":
        co_ppm = parsing.parse_number(rest, "CO")
        return lambda job, at: job.co(co_ppm, at=at)
    if word.lower().rstrip(",;:.") == OFF:
        return lambda job, at: job.run_at(OFF, at=at, note=rest.strip())
    if firing and _NUMBERS.fullmatch(typed) and len(typed.split()) == 3:
        return _reading(typed, firing)
    if word.lower() == "void" and rest[:1].isdigit():
        return _void(rest)
    if typed.lower().startswith(check_items.OUT_OF_SERVICE):
        left = typed[len(check_items.OUT_OF_SERVICE) :].strip(" ;,")
        return lambda job, at: leave_out_of_service(job, at, left)
    return _check(typed) if word.lower() == "check" and _check_words(typed)[0] in check_items.CHECK_ITEMS else None


def parse_entry(typed: str, advice: Advice, firing: Firing | None) -> Entry:
    """The entry that was typed; `firing` is the rate that runs, None where none does. Raises RangeError.

    Enter alone does what the advice says, but no turn: one that was never made would be in the log. A turn that was
    made is an entry whatever its size. Where CO alone is due a number alone is CO.
    """
    low, *rest = typed.lower().split() or [""]
    if not typed and advice.action == "turn":
        raise RangeError(f"{NO_ANSWER}: yes, if you turned it so, or what you turned; 0: nothing.")
    if not typed or (advice.action in ("run_at", "turn") and low in ("yes", "y", "ok", "done") and not rest):
        return _as_advised(advice)
    if advice.action == "run_at" and advice.firing and advice.firing != firing and _NUMBERS.fullmatch(typed):
        return _run_and_read(typed, advice.firing)
    if entry := parse_at_any_time(typed, firing):
        return entry
    rate = parsing.one_of(low.rstrip(",;:."), FIRINGS)
    if rate not in FIRINGS and (entry := cause_of_co(typed, advice, firing)):
        return entry
    if is_co(typed) and not wrong_pressure(advice) and firing:
        return parse_at_any_time(f"co {typed}", firing) or _as_advised(advice)
    if measured := wrong_pressure(advice) and _PRESSURE.fullmatch(typed):
        if _NUMBERS.fullmatch(typed):
            raise RangeError(f"{typed}: a pressure or CO? Type {typed} mbar, or co {typed}.")
        return _pressure(measured[1], str(advice.stops[0].data["item"]))
    if parsing.split_unit(typed)[1]:
        return _pressure(typed)
    if low == "co2" and firing:
        return _reading(typed.partition(" ")[2], firing)
    if (advice.asks_co or (advice.stopped_before and firing)) and not rest and _NUMBERS.fullmatch(typed):
        return parse_at_any_time(f"co {typed}", firing) or _as_advised(advice)
    if not rest and low in _NOTHING:
        raise RangeError("Then nothing was logged. Read again, or type what was turned.")
    if _NUMBERS.fullmatch(typed):
        if not rest and firing:
            parsing.parse_number(typed, "CO2")
            raise RangeError(f"{typed}: CO2 or CO? Type co {typed}, or {READING}; CO2 alone: co2 {typed}.")
        return _reading(typed, firing)
    if rate in FIRINGS:
        return run_again(rate, typed.partition(" ")[2].strip(), advice, firing)
    if not rest and (entry := _one_word(low, firing)):
        return entry
    if low == "check":
        return _check(typed)
    if low == "void":
        return _void(typed.partition(" ")[2])
    if {"not", "never"} & {low, *rest} and any(word.startswith("turn") for word in typed.lower().split()):
        raise RangeError("Never made? Type void and its row (advisor show has it); back, where it was entered last.")
    said = len(rest) > 1 and advice.firing is not None  # more than two words where a reading or an answer is due
    if ((advice.action == "halt" and (rest or low in _DONE)) or said) and not any(map(str.isdigit, typed)):
        return remark(typed)
    if advice.action != "turn" and not any(map(str.isdigit, typed)):
        raise RangeError(f"'{typed}' is not understood: type {READING}; ? says what else.")
    if _check_words(f"check {typed}")[0] in check_items.CHECK_ITEMS:  # standing pressure 20 mbar
        return _check(f"check {typed}")
    words, _, when = typed.partition("--at")  # one put right after it was struck
    turn, made_at = parse_turn(words.rstrip(), firing), parse_time(when or None)
    return lambda job, at: log_turn(job, turn, made_at or at)


def with_points(typed: str) -> str:
    """Figures of a whole reading that were typed with decimal commas, "8,3 6,1 18", with points."""
    whole = _NUMBERS.fullmatch(typed) and len(typed.split()) > 1
    return re.sub(r"(\d),(\d{1,2})(?!\d)", r"\1.\2", typed) if whole else typed


def meant(typed: str, message: str) -> str:
    """What was typed with the figure that a message asks back, "81 % CO2 can't be. Did you mean 8.1?"; else ""."""
    asked = re.search(r"(?:'|^)([\d.,]+)\b.*Did you mean ([\d.]*\d)\?", message)
    return typed.replace(asked[1], asked[2], 1) if asked else ""


def asks_first(typed: str, advice: Advice, situation: Situation) -> str:
    """What is asked before a reading counts that was typed where a turn or another rate was due: was that done?

    "" where nothing is asked: CO over what bars a turn richer waits for no answer.
    """
    firing, figures = situation.firing, typed.split()
    if not firing or not _NUMBERS.fullmatch(typed) or len(figures) < 2:
        return ""
    co2_pct, co_ppm = (parsing.maybe_number(each, "figure") for each in (figures[0], "".join(figures[2:]) or None))
    event = Event(situation.at, "reading", firing=firing, co2_pct=co2_pct, co_ppm=co_ppm)
    if worth_a_reason(situation.setup, event):
        return ""
    if advice.action == "turn" and advice.turns_cw:
        return f"Did you turn first? (yes: {say_typed(advice.turns_cw)}, as advised; no; or what you turned)"
    changes = advice.action == "run_at" and advice.firing != firing and len(figures) == len(READ)
    return f"Has it been changed to {advice.firing} fire? (yes, no)" if changes else ""


def parse_after(typed: str, answer: str, advice: Advice, firing: Firing) -> Entry:
    """The entry of such a reading, by what was answered. Raises RangeError.

    When a turn was made that nobody told is not known: of the reading only CO counts, CO2 is read after the wait.
    """
    low = answer.lower()
    if low in _NOTHING:
        return _reading(typed, firing)
    if advice.action == "run_at" and advice.firing:
        if low not in ("yes", "y"):
            raise RangeError("yes or no. Nothing was logged.")
        return _run_and_read(typed, advice.firing)
    if low in ("yes", "y") and advice.screw and advice.turns_cw:
        turn = Turn(advice.screw, advice.turns_cw)
    else:
        turn = parse_turn(answer, firing)
    co_ppm = "".join(typed.split()[2:])

    def log(job: Job, at: datetime) -> None:
        with job.together():
            log_turn(job, turn, at)
            if co_ppm:
                job.co(parsing.parse_number(co_ppm, "CO"), at=job.moment(at))

    return log


def _void(typed: str) -> Entry:
    """The strike of a row, with why; of the last one where none is named."""
    row, *why = typed.split(maxsplit=1) or [""]
    number = parsing.maybe_whole(row or None, "row")
    return lambda job, at: job.void(number, at=at, note="".join(why))


def leave_out_of_service(job: Job, at: datetime, name: str) -> None:
    """Log that the appliance is left out of service, and by whom where that was said."""
    job.check(check_items.OUTCOME, check_items.OUT_OF_SERVICE, at=at)
    if name:
        job.check("technician", name, at=at)


def is_co(typed: str) -> bool:
    """Whether a figure alone can only be CO: no CO2 and no O2 is as high."""
    return typed.isdigit() and int(typed) > MOST_O2_PCT


def wrong_pressure(advice: Advice) -> bool:
    """Whether a gas pressure, wrong or due, stops the job first: then it is what is measured next."""
    return advice.action == "halt" and advice.stops[0].code in ("pressure", "pressure-due")


def _pressure(words: str, item: str = "") -> Entry:
    """The check of a pressure typed alone: the one that stops the job, or the standing one where that is due.

    RangeError where it may be either.
    """

    def log(job: Job, at: datetime) -> None:
        situation = job.situation(at)
        due = situation.firing is None and check_items.STANDING in due_before_lighting(situation)
        name = check_items.STANDING if due else item
        if not name or (name == check_items.WORKING and situation.firing is None):
            both = f"standing {words} (burner off) or working {words} (high fire)"
            raise RangeError(f"Which pressure? Type {both}.")
        check = check_items.check_item(name, situation.setup)
        assert check
        job.check(name, *check_items.parse_answer(check, words, situation.setup, at.date()), at=at)

    return log


def remark(words: str) -> Entry:
    """A remark; a smell of gas or an alarm in it is logged as what it is."""
    return lambda job, at: log_remark(job, words, at)


def log_remark(job: Job, words: str, at: datetime | None) -> None:
    """Log a remark; a smell of gas or an alarm in it as what it is."""
    if alarm := alarm_of(words):
        job.check(*alarm, at=at, note=words)
    else:
        job.note(words, at=at)


def run_again(rate: Firing, words: str, advice: Advice, firing: Firing | None) -> Entry:
    """The change to a rate, with words on it. RangeError where the cause of CO is to be told, and is not."""
    if not needs_cause(advice, firing):
        if words:
            refuse_entry(words, firing)
        return lambda job, at: job.run_at(rate, at=at, note=words)
    told = cause_of_co(words, advice, firing)
    if told is None:
        raise RangeError(f"{ASKS_CAUSE} Type {CAUSE_HINT.removeprefix('such as: ')}.")

    def log(job: Job, at: datetime) -> None:
        told(job, at)
        job.run_at(rate, at=at)

    return log


def cause_of_co(words: str, advice: Advice, firing: Firing | None) -> Entry | None:
    """The check that words on the cause of CO make: mended, with what it was, or not found; None for a mere remark.

    Where it is asked for, any word for mended will do; else that word itself. Alone it stands for what was remarked.
    """
    if not any(map(stops_for_co, advice.findings)):
        return None
    asked, low = needs_cause(advice, firing), set(re.findall("[a-z]+", words.lower()))
    if asked and (low in ({"no"}, {"unknown"}) or {"not", "found"} <= low):
        value = check_items.NOT_FOUND
    elif low & {"no", "not", "never"} or not low & (set(_DONE) if asked else {check_items.MENDED}):
        return None
    else:
        value = check_items.MENDED

    def log(job: Job, at: datetime) -> None:
        now = job.situation(at)
        since_s = now.off.at_s if now.off else now.at_s
        remarks = [row.event.note for row in now.of("note") if row.at_s > since_s and not row.event.item]
        note = words if len(low) > 1 else "; ".join(remarks)
        job.check(check_items.CO_CAUSE, value, note="" if note == value else note, at=at)

    return log


def log_turn(job: Job, turn: Turn, at: datetime | None, note: str = "") -> Verdict:
    """Log a turn that was made; what `may` said of it just before."""
    verdict = job.may(*turn, at=at)
    job.turn(*turn, at=at, note=note)
    return verdict


def refuse_entry(reason: str, firing: Firing | None) -> None:
    """Raise RangeError where a reason is a reading, a turn or another entry: typed too early, it would be lost."""
    if any(map(str.isalpha, reason)) and reason.lower() not in check_items.YES_OR_NO:
        try:
            parse_entry(reason, Advice("read"), firing)
        except RangeError:
            return
    raise RangeError(f"'{reason}' is no reason: say why in words. A reading or a turn is asked for after it.")


def skip_stage(reason: str, name: str, firing: Firing | None) -> Entry:
    """The note that leaves a stage out. RangeError where the reason is a reading or a turn."""
    refuse_entry(reason, firing)
    return lambda job, at: job.note(reason, item=check_items.SKIPPED, value=name, at=at)


def is_known(item: str, job: Job) -> bool:
    """Whether a check of this name is more than a remark in this job."""
    return item in check_items.CHECK_ITEMS or item in job.setup.pressures


def _as_advised(advice: Advice) -> Entry:
    screw, turns, firing = advice.screw, advice.turns_cw, advice.firing
    if advice.action == "run_at" and firing:
        return lambda job, at: job.run_at(firing, at=at)
    if advice.action == "turn" and screw and turns:
        return lambda job, at: log_turn(job, Turn(screw, turns), at)
    raise RangeError(f"{NO_ANSWER}: type {READING}; ? says what else.")


def _reading(typed: str, firing: Firing | None) -> Entry:
    if not firing:
        raise RangeError("At which rate does it run? Type high or low first.")
    return reading_of(typed.split(), firing)


def reading_of(words: Sequence[str], firing: Firing) -> Entry:
    """The reading of CO2, O2 and CO as typed, each on its own; O2 or CO may be left out, CO may stand alone.

    Raises RangeError.
    """
    shown = [parsing.maybe_number(word.strip() or None, name) for word, name in zip(words, READ, strict=False)]
    if shown[0] is not None:
        co2_pct, rest = shown[0], shown[1:]
        return lambda job, at: job.read(firing, co2_pct, *rest, at=at)
    if len(shown) == len(READ) and (co_ppm := shown[-1]) is not None and shown[1] is None:
        return lambda job, at: job.co(co_ppm, at=at)
    raise RangeError("CO2 is missing: give it with O2 and CO, or CO alone.")


def _run_and_read(typed: str, firing: Firing) -> Entry:
    """The change to a rate with what is displayed as it begins: CO alone, or CO2, O2 and CO."""
    numbers = typed.split()
    if len(numbers) == 2:
        raise RangeError(f"Enter when it runs; with it CO alone, or {READING}.")
    read = parse_at_any_time(f"co {typed}", firing) if len(numbers) == 1 else _reading(typed, firing)
    assert read

    def log(job: Job, at: datetime) -> None:
        with job.together():  # a slip in the figures leaves the rate unlogged too
            job.run_at(firing, at=at)
            read(job, job.moment(at))

    return log


def _one_word(word: str, firing: Firing | None) -> Entry | None:
    if word in (check_items.TIGHT, check_items.LEAKING):
        return lambda job, at: job.check(check_items.SAMPLE_LINE, word, at=at)
    if word in ("richer", "leaner") and firing:
        item = check_items.clockwise_item(SCREW_FOR[firing])
        return lambda job, at: job.check(item, word, at=at)
    return None


def _check_words(typed: str) -> list[str]:
    """What is checked, and how it is, of "check working pressure 19.8 mbar"; a known name needs no quotes."""
    try:
        words = shlex.split(typed.replace("'", r"\'"))[1:]
    except ValueError:
        raise RangeError("a quote is not closed: close it, or leave it out") from None
    for end in range(len(words) - 1, 0, -1):
        if (item := check_items.item_of(" ".join(words[:end]))) in check_items.CHECK_ITEMS:
            answer = " ".join(words[end:])
            return [item, answer] if answer in check_items.CHECK_ITEMS[item].choices else [item, *words[end:]]
    return words or [""]


def _check(typed: str) -> Entry:
    words = _check_words(typed)
    if len(words) not in (2, 3):
        raise RangeError("check needs what and how it is: check working pressure 19.8 mbar")

    def log(job: Job, at: datetime) -> None:
        if not is_known(words[0], job):  # here a remark has a word of its own
            raise RangeError(
                f"'{words[0]}' is not a check known here: known are {', '.join(WITH_EFFECT)} and what the guide asks; "
                "a remark is typed as: note WORDS. Nothing was logged."
            )
        log_check(job, words[0], words[1], *words[2:], at=at)

    return log
