"""A job told in seconds from its start, for tests."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from console import ROOT

from advisor import Job
from advisor.chemistry import fuels
from advisor.decision.answers import Advice, Verdict
from advisor.decision.candidates import Setting
from advisor.log.check_items import SKIPPED
from advisor.messages import Finding
from advisor.report.record import Record, record_of
from advisor.response.situation import Situation
from advisor.screws import FIRING_FOR

START = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
BANDS = {"high": (9.0, 9.4), "low": (8.6, 9.0)}


def moment(seconds: float) -> datetime:
    """The moment `seconds` after the start."""
    return START + timedelta(seconds=seconds)


def new_job(**setup: Any) -> Job:
    """A job in memory with invented bands."""
    return Job(**{"fuel": "natural gas", "bands": BANDS, **setup})


class Told:
    """A job with a clock that moves on with each entry."""

    def __init__(self, **setup: Any) -> None:
        self.job = new_job(**setup)
        self.now_s = 0.0

    def wait(self, seconds: float) -> "Told":
        self.now_s += seconds
        return self

    def run_at(self, firing: str, why: str = "") -> "Told":
        self.job.run_at(firing, at=moment(self.now_s), note=why)
        return self

    def read(self, firing: str, co2: float, co: float | None = 20.0, o2: float | None = None) -> "Told":
        """A reading on natural gas's own line unless O2 is given."""
        if o2 is None:
            o2 = round(fuels.NATURAL_GAS.o2_from_co2_pct(min(co2, 11.8)), 1)
        self.job.read(firing, co2, o2, co, at=moment(self.now_s))
        self.now_s += 10
        return self

    def co(self, co_ppm: float) -> "Told":
        """CO alone."""
        self.job.co(co_ppm, at=self.wait(10).now)
        return self

    def turn(self, screw: str, turns_cw: float) -> "Told":
        self.job.turn(screw, turns_cw, at=moment(self.now_s))
        return self

    def check(self, item: str, value: float | str, unit: str = "") -> "Told":
        self.job.check(item, value, unit, at=moment(self.now_s))
        return self

    def skip(self, *stages: str, why: str = "in a hurry") -> "Told":
        """Stages skipped, for a reason."""
        for stage in stages:
            self.wait(5).job.note(why, item=SKIPPED, value=stage, at=self.now)
        return self

    def void(self, row: int | None = None, why: str = "") -> "Told":
        """The last row struck, or a named one."""
        self.job.void(row, at=self.now, note=why)
        return self

    def next(self) -> Advice:
        return self.job.next(moment(self.now_s))

    def may(self, screw: str, turns_cw: float) -> Verdict:
        return self.job.may(screw, turns_cw, moment(self.now_s))

    def bare(self, firing: str, co2: float, o2: float | None = None, co: float | None = None) -> "Told":
        """A reading of what is given and nothing else."""
        self.job.read(firing, co2, o2, co, at=self.now)
        return self.wait(10)

    def reads(self, firing: str, *co2: float, co: float | None = 20.0) -> "Told":
        """Readings one after the other."""
        for shown in co2:
            self.read(firing, shown, co)
        return self

    def at(self, firing: str, *co2: float, co: float | None = 20.0, after_s: float = 180) -> "Told":
        """A change of rate, waited out, and readings."""
        return self.run_at(firing).wait(after_s).reads(firing, *co2, co=co)

    def turned(self, screw: str, turns_cw: float, *co2: float, co: float | None = 20.0) -> "Told":
        """A turn, waited out, and readings at the rate of that screw."""
        return self.turn(screw, turns_cw).wait(150).reads(FIRING_FOR[screw], *co2, co=co)

    def throttle(self, turns_cw: float, *co2: float, co: float | None = 20.0) -> "Told":
        """A turn of the throttle screw, waited out, and readings at high fire."""
        return self.turned("throttle", turns_cw, *co2, co=co)

    def offset(self, turns_cw: float, *co2: float, co: float | None = 20.0) -> "Told":
        """A turn of the offset screw, waited out, and readings at low fire."""
        return self.turned("offset", turns_cw, *co2, co=co)

    @property
    def now(self) -> datetime:
        return moment(self.now_s)

    @property
    def situation(self) -> Situation:
        return self.job.situation(self.now)

    def setting(self, firing: str = "high", **known: Any) -> Setting:
        """The setting of a rate now; `known` takes the place of what it would work out."""
        setting = Setting(self.situation, firing)
        setting.__dict__.update(known)  # a cached property keeps there what it has worked out
        return setting

    def found(self, *codes: str) -> list[Finding]:
        """The findings of these codes now."""
        return [finding for finding in self.next().findings if finding.code in codes]

    @property
    def codes(self) -> set[str]:
        """Codes of the findings now."""
        return {finding.code for finding in self.next().findings}

    @property
    def brief(self) -> str:
        """The answer now in a few words: "turn throttle cw", "run_at low", "read high", "halt high-co"."""
        advice = self.next()
        if advice.action == "turn":
            return f"turn {advice.screw} {'cw' if (advice.turns_cw or 0.0) > 0 else 'ccw'}"
        return f"{advice.action} {advice.findings[0].code if advice.action == 'halt' else advice.firing}"

    def says(self, answer: str, *codes: str) -> "Told":
        """That the answer now begins so, and that these findings stand; a leading "-": that it is not so."""
        assert self.brief.startswith(answer.lstrip("-")) != answer.startswith("-"), (answer, self.brief)
        for code in codes:
            assert (code.lstrip("-") in self.codes) != code.startswith("-"), (code, self.codes)
        return self

    @property
    def why(self) -> list[str]:
        """Codes of the reasons of the answer now."""
        return [reason.code for reason in self.next().why]


Made = Callable[[], Told]  # makes a job anew


def record(job: Job) -> Record:
    """The record of a job."""
    return record_of(job.setup, job.events, job.warnings)


@cache
def of_demo(name: str) -> Record:
    """The record of a demo log."""
    return record(Job.load(ROOT / "demo_logs" / f"{name}.csv"))


def at_high(co2: float = 8.3, **setup: Any) -> Told:
    """A job with one settled reading at high fire."""
    return Told(**setup).run_at("high").wait(180).read("high", co2)


def known_throttle() -> Told:
    """A job whose throttle gives 0.2 % CO2 a mark, read three times, and then turned by two marks more."""
    told = at_high(8.2)
    for co2 in (8.4, 8.6, 8.8):
        told.throttle(1 / 24, co2)
    return told.turn("throttle", 1 / 12)


def known_leaner() -> Told:
    """A job far too rich whose throttle gives 0.2 % CO2 leaner a mark, read three times, then turned by two more."""
    told = at_high(9.4, bands={"high": (6.5, 7.1), "low": (8.6, 9.0)}, pressures={"working pressure": (18, 24, "mbar")})
    for co2 in (9.2, 9.0, 8.8):
        told.throttle(-1 / 24, co2)
    return told.turn("throttle", -1 / 12)


def co_in_band() -> Told:
    """CO over its limit at 9.0 % CO2, and turned back to 8.6, where it is little."""
    told = at_high(8.6).throttle(1 / 24, 8.8, co=60.0).throttle(1 / 24, 9.0, co=600.0)
    return told.throttle(-1 / 12, 8.6, 8.6, 8.6, co=22.0)
