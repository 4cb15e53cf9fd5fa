"""Make a fleet of job logs from made-up boilers with fixed seeds: `python tests/fleet.py 2000 FOLDER`.

Invented technicians with simple habits set invented boilers. `FAMILIES` holds what the boilers have in common, so that
a study of the logs can be held against it. Nothing here knows how the study works.
"""

import argparse
import math
import sys
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from advisor.chemistry import fuels
from advisor.job_setup.setup import JobSetup
from advisor.log import csv_rows as rows
from advisor.log import header as heads
from advisor.log.events import Event
from advisor.response.valve import LinearisedScale
from advisor.training.simulator import BASE, Boiler, Scenario, draw

FIRST_DAY = datetime(2025, 1, 6, 8, 0, tzinfo=UTC)
READ_S, TURN_S, CHANGE_S = 8.0, 10.0, 5.0
LONGEST_S, MOST_MOVES = 3600.0, 24
STOP_CO_PPM = 1000.0  # a technician shuts the burner down here and leaves the job as it is
HALF_BAND = 0.2
SCREW = {"high": "throttle", "low": "offset"}
LEAST_MARK = 1 / 24
MOST = {"throttle": 1 / 8, "offset": 1 / 12}


@dataclass(frozen=True)
class Family:
    """Valves that respond alike, the fuel they burn, and their share of the fleet."""

    label: str
    fuel: fuels.Fuel
    centres: dict[str, float]
    scenario: Scenario
    share: float
    stated_turndown: float = 5.0


FAMILIES = (
    Family("A", fuels.NATURAL_GAS, {"high": 9.2, "low": 8.8}, replace(BASE, turndown=(4.5, 5.5)), 0.45),
    Family(
        "B",
        fuels.NATURAL_GAS,
        {"high": 9.0, "low": 8.6},
        replace(
            BASE, name="lively", gain_offset=(9.0, 0.25), gain_throttle=(7.0, 0.25), turndown=(6.5, 7.5),
            time_constant_s=(12.0, 35.0),
        ),
        0.3,
        7.0,
    ),
    Family(
        "A",
        fuels.PROPANE,
        {"high": 10.6, "low": 10.2},
        replace(BASE, name="propane", gain_offset=(6.0, 0.3), gain_throttle=(4.5, 0.3), turndown=(4.5, 5.5)),
        0.2,
    ),
    Family(
        "C",
        fuels.NATURAL_GAS,
        {"high": 9.2, "low": 8.8},
        replace(
            BASE, name="weak", gain_offset=(2.5, 0.3), gain_throttle=(2.5, 0.3), backlash_turns=(0.0, 1 / 20),
            turndown=(4.5, 5.5),
        ),
        0.05,
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Habit:
    """How a technician works: size of a turn, wait before reading, readings on the way, readings taken twice."""

    name: str
    fixed_turn: float | None  # turns; None: in proportion to the miss
    wait_s: float
    peeks: bool
    twice: bool


HABITS = (
    Habit("fixed twelfth", 1 / 12, 65.0, False, False),
    Habit("fixed twenty-fourth", 1 / 24, 65.0, True, False),
    Habit("in proportion", None, 70.0, True, True),
    Habit("in proportion, once", None, 90.0, False, False),
    Habit("hasty", None, 25.0, False, False),
)
FAULTS = ("", "reversed screw", "dead screw", "air in the sample later")
FAULT_SHARES = (0.95, 0.02, 0.02, 0.01)


class Log:
    """A log being written by someone on site, kept in memory until the job ends."""

    def __init__(self, boiler: Boiler, start: datetime) -> None:
        self.boiler, self.start, self.events = boiler, start, list[Event]()
        self.moves, self.co_ppm = 0, 0.0

    @property
    def goes_on(self) -> bool:
        """Whether patience lasts and no carbon monoxide has ended the job."""
        return self.boiler.now_s < LONGEST_S and self.moves < MOST_MOVES and self.co_ppm < STOP_CO_PPM

    def add(self, kind: str, **fields: object) -> None:
        at = self.start + timedelta(seconds=math.ceil(self.boiler.now_s))
        self.events.append(Event(at, kind, **fields))  # type: ignore[arg-type]

    def read(self) -> float:
        self.boiler.wait(READ_S)
        shown = self.boiler.read()
        self.co_ppm = min(shown.co_ppm, 100_000.0)  # where such a display ends
        self.add("reading", firing=self.boiler.firing, co2_pct=shown.co2_pct, o2_pct=shown.o2_pct, co_ppm=self.co_ppm)
        return shown.co2_pct

    def turn(self, screw: str, turns_cw: float) -> None:
        self.boiler.wait(TURN_S)
        self.boiler.turn(screw, turns_cw)
        self.moves += 1
        self.add("turn", screw=screw, turns_cw=round(turns_cw, 6))

    def run_at(self, firing: str) -> None:
        self.boiler.wait(CHANGE_S)
        self.boiler.run_at(firing)
        self.add("firing", firing=firing)


def work(log: Log, habit: Habit, family: Family) -> None:
    """A visit: high, low, high again, until both rates show in band without a move, or patience ends."""
    boiler, firing, quiet, first = log.boiler, "high", 0, True
    while quiet < 2 and log.goes_on:
        log.run_at(firing)
        boiler.wait(120.0 if first else max(habit.wait_s, 45.0))
        first, turned = False, False
        shown = log.read()
        screw, centre = SCREW[firing], family.centres[firing]
        usual = {"offset": 5.0, "throttle": 4.0}[screw]
        while abs(shown - centre) > HALF_BAND + 1e-9 and log.goes_on:
            size = habit.fixed_turn or max(1, round(abs(centre - shown) / usual / LEAST_MARK)) * LEAST_MARK
            log.turn(screw, math.copysign(min(size, MOST[screw]), centre - shown))
            turned = True
            if habit.peeks:
                boiler.wait(18.0)
                log.read()
                boiler.wait(max(0.0, habit.wait_s - 18.0 - READ_S))
            else:
                boiler.wait(habit.wait_s)
            shown = log.read()
            if habit.twice:
                shown = (shown + log.read()) / 2
        quiet = 0 if turned else quiet + 1
        firing = "low" if firing == "high" else "high"


def make_job(number: int, seed: int, families: tuple[Family, ...] = FAMILIES) -> str:
    """The text of one log; the same number and seed give the same text."""
    rng = np.random.default_rng([seed, number])
    shares = np.array([family.share for family in families])
    family = families[rng.choice(len(families), p=shares / shares.sum())]
    habit = HABITS[rng.choice(len(HABITS), p=(0.2, 0.25, 0.25, 0.2, 0.1))]
    fault = FAULTS[rng.choice(len(FAULTS), p=FAULT_SHARES)]
    boiler = draw(family.scenario, rng, family.centres, fuel=family.fuel, fault=fault)
    start = FIRST_DAY + timedelta(hours=int(rng.integers(0, 365)) * 24 + int(rng.integers(0, 9)))
    log = Log(boiler, start)
    log.add("check", item="sample line", value="tight")
    log.boiler.wait(60)
    work(log, habit, family)
    setup = JobSetup(
        fuel=family.fuel,
        bands={firing: (round(c - HALF_BAND, 2), round(c + HALF_BAND, 2)) for firing, c in family.centres.items()},
        turndown=family.stated_turndown,
        valve_family=family.label,
        site=f"invented job {number}, technician {habit.name}",
    )
    return heads.format_header(setup) + "".join(rows.format_row(event) + "\n" for event in log.events)


def true_gains(boiler: Boiler, centres: dict[str, float]) -> dict[str, float]:
    """What the screws of a boiler truly do on the way from as found to the band's centre, straight % CO2 per turn.

    Throttle at high fire: from opening 1 to A, where f at the centre is A times f as found, so the mean slope of f^2 is
    opening_per_turn f_centre^2 (1 + A) / A^2. Offset at low fire with the throttle set: (K A)^2 offset_per_turn.
    """
    squared = boiler.ratio**2 * (1 + boiler.offset / boiler.turndown**2)
    high, low = (LinearisedScale(boiler.fuel, centres[firing]) for firing in ("high", "low"))
    opening = math.sqrt(high.ratio_squared_at_centre / squared)
    slope = boiler.opening_per_turn * high.ratio_squared_at_centre * (1 + opening) / opening**2
    return {
        "throttle": slope / high.slope_at_centre,
        "offset": (boiler.ratio * opening) ** 2 * boiler.offset_per_turn / low.slope_at_centre,
    }


def population(family: Family, boilers: int = 4000, seed: int = 99) -> dict[str, tuple[float, float]]:
    """Median and spread of the logarithm of the true gains of a family, by screw, from that many boilers."""
    rng = np.random.default_rng(seed)
    drawn = [draw(family.scenario, rng, family.centres, fuel=family.fuel) for _ in range(boilers)]
    logs = [{screw: math.log(gain) for screw, gain in true_gains(boiler, family.centres).items()} for boiler in drawn]
    values = {screw: np.array([log[screw] for log in logs]) for screw in SCREW.values()}
    return {screw: (float(np.exp(np.median(log))), float(log.std())) for screw, log in values.items()}


def _write(number: int, folder: Path, seed: int, families: tuple[Family, ...]) -> None:
    (folder / f"job_{number:06d}.csv").write_text(make_job(number, seed, families), encoding="utf-8")


def make_fleet(
    jobs: int,
    folder: Path,
    *,
    seed: int = 1,
    processes: int = 2,
    families: tuple[Family, ...] = FAMILIES,
    first: int = 0,
) -> None:
    """Write `jobs` logs into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    write = partial(_write, folder=folder, seed=seed, families=families)
    numbers = range(first, first + jobs)
    if processes < 2:
        for number in numbers:
            write(number)
        return
    with get_context("spawn").Pool(processes) as pool:
        for _ in pool.imap_unordered(write, numbers, chunksize=50):
            pass


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("jobs", type=int)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args(words)
    make_fleet(asked.jobs, asked.folder, seed=asked.seed, processes=asked.processes)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
