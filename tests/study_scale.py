"""How the study scales: `python tests/study_scale.py [--jobs 10000] [--memory 50000]`.

In one run: seconds from disk with the command's own settings (wall, two processes) and of the processor; twice as many;
the fit alone against as many plain statsmodels OLS fits; the largest memory of a study of `--memory` jobs. On a machine
that others use, only ratios and processor seconds mean something.
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


def cpu_s() -> float:
    """Processor seconds of this process and of those it waited for."""
    return sum(
        usage.ru_utime + usage.ru_stime
        for usage in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    )


def studied(paths: list[str], sample: int) -> tuple[float, float]:
    """Wall and processor seconds of a study of logs on disk."""
    from advisor import study

    co_ceiling, cpu = time.perf_counter(), cpu_s()
    found = study.study(paths, sample=sample, processes=2)
    study.say(study.summary(found))
    assert len(found.jobs) == len(paths)
    return time.perf_counter() - co_ceiling, cpu_s() - cpu


def fit_against_ols(paths: list[str]) -> tuple[float, float]:
    """Wall seconds of the fit of every job (regression and prior), and of as many plain OLS fits, taken in turns."""
    import statsmodels.api as sm

    from advisor.study import collect, learn
    from advisor.study.timeline import timeline

    rng, fit, ols, totals = np.random.default_rng(1), 0.0, 0.0, {}
    design, values = sm.add_constant(rng.normal(size=(10, 1))), rng.normal(size=10)
    for first in range(0, len(paths), FIT_JOBS):
        some = paths[first : first + FIT_JOBS]
        line = timeline(collect.read_rows(some)[0])
        start = time.perf_counter()
        learn.add(totals, learn.screws_and_totals(line)[1])
        middle = time.perf_counter()
        for _ in some:
            sm.OLS(values, design).fit()
        fit, ols = fit + middle - start, ols + time.perf_counter() - middle
    start = time.perf_counter()
    learn.estimates(learn.as_evidence(totals))
    return fit + time.perf_counter() - start, ols


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--jobs", type=int, default=10_000)
    parser.add_argument("--memory", type=int, default=50_000)
    parser.add_argument("--sample", type=int, default=200)
    parser.add_argument("--folder", type=Path, help="where the fleet is, or is made")
    parser.add_argument("--only-study", type=int, help="for the memory run: study so many jobs of --folder, no more")
    asked = parser.parse_args(words)
    if asked.only_study:
        paths = [str(asked.folder / f"job_{number:06d}.csv") for number in range(asked.only_study)]
        co_ceiling, cpu = studied(paths, asked.sample)
        most = [resource.getrusage(who).ru_maxrss / 2**20 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
        print(f"{asked.only_study} jobs: {co_ceiling:.1f} s, processor {cpu:.1f} s, most memory {most[0]:.2f} GiB")
        print(f"and {most[1]:.2f} GiB in the largest helping process", flush=True)
        return 0
    sys.path.insert(0, str(Path(__file__).parent))
    import fleet

    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        start, cpu = time.perf_counter(), cpu_s()
        many = max(2 * asked.jobs, asked.memory)
        missing = [n for n in range(many) if not (folder / f"job_{n:06d}.csv").exists()]
        if missing:
            fleet.make_fleet(many - missing[0], folder, seed=1, first=missing[0])
        print(f"{many} logs made in {time.perf_counter() - start:.0f} s, processor {cpu_s() - cpu:.0f} s", flush=True)
        paths = [str(folder / f"job_{number:06d}.csv") for number in range(2 * asked.jobs)]
        co_ceiling, cpu = studied(paths[: asked.jobs], asked.sample)
        print(f"{asked.jobs} logs studied in {co_ceiling:.1f} s (two processes), processor {cpu:.1f} s", flush=True)
        twice, twice_cpu = studied(paths, asked.sample)
        print(
            f"{2 * asked.jobs} logs: {twice:.1f} s, {twice / co_ceiling:.2f} times; processor {twice_cpu:.1f} s, "
            f"{twice_cpu / cpu:.2f} times",
            flush=True,
        )
        fit, ols = fit_against_ols(paths[: asked.jobs])
        print(f"fit {fit:.1f} s, {asked.jobs} OLS fits {ols:.1f} s: {fit / ols:.1f} times", flush=True)
        if asked.memory:
            size = [__file__, "--folder", str(folder), "--only-study", str(asked.memory), "--sample", str(asked.sample)]
            subprocess.run([sys.executable, *size], check=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
