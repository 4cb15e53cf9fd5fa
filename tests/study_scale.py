"""How the study scales: `python tests/study_scale.py [--jobs 10000] [--memory 50000]`.

Seconds from disk with the command's own settings (wall, two processes) and of the processor; twice as many; the fit
alone against as many plain statsmodels OLS fits; the largest memory of a study of `--memory` jobs. On a machine that
others use, only ratios and processor seconds mean something.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

FIT_JOBS = 1000  # read at a time when the fit is timed alone, so that rows of a large fleet are never together
FLEET = Path(tempfile.gettempdir(), "invented_fleet")
USERS = resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN


def studied(paths: list[str], sample: int) -> tuple[float, float]:
    """Wall and processor seconds of a study of logs on disk, printed too."""
    from advisor import study

    def clocks() -> np.ndarray:
        used = [resource.getrusage(who) for who in USERS]
        return np.array([time.perf_counter(), sum(one.ru_utime + one.ru_stime for one in used)])

    before = clocks()
    found = study.study(paths, sample=sample, processes=2)
    study.say(study.summary(found))
    assert len(found.jobs) == len(paths)
    wall_s, processor_s = clocks() - before
    print(f"{len(paths)} logs: {wall_s:.1f} s (two processes), processor {processor_s:.1f} s", flush=True)
    return wall_s, processor_s


def fit_against_ols(paths: list[str]) -> tuple[float, float]:
    """Wall seconds of the fit of every job (regression and prior), and of as many plain OLS fits, taken in turns."""
    import statsmodels.api as sm

    from advisor.study import collect, population
    from advisor.study.timeline import timeline

    rng, fit, ols, totals = np.random.default_rng(1), 0.0, 0.0, {}
    design, values = sm.add_constant(rng.normal(size=(10, 1))), rng.normal(size=10)
    for first in range(0, len(paths), FIT_JOBS):
        line = timeline(collect.read_rows(paths[first : first + FIT_JOBS])[0])
        start = time.perf_counter()
        population.add(totals, population.screws_and_totals(line)[1])
        middle = time.perf_counter()
        for _ in line.jobs:
            sm.OLS(values, design).fit()
        fit, ols = fit + middle - start, ols + time.perf_counter() - middle
    start = time.perf_counter()
    population.estimates(population.as_evidence(totals))
    return fit + time.perf_counter() - start, ols


def main(words: list[str]) -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--jobs", type=int, default=10_000)
    parser.add_argument("--memory", type=int, default=50_000)
    parser.add_argument("--sample", type=int, default=200)
    parser.add_argument("--folder", type=Path, default=FLEET, help="where the fleet is, or is made and kept")
    parser.add_argument("--only-study", type=int, help="for the memory run: study so many jobs of --folder, no more")
    asked = parser.parse_args(words)
    many = asked.only_study or max(2 * asked.jobs, asked.memory)
    paths = [str(asked.folder / f"job_{number:06d}.csv") for number in range(many)]
    if asked.only_study:
        studied(paths, asked.sample)
        main_gib, helping_gib = (resource.getrusage(who).ru_maxrss / 2**20 for who in USERS)
        print(f"most memory {main_gib:.2f} GiB, {helping_gib:.2f} GiB in the largest helping process")
        return
    missing = [number for number, path in enumerate(paths) if not Path(path).exists()]
    if missing:
        sys.path.insert(0, str(Path(__file__).parent))
        import fleet

        fleet.make_fleet(many - missing[0], asked.folder, seed=1, first=missing[0])
    once, twice = (studied(paths[: times * asked.jobs], asked.sample) for times in (1, 2))
    print("twice as many: {:.2f} times, processor {:.2f} times".format(*np.divide(twice, once)), flush=True)
    fit, ols = fit_against_ols(paths[: asked.jobs])
    print(f"fit {fit:.1f} s, {asked.jobs} OLS fits {ols:.1f} s: {fit / ols:.1f} times", flush=True)
    if asked.memory:
        size = ["--folder", str(asked.folder), "--only-study", str(asked.memory), "--sample", str(asked.sample)]
        subprocess.run([sys.executable, __file__, *size], check=True)


if __name__ == "__main__":
    main(sys.argv[1:])
