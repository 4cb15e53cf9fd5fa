"""Make the logs in demo_logs/ from made-up boilers with fixed seeds: `python tests/make_demo_logs.py`.

The scenario is invented: a cold store's office block, a 60 kW boiler, a technician on one morning in May.
"""

import math
import sys
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np

from advisor import Job
from advisor.procedure import stages
from advisor.report import pages, sheet
from advisor.report.record import record_of
from advisor.training.simulator import BASE, Boiler, draw

DEMO_LOGS = Path(__file__).resolve().parent.parent / "demo_logs"
CENTRES = {"high": 9.2, "low": 8.8}
FACTS = {
    "fuel": "natural gas",
    "bands": {"high": (9.0, 9.4), "low": (8.6, 9.0)},
    "pressures": {"standing pressure": (17.0, 25.0, "mbar"), "working pressure": (17.0, 25.0, "mbar")},
    "site": "Harbour Street cold store, office boiler (invented)",
    "analyser": "flue analyser 3, calibrated 2026-02-11 (invented)",
}
ZONE = timezone(timedelta(hours=2))


class Morning:
    """One invented visit: a boiler, a log, a clock."""

    def __init__(self, name: str, day: int, boiler: Boiler) -> None:
        path = DEMO_LOGS / f"{name}.csv"
        path.unlink(missing_ok=True)
        self.job = Job.create(path, **FACTS)  # type: ignore[arg-type]
        self.boiler = boiler
        self.start = datetime(2026, 5, day, 9, 0, tzinfo=ZONE)

    @property
    def at(self) -> datetime:
        return self.start + timedelta(seconds=math.ceil(self.boiler.now_s))

    def wait(self, seconds: float) -> None:
        self.boiler.wait(seconds)

    def prepare(self) -> None:
        self.job.check("opened joints", "tight", at=self.at)
        self.job.check("sample line", "tight", at=self.at)
        self.wait(40)
        self.job.check("standing pressure", 20.4, "mbar", at=self.at)
        self.wait(50)
        self.job.check("working pressure", 19.8, "mbar", at=self.at)
        self.wait(30)

    def answer(self, question: stages.Question) -> None:
        self.wait(12)
        usual = question.choices[0] if question.choices else ""
        words = TEMPERATURES.get(question.item, {}).get(self.boiler.firing) or ANSWERS.get(question.item, usual)
        value, _, unit = words.partition(" ") if question.kind == "number" else (words, "", "")
        if words:
            self.job.check(question.item, value, unit, at=self.at)
        else:
            self.job.note("not today", item=stages.LEFT_OUT, value=question.item, at=self.at)

    def run_at(self, firing: str) -> None:
        self.wait(5)
        self.boiler.run_at(firing)
        self.job.run_at(firing, at=self.at)

    def read(self) -> None:
        self.wait(8)
        shown = self.boiler.read()
        self.job.read(self.boiler.firing, shown.co2_pct, shown.o2_pct, shown.co_ppm, at=self.at)

    def turn(self, screw: str, turns_cw: float, note: str = "") -> None:
        self.wait(10)
        self.boiler.turn(screw, turns_cw)
        self.job.turn(screw, turns_cw, at=self.at, note=note)

    def set_high_fire(self) -> None:
        """Do what the adviser says until the next turn would be one of the offset screw."""
        self.run_at("high")
        while True:
            self.follow(stop_before="turn")
            advice = self.job.next(self.at)
            if advice.screw != "throttle":
                return
            self.turn("throttle", advice.turns_cw or 0.0)

    def follow(self, stop_before: str = "", most: int = 80) -> None:
        """Do what the adviser says until it finishes, halts, or is about to say `stop_before`."""
        for _ in range(most):
            advice = self.job.next(self.at)
            if advice.action in ("finish", "halt") or advice.action == stop_before:
                return
            if advice.action == "run_at":
                self.run_at(str(advice.firing))
            elif advice.action == "wait":
                self.wait(math.ceil(advice.wait_s or 0))
            elif advice.action == "read":
                self.read()
            else:
                self.turn(str(advice.screw), advice.turns_cw or 0.0)


def boiler(seed: int, fault: str = "", **changes: object) -> Boiler:
    """A base boiler with some figures set, so that each log shows what its name says."""
    made = draw(BASE, np.random.default_rng(seed), CENTRES, fault=fault)
    for name, value in changes.items():
        setattr(made, name, value)
    made.acts = dict(made.play_at)
    return made


def sound_job() -> None:
    """A sound boiler from as found to the finish."""
    morning = Morning("sound_job", 4, boiler(98))
    morning.prepare()
    morning.follow()


def half_way() -> None:
    """High fire set, low fire read once: the next turn is to be advised."""
    morning = Morning("half_way", 5, boiler(5))
    morning.prepare()
    morning.set_high_fire()


def slack_after_reversal() -> None:
    """A screw with 1/20 turn of slack, turned too far and back: the first move back does little."""
    backlash = {"offset": 1 / 20, "throttle": 1 / 60}
    morning = Morning(
        "slack_after_reversal", 6, boiler(21, backlash_turns=backlash, play_at={"offset": -1 / 40, "throttle": 0.0})
    )
    morning.prepare()
    morning.set_high_fire()
    for turns in (1 / 12, 1 / 12, -1 / 24, -1 / 24):
        morning.turn("offset", turns, note="by feel, against the advice" if turns > 0 else "")
        morning.wait(70)
        morning.read()


def read_too_soon() -> None:
    """A reading 15 s after the turn: the answer is to wait."""
    morning = Morning("read_too_soon", 7, boiler(31))
    morning.prepare()
    morning.run_at("high")
    morning.follow(stop_before="turn")
    advice = morning.job.next(morning.at)
    morning.turn("throttle", advice.turns_cw or 0.0)
    morning.wait(7)
    morning.read()


def loose_probe() -> None:
    """The probe works loose at low fire: CO2 steps down and O2 up with no turn made."""
    made = boiler(41, fault="air in the sample later", fault_from_s=1e9)
    morning = Morning("loose_probe", 8, made)
    morning.prepare()
    morning.set_high_fire()
    morning.read()
    made.fault_from_s = made.now_s + 1
    morning.wait(20)
    morning.read()


def reversed_screw() -> None:
    """A throttle screw that works the other way: the job stops until that is cleared up."""
    morning = Morning("reversed_screw", 11, boiler(51, fault="reversed screw"))
    morning.prepare()
    morning.follow()


ANSWERS = {  # to the questions of the whole visit; any other is answered with its first choice or left out
    stages.CALIBRATED: "2026-02-11", "clean air O2": "20.9 %", "clean air CO": "0 ppm", stages.STANDING: "20.4 mbar",
    stages.WORKING: "19.8 mbar", "other appliances": "none there", "technician": "A. Example (invented)",
}  # fmt: skip
TEMPERATURES = {stages.FLUE_C: {"high": "52.4 C", "low": "38.6 C"}, stages.AIR_C: {"high": "18.2 C", "low": "18.4 C"}}


def whole_visit() -> None:
    """A whole visit, every stage done, and its record as two pages, `whole_visit.png` and `whole_visit-2.png`."""
    morning = Morning("whole_visit", 12, boiler(98))
    while (state := morning.job.progress(morning.at).current) is not None:
        step = state.step
        if step is not None and step.question is not None:
            morning.answer(step.question)
        elif step is not None and step.firing is not None and step.firing == morning.boiler.firing:
            morning.wait(60)
            morning.read()
        elif step is not None and step.firing is not None:
            morning.run_at(step.firing)
        else:
            morning.follow()
    made = record_of(Job.load(DEMO_LOGS / "whole_visit.csv"))
    pages.save(sheet.pages_of(made, "whole_visit.csv"), DEMO_LOGS / "whole_visit.png", sheet.TITLE, overwrite=True)


JOBS = (sound_job, whole_visit, half_way, slack_after_reversal, read_too_soon, loose_probe, reversed_screw)


def index() -> str:
    """The index: a line for each log."""
    lines = ["# Demo logs", "", "Invented jobs, made by `python tests/make_demo_logs.py`. Each shows one thing.", ""]
    lines += [f"* `{job.__name__}.csv`: {(job.__doc__ or '').strip()}" for job in JOBS]
    return "\n".join(lines) + "\n"


def main() -> int:
    DEMO_LOGS.mkdir(exist_ok=True)
    for job in JOBS:
        job()
    (DEMO_LOGS / "README.md").write_text(index(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
