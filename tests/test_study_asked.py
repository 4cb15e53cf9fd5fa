"""What the fit says of a job's end, and of the turns that the adviser would have refused, against the truth."""

from functools import cache

import fleet
import numpy as np
import pandas as pd
import pytest
from replay import Told
from study_cases import rows_of

from advisor import study
from advisor.study import asked, calibration
from advisor.training.simulated_visit import SimulatedVisit
from advisor.training.strategies import HASTY, Rule

HABITS = {"careful": fleet.CAREFUL, "hasty": HASTY, "lucky": fleet.LUCKY}


@cache
def visits(habit: str, count: int) -> list[SimulatedVisit]:
    rule: Rule = HABITS[habit]
    return [fleet.make_visit(number, 71, fleet.FAMILIES[:1], rule=rule) for number in range(count)]


def truly_in_band(visit: SimulatedVisit) -> bool:
    return visit.in_band("high") and visit.in_band("low")


@pytest.mark.parametrize(("jobs", "within"), [(16, 0.18), pytest.param(400, 0.05, marks=pytest.mark.slow)])
@pytest.mark.parametrize("habit", HABITS)
def test_the_fit_knows_how_many_jobs_ended_in_band(habit: str, jobs: int, within: float) -> None:
    """The mean chance at the end is the share that truly was in band at both rates, however the technician worked.

    `within` is 0.05, and for the small run what chance adds in so few jobs.
    """
    made = visits(habit, jobs)
    chances = asked.ends(rows_of(*(visit.job for visit in made)))["chance_in_band_at_end"]
    assert chances.mean() == pytest.approx(np.mean([truly_in_band(visit) for visit in made]), abs=within)


def test_the_display_flatters_who_takes_the_first_reading_in_band() -> None:
    """Lucky jobs end in band by the display far more often than in truth; the fit does not follow the display."""
    made = [visit for visit in visits("lucky", 16) if visit.job.situation(visit.job.ended).latest("low")]
    rows = rows_of(*(visit.job for visit in made))
    shown = [
        job.situation(job.ended).latest(firing).event for job in (v.job for v in made) for firing in ("high", "low")
    ]
    by_display = np.mean(
        [8.99 <= read.co2_pct <= 9.41 if read.firing == "high" else 8.59 <= read.co2_pct <= 9.01 for read in shown]
    )
    truth = np.mean([truly_in_band(visit) for visit in made])
    fit = asked.ends(rows)["chance_in_band_at_end"].mean()
    assert by_display > 0.95 > truth + 0.15
    assert abs(fit - truth) < by_display - fit


def test_both_rates_together_are_no_surer_than_either() -> None:
    """The chance at both rates lies between that of independent rates and that of the less sure one."""
    told = Told().at("high", 9.2, 9.2).at("low", 8.9, 8.9).at("high", 9.2)
    (row,) = asked.ends(rows_of(told)).itertuples()
    assert row.chance_high * row.chance_low - 0.02 <= row.chance_in_band_at_end <= min(row.chance_high, row.chance_low)
    assert row.chance_in_band_at_end > 0.6
    unread = asked.ends(rows_of(Told().check("sample line", "tight"))).iloc[0]
    assert unread["chance_in_band_at_end"] < 0.1  # nothing but the prior


def test_the_verdict_on_a_turn_is_the_one_may_gives() -> None:
    """A settled small turn is allowed, one on a reading still under way is refused with its reason."""
    told = Told().run_at("high").wait(180).read("high", 8.3).turn("throttle", 1 / 24).wait(20).read("high", 8.5)
    expected = told.may("throttle", 1 / 24)
    found = asked.verdicts(rows_of(told.turn("throttle", 1 / 24)))
    assert list(found["allowed"]) == [True, False]
    assert found["reason"].iloc[1] == expected.why[0].code


def test_refused_turns_are_counted_by_how_they_ended() -> None:
    """Shares are of the turns that the readings around them can judge, the others are counted beside them."""
    verdicts = pd.DataFrame({"job": "j", "row": range(6), "allowed": [True, True, False, False, False, True]})
    verdicts["reason"] = ["may", "may", "wait", "wait", "far-edge", "way-out-undo"]
    moves = pd.DataFrame({"job": "j", "row": range(6)})
    moves["overshot"] = pd.array([False, False, True, None, False, True], dtype="boolean")
    moves["in_band_after"] = pd.array([True, False, False, True, None, False], dtype="boolean")
    allowed, refused, way_out = calibration.refusals(verdicts, moves).to_dict("records")
    assert (allowed["turns"], allowed["judged"], allowed["overshot"], allowed["in_band"]) == (2, 2, 0.0, 0.5)
    assert (refused["turns"], refused["judged"], refused["overshot"], refused["in_band"]) == (3, 2, 0.5, 0.5)
    assert (way_out["turns"], way_out["judged"], way_out["overshot"], way_out["in_band"]) == (1, 1, 1.0, 0.0)


@pytest.mark.slow
def test_allowed_turns_end_better_than_refused_ones_and_hunting_worst() -> None:
    """Turns allowed on their merits pass the band no more often than refused ones; undoing turn after turn does."""
    rows = rows_of(*(fleet.make_visit(number, 77, fleet.FAMILIES[:1]).job for number in range(60)))
    allowed, refused, way_out = calibration.refusals(asked.verdicts(rows), study.moves(rows)).to_dict("records")
    assert min(allowed["judged"], refused["judged"], way_out["judged"]) >= 30
    assert allowed["overshot"] <= refused["overshot"] < way_out["overshot"]


def test_the_score_of_an_expectation_is_the_log_of_its_chance() -> None:
    """What the display showed had a chance; a reading far off had a smaller one."""
    near, far = (
        asked.predictions(rows_of(Told().at("high", 8.3).throttle(1 / 24, shown)))["log_score"].iloc[-1]
        for shown in (8.5, 9.9)
    )
    assert far < near < 0
