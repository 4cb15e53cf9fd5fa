"""The command `study`: its screen, its record, the folder it writes."""

import csv
import json
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from console import run
from matplotlib.figure import Figure
from replay import Told
from study_cases import DEMO, SOUND, demo, demo_record, documented, fleet_rows, log_file, one_line, rows_of

from advisor import Job, RangeError, study
from advisor.report.layout import columns
from advisor.study import asked, calibration, learned_priors, plots, population, report

SCREEN = 24  # lines


def test_every_field_of_the_record_is_described() -> None:
    """The docstring of `summary` lists the fields of study.json, no others, and names what is within them."""
    record = demo_record()
    assert sorted(documented(report.summary)) == sorted(record)
    assert list(record["learned"][0]) == documented(population.as_table)
    within = {"minutes", "sample", "turns_asked"}
    names = {name for field in within for name in record[field]} | {*record["coverage"][0]}
    assert names <= set(re.findall(r"`(\w+)`", report.summary.__doc__ or ""))


def test_every_column_of_every_table_is_described() -> None:
    """A docstring lists the columns of its function's table, in order; no table holds a linearised value."""
    found = demo()
    made: dict[Callable[..., Any], pd.DataFrame] = {
        **{
            getattr(study, name): getattr(found, name)
            for name in ("readings", "moves", "screws", "time_spent", "evidence")
        },
        **{getattr(asked, name): getattr(found, name) for name in ("predictions", "turns", "findings", "verdicts")},
        study.jobs: found.jobs.drop(columns=["asked_anew", "chance_in_band_at_end"]),
        study.played: study.played(rows_of(Job.load(SOUND))),
        asked.ends: asked.ends(rows_of(Job.load(SOUND))),
        study.trend: study.trend(found.jobs),
        study.analysers: study.analysers(found.jobs),
        study.worst: study.worst(found.jobs),
        calibration.judged: calibration.judged(found.turns, "passing"),
        calibration.refusals: calibration.refusals(found.verdicts, found.moves),
        study.replay: study.replay(Job.load(SOUND)),
        population.as_table: population.as_table(found.evidence),
        calibration.coverage: calibration.coverage(found.predictions),
        calibration.reliability: calibration.reliability(found.predictions),
    }
    for function, table in made.items():
        assert documented(function) == list(table)
        assert not [name for name in table if "linear" in name or "straight" in name]


def test_the_record_counts_what_the_tables_hold() -> None:
    """Turns, overshoots, findings and the sample are those of the tables; turns begun beyond the edge are left out."""
    some = study.study([DEMO], sample=3, seed=2)
    record, overshot = report.summary(some), some.moves["overshot"]
    sampled, began = int(some.moves["job"].isin(some.sample).sum()), int(some.turns["began_past"].sum())
    assert record["sample"] == {"jobs": 3, "of": len(list(DEMO.glob("*.csv"))), "seed": 2}
    assert set(some.jobs.loc[some.jobs["asked_anew"], "job"]) == set(some.sample)
    assert record["turns_asked"] == {"turns": len(some.turns), "of": sampled, "began_past": began}
    assert 0 < len(some.turns) <= sampled < len(some.moves) == record["turns"]
    assert sum(row["count"] for row in record["reliability_of_passing"]) == len(some.turns) - began
    assert (record["turns_judged"], record["overshot"]) == (overshot.count(), overshot.mean())
    assert demo_record()["findings_in_sample"] == {"wrong-way": 1, "air-in-sample": 1}


def verdict(verdict: str, **kinds: str) -> list[dict[str, object]]:
    """A verdict on 400 cases in all, and on kinds (0.2 stated, 0.3 observed)."""
    shares = {"cases": 400, "jobs": 40, "p": 0.01}
    whole = {"kind": "all", "stated": 0.3, "observed": 0.35, "verdict": verdict, **shares}
    others = [{"kind": kind, "stated": 0.2, "observed": 0.3, "verdict": own, **shares} for kind, own in kinds.items()]
    return [whole, *others]


DRIFTING = {"analyser": "A", "drift_pct_per_month": -0.05, "drift_error": 0.02, "jobs": 30}


AS_ADVISED = {
    "jobs": 20, "logged_min": 11.6, "logged_moves": 3.4, "minutes": 13.4, "moves": 6.0, "minutes_error": 1.2,
    "overshoots": 1, "in_band": 1.0, "in_band_as_left": 0.7,
}  # fmt: skip


def judged(of: str, verdict: list[dict[str, object]]) -> dict[str, object]:
    return {"calibration": {of: verdict}}


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        (judged("range", verdict("as stated")), "readings (all 7 jobs, asked anew): as stated."),
        (
            judged("range", verdict("a little too bold", **{"same again": "too cautious"})),
            "asked anew): a little too bold (same again 30 %, too cautious).",
        ),
        ({}, " turns: settled before and after for the adviser, lag and all): "),
        (judged("passing", verdict("as stated")), "begun beyond it: stated 30 %, observed 35 %: as stated."),
        (
            judged("turns", verdict("a little too cautious", offset="as stated", throttle="a little too cautious")),
            "all): stated 30 %, observed 35 %: a little too cautious (offset stated 20 %, observed 30 %: as stated).",
        ),
        ({"turns_unjudged": {}}, "of the jobs that can be judged. Minutes"),
        ({}, "Nobody can judge 1 turn: 1 no settled reading after."),
        ({"turns_judged": 0, "overshoots": 0}, "Overshot 0 of 0 turns read before and after. Nobody"),
        ({}, "7 jobs ended in band: 29 % by the last display, about 45 % by the fit; the middle job took "),
        ({"ended_in_band_fit": None}, "7 jobs ended in band: 29 % by the last display; the middle job took "),
        (
            {"jobs_with_most_overshoots": {"jobs": 2, "share": 0.75}},
            "Open 2 jobs of 7 made 75 % of all overshoots. The worst: ",
        ),
        (
            {"as_advised": AS_ADVISED},
            "fits describe them: 13.4 min (1.8 ± 1.2 more than logged) and 6.0 turns (3.4 logged), 1 overshoot, 100 % "
            "truly in band at the end (70 % as logged, by the fit).",
        ),
        (
            {"as_advised": {**AS_ADVISED, "minutes": 9.6, "minutes_error": None}},
            "fits describe them: 9.6 min (2.0 less than logged)",
        ),
        ({"worst": []}, "then in band. Refused: not-tried 1, away 1. Found"),
        (
            {"analysers": [{**DRIFTING, "drifts": True}, {**DRIFTING, "analyser": "B", "drifts": False}]},
            "Drift A (-0.050 ± 0.020 % CO2 a month as found, 30 jobs): have it checked.",
        ),
        ({"sample": {"jobs": 2, "of": 7, "seed": 4}}, "(a random sample of 2 of 7 jobs, seed 4, asked anew)"),
        ({"sample": {"jobs": 2, "of": 7, "seed": 4}}, "by the adviser at the end of 2 jobs asked anew: "),
        ({"sample": {"jobs": 0, "of": 7, "seed": 4}}, "Coverage not asked: with a sample of 0, no job was asked anew."),
        ({"found": {"high-co": 1, "co-rising": 2, "rich": 1}}, "of 7 jobs: CO stops high-co 1, rich 1; co-rising 2."),
        ({}, "by a quick look at every reading and screw of 7 jobs: no trouble. by"),
        ({"findings_in_sample": {}}, "asked anew: no stop, no warning."),
        ({"practice_jobs": 1}, "PRACTICE on made-up boilers: 1 of these jobs"),
        ({"practice_jobs": 7}, "PRACTICE: a made-up boiler. None of this is about a real one. 8 in 10"),
        ({"practice_jobs": 7, "learned": []}, "Gain none learned: made-up boilers teach nothing about real valves."),
        ({"learned": []}, "Gain none learned: no screw was turned between two readings."),
        (
            {"jobs": 1, "ended_in_band_display": 1.0},
            "1 job ended in band by the last display (45 % by the fit), after ",
        ),
        ({"notes": ["a", "b", "c", "d"]}, "Notes 4 on the other logs: a b c and 1 more (whole: --json, --out)"),
    ],
)  # fmt: skip
def test_the_screen_says_what_the_record_holds(changed: dict[str, Any], said: str) -> None:
    """Each variant of the record has its sentence; no line is over 80 columns."""
    whole = demo_record()
    calibrated = {"calibration": {**whole["calibration"], **changed.get("calibration", {})}}
    text = report.say({**whole, **changed, **calibrated})
    assert said in one_line(text)
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({}, " turns overshot, in 0 % of the jobs that can be judged; 100 % of all "),
        ({"turns_judged": 0, "overshoots": 0}, "Turns 0 of 0 turns overshot; "),
        ({"as_advised": AS_ADVISED}, "20 jobs set again: 13.4 min (1.8 ± 1.2 more than logged), 100 % in band at the"),
        ({"found": {"high-co": 1, "rich": 1}}, "look: CO stops high-co 1, rich 1; by the adviser, of 7 jobs: "),
        ({"practice_jobs": 7}, "PRACTICE: a made-up boiler. None of this is about a real one."),
        ({"learned": []}, "Gain none learned: no screw was turned between two readings."),
        ({"analysers": [{**DRIFTING, "drifts": True}]}, "Drift A (-0.050 ± 0.020 % CO2 a month as found, 30 jobs)"),
        ({"sample": {"jobs": 2, "of": 7, "seed": 4}}, "of 2 jobs asked anew: the 90 % range held in "),
        ({"bad_logs": ["a", "b"]}, "Bad logs 2 not read."),
        (
            {"worst": [{"job": f"a/long/way/down/to/{job}.csv", "why": "1 overshoot; b; c"} for job in "xy"]},
            "The worst: …/x.csv: 1 overshoot; b …/y.csv: 1 overshoot; b",
        ),
        (
            {"worst": [{"job": f"a/long/way/to/{job}/visit.csv", "why": "1 overshoot"} for job in "xy"]},
            "The worst: a/long/way/to/x/visit.csv: 1 overshoot a/long/way/to/y/visit.csv",
        ),
    ],
)  # fmt: skip
def test_one_screen_says_the_most_of_it(changed: dict[str, Any], said: str) -> None:
    """Each figure of the brief answer is the record's; cautions stay; at most a screen of 80 columns."""
    lines = report.brief({**demo_record(), **changed}).splitlines()
    assert said in one_line(" ".join(lines))
    assert len(lines) <= SCREEN
    assert max(map(len, lines)) <= 80


def test_groups_are_named_whole_with_their_jobs(tmp_path: Path) -> None:
    """A long name goes on in a second line; each screw has its number of jobs; no line over 80 columns."""
    long = "a label that is longer than its column"
    for number, path in enumerate(fleet_rows(20, 3, tmp_path)["job"].unique()):
        log_file(Path(path), Job.load(path), valve_family=(long, "", long, "短い 家族", "B")[number % 5])
    record = report.summary(study.study([tmp_path], sample=0))
    text = report.say(record)
    assert max(map(columns, text.splitlines())) <= 80
    table = text[text.index("fuel, family, turndown") : text.index("\nSlack")].splitlines()
    groups = {(row["fuel"], row["valve_family"], row["turndown_range"]) for row in record["learned"]} - {("", "", "")}
    assert len(groups) > report.MOST_GROUPS
    assert f"and {len(groups) - report.MOST_GROUPS} smaller group" in table[-1]
    jobs = next(row["jobs"] for row in record["learned"] if row["fuel"] == "" and row["screw"] == "throttle")
    assert (table[1].split()[0], table[1].split()[-1]) == ("all", str(jobs))
    names = one_line(" ".join(line[4:30] for line in table))
    assert "no family, " in names
    assert long in names


def test_the_command_answers_on_one_screen_or_as_json() -> None:
    """First line the answer, at most a screen; --all: the whole; --json: the record, numbers as numbers."""
    answer = r"2 jobs ended in band: \d+ % by the last display, about \d+ % by the fit; "
    one, whole = (
        run(f"advisor study {SOUND} {DEMO / 'half_way.csv'} --play 0{option}").splitlines() for option in ("", " --all")
    )
    assert re.match(answer, one[0])
    assert whole[0] == one[0]
    assert len(one) <= SCREEN < len(whole)
    record = json.loads(run(f"advisor study {SOUND} --play 0 --json"))
    assert record["jobs"] == 1
    assert record["coverage"][0]["readings"] > 10
    assert isinstance(record["minutes"]["median"], float)


def test_the_folder_holds_tables_and_a_prior_that_open_takes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """--out: tables that pandas reads back, a prior that open takes; a second run over the folder skips them."""
    monkeypatch.setattr(plots, "write_all", lambda study, folder: 0)
    for name in ("sound_job", "half_way"):
        (tmp_path / f"{name}.csv").write_bytes((DEMO / f"{name}.csv").read_bytes())
    out, log = tmp_path / "out", tmp_path / "new.csv"
    assert f"{out}: 15 tables as CSV".replace(" ", "") in "".join(
        run(f"advisor study {tmp_path} --play 1 --out {out}").split()
    )
    found = study.study([tmp_path], play=1)  # the CSVs in `out` are no job logs, and are not taken for such
    assert found.bad == found.notes == ()
    for name in report.TABLES:
        kept, table = (
            pd.read_csv(out / f"{name}.csv", keep_default_na=False, na_values=[""]),
            report.table_of(found, name),
        )
        assert (list(kept.columns), len(kept)) == (list(table.columns), len(table))
    pd.testing.assert_frame_equal(pd.read_parquet(out / "moves.parquet"), found.moves, check_dtype=False)
    setup = "--fuel 'natural gas' --high 9:9.4 --low 8.6:9 --valve-family Q"
    opened = run(f"advisor open {log} {setup} --prior {out / 'prior.toml'}")
    assert "Guess    first guess from prior.toml: 2 jobs studied on" in opened
    assert Job.load(log).setup.prior != Job.load(SOUND).setup.prior
    assert "# prior_source = " in log.read_text(encoding="utf-8")


def test_a_used_folder_keeps_nothing_of_an_older_study(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Known files that this study does not make are gone, others stay; a folder no study wrote loses nothing.

    A picture with nothing to show is neither drawn nor counted.
    """
    monkeypatch.setattr(Figure, "savefig", lambda self, path, **_: path.touch())
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_text("the engineer's own", encoding="utf-8")
    report.write(demo(), demo_record(), out, "all")
    assert (out / "notes.txt").read_text(encoding="utf-8") == "the engineer's own"
    (out / "my_own.png").write_bytes(b"a picture of mine")
    assert {file.stem for file in out.glob("*.png")} == {*plots.NAMES, "my_own"}
    path = log_file(tmp_path / "one.csv", Told().run_at("high").wait(150).read("high", 8.3).job)
    small = study.study([path], sample=0)
    assert " 3 plots, " in report.write(small, report.summary(small), out, "one")
    assert {file.stem for file in out.glob("*.png")} == {
        "convergence_by_moves", "convergence_by_minutes", "share_in_band", "my_own",
    }  # fmt: skip
    assert not (out / "prior.toml").exists()


def test_a_prior_that_was_edited_is_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a study wrote is replaced; what a hand changed is refused, before the work."""
    monkeypatch.setattr(plots, "write_all", lambda study, folder: 0)
    out, path = tmp_path / "out", tmp_path / "out" / "prior.toml"
    for _ in range(2):
        run(f"advisor study {SOUND} --sample 0 --out {out}")
    edited = path.read_text(encoding="utf-8").replace("gain_log_sd = 0.6", "gain_log_sd = 0.9")
    path.write_text(edited, encoding="utf-8")
    refusal = f"--out {out}: prior.toml there was edited. Move it away first, or name another folder"
    assert one_line(run(f"advisor study {SOUND} --out {out}")) == refusal
    with pytest.raises(RangeError, match="was edited"):
        report.write(demo(), demo_record(), out, "all")
    assert path.read_text(encoding="utf-8") == edited
    assert learned_priors.edited('name = "by hand"\n[[prior]]\n')


def test_no_table_holds_a_formula(tmp_path: Path) -> None:
    """A log's name and its valve family are someone's free text: a spreadsheet must not run them."""
    told = Told().run_at("high").wait(150).read("high", 8.4)
    found = study.study([log_file(tmp_path / "=1+1.csv", told.job, valve_family="=HYPERLINK(1)")], sample=1)
    report.write(found, report.summary(found), tmp_path / "desk", "one job")
    for name in report.TABLES:
        with (tmp_path / "desk" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            assert not [cell for row in csv.reader(file) for cell in row if cell.startswith(("=", "@"))]
    assert pd.read_csv(tmp_path / "desk" / "jobs.csv")["valve_family"].tolist() == ["'=HYPERLINK(1)"]
    assert found.jobs["valve_family"].tolist() == ["=HYPERLINK(1)"]  # in memory it stays as typed


@pytest.mark.parametrize(
    ("command", "answer", "status"),
    [
        (f"{SOUND}", "1 job ended in band by the last display (", 0),
        ("", "name the job logs to study: files, folders or a pattern such as 'logs/*.csv'", 2),
        ("nothing/*.csv", "no job log could be read nothing/*.csv: no job log there. Name files, folders or a", 1),
        (f"{SOUND} --out {SOUND}", f"--out {SOUND}: this is a file. Name a folder", 2),
        (f"{SOUND} --replay {SOUND}", "--replay takes one job: leave the other logs out", 2),
        (f"{SOUND} --sample -1", "a sample of -1 jobs: 0 or more is allowed", 2),
        (f"--replay {SOUND} --out new", "--replay writes no files: leave --out away, or name the log without", 2),
        ("--replay nothing.csv", "nothing.csv: there is no such file or folder.", 1),
    ],
)
def test_wrong_use_of_study_is_answered_in_words(
    command: str, answer: str, status: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each says what is wrong and what is allowed. Exit status 0 answered, 1 nothing readable, 2 wrong usage."""
    from advisor.cli.main import main

    monkeypatch.setattr(sys, "argv", ["advisor", "study", *command.split()])
    with pytest.raises(SystemExit) as left:
        main()
    assert (left.value.code or 0) == status
    assert answer.replace(" ", "") in "".join("".join(capsys.readouterr()).split())


def test_bad_logs_are_grouped_by_what_is_wrong(tmp_path: Path) -> None:
    """Many logs with the same trouble are one kind of trouble, whatever their names, lines and figures."""
    text = SOUND.read_text(encoding="utf-8")
    for number in range(4):
        bad = re.sub(r"(reading,high,,,)(\d)", rf"\g<1>{number + 5}\2", text, count=1)
        (tmp_path / f"bad {number}.csv").write_text(bad, encoding="utf-8")
    Job.create(tmp_path / "unused.csv", fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)})
    (tmp_path / "good.csv").write_text(text, encoding="utf-8")
    record = report.summary(study.study([tmp_path], sample=0))
    assert len(record["bad_logs"]) == 5
    assert sorted(record["bad_logs_by_reason"].values()) == [1, 4]
    assert "Bad logs 5 could not be read: 4 " in one_line(report.say(record))
