"""What a study says: its figures as a record, one screen of text or the whole, the files in a folder."""

import json
import math
import os
import re
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from advisor.diagnosis.carbon_monoxide import CO_STOPS
from advisor.errors import RangeError
from advisor.report.answers import PRACTICE
from advisor.report.layout import WIDTH, columns, labelled, wrapped
from advisor.screws import SCREWS
from advisor.study import calibration, learned_priors, population
from advisor.study.collect import MARKER, Study
from advisor.study.frames import for_spreadsheets, plain
from advisor.study.replay import FORGIVEN_S, SAME_TURN
from advisor.study.time_spent import SPENT
from advisor.study.trends import analysers, trend
from advisor.study.worst import SHARE_OF_OVERSHOOTS, most_overshoots, worst
from advisor.wording.numbers import say_chance

MOST_GROUPS, MOST_BAD = 4, 3  # on the screen; the record has all
FLEET, MOST_WORST, FEW_WORST = 20, 10, 3  # jobs from which MOST_WORST are named, fewer otherwise
MOST_REASONS = 3  # of refusals, and of findings, on the screen
MOST_SPENT, MOST_WHY, SHORT_NAME = 3, 2, 24  # on the brief screen
MOST_SITES = 20  # in the record; the table has all
LEAST_MINUTES = 0.05  # a job; less is not said
SPENT_ON = {
    "preparing": "before the first reading", "turning": "turning", "waiting": "waiting for the display",
    "changing": "changes of rate", "rereading": "rereading", "extra_turns": "extra turns",
    "other": "checks and the end", "away": "left for hours",
}  # fmt: skip
NAME_WIDTH = 26  # columns of a group's name
KEEP = "\xa0"  # a space where no line is broken
FEW_READINGS = 100  # up to here a share in per cent promises more than there is
SETTLED = "settled: read once the job's shortest waits were over"  # the word's meaning in tables and replay
AS_ADVISED = f"As advised: the turn to {SAME_TURN:g} of a mark, a reading up to {FORGIVEN_S:.0f} s early."
ENDS = ("", "_low", "_high")
SPANS = ("minutes", "moves", "readings")
TABLES = (
    "jobs", "moves", "readings", "screws", "time_spent", "predictions", "turns", "findings", "verdicts", "played",
    "by_month", "by_site", "by_analyser", "analysers", "worst",
)  # fmt: skip
BAD_LOGS, NOTES, PRIOR, TEXT = "bad_logs.txt", "notes.txt", "prior.toml", "study.txt"


def summary(study: Study) -> dict[str, Any]:
    """The figures of a study as plain values, as `study.json` holds them; null where there is nothing to tell.

    A share is 0 to 1. `_low` and `_high` bound the 90 % range of an estimate: its doubt, which more jobs make smaller.
    What valves or jobs differ by among themselves, which more jobs do not make smaller, is `gain_log_sd`, `p10` and
    `p90`. An `error` is half a 95 % range, jobs taken as what was drawn.

    jobs, practice_jobs       jobs read; of them on made-up boilers
    bad_logs, notes           logs that could not be read; what to know of others
    bad_logs_by_reason        how many by what is wrong with them
    ended_in_band_display     share of jobs whose last settled reading since the last turn was in band at both rates
    ended_in_band_fit         mean chance, over the jobs asked anew, that the true CO2 ended in band at both rates
    ended_in_band_fit_error   its `error`: of the sample, not of the fit
    minutes, moves, readings  of a job: `median`, `p10` (a tenth of the jobs below), `p90` (a tenth above)
    turns, wait_kept, waits_broken  turns of all jobs; share of them made on a settled reading; how many were not
    turns_judged, overshot, overshoots  turns read settled before and after; share and number that passed the far edge
    turns_unjudged            the others by reason, one of `tables.UNJUDGED`
    jobs_judged, jobs_that_overshot  jobs without a turn or with one that was judged; share of them with an overshoot
    jobs_with_most_overshoots  the fewest `jobs` that made `share` of all overshoots
    worst                     which jobs to open, the worst first: rows of `worst.worst`, described there
    minutes_spent, extra_turns  mean minutes of a job by where they went, as in `time_spent`; extra turns of all jobs
    turns_allowed_and_refused  rows of `calibration.refusals`, of the jobs asked anew
    refused_because           turns that would have been refused by reason, a key of `advisor.wording.reasons.REASONS`
    as_advised                jobs that the adviser set again at boilers like theirs: how many (`jobs`), mean `minutes`
                              and `moves`, `logged_min` and `logged_moves` of the same jobs, `minutes_error` (95 %,
                              of the difference), `overshoots` in all, share left `in_band`; `in_band_as_left`, by the
                              fit, as logged
    by_month, by_analyser, by_site  rows of `trends.trend`; of the MOST_SITES sites with the most jobs
    analysers                 rows of `trends.analysers`: which analyser drifts
    found                     jobs by code of finding, from each reading by itself and each screw's fast regression
    findings_in_sample        stops and warnings by code that the adviser gives at the end of the jobs asked anew
    priors_in_use             jobs by where their prior came from
    learned                   gain, backlash and lag by group and screw: rows of `population.as_table`, described there
    noise_sd_pct, readings_taken_twice  sd of one reading before rounding, % CO2; pairs of readings it comes from
    sample                    jobs asked anew: how many (`jobs`), `of` how many, drawn with `seed`
    turns_asked               their `turns` read settled before and after for the adviser, `of` all; of them
                              `began_past` the far edge
    calibration               verdicts on `range`, `readings`, `turns`, `passing`: rows of `calibration.judged`
    coverage                  how often the 90 % range held: by `kind`, of so many `readings`, share (`holds`), `error`
    reliability_of_readings   chance that the next reading is in band, in classes: mean `stated`, share `observed`, its
                              `error`, cases (`count`)
    reliability_of_turns, reliability_of_passing  the same of a turn: that the settled display ends in band; passes it

    Codes of findings are the keys of `advisor.wording.findings.FINDINGS`, whose `about` says what each means.
    """
    jobs, moves, asked = study.jobs, study.moves, study.turns
    judged = moves["overshot"].dropna().astype(float)  # of the rest nobody can tell
    chances = jobs["chance_in_band_at_end"].dropna()
    noise = population.noise_sd_pct(study.evidence) or (None, None)
    sources = jobs["prior_source"].astype(object).replace("", "built in")
    halts = study.findings.loc[study.findings["severity"] != "note", "code"]
    record = {
        "jobs": len(jobs),
        "practice_jobs": int(jobs["practice"].sum()),
        "bad_logs": list(study.bad),
        "notes": list(study.notes),
        "bad_logs_by_reason": _counts([_reason(line) for line in study.bad]),
        "ended_in_band_display": float(jobs["ended_in_band"].mean()),
        "ended_in_band_fit": float(chances.mean()),
        "ended_in_band_fit_error": 1.96 * float(chances.std()) / len(chances) ** 0.5 if len(chances) > 1 else None,
        **{name: jobs[name].quantile([0.5, 0.1, 0.9]).set_axis(["median", "p10", "p90"]).to_dict() for name in SPANS},
        "turns": len(moves),
        "turns_judged": len(judged),
        "waits_broken": int(jobs["waits_broken"].sum()),
        "wait_kept": float(moves["wait_kept"].mean()),
        "overshoots": int(jobs["overshoots"].sum()),
        "overshot": float(judged.mean()),
        "turns_unjudged": _counts(moves.loc[moves["unjudged"] != "", "unjudged"]),
        "jobs_judged": int(jobs["overshoots"].count()),
        "jobs_that_overshot": float((jobs["overshoots"].dropna() > 0).astype(float).mean()),
        "jobs_with_most_overshoots": {"jobs": most_overshoots(jobs), "share": SHARE_OF_OVERSHOOTS},
        "worst": plain(worst(jobs)),
        "minutes_spent": {name: float(study.time_spent[f"{name}_min"].mean()) for name in SPENT},
        "extra_turns": int(study.time_spent["extra_turns"].sum()),
        "turns_allowed_and_refused": plain(calibration.refusals(study.verdicts, moves)),
        "refused_because": _counts(study.verdicts.loc[~study.verdicts["allowed"], "reason"]),
        "as_advised": _as_advised(study),
        **{f"by_{by}": plain(trend(jobs, by)) for by in ("month", "analyser")},
        "by_site": plain(trend(jobs, "site").nlargest(MOST_SITES, "jobs")),
        "analysers": plain(analysers(jobs)),
        "found": _counts([code for codes in jobs["found"] for code in codes.split()]),
        "findings_in_sample": _counts(halts),
        "priors_in_use": _counts(sources),
        "learned": plain(population.as_table(study.evidence)),
        "noise_sd_pct": noise[0],
        "readings_taken_twice": noise[1],
        "sample": {"jobs": len(study.sample), "of": len(jobs), "seed": study.seed},
        "turns_asked": {"turns": len(asked), "of": study.sampled_turns, "began_past": int(asked["began_past"].sum())},
        "calibration": {
            of: plain(calibration.judged(asked if of in ("turns", "passing") else study.predictions, of))
            for of in calibration.CHANCE_OF
        },
        "coverage": plain(calibration.coverage(study.predictions)),
        "reliability_of_readings": plain(calibration.reliability(study.predictions)),
        "reliability_of_turns": plain(calibration.reliability(asked, "turns")),
        "reliability_of_passing": plain(calibration.reliability(asked, "passing")),
    }
    return {name: None if value != value else value for name, value in record.items()}


def _as_advised(study: Study) -> dict[str, Any] | None:
    """The jobs that the adviser set again, in figures; None where there are none."""
    again = study.played
    if again.empty:
        return None
    chances = study.jobs.set_index("job")["chance_in_band_at_end"]
    means = {name: float(again[name].mean()) for name in ("logged_min", "logged_moves", "minutes", "moves")}
    apart = (again["minutes"] - again["logged_min"]).std() if len(again) > 1 else float("nan")
    error = 1.96 * float(apart) / len(again) ** 0.5
    return {
        "jobs": len(again),
        **means,
        "minutes_error": None if error != error else error,
        "overshoots": int(again["overshoots"].sum()),
        "in_band": float(again["in_band"].mean()),
        "in_band_as_left": float(chances[again["job"]].mean()),
    }


def brief(record: dict[str, Any], written: str = "") -> str:
    """The answer on one screen of 24 lines of 80 columns, as far as it goes; `say` has the whole."""
    lines = _say_answer(record)
    if record["turns"]:
        passed = f"{record['overshoots']:,} of {_counted(record['turns_judged'], 'turn')} overshot{_in_jobs(record)}"
        lines += labelled(
            "Turns", f"{passed}; {say_chance(record['wait_kept'])} of all {record['turns']:,} on a settled reading."
        )
    spent = {SPENT_ON[name]: minutes for name, minutes in record["minutes_spent"].items()}
    most = sorted(spent, key=lambda name: -spent[name])[:MOST_SPENT]
    said = ", ".join(f"{name} {spent[name]:.1f}" for name in most if spent[name] >= LEAST_MINUTES)
    lines += labelled("Minutes", f"{said}.") if said else []
    if (again := record["as_advised"]) is not None:
        lines += labelled(
            "Advised",
            f"{_counted(again['jobs'], 'job')} set again: {again['minutes']:.1f} min ({_longer(again)}), "
            f"{say_chance(again['in_band'])} in band at the end ({say_chance(again['in_band_as_left'])} as logged).",
        )
    lines += _say_refusals(record, whole=False) + _say_worst(record, whole=False) + _say_found(record, whole=False)
    lines += _say_analysers(record)
    if record["learned"]:
        valves = ", ".join(f"{row['screw']} {_span(row)}" for row in record["learned"] if not row["fuel"])
        lines += labelled("Gain", f"{valves} % CO2 per turn (9 valves in 10).")
    else:
        lines += _say_learned(record)
    lines += _say_verdicts(record)
    for label, what, messages in (("Bad logs", "not read", record["bad_logs"]), ("Notes", "", record["notes"])):
        lines += labelled(label, f"{len(messages):,} {what}".strip() + ".") if messages else []
    lines += labelled("Files", written) if written else []
    return "\n".join([*lines, *labelled("More", "--all: the whole text. --json, --out: every figure.")])


def say(record: dict[str, Any], written: str = "") -> str:
    """The whole answer in lines of 80 columns; its first line is the answer. `written`: where files were put."""
    minutes, moves, reads = (record[name] for name in SPANS)
    lines = _say_answer(record)
    if record["jobs"] > 1:
        spans = f"{_between(minutes)} min, {_between(moves)} turns, {_between(reads)} readings a job."
        lines += labelled("8 in 10", spans)
    if record["turns"]:
        kept = f"{record['turns'] - record['waits_broken']:,} of {_counted(record['turns'], 'turn')} made"
        lines += labelled("Waits", f"{kept} on a settled reading ({say_chance(record['wait_kept'])}); {SETTLED}.")
        lines += labelled("Overshot", _say_overshoots(record))
    lines += _say_time(record) + _say_advised(record) + _say_refusals(record) + _say_worst(record)
    lines += _say_found(record) + _say_analysers(record) + _say_learned(record) + _say_calibration(record)
    lines += _say_logs("Bad logs", "could not be read", record["bad_logs"], record["bad_logs_by_reason"])
    lines += _say_logs("Notes", "on the other logs", record["notes"])
    return "\n".join([*lines, *(labelled("Files", written) if written else [])])


def _say_answer(record: dict[str, Any]) -> list[str]:
    """How many jobs ended in band, and what the middle job took; whether any of it is practice."""
    jobs, practice = record["jobs"], record["practice_jobs"]
    took = f"{_counted(record['moves']['median'], 'turn')} and {record['minutes']['median']:.0f} min"
    display, fit = record["ended_in_band_display"], record["ended_in_band_fit"]
    by_fit = "" if fit is None else f", about {say_chance(fit)} by the fit"
    ended = f"ended in band: {say_chance(display)} by the last display{by_fit}; the middle job took {took}"
    if jobs == 1:
        chance = "" if fit is None else f" by the last display ({say_chance(fit)} by the fit)"
        ended = f"ended {'in' if display else 'out of'} band{chance}, after {took}"
    lines = wrapped(f"{_counted(jobs, 'job')} {ended}.")
    if practice:
        some = f"{practice:,} of these jobs, counted below but left out of gain, slack and lag."
        lines += wrapped(PRACTICE if practice == jobs else f"PRACTICE on made-up boilers: {some}")
    return lines


def _in_jobs(record: dict[str, Any]) -> str:
    share = record["jobs_that_overshot"] if record["turns_judged"] else None
    return "" if share is None else f", in {say_chance(share)} of the jobs that can be judged"


def _longer(again: dict[str, Any]) -> str:
    """ "0.7 ± 3.1 more than logged"."""
    error = "" if again["minutes_error"] is None else f" ± {again['minutes_error']:.1f}"
    more = again["minutes"] - again["logged_min"]
    return f"{abs(more):.1f}{error} {'more' if more > 0 else 'less'} than logged"


def _say_verdicts(record: dict[str, Any]) -> list[str]:
    """The verdicts on past advice, and on how many readings and turns they rest."""
    held = record["coverage"][0]
    if not held["readings"]:
        return _say_calibration(record)
    judged = {of: rows[0]["verdict"] for of, rows in record["calibration"].items()}
    asked = f"of {_counted(record['sample']['jobs'], 'job')} asked anew"
    return labelled(
        "Advice",
        f"{asked}: the 90 % range held in {_of(held)}: {judged['range']}. Chances of a reading in band: "
        f"{judged['readings']}; of a turn ending there: {judged['turns']}; passing: {judged['passing']}.",
    )


def _say_overshoots(record: dict[str, Any]) -> str:
    """How many turns passed the band, of those that can be judged, and how many can't."""
    judged, unjudged = record["turns_judged"], record["turns_unjudged"]
    passed = f"{record['overshoots']:,} of {_counted(judged, 'turn')} read before and after"
    passed += _in_jobs(record)
    if not unjudged:
        return f"{passed}."
    reasons = ", ".join(f"{count:,} {reason}" for reason, count in unjudged.items())
    return f"{passed}. Nobody can judge {_counted(sum(unjudged.values()), 'turn')}: {reasons}."


def _say_time(record: dict[str, Any]) -> list[str]:
    """Mean minutes of a job by where they went."""
    spent = record["minutes_spent"]
    said = ", ".join(f"{SPENT_ON[name]} {spent[name]:.1f}" for name in SPENT if spent[name] >= LEAST_MINUTES)
    extra = (
        f" ({_counted(record['extra_turns'], 'turn')} beyond the fewest within the cap)"
        if record["extra_turns"]
        else ""
    )
    return labelled("Minutes", f"a job, mean: {said}{extra}.") if said else []


def _say_advised(record: dict[str, Any]) -> list[str]:
    """What following the advice would have taken."""
    again = record["as_advised"]
    if again is None:
        return []
    return labelled(
        "Advised",
        f"{_counted(again['jobs'], 'job')} set again at boilers as their fits describe them: "
        f"{again['minutes']:.1f} min ({_longer(again)}) and "
        f"{again['moves']:.1f} turns ({again['logged_moves']:.1f} logged), "
        f"{_counted(again['overshoots'], 'overshoot')}, {say_chance(again['in_band'])} truly in band at the end "
        f"({say_chance(again['in_band_as_left'])} as logged, by the fit).",
    )


def _say_refusals(record: dict[str, Any], whole: bool = True) -> list[str]:
    """How turns that the adviser would have refused ended against those that it would have allowed."""
    allowed, refused, way_out = record["turns_allowed_and_refused"]
    if not refused["turns"]:
        return []
    said = [
        f"{row['turns']:,} {word}: {say_chance(row['overshot'])} overshot"
        + (f", {say_chance(row['in_band'])} then in band" if whole else "")
        for word, row in (("refused", refused), ("allowed", allowed), ("allowed as a way out", way_out))
        if row["judged"] and row["in_band"] is not None
    ]
    if not (said and whole):
        return labelled("May I", f"{'; '.join(said)}.") if said else []
    because = _codes(dict(list(record["refused_because"].items())[:MOST_REASONS]))
    return labelled("May I", f"asked before each turn: {'; '.join(said)}. Refused: {because}.")


def _say_worst(record: dict[str, Any], whole: bool = True) -> list[str]:
    """Which jobs to open, and why."""
    if record["jobs"] == 1 or not record["worst"]:
        return []
    most, share = record["jobs_with_most_overshoots"]["jobs"], record["jobs_with_most_overshoots"]["share"]
    head = f"{_counted(most, 'job')} of {record['jobs']:,} made {say_chance(share)} of all overshoots. " if most else ""
    shown = record["worst"][: MOST_WORST if whole and record["jobs"] >= FLEET else FEW_WORST]
    lines, ends = labelled("Open", f"{head}The worst:"), {Path(row["job"]).name for row in shown}
    for row in shown:
        whole_name = whole or len(row["job"]) < SHORT_NAME or len(ends) < len(shown)
        name, why = row["job"] if whole_name else f"…{os.sep}{Path(row['job']).name}", row["why"].split("; ")
        lines += wrapped(f"{name}: {'; '.join(why if whole else why[:MOST_WHY])}", WIDTH, "    ", "      ")
    return lines


def _say_analysers(record: dict[str, Any]) -> list[str]:
    """The analysers that drift."""
    said = []
    for row in record["analysers"]:
        if row["drifts"]:
            drift, error = row["drift_pct_per_month"], row["drift_error"]
            said.append(f"{row['analyser']} ({drift:+.3f} ± {error:.3f} % CO2 a month as found, {row['jobs']:,} jobs)")
    return labelled("Drift", f"{'; '.join(said)}: have it checked.") if said else []


def _say_found(record: dict[str, Any], whole: bool = True) -> list[str]:
    """Jobs with findings: from single readings and the fast regression; stops and warnings that the adviser gives."""
    most = None if whole else MOST_REASONS
    stops = {code: count for code, count in record["found"].items() if code in CO_STOPS}
    others = [(code, count) for code, count in record["found"].items() if code not in CO_STOPS]
    seen = "; ".join(filter(None, (f"CO stops {_codes(stops)}" if stops else "", _codes(dict(others[:most])))))
    seen, sample = seen or "no trouble", record["sample"]["jobs"]
    asked = _codes(dict(list(record["findings_in_sample"].items())[:most])) or "no stop, no warning"
    if not whole:
        later = f"; by the adviser, of {_counted(sample, 'job')}: {asked}" if sample else ""
        return labelled("Found", f"by a quick look: {seen}{later}.")
    lines = labelled(
        "Found", f"by a quick look at every reading and screw of {_counted(record['jobs'], 'job')}: {seen}."
    )
    if sample:
        lines += labelled("", f"by the adviser at the end of {_counted(sample, 'job')} asked anew: {asked}.")
    return lines


def _codes(counts: dict[str, int]) -> str:
    return ", ".join(f"{code} {count:,}" for code, count in counts.items())


def _say_learned(record: dict[str, Any]) -> list[str]:
    if not record["learned"]:
        practice = "made-up boilers teach nothing about real valves"
        why = practice if record["practice_jobs"] else "no screw was turned between two readings"
        return labelled("Gain", f"none learned: {why}.")
    groups: dict[tuple[str, ...], dict[str, Any]] = {}
    for row in record["learned"]:
        groups.setdefault((row["fuel"], row["valve_family"], row["turndown_range"]), {})[row["screw"]] = row
    fleet = groups.pop(("", "", ""))
    largest = sorted(groups, key=lambda key: -max(row["jobs"] for row in groups[key].values()))
    lines = labelled("Gain", "% CO2 per turn: the middle valve (9 valves in 10 lie within)")
    lines += _gain_row("fuel, family, turndown", [f"{screw:<16}  jobs" for screw in SCREWS])
    rows = [("all", fleet)]
    for key in largest[:MOST_GROUPS] if len(groups) > 1 else ():
        rows.append((", ".join((key[0], key[1] or "no family", key[2].replace(" ", KEEP))), groups[key]))
    for name, group in rows:
        lines += _gain_row(name, [_valve(group.get(screw)) for screw in SCREWS])
    if len(groups) > MOST_GROUPS:
        lines.append(f"    and {_counted(len(groups) - MOST_GROUPS, 'smaller group')} (--json, --out)")
    doubt, noise = "(90 % range of the estimate)", record["noise_sd_pct"]
    noted = "" if noise is None else f"; noise of one reading {noise:.3f} % CO2"
    lines += labelled("Slack", f"at most, turns {doubt}: {_ranges(fleet, 'backlash_turns', 3)}")
    lags = _ranges(fleet, "time_constant_s", 0)
    return lines + labelled("Lag", f"time constant of the display, s {doubt}: {lags}{noted}")


def _gain_row(name: str, cells: list[str]) -> list[str]:
    """A line of the table of gains, or more where the group's name is long."""
    first, *others = wrapped(name, NAME_WIDTH, others="  ")
    first += " " * (NAME_WIDTH - columns(first))
    figures = "  ".join(f"{cell:<22}" for cell in cells)
    lines = [f"    {first} {figures}".rstrip(), *(f"    {rest}" for rest in others)]
    return [line.replace(KEEP, " ") for line in lines]


def _valve(row: dict[str, Any] | None) -> str:
    """Gain of the middle valve, what 9 in 10 lie within, and jobs."""
    if row is None:
        return "-"
    return f"{_span(row):<16}{row['jobs']:6,}"


def _span(row: dict[str, Any]) -> str:
    gain, reach = row["gain_per_turn"], math.exp(1.6449 * row["gain_log_sd"])
    return f"{gain:.1f} ({gain / reach:.1f}-{gain * reach:.1f})"


def _ranges(group: dict[str, Any], name: str, digits: int) -> str:
    """An estimate with its 90 % range, by screw."""
    values = {screw: [f"{row[f'{name}{end}']:.{digits}f}" for end in ENDS] for screw, row in group.items()}
    return ", ".join(f"{screw} {middle} ({low}-{high})" for screw, (middle, low, high) in values.items())


def _say_calibration(record: dict[str, Any]) -> list[str]:
    sample, held, turns = record["sample"], record["coverage"][0], record["turns_asked"]
    if not sample["jobs"]:
        return labelled("Coverage", "not asked: with a sample of 0, no job was asked anew.")
    drawn = "the job" if sample["of"] == 1 else f"all {sample['of']:,} jobs"
    if sample["jobs"] < sample["of"]:
        drawn = f"a random sample of {sample['jobs']:,} of {sample['of']:,} jobs, seed {sample['seed']}"
    if not held["readings"]:
        return labelled("Coverage", f"asked of {drawn}: no reading that could be expected.")
    judged = record["calibration"]
    lines = labelled(
        "Coverage", f"the 90 % range held in {_of(held)} ({drawn}, asked anew): {_verdict(judged['range'])}."
    )
    beyond = f", less {turns['began_past']:,} begun beyond it" if turns["began_past"] else ""
    asked = (
        f"{turns['turns']:,} of {_counted(turns['of'], 'turn')}: settled before and after for the adviser, lag and all"
    )
    lines += labelled("Chances", f"next reading in band: {_compared(judged['readings'])}.")
    lines += labelled("", f"Turn ends in band ({asked}): {_compared(judged['turns'])}.")
    return lines + labelled("", f"Turn passes the band{beyond}: {_compared(judged['passing'])}.")


def _compared(judged: list[dict[str, Any]]) -> str:
    """Mean chance stated beside the share observed, and the verdict; kinds that differ from the whole."""
    whole, *kinds = judged
    if whole["verdict"] == calibration.TOO_FEW:
        return calibration.TOO_FEW
    others = [
        f"{row['kind']} {_stated(row)}"
        for row in kinds
        if row["verdict"] not in (whole["verdict"], calibration.TOO_FEW)
    ]
    return f"{_stated(whole)}{' (' + '; '.join(others) + ')' if others else ''}"


def _stated(row: dict[str, Any]) -> str:
    """ "stated 30 %, observed 35 %: a little too cautious"."""
    return f"stated {say_chance(row['stated'])}, observed {say_chance(row['observed'])}: {row['verdict']}"


def _verdict(judged: list[dict[str, Any]]) -> str:
    """The verdict on the 90 % range in all, and on the kinds of reading for which it is another."""
    whole, *kinds = judged
    others = [
        f"{row['kind']} {say_chance(row['observed'])}, {row['verdict']}"
        for row in kinds
        if row["verdict"] not in (whole["verdict"], calibration.TOO_FEW)
    ]
    return f"{whole['verdict']}{' (' + '; '.join(others) + ')' if others else ''}"


def _of(held: dict[str, Any]) -> str:
    """How often the range held: as a count of few readings, as a share with its error of many."""
    readings = held["readings"]
    if readings < FEW_READINGS:
        return f"{held['holds'] * readings:.0f} of {_counted(readings, 'reading')}"
    return f"{100 * held['holds']:.1f} ± {100 * held['error']:.1f} % of {readings:,} readings"


def _say_logs(label: str, what: str, messages: list[str], reasons: dict[str, int] | None = None) -> list[str]:
    if not messages:
        return []
    most = list(reasons.items())[:MOST_BAD] if reasons and len(messages) > MOST_BAD else []
    by = "; ".join(f"{count:,} {reason}" for reason, count in most)
    lines = labelled(label, f"{len(messages):,} {what}{': ' + by + '. The first' if by else ''}:")
    for message in messages[:MOST_BAD]:
        lines += wrapped(message, WIDTH, "    ", "      ")
    if len(messages) > MOST_BAD:
        lines.append(f"    and {len(messages) - MOST_BAD:,} more (whole: --json, --out)")
    return lines


def say_replay(
    name: str, table: pd.DataFrame, practice: bool = False, *, end: str = "", notes: Sequence[str] = ()
) -> str:
    """A job's `replay` as text: row by row, what was known, advised, done, and what it cost.

    end    how it stands after its last row
    notes  what to know of its log
    """
    against, costly = len(table) - table["followed"].sum(), (table["cost"] != "").sum()
    counts = f"{against} not as advised, {costly} at a cost."
    steps = f"{_counted(len(table), 'step')} in {table['took_s'].sum() / 60:.1f} min, {counts}"
    lines = wrapped(f"{name}: {steps if len(table) else 'no reading, turn or change of rate yet.'}")
    lines += wrapped(PRACTICE) if practice else []
    lines += [line for note in notes for line in labelled("Log", note)]
    if len(table):
        lines += wrapped(f"{SETTLED[0].upper()}{SETTLED[1:]}, as in a study's tables. {AS_ADVISED}")
        lines += ["", " row  time      took   done / advised a moment before / known then / cost"]
    for row, *more in _folded(plain(table)):
        took_s = row["took_s"] + sum(other["took_s"] for other in more)
        head = f"{row['row']:4d}  {row['time']:%H:%M:%S}  {took_s:3.0f} s  "
        follow = " " * len(head)
        advice = "as advised" if row["followed"] else f"{'still' if row['still'] else 'advised:'} {row['advised']}"
        done = ", ".join(other["done"] for other in (row, *more))
        upto = f"to row {more[-1]['row']}: " if more else ""
        lines += textwrap.wrap(f"{upto}{done}; {advice}", WIDTH, initial_indent=head, subsequent_indent=follow)
        if row["event"] == "turn" and row["known_pct"] is not None:
            known = f"CO2 {row['known_pct']:.2f} % ({row['known_low_pct']:.2f} to {row['known_high_pct']:.2f})"
            lines.append(f"{follow}known: {known}, in band {say_chance(row['chance_in_band'])}")
        lost = f": {row['cost_min']:.1f} min, {row['cost_pct']:.1f} % CO2" if row["cost_min"] is not None else ""
        for said in (f"cost{lost}: {row['cost']}" if row["cost"] else "", row["allowed"]):
            lines += textwrap.wrap(said, WIDTH, initial_indent=follow, subsequent_indent=follow)
    return "\n".join([*lines, *(wrapped(f"At the end: {end}") if end else [])])


def _folded(rows: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Rows one by one, save that those which go on at no cost under the stop of the row before are put together.

    Each gets `still`: whether it goes on so.
    """
    groups: list[list[dict[str, Any]]] = []
    before = ""
    for row in rows:
        row["still"] = row["action"] == "halt" and row["advised"] == before
        before = row["advised"]
        if groups and row["still"] and groups[-1][-1]["still"] and not row["cost"] and not groups[-1][-1]["cost"]:
            groups[-1].append(row)
        else:
            groups.append([row])
    return groups


def refuse_edited_prior(folder: Path) -> None:
    """Raises RangeError where a prior file in a folder is not as a study wrote it: it would be lost."""
    path = folder / PRIOR
    if path.exists() and learned_priors.edited(path.read_text(encoding="utf-8", errors="replace")):
        raise RangeError(f"--out {folder}: {PRIOR} there was edited. Move it away first, or name another folder")


def write(study: Study, record: dict[str, Any], folder: Path, title: str) -> str:
    """Put tables (CSV, parquet with an engine), plots, the prior, the record and its whole text into a folder.

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
    kinds = "CSV and parquet"
    for name in TABLES:
        table = table_of(study, name)
        for_spreadsheets(table).to_csv(folder / f"{name}.csv", index=False)
        try:
            table.to_parquet(folder / f"{name}.parquet", index=False)
        except ImportError:  # none is installed, or one that is unfit for this numpy
            kinds = "CSV (no parquet engine is installed)"
    drawn, prior, listed = plots.write_all(study, folder), "", ""
    (folder / MARKER).write_text(as_json(record) + "\n", encoding="utf-8")
    (folder / TEXT).write_text(say(record) + "\n", encoding="utf-8")
    if record["learned"]:
        (folder / PRIOR).write_text(learned_priors.as_toml(study.evidence, title), encoding="utf-8")
        prior = f"{PRIOR} for open --prior, "
    for name, messages in ((BAD_LOGS, study.bad), (NOTES, study.notes)):
        if messages:
            (folder / name).write_text("".join(f"{line}\n" for line in messages), encoding="utf-8")
            listed += f", {name}"
    return f"{folder}: {len(TABLES)} tables as {kinds}, {drawn} plots, {prior}{MARKER}, {TEXT}{listed}."


def table_of(study: Study, name: str) -> pd.DataFrame:
    """One of TABLES: the study's own, or what is counted from its jobs."""
    if name.startswith("by_"):
        return trend(study.jobs, name.removeprefix("by_"))
    counted = {"analysers": analysers, "worst": worst}
    table: pd.DataFrame = counted[name](study.jobs) if name in counted else getattr(study, name)
    return table


def as_json(record: dict[str, Any]) -> str:
    """The record as JSON; what is not a number is null."""
    return json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)


def _reason(line: str) -> str:
    """What is wrong with a log, without its name, line and figures: the same for trouble of the same kind."""
    text = line.rsplit(": ", 1)[-1] if ".csv" not in line else re.sub(r"^.*?\.csv(:\d+)?: ", "", line)
    return re.sub(r"'[^']*'|\d[\d.,:]*", "…", text.split(". ")[0])


def _counts(values: Sequence[str] | pd.Series) -> dict[str, int]:
    return {str(value): int(count) for value, count in pd.Series(values, dtype=object).value_counts().items()}


def _counted(count: float, word: str) -> str:
    return f"{count:,.0f} {word}{'' if round(count) == 1 else 's'}"


def _between(quantiles: dict[str, float]) -> str:
    low, high = (f"{quantiles[end]:.0f}" for end in ("p10", "p90"))
    return low if low == high else f"{low} to {high}"
