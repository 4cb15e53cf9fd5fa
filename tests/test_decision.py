"""The decision: what it must never do, whatever was logged, and what it does on plain jobs."""

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from replay import Told, at_high, moment

from advisor.decision import Advice
from advisor.history import clockwise_item
from advisor.model import SCREW_FOR
from advisor.rate import Rate

co2 = st.integers(70, 112).map(lambda tenths: tenths / 10)
entries = st.one_of(
    st.tuples(st.just("read"), co2, st.sampled_from([5, 40, 80, 150, 300])),
    st.tuples(st.just("turn"), st.sampled_from([-6, -3, -2, -1, 1, 2, 3, 6]), st.sampled_from([1, 10, 200])),
    st.tuples(st.just("run_at"), st.sampled_from(["high", "low"]), st.sampled_from([5, 40, 200])),
)
facts = st.fixed_dictionaries(
    {},
    optional={
        "cap_turns": st.sampled_from([{"offset": 1 / 24, "throttle": 1 / 24}, {"offset": 1 / 16}]),
        "clockwise": st.sampled_from([{"offset": "leaner"}, {"throttle": "leaner"}, {"throttle": "unknown"}]),
        "overshoot_chance": st.sampled_from([0.01, 0.2]),
        "travel_limit_turns": st.sampled_from([{"offset": 1 / 8, "throttle": 1 / 8}]),
    },
)


def told(entered: list[tuple[str, Any, int]], stated: dict[str, Any]) -> Told:
    """A job with these entries, the screw turned being the one of the rate, or the other one on long turns."""
    job = Told(**stated).run_at("high").wait(150)
    firing = "high"
    for kind, what, wait_s in entered:
        job.wait(wait_s)
        if kind == "read":
            job.read(firing, what)
        elif kind == "turn":
            job.turn(SCREW_FOR[firing], what / 24)
        else:
            firing = what
            job.run_at(firing)
    return job


@settings(max_examples=120, deadline=None, derandomize=True)
@given(st.lists(entries, max_size=9), facts, st.sampled_from([0, 30, 120]))
def test_invariants(entered: list[tuple[str, Any, int]], stated: dict[str, Any], later_s: int) -> None:
    """Never above the cap, never while unsettled or halted, never likely past the edge, never the wrong way."""
    job = told(entered, stated).wait(later_s)
    advice = job.next()
    halted = any(finding.severity == "halt" for finding in advice.findings)
    assert (advice.action == "halt") == halted
    visit = job.job.visit(moment(job.now_s))
    if advice.action == "turn":
        assert advice.screw is not None
        assert advice.turns_cw is not None
        limits = visit.facts
        assert 0 < abs(advice.turns_cw) <= limits.cap_turns[advice.screw] + 1e-9
        assert advice.chance_past_band is not None
        assert advice.chance_past_band <= limits.overshoot_chance
        assert visit.settled_readings(str(advice.firing), visit.changed_at_s)
        net = sum(e.turns_cw or 0 for e in job.job.events if e.screw == advice.screw) + advice.turns_cw
        assert abs(net) <= limits.travel_limit_turns[advice.screw] + 1e-9
        assert advice.wait_s is not None
        assert advice.wait_s >= limits.min_wait_s[advice.screw] - 1e-6
        _toward_the_centre(Rate(visit, str(advice.firing)), advice)
    for screw in ("offset", "throttle"):
        for turns in (-1 / 4, -1 / 12, -1 / 24, 1 / 24, 1 / 12, 1 / 4):
            _may_is_no_laxer(job, advice, screw, turns)


def _toward_the_centre(rate: Rate, advice: Advice) -> None:
    """The advised turn moves the expected value toward the centre, where it is known which way the screw works."""
    if not rate.direction_sure:
        return
    centre = sum(rate.edges) / 2
    there = rate.moves([advice.turns_cw or 0.0])[0].forecast.mean
    here = rate.now.forecast.mean
    assert (there - here) * (centre - here) > 0


def _may_is_no_laxer(job: Told, advice: Advice, screw: str, turns: float) -> None:
    verdict = job.may(screw, turns)
    assert verdict.reasons
    if verdict.allowed:
        assert advice.action == "turn"
        assert screw == advice.screw
        assert abs(turns) <= job.job.facts.cap_turns[screw] + 1e-9
        assert verdict.chance_past_band is not None
        assert verdict.chance_past_band <= job.job.facts.overshoot_chance


def test_what_next_advises_may_allows() -> None:
    """The turn that is advised is allowed when asked about."""
    job = at_high()
    advice = job.next()
    assert job.may(str(advice.screw), advice.turns_cw or 0).allowed


@pytest.mark.parametrize(
    ("screw", "turns", "reason"),
    [
        ("throttle", 1 / 4, "1/4 turn is more than the cap of 1/8 turn a move."),
        ("throttle", 1 / 8, "This screw has not been tried yet: first move 1/16 turn at most, then read."),
        ("throttle", -1 / 24, "It would take CO2 further from the middle of the band, not nearer."),
        ("offset", 1 / 24, "The offset screw is set at low fire; the boiler runs at high fire."),
    ],
)
def test_a_refusal_says_the_one_reason_that_matters(screw: str, turns: float, reason: str) -> None:
    """Each rule that refuses a turn has its own sentence."""
    verdict = at_high().may(screw, turns)
    assert not verdict.allowed
    assert verdict.reasons[0] == reason


def test_a_turn_that_may_pass_the_far_edge_is_refused() -> None:
    """Near the band with a gain that is poorly known, a whole mark is refused by its chance."""
    verdict = at_high(8.9).turn("throttle", 1 / 96).wait(150).read("high", 8.95).may("throttle", 1 / 8)
    assert not verdict.allowed
    assert verdict.reasons[0].startswith("It may pass the far edge of the band: ")


def test_no_turn_while_unsettled() -> None:
    """Right after a turn the answer is to wait, and no turn is allowed."""
    job = at_high().turn("throttle", 1 / 24).wait(5)
    assert job.next().action == "wait"
    assert job.may("throttle", 1 / 24).reasons[0].startswith("Not settled: wait ")


def test_no_turn_without_a_reading() -> None:
    """Settled but not read: read first."""
    job = at_high().turn("throttle", 1 / 24).wait(400)
    assert job.next().action == "read"
    assert job.may("throttle", 1 / 24).reasons[0] == "Take a reading first."


def test_no_turn_where_the_rate_holds() -> None:
    """In band with certainty there is nothing to turn."""
    job = at_high(9.2)
    assert job.next().action == "run_at"
    assert job.may("throttle", 1 / 24).reasons[0] == "No turn is needed here."


def test_near_an_edge_it_asks_for_another_reading() -> None:
    """One rounded reading on the edge is not enough to be done, nor reason enough to turn."""
    advice = at_high(9.0).next()
    assert advice.action == "read"
    assert advice.reasons[0].startswith("Near an edge: ")


def test_the_first_move_is_smaller_than_later_ones() -> None:
    """With a gain that is poorly known, at most half the cap; once it has been read, up to the cap."""
    job = at_high_with_low_seen(7.4, low=7.8)
    first = abs(job.next().turns_cw or 0)
    assert first <= 1 / 16
    for co2 in (7.6, 7.8):
        job.turn("throttle", 1 / 24).wait(150).read("high", co2)
    assert abs(job.next().turns_cw or 0) > first


def test_half_marks_only_where_whole_ones_will_not_do() -> None:
    """Far from the band whole marks are advised; just outside it, with a lively screw, a half or a quarter."""
    far = at_high(8.0).next().turns_cw or 0
    assert math.isclose(far * 24, round(far * 24), abs_tol=1e-9)
    near = at_high(9.0, bands={"high": (9.1, 9.3), "low": (8.7, 8.9)}).next()
    assert near.action == "turn"
    assert abs(near.turns_cw or 0) < 1 / 24


def at_high_with_low_seen(high: float, low: float = 8.3) -> Told:
    """A job read at low and then at high fire, no screw turned yet."""
    return Told().run_at("low").wait(180).read("low", low).run_at("high").wait(180).read("high", high)


def test_low_fire_is_looked_at_before_the_throttle_goes_far_richer() -> None:
    """The throttle moves both rates: with low fire never read, the second turn richer waits for a look at it."""
    job = at_high(8.0)
    assert job.next().action == "turn"  # a small first one is no danger
    job.turn("throttle", 1 / 16).wait(150).read("high", 8.2)
    advice = job.next()
    assert (advice.action, advice.firing) == ("run_at", "low")
    assert "low fire has not been read yet" in advice.reasons[0]
    refused = job.may("throttle", 1 / 8)
    assert not refused.allowed
    assert "low fire has not been read yet" in refused.reasons[0]
    job.run_at("low").wait(150).read("low", 8.4)
    assert (job.next().action, job.next().firing) == ("run_at", "high")
    job.run_at("high").wait(150).read("high", 8.2)
    assert job.next().action == "turn"


def test_a_rich_low_fire_is_set_leaner_before_the_throttle_goes_richer() -> None:
    """High fire 1.2 % too lean over a low fire at 10.4 %: the way to the band would take low fire to CO."""
    job = at_high_with_low_seen(8.0, low=10.4).turn("throttle", 1 / 24).wait(150).read("high", 8.2)
    advice = job.next()
    assert (advice.action, advice.firing) == ("run_at", "low")
    assert "low fire leaner first" in advice.reasons[0]
    job.run_at("low").wait(150).read("low", 10.6)
    for co2 in (10.3, 9.7, 8.8):
        advice = job.next()
        assert (advice.action, advice.screw) == ("turn", "offset")
        assert (advice.turns_cw or 0) < 0
        job.turn("offset", advice.turns_cw or 0).wait(150).read("low", co2)
    assert (job.next().action, job.next().firing) == ("run_at", "high")


def test_where_low_fire_can_be_set_no_leaner_it_says_so() -> None:
    """Low fire next to the rich side with the offset at its travel limit, high fire far too lean: stop, and say why."""
    job = (
        Told(travel_limit_turns={"offset": 1 / 24, "throttle": 1.0}, cap_turns={"offset": 1 / 24})
        .run_at("low")
        .wait(180)
        .read("low", 10.6)
    )
    job.turn("offset", -1 / 24).wait(150).read("low", 10.4).run_at("high").wait(150).read("high", 8.0)
    job.turn("throttle", 1 / 24).wait(150).read("high", 8.2).run_at("low").wait(150).read("low", 10.6, co=250.0)
    assert (job.next().action, job.next().firing) == ("run_at", "high")
    for _ in range(6):
        job.run_at("high").wait(150).read("high", 8.2)
    advice = job.next()
    assert advice.action == "halt"
    assert advice.findings[0].code == "low-rich"


def test_the_wait_gets_shorter_once_the_boiler_has_shown_that_it_is_quick() -> None:
    """Readings on the way that show the end value already shorten the waits that follow."""
    told = at_high_with_low_seen(8.0)
    slow = told.turn("throttle", 1 / 8).next().wait_s or 0
    for _ in range(3):
        told.wait(20).read("high", 8.6)
    full = told.wait(120).read("high", 8.6)
    quick = full.next()
    assert quick.action == "turn"
    wide = at_high_with_low_seen(8.0).turn("throttle", 1 / 8).wait(150).read("high", 8.6).next()
    assert slow >= 60
    assert (quick.wait_s or 0) <= (wide.wait_s or 0)


def test_while_the_direction_is_in_doubt_one_mark_the_likelier_way() -> None:
    """After a result against expectation neither `next` nor `may` goes further than a mark, nor the less likely way."""
    job = at_high(8.5).turn("throttle", 1 / 24).wait(150).read("high", 8.4)
    advice = job.next()
    assert advice.action in ("turn", "read", "halt")
    for turns in (-1 / 8, 1 / 8):
        assert not job.may("throttle", turns).allowed
    unknown = at_high(8.3, clockwise={"throttle": "unknown"}).turn("throttle", 1 / 24).wait(150).read("high", 8.2)
    response = unknown.job.response("throttle", at=moment(unknown.now_s))
    turned = unknown.next().turns_cw
    assert response.chance_reversed > 0.5
    assert turned is not None
    assert turned < 0


def test_in_doubt_about_the_direction_co_bars_both_ways() -> None:
    """With CO above half its limit a screw whose direction is not known is not turned at all."""
    job = at_high(9.9, clockwise={"throttle": "unknown"}).read("high", 9.9, 280)
    assert job.next().action != "turn"
    assert not job.may("throttle", 1 / 24).allowed
    assert not job.may("throttle", -1 / 24).allowed
    for _ in range(6):
        job.read("high", 9.9, 280)
    stuck = job.next()
    assert stuck.action == "halt"
    assert "nobody knows yet which way the throttle screw makes it leaner" in stuck.findings[0].text
    job.check(clockwise_item("throttle"), "richer")
    assert (job.next().turns_cw or 0) < 0


def test_logging_the_same_rate_again_does_not_cut_the_wait() -> None:
    """`run-at` to the rate that runs already changes nothing; another rate's shorter wait does not end a longer one."""
    job = at_high(min_wait_s={"throttle": 300}).turn("throttle", 1 / 24).wait(5)
    before = job.next().wait_s
    job.run_at("high")
    assert job.next().wait_s == before
    assert before is not None
    assert before > 290


def test_high_fire_is_set_before_the_offset_screw_is_turned() -> None:
    """At low fire with high fire far out of band the answer is to go back to high fire."""
    job = at_high(7.5).run_at("low").wait(240).read("low", 8.0)
    advice = job.next()
    assert (advice.action, advice.firing) == ("run_at", "high")
    assert not job.may("offset", 1 / 24).allowed


def test_many_readings_do_not_lower_the_bar_where_a_turn_would_do_better() -> None:
    """Six readings at an edge don't make it "set" as long as a turn is known that betters it."""
    job = at_high(8.7, stop_chance=0.99).turn("throttle", 1 / 24).wait(150).read("high", 8.9)
    for _ in range(7):
        job.read("high", 9.0)
    assert job.next().action == "turn"


def test_a_coarse_display_is_not_made_sharp_by_reading_it_often() -> None:
    """Six equal readings of a display that steps by 0.5 don't tell more than the step."""
    job = Told(display_step_pct=0.5, bands={"high": (8.9, 9.6), "low": (8.5, 9.2)}).run_at("high").wait(240)
    for _ in range(6):
        job.read("high", 9.0)
    assert Rate(job.job.visit(moment(job.now_s)), "high").now.chance_in_band < 0.95


def test_an_analyser_that_cannot_prove_the_band_is_said_so() -> None:
    """An accuracy wider than the band is told with the answer."""
    job = at_high(9.2, analyser_accuracy_pct=0.3)
    assert "analyser-accuracy" in job.codes
    assert "analyser-accuracy" not in at_high(9.2, analyser_accuracy_pct=0.1).codes
