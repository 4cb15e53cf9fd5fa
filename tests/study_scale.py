"""How the study scales: `python tests/study_scale.py [--jobs 10000] [--memory 50000] --folder FOLDER`.

Seconds from disk with the command's own settings (wall, two processes) and of the processor; twice as many; the fit
alone against as many plain statsmodels OLS fits; the largest memory of a study of `--memory` jobs. On a machine that
others use, only ratios and processor seconds mean something.

Two shared processors, a twentieth of the jobs asked anew, 200 at least (0.15 s each):

    logs     wall, s   processor, s   memory, GiB (largest helping process)
    1,000     111           36         0.28 (0.88)
    2,000      72           42         0.29 (0.90)
    5,000      37           55         0.31 (0.77)
    10,000     65          102         0.35 (0.86)
    20,000    247          221         0.41 (1.02)

Of a job's 3 ms read, 1.4 are the file, 0.8 the timeline, 0.6 the regression; the filter of `advisor.response` in its
place takes 45 ms, 10,000 logs so 540 s of processor.
"""

import argparse
import resource
import time
from pathlib import Path

import fleet
import numpy as np
import statsmodels.api as sm

from advisor import study
from advisor.study import population
from advisor.study.timeline import timeline

FIT_JOBS = 1000  # read at a time when the fit is timed alone, so that rows of a large fleet are never together
USERS = resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN


def studied(paths: list[str]) -> np.ndarray:
    """Wall and processor seconds of a study of logs on disk; printed with the most memory of this process so far."""

    def clocks() -> np.ndarray:
        used = [resource.getrusage(who) for who in USERS]
        return np.array([time.perf_counter(), sum(one.ru_utime + one.ru_stime for one in used)])

    before = clocks()
    found = study.study(paths, processes=2)
    study.say(study.summary(found))
    assert len(found.jobs) == len(paths)
    took, (own, helping) = clocks() - before, (resource.getrusage(who).ru_maxrss / 2**20 for who in USERS)
    memory = f"most memory {own:.2f} GiB, {helping:.2f} GiB in the largest helping process"
    print(f"{len(paths)} logs: {took[0]:.1f} s (two processes), processor {took[1]:.1f} s, {memory}", flush=True)
    return took


def fit_against_ols(paths: list[str]) -> None:
    """Wall seconds of the fit of every job (regression and prior), and of as many plain OLS fits, taken in turns."""
    rng, fit, ols, totals = np.random.default_rng(1), 0.0, 0.0, {}
    design, values = sm.add_constant(rng.normal(size=(10, 1))), rng.normal(size=10)
    for first in range(0, len(paths), FIT_JOBS):
        line = timeline(study.read_rows(paths[first : first + FIT_JOBS])[0])
        start = time.perf_counter()
        population.add(totals, population.screws_and_totals(line)[1])
        middle = time.perf_counter()
        for _ in line.jobs:
            sm.OLS(values, design).fit()
        fit, ols = fit + middle - start, ols + time.perf_counter() - middle
    start = time.perf_counter()
    population.estimates(population.as_evidence(totals))
    fit += time.perf_counter() - start
    print(f"fit {fit:.1f} s, {len(paths)} OLS fits {ols:.1f} s: {fit / ols:.1f} times", flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--jobs", type=int, default=10_000)
    parser.add_argument("--memory", type=int, default=50_000)
    parser.add_argument("--folder", type=Path, required=True, help="where the fleet is, or is made and kept")
    asked = parser.parse_args()
    paths = [asked.folder / f"job_{number:06d}.csv" for number in range(max(2 * asked.jobs, asked.memory))]
    missing = [number for number, path in enumerate(paths) if not path.exists()]
    if missing:
        fleet.make_fleet(len(paths) - missing[0], asked.folder, seed=1, first=missing[0])
    logs = [str(path) for path in paths]
    once, twice = studied(logs[: asked.jobs]), studied(logs[: 2 * asked.jobs])
    print("twice as many: {:.2f} times, processor {:.2f} times".format(*twice / once), flush=True)
    fit_against_ols(logs[: asked.jobs])
    studied(logs[: asked.memory])
