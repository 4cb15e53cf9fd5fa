"""Odd but valid logs: the study reads them all, and says nothing that is not so."""

import csv
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from replay import BANDS, Told, moment, new_job

from advisor import Job, study
from advisor.log.file import Log
from advisor.study import report


def probe_in_air() -> Job:
    """Plain air on the display, then a reading."""
    return Told().run_at("high").wait(120).read("high", 0.0, co=0, o2=20.9).wait(60).read("high", 8.9).job


def most_a_display_shows() -> Job:
    """The largest figures a log may hold."""
    return Told().run_at("high").wait(120).read("high", 25.0, co=100_000, o2=25.0).turn("throttle", 2.0).job


def turn_before_all() -> Job:
    """A turn before any rate was logged, then a reading that nobody announced."""
    return (
        Told().turn("offset", 1 / 24).wait(5).read("low", 8.1).turn("throttle", -1 / 24).wait(90).read("low", 8.4).job
    )


def all_struck() -> Job:
    """A job of which no row stands."""
    job = Told().run_at("high").wait(120).read("high", 8.1).job
    job.void(2, at=moment(200))
    job.void(1, at=moment(201))
    return job


def only_a_check() -> Job:
    """A job that never got to the boiler."""
    return Told().check("sample line", "tight").job


def two_days() -> Job:
    """Left overnight: what was read the day before is not compared with the day after."""
    told = Told().run_at("high").wait(120).read("high", 8.3).turn("throttle", 1 / 24)
    return told.wait(20 * 3600).read("high", 8.9).wait(90).read("high", 9.2).job


def same_second() -> Job:
    """Everything in one second, logged backwards."""
    job = new_job()
    job.turn("throttle", 1 / 24, at=moment(0))
    job.read("high", 8.3, 6.2, 20, at=moment(0))
    job.run_at("high", at=moment(0))
    job.read("high", 8.4, 6.1, 20, at=moment(0) - timedelta(days=1))
    return job


def there_and_back() -> Job:
    """A screw turned there and back between two readings: no net turn, no gain."""
    told = Told().run_at("high").wait(120).read("high", 8.3).turn("throttle", 1 / 24).wait(5)
    return told.turn("throttle", -1 / 24).wait(90).read("high", 8.3).job


ODD = (
    probe_in_air, most_a_display_shows, turn_before_all, all_struck, only_a_check, two_days, same_second,
    there_and_back,
)  # fmt: skip


def rows_of(*made: Callable[[], Job]) -> pd.DataFrame:
    """Rows of some of these jobs."""
    jobs = [(one.__name__, one()) for one in made]
    return study.rows_frame([(name, Log(job.setup, job.events, ())) for name, job in jobs])


@pytest.mark.parametrize("made", ODD)
def test_an_odd_log_gives_finite_tables(made: Callable[[], Job]) -> None:
    """Every table can be made; each figure in it is a number in its range, or missing."""
    rows = rows_of(made)
    job = study.jobs(rows)
    assert len(job) == 1
    moved, read = study.moves(rows), study.readings(rows)
    assert len(moved) == job["moves"].iloc[0]
    assert len(read) == job["readings"].iloc[0]
    assert not np.isinf(moved.select_dtypes("number").to_numpy()).any()
    assert not np.isinf(read.select_dtypes("number").to_numpy()).any()
    assert np.isfinite(study.evidence(rows)["value"]).all()
    predicted = study.honesty.predictions(rows)
    assert predicted["rank"].between(0, 1).all()
    assert predicted["chance_in_band"].between(-1e-9, 1 + 1e-9).all()
    assert study.honesty.turns(rows)["chance_past_band"].between(-1e-9, 1 + 1e-9).all()
    assert isinstance(report.say_replay("odd", study.replay(made())), str)


def test_what_was_read_yesterday_is_not_compared() -> None:
    """No pair across a night."""
    assert study.moves(rows_of(two_days))["gain_per_turn"].isna().all()


def test_no_net_turn_has_no_gain() -> None:
    """There and back: the pair is kept, its gain is not."""
    moved = study.moves(rows_of(there_and_back)).iloc[-1]
    assert moved["pair_turns_cw"] == pytest.approx(0)
    assert np.isnan(moved["gain_per_turn"])


def test_one_odd_log_does_not_change_the_others() -> None:
    """A job's rows in the tables are the same whatever else is studied."""
    whole, alone = study.moves(rows_of(*ODD)), study.moves(rows_of(two_days))
    pd.testing.assert_frame_equal(whole[whole["job"] == "two_days"].reset_index(drop=True), alone)


def test_no_table_holds_a_formula(tmp_path: Path) -> None:
    """A log's name and its valve family are someone's free text: a spreadsheet must not run them."""
    job = Job.create(tmp_path / "=1+1.csv", fuel="natural gas", bands=BANDS, valve_family="=HYPERLINK(1)")
    job.run_at("high", at=moment(0))
    job.read("high", 8.4, o2_pct=6.0, co_ppm=20, at=moment(180))
    found = study.study([tmp_path / "=1+1.csv"], sample=1)
    report.write(found, report.summary(found), tmp_path / "desk", "one job")
    for name in report.TABLES:
        with (tmp_path / "desk" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        assert not [cell for cell in cells if cell.startswith(("=", "@"))]
    jobs = pd.read_csv(tmp_path / "desk" / "jobs.csv")
    assert jobs["valve_family"].tolist() == ["'=HYPERLINK(1)"]
    assert found.jobs["valve_family"].tolist() == ["=HYPERLINK(1)"]  # in memory it stays as typed
