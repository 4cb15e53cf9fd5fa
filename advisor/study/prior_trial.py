"""A prior held against the built-in one on jobs that it was not learned from."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from advisor.job_setup.prior import Prior
from advisor.job_setup.prior_file import with_prior_from
from advisor.job_setup.setup import JobSetup
from advisor.log.header import format_header
from advisor.report.layout import labelled, wrapped
from advisor.study import asked, calibration, collect
from advisor.study.frames import job_setups, pieces, plain
from advisor.study.played import played
from advisor.wording.numbers import say_chance

NAMES = ("built_in", "learned")
QUANTITIES = ("range", "readings")
FEW, MOST_BAD = 8, 3  # jobs up to which one process will do; bad logs on the screen
SURE_OF = 1.96  # sd of a difference from which it is called one
Change = Callable[[JobSetup], JobSetup]


@dataclass(frozen=True)
class Trial:
    """Held-out jobs under two priors, the built-in one first.

    prior        the file of the other one
    jobs         jobs asked anew, drawn at random with `seed` from `of`
    predictions  see `asked.predictions`, under each prior
    played       see `played.played`, the same boilers under each prior
    bad          logs that could not be read
    """

    prior: str
    jobs: tuple[str, ...]
    of: int
    seed: int
    predictions: tuple[pd.DataFrame, pd.DataFrame]
    played: tuple[pd.DataFrame, pd.DataFrame]
    bad: tuple[str, ...]


def trial(
    prior: Path,
    logs: Sequence[str],
    *,
    sample: int = 200,
    play: int = 20,
    seed: int = 1,
    progress: collect.Progress = lambda what, done, of: None,
) -> Trial:
    """Ask a random sample of jobs anew under the built-in prior and under the one of a file, and play some under each.

    Each job takes the table of the file that fits it, as `open --prior` would. The boilers that are played are drawn
    from the fits under the built-in prior, the same for both. Raises LogError where the file or all logs can't be read,
    or the file has nothing for a job.
    """
    paths, bad = collect.find_logs(logs)
    names = asked.drawn(paths, sample, seed)
    again = frozenset(asked.drawn(names, play, seed))
    ask = partial(_part, prior=str(prior), again=again, seed=seed)
    parts: list[tuple[pd.DataFrame, ...]] = []
    with collect.workers(collect.processors() if len(names) > FEW else 1) as run:
        found = run(ask, pieces(names, collect.ASKED_AT_ONCE))
        for part in collect.counted(found, "asking under both", len(names), progress):
            bad += part.bad
            parts.append(part.tables)
    if not any(len(tables[0]) for tables in parts):
        raise collect.none_read(bad)
    asked_one, asked_other, played_one, played_other = map(collect.joined, zip(*parts, strict=True))
    jobs, readings = tuple(sorted(set(asked_one["job"]))), (asked_one, asked_other)
    return Trial(str(prior), jobs, len(paths), seed, readings, (played_one, played_other), tuple(sorted(bad)))


def _part(paths: Sequence[str], prior: str, again: frozenset[str], seed: int) -> collect.Part:
    rows, bad, _ = collect.read_rows(paths)
    priors: tuple[Change, Change] = (built_in, partial(with_prior_from, prior))
    rows_built_in, _ = both = tuple(under(rows, change) for change in priors)
    some = rows_built_in[rows_built_in["job"].isin(again)]
    tables = [asked.predictions(of) for of in both]
    tables += [played(some, change, seed=seed) for change in priors]
    return collect.Part(len(paths), tuple(tables), bad=bad)


def built_in(setup: JobSetup) -> JobSetup:
    """The setup with the built-in prior."""
    return replace(setup, prior=Prior(), prior_source="")


def under(rows: pd.DataFrame, change: Change) -> pd.DataFrame:
    """The rows with each job's setup changed."""
    headers = {job: format_header(change(setup)) for job, setup in job_setups(rows).items()}
    first = rows["header"].astype(bool)
    return rows.assign(header=rows["header"].where(~first, rows["job"].map(headers)))


def trial_summary(held: Trial) -> dict[str, Any]:
    """The figures of a trial as plain values.

    prior, jobs, of, seed  the file; how many jobs were asked anew, `of` how many, drawn with `seed`
    bad_logs           logs that could not be read
    built_in, learned  under each prior: `range` and `readings`, rows of `calibration.judged`; `log_score`, mean over
                       the readings of the logarithm of the chance that was given to what came; `minutes`, `moves`, mean
                       of the jobs played (`played`), `overshoots` in all, share left `in_band`
    better             learned less built in, with half a 95 % range: `log_score` and `log_score_error` (jobs taken as
                       what was drawn), `minutes` and `minutes_error`
    """
    under_each = {
        name: {
            **{of: plain(calibration.judged(readings, of)) for of in QUANTITIES},
            "log_score": float(readings["log_score"].mean()),
            "played": len(again),
            **{of: float(again[of].mean()) if len(again) else None for of in ("minutes", "moves", "in_band")},
            "overshoots": int(again["overshoots"].sum()),
        }
        for name, readings, again in zip(NAMES, held.predictions, held.played, strict=True)
    }
    one, other = held.predictions
    score = (other["log_score"] - one["log_score"]).groupby(one["job"]).agg(["sum", "count"])
    minutes = held.played[1]["minutes"] - held.played[0]["minutes"]
    mean = float(score["sum"].sum() / score["count"].sum())
    left = score["sum"] - mean * score["count"]
    better = {
        "log_score": mean,
        "log_score_error": SURE_OF * float(np.sqrt((left**2).sum()) / score["count"].sum()),
        "minutes": float(minutes.mean()) if len(minutes) else None,
        "minutes_error": SURE_OF * float(minutes.std() / len(minutes) ** 0.5) if len(minutes) > 1 else None,
    }
    about = {"prior": held.prior, "jobs": len(held.jobs), "of": held.of, "seed": held.seed, "bad_logs": list(held.bad)}
    return {**about, **under_each, "better": better}


def say_trial(record: dict[str, Any]) -> str:
    """A trial as text; the first line is the answer."""
    better, one, other = record["better"], record["built_in"], record["learned"]
    verdict = _side(better["log_score"], better["log_score_error"])
    lines = wrapped(
        f"{record['prior']} foretells readings {verdict} the built-in prior: {record['jobs']:,} of {record['of']:,} "
        f"jobs asked anew under both, seed {record['seed']}. Jobs that it was learned from prove nothing."
    )
    for label, prior in (("Built in", one), ("Learned", other)):
        held, inside = (prior[of][0] for of in QUANTITIES)
        text = (
            f"90 % range held in {say_chance(held['observed'])}, {held['verdict']}; next reading in band "
            f"stated {say_chance(inside['stated'])}, observed {say_chance(inside['observed'])}, {inside['verdict']}; "
            f"log score {prior['log_score']:.3f} a reading."
        )
        if prior["played"]:
            many = "" if prior["overshoots"] == 1 else "s"
            text += (
                f" {prior['played']} jobs set again: {prior['minutes']:.1f} min, {prior['moves']:.1f} turns a job, "
                f"{prior['overshoots']} overshoot{many} in all, "
                f"{say_chance(prior['in_band'])} truly in band at the end."
            )
        lines += labelled(label, text)
    apart = f"log score {better['log_score']:+.3f} ± {better['log_score_error']:.3f}"
    if better["minutes_error"] is not None:
        apart += f", {better['minutes']:+.1f} ± {better['minutes_error']:.1f} min a job"
    lines += labelled("Learned", f"less built in: {apart} (95 %).")
    for message in record["bad_logs"][:MOST_BAD]:
        lines += labelled("Bad log", message)
    return "\n".join(lines)


def _side(more: float, error: float) -> str:
    """How the learned prior stands to the built-in one, beyond chance."""
    if abs(more) <= error:
        return "no better and no worse than"
    return "better than" if more > 0 else "worse than"
