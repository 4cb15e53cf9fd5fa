"""Find job logs and read them, many at a time: tables, evidence and past advice of a whole fleet.

Each process reads some logs and hands on their tables, so the rows of a large fleet are never in memory together. A
log that can't be read is listed and does not stop the rest; a copy is counted once. Parts are put together in the order
of the paths, so that one study of a fleet is like another to the last digit.
"""

import glob
import json
import os
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from hashlib import blake2b
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from advisor.errors import LogError
from advisor.job import MOST_ROWS
from advisor.log.file import Log, read_log
from advisor.log.header import format_header
from advisor.study import asked, population, tables
from advisor.study.frames import pieces, rows_frame, text_column
from advisor.study.played import played
from advisor.study.time_spent import time_spent
from advisor.study.timeline import timeline

Progress = Callable[[str, int, int], None]  # what is being done, how many jobs are done, of how many

MARKER = "study.json"  # a folder that holds it was written by a study and is not searched for logs
AT_ONCE, ASKED_AT_ONCE = 200, 4  # logs that a process takes at a time
FEW = 150  # logs up to which starting processes takes longer than it saves
LIKELY_FAULTY = 0.9  # probability of a screw's fault from which it is listed, own choice
USUAL_SAMPLE, SAMPLED_SHARE, MOST_SAMPLED = 200, 0.05, 1000  # jobs asked anew where nothing is said, own choice
ABOUT, VERSION = "about.json", 1  # of a study that was saved
LISTS = ("sample", "bad", "notes")
CATEGORIES = {  # columns of text that repeats
    "firing", "screw", "kind", "code", "severity", "reason", "unjudged", "ending", "fuel", "valve_family",
    "turndown_range", "prior_source", "site", "analyser",
}  # fmt: skip
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True)
class Study:
    """A fleet in tables; text that repeats, such as `fuel` or `screw`, is categorical.

    jobs, moves, readings  see `tables`; `jobs.found` has the screws' faults too, `jobs.asked_anew` is whether the job
                  is in `sample`, `jobs.chance_in_band_at_end` that of `asked.ends`, missing where it was not asked
    screws        see `likelihoods`
    time_spent    see `time_spent`: where the minutes of each job went
    evidence      see `population`
    predictions, turns, findings, verdicts  past advice asked anew, see `asked`; of the jobs in `sample` only
    played        what following the advice would have taken, see `played`; of some jobs in `sample` only
    sample        jobs that were asked anew, drawn at random with `seed`; all of them where there are few
    bad           logs that could not be read, each `file:line: what it is`
    notes         what to know of others: copies left out, lines cut short, each `file:line: what it is`
    """

    jobs: pd.DataFrame
    moves: pd.DataFrame
    readings: pd.DataFrame
    screws: pd.DataFrame
    time_spent: pd.DataFrame
    evidence: pd.DataFrame
    predictions: pd.DataFrame
    turns: pd.DataFrame
    findings: pd.DataFrame
    verdicts: pd.DataFrame
    played: pd.DataFrame
    sample: tuple[str, ...]
    seed: int
    bad: tuple[str, ...]
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        jobs, fit = self.jobs, self.jobs["chance_in_band_at_end"].mean()
        by_fit = "" if np.isnan(fit) else f", about {100 * fit:.0f} % by the fit"
        ended = f"in band at the end {100 * jobs['ended_in_band'].mean():.0f} % by the display{by_fit}"
        return f"<Study of {len(jobs):,} jobs, {len(self.moves):,} turns, {len(self.sample):,} asked anew: {ended}>"

    def _repr_html_(self) -> str:
        from html import escape

        shown = ["job", "start", "minutes", "moves", "overshoots", "ended_in_band", "chance_in_band_at_end", "found"]
        return f"<p><b>{escape(repr(self))}</b></p>{self.jobs[shown].to_html(max_rows=12, na_rep='', index=False)}"

    def save(self, path: str | os.PathLike[str]) -> None:
        """Keep the study in one file, to go on with it later; an existing file is replaced."""
        about = {name: getattr(self, name) for name in LISTS}
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
            file.writestr(ABOUT, json.dumps({"version": VERSION, "seed": self.seed, **about}))
            for name in self.tables():
                table: pd.DataFrame = getattr(self, name)
                columns = {of: [str(table[of].dtype), _as_plain(table[of])] for of in table}
                file.writestr(f"{name}.json", json.dumps(columns))

    @staticmethod
    def load(path: str | os.PathLike[str]) -> "Study":
        """A study that `save` kept. Raises LogError where the file is none."""
        name = os.fspath(path)
        try:
            with zipfile.ZipFile(path) as file:
                about = json.loads(file.read(ABOUT))
                if about["version"] != VERSION:
                    raise LogError(f"{name}: kept by another version of the adviser. Study the logs again")
                tables: dict[str, Any] = {of: _restored(json.loads(file.read(f"{of}.json"))) for of in Study.tables()}
        except OSError as error:
            raise LogError(f"{name}: {error.strerror}. Name a file that Study.save wrote") from None
        except (zipfile.BadZipFile, KeyError, TypeError, json.JSONDecodeError):
            raise LogError(f"{name}: no study in it. Study.save writes one") from None
        lists: dict[str, Any] = {of: tuple(about[of]) for of in LISTS}
        return Study(**tables, seed=about["seed"], **lists)

    @staticmethod
    def tables() -> tuple[str, ...]:
        """Names of the tables, in their order."""
        return tuple(entry.name for entry in fields(Study) if entry.name not in (*LISTS, "seed"))

    @property
    def sampled_turns(self) -> int:
        """Turns of the jobs in the sample, whether they could be asked about or not."""
        return int(self.moves["job"].isin(self.sample).sum())


@dataclass(frozen=True)
class Part:
    """What one process makes of some logs: how many, their tables; `marks`: what each log holds, by its path."""

    count: int
    tables: tuple[pd.DataFrame, ...]
    totals: population.Totals = field(default_factory=dict)
    bad: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    marks: Mapping[str, bytes] = field(default_factory=dict)


def study(
    logs: Sequence[str | os.PathLike[str]],
    *,
    sample: int | None = None,
    play: int = 0,
    seed: int = 1,
    processes: int | None = None,
    progress: Progress = lambda what, done, of: None,
) -> Study:
    """Study the logs that files, folders and patterns name.

    play        largest number of these that the adviser plays again at a boiler like theirs (some 0.4 s each)
    sample      largest number of jobs whose past advice is asked anew (some 0.2 s each); 0: none. Left out: 200, or a
                twentieth of a large fleet up to 1,000
    processes   how many; left out, one per processor, and one for few logs

    Raises LogError where no log can be read. With several processes a script must keep its own work under
    `if __name__ == "__main__":`, as always with `multiprocessing`.
    """
    paths, bad = find_logs(logs)
    notes: tuple[str, ...] = ()
    many = processes or (1 if len(paths) <= FEW else processors())
    size = min(AT_ONCE, -(-len(paths) // (4 * many)) or 1)
    with workers(many) as run:
        frames: list[tuple[pd.DataFrame, ...]] = []
        totals: population.Totals = {}
        seen: dict[bytes, str] = {}  # paths by what their logs hold
        for part in counted(run(read_part, pieces(paths, size)), "reading", len(paths), progress):
            bad, notes = bad + part.bad, notes + part.notes
            first = {path: seen.setdefault(mark, path) for path, mark in part.marks.items()}
            copies = {path: other for path, other in first.items() if path != other}
            if copies:  # once more, without them
                notes += tuple(f"{path}: a copy of {other}, left out" for path, other in copies.items())
                part = read_part([path for path in first if path not in copies])
            frames.append(part.tables)
            population.add(totals, part.totals)
        if not any(len(jobs) for jobs, *_ in frames):
            raise none_read(bad)
        jobs, moves, readings, screws, spent = map(joined, zip(*frames, strict=True))
        usual = min(max(USUAL_SAMPLE, int(SAMPLED_SHARE * len(jobs))), MOST_SAMPLED)
        drawn = asked.drawn(list(jobs["job"]), usual if sample is None else sample, seed)
        jobs = _with_faults(jobs, screws).assign(asked_anew=jobs["job"].isin(drawn))
        told = counted(run(ask_part, pieces(drawn, ASKED_AT_ONCE)), "asking anew", len(drawn), progress)
        answers = [part.tables for part in told] or [ask_part([]).tables]
        again = asked.drawn(drawn, play, seed)
        told = counted(run(play_part, pieces(again, ASKED_AT_ONCE)), "playing again", len(again), progress)
        (as_advised,) = map(joined, zip(*([part.tables for part in told] or [play_part([]).tables]), strict=True))
    predictions, turns, findings, verdicts, ends = map(joined, zip(*answers, strict=True))
    chances = ends.set_index("job")["chance_in_band_at_end"]
    jobs = jobs.assign(chance_in_band_at_end=jobs["job"].map(chances).astype(np.float64))
    evidence, lists = population.as_evidence(totals), (tuple(sorted(set(bad))), tuple(sorted(notes)))
    made = jobs, moves, readings, screws, spent, evidence, predictions, turns, findings, verdicts, as_advised
    whole: dict[str, Any] = dict(zip(Study.tables(), map(_typed, made), strict=True))
    return Study(**whole, sample=tuple(drawn), seed=seed, bad=lists[0], notes=lists[1])


def _typed(table: pd.DataFrame) -> pd.DataFrame:
    """A table with its repeated texts as categories, in alphabetical order."""
    return table.astype(dict.fromkeys([name for name in table if name in CATEGORIES], "category"))


def _as_plain(column: pd.Series) -> list[object]:
    """The values of a column as JSON takes them: None for what is missing, moments as ISO 8601."""
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return [None if moment is pd.NaT else moment.isoformat() for moment in column]
    return [None if value is None or value is pd.NA or value != value else value for value in column.tolist()]


def _restored(columns: dict[str, tuple[str, list[object]]]) -> pd.DataFrame:
    """A table from the types and values of its columns."""
    made: dict[str, Any] = {}
    for name, (kind, values) in columns.items():
        column: Any = pd.Series(values, dtype=object)
        moments = kind.startswith("datetime")
        made[name] = (pd.to_datetime(column, utc=True, format="ISO8601") if moments else column).astype(kind)
    return pd.DataFrame(made)


def processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def none_read(bad: Sequence[str]) -> LogError:
    """What to say where no log can be read."""
    return LogError("\n".join(["no job log could be read", *bad[:10]]))


def find_logs(names: Iterable[str | os.PathLike[str]]) -> tuple[list[str], tuple[str, ...]]:
    """Paths of the logs that files, folders (searched whole) and patterns name, each once; and names without any."""
    found: dict[str, str] = {}
    bad = []
    for name in (os.fspath(given) for given in names):
        if os.path.isdir(name):
            here = [str(path) for path in sorted(Path(name).rglob("*.csv")) if not (path.parent / MARKER).exists()]
        elif os.path.exists(name):
            here = [name]
        else:
            here = sorted(path for path in glob.glob(name, recursive=True) if os.path.isfile(path))
        if not here:
            bad.append(f"{name}: no job log there. Name files, folders or a pattern such as 'logs/*.csv'")
        for path in here:
            found.setdefault(os.path.realpath(path), path)
    return list(found.values()), tuple(bad)


def read_rows(paths: Iterable[str]) -> tuple[pd.DataFrame, tuple[str, ...], tuple[str, ...]]:
    """The rows of some logs as one frame (see `frames`), what is wrong with the logs that can't be read, and what to
    know of those that can: lines that were cut short.
    """
    logs, bad, notes = _read_logs(paths)
    return rows_frame(logs), bad, notes


def _read_logs(paths: Iterable[str]) -> tuple[list[tuple[str, Log]], tuple[str, ...], tuple[str, ...]]:
    logs: list[tuple[str, Log]] = []
    bad: list[str] = []
    notes: list[str] = []
    for path in paths:
        try:
            log = read_log(path, MOST_ROWS)
        except LogError as error:
            bad.append(str(error))
            continue
        notes += log.warnings
        if repeats := len(log.events) - len(set(log.events)):
            rows = "1 row repeats another" if repeats == 1 else f"{repeats:,} rows repeat others"
            notes.append(f"{path}: {rows} word for word")
        if log.events:
            logs.append((path, log))
        else:
            bad.append(f"{path}: no rows yet: a log that was opened and never used")
    return logs, tuple(bad), tuple(notes)


def read_part(paths: Sequence[str]) -> Part:
    """Tables (jobs, moves, readings, screws, time_spent) and evidence of some logs."""
    logs, bad, notes = _read_logs(paths)
    line = timeline(rows_frame(logs))
    screws, totals = population.screws_and_totals(line)
    made = tables.jobs(line), tables.moves(line), tables.readings(line), screws, time_spent(line)
    # the same for logs of the same setup and rows, however their lines are written
    marks = {path: blake2b(repr((format_header(log.setup), log.events)).encode()).digest() for path, log in logs}
    return Part(len(paths), made, totals, bad, notes, marks)


def ask_part(paths: Sequence[str]) -> Part:
    """Past advice of some jobs, asked anew: the tables of `asked.COLUMNS`."""
    return Part(len(paths), asked.asked(read_rows(paths)[0]))


def play_part(paths: Sequence[str]) -> Part:
    """Some jobs as the adviser would have set boilers like theirs."""
    return Part(len(paths), (played(read_rows(paths)[0]),))


def _with_faults(jobs: pd.DataFrame, screws: pd.DataFrame) -> pd.DataFrame:
    """The jobs with a screw's likely faults among what was found, under the adviser's codes."""
    codes = [set(found.split()) for found in jobs["found"]]
    for chance, code in (("chance_reversed", "wrong-way"), ("chance_dead", "no-effect")):
        for at in jobs.index[jobs["job"].isin(screws["job"][screws[chance] > LIKELY_FAULTY])]:
            codes[at].add(code)
    return jobs.assign(found=text_column(" ".join(sorted(own)) for own in codes))


def joined(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Tables of several parts as one, in the order of their keys."""
    frame = pd.concat(list(parts), ignore_index=True)
    for name in frame.select_dtypes("object"):  # one word for what is missing, whatever the parts held
        frame[name] = frame[name].where(frame[name].notna(), None)
    return frame.sort_values([name for name in ("job", "row", "screw", "code") if name in frame], ignore_index=True)


def counted(parts: Iterator[Part], what: str, of: int, progress: Progress) -> Iterator[Part]:
    """The parts as they come, told to `progress`."""
    done = 0
    progress(what, 0, of)
    for part in parts:
        done += part.count
        progress(what, done, of)
        yield part


@contextmanager
def workers(many: int) -> Iterator[Callable[[Callable[[Sequence[str]], Part], list[Sequence[str]]], Iterator[Part]]]:
    """Something that maps a function over pieces, in this process or in several; results in the pieces' order."""
    if many < 2:
        yield map
        return
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))  # each process has its processor to itself
    pool = ProcessPoolExecutor(many, mp_context=get_context("spawn"))
    try:
        yield pool.map
    finally:
        pool.shutdown(cancel_futures=True)
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
