"""A job told in seconds from its start, for tests."""

from datetime import UTC, datetime, timedelta
from typing import Any

from advisor import Job
from advisor.chemistry import fuels
from advisor.decision.answers import Advice, Verdict

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

    def run_at(self, firing: str) -> "Told":
        self.job.run_at(firing, at=moment(self.now_s))
        return self

    def read(self, firing: str, co2: float, co: float | None = 20.0, o2: float | None = None) -> "Told":
        """A reading on natural gas's own line unless O2 is given."""
        if o2 is None:
            o2 = round(fuels.NATURAL_GAS.o2_from_co2_pct(min(co2, 11.8)), 1)
        self.job.read(firing, co2, o2, co, at=moment(self.now_s))
        self.now_s += 10
        return self

    def turn(self, screw: str, turns_cw: float) -> "Told":
        self.job.turn(screw, turns_cw, at=moment(self.now_s))
        return self

    def check(self, item: str, value: float | str, unit: str = "") -> "Told":
        self.job.check(item, value, unit, at=moment(self.now_s))
        return self

    def next(self) -> Advice:
        return self.job.next(moment(self.now_s))

    def may(self, screw: str, turns_cw: float) -> Verdict:
        return self.job.may(screw, turns_cw, moment(self.now_s))

    @property
    def codes(self) -> set[str]:
        """Codes of the findings now."""
        return {finding.code for finding in self.next().findings}


def at_high(co2: float = 8.3, **setup: Any) -> Told:
    """A job with one settled reading at high fire."""
    return Told(**setup).run_at("high").wait(180).read("high", co2)
