"""A whole visit to a made-up boiler: what is done, what the display shows, and the truth beside it.

The hand speaks in short commands (`COMMANDS`), the same ones in a lesson's script and at the keyboard of
`practise`. Every boiler, band and pressure here is invented. Simulated time: nothing really waits.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

from advisor import parsing
from advisor.chemistry import limits
from advisor.diagnosis.way_back import way_back
from advisor.errors import RangeError
from advisor.job import Job
from advisor.log.check_items import LEAKING, SAMPLE_LINE, TIGHT, clockwise_item
from advisor.parsing import one_of
from advisor.screws import FIRINGS, SCREW_FOR, SCREWS, Firing, Screw
from advisor.training.simulator import LATER_FAULTS, Boiler, Reading
from advisor.wording import numbers

READ_S, TURN_S, CHANGE_S, LOOK_S, MEND_S = 8.0, 10.0, 5.0, 60.0, 180.0  # what each takes, invented
SAMPLED_EVERY_S = 2.0
USUAL_WAIT_S = 60.0
LONGEST_WAIT_S = 1800.0
PRESSURE, PLATE, PRESSURE_MBAR = "working pressure", (17.0, 25.0, "mbar"), 20.0
FACTS: Mapping[str, Any] = {
    "fuel": "natural gas",
    "bands": {"high": (9.0, 9.4), "low": (8.6, 9.0)},
    "pressures": {PRESSURE: PLATE},
    "site": "training bench (invented)",
    "analyser": "bench analyser (invented)",
    "practice": True,
}
START = datetime(2026, 5, 18, 9, 0, tzinfo=UTC)


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
MENDED = "Put right and proved"
OFF = "burner off"  # how a visit ended that was stopped safely by hand
KNOWN = "give read, turn, wait, high, low, check, mend or off; ? explains"


@dataclass(frozen=True)
class Point:
    """One thing that was done, and the truth right after it.

    at_s     simulated seconds from the start
    seen     what it brought, in words
    turned   screw and turns (clockwise positive) of a turn
    shown    what the display showed, of a reading
    before   what the flame truly gave before, once settled; None before the burner runs
    flame    the same after it
    """

    at_s: float
    firing: Firing | None
    seen: str
    turned: tuple[Screw, float] | None
    shown: Reading | None
    before: Reading | None
    flame: Reading | None


@dataclass(frozen=True)
class Trace:
    """The course of a visit: seconds, rate, CO2 on the display (unrounded) and true in %, true CO in ppm air-free."""

    at_s: tuple[float, ...]
    firing: tuple[str, ...]
    display_pct: tuple[float, ...]
    true_pct: tuple[float, ...]
    co_air_free_ppm: tuple[float, ...]


@dataclass(frozen=True)
class Score:
    """What a visit came to, in truth.

    left_pct, in_band  true CO2 at each rate as left, and whether it is in the band
    overshoots         turns that carried the true CO2 of the rate fired out of its band, or across it
    other_overshoots   the same at the rate that was not fired: each screw moves both
    beyond_pct         how far beyond the band the turns carried the rate fired, at most
    unsettled_moves    turns made while the last reading still moved, or with no reading since the last change
    over_co_minutes    with the CO of the burning flame over its limit, air-free
    peak_*             the highest true CO2 (%) and CO (ppm air-free) of the visit
    ending             "done", or why it ended
    """

    left_pct: Mapping[Firing, float]
    in_band: Mapping[Firing, bool]
    overshoots: int
    other_overshoots: int
    beyond_pct: float
    minutes: float
    over_co_minutes: float
    moves: int
    readings: int
    unsettled_moves: int
    peak_co2_pct: float
    peak_co_air_free_ppm: float
    ending: str


class MadeVisit:
    """A boiler, its job log and one clock for both; remembers what was done and what was true."""

    def __init__(self, boiler: Boiler, job: Job, start: datetime = START) -> None:
        self.boiler, self.job, self.start = boiler, job, start
        self.points: list[Point] = []
        self.found: list[str] = []  # looks that found something not yet put right
        self.noticed: list[str] = []  # faults that were found
        self.ending = ""
        self._trace: list[tuple[float, Firing, float, float, float]] = []
        self._settled_when_read = False
        self._overshoots = dict.fromkeys((True, False), 0)  # at the rate fired, at the other
        self._unsettled_moves = 0
        self._beyond_pct = 0.0

    @property
    def at(self) -> datetime:
        """The simulated moment."""
        return self.start + timedelta(seconds=round(self.boiler.now_s, 3))

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
                self.wait(parsing.parse_number(rest[0].removesuffix("s"), "wait") if rest else USUAL_WAIT_S)
            case "high" | "low", []:
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
        return self.points[-1].seen

    def parsed_turn(self, words: list[str]) -> tuple[Screw, float]:
        """Screw and turns of `[offset | throttle] 1/24 cw`; without a name the screw of the present rate."""
        self._burning()
        if words and one_of(words[0], SCREWS) in SCREWS:
            return one_of(words[0], SCREWS), parsing.parse_turn(" ".join(words[1:]))
        return SCREW_FOR[self.boiler.running], parsing.parse_turn(" ".join(words))

    def wait(self, seconds: float = USUAL_WAIT_S) -> None:
        """Let time pass, s."""
        if not 1 <= seconds <= LONGEST_WAIT_S:
            raise RangeError(f"wait {seconds:g}: from 1 to {LONGEST_WAIT_S:g} s is allowed")
        before = self._flame()
        self._pass(seconds)
        self._record(f"{numbers.say_seconds(seconds)} later.", before)

    def run_at(self, firing: Firing) -> None:
        """Change the firing rate."""
        if firing == self.boiler.firing:
            raise RangeError(f"the boiler runs at {firing} fire already")
        before = self._flame()
        self._pass(CHANGE_S)
        self.boiler.run_at(firing)
        self._settled_when_read = False
        self.job.run_at(firing, at=self.at)
        self._sample()
        self._record(f"The boiler runs at {firing} fire.", before)

    def read(self) -> Reading:
        """Read the analyser."""
        self._burning()
        before = self._flame()
        self._pass(READ_S)
        shown = self.boiler.read()
        self._settled_when_read = self.boiler.still_to_come_pct() < self.boiler.display_step_pct / 2
        self.job.read(self.boiler.running, shown.co2_pct, shown.o2_pct, shown.co_ppm, at=self.at)
        self._record(say_reading(shown), before, shown=shown)
        return shown

    def turn(self, screw: Screw, turns_cw: float) -> None:
        """Turn a screw."""
        self._burning()
        self._pass(TURN_S)
        before = self._flame()
        found = {firing: self.boiler.settled_pct(firing) for firing in FIRINGS}
        self.boiler.turn(screw, turns_cw)
        self.job.turn(screw, turns_cw, at=self.at)
        for firing, (low, high) in self.job.setup.bands.items():
            was, left, fired = found[firing], self.boiler.settled_pct(firing), firing == self.boiler.firing
            self._overshoots[fired] += left > high >= was or left < low <= was
            if fired:
                beyond = left - high if left > was else low - left if left < was else 0.0
                self._beyond_pct = max(self._beyond_pct, beyond)
        self._unsettled_moves += not self._settled_when_read
        self._settled_when_read = False
        self._sample()
        self._record(f"The {screw} screw: {numbers.say_turn(turns_cw)}.", before, turned=(screw, turns_cw))

    def check(self, name: str) -> None:
        """Look at one of LOOKS."""
        before = self._flame()
        self._pass(LOOK_S)
        look, boiler = LOOKS[name], self.boiler
        yet_to_come = boiler.fault in LATER_FAULTS and boiler.now_s < boiler.fault_from_s
        wrong = boiler.fault in look.faults and not yet_to_come
        if name == "pressure":
            value = round(PRESSURE_MBAR * boiler.gas_pressure_share(), 1)
            wrong = not PLATE[0] <= value <= PLATE[1]
            self.job.check(PRESSURE, value, PLATE[2], at=self.at)
            seen = f"Working pressure {value:g} mbar; the data plate says {PLATE[0]:g} to {PLATE[1]:g}."
        else:
            for item in [look.item] if look.item else map(clockwise_item, SCREWS):
                self.job.check(item, look.wrong if wrong else look.right, at=self.at)
            seen = look.says_wrong if wrong else look.says_right
        if wrong:
            self.noticed.append(boiler.fault)
        if wrong and look.item:  # a screw that works the other way is no damage: there is nothing to mend
            self.found = [*self.found, name] if name not in self.found else self.found
        self._record(seen, before)

    def mend(self) -> None:
        """Put right what checks have found, and log it as proved."""
        if not self.found:
            raise RangeError("nothing was found that could be mended: check first")
        before = self._flame()
        self._pass(MEND_S)
        self.boiler.mend()
        for look in (LOOKS[name] for name in self.found):
            self.job.check(look.item, look.right, PLATE[2] if look.item == PRESSURE else "", at=self.at)
        said, self.found = " and ".join(self.found), []
        self._settled_when_read = False
        self._sample()
        self._record(f"{MENDED}: {said}.", before)

    def off(self) -> None:
        """Burner off and both screws put back as found, the slack counted in; ends the visit."""
        before, self.ending = self._flame(), OFF
        for back in way_back(self.job.situation(self.at)):
            if not back.turns_cw:
                continue
            self.boiler.wait(TURN_S)  # nothing burns any more
            self.boiler.turn(back.screw, back.turns_cw)
            self.job.turn(back.screw, back.turns_cw, at=self.at, note="burner off, back as found")
        self.boiler.firing = None
        self._record("Burner off, both screws back as found.", before)

    def _burning(self) -> None:
        if not self.boiler.firing:
            raise RangeError("the burner is off: change to high fire first")

    def _record(
        self,
        seen: str,
        before: Reading | None,
        *,
        turned: tuple[Screw, float] | None = None,
        shown: Reading | None = None,
    ) -> None:
        self.points.append(Point(self.boiler.now_s, self.boiler.firing, seen, turned, shown, before, self._flame()))

    def _pass(self, seconds: float) -> None:
        """Let time pass, with samples of display and truth on the way."""
        end_s = self.boiler.now_s + seconds
        while self.boiler.now_s < end_s - 1e-9:
            self.boiler.wait(min(SAMPLED_EVERY_S, end_s - self.boiler.now_s))
            self._sample()

    def _sample(self) -> None:
        flame = self._flame()
        if flame:
            boiler = self.boiler
            true = (flame.co2_pct, flame.co_air_free_ppm)
            self._trace.append((boiler.now_s, boiler.running, boiler.display_pct(), *true))

    def _flame(self) -> Reading | None:
        return self.boiler.flame(self.boiler.firing) if self.boiler.firing else None

    # --- the end ----------------------------------------------------------------------------------

    @property
    def moves(self) -> int:
        """Turns made so far."""
        return sum(point.turned is not None for point in self.points)

    def score(self) -> Score:
        """What the visit has come to."""
        left = {firing: self.boiler.settled_pct(firing) for firing in FIRINGS}
        bands: Mapping[Firing, tuple[float, float]] = self.job.setup.bands
        trace = self.trace()
        return Score(
            left_pct=left,
            in_band={firing: bands[firing][0] <= co2 <= bands[firing][1] for firing, co2 in left.items()},
            overshoots=self._overshoots[True],
            other_overshoots=self._overshoots[False],
            beyond_pct=max(0.0, self._beyond_pct),
            minutes=self.boiler.now_s / 60,
            over_co_minutes=_over_co_s(trace) / 60,
            moves=self.moves,
            readings=sum(point.shown is not None for point in self.points),
            unsettled_moves=self._unsettled_moves,
            peak_co2_pct=max(trace.true_pct, default=0.0),
            peak_co_air_free_ppm=max(trace.co_air_free_ppm, default=0.0),
            ending=self.ending,
        )

    def trace(self) -> Trace:
        """Display and truth over the whole visit."""
        return Trace(*(zip(*self._trace, strict=True) if self._trace else ((),) * 5))


def _over_co_s(trace: Trace) -> float:
    """Seconds with the CO of the burning flame over its limit."""
    spans = zip(pairwise(trace.at_s), trace.co_air_free_ppm[:-1], strict=True) if trace.at_s else ()
    return sum(end - start for (start, end), co in spans if co > limits.CO_AIR_FREE_PPM)


def say_reading(shown: Reading) -> str:
    """A reading in words."""
    return f"CO2 {shown.co2_pct:.1f} %, O2 {shown.o2_pct:.1f} %, CO {shown.co_ppm:.0f} ppm"
