"""Make the logs in demo_logs/ from simulated visits with fixed seeds: `python tests/renew.py`.

The scenario is invented: a cold store's office block, a 60 kW boiler, a technician on one morning in May.
"""

from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from advisor import Job
from advisor.log.check_items import LEFT_OUT
from advisor.procedure.stages import Question
from advisor.report import pages, sheet
from advisor.report.record import record_of
from advisor.training.handout import slide
from advisor.training.lesson_play import play
from advisor.training.lessons import by_name
from advisor.training.simulated_visit import SimulatedVisit, VisitSettings
from advisor.training.simulator import BASE, BurnerCO, draw
from advisor.training.strategies import act, follow

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
ANSWERS = {  # to the questions of the whole visit; any other is answered with its first choice or left out
    "calibration date": "2026-02-11", "clean air O2": "20.9 %", "clean air CO": "0 ppm",
    "standing pressure": "20.4 mbar", "working pressure": "19.8 mbar", "other appliances": "none",
    "technician": "A. Example (invented)",
}  # fmt: skip
TEMPERATURES = {
    "flue temperature": {"high": "52.4 C", "low": "38.6 C"},
    "air temperature": {"high": "18.2 C", "low": "18.4 C"},
}


def visit(name: str, day: int, seed: int, fault: str = "", **stated: Any) -> SimulatedVisit:
    """A visit to a base boiler, some of it stated so that the log shows what its name says."""
    path = DEMO_LOGS / f"{name}.csv"
    path.unlink(missing_ok=True)
    boiler = draw(BASE, np.random.default_rng(seed), CENTRES, fault=fault, stated={"co": BurnerCO(), **stated})
    settings = VisitSettings(log=path, whole_seconds=True, longest_s=4 * 3600.0)
    return SimulatedVisit(boiler, FACTS, settings, datetime(2026, 5, day, 9, 0, tzinfo=ZONE))


def prepared(made: SimulatedVisit) -> SimulatedVisit:
    """The same with joints and line proved, lit at high fire, CO read at once, and the pressures measured."""
    made.job.check("opened joints", "tight", at=made.at)
    made.job.check("sample line", "tight", at=made.at)
    made.wait(40)
    made.job.check("standing pressure", 20.4, "mbar", at=made.at)
    made.wait(30)
    made.run_at("high")
    made.read_co()
    made.wait(50)
    made.job.check("working pressure", 19.8, "mbar", at=made.at)
    return made


def set_high_fire(made: SimulatedVisit) -> None:
    """Do what the adviser says until the next turn would be one of the offset screw."""
    while (advice := follow(made, "turn")) and advice.screw == "throttle":
        act(made, advice)


def answer(made: SimulatedVisit, question: Question) -> None:
    """Answer a question of the visit."""
    made.wait(12)
    usual = question.check.choices[0] if question.check.choices else ""
    words = TEMPERATURES.get(question.item, {}).get(made.boiler.firing or "") or ANSWERS.get(question.item, usual)
    value, _, unit = words.partition(" ") if question.check.kind == "number" else (words, "", "")
    if words:
        made.job.check(question.item, value, unit, at=made.at)
    else:
        made.job.note("not today", item=LEFT_OUT, value=question.item, at=made.at)


def sound_job() -> None:
    """A sound boiler from as found to the finish."""
    follow(prepared(visit("sound_job", 4, 98)))


def half_way() -> None:
    """High fire set, low fire read once: the next turn is to be advised."""
    set_high_fire(prepared(visit("half_way", 5, 5)))


def slack_after_reversal() -> None:
    """A screw with 1/20 turn of slack, turned too far and back: the first move back does little."""
    backlash, play_at = {"offset": 1 / 20, "throttle": 1 / 60}, {"offset": -1 / 40, "throttle": 0.0}
    made = prepared(visit("slack_after_reversal", 6, 21, backlash_turns=backlash, play_at=play_at))
    set_high_fire(made)
    for turns in (1 / 12, 1 / 12, -1 / 24, -1 / 24):
        made.turn("offset", turns, note="by feel, against the advice" if turns > 0 else "")
        made.wait(70)
        made.read()


def read_too_soon() -> None:
    """A reading 15 s after the turn: the answer is to wait."""
    made = prepared(visit("read_too_soon", 7, 31))
    if advice := follow(made, "turn"):
        act(made, advice)
    made.wait(7)
    made.read()


def loose_probe() -> None:
    """The probe works loose at low fire: CO2 steps down and O2 up with no turn made."""
    made = prepared(visit("loose_probe", 8, 41, "air in the sample later", fault_from_s=1e9))
    set_high_fire(made)
    made.read()
    made.boiler.fault_from_s = made.boiler.now_s + 1
    made.wait(20)
    made.read()


def reversed_screw() -> None:
    """A throttle screw that works the other way: the job stops until that is cleared up."""
    follow(prepared(visit("reversed_screw", 11, 51, "reversed screw")))


def whole_visit() -> None:
    """A whole visit, every stage done, and its record as two pages, `whole_visit.png` and `whole_visit-2.png`."""
    made = visit("whole_visit", 12, 98)
    while (state := made.job.progress(made.at).current) is not None:
        step = state.step
        if step is not None and step.question is not None:
            answer(made, step.question)
        elif step is not None and step.firing is not None and step.firing == made.boiler.firing:
            made.wait(60)
            made.read()
        elif step is not None and step.firing is not None:
            made.run_at(step.firing)
        else:
            act(made, made.job.next(made.at))
    job = Job.load(DEMO_LOGS / "whole_visit.csv")
    record = record_of(job.setup, job.events, job.warnings)
    _save(sheet.pages_of(record, "whole_visit.csv"), "whole_visit.png")
    _save(sheet.picture_of(record, "whole_visit.csv"), "whole_visit_course.png")


def _save(figures: list[Figure], name: str) -> None:
    pages.save(figures, DEMO_LOGS / name, sheet.TITLE, overwrite=True)


JOBS = (sound_job, whole_visit, half_way, slack_after_reversal, read_too_soon, loose_probe, reversed_screw)


def index() -> str:
    """The index: a line for each log."""
    lines = ["# Demo logs", "", "Invented jobs, made by `python tests/renew.py`. Each shows one thing.", ""]
    lines += [f"* `{job.__name__}.csv`: {(job.__doc__ or '').strip()}" for job in JOBS]
    lines += ["", "[SESSIONS.md](SESSIONS.md) has longer sessions, as the commands print them."]
    return "\n".join(lines) + "\n"


def main() -> int:
    DEMO_LOGS.mkdir(exist_ok=True)
    for job in JOBS:
        job()
    _save([slide(play(by_name("slack")))], "lesson_slack.png")
    (DEMO_LOGS / "README.md").write_text(index(), encoding="utf-8")
    return 0
