"""Past advice asked anew, the row-by-row replay, the plots and the command `study`."""

import json
import re
import sys
from dataclasses import replace
from pathlib import Path

import fleet
import numpy as np
import pandas as pd
import pytest
from console import ROOT, run
from matplotlib.figure import Figure
from replay import Told, moment

from advisor import Job, RangeError, study
from advisor.log import header as heads
from advisor.log.file import Log, append_events
from advisor.study import honesty, plots, priors, report

DEMO = ROOT / "demo_logs"
SOUND = DEMO / "sound_job.csv"


@pytest.fixture(scope="module")
def demo() -> study.Study:
    """The demo logs studied."""
    return study.study([DEMO])


def rows_of(*jobs: Job) -> pd.DataFrame:
    """Rows of jobs in memory."""
    return study.rows_frame([(f"j{n}", Log(job.setup, job.events, ())) for n, job in enumerate(jobs)])


def told(last_co2: float) -> Job:
    """A job whose last reading is `last_co2`."""
    job = Told().run_at("high").wait(150).read("high", 8.3).turn("throttle", 1 / 12).wait(80)
    return job.read("high", last_co2).job


def test_what_was_expected_does_not_know_what_came() -> None:
    """A different last reading leaves every expectation as it was; only whether it held changes."""
    one, two = (honesty.predictions(rows_of(told(co2))) for co2 in (8.6, 9.9))
    pd.testing.assert_frame_equal(
        one[["expect_pct", "low_pct", "high_pct"]], two[["expect_pct", "low_pct", "high_pct"]]
    )
    assert list(one["covered"]) == [True, True]
    assert list(two["covered"]) == [True, False]
    assert two["rank"].iloc[1] > 0.95 > one["rank"].iloc[1]


def test_the_expectation_is_the_one_next_gives() -> None:
    """Where `next` says read, its range is the range held against the reading."""
    job = Told().run_at("high").wait(150).read("high", 8.3).turn("throttle", 1 / 24).wait(140)
    said = job.job.next(moment(job.now_s - 0.001))
    assert said.action == "read"
    found = honesty.predictions(rows_of(job.read("high", 8.5).job)).iloc[-1]
    assert (found["low_pct"], found["high_pct"]) == pytest.approx((said.expect_low_pct, said.expect_high_pct), abs=1e-3)
    assert found["kind"] == "after a turn"


def test_chances_of_a_turn_are_the_ones_may_gives() -> None:
    """Chances held against a turn are those `may` states for it."""
    job = Told().run_at("high").wait(150).read("high", 8.3)
    verdict = job.may("throttle", 1 / 8)
    job.turn("throttle", 1 / 8).wait(200).read("high", 9.6)
    found = honesty.turns(rows_of(job.job)).iloc[0]
    assert found["chance_in_band"] == pytest.approx(verdict.chance_in_band, abs=0.02)
    assert found["chance_past_band"] == pytest.approx(verdict.chance_past_band, abs=0.02)
    assert found["past_band"]
    assert not found["in_band"]


def test_a_turn_begun_beyond_the_edge_cannot_pass_it(demo: study.Study) -> None:
    """Turned on from beyond the far edge: beyond after it, no overshoot in the tables, not held against a chance."""
    job = Told().run_at("high").wait(150).read("high", 9.6).turn("throttle", 1 / 24).wait(200).read("high", 9.8)
    job.turn("throttle", -1 / 12).wait(200).read("high", 9.2).turn("throttle", 1 / 24).wait(200).read("high", 9.6)
    rows = rows_of(job.job)
    found, moved = honesty.turns(rows), study.moves(rows)
    assert list(found["row"]) == list(moved["row"])
    assert list(found["past_band"]) == [True, False, True]
    assert list(found["began_past"]) == [True, False, False]
    assert list(moved["overshot"]) == list(found["past_band"] & ~found["began_past"])
    assert honesty.of_passing(found)["count"].sum() == 2
    record = report.summary(demo)
    asked, began = record["turns_asked"], int(demo.turns["began_past"].sum())
    assert asked["began_past"] == began > 0
    assert sum(row["count"] for row in record["reliability_of_passing"]) == asked["turns"] - began
    words = " ".join(report.say(record).split())
    assert f"Turn ends in band ({asked['turns']} of {asked['of']} turns: settled before and after for the" in words
    assert f"passes the band, less {began} begun beyond it, " in words


def test_a_share_over_jobs_has_the_error_of_jobs() -> None:
    """Alike readings within a job count as one: the error is that of the jobs, not of the readings."""
    jobs = pd.Series(np.repeat(np.arange(100), 10))
    hits = pd.Series(np.repeat(np.arange(100) < 80, 10))
    p, error = honesty.share(hits, jobs)
    assert p == pytest.approx(0.8)
    assert error == pytest.approx(1.96 * (0.8 * 0.2 / 99) ** 0.5, rel=0.01)
    assert honesty.share(pd.Series([True] * 5), pd.Series([1] * 5))[1] > 0.2  # never certain on few
    assert np.isnan(honesty.share(pd.Series([], dtype=bool), pd.Series([], dtype=int))[0])


def test_reliability_sees_a_liar() -> None:
    """Honest chances lie on the diagonal within their errors; chances twice as bold do not."""
    rng = np.random.default_rng(1)
    chance = rng.uniform(0, 1, 4000)
    table = pd.DataFrame({"job": np.arange(4000), "chance_in_band": chance, "in_band": rng.uniform(size=4000) < chance})
    honest = honesty.reliability(table)
    assert (np.abs(honest["said"] - honest["happened"]) < 1.5 * honest["error"]).all()
    assert honest["count"].sum() == 4000
    liar = honesty.reliability(table.assign(chance_in_band=chance**3))
    assert (np.abs(liar["said"] - liar["happened"]) > 2 * liar["error"]).sum() >= 6


def test_thin_classes_of_chances_are_put_together() -> None:
    """No case is left out: a class of under ten goes to the neighbour whose chances are nearest."""
    chance = np.repeat([0.02, 0.15, 0.25, 0.85, 0.97], [500, 8, 3, 4, 12])
    table = pd.DataFrame({"job": np.arange(chance.size), "chance_in_band": chance, "in_band": chance > 0.2})
    found = honesty.reliability(table)
    assert list(found["count"]) == [500, 11, 16]
    assert list(found["said"]) == pytest.approx([0.02, (8 * 0.15 + 3 * 0.25) / 11, (4 * 0.85 + 12 * 0.97) / 16])
    assert list(found["happened"]) == pytest.approx([0, 3 / 11, 1])
    few = honesty.reliability(table.iloc[504:512])
    assert list(few["count"]) == [8]
    assert honesty.reliability(table.iloc[:0]).empty
    words = " ".join(report.say(report.summary(study.study([SOUND]))).split())
    assert "(8 of 8 turns: settled before and after for the adviser, lag and all) too few to compare; passes" in words


def test_how_many_turns_were_asked_about_is_said(demo: study.Study) -> None:
    """Screen, record and picture count the turns asked about among all turns of the sampled jobs."""
    some = study.study([DEMO], sample=3, seed=2)
    turns = int(some.jobs.loc[some.jobs["job"].isin(some.sample), "moves"].sum())
    assert 0 < len(some.turns) <= turns < len(some.moves)
    record = report.summary(some)
    beyond = int(some.turns["began_past"].sum())
    assert record["turns_asked"] == {"turns": len(some.turns), "of": turns, "began_past": beyond}
    assert f"Turn ends in band ({len(some.turns)} of {turns} turns: settled" in " ".join(report.say(record).split())
    passed = honesty.of_passing(demo.turns)
    ax = plots.reliability(Figure().subplots(), passed, "passes", "33 of 34 turns")
    assert [text.get_text() for text in ax.get_legend().get_texts()] == [
        "honest", "33 of 34 turns\n(bar: 95 % error)",
    ]  # fmt: skip
    beside = [text.get_text() for text in ax.texts]
    assert beside == [*(f"{count:,}" for count in passed["count"]), "number: cases"]


def test_a_sample_is_drawn_by_its_seed() -> None:
    """The same seed draws the same jobs, another one others; a small fleet is taken whole; none when none is asked."""
    names = [f"j{n:03d}" for n in range(200)]
    assert honesty.drawn(names, 20, 1) == honesty.drawn(list(reversed(names)), 20, 1)
    assert honesty.drawn(names, 20, 1) != honesty.drawn(names, 20, 2)
    assert len(set(honesty.drawn(names, 20, 1))) == 20
    assert honesty.drawn(names[:5], 20, 1) == names[:5]
    assert honesty.drawn(names, 0, 1) == []


def test_the_sample_is_never_hidden(demo: study.Study) -> None:
    """Screen and record say how many jobs were asked, of how many, with which seed, how far it holds."""
    some = study.study([DEMO], sample=2, seed=4)
    record = report.summary(some)
    jobs = len(list(DEMO.glob("*.csv")))
    assert record["sample"] == {"jobs": 2, "of": jobs, "seed": 4}
    held = record["coverage"][0]
    words = " ".join(report.say(record).split())
    assert held["error"] > 0
    held_in = round(held["holds"] * held["readings"])
    assert f"Honest the 90 % range held in {held_in} of {held['readings']} readings" in words
    assert f"(a random sample of 2 of {jobs} jobs, seed 4, asked anew)" in words
    assert f"(all {jobs} jobs, asked anew)" in " ".join(report.say(report.summary(demo)).split())
    assert f"by the adviser at the end of {jobs} jobs asked anew: " in " ".join(
        report.say(report.summary(demo)).split()
    )
    assert "by the adviser at the end of 2 jobs asked anew: " in words
    assert set(some.jobs.loc[some.jobs["asked_anew"], "job"]) == set(some.sample)
    none = " ".join(report.say(report.summary(study.study([DEMO], sample=0))).split())
    assert f"Found by a quick look at every reading and screw of {jobs} jobs: no trouble. Gain" in none
    assert "Honest not asked: with a sample of 0, no job was asked anew." in none


@pytest.mark.parametrize(
    ("holds", "verdict"),
    [
        (0.9012, "That agrees with the 90 % stated."),
        (0.94, "That is more than the 90 % stated: the ranges are wider than they need be."),
        (0.86, "That is less than the 90 % stated: the ranges are too narrow."),
    ],
)
def test_what_a_share_means_is_said(holds: float, verdict: str, demo: study.Study) -> None:
    """Beside how often the range held stands what follows from it, its error allowed for."""
    record = report.summary(demo)
    many = {**record["coverage"][0], "readings": 4000, "holds": holds, "error": 0.0149}
    said = " ".join(report.say({**record, "coverage": [many]}).split())
    held = f"the 90 % range held in {100 * holds:.1f} ± 1.5 % of 4,000 readings (all 7 jobs, asked anew)."
    assert f"Honest {held} {verdict} Said/came, next reading in band: " in said
    assert f"; {100 * holds:.0f} % of readings fell in the adviser's 90 % range. 8 in 10" in said


def test_a_turn_is_held_against_what_the_display_would_show() -> None:
    """A display in steps widens the band by half a step: its chance of being in band is the larger, and is counted."""
    told = Told(bands={"high": (9.1, 9.2), "low": (8.6, 9.0)}).run_at("high").wait(150)
    told.read("high", 8.8).wait(10).read("high", 8.8).turn("throttle", 1 / 24).wait(200).read("high", 9.1)
    found = honesty.turns(rows_of(told.job)).iloc[0]
    assert found["in_band"]
    assert 1.4 < found["shown_chance_in_band"] / found["chance_in_band"] < 3  # 0.2 % wide on display, 0.1 % in truth
    assert found["shown_chance_past_band"] < found["chance_past_band"]
    table = pd.DataFrame([found] * 12)
    assert honesty.of_turns(table)["said"].iloc[0] == pytest.approx(found["shown_chance_in_band"])
    assert honesty.of_passing(table)["said"].iloc[0] == pytest.approx(found["shown_chance_past_band"])


@pytest.mark.parametrize(("came", "words"), [(0.5, "45/50 %, fits"), (0.82, "45/82 %, off at 45/82")])
def test_said_and_came_have_a_verdict(demo: study.Study, came: float, words: str) -> None:
    """A pair beyond its error is named; the others fit. What ± and fits mean is said."""
    bins = [{"said": 0.45, "happened": came, "error": 0.1, "count": 40}]
    said = " ".join(report.say({**report.summary(demo), "reliability_of_turns": bins}).split())
    assert f"lag and all) {words}; passes the band" in said
    assert "Fits: each within its 95 % error (±)." in said


def test_every_field_and_code_is_described(demo: study.Study) -> None:
    """DEVELOPERS.md tells what each field of study.json means, and each code that a finding may have."""
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    fields = page[page.index("### What study.json holds") : page.index("### Codes of findings")]
    record = report.summary(demo)
    names = set(record)
    for value in record.values():
        part = value[0] if isinstance(value, list) and value else value
        names |= set(part) if isinstance(part, dict) else set()
    names -= set(record["found"]) | set(record["findings_in_sample"]) | set(record["priors_in_use"])
    assert len(names) > 50
    assert [name for name in sorted(names) if f"`{name}`" not in fields] == []
    source = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "advisor").glob("*.py"))
    codes = set(re.findall(r'Finding\(\s*"([a-z0-9-]+)"', source))
    assert len(codes) > 30
    table = page[page.index("### Codes of findings") :]
    assert [code for code in sorted(codes) if f"`{code}`" not in table[: table.index("\n`python")]] == []


def test_findings_tell_their_screw_their_rate_and_their_meaning(demo: study.Study) -> None:
    """A finding about one screw or one rate names it; each has its meaning in words."""
    found = demo.findings.set_index("code")
    assert found.loc["wrong-way", "screw"] == "throttle"
    assert found.loc["air-in-sample", "firing"] == "low"
    assert "works the other way" in found.loc["wrong-way", "text"]
    high = Told().run_at("high").wait(120).read("high", 9.2, co=900)
    assert set(honesty.findings(rows_of(high.job)).set_index("code").loc[["high-co"], "firing"]) == {"high"}


def test_findings_are_the_advisers(demo: study.Study) -> None:
    """At the end of each job, what `Job.findings` says; the screen counts stops and warnings."""
    halts = set(demo.findings.loc[demo.findings["severity"] == "halt", "code"])
    assert {"wrong-way", "air-in-sample"} <= halts
    assert "wrong-way 1" in " ".join(report.say(report.summary(demo)).split())


def test_replay_tells_known_advised_done_and_cost() -> None:
    """Against the advice, too soon, past the band: each row says so; rows as advised cost nothing."""
    job = Told().check("sample line", "tight").run_at("high").wait(150).read("high", 8.3)
    job.turn("throttle", 1 / 8).wait(10).read("high", 9.2).wait(200).read("high", 9.6)
    table = study.replay(job.job)
    assert list(table["done"]) == [
        "changed to high fire", "read high CO2 8.3 %", "turned throttle 1/8 cw", "read high CO2 9.2 %",
        "read high CO2 9.6 %",
    ]  # fmt: skip
    assert list(table["followed"][:3]) == [True, True, False]
    assert table["cost"].iloc[2] == "more than advised; passed the band: 8.3 to 9.6 %"
    assert "too soon: no turn on it" in table["cost"].iloc[3]
    assert table["advised"].iloc[2] == "turn throttle 1/24 cw"
    assert table["known_low_pct"].iloc[2] < 8.3 < table["known_high_pct"].iloc[2]
    assert table["took_s"].sum() == pytest.approx(150 + 10 + 10 + 10 + 200)
    words = report.say_replay("j", table)
    assert words.startswith("j: 5 steps in 6.3 min, 2 not as advised, 2 at a cost.")
    assert max(map(len, words.splitlines())) <= 80
    assert study.replay(Told().job).empty


def test_what_goes_on_under_one_stop_is_folded() -> None:
    """Readings under the stop of the row before stand together on few lines; a turn against it stands by itself."""
    told = Told().run_at("high").wait(150).read("high", 8.3, co=900)
    for co2 in (8.3, 8.4, 8.3):
        told.wait(20).read("high", co2, co=900)
    told.turn("throttle", 1 / 24).wait(90).read("high", 8.6, co=900).wait(30).read("high", 8.6, co=900)
    table = study.replay(told.job)
    words = " ".join(report.say_replay("j", table).split())
    assert "to row 5: read high CO2 8.4 %, read high CO2 8.3 %; still stop (high-co)" in words
    assert "turned throttle 1/24 cw; still stop (high-co) known: " in words
    assert "cost: turned against a stop" in words
    assert "to row 8: read high CO2 8.6 %, read high CO2 8.6 %; still stop (high-co)" in words
    assert "As advised: the turn to 0.1 of a mark, a reading up to 5 s early." in words


def test_replay_says_how_the_job_stands_at_its_end(tmp_path: Path) -> None:
    """It ends as `next` answers first after the last row, on screen and in JSON; a torn row is told on top."""
    rich = Told().run_at("high").wait(150).read("high", 8.3).turn("throttle", 1 / 12).wait(200)
    rich.read("high", 10.0, co=9000, o2=0.1)
    path = tmp_path / "rich.csv"
    path.write_text(heads.format_header(rich.job.setup), encoding="utf-8")
    append_events(path, rich.job.events)
    with path.open("a", encoding="utf-8") as file:
        file.write("2026-05-04T11:40:00+00:00,rea")
    first = " ".join(run(f"advisor next {path} --at {moment(rich.now_s).isoformat()}").split())
    words = run(f"advisor study --replay {path}")
    assert max(map(len, words.splitlines())) <= 80
    end = " ".join(words[words.index("At the end: ") :].split()).removeprefix("At the end: ")
    assert end.startswith("STOP. ")
    assert end in first
    top = words[: words.index(" row  time")]
    assert "this line was cut short" in " ".join(top.split())
    record = json.loads(run(f"advisor study --replay {path} --json"))
    assert record["at_end"] == end
    assert [note for note in record["notes"] if "cut short" in note]
    assert run(f"advisor study --replay {SOUND}").splitlines()[-1].startswith("At the end: Done: high and low fire are")
    empty = tmp_path / "empty.csv"
    Job.create(empty, fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)})
    assert "At the end" not in run(f"advisor study --replay {empty}")


def test_replay_and_tables_mean_the_same_by_settled(tmp_path: Path) -> None:
    """A turn that passed the band in the tables did so in the replay, and so with turns made without a settled reading;
    the adviser's longer wait for a slow display is named as such.
    """
    slow = 0
    fleet.make_fleet(12, tmp_path, seed=1, first=28, processes=1)
    for path in sorted(tmp_path.glob("*.csv")):
        job = Job.load(path)
        moved = study.moves(rows_of(job)).set_index("row")
        cost = study.replay(job).set_index("row")["cost"][moved.index]
        judged = moved["before_pct"].notna()
        assert list(cost[judged].str.contains("passed the band")) == list(moved.loc[judged, "overshot"]), path
        assert list(cost.str.contains("turned without a settled reading")) == list(~moved["wait_kept"]), path
        slow += int((cost.str.contains("for so slow a display") & moved["overshot"]).sum())
    assert slow > 0  # the adviser's own reckoning would have left these out


def test_an_early_turn_that_passes_the_band_is_listed() -> None:
    """Nothing settled was read before the turn, and the display ended beyond the far edge: said, with what was read."""
    told = Told().run_at("high").wait(20).read("high", 8.3).turn("throttle", 1 / 8).wait(200).read("high", 9.6)
    cost = study.replay(told.job)["cost"]
    assert cost[2] == "turned without a settled reading; passed the band: 8.3 (read too soon) to 9.6 %"
    told = Told().run_at("high").wait(20).read("high", 8.3).turn("throttle", 1 / 48).wait(200).read("high", 8.2)
    assert study.replay(told.job)["cost"][2] == "turned without a settled reading"  # it had been falling by itself


def test_the_demo_job_was_done_as_advised() -> None:
    """The sound demo job followed the advice: no turn against it and nothing passed."""
    table = study.replay(Job.load(SOUND))
    turns = table[table["done"].str.startswith("turned")]
    assert turns["followed"].all()
    assert (turns["cost"] == "").all()


def test_the_study_command_answers_on_one_screen() -> None:
    """First line the answer, at most 80 columns, at most a screen."""
    words = run(f"advisor study {DEMO}")
    lines = words.splitlines()
    jobs = len(list(DEMO.glob("*.csv")))
    assert re.match(
        rf"{jobs} jobs: \d+ % ended in band; the middle job took \d+ turns and \d+ min; \d+( %)? of", lines[0]
    )
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80


def test_the_study_command_writes_tables_plots_and_prior(tmp_path: Path) -> None:
    """--out: CSV that pandas reads back, plots, a prior that open takes; a second run over the folder skips them."""
    for name in ("sound_job", "half_way"):
        (tmp_path / f"{name}.csv").write_bytes((DEMO / f"{name}.csv").read_bytes())
    out = tmp_path / "out"
    words = run(f"advisor study {tmp_path} --out {out}")
    assert "2 jobs:" in words
    assert f"{out}: 7 tables as CSV" in " ".join(words.split())
    found = study.study([tmp_path])  # the CSVs in `out` are no job logs, and are not taken for such
    assert found.bad == found.notes == ()
    assert not list(out.glob("*.txt"))
    for name in report.TABLES:
        kept = pd.read_csv(out / f"{name}.csv", keep_default_na=False, na_values=[""])
        assert list(kept.columns) == list(getattr(found, name).columns)
        assert len(kept) == len(getattr(found, name))
    pd.testing.assert_frame_equal(pd.read_parquet(out / "moves.parquet"), found.moves, check_dtype=False)
    assert len(list(out.glob("*.png"))) == len(plots.NAMES) - 2  # two jobs tell no spread of gains
    log = tmp_path / "new.csv"
    setup = "--fuel 'natural gas' --high 9:9.4 --low 8.6:9 --valve-family Q"
    opened = run(f"advisor open {log} {setup} --prior {out / 'prior.toml'}")
    assert "Guess    first guess from prior.toml: 2 jobs studied on" in opened
    assert Job.load(log).setup.prior.gain_log_sd != Job.load(SOUND).setup.prior.gain_log_sd
    assert Job.load(log).setup.valve_family == "Q"
    assert "# prior_source = " in log.read_text(encoding="utf-8")


def test_a_used_folder_keeps_nothing_of_an_older_study(demo: study.Study, tmp_path: Path) -> None:
    """Known files that this study does not make are gone, others stay; a folder no study wrote loses nothing.

    A picture with nothing to show is neither drawn nor counted.
    """
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_text("the engineer's own", encoding="utf-8")
    report.write(demo, report.summary(demo), out, "all")
    assert (out / "notes.txt").read_text(encoding="utf-8") == "the engineer's own"
    (out / "my_own.png").write_bytes(b"a picture of mine")
    for name in plots.NAMES:
        assert (out / f"{name}.png").exists()
    read_only = Told().run_at("high").wait(150).read("high", 8.3)
    path = tmp_path / "one.csv"
    path.write_text(heads.format_header(read_only.job.setup), encoding="utf-8")
    append_events(path, read_only.job.events)
    small = study.study([path], sample=0)
    words = report.write(small, report.summary(small), out, "one")
    left = {file.stem for file in out.glob("*.png")}
    assert left == {"convergence_by_moves", "convergence_by_minutes", "my_own"}
    assert f" {len(left) - 1} plots, " in words
    assert not (out / "prior.toml").exists()


def test_a_prior_that_was_edited_is_not_replaced(demo: study.Study, tmp_path: Path) -> None:
    """What a study wrote is replaced; what a hand changed is refused, before the work."""
    out = tmp_path / "out"
    run(f"advisor study {SOUND} --out {out}")
    path = out / "prior.toml"
    run(f"advisor study {SOUND} --sample 0 --out {out}")
    edited = path.read_text(encoding="utf-8").replace("gain_log_sd = 0.6", "gain_log_sd = 0.9")
    path.write_text(edited, encoding="utf-8")
    said = " ".join(run(f"advisor study {SOUND} --out {out}").split())
    assert said == f"--out {out}: prior.toml there was edited. Move it away first, or name another folder"
    with pytest.raises(RangeError, match="was edited"):
        report.write(demo, report.summary(demo), out, "all")
    assert path.read_text(encoding="utf-8") == edited
    assert priors.edited('name = "by hand"\n[[prior]]\n')


def test_the_study_command_as_json() -> None:
    """--json: the record, numbers as numbers, nothing that JSON does not know."""
    record = json.loads(run(f"advisor study {SOUND} --json"))
    assert record["jobs"] == 1
    assert record["coverage"][0]["readings"] > 10
    assert isinstance(record["minutes"]["median"], float)
    rows = json.loads(run(f"advisor study --replay {SOUND} --json"))["rows"]
    assert rows[0]["done"] == "changed to high fire"


@pytest.mark.parametrize(
    ("command", "answer"),
    [
        ("study", "name the job logs to study: files, folders or a pattern such as 'logs/*.csv'"),
        ("study nothing/*.csv", "no job log could be read\nnothing/*.csv: no job log there. Name files, folders or a"),
        (f"study {SOUND} --out {SOUND}", f"--out {SOUND}: this is a file. Name a folder"),
        (f"study {SOUND} --replay {SOUND}", "--replay takes one job: leave the other logs out"),
        (f"study {SOUND} --sample -1", "a sample of -1 jobs: 0 or more is allowed"),
        (f"study --replay {SOUND} --out new", "--replay writes no files: leave --out away, or name the log without"),
        ("study --replay nothing.csv", "nothing.csv: there is no such file or folder."),
    ],
)  # fmt: skip
def test_wrong_use_of_study_is_answered_in_words(command: str, answer: str) -> None:
    """Each says what is wrong and what is allowed."""
    said = run(f"advisor {command}").replace(" ", "").replace("\n", "")
    assert answer.replace(" ", "").replace("\n", "") in said


def test_study_exit_codes(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """0 answered, 1 nothing readable, 2 wrong usage."""
    from advisor.cli.main import main

    for words, code in (([str(SOUND)], 0), (["nothing"], 1), ([], 2)):
        monkeypatch.setattr(sys, "argv", ["advisor", "study", *words])
        with pytest.raises(SystemExit) as left:
            main()
        assert (left.value.code or 0) == code
    assert capsys.readouterr().out.startswith("1 job: ended in band")


def texts(ax: object) -> list[str]:
    """Labels of the axes."""
    return [ax.get_xlabel(), ax.get_ylabel(), ax.get_title()]  # type: ignore[attr-defined]


def test_plots_take_axes_and_label_them_with_units(demo: study.Study) -> None:
    """Every plot draws on the axes it is given, returns them, and names quantity and unit."""
    learned = priors.as_table(demo.evidence)
    drawn = {
        "% CO2": [
            lambda ax: plots.convergence_by_moves(ax, demo.readings, "high"),
            lambda ax: plots.convergence_by_minutes(ax, demo.readings, "low"),
            lambda ax: plots.gains(ax, demo.screws, demo.jobs),
        ],
        "turn": [
            lambda ax: plots.slack_and_lag(ax, learned, "slack_turns"),
            lambda ax: plots.overshoots(ax, demo.moves),
            lambda ax: plots.waits(ax, demo.moves),
        ],
        ", s": [lambda ax: plots.slack_and_lag(ax, learned, "time_constant_s")],
        "%": [
            lambda ax: plots.coverage(ax, honesty.coverage(demo.predictions)),
            lambda ax: plots.reliability(ax, honesty.reliability(demo.predictions), "in band"),
            lambda ax: plots.ranks(ax, demo.predictions),
        ],
    }
    for unit, those in drawn.items():
        for plot in those:
            ax = Figure().subplots()
            assert plot(ax) is ax
            assert unit in " ".join(texts(ax))
            assert ax.has_data()
    assert "matplotlib.pyplot" not in sys.modules


def test_the_gain_picture_counts_what_the_screen_counts(tmp_path: Path) -> None:
    """Beside the jobs drawn stand the real jobs that turned the screw: by family, they sum to the screen's."""
    fleet.make_fleet(60, tmp_path, seed=9, processes=1)
    job = Job.load(tmp_path / "job_000000.csv")
    practice = tmp_path / "practice.csv"
    practice.write_text(heads.format_header(replace(job.setup, practice=True)), encoding="utf-8")
    append_events(practice, job.events)
    found = study.study([tmp_path], sample=0)
    assert found.jobs["practice"].sum() == 1
    learned = priors.as_table(found.evidence)
    on_screen = learned[learned["fuel"] == ""].set_index("screw")["jobs"].to_dict()
    ax = plots.gains(Figure().subplots(), found.screws, found.jobs.assign(fuel="any"), "fuel")
    labels = [label.get_text() for label in ax.get_yticklabels()]
    counts = [re.fullmatch(r"any\n(\w+), (\d+) of (\d+) jobs", label) for label in labels]
    assert {count[1]: int(count[3]) for count in counts if count} == on_screen
    assert all(3 <= int(count[2]) < int(count[3]) for count in counts if count)


def test_axes_that_count_have_whole_ticks(demo: study.Study) -> None:
    """Half a turn or half a reading is no place for a tick."""
    one = demo.moves.iloc[:1]
    for ax, axis in (
        (plots.waits(Figure().subplots(), one), "y"),
        (plots.ranks(Figure().subplots(), demo.predictions.iloc[:1]), "y"),
        (plots.convergence_by_moves(Figure().subplots(), demo.readings, "high"), "x"),
    ):
        ticks = getattr(ax, f"get_{axis}ticks")()
        assert list(ticks) == [round(tick) for tick in ticks]


def test_no_move_is_left_out_of_the_overshoot_picture(demo: study.Study) -> None:
    """Below the bars stand the two screws with all moves that were read before and after, however few in a group."""
    ax = plots.overshoots(Figure().subplots(), demo.moves)
    below = [text.get_text().split("\n") for text in ax.texts]
    judged = demo.moves[demo.moves["overshot"].notna()]
    for screw in ("offset", "throttle"):
        counts = [int(count) for name, count in below if name == screw]
        assert sum(counts) == (judged["screw"] == screw).sum()
    assert min(int(count) for _, count in below) < 5


def test_convergence_panels_have_one_scale_that_holds_every_area(tmp_path: Path) -> None:
    """Both rates on one vertical scale, none of the 8 in 10 cut, the legend outside; a move is no revolution."""
    fleet.make_fleet(20, tmp_path, seed=4, processes=1)
    found = study.study([tmp_path], sample=0)
    for draw in (plots.convergence_by_moves, plots.convergence_by_minutes):
        made, axes = plots.figure(2, share_y=True)
        for ax, firing in zip(axes, ("high", "low"), strict=True):
            draw(ax, found.readings, firing)
        made.canvas.draw()
        assert axes[0].get_ylim() == axes[1].get_ylim()
        for ax in axes:
            highest = max(area.get_paths()[0].vertices[:, 1].max() for area in ax.collections)
            assert highest < ax.get_ylim()[1]
            assert ax.get_legend().get_window_extent().y0 >= ax.get_window_extent().y1
            assert ax.title.get_window_extent().y0 >= ax.get_legend().get_window_extent().y1 - 3
    assert plots.convergence_by_moves(Figure().subplots(), found.readings, "high").get_xlabel() == (
        "moves of the throttle screw"
    )


def test_the_waits_picture_says_why_a_turn_counts_against_the_wait() -> None:
    """A long wait whose readings can't be so is no settled reading: the picture names that, not the wait."""
    told = Told().run_at("high").wait(300).read("high", 8.3, o2=20.0).turn("throttle", 1 / 24)
    moved = study.moves(rows_of(told.job))
    assert moved["waited_s"].iloc[0] > 300
    assert not moved["wait_kept"].iloc[0]
    legend = [text.get_text() for text in plots.waits(Figure().subplots(), moved).get_legend().get_texts()]
    assert legend == ["on a settled reading, 0 turns", "no settled reading before, 1 turns"]


def test_the_median_curve_is_the_median() -> None:
    """The curve of three jobs is the middle one's, each job keeping its last reading."""
    readings = pd.DataFrame(
        {
            "job": ["a", "a", "b", "b", "b", "c"],
            "moves": [0, 1, 0, 1, 2, 0],
            "minutes": [1.0, 2.0, 1.0, 2.0, 3.0, 1.0],
            "firing": "high",
            "settled": True,
            "distance_pct": [1.0, 0.2, 0.8, 0.5, 0.1, 0.3],
        }
    )
    ax = plots.convergence_by_moves(Figure().subplots(), readings, "high")
    median = next(line for line in ax.lines if line.get_label() == "median")
    assert list(median.get_ydata()) == pytest.approx([0.8, 0.3, 0.2])
