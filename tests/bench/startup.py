"""What an answer costs: `python tests/bench/startup.py`.

How much longer `advisor next` takes than a hello-world typer program: nine runs of each, taken in turns in one go, both
medians and their ratio. And the processor time of `Job.next` alone, from nothing but the rows. Own measures.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from replay import at_high

DEMO_LOGS = Path(__file__).resolve().parent.parent.parent / "demo_logs"
HELLO = """\
import typer

app = typer.Typer()


@app.command()
def main(name: str) -> None:
    typer.echo(f"hello {name}")


app()
"""
RUNS = 9


def once(words: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run(words, check=False, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def measure() -> tuple[float, float]:
    """Median seconds of hello and of `advisor next` on a whole visit."""
    with tempfile.TemporaryDirectory() as folder:
        hello, log = Path(folder) / "hello.py", DEMO_LOGS / "whole_visit.csv"
        hello.write_text(HELLO, encoding="utf-8")
        commands = ([sys.executable, str(hello), "you"], [sys.executable, "-m", "advisor", "next", str(log)])
        times = [[once(command) for command in commands] for _ in range(RUNS)]
    first, second = zip(*times, strict=True)
    return statistics.median(first), statistics.median(second)


def one_answer() -> float:
    """Least processor time (s) of one answer on a log with 12 readings, all of it taken in anew."""
    took = []
    for _ in range(RUNS):
        told = at_high(8.3).read("high", 8.3).read("high", 8.3)
        for co2 in (8.4, 8.6, 8.8, 9.0):
            told.turn("throttle", 1 / 24).wait(40).read("high", co2 - 0.1).wait(60).read("high", co2)
        told.run_at("low").wait(100).read("low", 8.7)
        began = time.process_time()
        told.next()
        took.append(time.process_time() - began)
    return min(took)


if __name__ == "__main__":
    hello_s, next_s = measure()
    print(f"hello {hello_s:.3f} s, advisor next {next_s:.3f} s, ratio {next_s / hello_s:.2f}")
    print(f"one answer on 12 readings: {1000 * one_answer():.0f} ms of processor time")
