"""The study's tables: settled pairs, waits, overshoots, bad logs, and the same numbers however it is run."""

import io
import tracemalloc
from dataclasses import replace
from pathlib import Path

import fleet
import numpy as np
import pandas as pd
import pytest
from console import ROOT, run
from replay import BANDS, Told, moment

from advisor import Job, RangeError, study
from advisor.cli import study_command as desk
from advisor.errors import LogError
from advisor.log import header as heads
from advisor.log.file import Log, append_events, parse_log
from advisor.report import layout as lines
from advisor.study import collect, frames, report
from advisor.study.timeline import KINDS, timeline

DEMO = ROOT / "demo_logs"


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty made-up jobs on disk."""
    folder = tmp_path_factory.mktemp("fleet")
    fleet.make_fleet(40, folder, seed=3, processes=1)
    return folder


@pytest.fixture(scope="module")
def rows(logs: Path) -> pd.DataFrame:
    """Their rows as one frame."""
    return study.read_rows(study.find_logs([logs])[0])[0]


def frame_of(*jobs: Job) -> pd.DataFrame:
    """Rows of jobs in memory, named j0, j1, ..."""
    return study.rows_frame([(f"j{n}", Log(job.setup, job.events, ())) for n, job in enumerate(jobs)])


def test_a_turn_is_paired_with_the_settled_readings_around_it() -> None:
    """Before and after are settled displays of one stay; gain is straight change over turns."""
    told = Told().run_at("high").wait(120).read("high", 8.3).wait(10).turn("throttle", 1 / 12).wait(15)
    told.read("high", 8.4).wait(60).read("high", 8.7)  # the first of these came too soon
    moved = study.moves(frame_of(told.job)).iloc[0]
    assert (moved["before_pct"], moved["after_pct"]) == (8.3, 8.7)
    assert moved["wait_kept"]
    assert not moved["overshot"]
    assert moved["gain_per_turn"] == pytest.approx(12 * moved["change_pct"])
    assert moved["change_pct"] == pytest.approx(0.4, abs=0.03)
    read = study.readings(frame_of(told.job))
    assert list(read["settled"]) == [True, False, True]
    assert list(read["moves"]) == [0, 1, 1]
    assert list(read["minutes"]) == pytest.approx([2.0, 2.583, 3.75], abs=0.01)


def test_readings_left_out_join_two_turns() -> None:
    """Two turns without a settled reading between count as one of their sum, and the second as made too soon."""
    told = Told().run_at("high").wait(120).read("high", 8.3).turn("throttle", 1 / 24).wait(20)
    told.turn("throttle", 1 / 24).wait(80).read("high", 8.7)
    moved = study.moves(frame_of(told.job))
    assert list(moved["wait_kept"]) == [True, False]
    assert moved["pair_turns_cw"].iloc[1] == pytest.approx(1 / 12)
    assert np.isnan(moved["gain_per_turn"].iloc[0])
    job = study.jobs(frame_of(told.job)).iloc[0]
    assert (job["waits_kept"], job["waits_broken"], job["moves_throttle"]) == (1, 1, 2)


def test_no_pair_across_a_change_of_rate_or_another_screw() -> None:
    """A change of rate, or a turn of the other screw, ends the comparison."""
    told = Told().run_at("low").wait(120).read("low", 8.3).turn("offset", 1 / 24).run_at("high").wait(100)
    told.read("high", 9.0).run_at("low").wait(100).read("low", 8.5)
    told.turn("throttle", 1 / 24).turn("offset", 1 / 24).wait(80).read("low", 8.8)
    assert study.moves(frame_of(told.job))["gain_per_turn"].isna().all()


def test_an_overshoot_is_a_far_edge_passed_on_the_display() -> None:
    """From below the band to above it, or from inside it to outside: overshot; on its way to it: not."""
    told = Told().run_at("high").wait(120).read("high", 8.3).turn("throttle", 1 / 8).wait(80).read("high", 9.6)
    told.turn("throttle", -1 / 24).wait(80).read("high", 9.5).turn("throttle", -1 / 24).wait(80).read("high", 9.2)
    told.turn("throttle", -1 / 24).wait(80).read("high", 8.9)
    assert list(study.moves(frame_of(told.job))["overshot"]) == [True, False, False, True]
    assert study.jobs(frame_of(told.job))["overshoots"].iloc[0] == 2


def test_what_cannot_be_judged_is_missing_not_false() -> None:
    """No settled reading before or after: `overshot` and `in_band_after` are missing; their means are of the rest."""
    told = Told().run_at("high").wait(120).read("high", 8.3).turn("throttle", 1 / 8).wait(80).read("high", 9.6)
    told.turn("throttle", -1 / 24).wait(10).turn("throttle", -1 / 24).wait(5).run_at("low").wait(10)
    told.turn("offset", 1 / 24).wait(200).read("low", 8.8)
    moved = study.moves(frame_of(told.job))
    assert moved["overshot"].isna().tolist() == [False, True, True, True]
    assert moved["in_band_after"].isna().tolist() == [False, True, True, False]
    assert moved["in_band_after"].iloc[3]
    assert moved["overshot"].mean() == 1
    assert [row["overshot"] for row in frames.plain(moved)] == [True, None, None, None]
    assert study.jobs(frame_of(told.job))["overshoots"].iloc[0] == 1
    read_back = pd.read_csv(io.StringIO(moved.to_csv(index=False)))
    assert read_back["overshot"].isna().sum() == 3
    found = study.study([DEMO], sample=0)
    assert report.summary(found)["turns_judged"] == found.moves["overshot"].count()
    assert report.summary(found)["overshot"] == found.moves["overshot"].mean()


def test_a_job_ended_in_band_when_both_rates_were_read_so_since_its_last_turn() -> None:
    """In band at both rates, but a turn came after: not ended in band until read again."""
    told = Told().run_at("high").wait(120).read("high", 9.2).run_at("low").wait(60).read("low", 8.8)
    assert study.jobs(frame_of(told.job))["ended_in_band"].iloc[0]
    told.turn("offset", 1 / 48)
    assert not study.jobs(frame_of(told.job))["ended_in_band"].iloc[0]
    told.wait(80).read("low", 8.9).run_at("high").wait(80).read("high", 9.2)
    job = study.jobs(frame_of(told.job)).iloc[0]
    assert job["ended_in_band"]
    assert (job["found_low_pct"], job["left_low_pct"]) == (8.8, 8.9)


def test_struck_rows_do_not_count_and_a_void_can_be_voided() -> None:
    """The tables see the rows that stand, as `Job.rows` does."""
    told = Told().run_at("high").wait(120).read("high", 8.3).turn("throttle", 1 / 24)
    told.job.void(3, at=moment(200))
    assert study.moves(frame_of(told.job)).empty
    told.job.void(4, at=moment(201))
    assert list(study.moves(frame_of(told.job))["row"]) == [3]


def test_a_screw_found_to_work_the_other_way_turns_its_gain_round() -> None:
    """Gains are in the richer direction as told on site."""
    told = Told().check("throttle clockwise", "leaner").run_at("high").wait(120).read("high", 8.3)
    told.turn("throttle", -1 / 12).wait(80).read("high", 8.7)
    assert study.moves(frame_of(told.job))["gain_per_turn"].iloc[0] > 4


def test_settled_is_what_the_adviser_takes_as_waited_for(rows: pd.DataFrame) -> None:
    """A reading that the adviser counts is counted here; here a few more are, as lag is not asked."""
    names = list(rows["job"].unique())[:8]
    here = study.readings(rows[rows["job"].isin(names)])
    for name in names:
        visit = Job.load(name).visit()
        counted = {row.number for row in visit.tracker.settled}
        mine = set(here.loc[(here["job"] == name) & here["settled"], "row"])
        assert counted <= mine | {row.number for row in visit.rows if row.number not in counted}
        assert len(counted - mine) == 0


def test_reading_by_reading_codes_are_the_advisers(rows: pd.DataFrame) -> None:
    """What a rich reading says by itself is found."""
    told = Told().run_at("high").wait(120).read("high", 10.0, co=9000, o2=0.1)
    assert study.readings(frame_of(told.job))["found"].iloc[0] == "rich"
    assert study.jobs(frame_of(told.job))["found"].iloc[0] == "rich"


@pytest.mark.parametrize("table", [study.readings, study.moves, study.jobs, study.screws, study.evidence])
def test_one_frame_or_many_give_the_same_numbers(table, rows: pd.DataFrame) -> None:  # type: ignore[no-untyped-def]
    """Per-job tables of parts, put together, are the table of the whole; so is an empty part's shape."""
    whole = table(rows)
    names = sorted(rows["job"].unique())
    parts = [table(rows[rows["job"].isin(some)]) for some in study.whole_jobs(names, 7)]
    assert list(table(rows.iloc[:0]).dtypes) == list(whole.dtypes)
    if table is study.evidence:
        pd.testing.assert_frame_equal(study.combined(parts), whole, rtol=1e-9)
        return
    keys = [name for name in ("job", "row", "screw") if name in whole]
    together = pd.concat(parts).sort_values(keys, ignore_index=True)
    pd.testing.assert_frame_equal(together, whole.sort_values(keys, ignore_index=True), rtol=1e-9)


def test_dask_gives_the_same_numbers(rows: pd.DataFrame) -> None:
    """The same functions through `dask.dataframe.map_partitions`, partitions cut between jobs."""
    import dask
    import dask.dataframe as dd

    names = sorted(rows["job"].unique())
    parts = [rows[rows["job"].isin(some)] for some in study.whole_jobs(names, 3)]
    with dask.config.set({"dataframe.convert-string": False, "scheduler": "synchronous"}):
        whole = dd.concat([dd.from_pandas(part, npartitions=1, sort=False) for part in parts])
        for table in (study.moves, study.screws):
            mapped = whole.map_partitions(table, meta=table(rows.iloc[:0])).compute()
            keys = [name for name in ("job", "row", "screw") if name in mapped]
            one = table(rows).sort_values(keys, ignore_index=True)
            pd.testing.assert_frame_equal(mapped.sort_values(keys, ignore_index=True), one, rtol=1e-9)
        found = whole.map_partitions(study.evidence, meta=study.evidence(rows.iloc[:0])).compute()
    pd.testing.assert_frame_equal(study.combined([found]), study.evidence(rows), rtol=1e-9)


def test_rows_as_pandas_reads_them_from_csv_will_do(rows: pd.DataFrame) -> None:
    """A frame that went through a CSV file (times as text, empty cells as NaN) gives the same tables."""
    again = pd.read_csv(io.StringIO(rows.to_csv(index=False)))
    pd.testing.assert_frame_equal(study.moves(again), study.moves(rows), check_dtype=False)
    predicted = study.honesty.predictions(again[again["job"] == again["job"].iloc[0]])
    pd.testing.assert_frame_equal(predicted, study.honesty.predictions(rows[rows["job"] == rows["job"].iloc[0]]))


def test_a_job_split_between_parts_is_refused(rows: pd.DataFrame) -> None:
    """A part that lacks a job's first row says so instead of guessing its facts."""
    with pytest.raises(RangeError, match="A job must not be split between two parts"):
        study.moves(rows.iloc[1:])


def test_bad_logs_are_listed_with_their_lines_and_do_not_stop_the_rest(tmp_path: Path) -> None:
    """A log with a bad row, an empty one, a missing one: each listed; the good one studied; duplicates once."""
    good = (DEMO / "half_way.csv").read_text(encoding="utf-8")
    (tmp_path / "good.csv").write_text(good, encoding="utf-8")
    (tmp_path / "bad.csv").write_text(good.replace("reading,high,,,", "reading,high,,,9", 1), encoding="utf-8")
    Job.create(tmp_path / "unused.csv", fuel="natural gas", bands=BANDS)
    found = study.study([tmp_path, tmp_path / "good.csv", tmp_path / "none*.csv"], sample=0)
    assert list(found.jobs["job"]) == [str(tmp_path / "good.csv")]
    bad, none, unused = found.bad
    line = good.splitlines().index(next(text for text in good.splitlines() if "reading" in text)) + 1
    assert bad.startswith(f"{tmp_path / 'bad.csv'}:{line}: ")
    assert none.startswith(f"{tmp_path / 'none*.csv'}: no job log there.")
    assert unused == f"{tmp_path / 'unused.csv'}: no rows yet: a log that was opened and never used"


def test_an_absurdly_long_log_is_listed_and_not_read_to_its_end(tmp_path: Path) -> None:
    """200,000 rows, past what any answer takes: counted among the bad ones, less than half of it ever in memory."""
    good = (DEMO / "half_way.csv").read_bytes()
    (tmp_path / "good.csv").write_bytes(good)
    row = next(line for line in good.splitlines(keepends=True) if b"reading" in line)
    (tmp_path / "long.csv").write_bytes(good + row * 200_000 + b"no row at all\n")
    tracemalloc.start()
    frame, bad, _ = study.read_rows([str(tmp_path / "long.csv")])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert frame.empty
    assert bad == (f"{tmp_path / 'long.csv'}: more than 10,000 rows: no visit has so many. Start a new log",)
    assert peak < (tmp_path / "long.csv").stat().st_size / 2
    found = study.study([tmp_path], sample=0)
    assert (len(found.jobs), found.bad) == (1, bad)


def test_a_copy_counts_once_and_a_line_cut_short_is_told(tmp_path: Path) -> None:
    """Same facts and rows under another name: left out and listed. A torn last row: its job counts, and
    the line is listed.
    """
    good = (DEMO / "half_way.csv").read_text(encoding="utf-8")
    (tmp_path / "a.csv").write_text(good, encoding="utf-8")
    (tmp_path / "backup").mkdir()
    (tmp_path / "backup" / "a.csv").write_text(good.replace("\n", "\r\n") + "\r\n", encoding="utf-8", newline="")
    other = (DEMO / "sound_job.csv").read_text(encoding="utf-8")
    (tmp_path / "torn.csv").write_text(other + "2026-05-04T11:40:00+00:00,rea", encoding="utf-8")
    alone = study.study([DEMO / "half_way.csv"], sample=0)
    both = study.study([DEMO / "half_way.csv", DEMO / "sound_job.csv"], sample=0)
    found = study.study([tmp_path], sample=0)
    assert list(found.jobs["job"]) == [str(tmp_path / "a.csv"), str(tmp_path / "torn.csv")]
    assert len(found.moves) == len(both.moves)
    pd.testing.assert_frame_equal(found.evidence, both.evidence)
    apart = study.study([tmp_path], sample=0, processes=2)  # each log in a part of its own
    pd.testing.assert_frame_equal(apart.moves, found.moves)
    assert apart.notes == found.notes
    copied, torn = found.notes
    assert copied == f"{tmp_path / 'backup' / 'a.csv'}: a copy of {tmp_path / 'a.csv'}, left out"
    assert torn.startswith(f"{tmp_path / 'torn.csv'}:{other.count(chr(10)) + 1}: this line was cut short")
    assert found.bad == ()
    record = report.summary(found)
    assert record["notes"] == [copied, torn]
    said = report.say(record)
    assert "Notes 2 on the other logs: " in " ".join(said.split())
    assert "a copy of" in said
    assert max(map(len, said.splitlines())) <= 80
    out = tmp_path / "out"
    assert report.write(found, record, out, "two").endswith("study.json, notes.txt.")
    assert (out / "notes.txt").read_text(encoding="utf-8") == f"{copied}\n{torn}\n"
    assert not (out / "bad_logs.txt").exists()
    assert report.write(alone, report.summary(alone), out, "one").endswith("study.json.")
    assert not (out / "notes.txt").exists()  # what an earlier study had to say is gone


def test_groups_are_named_whole_with_their_jobs(logs: Path, tmp_path: Path) -> None:
    """A long name goes on in a second line; each screw has its number of jobs; no line over 80 columns."""
    long = "a label that is longer than its column"
    for number, path in enumerate(sorted(logs.glob("*.csv"))[:20]):
        job = Job.load(path)
        family = (long, "", long, "短い 家族", "B")[number % 5]
        text = heads.format_header(replace(job.setup, valve_family=family))
        (tmp_path / path.name).write_text(text, encoding="utf-8")
        append_events(tmp_path / path.name, job.events)
    record = report.summary(study.study([tmp_path], sample=0))
    said = report.say(record)
    assert max(map(lines.columns, said.splitlines())) <= 80
    table = said[said.index("fuel, family, turndown") : said.index("\n  Slack")].splitlines()
    assert not any("..." in line for line in table)
    groups = {(row["fuel"], row["valve_family"], row["turndown_range"]) for row in record["learned"]} - {("", "", "")}
    assert len(groups) > report.MOST_GROUPS
    assert f"and {len(groups) - report.MOST_GROUPS} smaller group" in table[-1]
    row = next(row for row in record["learned"] if row["fuel"] == "" and row["screw"] == "throttle")
    assert table[1].split()[0] == "all"
    assert table[1].split()[-1] == str(row["jobs"])
    assert "valves" in said
    names = " ".join(" ".join(line[4:30].split()) for line in table)
    assert "no family, " in names
    assert long in names


def test_carbon_monoxide_is_on_the_screen() -> None:
    """Stops for CO in single readings come first among what was found, of how many jobs, whatever was asked anew."""
    stopped = Told().run_at("high").wait(120).read("high", 9.2, co=900)
    rich = Told().run_at("high").wait(120).read("high", 10.0, co=9000, o2=0.1)
    rising = Told().run_at("high").wait(120).read("high", 9.2, co=200)
    found = study.jobs(frame_of(stopped.job, rich.job, rising.job, rising.job))["found"]
    assert list(found) == ["high-co", "rich", "co-rising", "co-rising"]
    demo = study.study([DEMO])
    for sample in (("j0",), ()):
        made = replace(demo, jobs=pd.concat([demo.jobs.iloc[:4].assign(found=list(found))]), sample=sample)
        said = " ".join(report.say(report.summary(made)).split())
        assert "look at every reading and screw of 4 jobs: CO stops high-co 1, rich 1; co-rising 2." in said


def test_nothing_to_read_is_an_error(tmp_path: Path) -> None:
    """No log at all: LogError that names what was looked at."""
    with pytest.raises(LogError, match=r"no job log could be read\n.*nowhere: no job log there"):
        study.study([tmp_path / "nowhere"])


def test_two_processes_give_what_one_gives(logs: Path) -> None:
    """The pool changes nothing but the time."""
    some = sorted(logs.glob("*.csv"))[:9]
    one, two = (study.study(some, sample=2, processes=count) for count in (1, 2))
    assert one.sample == two.sample
    for name in ("jobs", "moves", "readings", "screws", "predictions", "turns", "findings"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))
    pd.testing.assert_frame_equal(one.evidence, two.evidence, rtol=1e-9)


def test_two_runs_are_alike_to_the_last_digit(logs: Path) -> None:
    """Sums are taken in the order of the paths, whichever process is done first."""
    some = sorted(logs.glob("*.csv"))
    pieces = [[str(path)] for path in some[:12]]
    with collect._workers(2) as run:
        assert [part.tables[0]["job"].tolist() for part in run(collect.read_part, pieces)] == pieces
    one, two = (report.as_json(report.summary(study.study(some, sample=2, processes=2))) for _ in range(2))
    assert one == two


def test_a_turndown_nobody_stated_is_marked(tmp_path: Path) -> None:
    """`open` without a turndown: the log says that it is assumed, the table of jobs too."""
    setup = "--fuel 'natural gas' --high 9:9.4 --low 8.6:9"
    for name, stated in (("assumed", ""), ("stated", " --set turndown=5")):
        run(f"advisor open {tmp_path / name}.csv {setup}{stated}")
        run(f"advisor run-at {tmp_path / name}.csv high")
        assert ("# turndown_stated = false" in (tmp_path / f"{name}.csv").read_text(encoding="utf-8")) == (not stated)
    found = study.study([tmp_path], sample=0)
    assert found.jobs["turndown_stated"].tolist() == [False, True]


def test_the_folders_are_searched_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With --out the names are checked before the work; the list found for that is the one that is studied."""
    searched: list[list[str]] = []
    find = collect.find_logs
    monkeypatch.setattr(collect, "find_logs", lambda names: (searched.append(list(names)), find(names))[1])
    said = desk.studied([str(DEMO)], tmp_path / "desk", 0, 1, as_json=False)
    assert said.startswith("7 jobs")
    assert searched == [[str(DEMO)]]


def test_the_fleet_is_the_same_for_a_seed() -> None:
    """The invented fleet comes from its seed alone, and every log of it is sound."""
    assert fleet.make_job(3, 1) == fleet.make_job(3, 1) != fleet.make_job(3, 2)
    for number in range(30):
        assert parse_log(fleet.make_job(number, 5).encode(), "made").warnings == ()


def test_a_job_goes_into_a_frame_and_back() -> None:
    """Facts and events survive the frame."""
    job = Job.load(DEMO / "reversed_screw.csv")
    rows = frame_of(job)
    assert frames.job_facts(rows)["j0"] == job.setup
    assert frames.job_events(rows) == job.events
    assert collect.read_part([str(DEMO / "reversed_screw.csv")]).count == 1


def test_practice_is_counted_said_and_teaches_nothing(logs: Path, tmp_path: Path) -> None:
    """Jobs on made-up boilers stand in the tables under PRACTICE; evidence and prior are those of the real ones."""
    real = [Job.load(path) for path in sorted(logs.glob("*.csv"))[:12]]
    made_up = [Job.of(replace(job.setup, practice=True), job.events) for job in real[:5]]
    alone, mixed, practice = frame_of(*real[5:]), frame_of(*made_up, *real[5:]), frame_of(*made_up)
    assert study.evidence(alone)["value"].to_numpy() == pytest.approx(study.evidence(mixed)["value"].to_numpy())
    assert study.evidence(practice).empty
    table = study.jobs(mixed).set_index("job")["practice"]
    assert set(table.index[table]) == {f"j{number}" for number in range(5)}
    path = tmp_path / "practice.csv"
    path.write_text(heads.format_header(made_up[0].setup), encoding="utf-8")
    append_events(path, made_up[0].events)
    both = report.say(report.summary(study.study([path, DEMO])))
    assert "PRACTICE on made-up boilers: 1 of these jobs" in both
    only = study.study([path])
    record = report.summary(only)
    assert "PRACTICE: a made-up boiler." in report.say(record).splitlines()[1:3][-1]
    assert record["learned"] == []
    assert "prior.toml" not in report.write(only, record, tmp_path / "out", "practice")
    assert "PRACTICE" in desk.replayed(path, None, None, as_json=False)


def test_rows_of_one_moment_keep_the_order_of_the_log() -> None:
    """A reading and the change of rate of the same minute: the study takes them in the order they were typed."""
    job = Told().job
    job.run_at("high", at=moment(0))
    job.read("high", 9.2, 4.6, 30, at=moment(180))
    job.run_at("low", at=moment(180))
    line = timeline(frames.rows_frame([("a", Log(job.setup, job.events, ()))]))
    assert [KINDS[kind] for kind in line.kind] == ["firing", "reading", "firing"]
    assert list(line.firing) == [0, 0, 1]
    assert list(line.settled) == [False, True, False]
