"""How much longer `advisor next` takes than a hello-world typer program: `python tests/bench/startup.py`.

Nine runs of each, taken in turns in one go; prints both medians and their ratio. Own measure.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from replay import BANDS, moment

from advisor import Job

HELLO = """\
import typer

app = typer.Typer()


@app.command()
def main(name: str) -> None:
    typer.echo(f"hello {name}")


app()
"""
RUNS, ROWS = 9, 60


def long_log(path: Path) -> None:
    """A log of 60 rows: both rates, both screws, most of them readings."""
    job = Job.create(path, fuel="natural gas", bands=BANDS)
    at, rows = moment(0), 0

    def add(what: str, *values: object) -> None:
        nonlocal at, rows
        at += timedelta(seconds=95)
        getattr(job, what)(*values, at=at)
        rows += 1

    co2 = {"high": 7.5, "low": 7.2}
    for firing, screw, turns in (("high", "throttle", 9), ("low", "offset", 9), ("high", "throttle", 1)):
        add("run_at", firing)
        for _ in range(turns):
            for _ in range(2):
                add("read", firing, round(co2[firing], 1), round(20.9 - 1.767 * co2[firing], 1), 20)
            add("turn", screw, 1 / 48)
            co2[firing] += 0.1
    assert rows == ROWS


def once(words: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run(words, check=False, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def measure() -> tuple[float, float]:
    """Median seconds of hello and of `advisor next`."""
    with tempfile.TemporaryDirectory() as folder:
        hello, log = Path(folder) / "hello.py", Path(folder) / "visit.csv"
        hello.write_text(HELLO, encoding="utf-8")
        long_log(log)
        commands = ([sys.executable, str(hello), "you"], [sys.executable, "-m", "advisor", "next", str(log)])
        times = [[once(command) for command in commands] for _ in range(RUNS)]
    first, second = zip(*times, strict=True)
    return statistics.median(first), statistics.median(second)


if __name__ == "__main__":
    hello_s, next_s = measure()
    print(f"hello {hello_s:.3f} s, advisor next on {ROWS} rows {next_s:.3f} s, ratio {next_s / hello_s:.2f}")
