"""Practice at the keyboard: a simulated boiler to set, and at the end the truth, the score and how others would do.

Plain lines only, for any terminal and for a screen reader. Simulated minutes: nothing really waits.
"""

import itertools
import secrets
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from advisor import parsing
from advisor.dialogue import moments
from advisor.errors import LogError, RangeError
from advisor.report import answers as text
from advisor.report import brief
from advisor.report.layout import wrapped
from advisor.screws import FIRING_FOR, FIRINGS, SCREWS, Firing, Screw
from advisor.training.simulated_visit import CLASSROOM, COMMANDS, DONE, FACTS, GAVE_UP, Score, SimulatedVisit
from advisor.training.simulator import BASE, FAULTS, LATER_FAULTS, Boiler, draw
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
STOPPED = "stop"
RUNNING = (DONE, STOPPED, GAVE_UP)  # ends at which the boiler is left to burn
HARMLESS_IN_BAND = ("reversed screw", "hand turns twice as far")  # hinder the setting, not the flame once it is set
STOPS = (STOPPED, "quit", "q", "end", "exit")


class Practice:
    """One session: the boiler, its job log, what was named as wrong, how often the adviser was asked."""

    def __init__(
        self, seed: int, fault: str, log: Path | None = None, *, hidden: bool = False, again: str = ""
    ) -> None:
        self.seed, self.fault, self.hidden, self.again = seed, fault, hidden, again
        start = moments.now().replace(microsecond=0)
        self.visit = SimulatedVisit(self.boiler(), FACTS, replace(CLASSROOM, log=log), start)
        self.named: list[str] = []
        self.asked = 0
        self.over = False

    def boiler(self) -> Boiler:
        """The session's boiler as found, new: the first of its number that has something to set."""
        for attempt in itertools.count():
            boiler = draw(SCENARIO, np.random.default_rng([self.seed, attempt]), CENTRES_PCT, fault=self.fault)
            if abs(boiler.settled_pct("high") - CENTRES_PCT["high"]) > LEAST_TO_SET_PCT:
                return boiler
        raise AssertionError("there is always one")

    @property
    def prompt(self) -> str:
        """The question."""
        firing = self.visit.boiler.firing
        return f"{self.visit.boiler.now_s / 60:.1f} min, {f'{firing} fire' if firing else 'burner off'} > "

    def do(self, typed: str) -> str:
        """What one command brings, in words. RangeError, one sentence, for anything that is no command."""
        name, _, rest = typed.strip().partition(" ")
        match name.lower():
            case "":
                return "Type ? for the commands."
            case "?" | "help":
                return say_help()
            case "ask" | "a":
                self.asked += 1
                job, at = self.visit.job, self.visit.at
                advice = job.next(at)
                return brief.say_next(job.case(at), advice, job.progress(at, advice), "practice")
            case "say" | "s":
                self.named.append(_fault_named(rest))
                return f"Noted: you think it is {self.named[-1]}. The end will tell."
            case stop if stop in STOPS:
                self.over = True
                return ""
            case _:
                said = self.visit.do(typed)
                self.over = bool(self.visit.ending)
                return said


def begin(fault: str | None, surprise: bool, seed: int | None, log: Path | None, *, hide: bool = False) -> Practice:
    """A new session; with `log` on disk. A seed left out is drawn; `hide` keeps the fault from the pupil."""
    if seed is not None and not 0 <= seed < 2**31:
        raise RangeError(f"--seed {seed}: a whole number from 0 to {2**31 - 1} is allowed")
    seed = secrets.randbelow(SEEDS) if seed is None else seed
    wrong = _fault_named(fault) if fault else ""
    again = f' --fault "{wrong}"{" --hide" if hide else ""}' if wrong else ""
    if surprise:
        wrong, again = str(np.random.default_rng([seed, 1]).choice(["", *FAULTS])), " --surprise"
    if log and log.exists():
        raise LogError(
            f"{log}: there is a file of this name already, and nothing in it was touched. A practice session that was "
            f"broken off can't be taken up again, but its log is whole: advisor show {log}. For a new session choose "
            "another name"
        )
    return Practice(seed, wrong, log, hidden=surprise or hide, again=again)


def _fault_named(typed: str) -> str:
    """A fault by its short name or its own. RangeError for anything else."""
    wanted = " ".join(typed.lower().split())
    if wanted in FAULTS:
        return wanted
    short = parsing.one_of(wanted, tuple(NAMES)) if wanted not in NAMES else wanted
    if short not in NAMES:
        raise RangeError(f"fault '{typed.strip():.40}' is not known: it is one of {', '.join(NAMES)}")
    return NAMES[short]


def run(practice: Practice, ask: Callable[[str], str], tell: Callable[[str], object]) -> None:
    """The session at the keyboard: `ask` puts the question, `tell` prints. The end of the input is the end."""
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
    tell(say_end(practice))


# ---- in words


def say_start(practice: Practice) -> str:
    """What the session begins with."""
    bands = ", ".join(f"{low:g} to {high:g} % at {firing} fire" for firing, (low, high) in FACTS["bands"].items())
    fault = "It may have a fault, or none." if practice.hidden else f"Its fault: {practice.fault or 'none'}."
    return "\n".join(
        [
            text.PRACTICE,
            *wrapped(f"Boiler {practice.seed}. {fault} Bands of CO2, invented: {bands}; natural gas."),
            *wrapped("Bring both rates truly into band: few turns, no overshoot; or find why that can't be done, say "
                     "it, and end with the burner off. ? explains, stop ends."),
        ]
    )  # fmt: skip


def say_help() -> str:
    """The commands."""
    lines = [f"  {full:<14}{short:<12}{does}" for full, short, does in COMMANDS]
    return "\n".join(
        [
            "What you can do, in full and short:",
            *lines,
            f"  {'say reversed':<14}{'s reversed':<12}what you think is wrong; one of:",
            *wrapped(", ".join(NAMES), first=" " * 28, others=" " * 28),
            f"  {'ask':<14}{'a':<12}what the adviser would say now",
            f"  {'stop':<14}{'q':<12}end, and see the truth",
            *wrapped("At high fire the throttle screw is set, at low fire the offset screw. Clockwise is richer on "
                      "most valves. A turn is up to one whole turn: 1/24 cw, 30deg ccw."),
        ]
    )  # fmt: skip


def say_end(practice: Practice) -> str:
    """The truth, the score, and what the adviser and a fixed step would have done with the same boiler."""
    visit = practice.visit
    visit.ending = visit.ending or STOPPED
    others = [strategy(SimulatedVisit(practice.boiler())) for strategy in (adviser, fixed_step)]
    lines = [text.PRACTICE, *wrapped(_say_truth(practice))]
    lines += [f"{'':<28}{'you':>14}{'adviser':>14}{'fixed 1/12':>14}"]
    scores = [each.score() for each in (visit, *others)]
    for firing in FIRINGS:
        lines.append(_row(f"{firing.capitalize()} fire, true CO2, %", [_left(score, firing) for score in scores]))
    for label, name, form in (
        ("Overshoots, rate fired", "overshoots", "d"),
        ("  at the other rate", "other_overshoots", "d"),
        ("Pushed out of band by, % CO2", "beyond_pct", ".1f"),
        ("Minutes", "minutes", ".0f"),
        ("Turns", "turns", "d"),
        ("  on unsettled readings", "unsettled_turns", "d"),
        ("CO at most, ppm air-free", "peak_co_air_free_ppm", ".0f"),
        ("Minutes over the CO limit", "over_co_minutes", ".1f"),
    ):
        lines.append(_row(label, [format(getattr(score, name), form) for score in scores]))
    noticed = [[*visit.noticed, *practice.named], *(other.noticed for other in others)]
    lines.append(_row("Fault noticed", [_noticed(practice.fault, faults) for faults in noticed]))
    lines.append(_row("Ended with", [score.ending for score in scores]))
    lines.append(_row("The right end", [_right(*end) for end in zip((visit, *others), noticed, strict=True)]))
    lines += wrapped(_say_rest(practice))
    return "\n".join(lines)


def _say_truth(practice: Practice) -> str:
    fresh = practice.boiler()

    def twelfth(screw: Screw) -> float:
        firing = FIRING_FOR[screw]
        return fresh.settled_after(firing, screw, 1 / 12) - fresh.settled_pct(firing)

    since, from_s = "", fresh.fault_from_s
    if practice.fault in LATER_FAULTS:
        ended_before = from_s >= practice.visit.boiler.now_s
        since = f", from minute {from_s / 60:.1f} on{', after your end' if ended_before else ''}"
    fault = f"Its fault was: {practice.fault}{since}." if practice.fault else "It had no fault."
    screws = "; ".join(
        f"1/12 turn cw of the {screw} makes {twelfth(screw):+.2f} % CO2, slack "
        f"{numbers.say_fraction(fresh.backlash_turns[screw])} turn"
        for screw in reversed(SCREWS)
    )
    wait_s = fresh.dead_time_s + 3 * fresh.time_constant_s
    return f"The truth about boiler {practice.seed}. {fault} {screws}; the display follows in {wait_s:.0f} s."


def _say_rest(practice: Practice) -> str:
    path = practice.visit.job.path
    asked = {0: "You did not ask the adviser.", 1: "You asked the adviser once."}
    said = asked.get(practice.asked, f"You asked the adviser {practice.asked} times.")
    tests = "The adviser's minutes hold the tests of sample line and gas pressure."
    kept = f" The log is {path}, marked as practice." if path else ""
    right = " With a fault, the right end is to find it, and to mend it or to stop." if practice.fault else ""
    return f"{tests}{right} {said} Again: advisor practise --seed {practice.seed}{practice.again}.{kept}"


def _right(visit: SimulatedVisit, noticed: list[str]) -> str:
    """Whether a visit ended as it should: in band and sound, or with its fault found and nothing left burning on it.

    Only the truth counts: a flame that was brought into band over a fault that nobody found is no right end.
    """
    fault = visit.boiler.fault if visit.fault_begun else ""
    in_band = all(visit.score().in_band.values())
    if fault in HARMLESS_IN_BAND and in_band and visit.ending in RUNNING:
        return "yes"
    if fault and fault not in noticed:
        return "fault missed"
    if visit.ending in RUNNING:
        return "yes" if in_band else "out of band"
    return "yes" if fault else "no cause"


def _left(score: Score, firing: Firing) -> str:
    return f"{score.left_pct[firing]:.2f} {'in' if score.in_band[firing] else 'OUT'}"


def _noticed(fault: str, noticed: list[str]) -> str:
    wrong = sum(name != fault for name in set(noticed))
    found = "none there" if not fault else "yes" if fault in noticed else "no"
    return f"{found}, {wrong} wrong" if wrong else found


def _row(label: str, cells: list[str]) -> str:
    return f"{label:<28}" + "".join(f"{cell:>14}" for cell in cells)
