"""Practice at the keyboard: a simulated boiler to set, and at the end the truth, the marks and how others would do.

Plain lines only, for any terminal and for a screen reader. Simulated minutes: nothing really waits.
"""

import itertools
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from advisor import parsing
from advisor.dialogue import moments
from advisor.errors import LogError, RangeError
from advisor.job import Job
from advisor.report import answers as text
from advisor.report import brief
from advisor.report.layout import WIDTH, table, wrapped
from advisor.screws import FIRING_FOR, FIRINGS, SCREWS, Firing, Screw
from advisor.training import marking
from advisor.training.lesson_play import Played, answer, last_word, steps
from advisor.training.lessons import Lesson
from advisor.training.simulated_visit import CLASSROOM, COMMANDS, FACTS, SimulatedVisit, VisitSettings
from advisor.training.simulator import BASE, FAULTS, LATER_FAULTS, Boiler, Scenario, draw
from advisor.training.strategies import adviser, fixed_step
from advisor.wording import numbers

SCENARIO = replace(BASE, name="practice", as_found_sd_pct=0.5)
LEAST_TO_SET_PCT = 0.4  # from the centre of the band at high fire
SEEDS = 10_000
CENTRES_PCT = {firing: sum(band) / 2 for firing, band in FACTS["bands"].items()}
NAMES = {  # what a fault is called at the keyboard
    "reversed": "reversed screw", "dead": "dead screw", "line": "air in the sample",
    "line later": "air in the sample later", "fuel": "analyser on another fuel", "pressure": "falling gas pressure",
    "air": "blocked intake", "rich": "rich start", "hand": "hand turns twice as far",
}  # fmt: skip
MOST_NAMES = 2  # that may be said to be wrong
FAULTY_SHARE = 0.5  # of the boilers that may have a fault
CHECK_S = {"line": 60.0, "pressure": 180.0, "fuel": 30.0, "air": 240.0, "screw": 60.0}  # what looking takes; invented
SHOWN_STEPS = 2  # of the display, by which a turn must have moved it to show which way the screw works
SCREW_UNKNOWN = (
    "The label does not say which way this screw works. A turn of one mark with a reading before and after it shows it."
)
STOPS = ("stop", "quit", "q", "end", "exit")
UNDOABLE = ("turn", "wait", "high", "low", "say")  # what shows nothing by itself
AT_THE_BOILER = ("read", "turn", "wait", *FIRINGS, "check", "mend", "off")
BESIDE_IT = ("ask", "say", "history", "undo")
PLAYERS = ("you", "adviser", "fixed 1/12")  # columns of the table at the end
ENDED = {"changed-by-itself": "changed", "sample-line-leak": "leak"}  # ends that are long, in a table
SESSION = "practice session"  # item of the log's row that tells how to play it again


@dataclass(frozen=True)
class Level:
    """How hard the boilers of a class are: how they differ, which faults half of them have."""

    scenario: Scenario
    faults: tuple[str, ...]
    about: str


LEVELS: Mapping[int, Level] = {
    1: Level(
        replace(
            SCENARIO, name="level 1", gain_offset=(5.0, 0.15), gain_throttle=(4.0, 0.15), backlash_turns=(0.0, 1 / 96),
            dead_time_s=(5.0, 8.0), time_constant_s=(8.0, 12.0), actuation_sd=0.04,
        ),
        (),
        "usual screws, little slack, a quick display, no fault",
    ),
    2: Level(
        replace(
            SCENARIO, name="level 2", gain_offset=(5.0, 0.5), gain_throttle=(4.0, 0.5), backlash_turns=(1 / 96, 1 / 32)
        ),
        ("reversed screw", "dead screw", "falling gas pressure", "blocked intake", "rich start"),
        "screws that differ, some slack; half have a fault that the flame shows",
    ),
    3: Level(
        replace(
            SCENARIO, name="level 3", gain_offset=(5.0, 0.8), gain_throttle=(4.0, 0.8), backlash_turns=(1 / 48, 1 / 16),
            dead_time_s=(10.0, 20.0), time_constant_s=(20.0, 45.0),
        ),
        ("air in the sample", "air in the sample later", "analyser on another fuel", "hand turns twice as far"),
        "screws that differ much, more slack, a slow display; half have a fault that the flame does not show",
    ),
}  # fmt: skip
ALL = Level(SCENARIO, FAULTS, "any fault")


@dataclass(frozen=True)
class Task:
    """Which boiler is played, and how it is asked for again.

    options  of `advisor practise` beside the seed
    """

    seed: int
    fault: str
    scenario: Scenario = SCENARIO
    hidden: bool = False
    options: str = ""

    def boiler(self) -> Boiler:
        """The task's boiler as found, new: the first of its number that has something to set."""
        for attempt in itertools.count():
            boiler = draw(self.scenario, np.random.default_rng([self.seed, attempt]), CENTRES_PCT, fault=self.fault)
            if abs(boiler.settled_pct("high") - CENTRES_PCT["high"]) > LEAST_TO_SET_PCT:
                return boiler
        raise AssertionError("there is always one")

    @property
    def typed(self) -> str:
        """The options that bring this boiler again."""
        return f"--seed {self.seed}{self.options}"


class PracticeVisit(SimulatedVisit):
    """A simulated visit in which looking takes its time, and shows only what can be seen then."""

    def check(self, name: str) -> None:
        """Look; the working pressure needs the burner on, the way of a screw a turn that showed it."""
        if name == "pressure" and not self.boiler.firing:
            raise RangeError("with the burner off there is no working pressure: change to high fire first")
        self.settings = replace(self.settings, check_s=CHECK_S[name])
        if name == "screw" and not self._screw_shown:
            self._did("check", SCREW_UNKNOWN, self._pass(CHECK_S[name]))
        else:
            super().check(name)

    @property
    def _screw_shown(self) -> bool:
        """Whether a turn, with a reading before and after it at its rate, has moved the display."""
        least, before, turned = SHOWN_STEPS * self.boiler.display_step_pct - 1e-9, None, False
        for act in self.acts:
            if act.kind == "run_at":
                before, turned = None, False
            elif act.kind == "turn":
                turned = before is not None
            elif act.shown and turned and before is not None and abs(act.shown.co2_pct - before) >= least:
                return True
            elif act.shown:
                before, turned = act.shown.co2_pct, False
        return False


class Practice:
    """One session: the boiler, its job log, what was typed, what was said to be wrong, how often `ask` was typed."""

    def __init__(self, task: Task, log: Path | None = None) -> None:
        self.task = task
        self.visit = self._begun(log)
        self.typed: list[str] = []
        self.said: list[str] = []
        self.answers: list[str] = []  # of the adviser, to each turn
        self.instead: list[str] = []  # what the adviser would have done
        self.told: set[str] = set()
        self.asked = 0
        self.over = False
        self.may_undo = False

    def _begun(self, log: Path | None = None) -> PracticeVisit:
        settings: VisitSettings = replace(CLASSROOM, log=log)
        return PracticeVisit(self.task.boiler(), FACTS, settings, moments.now().replace(microsecond=0))

    @property
    def prompt(self) -> str:
        """The question."""
        firing = self.visit.boiler.firing
        return f"{self.visit.boiler.now_s / 60:.1f} min, {f'{firing} fire' if firing else 'burner off'} > "

    def do(self, typed: str) -> str:
        """What one command brings, in words. RangeError, one sentence, for anything that is no command."""
        name, _, rest = typed.strip().partition(" ")
        match _verb(name):
            case "":
                return "Type ? for the commands."
            case "?" | "help":
                return say_help()
            case "history":
                return say_history(self)
            case "undo":
                return self._undo()
            case "stop":
                self.over = True
                return ""
            case verb:
                brought = self._done(verb, rest, typed)
        self.typed.append(typed.strip())
        self.may_undo = verb in UNDOABLE
        return brought

    def _done(self, verb: str, rest: str, typed: str) -> str:
        match verb:
            case "ask":
                self.asked += 1
                job, at = self.visit.job, self.visit.at
                advice = job.next(at)
                lines = brief.say_next(job.case(at), advice, job.progress(at, advice), "practice").splitlines()
                return "\n".join(line for line in lines if line != text.PRACTICE)  # said at the start
            case "say":
                return self._say(rest)
            case "turn":
                screw, turns_cw = self.visit.parsed_turn(rest.split())
                self.answers.append(answer(self.visit, screw, turns_cw, self.told, "practice"))
                self.instead.append(last_word(self.visit, "practice"))
        brought = self.visit.do(typed)
        self.over = bool(self.visit.ending)
        return "\n".join(wrapped(brought))

    def _say(self, name: str) -> str:
        if not name.strip():
            raise RangeError(f"say what? One of {', '.join(NAMES)}")
        fault = _fault_named(name)
        if not any(act.kind in ("read", "check") for act in self.visit.acts):
            raise RangeError("read or check first: nothing has been looked at yet")
        if len(self.said) >= MOST_NAMES:
            raise RangeError(f"only the first {MOST_NAMES} count, and you named {' and '.join(self.said)}")
        self.said.append(fault)
        left = MOST_NAMES - len(self.said)
        more = f"You may name {left} more." if left else "That was the last you may name."
        return text.say_plainly(f"Noted: you think it is {fault}. The end will tell.\n{more} A wrong name costs.")

    def _undo(self) -> str:
        """Take back what was typed last, where it showed nothing: played anew without it, the seconds apart."""
        if not self.may_undo:
            raise RangeError(f"nothing to undo: it takes back the last {', '.join(UNDOABLE)}, before anything else")
        last, old = self.typed.pop(), self.visit
        verb = _verb(last.split()[0])
        self.may_undo = False
        if verb == "say":
            return f"Taken back: {self.said.pop()}."
        if verb == "turn":
            self.answers.pop()
            self.instead.pop()
        if verb != "wait":
            old.job.void(at=old.at, note="typing")
            self.typed.append(f"wait {old.acts[-1].at_s - _time_before(old):g}")
        self.visit = self._begun()
        self.visit.start = old.start
        for command in self.typed:
            if _verb(command.split()[0]) not in ("ask", "say"):
                self.visit.do(command)
        self.visit.job = old.job
        return text.say_plainly(f"Taken back: {last}. It is as if it had not been done.")

    # ---- once it is over

    def end(self) -> None:
        """Close the session; its log tells how to play it again."""
        self.over = True
        if not self.visit.ending:
            self.visit.ending = marking.STOPPED
        if self.visit.job.path:
            self.visit.job.note(
                "; ".join(self.typed) or STOPS[0], item=SESSION, value=self.task.typed, at=self.visit.at
            )

    def mark(self) -> marking.Mark:
        """The pupil's marks."""
        return marking.mark(self.visit, self.task.fault, self.said, self.asked)

    def debrief(self) -> str:
        """The costliest moment in one line."""
        return marking.debrief(self.visit, self.mark(), self.instead, last_word(self.visit, "practice"))


def _verb(typed: str) -> str:
    """The command that a word means, cut short or not."""
    if typed.lower() in STOPS:
        return "stop"
    found = [parsing.one_of(typed, names) for names in (AT_THE_BOILER, BESIDE_IT)]
    return next((verb for verb in found if verb != typed), typed.lower())


def _time_before(visit: SimulatedVisit) -> float:
    return visit.acts[-2].at_s if len(visit.acts) > 1 else 0.0


def begin(task: Task, log: Path | None = None) -> Practice:
    """A new session; with `log` on disk. LogError where a file of that name is there."""
    if log and log.exists():
        raise LogError(
            f"{log}: there is a file of this name already, and nothing in it was touched. A practice session that was "
            f"broken off can't be taken up again, but its log is whole: advisor show {log}. For a new session choose "
            "another name"
        )
    return Practice(task, log)


def task_of(
    fault: str | None, surprise: bool, seed: int | None, *, hide: bool = False, level: int | None = None
) -> Task:
    """The boiler that is asked for. A seed left out is drawn; `hide` keeps the fault from the pupil.

    RangeError where the options do not fit each other.
    """
    if sum([bool(fault), surprise, level is not None]) > 1:
        raise RangeError("--fault, --surprise and --level: give one of them")
    if hide and not fault:
        raise RangeError("--hide: say with --fault what there is to hide")
    if seed is not None and not 0 <= seed < 2**31:
        raise RangeError(f"--seed {seed}: a whole number from 0 to {2**31 - 1} is allowed")
    seed = secrets.randbelow(SEEDS) if seed is None else seed
    if level is not None:
        if level not in LEVELS:
            raise RangeError(f"--level {level}: it is one of {', '.join(map(str, LEVELS))}")
        chosen = LEVELS[level]
        return Task(seed, drawn_fault(seed, chosen.faults), chosen.scenario, bool(chosen.faults), f" --level {level}")
    if surprise:
        return Task(seed, drawn_fault(seed, FAULTS), hidden=True, options=" --surprise")
    wrong = _fault_named(fault) if fault else ""
    return Task(seed, wrong, hidden=hide, options=f' --fault "{wrong}"{" --hide" if hide else ""}' if wrong else "")


def drawn_fault(seed: int, faults: tuple[str, ...]) -> str:
    """The fault of a boiler that may have one: half of them have none."""
    rng = np.random.default_rng([seed, 1])
    return str(rng.choice(faults)) if faults and rng.random() < FAULTY_SHARE else ""


def again(log: Path) -> Practice:
    """The session of a practice log, played once more. LogError where the log does not tell it."""
    told = [event for event in Job.load(log).events if event.item == SESSION]
    if not told:
        raise LogError(
            f"{log}: this log does not tell how to play it again; only a practice session that came to its end does"
        )
    try:
        practice = Practice(_task_typed(told[-1].value))
        for command in filter(None, told[-1].note.split("; ")):
            practice.do(command)
    except RangeError as error:
        raise LogError(f"{log}: its row '{SESSION}' can't be played again: {error}") from error
    practice.end()
    return practice


def _task_typed(options: str) -> Task:
    """The task of the options that `Task.typed` gives."""
    words: dict[str, str] = {}
    for part in options.split("--")[1:]:
        name, _, value = part.strip().partition(" ")
        words[name] = value.strip('"')
    return task_of(
        words.get("fault"),
        "surprise" in words,
        parsing.maybe_whole(words.get("seed"), "--seed"),
        hide="hide" in words,
        level=parsing.maybe_whole(words.get("level"), "--level"),
    )


@cache
def adviser_on(task: Task) -> SimulatedVisit:
    """The adviser at the task's boiler: line proved, lit, working pressure measured, then as it says."""
    visit = PracticeVisit(task.boiler())
    for look in ("line", "pressure"):
        if look == "pressure":
            visit.run_at("high")
        visit.check(look)
        if visit.found:
            visit.mend()
    return adviser(visit, prepared=False)


def played(practice: Practice) -> Played:
    """A session that is over, as a lesson is told."""
    hand, other, task = practice.visit, adviser_on(practice.task), practice.task
    hand.name, other.name = "You", "The adviser's way, same boiler"
    mark = practice.mark()
    told = Lesson(
        name="practice",
        title=f"Practice on boiler {task.seed}: {mark.points} points of {marking.FULL:.0f}",
        lesson=practice.debrief(),
        scene=_say_truth(practice),
        found_pct={firing: hand.as_found[firing].co2_pct for firing in FIRINGS},
        script="; ".join(practice.typed),
    )
    return Played(told, hand, other, tuple(steps(hand, practice.answers)), last_word(hand, "practice"))


def _fault_named(typed: str) -> str:
    """A fault by its short name or its own. RangeError for anything else."""
    wanted = " ".join(typed.lower().split())
    if wanted in FAULTS:
        return wanted
    short = parsing.one_of(wanted, tuple(NAMES)) if wanted not in NAMES else wanted
    if short not in NAMES:
        raise RangeError(f"fault '{typed.strip():.40}' is not known: it is one of {', '.join(NAMES)}")
    return NAMES[short]


def run(
    practice: Practice,
    ask: Callable[[str], str],
    tell: Callable[[str], object],
    keep: Callable[[], object] = lambda: None,
) -> None:
    """The session at the keyboard: `ask` puts the question, `tell` prints. The end of the input is the end.

    keep  called once it is over and before the truth is told, so that nobody plays the same boiler twice
    """
    tell(say_start(practice))
    while not practice.over:
        try:
            said = practice.do(ask(practice.prompt))
        except RangeError as error:
            said = text.say_plainly(f"{str(error)[:1].upper()}{str(error)[1:]}")
        except (EOFError, KeyboardInterrupt):
            tell("")
            break
        if said:
            tell(said)
    practice.end()
    try:
        keep()
    finally:
        tell(say_end(practice))


# ---- in words


def say_start(practice: Practice) -> str:
    """What the session begins with."""
    bands = ", ".join(f"{low:g} to {high:g} % at {firing} fire" for firing, (low, high) in FACTS["bands"].items())
    task = practice.task
    fault = f"Its fault: {task.fault or 'none'}."
    if task.hidden:
        fault = "It may have a fault, or none." if "--hide" in task.options else "Half of these boilers have a fault."
    return "\n".join(
        [
            *wrapped(text.PRACTICE),
            *wrapped(f"Boiler {task.seed}. {fault} Bands of CO2, invented: {bands}; natural gas."),
            *wrapped("Bring both rates truly into band: few turns, no overshoot; or find why that can't be done, say "
                     "it, and end with the burner off. ? explains, stop ends."),
        ]
    )  # fmt: skip


def say_help() -> str:
    """The commands."""
    commands = [
        *COMMANDS,
        (
            "say reversed",
            "s reversed",
            f"what you think is wrong; the first {MOST_NAMES} count; one of: {', '.join(NAMES)}",
        ),
        ("ask", "a", "what the adviser would say now"),
        ("history", "hist", "what was done so far"),
        ("undo", "u", "take back a turn, wait, rate or name just typed"),
        ("stop", "q", "end, and see the truth"),
    ]
    rows = [
        line for full, short, does in commands for line in wrapped(does, WIDTH, f"  {full:<14}{short:<12}", " " * 28)
    ]
    return "\n".join(
        [
            *wrapped("What you can do, in full and short:"),
            *table(rows, [f"{full}  or  {short}: {does}" for full, short, does in commands]),
            *wrapped("At high fire the throttle screw is set, at low fire the offset screw. Clockwise is richer on "
                      "most valves. A turn is up to one whole turn: 1/24 cw, 30deg ccw."),
        ]
    )  # fmt: skip


def say_history(practice: Practice) -> str:
    """What was done so far, a line each."""
    acts = practice.visit.acts
    lines = [f"{act.at_s / 60:5.1f} min  {act.firing or 'off':<5} {act.seen}" for act in acts]
    return "\n".join(line for act in lines for line in wrapped(act, others=" " * 17)) or "Nothing was done yet."


def say_end(practice: Practice) -> str:
    """The truth, the marks, and what the adviser and a fixed step would have done with the same boiler."""
    task, visits = (
        practice.task,
        [practice.visit, adviser_on(practice.task), fixed_step(PracticeVisit(practice.task.boiler()))],
    )
    marks = [practice.mark(), *(marking.mark(visit, task.fault) for visit in visits[1:])]
    harms = [mark.harm for mark in marks]
    rows = [
        (f"{firing.capitalize()} fire, true CO2, %", [_left(visit, firing) for visit in visits], "")
        for firing in FIRINGS
    ]
    peaks = [max((sample.co_air_free_ppm for sample in visit.trace), default=0.0) for visit in visits]
    turned = [f"{len(visit.turns)}; {harm.moving_turns}" for visit, harm in zip(visits, harms, strict=True)]
    noticed = [[*visits[0].noticed, *practice.said], *(visit.noticed for visit in visits[1:])]
    rows += [
        ("Overshoots, either rate", [f"{harm.overshoots}" for harm in harms], f"{marking.OVERSHOOT:g} each"),
        (
            "Out of band by turns, % CO2",
            [f"{harm.beyond_pct:.1f}" for harm in harms],
            f"{marking.PER_PCT_BEYOND:g} a %",
        ),
        ("Min too rich", [f"{harm.rich_minutes:.1f}" for harm in harms], f"{marking.RICH_MINUTE:g} each"),
        (
            "Min with CO over its limit",
            [f"{harm.over_co_minutes:.1f}" for harm in harms],
            f"{marking.OVER_CO_MINUTE:g} each",
        ),
        ("CO at most, ppm air-free", [f"{peak:.0f}" for peak in peaks], ""),
        ("Turns; on a moving display", turned, f"{marking.MOVING_TURN:g} each"),
        ("Minutes", [f"{mark.minutes:.0f}" for mark in marks], f"{marking.MINUTE:g} each"),
        ("Asked the adviser", [f"{marks[0].asked}", "-", "-"], f"{marking.ASKED:g} each"),
        ("Fault noticed", [_noticed(task.fault, faults) for faults in noticed], f"{marking.WRONG_NAME:g} wrong"),
        ("Ended with", [ENDED.get(visit.ending, visit.ending.replace("-", " ")) for visit in visits], ""),
        ("The right end", [mark.right_end for mark in marks], f"{marks[0].end_cost or marking.WRONG_END:g} if not"),
        (f"Points of {marking.FULL:.0f}", [f"{mark.points}" for mark in marks], ""),
    ]
    lines = table(
        [_row("", [*PLAYERS], "cost"), *(_row(*row) for row in rows)],
        [_sentence(*row) for row in rows],
    )
    told = (_say_truth(practice), practice.debrief(), _say_rest(practice))
    truth, debrief, rest = map(wrapped, told)
    return "\n".join([*wrapped(text.PRACTICE), *truth, *lines, *debrief, *rest])


def _say_truth(practice: Practice) -> str:
    task, fresh = practice.task, practice.task.boiler()

    def twelfth(screw: Screw) -> float:
        firing = FIRING_FOR[screw]
        return fresh.settled_after(firing, screw, 1 / 12) - fresh.settled_pct(firing)

    since, from_s = "", fresh.fault_from_s
    if task.fault in LATER_FAULTS:
        ended_before = from_s >= practice.visit.boiler.now_s
        since = f", from minute {from_s / 60:.1f} on{', after your end' if ended_before else ''}"
    fault = f"Its fault was: {task.fault}{since}." if task.fault else "It had no fault."
    screws = "; ".join(
        f"1/12 turn cw of the {screw} makes {twelfth(screw):+.2f} % CO2, slack "
        f"{numbers.say_fraction(fresh.backlash_turns[screw])} turn"
        for screw in reversed(SCREWS)
    )
    wait_s = fresh.dead_time_s + 3 * fresh.time_constant_s
    return f"The truth about boiler {task.seed}. {fault} {screws}; the display follows in {wait_s:.0f} s."


def _say_rest(practice: Practice) -> str:
    path = practice.visit.job.path
    kept = f" The log is {path}, marked as practice; in pictures: advisor lesson --from {path}." if path else ""
    return f"Again: advisor practise {practice.task.typed}.{kept}"


def _left(visit: SimulatedVisit, firing: Firing) -> str:
    return f"{visit.boiler.settled_pct(firing):.2f} {'in' if visit.in_band(firing) else 'OUT'}"


def _noticed(fault: str, noticed: list[str]) -> str:
    wrong = sum(name != fault for name in set(noticed))
    found = "none" if not fault else "yes" if fault in noticed else "no"
    return f"{found}, {wrong} wrong" if wrong else found


def _row(label: str, cells: list[str], cost: str = "") -> str:
    return (f"{label:<28}" + "".join(f"{cell:>13}" for cell in cells) + (f" {cost}" if cost else "")).rstrip()


def _sentence(label: str, cells: list[str], cost: str) -> str:
    """A row of the table where the terminal is too narrow for it."""
    said = ", ".join(f"{player} {cell}" for player, cell in zip(PLAYERS, cells, strict=True))
    return f"{label}: {said}{f'; cost {cost}' if cost else ''}."
