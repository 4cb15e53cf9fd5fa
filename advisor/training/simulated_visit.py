"""One simulated visit: a boiler, one clock, a job log, and the truth beside what the display shows.

Strategies work at it (`strategies`), or a hand that speaks in short commands (`COMMANDS`), the same ones in a lesson's
script and at the keyboard of `practise`. Every boiler, band and pressure here is invented. Nothing really waits.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal, NamedTuple

from advisor import parsing
from advisor.chemistry import limits
from advisor.diagnosis.way_back import way_back
from advisor.errors import RangeError
from advisor.job import Job
from advisor.log.check_items import LEAKING, SAMPLE_LINE, TIGHT, clockwise_item
from advisor.parsing import one_of
from advisor.screws import FIRINGS, SCREW_FOR, SCREWS, Firing, Screw, other_firing
from advisor.training.simulator import LATER_FAULTS, Boiler, Reading
from advisor.wording import numbers

USUAL_WAIT_S, LONGEST_WAIT_S = 60.0, 1800.0
PRESSURE, PLATE, PRESSURE_MBAR = "working pressure", (17.0, 25.0, "mbar"), 20.0
FACTS: Mapping[str, Any] = {  # of lessons and practice
    "fuel": "natural gas",
    "bands": {"high": (9.0, 9.4), "low": (8.6, 9.0)},
    "pressures": {PRESSURE: PLATE},
    "site": "training bench (invented)",
    "analyser": "bench analyser (invented)",
    "practice": True,
}
START = datetime(2026, 5, 18, 9, 0, tzinfo=UTC)
DONE, OFF, GAVE_UP = "done", "burner off", "gave up"  # how a visit ends; else the code of the finding that stopped it


@dataclass(frozen=True)
class VisitSettings:
    """What differs between the uses of a simulated visit.

    read_s, turn_s, change_s, check_s, mend_s  what each act takes, s; invented
    log            file of the job log; None: in memory
    whole_seconds  whether the log's times are whole seconds; else milliseconds
    sample_s       how often display and truth are sampled for a picture, s; None: never
    longest_s, most_turns  time, and number of turns, at which the visit is given up
    """

    read_s: float = 8.0
    turn_s: float = 10.0
    change_s: float = 5.0
    check_s: float = 60.0
    mend_s: float = 180.0
    log: Path | None = None
    whole_seconds: bool = False
    sample_s: float | None = None
    longest_s: float = 90 * 60.0
    most_turns: int = 30


CLASSROOM = VisitSettings(sample_s=2.0)


@dataclass(frozen=True)
class Look:
    """Something that can be looked at: its faults, how it is logged, what is said of it. A pressure says its figure."""

    faults: tuple[str, ...]
    item: str
    right: str
    wrong: str = ""
    says_right: str = ""
    says_wrong: str = ""


LOOKS: Mapping[str, Look] = {
    "line": Look(
        ("air in the sample", "air in the sample later"), SAMPLE_LINE, TIGHT, LEAKING,
        "Probe closed: the pump stalls. The sample line is tight.",
        "Probe closed: the pump runs on. The sample line leaks.",
    ),
    "pressure": Look(("falling gas pressure",), PRESSURE, f"{PRESSURE_MBAR:g}"),
    "fuel": Look(
        ("analyser on another fuel",), "analyser fuel", "natural gas", "another",
        "The analyser is set to natural gas, the gas that is burned.",
        "The analyser is set to another fuel, not to natural gas.",
    ),
    "air": Look(
        ("blocked intake",), "air intake", "free", "clogged",
        "Filter, air intake and flue are free.",
        "Filter and air intake are clogged.",
    ),
    "screw": Look(
        ("reversed screw",), "", "richer", "leaner",
        "By this valve's instructions clockwise makes it richer, at both screws.",
        "By this valve's instructions clockwise makes it leaner, at both screws.",
    ),
}  # fmt: skip
COMMANDS = (
    ("read", "r", "read the analyser"),
    ("turn 1/24 cw", "t 1/24 cw", "turn this rate's screw; t offset 1/24 ccw names it"),
    ("wait 60", "w 60", "let 60 s pass"),
    ("high, low", "h, l", "change to high fire, to low fire"),
    ("check line", "c line", "look at: " + ", ".join(LOOKS)),
    ("mend", "m", "put right what a check has found"),
    ("off", "o", "burner off, screws back as found: the safe end"),
)
Kind = Literal["run_at", "wait", "read", "turn", "check", "mend", "off"]
Truth = Mapping[Firing, Reading]  # what the flame gives at each rate, once settled
KNOWN = "give read, turn, wait, high, low, check, mend or off; ? explains"


@dataclass(frozen=True)
class Act:
    """One thing that was done, and the truth beside it.

    at_s           simulated seconds from the start, once it was done
    firing         the rate that runs then; None: the burner is off
    seen           what it brought, in words
    before, after  what the flame truly gives at each rate, once settled
    screw, turns_cw, settled  of a turn; settled: on a reading since the last change that no longer moved
    shown          what the display showed, of a reading
    mended         what was put right
    """

    kind: Kind
    at_s: float
    firing: Firing | None
    seen: str
    before: Truth
    after: Truth
    screw: Screw | None = None
    turns_cw: float = 0.0
    settled: bool = False
    shown: Reading | None = None
    mended: str = ""

    @property
    def running(self) -> Firing:
        """The rate that runs."""
        assert self.firing is not None
        return self.firing

    def co2_pct(self, firing: Firing | None = None) -> tuple[float, float]:
        """The true settled CO2 before and after, dry volume percent; left out: at the rate that runs."""
        firing = firing or self.running
        return self.before[firing].co2_pct, self.after[firing].co2_pct


def overshot(band: tuple[float, float], before_pct: float, after_pct: float) -> bool:
    """Whether CO2 left its band, or crossed it, past an edge that it was not past before."""
    low, high = band
    return after_pct > high >= before_pct or after_pct < low <= before_pct


class Sample(NamedTuple):
    """One moment of a visit: s, rate, CO2 on the display (unrounded) and true in %, true CO in ppm air-free."""

    at_s: float
    firing: Firing
    display_pct: float
    true_pct: float
    co_air_free_ppm: float


@dataclass(frozen=True)
class Score:
    """What a visit came to, in truth.

    left_pct, in_band  true CO2 at each rate as left, and whether it is in the band
    overshoots         turns that carried the true CO2 of the rate fired out of its band, or across it
    other_overshoots   the same at the rate that was not fired: each screw moves both
    beyond_pct         how far beyond the band the turns carried the rate fired, at most
    unsettled_turns    turns made while the last reading still moved, or with no reading since the last change
    over_co_minutes    with the CO of the burning flame over its limit, air-free
    peak_*             the highest true CO2 (%) and CO (ppm air-free) of the visit
    ending             DONE, or why it ended
    """

    left_pct: Mapping[Firing, float]
    in_band: Mapping[Firing, bool]
    overshoots: int
    other_overshoots: int
    beyond_pct: float
    minutes: float
    over_co_minutes: float
    turns: int
    readings: int
    unsettled_turns: int
    peak_co2_pct: float
    peak_co_air_free_ppm: float
    ending: str


class SimulatedVisit:
    """A boiler, its job log and one clock for both; remembers what was done and what was true.

    facts  keywords of the Job
    """

    def __init__(
        self,
        boiler: Boiler,
        facts: Mapping[str, Any] = FACTS,
        settings: VisitSettings = CLASSROOM,
        start: datetime = START,
    ) -> None:
        self.boiler, self.settings, self.start = boiler, settings, start
        self.job = Job.create(settings.log, **facts) if settings.log else Job(**facts)
        self.bands: Mapping[Firing, tuple[float, float]] = self.job.setup.bands
        self.centres_pct: dict[Firing, float] = {firing: round(sum(band) / 2, 9) for firing, band in self.bands.items()}
        self.as_found = self._truth()
        self.acts: list[Act] = []
        self.found: list[str] = []  # looks that found something not yet put right
        self.noticed: list[str] = []  # faults that were found
        self.ending = ""
        self.trace: list[Sample] = []
        self.name = ""  # as a lesson calls it
        self._settled_when_read = False

    @property
    def at(self) -> datetime:
        """The simulated moment."""
        now_s = self.boiler.now_s
        return self.start + timedelta(seconds=math.ceil(now_s) if self.settings.whole_seconds else round(now_s, 3))

    @property
    def turns(self) -> list[Act]:
        """The turns made so far."""
        return [act for act in self.acts if act.kind == "turn"]

    @property
    def readings(self) -> list[Reading]:
        """What the display showed so far when it was read."""
        return [act.shown for act in self.acts if act.shown]

    @property
    def given_up(self) -> bool:
        """Whether patience has ended."""
        return self.boiler.now_s >= self.settings.longest_s or len(self.turns) >= self.settings.most_turns

    @property
    def fault_begun(self) -> bool:
        """Whether the boiler has a fault by now; one of screw, hand or start is there from the first second."""
        return bool(self.boiler.fault) and self.boiler.now_s >= self.fault_from_s

    @property
    def fault_from_s(self) -> float:
        """When the boiler's fault begins, s from the start."""
        return self.boiler.fault_from_s if self.boiler.fault in LATER_FAULTS else 0.0

    # --- what the hand does -----------------------------------------------------------------------

    def do(self, command: str) -> str:
        """Do one of COMMANDS as typed; returns what it brought. RangeError for anything else, and nothing is done."""
        name, *rest = command.split() or [""]
        if self.ending:
            raise RangeError("the visit is over: the burner is off")
        verb = one_of(name, ("read", "turn", "wait", *FIRINGS, "check", "mend", "off"))
        match verb, rest:
            case "read", []:
                self.read()
            case "wait", [] | [_]:
                seconds = parsing.parse_number(rest[0].removesuffix("s"), "wait") if rest else USUAL_WAIT_S
                if not 1 <= seconds <= LONGEST_WAIT_S:
                    raise RangeError(f"wait {seconds:g}: from 1 to {LONGEST_WAIT_S:g} s is allowed")
                self.wait(seconds)
            case "high" | "low", [] | ["fire"]:
                if verb == self.boiler.firing:
                    raise RangeError(f"the boiler runs at {verb} fire already")
                self.run_at(verb)
            case "turn", _:
                self.turn(*self.parsed_turn(rest))
            case "check", [look] if one_of(look, tuple(LOOKS)) in LOOKS:
                self.check(one_of(look, tuple(LOOKS)))
            case "check", _:
                raise RangeError(f"check what? One of {', '.join(LOOKS)}")
            case "mend", []:
                self.mend()
            case "off", []:
                self.off()
            case _:
                raise RangeError(f"'{command.strip():.40}' is not understood: {KNOWN}")
        return self.acts[-1].seen

    def parsed_turn(self, words: list[str]) -> tuple[Screw, float]:
        """Screw and turns of `[offset | throttle] 1/24 cw`; without a name the screw of the present rate."""
        firing = self._burning()
        if not words:
            raise RangeError("turn how far? Such as 15 cw (degrees) or 1/24 ccw")
        if one_of(words[0], SCREWS) in SCREWS:
            return one_of(words[0], SCREWS), parsing.parse_turn(" ".join(words[1:]))
        return SCREW_FOR[firing], parsing.parse_turn(" ".join(words))

    def wait(self, seconds: float = USUAL_WAIT_S) -> None:
        """Let time pass, s."""
        before = self._pass(seconds)
        self._did("wait", f"{numbers.say_seconds(seconds)} later.", before)

    def run_at(self, firing: Firing) -> None:
        """Change the firing rate."""
        before = self._pass(self.settings.change_s)
        self.boiler.run_at(firing)
        self.job.run_at(firing, at=self.at)
        self._changed()
        self._did("run_at", f"The boiler runs at {firing} fire.", before)

    def read(self) -> float:
        """Read the analyser; returns the CO2 that it shows, %."""
        firing = self._burning()
        before = self._pass(self.settings.read_s)
        shown = self.boiler.read()
        self._settled_when_read = self.boiler.still_to_come_pct() < self.boiler.display_step_pct / 2
        self.job.read(firing, shown.co2_pct, shown.o2_pct, shown.co_ppm, at=self.at)
        seen = f"CO2 {shown.co2_pct:.1f} %, O2 {shown.o2_pct:.1f} %, CO {shown.co_ppm:.0f} ppm"
        self._did("read", seen, before, shown=shown)
        return shown.co2_pct

    def read_co(self) -> float:
        """Read CO alone; returns what the analyser shows, ppm."""
        self._burning()
        before = self._pass(self.settings.read_s)
        co_ppm = self.boiler.read_co()
        self.job.co(co_ppm, at=self.at)
        self._did("read", f"CO {co_ppm:.0f} ppm", before)
        return co_ppm

    def turn(self, screw: Screw, turns_cw: float, note: str = "") -> None:
        """Turn a screw."""
        self._burning()
        self._pass(self.settings.turn_s)
        before, settled = self._truth(), self._settled_when_read
        self.boiler.turn(screw, turns_cw)
        self.job.turn(screw, turns_cw, at=self.at, note=note)
        self._changed()
        seen = f"The {screw} screw: {numbers.say_turn(turns_cw)}."
        self._did("turn", seen, before, screw=screw, turns_cw=turns_cw, settled=settled)

    def check(self, name: str) -> None:
        """Look at one of LOOKS."""
        before = self._pass(self.settings.check_s)
        look = LOOKS[name]
        wrong = self.fault_begun and self.boiler.fault in look.faults
        if name == "pressure":
            value = round(PRESSURE_MBAR * self.boiler.gas_pressure_share(), 1)
            wrong = not PLATE[0] <= value <= PLATE[1]
            self.job.check(PRESSURE, value, PLATE[2], at=self.at)
            seen = f"Working pressure {value:g} mbar; the data plate says {PLATE[0]:g} to {PLATE[1]:g}."
        else:
            for item in [look.item] if look.item else map(clockwise_item, SCREWS):
                self.job.check(item, look.wrong if wrong else look.right, at=self.at)
            seen = look.says_wrong if wrong else look.says_right
        if wrong:
            self.noticed.append(self.boiler.fault)
        if wrong and look.item and name not in self.found:  # a screw that works the other way needs no mending
            self.found.append(name)
        self._did("check", seen, before)

    def mend(self) -> None:
        """Put right what checks have found, and log it as proved."""
        if not self.found:
            raise RangeError("nothing was found that could be mended: check first")
        before = self._pass(self.settings.mend_s)
        self.boiler.mend()
        for look in (LOOKS[name] for name in self.found):
            self.job.check(look.item, look.right, PLATE[2] if look.item == PRESSURE else "", at=self.at)
        mended, self.found = " and ".join(self.found), []
        self._changed()
        self._did("mend", f"Put right and proved: {mended}.", before, mended=mended)

    def burner_off(self, why: str) -> None:
        """Put the burner out; a change of rate lights it again."""
        if self.boiler.firing:
            self.boiler.off()
            self.job.run_at("off", at=self.at, note=why)
            self._settled_when_read = False

    def turn_while_off(self, screw: Screw, turns_cw: float, note: str) -> None:
        """Turn a screw back with nothing burning."""
        self.boiler.wait(self.settings.turn_s)
        self.boiler.turn(screw, turns_cw)
        self.job.turn(screw, turns_cw, at=self.at, note=note)

    def off(self) -> None:
        """Burner off; screws back as found, the backlash counted in, but not richer where CO stood; ends the visit."""
        before, self.ending = self._truth(), OFF
        self.burner_off(OFF)
        backs = [back for back in way_back(self.job.situation(self.at)) if back.turns_cw]
        for back in backs:
            if not back.richer_in_co:
                self.turn_while_off(back.screw, back.turns_cw, "burner off, back as found")
        stays = [
            f"The {back.screw} screw stays: back is richer, and CO stood there." for back in backs if back.richer_in_co
        ]
        self._did("off", " ".join(["Burner off, screws back as found.", *stays]), before)

    def _burning(self) -> Firing:
        if not self.boiler.firing:
            raise RangeError("the burner is off: change to high fire first")
        return self.boiler.firing

    def _changed(self) -> None:
        """The flame was changed: what was read before says nothing of it."""
        self._settled_when_read = False
        self._sample()

    def _did(self, kind: Kind, seen: str, before: Truth, **more: Any) -> None:
        self.acts.append(Act(kind, self.boiler.now_s, self.boiler.firing, seen, before, self._truth(), **more))

    def _truth(self) -> Truth:
        return {firing: self.boiler.flame(firing) for firing in FIRINGS}

    def _pass(self, seconds: float) -> Truth:
        """Let time pass, with samples on the way; returns what was true before."""
        before, end_s = self._truth(), self.boiler.now_s + seconds
        step_s = self.settings.sample_s or seconds
        while self.boiler.now_s < end_s - 1e-9:
            self.boiler.wait(min(step_s, end_s - self.boiler.now_s))
            self._sample()
        return before

    def _sample(self) -> None:
        if self.settings.sample_s and self.boiler.firing:
            firing, shown, flame = self.boiler.firing, self.boiler.display_pct(), self.boiler.flame(self.boiler.firing)
            self.trace.append(Sample(self.boiler.now_s, firing, shown, flame.co2_pct, flame.co_air_free_ppm))

    # --- what it came to --------------------------------------------------------------------------

    def score(self) -> Score:
        """What the visit has come to."""
        left = {firing: flame.co2_pct for firing, flame in self._truth().items()}
        turns = self.turns
        fired = [(self.bands[act.running], *act.co2_pct(act.running)) for act in turns]
        other = [(self.bands[rate], *act.co2_pct(rate)) for act in turns for rate in [other_firing(act.running)]]
        over_co_s = sum(b.at_s - a.at_s for a, b in pairwise(self.trace) if a.co_air_free_ppm > limits.CO_AIR_FREE_PPM)
        beyond = [now - high if now > was else low - now for (low, high), was, now in fired if now != was]
        return Score(
            left_pct=left,
            in_band={firing: self.in_band(firing) for firing in left},
            overshoots=sum(overshot(*turn) for turn in fired),
            other_overshoots=sum(overshot(*turn) for turn in other),
            beyond_pct=max([0.0, *beyond]),
            minutes=self.boiler.now_s / 60,
            over_co_minutes=over_co_s / 60,
            turns=len(turns),
            readings=len(self.readings),
            unsettled_turns=sum(not act.settled for act in turns),
            peak_co2_pct=max((sample.true_pct for sample in self.trace), default=0.0),
            peak_co_air_free_ppm=max((sample.co_air_free_ppm for sample in self.trace), default=0.0),
            ending=self.ending,
        )

    def in_band(self, firing: Firing) -> bool:
        """Whether the true settled CO2 lies in the band now."""
        low, high = self.bands[firing]
        return low <= self.boiler.settled_pct(firing) <= high

    def true_pct(self, firing: Firing) -> list[float]:
        """The true CO2 while this rate was fired, %, of the samples."""
        return [sample.true_pct for sample in self.trace if sample.firing == firing]
