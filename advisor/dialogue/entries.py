"""What is typed where a reading or a turn is due, turned into an entry of the job, and what follows an entry."""

import re
import shlex
from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple

from advisor import parsing
from advisor.decision.answers import Advice
from advisor.dialogue.moments import parse_time
from advisor.errors import RangeError
from advisor.job import Job
from advisor.log.check_items import CHECK_ITEMS, LEAKING, SAMPLE_LINE, TIGHT, clockwise_item
from advisor.log.events import still_valid
from advisor.messages import Finding
from advisor.response.situation import Situation
from advisor.screws import FIRINGS, SCREW_FOR, SCREWS, Firing, Screw
from advisor.wording.numbers import say_typed
from advisor.wording.visit import QUESTIONS

READING = "CO2 O2 CO, such as 8.1 6.5 24"
OTHERS = (
    "You may also type: high or low (the rate it runs at), a turn such as 1/24 cw, may 1/12 cw, tight or leaking (the "
    "sample line), richer or leaner (this screw, clockwise), check ITEM VALUE UNIT, void ROW."
)
WITH_EFFECT = ("standing pressure", "working pressure", "sample line", "offset clockwise", "throttle clockwise",
               "cause of CO", "serial number")  # fmt: skip
NOTHING = ("0", "no", "n", "none", "nothing")  # was turned; a CO2 of 0 is no reading of a flame
_NUMBERS = re.compile(r"[\d.,]+(\s+[\d.,]+){0,2}")

Entry = Callable[[Job, datetime], object]  # logs something at a moment


class Turn(NamedTuple):
    """A turn of a screw, clockwise positive."""

    screw: Screw
    turns_cw: float


def parse_turn(typed: str, firing: Firing | None) -> Turn:
    """ "offset 1/24 cw", or "1/24 cw" of the screw of this rate. Raises RangeError."""
    first, _, rest = typed.strip().partition(" ")
    screw = parsing.one_of(first, SCREWS)
    if screw in SCREWS:
        return Turn(screw, parsing.parse_turn(rest))
    if not firing:
        raise RangeError("Which screw? Say it first: throttle 1/24 cw.")
    return Turn(SCREW_FOR[firing], parsing.parse_turn(typed))


def entry_prompt(advice: Advice, situation: Situation) -> str:
    """What is asked where a reading, a turn or a change of rate is due."""
    match advice.action:
        case "run_at":
            return f"Change to {advice.firing} fire in test mode (Enter when it runs)"
        case "turn" if advice.turns_cw:
            return f"What did you turn? (Enter: {say_typed(advice.turns_cw)}, as advised; 0: nothing)"
        case "halt":
            return "A new reading, or what was done or found"
        case "read" if situation.tracker.open_shortfalls:
            return f"{QUESTIONS[SAMPLE_LINE].asks}\n(tight, leaking; or {READING})"
    return f"At {situation.firing} fire: {READING}"


def parse_entry(typed: str, advice: Advice, firing: Firing | None) -> Entry:
    """The entry that was typed; `firing` is the rate that runs, None where none does. Raises RangeError.

    Enter alone does what the advice says. A turn that was made is an entry whatever its size.
    """
    low, *rest = typed.lower().split() or [""]
    if not typed:
        return _as_advised(advice)
    if not rest and low in NOTHING:
        raise RangeError("Then nothing was logged. Read again, or type what was turned.")
    if _NUMBERS.fullmatch(typed):
        return _reading(typed, firing)
    if not rest and (entry := _one_word(low, firing)):
        return entry
    if low == "check":
        return _check(typed)
    if low == "void":
        row = parsing.parse_whole(rest[0], "row") if rest else None
        return lambda job, at: job.void(row, at=at)
    if advice.action != "turn" and not any(map(str.isdigit, typed)):
        raise RangeError(f"'{typed}' is not understood: type {READING}; ? says what else.")
    words, _, when = typed.partition("--at")  # one put right after it was struck
    turn, made_at = parse_turn(words.rstrip(), firing), parse_time(when or None)
    return lambda job, at: job.turn(turn.screw, turn.turns_cw, at=made_at or at)


def _one_word(word: str, firing: Firing | None) -> Entry | None:
    rate = parsing.one_of(word, FIRINGS)
    if rate in FIRINGS:
        return lambda job, at: job.run_at(rate, at=at)
    if word in (TIGHT, LEAKING):
        return lambda job, at: job.check(SAMPLE_LINE, word, at=at)
    if word in ("richer", "leaner") and firing:
        item = clockwise_item(SCREW_FOR[firing])
        return lambda job, at: job.check(item, word, at=at)
    return None


def refuse_entry(reason: str, firing: Firing | None) -> None:
    """Raise RangeError where a reason is a reading, a turn or another entry: typed too early, it would be lost."""
    if any(map(str.isalpha, reason)):
        try:
            parse_entry(reason, Advice("read"), firing)
        except RangeError:
            return
    raise RangeError(f"'{reason}' is no reason: say why in words. A reading or a turn is asked for after it.")


def after_entry(job: Job, moment: datetime | None) -> tuple[datetime | None, list[Finding]]:
    """The moment to answer for after an entry was made for `moment` (None: now), and what is to be noted on it.

    What stands in the log counts: no answer of an hour ago may hide a stop.
    """
    made, notes = job.events[-1], []
    if made.event == "check" and not _is_known(made.item, job):
        notes.append(Finding("unknown-check", "note", data=_unknown(made.item)))
    last = max(event.time for event, stands in zip(job.events, still_valid(job.events), strict=True) if stands)
    if moment is not None and moment < last:
        clock = "%H:%M" if moment.date() == last.astimezone(moment.tzinfo).date() else "%Y-%m-%d %H:%M"
        return last, [*notes, Finding("back-dated", "note", data={"last": last.strftime(clock)})]
    return moment, notes


def _as_advised(advice: Advice) -> Entry:
    screw, turns, firing = advice.screw, advice.turns_cw, advice.firing
    if advice.action == "run_at" and firing:
        return lambda job, at: job.run_at(firing, at=at)
    if advice.action == "turn" and screw and turns:
        return lambda job, at: job.turn(screw, turns, at=at)
    raise RangeError(f"Enter alone is no answer here: type {READING}; ? says what else.")


def _reading(typed: str, firing: Firing | None) -> Entry:
    if not firing:
        raise RangeError("At which rate does it run? Type high or low first.")
    shown = [parsing.parse_number(word, name) for word, name in zip(typed.split(), ("CO2", "O2", "CO"), strict=False)]
    return lambda job, at: job.read(firing, *shown, at=at)


def _check(typed: str) -> Entry:
    try:
        words = shlex.split(typed)[1:]
    except ValueError:
        raise RangeError("a quote is not closed: close it, or leave it out") from None
    if len(words) not in (2, 3):
        raise RangeError('check needs what and how it is: check "working pressure" 19.8 mbar')

    def log(job: Job, at: datetime) -> None:
        if not _is_known(words[0], job):  # here a remark has a word of its own
            known = _unknown(words[0])["known"]
            raise RangeError(
                f"'{words[0]}' is not a check known here: known are {known} and what the guide asks; a remark is typed "
                "as: note WORDS. Nothing was logged."
            )
        job.check(words[0], words[1], *words[2:], at=at)

    return log


def _is_known(item: str, job: Job) -> bool:
    return item in CHECK_ITEMS or item in job.setup.pressures


def _unknown(item: str) -> dict[str, str]:
    return {"item": item, "known": ", ".join(WITH_EFFECT)}
