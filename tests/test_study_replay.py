"""One job row by row: known, advised, done, cost; on screen and as JSON."""

import json
import math
from pathlib import Path

import pytest
from console import run
from replay import Told, moment
from study_cases import fleet_rows, log_file, one_line, rows_of

from advisor import Job, study
from advisor.study import report


def test_each_row_tells_what_was_known_advised_done_and_its_cost() -> None:
    """Against the advice, too soon, past the band: each row says so; rows as advised cost nothing."""
    told = Told().check("sample line", "tight").run_at("high").wait(150).read("high", 8.3)
    told.turn("throttle", 1 / 8).wait(10).read("high", 9.2).wait(200).read("high", 9.6)
    table = study.replay(told.job)
    assert list(table["done"]) == [
        "changed to high fire", "read high CO2 8.3 %", "turned throttle 45° cw", "read high CO2 9.2 %",
        "read high CO2 9.6 %",
    ]  # fmt: skip
    assert list(table["event"]) == ["firing", "reading", "turn", "reading", "reading"]
    assert list(table["followed"][:3]) == [True, True, False]
    assert (table["action"].iloc[2], table["advised"].iloc[2]) == ("turn", "turn throttle 15° cw")
    assert table["cost"].iloc[2] == "more than advised; passed the band: 8.3 to 9.6 %"
    assert table["cost"].iloc[3] == "read too soon: no turn on it"
    assert table["known_low_pct"].iloc[2] < 8.3 < table["known_high_pct"].iloc[2]
    assert table["took_s"].sum() == pytest.approx(150 + 10 + 10 + 10 + 200)
    assert report.say_replay("j", table).startswith("j: 5 steps in 6.3 min, 2 not as advised, 2 at a cost.")
    assert study.replay(Told().job).empty


@pytest.mark.parametrize(
    ("turns_cw", "ended", "cost"),
    [(1 / 8, 9.6, "; passed the band: 8.3 (read too soon) to 9.6 %"), (1 / 48, 8.2, "")],
)
def test_an_early_turn_that_passes_the_band_is_listed(turns_cw: float, ended: float, cost: str) -> None:
    """Nothing settled was read before it: a band passed is told with what was read; a fall by itself is no cost."""
    told = Told().run_at("high").wait(20).read("high", 8.3).turn("throttle", turns_cw).wait(200).read("high", ended)
    assert study.replay(told.job)["cost"][2] == f"turned without a settled reading{cost}"


def test_replay_and_tables_mean_the_same_by_settled(tmp_path: Path) -> None:
    """A turn that passed the band in the tables did so in the replay, and so with turns made without a settled reading;
    the adviser's longer wait for a slow display is named as such.
    """
    slow = 0
    for path in fleet_rows(40, 1, tmp_path)["job"].unique()[28:32]:
        job = Job.load(path)
        moved = study.moves(rows_of(job)).set_index("row")
        cost = study.replay(job).set_index("row")["cost"][moved.index]
        judged = moved["before_pct"].notna()
        assert list(cost[judged].str.contains("passed the band")) == list(moved.loc[judged, "overshot"]), path
        assert list(cost.str.contains("turned without a settled reading")) == list(~moved["wait_kept"]), path
        slow += int((cost.str.contains("before so slow a display had settled") & moved["overshot"]).sum())
    assert slow > 0  # the adviser's own reckoning would have left these out


def test_what_goes_on_under_one_stop_is_folded() -> None:
    """Readings under the stop of the row before stand together on few lines; a turn against it stands by itself."""
    told = Told().run_at("high").wait(150).read("high", 8.3, co=900)
    for co2 in (8.3, 8.4, 8.3):
        told.wait(20).read("high", co2, co=900)
    told.turn("throttle", 1 / 24).wait(90).read("high", 8.6, co=900).wait(30).read("high", 8.6, co=900)
    text = report.say_replay("j", study.replay(told.job))
    assert max(map(len, text.splitlines())) <= 80
    for said in (
        "to row 5: read high CO2 8.4 %, read high CO2 8.3 %; still stop (high-co)",
        "turned throttle 15° cw; still stop (high-co) known: ",
        "cost: turned against a stop",
        "to row 8: read high CO2 8.6 %, read high CO2 8.6 %; still stop (high-co)",
        "As advised: the turn to 0.1 of a mark, a reading up to 5 s early.",
    ):
        assert said in one_line(text)


def test_replay_says_how_the_job_stands_at_its_end(tmp_path: Path) -> None:
    """It ends as `next` answers first after the last row, on screen and in JSON; a torn row is told on top."""
    rich = Told().run_at("high").wait(150).read("high", 8.3).turn("throttle", 1 / 12).wait(200)
    path = log_file(tmp_path / "rich.csv", rich.read("high", 10.0, co=9000, o2=0.1).job)
    with path.open("a", encoding="utf-8") as file:
        file.write("2026-05-04T11:40:00+00:00,rea")
    top, rows = run(f"advisor study --replay {path}").split(" row  time")
    record = json.loads(run(f"advisor study --replay {path} --json"))
    assert "this line was cut short" in one_line(top)
    assert "cut short" in record["notes"][0]
    assert record["rows"][0]["done"] == "changed to high fire"
    assert record["at_end"].startswith("BURNER OFF AT ONCE. ")
    assert one_line(rows).endswith(f"At the end: {record['at_end']}")
    assert record["at_end"] in one_line(run(f"advisor next {path} --at {moment(rich.now_s).isoformat()}"))
    empty = tmp_path / "empty.csv"
    Job.create(empty, fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)})
    assert "At the end" not in run(f"advisor study --replay {empty}")


def test_a_turn_costs_the_minutes_until_it_is_made_good() -> None:
    """From 0.3 below the centre to 0.6 above it: 0.3 % further, until a settled reading is as near again as before."""
    told = Told().at("high", 8.9).turn("throttle", 1 / 8).wait(150).read("high", 9.8).turn("throttle", -1 / 12)
    told.wait(150).read("high", 9.4).turn("throttle", -1 / 24).wait(150).read("high", 9.2)
    first, back, last = study.replay(told.job).query("event == 'turn'").itertuples()
    assert first.cost_pct == pytest.approx(0.3)
    assert first.cost_min == pytest.approx((150 + 10 + 150) / 60)
    assert (math.isnan(back.cost_min), math.isnan(last.cost_pct)) == (True, True)
    assert "cost: 5.2 min, 0.3 % CO2: " in one_line(report.say_replay("j", study.replay(told.job)))


def test_a_turn_never_made_good_costs_the_rest_of_the_job() -> None:
    """Left further from the centre than it was: the minutes to the job's last row."""
    told = Told().at("high", 9.0).turn("throttle", 1 / 8).wait(150).read("high", 9.8).wait(60).read("high", 9.8)
    assert study.replay(told.job).query("event == 'turn'")["cost_min"].iloc[0] == pytest.approx((150 + 10 + 60) / 60)


def test_a_refused_turn_names_the_one_that_would_have_been_allowed() -> None:
    """Over the cap on a settled reading: a smaller turn of whole marks; on one under way: none, what to do."""
    told = Told().at("high", 8.3)
    large, early = told.turn("throttle", 1 / 4).wait(10).read("high", 8.9).turn("throttle", 1 / 24).job, told.may
    table = study.replay(large).query("event == 'turn'")
    words = table["allowed"].iloc[0].split(" cw ")
    assert words[1] == "would have been allowed"
    allowed = {"15°": 1 / 24, "30°": 1 / 12, "45°": 1 / 8}[words[0]]
    assert Told().at("high", 8.3).may("throttle", allowed).allowed
    assert not Told().at("high", 8.3).may("throttle", allowed + 1 / 24).allowed
    assert table["allowed"].iloc[1].startswith("no turn this way would have been allowed; advised: wait ")
    assert not early("throttle", 1 / 24).allowed
    fine = Told().at("high", 8.3).turn("throttle", 1 / 24)
    assert list(study.replay(fine.job)["allowed"]) == ["", "", ""]
