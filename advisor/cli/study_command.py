"""The command `study`: options in, text out; a progress bar on standard error. `main` loads it late: pandas."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

from advisor.errors import LogError, RangeError
from advisor.job import Job
from advisor.study import collect, prior_trial, report
from advisor.study.frames import plain
from advisor.study.replay import at_end, replay


def studied(
    logs: list[str], out: Path | None, sample: int | None, play: int, seed: int, as_json: bool, whole: bool = False
) -> str:
    """Study logs; what to print."""
    if not logs:
        raise RangeError("name the job logs to study: files, folders or a pattern such as 'logs/*.csv'")
    if out is not None and out.exists() and not out.is_dir():
        raise RangeError(f"--out {out}: this is a file. Name a folder")
    if out is not None:
        for path in (*logs, *collect.find_logs(logs)[0]):
            if path.encode(errors="ignore").decode() != path:
                raise LogError(f"{path!r}: this name is not UTF-8, and no table can hold it. Rename the file")
        report.refuse_edited_prior(out)
    with _progress() as progress:
        found = collect.study(logs, sample=sample, play=play, seed=seed, progress=progress)
    record, written = report.summary(found), ""
    if out is not None:
        try:
            written = report.write(found, record, out, f"{len(found.jobs):,} jobs studied on {date.today()}")
        except OSError as error:
            raise LogError(f"--out {out}: {error.strerror or error}. Name a folder that may be written to") from None
    if as_json:
        return report.as_json(record)
    return (report.say if whole else report.brief)(record, written)


def tried(prior: Path, logs: list[str], sample: int | None, play: int, seed: int, as_json: bool) -> str:
    """A prior held against the built-in one; what to print."""
    if not logs:
        raise RangeError("--with-prior needs jobs that the prior was not learned from: name their logs")
    with _progress() as progress:
        held = prior_trial.trial(
            prior,
            logs,
            sample=collect.USUAL_SAMPLE if sample is None else sample,
            play=play,
            seed=seed,
            progress=progress,
        )
    record = prior_trial.trial_summary(held)
    return report.as_json(record) if as_json else prior_trial.say_trial(record)


def replayed(path: Path, logs: list[str] | None, out: Path | None, as_json: bool) -> str:
    """One job row by row; what to print."""
    if out is not None:
        raise RangeError("--replay writes no files: leave --out away, or name the log without --replay to study it")
    if logs:
        raise RangeError("--replay takes one job: leave the other logs out")
    job = Job.load(path)
    table, end, practice = replay(job), at_end(job), job.setup.practice
    if as_json:
        rows = plain(table.assign(time=[moment.isoformat() for moment in table["time"]]))
        about = {"job": str(path), "practice": practice, "notes": list(job.warnings), "rows": rows, "at_end": end}
        return report.as_json(about)
    return report.say_replay(str(path), table, practice, end=end, notes=job.warnings)


@contextmanager
def _progress() -> Iterator[collect.Progress]:
    """A bar for each step on standard error, gone when done; none where that is no terminal."""
    from rich.console import Console
    from rich.progress import Progress, TaskID

    console, steps = Console(stderr=True), dict[str, TaskID]()
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:

        def show(what: str, done: int, of: int) -> None:
            if what not in steps:
                steps[what] = bar.add_task(what, total=of)
            bar.update(steps[what], completed=done)

        yield show
