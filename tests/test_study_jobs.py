"""Which jobs to open, where their time goes, how they differ by month, site and analyser."""

import fleet
import numpy as np
import pandas as pd
import pytest
from replay import Told, moment
from study_cases import rows_of

from advisor import study
from advisor.study.time_spent import SPENT
from advisor.study.trends import FEWEST_JOBS
from advisor.study.worst import most_overshoots
from advisor.training.strategies import HASTY

HALF_YEAR = pd.date_range("2026-01-01", periods=240, freq="18h", tz="UTC")


def spent(told: Told) -> dict[str, float]:
    """Minutes of one job by where they went, those that are not 0."""
    (row,) = study.time_spent(rows_of(told)).to_dict("records")
    return {name: round(row[f"{name}_min"] * 60) for name in SPENT if row[f"{name}_min"]} | {
        "turns": row["extra_turns"]
    }


@pytest.mark.parametrize(
    ("told", "seconds"),
    [
        (Told().at("high", 8.3), {"preparing": 180, "turns": 0}),
        (
            Told().check("sample line", "tight").wait(300).at("high", 8.3, 8.3),
            {"preparing": 480, "rereading": 10, "turns": 0},
        ),
        (
            Told().at("high", 8.3).turn("throttle", 1 / 12).wait(15).read("high", 8.6).wait(60).read("high", 8.7),
            {"preparing": 180, "turning": 10, "waiting": 85, "turns": 0},
        ),
        (
            Told().at("high", 9.2).run_at("low").wait(70).read("low", 8.8),
            {"preparing": 180, "changing": 80, "turns": 0},
        ),
        (
            Told().at("high", 8.9).throttle(1 / 24, 9.2).throttle(-1 / 24, 8.9).throttle(1 / 24, 9.2),
            {"preparing": 180, "turning": 10, "waiting": 150, "extra_turns": 320, "turns": 2},
        ),
        (
            Told().at("high", 8.3).wait(8 * 3600).read("high", 8.3),
            {"preparing": 180, "away": 8 * 3600 + 10, "turns": 0},
        ),
        (Told().check("sample line", "tight"), {"turns": 0}),
    ],
)  # fmt: skip
def test_every_minute_went_somewhere(told: Told, seconds: dict[str, float]) -> None:
    """From a job's first row to its last: each row's time is booked once, extra turns take their share of the waits."""
    found = spent(told)
    assert found == seconds
    times = [row.event.time for row in told.job.rows()]
    assert sum(value for name, value in found.items() if name != "turns") == (times[-1] - times[0]).total_seconds()


def test_small_steps_are_extra_turns() -> None:
    """Four twenty-fourths one way, where two twelfths would have done within the cap: two extra."""
    told = Told().at("high", 8.1)
    for co2 in (8.3, 8.5, 8.7, 8.9):
        told.throttle(1 / 24, co2)
    cap = told.job.setup.cap_turns["throttle"]
    assert spent(told)["turns"] == 4 - int(np.ceil(4 / 24 / cap - 1e-6)) == 2


def test_no_minute_is_lost_in_a_fleet() -> None:
    """Over whole jobs of all habits the parts add up to the job's minutes, job by job, in any mix of jobs."""
    rows = rows_of(*(fleet.make_visit(number, 3).job for number in range(12)))
    table, minutes = study.time_spent(rows), study.jobs(rows)["minutes"]
    assert table[[f"{name}_min" for name in SPENT]].sum(axis=1).to_numpy() == pytest.approx(minutes.to_numpy())
    alone = study.time_spent(rows[rows["job"] == "j7"])
    pd.testing.assert_frame_equal(table[table["job"] == "j7"].reset_index(drop=True), alone)


def hunting() -> Told:
    told = Told().at("high", 8.9)
    for turn, co2 in ((1 / 12, 9.6), (-1 / 12, 8.9), (1 / 12, 9.6), (-1 / 24, 9.2)):
        told.throttle(turn, co2)
    return told.at("low", 8.8).at("high", 9.2)


def test_the_worst_jobs_are_named_with_what_speaks_against_them() -> None:
    """Hunting and overshoots before a turn that nobody can judge; a job without trouble is not named."""
    calm = Told().at("high", 9.2).at("low", 8.8)
    blind = Told().at("high", 9.2).at("low", 8.6).turn("offset", 1 / 48).wait(10).read("low", 8.8)
    table = study.worst(study.jobs(rows_of(calm, blind, hunting())))
    assert list(table["job"]) == ["j2", "j1"]
    why = table.set_index("job")["why"]
    assert why["j2"].startswith("3 overshoots; hunting: 3 turns back")
    assert why["j1"] == "ended out of band or not read; 1 turn nobody can judge"
    assert len(study.worst(study.jobs(rows_of(hunting(), hunting(), hunting())), most=2)) == 2


def test_the_fit_says_who_ended_out_of_band_where_it_was_asked() -> None:
    """A display in band at the end does not clear a job of which the fit is sure that it is not."""
    jobs = study.jobs(rows_of(Told().at("high", 9.2).at("low", 8.8))).assign(chance_in_band_at_end=[0.2])
    assert list(study.worst(jobs)["why"]) == ["in band at the end: 20 %"]


@pytest.mark.parametrize(
    ("overshoots", "jobs"),
    [([0, 0], 0), ([4, 0, 0], 1), ([3, 1, 0], 1), ([1, 1, 1, 1], 3), ([None, 2, None], 1), ([], 0)],
)
def test_few_jobs_make_most_overshoots(overshoots: list[int | None], jobs: int) -> None:
    """The fewest jobs that together made three quarters; what nobody can judge is none."""
    assert most_overshoots(pd.DataFrame({"overshoots": pd.array(overshoots, dtype="Int64")})) == jobs


def job_table(offsets: np.ndarray, analyser: np.ndarray, **columns: object) -> pd.DataFrame:
    """A table of jobs over half a year, found so far off the bands' centres."""
    size = len(offsets)
    table = {
        "start": HALF_YEAR[:size], "analyser": analyser, "practice": False, "site": "here", "minutes": 12.0,
        "moves": 4, "overshoots": pd.array([0] * size, dtype="Int64"), "ended_in_band": True,
        "chance_in_band_at_end": 0.9, "found_offset_pct": offsets, "off_line_pct": 0.0,
    }  # fmt: skip
    return pd.DataFrame({**table, **columns})


def test_a_drifting_analyser_shows_and_the_season_does_not() -> None:
    """One of four drifts by 0.3 % CO2 a month as boilers are found; what all share, such as the gas, is no drift."""
    rng = np.random.default_rng(6)
    names, month = np.array(list("ABCD") * 60), np.arange(240) * 18 / 24 / 30.44
    season = 0.5 * rng.normal(size=240) + 0.15 * month
    drifting = study.analysers(job_table(season + np.where(names == "B", 0.3 * month, 0.0), names))
    assert list(drifting["analyser"][drifting["drifts"]]) == ["B"]
    b = drifting.set_index("analyser").loc["B"]
    assert abs(b["drift_pct_per_month"] - 0.3) < b["drift_error"] + 0.1
    assert not study.analysers(job_table(season, names))["drifts"].any()
    line = study.analysers(job_table(season, names, off_line_pct=np.where(names == "C", 0.05 * month, 0.0)))
    assert list(line["analyser"][line["drifts"]]) == ["C"]
    few = FEWEST_JOBS - 1
    assert study.analysers(job_table(season[:few], np.repeat("A", few))).empty


def test_analysers_that_are_sound_are_seldom_called_drifting() -> None:
    """A hundred fleets of five sound analysers: one called so in at most one fleet in twenty."""
    rng, called = np.random.default_rng(7), 0
    for _ in range(100):
        called += study.analysers(job_table(0.8 * rng.normal(size=240), rng.choice(list("ABCDE"), 240)))["drifts"].any()
    assert called <= 5


@pytest.mark.slow
def test_an_analyser_that_drifts_by_a_known_amount_is_found() -> None:
    """Analyser C of the invented fleet shows 1.2 % CO2 more at the year's end; its slope is that, within its error."""
    made = [
        fleet.make_visit(number, 8, fleet.FAMILIES[:1], rule=HASTY, drift_pct_per_year={"invented analyser C": 1.2})
        for number in range(500)
    ]
    table = study.analysers(study.jobs(rows_of(*(visit.job for visit in made)))).set_index("analyser")
    assert list(table.index[table["drifts"]]) == ["invented analyser C"]
    drift = table.loc["invented analyser C"]
    assert drift["drift_pct_per_month"] == pytest.approx(0.1, abs=drift["drift_error"])


def test_trends_are_by_month_site_and_analyser() -> None:
    """Each group's jobs, in order; shares are of the jobs that can be judged; practice is left out."""
    table = job_table(
        np.linspace(-0.2, 0.2, 80), np.repeat(["A", "B"], 40), site=np.tile(["north", "south"], 40),
        overshoots=pd.array([1, None] * 40, dtype="Int64"),
    )  # fmt: skip
    by_month = study.trend(table, "month")
    assert list(by_month["group"]) == ["2026-01", "2026-02", "2026-03"]
    assert by_month["jobs"].sum() == 80
    assert by_month["found_offset_pct"].is_monotonic_increasing
    by_site = study.trend(table, "site").set_index("group")
    assert by_site.loc["north", "overshot"] == 1
    assert np.isnan(by_site.loc["south", "overshot"])
    assert list(study.trend(table.assign(practice=table["analyser"] == "A"), "analyser")["group"]) == ["B"]


def test_a_job_says_when_where_and_with_what() -> None:
    """Start, site, analyser, bands and marks are those of its log."""
    told = Told(site="12 Mill Lane (invented)", analyser="bench 4", mark_turns={"offset": 1 / 48, "throttle": 1 / 24})
    (job,) = study.jobs(rows_of(told.at("high", 8.9))).to_dict("records")
    assert (job["start"], job["site"], job["analyser"]) == (
        pd.Timestamp(moment(0)),
        "12 Mill Lane (invented)",
        "bench 4",
    )
    assert [job[f"{end}_pct"] for end in ("high_from", "high_to", "low_from", "low_to")] == [9.0, 9.4, 8.6, 9.0]
    assert (job["mark_offset_turns"], job["mark_throttle_turns"]) == (1 / 48, 1 / 24)
    assert job["found_offset_pct"] == pytest.approx(-0.3)
    assert abs(job["off_line_pct"]) < 0.05
