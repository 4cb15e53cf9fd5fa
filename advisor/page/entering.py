"""What a form that was sent comes to: one entry of the dialogue, logged once, for the row it was made for."""

from collections.abc import Callable, Mapping
from datetime import datetime

from advisor import parsing
from advisor.decision.answers import Advice, Verdict
from advisor.dialogue import taken_up, waits
from advisor.dialogue.after_entry import at_once, comes_to, proof_comes_to
from advisor.dialogue.asked import Standing, standing
from advisor.dialogue.entries import (
    NO_ANSWER,
    Entry,
    parse_at_any_time,
    parse_entry,
    parse_question,
    parse_turn,
    reading_of,
    remark,
    run_again,
    skip_stage,
)
from advisor.dialogue.prompts import needs_cause
from advisor.dialogue.striking import NOTHING, last_row
from advisor.errors import LogGrownError, RangeError
from advisor.job import Job
from advisor.log.events import Event
from advisor.page import forms, practice
from advisor.page.visits import Visit
from advisor.report import answers, brief
from advisor.report.layout import for_a_page
from advisor.screws import FIRINGS, OFF, RUNNING
from advisor.wording.page import page_text

Given = Mapping[str, str]  # the fields of a form
MOST_LATE_S = 3600.0


def enter(visit: Visit, given: Given) -> list[str]:
    """Log what a form says; sentences on what it came to. RangeError, LogGrownError or LogError: nothing was logged."""
    with visit.lock, for_a_page():
        job = visit.job()
        at = visit.now(job, _late_s(given))
        act = given.get("act", "")
        if act in (OFF, "co"):
            return _at_any_time(visit, job, act, given, at)
        if given.get("row") != str(len(job.events)):
            raise LogGrownError(page_text("grown"))
        now = standing(job, at, "page")
        if act == "may":
            turn = parse_turn(_turn(given), now.situation.firing)
            return brief.say_verdict(now.case, job.may(*turn, at=at), "page").splitlines()
        if act == "pass":
            practice.let_pass(job, parsing.parse_number(given.get("seconds", ""), "wait"), at)
            return []
        said = _logged(visit, job, _ACTS.get(act, _unknown)(job, now, given), at, now)
        visit.taken_up &= act not in _SAY_HOW_IT_RUNS
        return said


def _at_any_time(visit: Visit, job: Job, act: str, given: Given, at: datetime) -> list[str]:
    """Burner off, or CO alone: from whatever page, but the same one only once."""
    now = standing(job, at, "page")
    since = job.events[int(given["row"]) :] if given.get("row", "").isdecimal() else ()
    if act == OFF:
        if now.situation.off or (not now.situation.was_lit and any(event.firing == OFF for event in since)):
            return [page_text("is-off")]
        if given.get("co", "").strip():  # CO stood in its field already: it is the reason
            _entry_at_any_time(f"co {_figure(given, 'co')}", now)(job, at)
            at = job.moment(at)
        return _logged(visit, job, _entry_at_any_time(OFF, now), at, now)
    entry = _entry_at_any_time(f"co {_figure(given, 'co')}", now)
    co_ppm = parsing.parse_number(_figure(given, "co"), "CO")
    if any(event.event == "reading" and event.co2_pct is None and event.co_ppm == co_ppm for event in since):
        raise LogGrownError(page_text("grown"))
    return _logged(visit, job, entry, at, now)


def _logged(visit: Visit, job: Job, entry: Entry, at: datetime, before: Standing) -> list[str]:
    rows = len(job.events)
    said = entry(job, at)
    made = job.events[rows:]
    after = [line for event in made for line in _came_to(job, event, visit.now(job), before)]
    if isinstance(said, Verdict) and not said.allowed:
        after.insert(0, answers.say_not_advised(said, "page"))
    return list(dict.fromkeys(after))


def _came_to(job: Job, made: Event, at: datetime, before: Standing) -> list[str]:
    situation, asked = job.situation(at), before.asked
    if made.event == "void":
        return [page_text("struck", row=made.value, event=answers.say_event(job.events[int(made.value) - 1]))]
    if made.event == "check":
        return comes_to(made.item, situation)
    said = at_once(job, before.advice, at, "page")
    if asked and asked.proof and made.event == "reading":
        said += proof_comes_to(asked.proof, situation)
    return said


# ---- one function for each thing a form can say


def _answer(job: Job, now: Standing, given: Given) -> Entry:
    sheet = forms.sheet_of(now)
    if sheet is None or sheet.questions[0].item != given.get("item"):
        raise LogGrownError(page_text("grown"))
    typed = sheet.typed(given)
    if not any(words for _, words in typed) and given.get(forms.CHOICE) != forms.LEAVE_OUT:
        optional = sheet.questions[0].optional
        raise RangeError(NO_ANSWER if not optional else page_text("nothing-filled"))
    entries = [parse_question(words, question, now.situation, now.progress) for question, words in typed]

    def log(job: Job, at: datetime) -> None:
        for entry in entries:
            entry(job, at)

    return log


def _read(job: Job, now: Standing, given: Given) -> Entry:
    if now.situation.firing is None:
        raise RangeError(page_text("rate-first"))
    return reading_of([_figure(given, name) for name in ("co2", "o2", "co")], now.situation.firing)


def _run(job: Job, now: Standing, given: Given) -> Entry:
    """The burner runs at a rate, with CO as it comes up where that is given."""
    firing = given.get("firing", "")
    if firing not in FIRINGS:
        raise RangeError(page_text("which-rate"))
    if needs_cause(now.advice, now.situation.firing):
        return run_again(firing, given.get("why", "").strip(), now.advice, now.situation.firing)
    return parse_entry(_figure(given, "co"), Advice("run_at", firing=firing), now.situation.firing)


def _how(job: Job, now: Standing, given: Given) -> Entry:
    """How the burner was found when the visit was taken up again; nothing is logged where it is as logged."""
    running = parsing.one_of(given.get("firing", ""), RUNNING)
    if running not in RUNNING:
        raise RangeError(taken_up.ASKS)
    return (lambda job, at: None) if running == now.situation.firing else taken_up.found(running)


def _turned(job: Job, now: Standing, given: Given) -> Entry:
    return parse_entry(_turn(given), Advice("turn", firing=now.situation.firing), now.situation.firing)


def _word(job: Job, now: Standing, given: Given) -> Entry:
    """A word that is typed in the guide: tight, leaking, richer, leaner; or a check of a name."""
    return parse_entry(given.get("word", ""), Advice("read"), now.situation.firing)


def _strike(job: Job, now: Standing, given: Given) -> Entry:
    row, why = given.get("strike", "").strip(), given.get("why", "").strip()
    if row:
        number = parsing.parse_whole(row, "row")
        return lambda job, at: job.void(number, at=at, note=why)
    last = last_row(job)
    if last is None:
        raise RangeError(NOTHING)
    return last.strike(never_made=given.get("never") == "yes", why=why)


def _skip(job: Job, now: Standing, given: Given) -> Entry:
    if now.state is None or now.state.stage.name != given.get("stage"):
        raise LogGrownError(page_text("grown"))
    return skip_stage(_words(given, "why"), now.state.stage.name, now.situation.firing)


def _cut(job: Job, now: Standing, given: Given) -> Entry:
    return waits.cut_short(_words(given, "why"), now.asked.wait_s if now.asked else 0.0, now.situation.firing)


def _note(job: Job, now: Standing, given: Given) -> Entry:
    return remark(_words(given, "words"))


def _unknown(job: Job, now: Standing, given: Given) -> Entry:
    raise RangeError(page_text("unknown-form"))


_ACTS: Mapping[str, Callable[[Job, Standing, Given], Entry]] = {
    "answer": _answer, "read": _read, "run": _run, "turn": _turned, "word": _word, "strike": _strike, "skip": _skip,
    "cut": _cut, "note": _note, "how": _how,
}  # fmt: skip
_SAY_HOW_IT_RUNS = ("how", "run")


def _entry_at_any_time(typed: str, now: Standing) -> Entry:
    entry = parse_at_any_time(typed.strip(), now.situation.firing)
    assert entry
    return entry


def _turn(given: Given) -> str:
    """Screw, size and way as typed at the keyboard."""
    words = [given.get("screw", ""), _figure(given, "far"), given.get("way", "")]
    return " ".join(" ".join(words).split())


def _figure(given: Given, name: str) -> str:
    return forms.decimal(given.get(name, ""))


def _words(given: Given, name: str) -> str:
    words = " ".join(given.get(name, "").split())
    if not words:
        raise RangeError(page_text("in-words"))
    return words


def _late_s(given: Given) -> float:
    """How long ago the form was sent first, where the network was gone meanwhile."""
    try:
        return min(max(float(given.get("late_s") or 0.0), 0.0), MOST_LATE_S)
    except ValueError:
        return 0.0
