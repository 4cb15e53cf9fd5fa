"""Make a fleet of job logs from made-up boilers with fixed seeds: `python tests/fleet.py 2000 FOLDER`.

Invented technicians with simple habits set invented boilers. `FAMILIES` holds what the boilers have in common, so that
a study of the logs can be held against it. Nothing here knows how the study works.
"""

import argparse
import math
import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from advisor.chemistry import fuels
from advisor.log.check_items import SAMPLE_LINE, TIGHT
from advisor.log.csv_rows import format_row
from advisor.log.header import format_header
from advisor.response.valve import LinearisedScale
from advisor.screws import SCREWS, Firing, Screw
from advisor.training.simulated_visit import SimulatedVisit, VisitSettings
from advisor.training.simulator import BASE, Boiler, Scenario, draw
from advisor.training.strategies import HASTY, Rule, by_rule, fixed

FIRST_DAY = datetime(2025, 1, 6, 8, 0, tzinfo=UTC)
HALF_BAND = 0.2
SETTINGS = VisitSettings(whole_seconds=True, longest_s=3600.0, most_turns=24)


@dataclass(frozen=True)
class Family:
    """Valves that respond alike, the fuel they burn, and their share of the fleet."""

    label: str
    fuel: fuels.Fuel
    centres: dict[Firing, float]
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


ON_SITE = replace(HASTY, turn_s=65.0, change_s=65.0)
HABITS = {  # how a technician works, by name
    "fixed twelfth": replace(ON_SITE, wish=fixed(1 / 12)),
    "fixed twenty-fourth": replace(ON_SITE, wish=fixed(1 / 24), on_the_way_s=18.0),
    "in proportion": replace(ON_SITE, turn_s=70.0, change_s=70.0, on_the_way_s=18.0, readings=(1, 2)),
    "in proportion, once": replace(ON_SITE, turn_s=90.0, change_s=90.0),
    "hasty": HASTY,
}
HABIT_SHARES = (0.2, 0.25, 0.25, 0.2, 0.1)
FAULTS = ("", "reversed screw", "dead screw", "air in the sample later")
FAULT_SHARES = (0.95, 0.02, 0.02, 0.01)


CAREFUL = replace(ON_SITE, readings=(3, 3), inner=0.5, turn_s=90.0, change_s=90.0, read_again=True)
LUCKY = replace(HASTY, wish=fixed(1 / 24), read_again=False, change_s=40.0)  # takes the first display in band for true
ANALYSERS = tuple(f"invented analyser {letter}" for letter in "ABCDE")  # jobs take them in turn


def make_job(number: int, seed: int, families: tuple[Family, ...] = FAMILIES) -> str:
    """The text of one log; the same number and seed give the same text."""
    return text_of(make_visit(number, seed, families))


def text_of(visit: SimulatedVisit) -> str:
    """A visit as the text of its log."""
    rows = [replace(row, turns_cw=row.turns_cw and round(row.turns_cw, 6)) for row in visit.job.events]
    return format_header(visit.job.setup) + "".join(f"{format_row(row)}\n" for row in rows)


def make_visit(
    number: int,
    seed: int,
    families: tuple[Family, ...] = FAMILIES,
    *,
    rule: Rule | None = None,
    drift_pct_per_year: Mapping[str, float] | None = None,
) -> SimulatedVisit:
    """One visit, played to its end: the log's job and the truth beside it.

    rule                how the technician works; left out: one of HABITS, and one boiler in twenty has a fault
    drift_pct_per_year  by analyser, how much more CO2 it shows each year, % CO2
    """
    rng = np.random.default_rng([seed, number])
    shares = np.array([family.share for family in families])
    family = families[rng.choice(len(families), p=shares / shares.sum())]
    habit = list(HABITS)[rng.choice(len(HABITS), p=HABIT_SHARES)]
    fault = FAULTS[rng.choice(len(FAULTS), p=FAULT_SHARES)] if rule is None else ""
    boiler = draw(family.scenario, rng, family.centres, fuel=family.fuel, fault=fault)
    start = FIRST_DAY + timedelta(hours=int(rng.integers(0, 365)) * 24 + int(rng.integers(0, 9)))
    facts = {
        "fuel": family.fuel,
        "bands": {firing: (round(c - HALF_BAND, 2), round(c + HALF_BAND, 2)) for firing, c in family.centres.items()},
        "turndown": family.stated_turndown,
        "valve_family": family.label,
        "analyser": ANALYSERS[number % len(ANALYSERS)],
        "site": f"invented job {number}, technician {habit}",
    }
    drift = (drift_pct_per_year or {}).get(ANALYSERS[number % len(ANALYSERS)], 0.0)
    boiler.analyser_pct += drift * (start - FIRST_DAY).days / 365
    visit = SimulatedVisit(boiler, facts, SETTINGS, start)
    visit.job.check(SAMPLE_LINE, TIGHT, at=visit.at)
    visit.wait(60)
    by_rule(visit, rule or HABITS[habit])
    return visit


def any_family(number: int, seed: int = 1) -> Family:
    """An invented family of valves, drawn as widely as a study believes before any job (`population._built_in`).

    Medians, spreads, backlash and lag are log-normal, so that ranges of 90 % can be counted.
    """
    rng = np.random.default_rng([seed, number])
    offset, throttle, spread, wide, slow = np.exp(np.array([0.6, 0.6, 0.5, 0.5, 0.45]) * rng.standard_normal(5))
    spread, slow = min(0.4 * spread, 1.0), 1.25 * slow
    scenario = replace(
        BASE,
        name=f"family {number}",
        gain_offset=(5 * offset, spread),
        gain_throttle=(4 * throttle, spread),
        backlash_turns=(0.0, wide / 32),
        time_constant_s=(8 * slow, 25 * slow),
        turndown=(4.5, 5.5),
    )
    return Family(f"F{number}", fuels.NATURAL_GAS, {"high": 9.2, "low": 8.8}, scenario, 1.0)


def true_gains(boiler: Boiler, centres: dict[Firing, float]) -> dict[Screw, float]:
    """What the screws of a boiler truly do at the bands' centres, linearised % CO2 per turn, as the adviser has gains.

    Throttle at high fire: f goes with the opening, 1 as found and A at the centre, so the slope of f^2 there is
    2 opening_per_turn f_centre^2 / A. Offset at low fire with the throttle set: (K A)^2 offset_per_turn.
    """
    squared = boiler.ratio**2 * (1 + boiler.offset / boiler.turndown**2)
    high, low = (LinearisedScale(boiler.fuel, centres[firing]) for firing in ("high", "low"))
    opening = math.sqrt(high.ratio_squared_at_centre / squared)
    slope = 2 * boiler.opening_per_turn * high.ratio_squared_at_centre / opening
    return {
        "throttle": slope / high.slope_at_centre,
        "offset": (boiler.ratio * opening) ** 2 * boiler.offset_per_turn / low.slope_at_centre,
    }


def population(family: Family, boilers: int = 4000, seed: int = 99) -> dict[Screw, tuple[float, float]]:
    """Median and spread of the logarithm of the true gains of a family, by screw, from that many boilers."""
    rng = np.random.default_rng(seed)
    drawn = [draw(family.scenario, rng, family.centres, fuel=family.fuel) for _ in range(boilers)]
    logs = [{screw: math.log(gain) for screw, gain in true_gains(boiler, family.centres).items()} for boiler in drawn]
    values = {screw: np.array([log[screw] for log in logs]) for screw in SCREWS}
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
    if processes < 2 or jobs < 1000:  # starting processes takes longer than it saves
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
