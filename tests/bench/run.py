"""The bench: `python tests/bench/run.py` runs whole visits of all policies over all scenarios, side by side.

    --visits N     visits for each policy and scenario (2000)
    --first-seed N the first boiler's seed (1,000,000: nobody tunes on these; tuning is done on seeds below 100,000)
    --scenarios    names parted by commas without blanks (all)
    --policies     likewise (all but the finders of `bound`)
    --faults       the faulty boilers instead: share found, under which name, after how many bad moves, how far pushed.
                   A bad move brought CO2 no nearer to the middle of the band while the fault was there; visits that
                   ended before the fault began are counted and left out
    --against FILE the bench.csv or faults.csv of an earlier run: what changed on the same boilers
    --out FOLDER   writes bench.md and bench.csv there (faults.md, faults.csv); else prints the tables

Seeds are fixed: visit k of a scenario is the same boiler for every policy. Two processes; the same words give the same
files. What the columns mean is printed under each table, from `report`.
"""

import argparse
import csv
import os
import re
import sys
from collections.abc import Callable, Iterable
from dataclasses import asdict
from functools import partial
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # two processes on two cores: no threads inside

import bench_visit
import report
from bench_visit import ADVISER, STRATEGIES, Outcome, in_two
from bound import FINDERS, first_turn

from advisor.training.simulator import BEYOND, FAULTS, SCENARIOS
from advisor.training.strategies import RULES, omniscient

POLICIES = (bench_visit.OMNISCIENT, ADVISER, bench_visit.PEER, *RULES)
BOILERS = {scenario.name: scenario for scenario in (*SCENARIOS, *BEYOND)}
FIRST_SEED = 1_000_000

Task = tuple[str, str, int, str]  # scenario, policy, seed, fault


def visit(task: Task) -> Outcome:
    """One visit."""
    name, policy, seed, fault = task
    scenario = BOILERS[name]
    if policy == ADVISER:
        return bench_visit.advised(scenario, seed, fault)
    strategy = STRATEGIES.get(policy)
    if policy in FINDERS:
        strategy = partial(omniscient, first_turn=partial(first_turn, scenario, FINDERS[policy]))
    return bench_visit.by_strategy(scenario, seed, policy, fault, strategy)


def some_of(known: Iterable[str]) -> Callable[[str], list[str]]:
    """A reader of names parted by commas, for argparse."""

    def read(words: str) -> list[str]:
        names = re.split(r",(?! )", words)  # a comma before a blank is part of a name
        for name in names:
            if name not in known:
                raise argparse.ArgumentTypeError(f"'{name}' is not known; there are: {'; '.join(known)}")
        return list(dict.fromkeys(names))

    return read


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--visits", type=int, default=2000)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--scenarios", type=some_of(BOILERS), default=list(BOILERS))
    parser.add_argument("--policies", type=some_of((*POLICIES, *FINDERS)), default=list(POLICIES))
    parser.add_argument("--faults", action="store_true")
    parser.add_argument("--against", type=Path)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args(words)
    seeds = range(asked.first_seed, asked.first_seed + asked.visits)
    if asked.faults:
        name = "faults"
        tasks = [("base", ADVISER, seed, fault) for fault in FAULTS for seed in seeds]
        outcomes = in_two(visit, tasks, "faulty visits")
        text = report.explained(report.FAULT_COLUMNS, report.fault_table(outcomes))
    else:
        name = "bench"
        pairs = [(scenario, policy) for scenario in asked.scenarios for policy in asked.policies]
        tasks = [(scenario, policy, seed, "") for scenario, policy in pairs for seed in seeds]
        outcomes = in_two(visit, tasks, "visits")
        text = report.explained(report.COLUMNS, report.table(outcomes))
        if ADVISER in asked.policies:
            text += "\nWhat the adviser said of the next reading (90 % range) and of its turns, and what came:\n\n"
            text += report.explained(report.CLAIM_COLUMNS, report.claim_table(outcomes))
    if asked.against:
        with asked.against.open(newline="", encoding="utf-8") as file:
            text += "\nBefore and now:\n\n"
            text += report.explained(report.CHANGE_COLUMNS, report.change_table(csv.DictReader(file), outcomes))
    if asked.out:
        asked.out.mkdir(parents=True, exist_ok=True)
        (asked.out / f"{name}.md").write_text(text, encoding="utf-8")
        with (asked.out / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(asdict(outcomes[0])))
            writer.writeheader()
            writer.writerows(asdict(outcome) for outcome in outcomes)
    print(text, end="")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
