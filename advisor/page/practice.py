"""A made-up boiler as a visit: which one it is stands in its log, and what its rows did to it is played again.

Nothing is kept but the log, so practice goes on after a restart as a real visit does. A wait passes at once where the
pupil asks for it: a note moves the game's clock, which runs on from the last row.
"""

from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from advisor import parsing
from advisor.errors import RangeError
from advisor.job import Job
from advisor.job_setup.setup import JobSetup
from advisor.log.events import local_now
from advisor.screws import FIRINGS, OFF
from advisor.training.practice import task_of
from advisor.training.simulated_visit import FACTS, PLATE, PRESSURE, PRESSURE_MBAR
from advisor.training.simulator import Boiler
from advisor.wording.page import page_text

ITEM, PASSED = "practice boiler", "practice wait"  # items of notes: which boiler; a wait that passed at once
STANDING_MBAR = 20.6  # invented


@dataclass(frozen=True)
class Instruments:
    """What analyser and manometer show at the made-up boiler: %, ppm, mbar."""

    co2_pct: float
    o2_pct: float
    co_ppm: float
    pressure_mbar: float


def setup() -> JobSetup:
    """What is stated of the made-up boiler."""
    facts = {**FACTS, "pressures": {PRESSURE: PLATE, "standing pressure": PLATE}}
    return Job(**facts).setup


def begin(job: Job) -> None:
    """Note which boiler it is: one drawn by lot, of the easy ones."""
    task = task_of(None, False, None)
    job.note(page_text("made-up"), item=ITEM, value=str(task.seed), at=local_now())


def moment(job: Job, path: Path) -> datetime:
    """The moment of the game: as long after the last row as that was written ago."""
    now = local_now()
    if job.ended is None:
        return now
    return max(now, job.ended + timedelta(seconds=max(0.0, now.timestamp() - path.stat().st_mtime)))


def let_pass(job: Job, seconds: float, at: datetime) -> None:
    """Let a wait pass at once. RangeError at a real boiler."""
    if not job.setup.practice:
        raise RangeError(page_text("real-wait"))
    job.note(page_text("passes"), item=PASSED, value=f"{seconds:.0f}", unit="s", at=at + timedelta(seconds=seconds))


def shown(job: Job, at: datetime) -> Instruments | None:
    """What the instruments show; None where the log does not tell which boiler it is."""
    boiler = played(job, at)
    if boiler is None:
        return None
    reading = boiler.read()
    o2 = reading.o2_pct if boiler.firing else 20.9
    pressure = PRESSURE_MBAR * boiler.gas_pressure_share() if boiler.firing else STANDING_MBAR
    return Instruments(reading.co2_pct, o2, reading.co_ppm, round(pressure, 1))


def say_shown(job: Job, at: datetime) -> str:
    """What the instruments show, in words."""
    shows = shown(job, at)
    return page_text("shows", **asdict(shows)) if shows else ""


def say_truth(job: Job, at: datetime) -> str:
    """What the flame truly gives at both rates, for the end."""
    boiler = played(job, at)
    if boiler is None:
        return ""
    told = ", ".join(page_text("true-at", co2_pct=boiler.settled_pct(firing), firing=firing) for firing in FIRINGS)
    return page_text("truth", told=told)


def played(job: Job, at: datetime) -> Boiler | None:
    """The boiler after all that the standing rows did to it."""
    rows = job.rows(at)
    seeds = [event.value for event in job.events if event.event == "note" and event.item == ITEM]  # struck or not
    if not seeds:
        return None
    boiler = task_of(None, False, parsing.parse_whole(seeds[0], ITEM)).boiler()
    began = job.events[0].time
    for row in rows:
        event = row.event
        boiler.now_s = (event.time - began).total_seconds()
        if event.event == "firing" and event.firing == OFF:
            boiler.off()
        elif event.event == "firing" and event.firing in FIRINGS:
            boiler.run_at(event.firing)
        elif event.event == "turn" and event.screw and event.turns_cw:
            boiler.turn(event.screw, event.turns_cw)
    boiler.now_s = (at - began).total_seconds()
    boiler.rng = np.random.default_rng([len(rows), int(boiler.now_s)])  # the same display until something is done
    return boiler
