"""Past advice asked anew: as the adviser stated it at that moment, held against what came, and counted."""

import numpy as np
import pandas as pd
import pytest
from replay import Told, moment
from study_cases import demo, rows_of

from advisor import study
from advisor.study import asked, calibration
from advisor.wording.findings import FINDINGS


def settled_high(co2: float = 8.3, **setup: object) -> Told:
    return Told(**setup).run_at("high").wait(150).read("high", co2)


def test_what_was_expected_does_not_know_what_came() -> None:
    """A different last reading leaves every expectation as it was; only whether it held changes."""
    one, two = (
        asked.predictions(rows_of(settled_high().turn("throttle", 1 / 12).wait(80).read("high", last)))
        for last in (8.6, 9.9)
    )
    expected = ["expect_pct", "low_pct", "high_pct"]
    pd.testing.assert_frame_equal(one[expected], two[expected])
    assert list(one["covered"]) == [True, True]
    assert list(two["covered"]) == [True, False]
    assert two["rank"].iloc[1] > 0.95 > one["rank"].iloc[1]


def test_the_expectation_is_the_one_next_gives() -> None:
    """Where `next` says read, its range is the range held against the reading."""
    told = settled_high().turn("throttle", 1 / 24).wait(140)
    advice = told.job.next(moment(told.now_s - 0.001))
    assert advice.action == "read"
    found = asked.predictions(rows_of(told.read("high", 8.5))).iloc[-1]
    stated = advice.expect_low_pct, advice.expect_high_pct
    assert (found["low_pct"], found["high_pct"]) == pytest.approx(stated, abs=1e-3)
    assert found["kind"] == "after a turn"


def test_chances_of_a_turn_are_the_ones_may_gives() -> None:
    """Chances held against a turn are those `may` states for it."""
    told = settled_high()
    verdict = told.may("throttle", 1 / 8)
    found = asked.turns(rows_of(told.turn("throttle", 1 / 8).wait(200).read("high", 9.6))).iloc[0]
    assert found["chance_in_band"] == pytest.approx(verdict.chance_in_band, abs=0.02)
    assert found["chance_past_band"] == pytest.approx(verdict.chance_past_band, abs=0.02)
    assert (found["past_band"], found["in_band"]) == (True, False)


def test_a_turn_begun_beyond_the_edge_cannot_pass_it() -> None:
    """Turned on from beyond the far edge: beyond after it, no overshoot in the tables, not held against a chance."""
    told = settled_high(9.6).turn("throttle", 1 / 24).wait(200).read("high", 9.8)
    for turn, co2 in ((-1 / 12, 9.2), (1 / 24, 9.6)):
        told.turn("throttle", turn).wait(200).read("high", co2)
    found, moved = asked.turns(rows_of(told)), study.moves(rows_of(told))
    assert list(found["row"]) == list(moved["row"])
    assert list(found["past_band"]) == [True, False, True]
    assert list(found["began_past"]) == [True, False, False]
    assert list(moved["overshot"]) == list(found["past_band"] & ~found["began_past"])
    assert calibration.reliability(found, "passing")["count"].sum() == 2


def test_a_turn_is_held_against_what_the_display_would_show() -> None:
    """A display in steps widens the band by half a step: its chance of being in band is the larger, and is counted."""
    told = settled_high(8.8, bands={"high": (9.1, 9.2), "low": (8.6, 9.0)}).wait(10).read("high", 8.8)
    found = asked.turns(rows_of(told.turn("throttle", 1 / 24).wait(200).read("high", 9.1))).iloc[0]
    assert found["in_band"]
    assert 1.4 < found["shown_chance_in_band"] / found["chance_in_band"] < 3  # 0.2 % wide on display, 0.1 % in truth
    assert found["shown_chance_past_band"] < found["chance_past_band"]
    table = pd.DataFrame([found] * 12)
    assert calibration.reliability(table, "turns")["stated"].iloc[0] == pytest.approx(found["shown_chance_in_band"])
    assert calibration.reliability(table, "passing")["stated"].iloc[0] == pytest.approx(found["shown_chance_past_band"])


def test_findings_are_the_advisers_with_their_screw_rate_and_meaning() -> None:
    """At the end of each job, what `Job.findings` says: codes of the one table of findings, of a screw or a rate."""
    found = demo().findings.set_index("code")
    assert set(found.index) <= set(FINDINGS)
    assert {"wrong-way", "air-in-sample"} <= set(found.index[found["severity"] == "halt"])
    assert found.loc["wrong-way", "screw"] == "throttle"
    assert found.loc["air-in-sample", "firing"] == "low"
    told = settled_high(9.2).wait(10).read("high", 9.2, co=900)
    (high_co,) = (finding for finding in told.next().findings if finding.code == "high-co")
    found = asked.findings(rows_of(told)).set_index("code")
    assert (found.loc["high-co", "firing"], found.loc["high-co", "text"]) == ("high", high_co.text)


def test_a_share_over_jobs_has_the_error_of_jobs() -> None:
    """Alike readings within a job count as one: the error is that of the jobs, not of the readings."""
    jobs = pd.Series(np.repeat(np.arange(100), 10))
    p, error = calibration.share(pd.Series(np.repeat(np.arange(100) < 80, 10)), jobs)
    assert p == pytest.approx(0.8)
    assert error == pytest.approx(1.96 * (0.8 * 0.2 / 99) ** 0.5, rel=0.01)
    assert calibration.share(pd.Series([True] * 5), pd.Series([1] * 5))[1] > 0.2  # never certain on few
    assert np.isnan(calibration.share(pd.Series([], dtype=bool), pd.Series([], dtype=int))[0])


def test_reliability_sees_overconfidence() -> None:
    """Chances as stated lie on the diagonal within their errors; chances twice as bold do not."""
    rng = np.random.default_rng(1)
    chance = rng.uniform(0, 1, 4000)
    table = pd.DataFrame({"job": np.arange(4000), "chance_in_band": chance, "in_band": rng.uniform(size=4000) < chance})
    as_stated = calibration.reliability(table)
    assert (np.abs(as_stated["stated"] - as_stated["observed"]) < 1.5 * as_stated["error"]).all()
    assert as_stated["count"].sum() == 4000
    bold = calibration.reliability(table.assign(chance_in_band=chance**3))
    assert (np.abs(bold["stated"] - bold["observed"]) > 2 * bold["error"]).sum() >= 6


def test_thin_classes_of_chances_are_put_together() -> None:
    """No case is left out: a class of under ten goes to the neighbour whose chances are nearest."""
    chance = np.repeat([0.02, 0.15, 0.25, 0.85, 0.97], [500, 8, 3, 4, 12])
    table = pd.DataFrame({"job": np.arange(chance.size), "chance_in_band": chance, "in_band": chance > 0.2})
    found = calibration.reliability(table)
    assert list(found["count"]) == [500, 11, 16]
    assert list(found["stated"]) == pytest.approx([0.02, (8 * 0.15 + 3 * 0.25) / 11, (4 * 0.85 + 12 * 0.97) / 16])
    assert list(found["observed"]) == pytest.approx([0, 3 / 11, 1])
    assert list(calibration.reliability(table.iloc[504:512])["count"]) == [8]
    assert calibration.reliability(table.iloc[:0]).empty


def test_a_sample_is_drawn_by_its_seed() -> None:
    """The same seed draws the same jobs, another one others; a small fleet is taken whole; none when none is asked."""
    names = [f"j{n:03d}" for n in range(200)]
    drawn = asked.drawn(names, 20, 1)
    assert drawn == asked.drawn(names[::-1], 20, 1) != asked.drawn(names, 20, 2)
    assert len(set(drawn)) == 20
    assert asked.drawn(names[:5], 20, 1) == names[:5]
    assert asked.drawn(names, 0, 1) == []


def cases(stated: np.ndarray, true: np.ndarray, seed: int = 2) -> pd.DataFrame:
    """Readings of 100 jobs that were stated to be in band with one chance, and were with another."""
    happened = np.random.default_rng(seed).uniform(size=stated.size) < true
    kinds = np.array(asked.KINDS)[np.arange(stated.size) % 3]
    return pd.DataFrame(
        {"job": np.arange(stated.size) % 100, "kind": kinds, "chance_in_band": stated, "in_band": happened}
    )


CHANCES = np.random.default_rng(3).uniform(0.05, 0.95, 6000)


@pytest.mark.parametrize(
    ("true", "verdict"),
    [
        (CHANCES, calibration.AS_STATED),
        (CHANCES + 0.04 * (1 - CHANCES) + 0.01, "a little too cautious"),
        (CHANCES + 0.3 * (1 - CHANCES), "too cautious"),
        (0.94 * CHANCES, "a little too bold"),
        (0.7 * CHANCES, "too bold"),
        (0.5 + 0.6 * (CHANCES - 0.5), "too sure at both ends"),
        (np.clip(0.5 + 1.4 * (CHANCES - 0.5), 0, 1), "too unsure at both ends"),
    ],
)  # fmt: skip
def test_a_verdict_has_a_direction(true: np.ndarray, verdict: str) -> None:
    """Chances that are right, too low, too high, or too far from or too near the middle, are called so."""
    table = calibration.judged(cases(CHANCES, true)).set_index("kind")
    assert table.loc["all", "verdict"] == verdict
    assert list(table.index) == ["all", *asked.KINDS]
    assert table["cases"].iloc[0] == table["cases"].iloc[1:].sum() == 6000


def test_more_overshoots_than_stated_are_bold_and_fewer_cautious() -> None:
    """Of the chance to pass the band less is better, other than of the chance to end in it."""
    stated = np.full(4000, 0.1)
    for true, verdict in ((0.05, "a little too cautious"), (0.2, "too bold")):
        table = cases(stated, np.full(4000, true)).rename(columns={"in_band": "past_band"})
        table = table.assign(shown_chance_past_band=stated, began_past=False, screw="offset").drop(columns="kind")
        assert calibration.judged(table, "passing")["verdict"].iloc[0] == verdict


def test_the_joint_test_is_right_as_often_as_it_says() -> None:
    """Of 400 sets of chances that are as stated the one test calls about one in twenty off (binomial, 3 sd)."""
    rng = np.random.default_rng(4)
    off = 0
    for _ in range(400):
        stated = rng.beta(0.6, 1.2, 300)
        off += calibration.joint_test(stated, (rng.uniform(size=300) < stated).astype(float))[1] < 0.05
    assert 0.05 - 0.033 <= off / 400 <= 0.05 + 0.033


def test_the_range_is_judged_by_kind() -> None:
    """Ranges that hold more often than nine times in ten are too cautious, less often too bold."""
    kinds = np.repeat(asked.KINDS, 400)
    covered = np.random.default_rng(5).uniform(size=1200) < np.repeat([0.97, 0.9, 0.8], 400)
    found = pd.DataFrame({"job": np.arange(1200) % 60, "kind": kinds, "covered": covered})
    table = calibration.judged(found, "range").set_index("kind")["verdict"]
    assert [table[kind] for kind in asked.KINDS] == ["too cautious", calibration.AS_STATED, "too bold"]


def test_too_few_cases_are_not_judged() -> None:
    """Few readings, or readings of few jobs, get no verdict; an empty table none either."""
    few = cases(np.full(20, 0.5), np.full(20, 0.9))
    one_job = cases(np.full(200, 0.5), np.full(200, 0.9)).assign(job="j")
    for table in (few, one_job, few.iloc[:0]):
        assert set(calibration.judged(table)["verdict"]) == {calibration.TOO_FEW}
