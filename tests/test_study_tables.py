"""The study's tables: settled pairs, waits, overshoots, and the same numbers however they are worked out."""

import io
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
from replay import Told, moment, new_job
from study_cases import DEMO, fleet_rows, rows_of

from advisor import Event, Job, RangeError, study
from advisor.study import asked, frames, report, tables
from advisor.study.timeline import KINDS, timeline


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    """Rows of forty made-up jobs."""
    return fleet_rows(40, 3, tmp_path_factory.mktemp("fleet"))


def lit() -> Told:
    return Told().run_at("high").wait(120)


def seen() -> Told:
    return lit().read("high", 8.3)


def turned(told: Told, *turns: tuple[float, float], wait_s: float = 80) -> Told:
    """Turns of the throttle, each with a wait and the CO2 read after it at high fire."""
    for turns_cw, co2 in turns:
        told.turn("throttle", turns_cw).wait(wait_s).read("high", co2)
    return told


def struck(told: Told, *rows: int) -> Told:
    for number, row in enumerate(rows):
        told.job.void(row, at=moment(told.now_s + number))
    return told


def other_screw() -> Told:
    """Low fire: away and back after a turn of the offset, then a turn of each screw."""
    told = Told().run_at("low").wait(120).read("low", 8.3).turn("offset", 1 / 24).run_at("high").wait(100)
    told.read("high", 9.0).run_at("low").wait(100).read("low", 8.5).turn("throttle", 1 / 24)
    return told.turn("offset", 1 / 24).wait(80).read("low", 8.8)


def hasty() -> Told:
    """An overshoot, two turns that nothing settled follows, and one of the offset that nothing settled goes before."""
    told = turned(seen(), (1 / 8, 9.6)).turn("throttle", -1 / 24).wait(10).turn("throttle", -1 / 24).wait(5)
    return told.run_at("low").wait(10).turn("offset", 1 / 24).wait(200).read("low", 8.8)


def edited(*events: Event) -> Job:
    """A log edited by hand: it may hold what no entry takes."""
    return Job.of(new_job().setup, events)


def read_at(seconds: float, co2: float, o2: float = 6.2) -> Event:
    return Event(moment(seconds), "reading", firing="high", co2_pct=co2, o2_pct=o2, co_ppm=20)


TURNED = Event(moment(0), "turn", screw="throttle", turns_cw=1 / 24)
RUN = Event(moment(0), "firing", firing="high")


NAN = float("nan")
MOVES: dict[str, tuple[Told | Job, dict[str, list[Any]]]] = {
    "paired with the settled readings around it, not with one too soon": (
        seen().turn("throttle", 1 / 12).wait(15).read("high", 8.4).wait(60).read("high", 8.7),
        {
            "before_pct": [8.3], "after_pct": [8.7], "change_pct": [0.4], "gain_per_turn": [4.8],
            "pair_turns_cw": [1 / 12], "waited_s": [130], "wait_kept": [True], "overshot": [False],
        },
    ),
    "two turns without a settled reading between count as their sum": (
        turned(seen().turn("throttle", 1 / 24).wait(20), (1 / 24, 8.7)),
        {"wait_kept": [True, False], "pair_turns_cw": [NAN, 1 / 12], "gain_per_turn": [NAN, 4.8]},
    ),
    "no pair across a change of rate or a turn of the other screw": (
        other_screw(), {"gain_per_turn": [NAN] * 3, "overshot": [None] * 3},
    ),
    "an overshoot goes past the far edge, from before or inside the band": (
        turned(seen(), (1 / 8, 9.6), (-1 / 24, 9.5), (-1 / 24, 9.2), (-1 / 24, 8.9)),
        {"overshot": [True, False, False, True], "in_band_after": [False, False, True, False]},
    ),
    "what no settled reading tells is missing, not false": (
        hasty(),
        {
            "overshot": [True, None, None, None], "in_band_after": [False, None, None, True],
            "unjudged": ["", tables.UNJUDGED[2], tables.UNJUDGED[2], tables.UNJUDGED[1]],
        },
    ),
    "the richer direction is as found on site": (
        turned(Told().check("throttle clockwise", "leaner").run_at("high").wait(120).read("high", 8.3), (-1 / 12, 8.7)),
        {"gain_per_turn": [4.8]},
    ),
    "nothing is before a job's first row": (
        edited(TURNED, RUN, read_at(80, 8.3)), {"waited_s": [NAN], "wait_kept": [False], "before_pct": [NAN]},
    ),
    "not compared across a night": (turned(seen(), (1 / 24, 8.9), wait_s=72_000), {"gain_per_turn": [NAN]}),
    "no net turn has no gain": (
        turned(seen().turn("throttle", 1 / 24).wait(5), (-1 / 24, 8.3)),
        {"pair_turns_cw": [NAN, 0.0], "gain_per_turn": [NAN, NAN]},
    ),
    "a struck turn does not count": (struck(seen().turn("throttle", 1 / 24), 3), {"row": []}),
    "a void that is struck has no effect": (struck(seen().turn("throttle", 1 / 24), 3, 4), {"row": [3]}),
}  # fmt: skip


@pytest.mark.parametrize("case", MOVES)
def test_moves_are_told_by_the_settled_readings_around_them(case: str) -> None:
    """Columns of `moves`, beside another job too."""
    told, expected = MOVES[case]
    whole = study.moves(rows_of(turned(seen(), (1 / 24, 8.5)), told)).iloc[1:]
    for name, values in expected.items():
        found = whole[name].astype(object).where(whole[name].notna(), NAN if NAN in values else None)
        assert list(found) == pytest.approx(values, nan_ok=True), name


def test_a_job_is_told_by_its_rows() -> None:
    """Waits kept and broken, overshoots; ended in band only when both rates were read so since the last turn."""
    told = lit().read("high", 9.2).run_at("low").wait(60).read("low", 8.8)
    assert study.jobs(rows_of(told))["ended_in_band"].iloc[0]
    told.turn("offset", 1 / 48)
    assert not study.jobs(rows_of(told))["ended_in_band"].iloc[0]
    told.wait(80).read("low", 8.9).run_at("high").wait(80).read("high", 9.2)
    calm, hasty_one = frames.plain(study.jobs(rows_of(told, hasty())))
    assert calm["ended_in_band"]
    assert (calm["found_low_pct"], calm["left_low_pct"]) == (8.8, 8.9)
    assert (hasty_one["turns_judged"], hasty_one["reversals"]) == (1, 1)
    assert [hasty_one[name] for name in ("waits_kept", "waits_broken", "overshoots", "moves_offset")] == [2, 2, 1, 1]


def test_overshoots_of_a_job_that_nobody_can_judge_are_missing_not_none() -> None:
    """No settled reading on both sides of any turn: how many passed the band is not known. Without a turn it is 0."""
    blind = Told().run_at("high").wait(20).read("high", 8.3).turn("throttle", 1 / 8).wait(10).read("high", 9.2)
    jobs = study.jobs(rows_of(blind, seen(), turned(seen(), (1 / 24, 8.5))))
    assert list(jobs["overshoots"].isna()) == [True, False, False]
    assert list(jobs["overshoots"].iloc[1:]) == [0, 0]
    assert list(jobs["turns_judged"]) == [0, 0, 1]


def test_a_reading_is_told_by_the_rows_before_it() -> None:
    """Minutes, turns so far, whether it is settled, what it says by itself; rows of one moment keep the log's order."""
    told = seen().wait(10).turn("throttle", 1 / 12).wait(15).read("high", 8.4).wait(60).read("high", 10.0, 9000, 0.1)
    read = study.readings(rows_of(told))
    assert list(read["settled"]) == [True, False, False]
    assert list(read["moves"]) == [0, 1, 1]
    assert list(read["found"]) == ["", "", "rich"]
    assert list(read["minutes"]) == pytest.approx([2.0, 2.583, 3.75], abs=0.01)
    told = lit().wait(60).read("high", 9.2)
    told.job.run_at("low", at=moment(180))
    line = timeline(rows_of(told))
    assert [KINDS[kind] for kind in line.kind] == ["firing", "reading", "firing"]
    assert (list(line.firing), list(line.settled)) == ([0, 0, 1], [False, True, False])


def test_after_a_lock_out_the_two_minutes_begin_anew() -> None:
    """No rate while the burner is off; CO alone is no reading of CO2; the same rate lit again is a start."""
    told = seen().run_at("off").wait(5).co(3).run_at("high").wait(40).read("high", 8.0).co(20)
    told.wait(90).read("high", 8.3)
    line, read = timeline(rows_of(told)), study.readings(rows_of(told))
    assert list(line.firing) == [0, 0, -1, -1, 0, 0, 0, 0]
    assert list(read["settled"]) == [True, False, False, False, True]
    assert list(read["firing"]) == ["high", "", "high", "high", "high"]
    assert [row.number for row in told.situation.tracker.settled] == [2, 8]
    assert study.jobs(rows_of(told))["found_high_pct"].iloc[0] == 8.3


def test_settled_is_what_the_adviser_takes_as_waited_for(rows: pd.DataFrame) -> None:
    """A reading that the adviser counts is settled here; here some more are, as lag is not asked."""
    read = study.readings(rows)
    for name, own in list(read[read["settled"]].groupby("job"))[:8]:
        assert {row.number for row in Job.load(name).situation().tracker.settled} <= set(own["row"])


def test_turndown_ranges_leave_no_gap() -> None:
    """Every turndown a job may have lies in the range it is counted in, and the ranges touch."""
    for turndown, name in ((1, "under 4"), (3.9, "under 4"), (4, "4 to 6"), (6, "6 and over"), (20, "6 and over")):
        assert tables.turndown_range(turndown) == name
        low, high = tables.TURNDOWN_RANGES[name]
        assert low <= turndown < high
    assert all(one[1] == two[0] for one, two in pairwise(tables.TURNDOWN_RANGES.values()))


# --- any engine, the same numbers -------------------------------------------------------------------


def assert_same(one: pd.DataFrame, other: pd.DataFrame) -> None:
    """Two tables hold the same, whatever the order of their rows."""
    keys = [name for name in ("job", "row", "screw", "fuel", "valve_family", "quantity") if name in one]
    one, other = (table.sort_values(keys, ignore_index=True) for table in (one, other))
    pd.testing.assert_frame_equal(one, other, rtol=1e-9)


@pytest.mark.parametrize("table", [study.readings, study.moves, study.jobs, study.screws, study.evidence])
def test_one_frame_or_many_give_the_same_numbers(
    table: Callable[[pd.DataFrame], pd.DataFrame], rows: pd.DataFrame
) -> None:
    """Tables of parts, put together, are the table of the whole; so are types of an empty part's columns."""
    parts = [table(rows[rows["job"].isin(some)]) for some in study.whole_jobs(sorted(rows["job"].unique()), 7)]
    assert_same(study.combined(parts) if table is study.evidence else pd.concat(parts), table(rows))
    assert list(table(rows.iloc[:0]).dtypes) == list(table(rows).dtypes)


def test_dask_gives_the_same_numbers(rows: pd.DataFrame) -> None:
    """The same functions through `dask.dataframe.map_partitions`, partitions cut between jobs."""
    import dask
    import dask.dataframe as dd

    parts = [rows[rows["job"].isin(some)] for some in study.whole_jobs(sorted(rows["job"].unique()), 3)]
    with dask.config.set({"dataframe.convert-string": False, "scheduler": "synchronous"}):
        whole = dd.concat([dd.from_pandas(part, npartitions=1, sort=False) for part in parts])
        for table in (study.moves, study.screws, study.evidence):
            mapped = whole.map_partitions(table, meta=table(rows.iloc[:0])).compute()
            assert_same(study.combined([mapped]) if table is study.evidence else mapped, table(rows))


def test_rows_as_pandas_reads_them_from_csv_will_do(rows: pd.DataFrame) -> None:
    """A frame that went through a CSV file (times as text, empty cells as NaN) gives the same tables."""
    again = pd.read_csv(io.StringIO(rows.to_csv(index=False)))
    pd.testing.assert_frame_equal(study.moves(again), study.moves(rows), check_dtype=False)
    one, other = (asked.predictions(frame[frame["job"] == frame["job"].iloc[0]]) for frame in (again, rows))
    pd.testing.assert_frame_equal(one, other)


def test_a_job_goes_whole_into_a_frame_and_back(rows: pd.DataFrame) -> None:
    """Setup and events survive the frame; a part that lacks a job's first row says so instead of guessing its setup."""
    job = Job.load(DEMO / "reversed_screw.csv")
    assert frames.job_setups(rows_of(job))["j0"] == job.setup
    assert frames.job_events(rows_of(job)) == job.events
    with pytest.raises(RangeError, match="A job must not be split between two parts"):
        study.moves(rows.iloc[1:])


# --- odd but valid logs -----------------------------------------------------------------------------


ODD = {
    "probe in plain air": lit().read("high", 0.0, co=0, o2=20.9).wait(60).read("high", 8.9).job,
    "most a display shows": edited(RUN, read_at(120, 25.0, o2=25.0), replace(TURNED, time=moment(130), turns_cw=2.0)),
    "turn before any rate": edited(TURNED, read_at(80, 8.1)),
    "burner off, CO alone": seen().co(60).run_at("off").co(3).wait(5).run_at("high").co(45).job,
    "no row stands": struck(seen(), 2, 1).job,
    "never at the boiler": Told().check("sample line", "tight").job,
    "left overnight": turned(seen(), (1 / 24, 8.9), wait_s=72_000).job,
    "all in one second": edited(TURNED, read_at(0, 8.3), RUN, read_at(-86_400, 8.4)),
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
    predicted, turns = asked.predictions(rows), asked.turns(rows)
    for chance in (predicted["rank"], predicted["chance_in_band"], turns["chance_past_band"]):
        assert chance.between(-1e-9, 1 + 1e-9).all()
    assert report.say_replay("odd", study.replay(job)).startswith("odd: ")
