"""The bench: `python tests/bench/run.py` runs whole visits of all policies over all scenarios, side by side.

    --visits N     visits for each policy and scenario (2000)
    --scenarios    comma-separated names (all)
    --policies     comma-separated names (all)
    --faults       the faulty boilers instead: share found, after how many turns, how far pushed
    --out FOLDER   writes bench.md and bench.csv there (faults.md, faults.csv); else prints the table

Seeds are fixed: visit k of a scenario is the same boiler for every policy. Two processes.
Shares come with their 95 % Wilson interval, means with 1.96 standard errors.
"""

import argparse
import csv
import math
import os
import sys
from collections.abc import Iterable
from dataclasses import asdict
from multiprocessing import Pool
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # two processes on two cores: no threads inside

import numpy as np
import policies
from policies import Outcome
from rich.progress import track

from advisor.simulator import FAULTS, SCENARIOS

ADVISER, OMNISCIENT = "adviser", "omniscient"
POLICIES = (OMNISCIENT, ADVISER, *policies.RULES)


def visit(task: tuple[str, str, int, str]) -> Outcome:
    """One visit: scenario, policy, seed, fault."""
    name, policy, seed, fault = task
    scenario = next(scenario for scenario in SCENARIOS if scenario.name == name)
    if policy == ADVISER:
        return policies.advised(scenario, seed, fault)
    if policy == OMNISCIENT:
        return policies.omniscient(scenario, seed, fault)
    return policies.by_rule(scenario, seed, policy, fault)


def run(tasks: list[tuple[str, str, int, str]], what: str) -> list[Outcome]:
    """All visits, in two processes, with a progress bar on standard error."""
    from rich.console import Console

    with Pool(2) as pool:
        done = pool.imap(visit, tasks, chunksize=4)
        return list(track(done, what, total=len(tasks), console=Console(stderr=True), transient=True))


def share(hits: int, of: int) -> str:
    """A share in percent with its 95 % Wilson interval."""
    if not of:
        return "-"
    z, p = 1.96, hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return f"{100 * p:.1f} ({100 * max(0.0, middle - half):.1f}-{100 * min(1.0, middle + half):.1f})"


def mean(values: Iterable[float]) -> str:
    """A mean with 1.96 standard errors."""
    array = np.array(list(values), dtype=float)
    if not array.size:
        return "-"
    return f"{array.mean():.1f} ± {1.96 * array.std() / math.sqrt(array.size):.1f}"


HEADER = (
    "scenario", "policy", "visits", "both truly in band at finish, %", "overshot, %", "to where CO begins, %",
    "minutes", "x omniscient", "moves", "readings", "never ended, %", "halted rightly, %", "halted wrongly, %",
    "90 % interval holds, %", "as shown, %",
)  # fmt: skip


def table(outcomes: list[Outcome]) -> list[tuple[str, ...]]:
    """A row for each scenario and policy."""
    rows = []
    for name in dict.fromkeys(o.scenario for o in outcomes):
        here = [o for o in outcomes if o.scenario == name]
        best = np.mean([o.minutes for o in here if o.policy == OMNISCIENT and o.finished] or [math.nan])
        for policy in dict.fromkeys(o.policy for o in here):
            group = [o for o in here if o.policy == policy]
            ended = [o for o in group if o.finished]
            halted = [o for o in group if o.halted]
            minutes = [o.minutes for o in ended]
            predicted = sum(o.predicted for o in group)
            rows.append(
                (
                    name,
                    policy,
                    str(len(group)),
                    share(sum(o.both for o in ended), len(ended)),
                    share(sum(o.overshot for o in group), len(group)),
                    share(sum(o.near_co for o in group), len(group)),
                    mean(minutes),
                    f"{np.mean(minutes) / best:.2f}" if ended else "-",
                    mean(o.moves for o in ended),
                    mean(o.readings for o in ended),
                    share(len(group) - len(ended) - len(halted), len(group)),
                    share(sum(o.halted_rightly for o in halted), len(group)),
                    share(sum(not o.halted_rightly for o in halted), len(group)),
                    share(sum(o.covered for o in group), predicted),
                    share(sum(o.covered_as_shown for o in group), predicted),
                )
            )
    return rows


FAULT_HEADER = (
    "fault", "visits", "stopped, %", "stopped before the third bad move, %",
    "warned of or stopped before the third bad move, %", "bad moves", "finished unnoticed, %",
    "in band at that finish, %", "pushed beyond the band at worst, % CO2", "found as",
)  # fmt: skip


def fault_table(outcomes: list[Outcome]) -> list[tuple[str, ...]]:
    """A row for each fault."""
    rows = []
    for fault in dict.fromkeys(o.fault for o in outcomes):
        group = [o for o in outcomes if o.fault == fault]
        found, missed = [o for o in group if o.halted], [o for o in group if o.finished]
        codes: dict[str, int] = {}
        for o in found:
            codes[o.halted] = codes.get(o.halted, 0) + 1
        named = ", ".join(f"{code} {count}" for code, count in sorted(codes.items(), key=lambda item: -item[1]))
        rows.append(
            (
                fault,
                str(len(group)),
                share(len(found), len(group)),
                share(sum(o.bad_moves < 3 for o in found), len(group)),
                share(sum(0 <= o.hinted_after < 3 or (bool(o.halted) and o.bad_moves < 3) for o in group), len(group)),
                mean(o.bad_moves for o in found),
                share(len(missed), len(group)),
                share(sum(o.both for o in missed), len(missed)),
                mean(max(0.0, o.pushed_pct) for o in group),
                named or "-",
            )
        )
    return rows


def markdown(header: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(header) + " |", "|" + "---|" * len(header)]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)]) + "\n"


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--visits", type=int, default=2000)
    parser.add_argument("--scenarios", default=",".join(scenario.name for scenario in SCENARIOS))
    parser.add_argument("--policies", default=",".join(POLICIES))
    parser.add_argument("--faults", action="store_true")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args(words)
    if asked.faults:
        tasks = [("base", ADVISER, seed, fault) for fault in FAULTS for seed in range(asked.visits)]
        outcomes = run(tasks, "faulty visits")
        name, header, rows = "faults", FAULT_HEADER, fault_table(outcomes)
    else:
        tasks = [
            (scenario, policy, seed, "")
            for scenario in asked.scenarios.split(",")
            for policy in asked.policies.split(",")
            for seed in range(asked.visits)
        ]
        outcomes = run(tasks, "visits")
        name, header, rows = "bench", HEADER, table(outcomes)
    text = markdown(header, rows)
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
