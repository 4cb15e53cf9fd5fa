"""The study's tables: settled pairs, waits, overshoots, and the same numbers however they are worked out."""

import io
from collections.abc import Callable
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from replay import Told, moment, new_job
from study_cases import DEMO, fleet_rows, rows_of

from advisor import Job, RangeError, study
from advisor.job_setup.prior_file import say_turndowns
from advisor.study import calibration, frames, report, tables
from advisor.study.timeline import KINDS, timeline


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    """Rows of forty made-up jobs."""
    return fleet_rows(40, 3, tmp_path_factory.mktemp("fleet"))


def far_and_back() -> Told:
    """High fire from below the band to above it, back by two turns into it, and on below it."""
    told = Told().run_at("high").wait(120).read("high", 8.3).turn("throttle", 1 / 8).wait(80).read("high", 9.6)
    for co2 in (9.5, 9.2, 8.9):
        told.turn("throttle", -1 / 24).wait(80).read("high", co2)
    return told


def test_a_turn_is_paired_with_the_settled_readings_around_it() -> None:
    """Before and after are settled displays of one stay; change and gain follow from them."""
    told = Told().run_at("high").wait(120).read("high", 8.3).wait(10).turn("throttle", 1 / 12).wait(15)
    told.read("high", 8.4).wait(60).read("high", 8.7)  # the first of these came too soon
    moved, read = study.moves(rows_of(told)).iloc[0], study.readings(rows_of(told))
    assert (moved["before_pct"], moved["after_pct"]) == (8.3, 8.7)
    assert moved["wait_kept"]
    assert not moved["overshot"]
    assert moved["change_pct"] == pytest.approx(8.7 - 8.3)
    assert moved["gain_per_turn"] == pytest.approx(12 * (8.7 - 8.3))
    assert list(read["settled"]) == [True, False, True]
    assert list(read["moves"]) == [0, 1, 1]
    assert list(read["minutes"]) == pytest.approx([2.0, 2.583, 3.75], abs=0.01)


def test_readings_left_out_join_two_turns() -> None:
    """Two turns without a settled reading between count as one of their sum, and the second as made too soon."""
    told = Told().run_at("high").wait(120).read("high", 8.3).turn("throttle", 1 / 24).wait(20)
    told.turn("throttle", 1 / 24).wait(80).read("high", 8.7)
    moved, job = study.moves(rows_of(told)), study.jobs(rows_of(told)).iloc[0]
    assert list(moved["wait_kept"]) == [True, False]
    assert moved["pair_turns_cw"].iloc[1] == pytest.approx(1 / 12)
    assert np.isnan(moved["gain_per_turn"].iloc[0])
    assert (job["waits_kept"], job["waits_broken"], job["moves_throttle"]) == (1, 1, 2)


def test_no_pair_across_a_change_of_rate_or_another_screw() -> None:
    """A change of rate, or a turn of the other screw, ends the comparison."""
    told = Told().run_at("low").wait(120).read("low", 8.3).turn("offset", 1 / 24).run_at("high").wait(100)
    told.read("high", 9.0).run_at("low").wait(100).read("low", 8.5)
    told.turn("throttle", 1 / 24).turn("offset", 1 / 24).wait(80).read("low", 8.8)
    assert study.moves(rows_of(told))["gain_per_turn"].isna().all()


def test_an_overshoot_is_a_far_edge_passed_on_the_display() -> None:
    """From below the band to above it, or from inside it to outside: overshot; on its way to it: not."""
    assert list(study.moves(rows_of(far_and_back()))["overshot"]) == [True, False, False, True]
    assert study.jobs(rows_of(far_and_back()))["overshoots"].iloc[0] == 2


def test_what_cannot_be_judged_is_missing_not_false() -> None:
    """No settled reading before or after: both are missing, in CSV too; means are of the rest."""
    told = Told().run_at("high").wait(120).read("high", 8.3).turn("throttle", 1 / 8).wait(80).read("high", 9.6)
    told.turn("throttle", -1 / 24).wait(10).turn("throttle", -1 / 24).wait(5).run_at("low").wait(10)
    told.turn("offset", 1 / 24).wait(200).read("low", 8.8)
    moved = study.moves(rows_of(told))
    assert [row["overshot"] for row in frames.plain(moved)] == [True, None, None, None]
    assert [row["in_band_after"] for row in frames.plain(moved)] == [False, None, None, True]
    assert moved["overshot"].mean() == 1
    assert study.jobs(rows_of(told))["overshoots"].iloc[0] == 1
    assert pd.read_csv(io.StringIO(moved.to_csv(index=False)))["overshot"].isna().sum() == 3


def test_a_job_ended_in_band_when_both_rates_were_read_so_since_its_last_turn() -> None:
    """In band at both rates, but a turn came after: not ended in band until read again."""
    told = Told().run_at("high").wait(120).read("high", 9.2).run_at("low").wait(60).read("low", 8.8)
    assert study.jobs(rows_of(told))["ended_in_band"].iloc[0]
    told.turn("offset", 1 / 48)
    assert not study.jobs(rows_of(told))["ended_in_band"].iloc[0]
    told.wait(80).read("low", 8.9).run_at("high").wait(80).read("high", 9.2)
    job = study.jobs(rows_of(told)).iloc[0]
    assert job["ended_in_band"]
    assert (job["found_low_pct"], job["left_low_pct"]) == (8.8, 8.9)


def test_struck_rows_do_not_count_and_a_void_can_be_voided() -> None:
    """The tables see the rows that stand, as `Job.rows` does."""
    told = Told().run_at("high").wait(120).read("high", 8.3).turn("throttle", 1 / 24)
    told.job.void(3, at=moment(200))
    assert study.moves(rows_of(told)).empty
    told.job.void(4, at=moment(201))
    assert list(study.moves(rows_of(told))["row"]) == [3]


def test_a_screw_found_to_work_the_other_way_turns_its_gain_round() -> None:
    """Gains are in the richer direction as found on site."""
    told = Told().check("throttle clockwise", "leaner").run_at("high").wait(120).read("high", 8.3)
    told.turn("throttle", -1 / 12).wait(80).read("high", 8.7)
    assert study.moves(rows_of(told))["gain_per_turn"].iloc[0] > 4


def test_settled_is_what_the_adviser_takes_as_waited_for(rows: pd.DataFrame) -> None:
    """A reading that the adviser counts is settled here; here some more are, as lag is not asked."""
    names = list(rows["job"].unique())[:8]
    here = study.readings(rows[rows["job"].isin(names)])
    for name in names:
        counted = {row.number for row in Job.load(name).situation().tracker.settled}
        assert counted <= set(here.loc[(here["job"] == name) & here["settled"], "row"])


def test_what_a_reading_says_by_itself_is_found() -> None:
    """A rich reading is named as the adviser names it, with its job."""
    told = Told().run_at("high").wait(120).read("high", 10.0, co=9000, o2=0.1)
    assert study.readings(rows_of(told))["found"].iloc[0] == study.jobs(rows_of(told))["found"].iloc[0] == "rich"


def test_rows_of_one_moment_keep_the_order_of_the_log() -> None:
    """A reading and the change of rate of the same minute: the study takes them in the order they were typed."""
    told = Told().run_at("high").wait(180).read("high", 9.2)
    told.job.run_at("low", at=moment(180))
    line = timeline(rows_of(told))
    assert [KINDS[kind] for kind in line.kind] == ["firing", "reading", "firing"]
    assert list(line.firing) == [0, 0, 1]
    assert list(line.settled) == [False, True, False]


def test_turndown_ranges_leave_no_gap() -> None:
    """Every turndown a job may have lies in the range it is counted in, and the ranges touch."""
    turndowns = (1, 3.9, 4, 5.9, 6, 20)
    ranges = [tables.turndown_limits(tables.turndown_range(turndown)) for turndown in turndowns]
    assert tables.turndown_range(3.9) == "under 4"
    assert tables.turndown_range(20) == say_turndowns(6.0, 20.5) == "6 and over"
    assert all(low <= turndown < high for turndown, (low, high) in zip(turndowns, ranges, strict=True))
    assert all(one[1] == two[0] for one, two in pairwise(sorted(set(ranges))))


# --- any engine, the same numbers -------------------------------------------------------------------


@pytest.mark.parametrize("table", [study.readings, study.moves, study.jobs, study.screws, study.evidence])
def test_one_frame_or_many_give_the_same_numbers(
    table: Callable[[pd.DataFrame], pd.DataFrame], rows: pd.DataFrame
) -> None:
    """Tables of parts, put together, are the table of the whole; so are types of an empty part's columns."""
    whole = table(rows)
    parts = [table(rows[rows["job"].isin(some)]) for some in study.whole_jobs(sorted(rows["job"].unique()), 7)]
    assert list(table(rows.iloc[:0]).dtypes) == list(whole.dtypes)
    keys = [name for name in ("job", "row", "screw") if name in whole]
    if table is study.evidence:
        together, keys = study.combined(parts), list(whole.columns[:5])
    else:
        together = pd.concat(parts)
    together, whole = (frame.sort_values(keys, ignore_index=True) for frame in (together, whole))
    pd.testing.assert_frame_equal(together, whole, rtol=1e-9)


def test_dask_gives_the_same_numbers(rows: pd.DataFrame) -> None:
    """The same functions through `dask.dataframe.map_partitions`, partitions cut between jobs."""
    import dask
    import dask.dataframe as dd

    parts = [rows[rows["job"].isin(some)] for some in study.whole_jobs(sorted(rows["job"].unique()), 3)]
    with dask.config.set({"dataframe.convert-string": False, "scheduler": "synchronous"}):
        whole = dd.concat([dd.from_pandas(part, npartitions=1, sort=False) for part in parts])
        mapped = {
            table: whole.map_partitions(table, meta=table(rows.iloc[:0])).compute()
            for table in (study.moves, study.screws, study.evidence)
        }
    for table, keys in ((study.moves, ["job", "row"]), (study.screws, ["job", "screw"])):
        one, many = (frame.sort_values(keys, ignore_index=True) for frame in (table(rows), mapped[table]))
        pd.testing.assert_frame_equal(many, one, rtol=1e-9)
    pd.testing.assert_frame_equal(study.combined([mapped[study.evidence]]), study.evidence(rows), rtol=1e-9)


def test_rows_as_pandas_reads_them_from_csv_will_do(rows: pd.DataFrame) -> None:
    """A frame that went through a CSV file (times as text, empty cells as NaN) gives the same tables."""
    again = pd.read_csv(io.StringIO(rows.to_csv(index=False)))
    pd.testing.assert_frame_equal(study.moves(again), study.moves(rows), check_dtype=False)
    one, other = (calibration.predictions(frame[frame["job"] == frame["job"].iloc[0]]) for frame in (again, rows))
    pd.testing.assert_frame_equal(one, other)


def test_a_job_split_between_parts_is_refused(rows: pd.DataFrame) -> None:
    """A part that lacks a job's first row says so instead of guessing its setup."""
    with pytest.raises(RangeError, match="A job must not be split between two parts"):
        study.moves(rows.iloc[1:])


def test_a_job_goes_into_a_frame_and_back() -> None:
    """Setup and events survive the frame."""
    job = Job.load(DEMO / "reversed_screw.csv")
    assert frames.job_setups(rows_of(job))["j0"] == job.setup
    assert frames.job_events(rows_of(job)) == job.events


# --- odd but valid logs -----------------------------------------------------------------------------


def struck() -> Job:
    """A job of which no row stands."""
    told = Told().run_at("high").wait(120).read("high", 8.1)
    told.job.void(2, at=moment(200))
    told.job.void(1, at=moment(201))
    return told.job


def same_second() -> Job:
    """Everything in one second, logged backwards."""
    job = new_job()
    job.turn("throttle", 1 / 24, at=moment(0))
    job.read("high", 8.3, 6.2, 20, at=moment(0))
    job.run_at("high", at=moment(0))
    job.read("high", 8.4, 6.1, 20, at=moment(0) - timedelta(days=1))
    return job


def lit() -> Told:
    """High fire, waited out."""
    return Told().run_at("high").wait(120)


ODD = {
    "probe in plain air": lit().read("high", 0.0, co=0, o2=20.9).wait(60).read("high", 8.9).job,
    "most a display shows": lit().read("high", 25.0, co=100_000, o2=25.0).turn("throttle", 2.0).job,
    "turn before any rate": Told().turn("offset", 1 / 24).wait(5).read("low", 8.1).turn("throttle", 0.1).job,
    "no row stands": struck(),
    "never at the boiler": Told().check("sample line", "tight").job,
    "left overnight": lit().read("high", 8.3).turn("throttle", 1 / 24).wait(72_000).read("high", 8.9).job,
    "all in one second": same_second(),
    "there and back": lit()
    .read("high", 8.3)
    .turn("throttle", 0.1)
    .turn("throttle", -0.1)
    .wait(90)
    .read("high", 8.3)
    .job,
}


@pytest.mark.parametrize("job", ODD.values(), ids=ODD)
def test_an_odd_log_gives_finite_tables(job: Job) -> None:
    """Every table can be made; each figure in it is a number in its range, or missing."""
    rows = rows_of(job)
    (counts,), moved, read = frames.plain(study.jobs(rows)), study.moves(rows), study.readings(rows)
    assert (counts["moves"], counts["readings"]) == (len(moved), len(read))
    for table in (moved, read):
        assert not np.isinf(table.select_dtypes("number").to_numpy()).any()
    assert np.isfinite(study.evidence(rows)["value"]).all()
    predicted, turned = calibration.predictions(rows), calibration.turns(rows)
    for chance in (predicted["rank"], predicted["chance_in_band"], turned["chance_past_band"]):
        assert chance.between(-1e-9, 1 + 1e-9).all()
    assert report.say_replay("odd", study.replay(job)).startswith("odd: ")


def test_odd_pairs_have_no_gain_and_leave_other_jobs_alone() -> None:
    """Nothing is compared across a night, no net turn has no gain, and other jobs change none of a job's rows."""
    whole, names = study.moves(rows_of(*ODD.values())), list(ODD)
    night, back = (whole[whole["job"] == f"j{names.index(name)}"] for name in ("left overnight", "there and back"))
    assert night["gain_per_turn"].isna().all()
    assert back["pair_turns_cw"].iloc[-1] == pytest.approx(0)
    assert np.isnan(back["gain_per_turn"].iloc[-1])
    alone = study.moves(rows_of(ODD["left overnight"]))
    pd.testing.assert_frame_equal(night.reset_index(drop=True).drop(columns="job"), alone.drop(columns="job"))
