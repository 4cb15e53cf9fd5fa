"""What a study says: the figures as a record, the one screen of text, the files in a folder."""

import json
import math
import textwrap
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from advisor.diagnosis.carbon_monoxide import CO_STOPS
from advisor.errors import RangeError
from advisor.report.answers import PRACTICE
from advisor.report.layout import WIDTH, columns, labelled, wrapped
from advisor.screws import SCREWS
from advisor.study import honesty, learn, priors
from advisor.study.collect import MARKER, Study
from advisor.study.frames import for_spreadsheets, plain
from advisor.study.replay import FORGIVEN_S, SAME_TURN
from advisor.wording.numbers import say_chance

MOST_GROUPS, MOST_BAD = 4, 3  # on the screen; the record has all
NAME_WIDTH = 26  # columns of a group's name
KEEP = "\xa0"  # a space where no line is broken
FEW_READINGS = 100  # up to here a share in per cent promises more than there is
SETTLED = "settled: read once the job's shortest waits were over"  # the word's meaning in tables and replay
FITS = " Fits: each within its 95 % error (±)."
AS_ADVISED = f"As advised: the turn to {SAME_TURN:g} of a mark, a reading up to {FORGIVEN_S:.0f} s early."
TABLES = ("jobs", "moves", "readings", "screws", "predictions", "turns", "findings")
BAD_LOGS, NOTES, PRIOR = "bad_logs.txt", "notes.txt", "prior.toml"


def summary(study: Study) -> dict[str, Any]:
    """The figures of a study as plain values: numbers as numbers, None where there is nothing to tell.

    What each field means stands in DEVELOPERS.md, "What study.json holds".
    """
    jobs, moves = study.jobs, study.moves
    judged = moves["overshot"].dropna()  # of the rest nobody can tell
    noise = learn.noise_sd_pct(study.evidence)
    record: dict[str, Any] = {
        "jobs": len(jobs),
        "practice_jobs": int(jobs["practice"].sum()),
        "bad_logs": list(study.bad),
        "notes": list(study.notes),
        "ended_in_band": float(jobs["ended_in_band"].mean()),
        "minutes": _spread(jobs["minutes"]),
        "moves": _spread(jobs["moves"]),
        "readings": _spread(jobs["readings"]),
        "turns": len(moves),
        "turns_judged": len(judged),
        "waits_broken": int(jobs["waits_broken"].sum()),
        "wait_kept": _mean(moves["wait_kept"]),
        "overshoots": int(jobs["overshoots"].sum()),
        "overshot": _mean(judged),
        "jobs_that_overshot": float((jobs["overshoots"] > 0).mean()),
        "found": {code: int(count) for code, count in _found(jobs).items()},
        "findings_in_sample": {code: int(count) for code, count in _halts(study.findings).items()},
        "priors_in_use": {source or "built in": int(n) for source, n in jobs["prior_source"].value_counts().items()},
        "learned": plain(priors.as_table(study.evidence)),
        "noise_sd_pct": noise and noise[0],
        "readings_taken_twice": noise and noise[1],
        "sample": {"jobs": len(study.sample), "of": len(jobs), "seed": study.seed},
        "turns_asked": {
            "turns": len(study.turns),
            "of": study.sampled_turns,
            "began_past": int(study.turns["began_past"].sum()),
        },
        "coverage": plain(honesty.coverage(study.predictions)),
        "reliability_of_readings": plain(honesty.reliability(study.predictions)),
        "reliability_of_turns": plain(honesty.of_turns(study.turns)),
        "reliability_of_passing": plain(honesty.of_passing(study.turns)),
    }
    return record


def say(record: dict[str, Any], written: str = "") -> str:
    """The answer on one screen of 80 columns; its first line is the answer. `written`: where files were put."""
    jobs, held = record["jobs"], record["coverage"][0]
    minutes, moves, reads = record["minutes"], record["moves"], record["readings"]
    honest = ""
    if held["readings"]:
        share = f"{100 * held['holds']:.0f} % of readings"
        honest = f"; {_of(held) if held['readings'] < FEW_READINGS else share} fell in the adviser's 90 % range"
    took = f"{_counted(moves['median'], 'turn')} and {minutes['median']:.0f} min"
    ended = f"{say_chance(record['ended_in_band'])} ended in band; the middle job took {took}"
    if jobs == 1:
        ended = f"ended {'in' if record['ended_in_band'] else 'out of'} band, after {took}"
    lines = wrapped(f"{jobs:,} {_plural(jobs, 'job')}: {ended}{honest}.")
    lines += _say_practice(record["practice_jobs"], jobs)
    if jobs > 1:
        lines += labelled(
            "8 in 10",
            f"{_between(minutes)} min, {_between(moves)} turns, {_between(reads)} readings a job.",
        )
    if record["turns"]:
        turns, kept = _counted(record["turns"], "turn"), record["turns"] - record["waits_broken"]
        lines += labelled(
            "Waits", f"{kept:,} of {turns} made on a settled reading ({say_chance(record['wait_kept'])}); {SETTLED}."
        )
        lines += labelled(
            "Overshot",
            f"{record['overshoots']:,} of {_counted(record['turns_judged'], 'turn')} read before and after, in "
            f"{say_chance(record['jobs_that_overshot'])} of jobs, by settled readings.",
        )
    lines += _say_found(record)
    lines += _say_learned(record)
    lines += _say_honest(record)
    lines += _say_logs("Bad logs", "could not be read", record["bad_logs"])
    lines += _say_logs("Notes", "on the other logs", record["notes"])
    if written:
        lines += labelled("Files", written)
    return "\n".join(lines)


def _say_practice(practice: int, jobs: int) -> list[str]:
    if not practice:
        return []
    if practice == jobs:
        return wrapped(PRACTICE)
    return wrapped(
        f"PRACTICE on made-up boilers: {practice:,} of these jobs, counted below but left out of gain, slack and lag."
    )


def _say_found(record: dict[str, Any]) -> list[str]:
    """Jobs with findings: from single readings and the fast regression; stops and warnings that the adviser gives."""
    found, asked = record["found"], record["findings_in_sample"]
    stops = _codes({code: count for code, count in found.items() if code in CO_STOPS})
    others = _codes({code: count for code, count in found.items() if code not in CO_STOPS})
    seen = "; ".join(filter(None, (stops and f"CO stops {stops}", others)))
    jobs, sample = record["jobs"], record["sample"]["jobs"]
    look = f"by a quick look at every reading and screw of {_counted(jobs, 'job')}"
    lines = labelled("Found", f"{look}: {seen or 'no trouble'}.")
    if sample:
        who = f"{_counted(sample, 'job')} asked anew"
        lines += labelled("", f"by the adviser at the end of {who}: {_codes(asked) or 'no stop, no warning'}.")
    return lines


def _codes(counts: dict[str, int]) -> str:
    return ", ".join(f"{code} {count:,}" for code, count in counts.items())


def _say_learned(record: dict[str, Any]) -> list[str]:
    table, practice = record["learned"], record["practice_jobs"]
    if not table:
        why = (
            "made-up boilers teach nothing about real valves"
            if practice
            else "no screw was turned between two readings"
        )
        return labelled("Gain", f"none learned: {why}.")
    groups: dict[tuple[str, ...], dict[str, Any]] = {}
    for row in table:
        groups.setdefault((row["fuel"], row["valve_family"], row["turndown_range"]), {})[row["screw"]] = row
    (whole, fleet), *others = groups.items()
    others.sort(key=lambda item: -max(row["jobs"] for row in item[1].values()))
    lines = labelled("Gain", "% CO2 per turn: the middle valve (9 valves in 10 lie within)")
    lines.append(_gain_row("fuel, family, turndown", [f"{screw:<16}  jobs" for screw in SCREWS])[0])
    for key, rows in [(whole, fleet), *(others[:MOST_GROUPS] if len(others) > 1 else [])]:
        name = "all" if key == whole else ", ".join((key[0], key[1] or "no family", key[2].replace(" ", KEEP)))
        lines += _gain_row(name, [_valves(rows[screw]) if screw in rows else "-" for screw in SCREWS])
    if len(others) > MOST_GROUPS:
        lines.append(f"    and {_counted(len(others) - MOST_GROUPS, 'smaller group')} (--json, --out)")
    doubt = "(90 % range of the estimate)"
    backlashes = ", ".join(f"{screw} {_range(row, 'slack_turns', 3)}" for screw, row in fleet.items())
    lines += labelled("Slack", f"at most, turns {doubt}: {backlashes}")
    lags = ", ".join(f"{screw} {_range(row, 'time_constant_s', 0)}" for screw, row in fleet.items())
    noise = record["noise_sd_pct"]
    heard = "" if noise is None else f"; noise of one reading {noise:.3f} % CO2"
    return lines + labelled("Lag", f"time constant of the display, s {doubt}: {lags}{heard}")


def _gain_row(name: str, cells: list[str]) -> list[str]:
    """A line of the table of gains, or more where the group's name is long."""
    first, *others = wrapped(name, NAME_WIDTH, others="  ")
    first += " " * (NAME_WIDTH - columns(first))
    figures = "  ".join(f"{cell:<22}" for cell in cells)
    lines = [f"    {first} {figures}".rstrip(), *(f"    {rest}" for rest in others)]
    return [line.replace(KEEP, " ") for line in lines]


def _valves(row: dict[str, Any]) -> str:
    reach = 1.6449 * row["gain_log_sd"]
    gain = row["gain_per_turn"]
    span = f"{gain:.1f} ({gain * math.exp(-reach):.1f}-{gain * math.exp(reach):.1f})"
    return f"{span:<16}{row['jobs']:6,}"


def _range(row: dict[str, Any], name: str, digits: int) -> str:
    return f"{row[name]:.{digits}f} ({row[f'{name}_low']:.{digits}f}-{row[f'{name}_high']:.{digits}f})"


def _say_honest(record: dict[str, Any]) -> list[str]:
    sample, held = record["sample"], record["coverage"][0]
    if not sample["jobs"]:
        return labelled("Honest", "not asked: with a sample of 0, no job was asked anew.")
    whole = "the job" if sample["of"] == 1 else f"all {sample['of']:,} jobs"
    drawn = (
        whole
        if sample["jobs"] == sample["of"]
        else f"a random sample of {sample['jobs']:,} of {sample['of']:,} jobs, seed {sample['seed']}"
    )
    if not held["readings"]:
        return labelled("Honest", f"asked of {drawn}: no reading that could be expected.")
    lines = labelled("Honest", f"the 90 % range held in {_of(held)} ({drawn}, asked anew). {_verdict(held)}")
    turns = record["turns_asked"]
    beyond = f", less {turns['began_past']:,} begun beyond it," if turns["began_past"] else ""
    readings, ended, passed = (_compared(record[f"reliability_of_{of}"]) for of in ("readings", "turns", "passing"))
    lines += labelled("", f"Said/came, next reading in band: {readings}.")
    asked = (
        f"{turns['turns']:,} of {_counted(turns['of'], 'turn')}: settled before and after for the adviser, lag and all"
    )
    return lines + labelled("", f"Turn ends in band ({asked}) {ended}; passes the band{beyond} {passed}.{FITS}")


def _compared(bins: list[dict[str, Any]]) -> str:
    """Stated chances beside what came, and whether each is within its error."""
    if sum(row["count"] for row in bins) < honesty.FEWEST_CASES:
        return "too few to compare"
    pairs = [f"{100 * row['said']:.0f}/{100 * row['happened']:.0f}" for row in bins]
    off = [pair for pair, row in zip(pairs, bins, strict=True) if abs(row["said"] - row["happened"]) > row["error"]]
    return f"{', '.join(pairs)} %, {'off at ' + ', '.join(off) if off else 'fits'}"


def _verdict(held: dict[str, Any]) -> str:
    """What a share that the range held means, beyond its error."""
    off = held["holds"] - honesty.CERTAIN
    if abs(off) <= held["error"]:
        return "That agrees with the 90 % stated."
    if off > 0:
        return "That is more than the 90 % stated: the ranges are wider than they need be."
    return "That is less than the 90 % stated: the ranges are too narrow."


def _of(held: dict[str, Any]) -> str:
    """How often the range held: as a count of few readings, as a share with its error of many."""
    readings = held["readings"]
    if readings < FEW_READINGS:
        return f"{held['holds'] * readings:.0f} of {_counted(readings, 'reading')}"
    return f"{100 * held['holds']:.1f} ± {100 * held['error']:.1f} % of {readings:,} readings"


def _say_logs(label: str, what: str, messages: list[str]) -> list[str]:
    if not messages:
        return []
    lines = labelled(label, f"{len(messages):,} {what}:")
    for message in messages[:MOST_BAD]:
        lines += wrapped(message, WIDTH, "    ", "      ")
    if len(messages) > MOST_BAD:
        lines.append(f"    and {len(messages) - MOST_BAD:,} more (whole: --json, --out)")
    return lines


def say_replay(
    name: str, table: pd.DataFrame, practice: bool = False, *, end: str = "", notes: Sequence[str] = ()
) -> str:
    """A job's `replay` as text: row by row, what was known, advised, done, and what it cost.

    end: how it stands after its last row; notes: what to know of its log.
    """
    against = int((~table["followed"].astype(bool)).sum())
    costly = int((table["cost"] != "").sum())
    minutes = table["took_s"].sum() / 60
    steps = _counted(len(table), "step")
    lines = wrapped(
        f"{name}: {steps} in {minutes:.1f} min, {against} not as advised, {costly} at a cost."
        if len(table)
        else f"{name}: no reading, turn or change of rate yet."
    )
    lines += wrapped(PRACTICE) if practice else []
    lines += [line for note in notes for line in labelled("Log", note)]
    if len(table):
        lines += wrapped(f"{SETTLED[0].upper()}{SETTLED[1:]}, as in a study's tables. {AS_ADVISED}")
        lines += ["", " row  time      took   done / advised a moment before / known then / cost"]
    for row, *more in _folded(plain(table)):
        took_s = row["took_s"] + sum(other["took_s"] for other in more)
        head = f"{row['row']:4d}  {row['time']:%H:%M:%S}  {took_s:3.0f} s  "
        follow = " " * len(head)
        said = "as advised" if row["followed"] else f"{'still' if row['still'] else 'advised:'} {row['advised']}"
        done = ", ".join(other["done"] for other in (row, *more))
        upto = f"to row {more[-1]['row']}: " if more else ""
        lines += textwrap.wrap(f"{upto}{done}; {said}", WIDTH, initial_indent=head, subsequent_indent=follow)
        if row["done"].startswith("turned") and row["known_pct"] is not None:
            known = f"CO2 {row['known_pct']:.2f} % ({row['known_low_pct']:.2f} to {row['known_high_pct']:.2f})"
            lines.append(f"{follow}known: {known}, in band {say_chance(row['chance_in_band'])}")
        if row["cost"]:
            lines += textwrap.wrap(f"cost: {row['cost']}", WIDTH, initial_indent=follow, subsequent_indent=follow)
    return "\n".join([*lines, *(wrapped(f"At the end: {end}") if end else [])])


def _folded(rows: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Rows one by one, save that those which go on at no cost under the stop of the row before are put together.

    Each is told whether it goes on so (`still`).
    """
    groups: list[list[dict[str, Any]]] = []
    before = ""
    for row in rows:
        row["still"] = row["advised"].startswith("stop") and row["advised"] == before
        before = row["advised"]
        last = groups[-1][-1] if groups else row
        if row["still"] and last["still"] and not row["cost"] and not last["cost"]:
            groups[-1].append(row)
        else:
            groups.append([row])
    return groups


def refuse_edited_prior(folder: Path) -> None:
    """Raises RangeError where a prior file in a folder is not as a study wrote it: it would be lost."""
    path = folder / PRIOR
    if path.exists() and priors.edited(path.read_text(encoding="utf-8", errors="replace")):
        raise RangeError(f"--out {folder}: {PRIOR} there was edited. Move it away first, or name another folder")


def write(study: Study, record: dict[str, Any], folder: Path, title: str) -> str:
    """Put tables (CSV, and parquet where pandas has an engine), plots, the prior and the record into a folder.

    Returns in words what was written. Existing files of these names are replaced, save a prior that was edited (see
    `refuse_edited_prior`); those that an earlier study wrote and this one does not make are removed, and no others.
    """
    from advisor.study import plots

    refuse_edited_prior(folder)
    folder.mkdir(parents=True, exist_ok=True)
    if (folder / MARKER).exists():  # an earlier study's folder: what it had to say is not this one's
        tables = [f"{name}.{kind}" for name in TABLES for kind in ("csv", "parquet")]
        for name in (*tables, *(f"{name}.png" for name in plots.NAMES), BAD_LOGS, NOTES, PRIOR):
            (folder / name).unlink(missing_ok=True)
    parquet = _has_parquet()
    for name in TABLES:
        table: pd.DataFrame = getattr(study, name)
        for_spreadsheets(table).to_csv(folder / f"{name}.csv", index=False)
        if parquet:
            table.to_parquet(folder / f"{name}.parquet", index=False)
    (folder / MARKER).write_text(as_json(record) + "\n", encoding="utf-8")
    listed = ""
    for name, messages in ((BAD_LOGS, study.bad), (NOTES, study.notes)):
        if messages:
            (folder / name).write_text("".join(f"{line}\n" for line in messages), encoding="utf-8")
            listed += f", {name}"
    drawn = plots.write_all(study, folder)
    kinds = "CSV and parquet" if parquet else "CSV (no parquet engine is installed)"
    prior = ""
    if record["learned"]:
        (folder / PRIOR).write_text(priors.as_toml(study.evidence, title), encoding="utf-8")
        prior = f"{PRIOR} for open --prior, "
    return f"{folder}: {len(TABLES)} tables as {kinds}, {drawn} plots, {prior}{MARKER}{listed}."


def as_json(record: dict[str, Any]) -> str:
    """The record as JSON; what is not a number is null."""
    return json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)


def _has_parquet() -> bool:
    """Whether pandas has an engine that works: one may be installed and unfit for this numpy."""
    try:
        pd.DataFrame({"a": [1]}).to_parquet(BytesIO())
    except ImportError:
        return False
    return True


def _spread(values: pd.Series) -> dict[str, float]:
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
    return {"median": float(middle), "p10": float(low), "p90": float(high)}


def _mean(values: pd.Series) -> float | None:
    return float(values.mean()) if len(values) else None


def _halts(findings: pd.DataFrame) -> pd.Series:
    return findings.loc[findings["severity"] != "note", "code"].value_counts()


def _found(jobs: pd.DataFrame) -> pd.Series:
    return pd.Series([code for codes in jobs["found"] for code in codes.split()], dtype=object).value_counts()


def _counted(count: float, word: str) -> str:
    return f"{count:,.0f} {_plural(round(count), word)}"


def _between(spread: dict[str, float]) -> str:
    low, high = (f"{spread[end]:.0f}" for end in ("p10", "p90"))
    return low if low == high else f"{low} to {high}"


def _plural(count: int, word: str) -> str:
    return word if count == 1 else f"{word}s"
