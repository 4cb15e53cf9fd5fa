"""What the tests of the study share: demo logs studied once, rows and files of jobs, what a docstring lists."""

import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import fleet
import pandas as pd
from console import ROOT
from replay import Told

from advisor import Job, study
from advisor.log.file import Log, append_events
from advisor.log.header import format_header

DEMO = ROOT / "demo_logs"
SOUND = DEMO / "sound_job.csv"


@cache
def demo() -> study.Study:
    """The demo logs studied."""
    return study.study([DEMO])


@cache
def demo_record() -> dict[str, Any]:
    """The record of the demo logs studied."""
    return study.summary(demo())


def rows_of(*jobs: Job | Told) -> pd.DataFrame:
    """Rows of jobs in memory, named j0, j1, ..."""
    made = [getattr(job, "job", job) for job in jobs]
    return study.rows_frame((f"j{n}", Log(job.setup, job.events, ())) for n, job in enumerate(made))


def fleet_rows(jobs: int, seed: int, folder: Path, *families: fleet.Family) -> pd.DataFrame:
    """Rows of a made-up fleet."""
    fleet.make_fleet(jobs, folder / f"{seed}", seed=seed, processes=1, families=families or fleet.FAMILIES)
    return study.read_rows(study.find_logs([folder / f"{seed}"])[0])[0]


def log_file(path: Path, job: Job, **setup: Any) -> Path:
    """A job as a log on disk, some of its setup changed."""
    path.write_text(format_header(replace(job.setup, **setup)), encoding="utf-8")
    append_events(path, job.events)
    return path


def one_line(text: str) -> str:
    """A text without its line breaks."""
    return " ".join(text.split())


def documented(function: Callable[..., Any]) -> list[str]:
    """Names that a docstring lists before what they mean, two spaces between."""
    listed = re.findall(r"^    (\w+(?:, \w+)*)  +\S", function.__doc__ or "", re.MULTILINE)
    return ", ".join(listed).split(", ")
