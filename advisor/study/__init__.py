"""The engineer's desk: many job logs as tables and plots, the calibration of past advice, a learned prior for new jobs.

`study` reads a fleet. `jobs`, `moves`, `readings`, `screws`, `time_spent`, `evidence`, and `asked`'s `predictions`,
`turns`, `findings`, `verdicts` and `ends` are pure functions from log rows to a table, for one process or any engine
that maps a function over parts of whole jobs; the tables are stacked, evidence is `combined`. `trend`, `analysers` and
`worst` take the table of jobs. With Dask (extra `study`), the parts cut between jobs, see `whole_jobs`:

    parts = [dask.dataframe.from_pandas(rows[rows["job"].isin(some)], npartitions=1, sort=False)
             for some in study.whole_jobs(sorted(rows["job"].unique()), 8)]
    moves = dask.dataframe.concat(parts).map_partitions(study.moves, meta=study.moves(rows.iloc[:0])).compute()
"""

from advisor.study import asked, calibration, learned_priors, likelihoods, population, tables
from advisor.study.collect import Study, find_logs, read_rows, study
from advisor.study.frames import rows_frame, whole_jobs
from advisor.study.likelihoods import screws
from advisor.study.played import played
from advisor.study.population import combined, evidence
from advisor.study.prior_trial import trial
from advisor.study.replay import replay
from advisor.study.report import brief, say, summary
from advisor.study.tables import jobs, moves, readings
from advisor.study.time_spent import time_spent
from advisor.study.trends import analysers, trend
from advisor.study.worst import worst

__all__ = [
    "Study", "analysers", "asked", "brief", "calibration", "combined", "evidence", "find_logs", "jobs",
    "learned_priors", "likelihoods", "moves", "played", "population", "read_rows", "readings", "replay", "rows_frame",
    "say", "screws", "study", "summary", "tables", "time_spent", "trend", "trial", "whole_jobs", "worst",
]  # fmt: skip
