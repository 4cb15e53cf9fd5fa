"""The engineer's desk: many job logs as tables and plots, the honesty of past advice, a prior for new jobs.

`study` reads a fleet. `jobs`, `moves`, `readings`, `screws`, `evidence`, `honesty.predictions` and `honesty.turns` are
pure functions from log rows to a table, for one process or any engine that maps a function over parts.
"""

from advisor.study import batch, honesty, learn, priors, tables
from advisor.study.batch import screws
from advisor.study.collect import Study, find_logs, read_rows, study
from advisor.study.frames import rows_frame, whole_jobs
from advisor.study.learn import combined, evidence
from advisor.study.replay import replay
from advisor.study.report import say, summary
from advisor.study.tables import jobs, moves, readings

__all__ = [
    "Study", "batch", "combined", "evidence", "find_logs", "honesty", "jobs", "learn", "moves", "priors",
    "read_rows", "readings", "replay", "rows_frame", "say", "screws", "study", "summary", "tables", "whole_jobs",
]  # fmt: skip
