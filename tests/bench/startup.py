"""What an answer costs: `python tests/bench/startup.py`.

How much longer `advisor next` takes than a hello-world typer program: nine runs of each, taken in turns in one go, both
medians and their ratio. And the processor time of `Job.next` alone, from nothing but the rows. Own measures.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from replay import BANDS, Told, moment

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


def one_answer() -> float:
    """Least processor time (s) of one answer on a log with 12 readings, all of it taken in anew."""
    took = []
    for _ in range(RUNS):
        told = (
            Told().run_at("low").wait(180).read("low", 8.3).run_at("high").wait(150).read("high", 8.3).read("high", 8.3)
        )
        for co2 in (8.4, 8.6, 8.8, 9.0):
            told.turn("throttle", 1 / 24).wait(40).read("high", co2 - 0.1).wait(60).read("high", co2)
        told.run_at("low").wait(100).read("low", 8.7)
        began = time.process_time()
        told.next()
        took.append(time.process_time() - began)
    return min(took)


if __name__ == "__main__":
    hello_s, next_s = measure()
    print(f"hello {hello_s:.3f} s, advisor next on {ROWS} rows {next_s:.3f} s, ratio {next_s / hello_s:.2f}")
    print(f"one answer on 12 readings: {1000 * one_answer():.0f} ms of processor time")
