"""The decision: what it must never do, whatever was logged, and what it does on plain jobs."""

import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from replay import Made, Told, at_high, co_in_band, known_leaner, known_throttle

from advisor.decision.advise import Case, close_to_edge
from advisor.decision.answers import Advice
from advisor.decision.candidates import Move
from advisor.decision.low_fire import LowFire
from advisor.diagnosis.findings import find
from advisor.job_setup.policy import Policy
from advisor.job_setup.prior import Prior
from advisor.response.fitted import gain_at_present
from advisor.screws import FIRING_FOR, SCREW_FOR

MARK = 1 / 24
AT_LIMIT: dict[str, Any] = {
    "travel_limit_turns": {"throttle": MARK, "offset": 1.0}, "cap_turns": {"throttle": MARK, "offset": 1 / 12},
}  # fmt: skip
NARROW: dict[str, Any] = {"bands": {"high": (9.19, 9.21), "low": (8.6, 9.0)}}
UNSTATED: dict[str, Any] = {"clockwise": {"throttle": "unknown"}}


entries = st.one_of(
    st.tuples(
        st.sampled_from(["read", "read", "read without CO"]),
        st.integers(70, 112).map(lambda tenths: tenths / 10),
        st.sampled_from([5, 40, 150, 300, 1000]),
    ),
    st.tuples(st.just("turn"), st.sampled_from([-6, -3, -2, -1, 1, 2, 3, 6]), st.sampled_from([1, 10, 200])),
    st.tuples(st.just("run_at"), st.sampled_from(["high", "low"]), st.sampled_from([5, 40, 200])),
)
setups = st.fixed_dictionaries(
    {},
    optional={
        "cap_turns": st.sampled_from([{"offset": MARK, "throttle": MARK}, {"offset": 1 / 16}]),
        "clockwise": st.sampled_from([{"offset": "leaner"}, {"throttle": "leaner"}, {"throttle": "unknown"}]),
        "overshoot_chance": st.sampled_from([0.01, 0.2]),
        "travel_limit_turns": st.sampled_from([{"offset": 1 / 8, "throttle": 1 / 8}]),
    },
)


def told(entered: list[tuple[str, Any, int]], stated: dict[str, Any]) -> Told:
    """A job with these entries, each some seconds after the one before; turns are in marks, of the rate's screw."""
    job, firing = Told(**stated).run_at("high").wait(150), "high"
    for kind, what, wait_s in entered:
        job.wait(wait_s)
        if kind == "turn":
            job.turn(SCREW_FOR[firing], what / 24)
        elif kind == "run_at":
            firing = what
            job.run_at(firing)
        else:
            job.read(firing, what, 20.0 if kind == "read" else None)
    return job


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(entries, max_size=9), setups, st.sampled_from([0, 0, 30, 120, 1000, 5 * 3600]))
def test_no_answer_breaks_a_limit(entered: list[tuple[str, Any, int]], stated: dict[str, Any], later_s: int) -> None:
    """A turn keeps every limit, no answer turns on what is too old or not settled, `may` and `next` agree."""
    job = told(entered, stated).wait(later_s)
    advice = job.next()
    assert (advice.action == "halt") == any(finding.severity == "halt" for finding in advice.findings)
    if later_s > 4 * 3600:
        assert advice.action not in ("turn", "finish")
    if advice.action == "turn":
        _keeps_every_limit(job, advice)
    for screw, size in itertools.product(("offset", "throttle"), (-1 / 4, -1 / 12, -MARK, MARK, 1 / 12, 1 / 4)):
        verdict = job.may(screw, size)
        assert verdict.why
        if verdict.allowed and verdict.why[0].code.startswith("way-out"):
            _leads_out(job, screw, size)
        elif verdict.allowed:
            assert (advice.action, advice.screw) == ("turn", screw)
            assert abs(size) <= job.job.setup.cap_turns[screw] + 1e-9
            _keeps_to_the_edges(job, screw, size)


def _keeps_to_the_edges(job: Told, screw: str, turns_cw: float) -> None:
    """A turn richer hardly passes the rich edge; one leaner hardly takes CO2 to where a flame may lift."""
    setting = job.setting(FIRING_FOR[screw])
    (move,) = setting.moves([turns_cw])
    leaner = setting.direction_sure and not setting.richer(turns_cw)
    past = move.forecast.cdf(setting.lean_limit) if leaner else move.chance_past_band
    assert past <= job.job.setup.overshoot_chance


def _leads_out(job: Told, screw: str, turns_cw: float) -> None:
    """A turn that may be made whatever is advised: the last one undone, or within the cap leaner while CO is high."""
    last, setting = job.situation.of("turn")[-1:], job.setting(FIRING_FOR[screw])
    undoes = bool(last) and last[0].event.screw == screw and 0 < -turns_cw / (last[0].event.turns_cw or 0.0) < 1.001
    leaner = setting.co_bars_richer and setting.direction_sure and not setting.richer(turns_cw)
    assert undoes or (leaner and abs(turns_cw) <= job.job.setup.cap_turns[screw] + 1e-9)


def _keeps_every_limit(job: Told, advice: Advice) -> None:
    screw, turns, situation, setup = str(advice.screw), advice.turns_cw or 0.0, job.situation, job.job.setup
    assert job.may(screw, turns).allowed
    assert 0 < abs(turns) <= setup.cap_turns[screw] + 1e-9
    assert abs(situation.net_turns_cw(screw) + turns) <= setup.travel_limit_turns[screw] + 1e-9
    _keeps_to_the_edges(job, screw, turns)
    assert (advice.wait_s or 0.0) >= setup.min_wait_s[screw] - 1e-6
    settled = situation.settled_readings(str(advice.firing), situation.changed_at_s)
    assert settled
    assert situation.at_s - settled[-1].at_s <= 15 * 60
    setting = job.setting(str(advice.firing))
    here, there = setting.now.forecast.mean, setting.moves([turns])[0].forecast.mean
    if there > here or not setting.direction_sure:
        read = [row for row in situation.of("reading") if row.at_s > situation.changed_at_s]
        assert any(row.event.co_ppm is not None for row in read)
    if setting.direction_sure:
        assert (there - here) * (setting.centre - here) > 0


def high_after_low(high: float, low: float = 8.3, **setup: Any) -> Told:
    """A job read at low and then at high fire, no screw turned yet."""
    return Told(**setup).at("low", low).at("high", high)


def tight_and_short() -> Told:
    """A throttle that gave 0.2 % CO2 a mark leaves it where it was after two marks more; the line is tight."""
    told = high_after_low(8.2, 7.6, pressures={"working pressure": (18, 24, "mbar")})
    told.check("working pressure", 20.0, "mbar")
    for co2 in (8.4, 8.6, 8.8):
        told.throttle(MARK, co2)
    told.turn("throttle", 1 / 12).wait(150).reads("high", 8.3, 8.3)
    return told.check("sample line", "tight").wait(5).reads("high", 8.3, 8.3)


def both_in_band(**setup: Any) -> Told:
    return at_high(9.2, **setup).at("low", 8.8)


def without_co() -> Told:
    """In band at high fire, read twice without CO."""
    return Told().at("high", 9.2, 9.2, co=None)


def almost_sure() -> Told:
    """High fire of a chance in band that rounds to the one that would be enough."""
    chance = at_high(9.0).next().chance_in_band or 0.0
    return at_high(9.0, stop_chance=math.floor(1000 * chance + 1) / 1000)


def rich_low_at_its_limit() -> Told:
    """Low fire next to the rich side with the offset at its travel limit, high fire far too lean."""
    limits = {"travel_limit_turns": {"offset": MARK, "throttle": 1.0}, "cap_turns": {"offset": MARK}}
    return Told(**limits).at("low", 10.6).offset(-MARK, 10.4).at("high", 8.0).throttle(MARK, 8.2)


def low_keeps_high_lean() -> Told:
    """The same, low fire read over and over."""
    job = rich_low_at_its_limit().at("low", *[10.6] * 6, co=250.0)
    for _ in range(6):
        job.at("high", 8.2)
    return job


ANSWERS: list[tuple[Made, str, str, str]] = [
    # job, how the answer begins, its reasons or of a stop the finding, the reason of the no that `may` gives
    # what is due
    (Told, "run_at high", "light-first", "light-and-read"),
    (lambda: at_high().wait(6 * 3600), "run_at high", "left", "left"),
    (lambda: at_high().wait(6 * 3600).check("sample line", "tight").wait(5), "run_at high", "left", "left"),
    (lambda: both_in_band().check("appliance left", "in service").wait(60), "finish", "reopen", "closed"),
    (lambda: at_high().run_at("off").wait(20), "run_at high", "off", "off-no-turn"),
    (lambda: at_high().at("low", 8.3).run_at("off").wait(900), "run_at low", "off", "off-no-turn"),
    (lambda: Told().at("low", 8.3), "run_at high", "high-first", "other-screw"),
    (lambda: at_high(visit="service"), "run_at low", "as-found", "as-found"),
    (lambda: Told(visit="complaint").at("high", 8.3, co=None), "read high", "as-found", "read-first"),
    (lambda: at_high(9.2).reads("high", 9.2, 9.5).at("low", 8.8), "run_at high", "odd-reading", "not-needed"),
    (lambda: at_high().reads("high", 8.3, 8.6), "read high", "jumped", "read-first"),
    # read or wait; CO before anything else where high fire was made richer since CO was read at low fire
    (lambda: at_high(8.9).throttle(MARK, 9.2).run_at("low").wait(3), "read low", "co-first", "read-first"),
    # CO over what bars a turn richer ends the wait, until it has fallen
    (lambda: at_high().turn("throttle", MARK).co(250.0), "read high", "co-again", "read-first"),
    (lambda: at_high().turn("throttle", MARK).co(250.0).co(255.0), "read high", "co-again", "read-first"),
    (lambda: at_high().turn("throttle", MARK).co(250.0).co(240.0), "wait high", "not-steady", "wait"),
    (lambda: at_high().turn("throttle", MARK).co(250.0).co(40.0), "wait high", "not-steady", "wait"),
    (lambda: at_high().read("high", 8.3, 250.0).turn("throttle", -MARK).wait(5), "wait high", "not-steady", "wait"),
    (lambda: at_high().turn("throttle", MARK).wait(400), "read high", "settled", "read-first"),
    (lambda: at_high().turn("throttle", MARK).wait(5), "wait high", "not-steady", "wait"),
    (lambda: Told().run_at("high").wait(5), "wait high", "just-lit", "wait"),
    (lambda: at_high().turn("throttle", 1 / 8).wait(62), "read high", "interim", "read-first"),
    (lambda: known_throttle().wait(150).read("high", 8.3), "read high", "shortfall", "prove-line"),
    (tight_and_short, "read high", "pressure-first", "read-first"),
    (lambda: tight_and_short().check("working pressure", 20.0, "mbar"), "turn throttle", "here no-effect-yet", ""),
    (lambda: Told().at("high").bare("high", 8.3), "read high", "need-o2-or-co", "read-first"),
    (lambda: Told().at("high").bare("high", 10.2), "read high", "need-o2-or-co", "read-first"),
    (lambda: Told().at("high").bare("high", 8.3, 6.2), "read high", "need-co", "read-first"),
    (lambda: at_high(8.0).throttle(MARK, 8.1, co=None), "read high", "need-co", "read-first"),
    (lambda: at_high().wait(910), "read high", "stale", "read-first"),
    (without_co, "read high", "co-for-record", "read-first"),
    (lambda: at_high(9.2, bands={"high": (9.15, 9.25), "low": (8.6, 9.0)}),
     "read high", "no-better-turn", "read-first"),
    (lambda: at_high(9.1, **NARROW).reads("high", 9.2, 9.2), "read high", "no-safe-turn-yet", "read-first"),
    (lambda: at_high().throttle(MARK, 8.1), "read high", "maybe-against", "read-first"),
    (lambda: at_high(9.0), "read high", "close-to-edge", "read-first"),
    (almost_sure, "read high", "almost-sure", "read-first"),  # not told as sure though both round to the same
    # the other rate
    (lambda: at_high(9.2), "run_at low", "other-unread", "not-needed"),
    (lambda: at_high(8.9).throttle(MARK, 9.2), "run_at low", "other-unread co-first-rich", "not-needed"),
    (lambda: high_after_low(8.9, 7.6).throttle(MARK, 9.2), "run_at low", "other-again co-first-there", "not-needed"),
    (lambda: both_in_band().offset(1 / 96, 8.8), "run_at high", "other-again", "not-needed"),
    (lambda: at_high(9.0).at("low", 8.8), "run_at high", "other-unsure", "not-needed"),
    (lambda: without_co().at("low", 8.8), "run_at high", "other-no-co", "not-needed"),
    (lambda: at_high(7.5).at("low", 8.0), "run_at high", "high-not-set", "high-not-set"),
    (lambda: at_high().throttle(1 / 16, 8.5), "run_at low", "low-unread co-first-rich", "low-unread"),
    (lambda: high_after_low(8.0, 10.4).throttle(MARK, 8.2),
     "run_at low", "low-may-be-rich co-first-rich", "low-may-be-rich"),
    (lambda: high_after_low(7.0, 7.4).throttle(MARK, 7.5).throttle(MARK, 8.0).throttle(MARK, 8.4),
     "run_at low", "low-unread-rise co-first-rich", "low-unread-rise"),
    (both_in_band, "finish low", "in-band", "not-needed"),
    (lambda: both_in_band(analyser_accuracy_pct=0.1), "finish low", "in-band accuracy-leaves", "not-needed"),
    (lambda: at_high(9.3, analyser_accuracy_pct=0.2).wait(5).reads("high", 9.3, 9.3, 9.3), "turn throttle",
     "here first-move", ""),
    # a turn
    (at_high, "turn throttle", "here first-move", ""),
    (lambda: at_high(**UNSTATED), "turn throttle", "here first-move way-unknown-lean", ""),
    (lambda: at_high(9.0, **UNSTATED).read("high", 9.0), "turn throttle", "here first-move way-unknown", ""),
    (lambda: at_high(9.9, **UNSTATED), "turn throttle", "here first-move way-unknown-rich", ""),
    # O2 or CO is enough for a turn leaner
    (lambda: Told().at("high").bare("high", 10.2, 2.8), "turn throttle", "here first-move", ""),
    (lambda: Told().at("high").bare("high", 10.2, None, 20.0), "turn throttle", "here first-move", ""),
    (lambda: Told().at("high").bare("high", 8.3, None, 20.0), "turn throttle", "here first-move", ""),
    (lambda: at_high(9.9), "turn throttle", "here first-move", ""),
    (lambda: at_high(9.2).at("low", 8.3), "turn offset", "here first-move", ""),
    (lambda: high_after_low(7.4, 7.8).throttle(MARK, 7.6).throttle(MARK, 7.8), "turn throttle", "here at-most", ""),
    (lambda: at_high().throttle(MARK, 8.2), "turn throttle", "here no-effect-yet way-unknown-lean", ""),  # noise may
    (lambda: high_after_low(7.4).throttle(MARK, 7.4).throttle(MARK, 7.4), "turn throttle", "here no-effect-yet", ""),
    (lambda: at_high(8.8).throttle(MARK, 8.6, 8.6, 8.6), "turn throttle", "here way-in-doubt way-unknown-lean", ""),
    (lambda: high_after_low(10.2, 7.4), "turn throttle", "here first-move low-goes-lean", ""),
    (lambda: high_after_low(10.2, 8.3), "turn throttle", "here first-move", ""),
    # a stop
    (lambda: at_high().read("high", 8.3, 260), "halt", "co-climbing climbs", "stopped"),
    (co_in_band, "halt", "co-climbing ceiling", "stopped"),
    (lambda: at_high(9.1, **NARROW).reads("high", *[9.2] * 8), "halt", "no-safe-turn none", "stopped"),
    (lambda: at_high(9.9, **UNSTATED).reads("high", *[9.9] * 7, co=280), "halt", "no-safe-turn way_unknown", "stopped"),
    (lambda: at_high(8.0, **AT_LIMIT).throttle(MARK, *[8.3] * 8), "halt", "travel-limit", "stopped"),
    (lambda: at_high(10.3, **AT_LIMIT).throttle(-MARK, *[10.1] * 8), "halt", "travel-limit", "stopped"),
    (low_keeps_high_lean, "halt", "low-rich", "stopped"),
    (lambda: at_high().read("high", 9.2, 20, 6.9), "halt", "other-fuel", "stopped"),
]  # fmt: skip
FIGURES = {  # which figures an answer gives besides its action
    "run_at": "", "halt": "", "finish": "chance", "read": "chance expect gain", "wait": "chance expect gain wait",
    "turn": "chance expect gain wait turn",
}  # fmt: skip


@pytest.mark.parametrize(("made", "answer", "why", "no"), ANSWERS, ids=[f"{row[1]}, {row[2]}" for row in ANSWERS])
def test_each_answer_is_whole_and_each_no_has_its_reason(made: Made, answer: str, why: str, no: str) -> None:
    """Reasons, findings, the figures of this action and no others; `may` refuses with them where no turn is due."""
    job = made().says(answer)
    advice, running = job.next(), job.situation.firing
    assert advice.reasons
    assert set(find(job.situation)) <= set(advice.findings)
    gravest = advice.findings[0] if advice.findings else None
    said = f"{gravest.code} {gravest.variant}".strip() if gravest and advice.action == "halt" else " ".join(job.why)
    assert said == why
    given = {
        "chance": (advice.chance_in_band, advice.chance_past_band),
        "expect": (advice.expect_co2_pct, advice.expect_low_pct, advice.expect_high_pct),
        "gain": (advice.gain_per_turn, advice.gain_low, advice.gain_high),
        "wait": (advice.wait_s,),
        "turn": (advice.screw, advice.turns_cw),
    }
    figures = {"reopen": "", "light-first": "wait", "off": "wait"}.get(why, FIGURES[advice.action])
    for name, values in given.items():
        assert all((value is not None) == (name in figures) for value in values), name
    screw = "throttle" if no == "other-screw" else SCREW_FOR[running or "high"]
    more = 1.01 * MARK  # no turn that was made before is undone by it
    verdict = job.may(screw, more)
    assert (verdict.screw, verdict.turns_cw, verdict.findings) == (screw, more, advice.findings)
    assert all(verdict.reasons)
    if no:
        assert (verdict.allowed, verdict.why[0].code) == (False, no)
        assert (verdict.firing, verdict.wait_s) == (running, advice.wait_s)
        assert set(advice.why) <= set(verdict.why) or no == "other-screw"
        assert no != "stopped" or set(verdict.reasons) > {stop.text for stop in advice.stops}
    else:
        assert None not in (verdict.wait_s, verdict.expect_co2_pct, verdict.chance_in_band, verdict.chance_past_band)
        assert job.may(screw, advice.turns_cw or 0.0).allowed
    assert job.may(screw, 1 / 400).why[0].code == (no if no in ("stopped", "left", "closed") else "too-little")


def below_a_co_ceiling() -> Told:
    """CO over its limit above the band, as found; turned down under the band, where it is little."""
    return Told().at("low", 8.3).at("high", 9.6, co=600).throttle(-1 / 8, 8.6, 8.6, 8.6)


def maybe_the_other_way() -> Told:
    """A turn leaner that did nothing to be seen, CO over half its limit."""
    shown = (10.6, 10.7, 10.6, 10.7, 10.7, 10.7)
    return Told().at("high", 10.6, co=200).throttle(-MARK, *shown, co=280)


def way_told_late() -> Told:
    """A throttle that went the other way, told after its turns."""
    return high_after_low(8.3).throttle(MARK, 8.0).throttle(MARK, 7.7).check("throttle clockwise", "leaner").wait(5)


REFUSALS: list[tuple[Made, str, float, str]] = [
    # job, screw, turns, code of the reason; "may" allows
    (lambda: at_high(8.3, **AT_LIMIT), "throttle", MARK, "may"),  # it ends on the travel limit
    (lambda: at_high(10.2, **AT_LIMIT).throttle(1 / 8, 10.8), "throttle", -MARK, "may"),  # the way back from beyond
    (at_high, "throttle", 1 / 4, "over-cap"),
    (at_high, "throttle", 1 / 8, "not-tried"),
    (at_high, "throttle", -MARK, "away"),
    (at_high, "offset", MARK, "other-screw"),
    (lambda: at_high(**UNSTATED), "throttle", 1 / 12, "way-not-sure"),
    (lambda: high_after_low(8.3, **AT_LIMIT).throttle(1 / 96, 8.4), "throttle", MARK, "travel"),
    (lambda: high_after_low(8.9).throttle(1 / 96, 8.95), "throttle", 1 / 8, "far-edge"),
    (below_a_co_ceiling, "throttle", 1 / 12, "co-was-high"),
    (way_told_late, "throttle", -1 / 12, "way-just-told"),
    (lambda: high_after_low(8.3).throttle(MARK, 8.3).throttle(MARK, 8.3), "throttle", 1 / 8, "effect-doubted"),
    (lambda: high_after_low(7.6).throttle(MARK, 7.9).throttle(MARK, 8.2).throttle(MARK, 8.2), "throttle", 1 / 12,
     "unseen"),
    (lambda: high_after_low(8.6).throttle(1 / 96, 8.65), "throttle", 54 / 960, "far-edge-just"),
    (lambda: at_high(9.6), "throttle", -1 / 12, "far-lean"),
    (lambda: at_high(9.6), "throttle", -1 / 16, "far-lean-just"),
    (below_a_co_ceiling, "throttle", 1 / 8, "co-ceiling"),
    (maybe_the_other_way, "throttle", -MARK, "co-near"),
    (lambda: Told().at("low", 9.3, co=290).at("high", 8.3), "throttle", MARK, "low-co"),
    (lambda: high_after_low(7.0, 8.0).throttle(MARK, 7.2).throttle(MARK, 7.4, co=45.0), "throttle", 1 / 12,
     "co-climbs"),
    (lambda: Told().at("low", 8.0, 8.0, co=15.0).read("low", 8.0, 70.0).at("high", 7.0), "throttle", 1 / 16,
     "low-co-climbs"),
    (lambda: known_leaner().wait(150).reads("high", 7.7, 7.7), "throttle", -1 / 12, "prove-line"),
    (lambda: at_high(10.6).read("high", 10.6, 600), "throttle", -MARK, "way-out-leaner"),
    (lambda: at_high(10.6, clockwise={"throttle": "leaner"}).read("high", 10.6, 600), "throttle", MARK,
     "way-out-leaner"),
    (lambda: at_high(10.6).read("high", 10.6, 600), "throttle", MARK, "stopped"),
    # nobody is told that a turn is leaner while its way is not known
    (lambda: at_high(10.6, **UNSTATED).read("high", 10.6, 600), "throttle", -MARK, "stopped"),
    (lambda: at_high(10.6, **UNSTATED).read("high", 10.6, 600), "throttle", MARK, "stopped"),
]  # fmt: skip


@pytest.mark.parametrize(("made", "screw", "turns", "code"), REFUSALS, ids=[f"{r[3]} {r[2]:.3f}" for r in REFUSALS])
def test_a_refusal_gives_the_one_reason_that_matters(made: Made, screw: str, turns: float, code: str) -> None:
    """Each rule that refuses a turn has its own reason."""
    verdict = made().may(screw, turns)
    assert (verdict.allowed, verdict.why[0].code) == (code in ("may", "way-out-leaner"), code)


def test_an_allowed_turn_says_what_it_would_do() -> None:
    """The figures of `may` for the advised turn are those of `next`."""
    job = at_high()
    advice = job.next()
    verdict = job.may(str(advice.screw), advice.turns_cw or 0)
    assert [reason.code for reason in verdict.why] == ["may"]
    for name in ("wait_s", "expect_co2_pct", "expect_low_pct", "expect_high_pct", "chance_in_band", "chance_past_band"):
        assert getattr(verdict, name) == getattr(advice, name), name


STORIES: dict[str, Callable[[], object]] = {  # by what they show
    "high, low, high again: a whole visit reaches the finish, and a turn undoes it": lambda: (
        at_high(8.9).throttle(MARK, 9.2).says("run_at low").at("low", 8.3).says("turn offset cw").offset(MARK, 8.5)
        .offset(1 / 12, 8.8).says("run_at high").at("high", 9.2).says("finish").throttle(1 / 96, 9.2)
        .says("run_at low")),
    "a rate read without CO is read again before the finish": lambda: (
        at_high(9.2).at("low", 8.8, co=None).says("read low").read("low", 8.8).says("finish")),
    "a visit that was left in service is closed until the boiler runs again": lambda: (
        both_in_band().check("appliance left", "in service").says("finish", "closed").wait(400 * 86400)
        .says("finish", "closed").run_at("high").says("wait", "-closed")),
    "a reading of a quarter of an hour ago is taken anew before a turn": lambda: (
        at_high().wait(890).says("turn").wait(20).says("read").read("high", 8.3).says("turn")),
    "after a large turn an interim reading is due at the usual minimum of 60 s, well before it has settled": lambda: (
        at_high().turn("throttle", 1 / 8).wait(59).says("wait").wait(1).says("read").read("high", 8.6).says("wait")),
    "no reading counts before two minutes after the start, but interim ones are asked for": lambda: (
        Told().run_at("high").wait(29).says("wait").wait(1).says("read").read("high", 8.3).wait(25).read("high", 8.3)
        .wait(25).read("high", 8.3).wait(9).says("wait").wait(1).read("high", 8.3).says("turn")),
    "lit again after a lock-out the two minutes begin anew, and what was read before does not count": lambda: (
        at_high().run_at("off").says("run_at high").wait(600).says("run_at high").run_at("high").says("wait").wait(110)
        .says("-turn").wait(10).says("read").read("high", 8.3).says("turn")),
    "a reading of a flame says that the burner was lit": lambda: (
        at_high().run_at("off").wait(60).read("high", 8.3).says("wait").wait(130).read("high", 8.3).says("turn")),
    "CO is the first thing read at low fire after high fire was made richer, and what comes next waits": lambda: (
        at_high(8.9).throttle(MARK, 9.2).run_at("low").wait(2).says("read low").bare("low", 7.0, None, 30.0)
        .says("wait")),
    "a yearly service reads both rates as found before its first turn": lambda: (
        at_high(visit="service").says("run_at low").at("low", 8.4).says("run_at high").at("high", 8.3)
        .says("turn throttle cw").turn("throttle", MARK).wait(150).read("high", 8.5).says("-run_at")),
    "the same rate logged again does not cut the wait after a turn": lambda: (
        at_high(min_wait_s={"throttle": 300}).turn("throttle", MARK).wait(5).run_at("high").says("wait").wait(290)
        .says("wait").wait(5).says("read")),
    "low fire is looked at once before the throttle goes on richer": lambda: (
        at_high().throttle(1 / 16, 8.5).says("run_at low").at("low", 8.4).says("run_at high").at("high", 8.5)
        .says("turn throttle cw")),
    "a rich low fire is set leaner before the throttle goes richer": lambda: (
        high_after_low(8.0, low=10.4).throttle(MARK, 8.2).at("low", 10.6).says("turn offset ccw").offset(-MARK, 10.3)
        .says("turn offset ccw").offset(-1 / 12, 9.7).says("turn offset ccw").offset(-1 / 12, 8.8).says("run_at high")),
    "low fire next to the rich side at its travel limit is read five times more before it is given up": lambda: (
        rich_low_at_its_limit().at("low", 10.6, co=250.0).says("read low").read("low", 10.6, 250.0).says("read low")
        .read("low", 10.6, 250.0).says("read low").read("low", 10.6, 250.0).says("read low").read("low", 10.6, 250.0)
        .says("read low").read("low", 10.6, 250.0).says("run_at high")),
    "CO that was read before the last turn does not serve for the next turn richer": lambda: (
        high_after_low(8.0).throttle(MARK, 8.1, co=None).says("read").read("high", 8.1).says("turn throttle cw")),
    "with CO near its limit a screw of unknown way is not turned until its way is stated": lambda: (
        at_high(9.9, **UNSTATED).reads("high", *[9.9] * 7, co=280).says("halt no-safe-turn")
        .check("throttle clockwise", "richer").says("turn throttle ccw")),
    "after a turn leaner that showed nothing CO near its limit bars what may take CO2 up": lambda: (
        maybe_the_other_way().says("turn throttle ccw"),
        Told().at("high", 10.6, co=200).throttle(-MARK, *[10.7] * 6, co=280).says("halt no-safe-turn")),
    "at the travel limit the stop comes at once: no reading helps": lambda: (
        at_high(7.0, travel_limit_turns={"throttle": 1 / 8, "offset": 2.0}).throttle(MARK, 7.1).throttle(MARK, 7.2)
        .throttle(MARK, 7.3).says("halt travel-limit")),
    "many readings at an edge don't make it set where a turn would do better": lambda: (
        at_high(8.7).throttle(MARK, 8.9, *[9.0] * 7).says("turn throttle cw")),
}  # fmt: skip


@pytest.mark.parametrize("story", STORIES)
def test_a_visit_goes_on_as_it_should(story: str) -> None:
    """Step by step: how the answer begins."""
    STORIES[story]()


def test_a_screw_of_unknown_way_is_turned_with_the_risk_at_both_edges_said() -> None:
    """Either way may be taken: past the rich edge or past the lean one; what is passed already is told by the code."""
    job = at_high(8.9, **UNSTATED)
    (reason,) = [why for why in job.next().why if why.code == "way-unknown-lean"]
    (move,) = job.setting().moves([job.next().turns_cw or 0.0])
    low, high = job.setting().edges
    assert reason.data == {"rich": 1 - move.forecast.cdf(high), "lean": move.forecast.cdf(low)}


@pytest.mark.parametrize(
    ("turns", "in_all"), [([1 / 8] * 5, 5 / 8), ([1 / 8, -1 / 8, 1 / 8], None), ([1 / 16, 1 / 16], None)]
)
def test_the_cap_counts_net_travel_since_the_last_settled_reading(turns: list[float], in_all: float | None) -> None:
    """Five eighths in 50 s are over it; there and back they are not. After the first none is allowed."""
    job, allowed = at_high(), []
    for turns_cw in turns:
        allowed.append(job.may("throttle", MARK).why[0].code == "may")
        job.turn("throttle", turns_cw).wait(10)
    assert allowed == [True] + [False] * (len(turns) - 1)
    assert [finding.data["turns"] for finding in job.found("large-turn")] == ([in_all] if in_all else [])


def test_the_wait_gets_shorter_once_the_boiler_has_shown_that_it_is_quick() -> None:
    """Interim readings that show the end value already shorten the waits that follow."""
    slow = high_after_low(8.0).turn("throttle", 1 / 8)
    assert (slow.next().wait_s or 0) >= 60
    for _ in range(3):
        slow.wait(20).read("high", 8.6)
    quick = slow.wait(120).read("high", 8.6).next()
    assert quick.action == "turn"
    assert (quick.wait_s or 0) <= (high_after_low(8.0).throttle(1 / 8, 8.6).next().wait_s or 0)


@pytest.mark.parametrize("least_s", [60, 300])
def test_a_turn_is_waited_out(least_s: float) -> None:
    """The reading expected is the settled one, within half a display step, after the wait; the same while it waits."""
    job = at_high(8.3, min_wait_s={"throttle": least_s})
    advice, setting = job.next(), job.setting()
    assert least_s - 1e-6 <= (advice.wait_s or 0.0) < least_s + 120
    there = setting.co2_pct(setting.moves([advice.turns_cw or 0.0])[0].forecast.mean)
    assert 8.4 < there == pytest.approx(advice.expect_co2_pct, abs=0.05)
    waiting = job.turn("throttle", advice.turns_cw or 0.0).wait(5).next()
    assert waiting.expect_co2_pct == pytest.approx(advice.expect_co2_pct, abs=0.05)
    assert (waiting.expect_low_pct or 0.0) < there < (waiting.expect_high_pct or 0.0)


@pytest.mark.parametrize("clockwise", ["richer", "leaner"])
def test_low_fire_is_in_the_way_of_the_whole_way_to_the_band(clockwise: str) -> None:
    """Where the whole way richer would leave it too little O2, or its CO is high; never where high fire goes leaner."""
    for high, low, co, in_the_way in (
        (7.4, 10.4, 20.0, True), (8.3, 9.2, 20.0, True), (8.3, 9.3, 290.0, True), (8.9, 8.3, 20.0, False),
        (9.9, 10.4, 20.0, False),
    ):  # fmt: skip
        job = Told(clockwise={"throttle": clockwise}).at("low", low, co=co).at("high", high)
        assert job.setting().low_in_the_way is in_the_way


def test_how_far_high_fire_rose_since_low_fire_was_seen() -> None:
    """From the last reading at high fire before low fire was read, or from the session's first one."""
    job = Told()
    for go_on, rise in (
        (lambda: job, 0.0),
        (lambda: job.at("high", 8.0, 8.1), 0.1),
        (lambda: job.throttle(MARK, 8.4), 0.4),
        (lambda: job.at("low", 8.3).at("high", 8.4), 0.0),
        (lambda: job.throttle(MARK, 8.9), 0.5),
        (lambda: job.wait(20 * 3600).at("high", 9.0), 0.0),  # the next day nothing of this counts
        (lambda: job.throttle(MARK, 9.2), 0.2),
    ):
        assert LowFire(go_on().situation).unseen_rise_pct == pytest.approx(rise)


def test_a_coarse_display_is_not_made_sharp_by_reading_it_often() -> None:
    """Six equal readings of a display that steps by 0.5 don't tell more than the step."""
    job = Told(display_step_pct=0.5, bands={"high": (8.9, 9.6), "low": (8.5, 9.2)}).at("high", *[9.0] * 6)
    assert job.setting().now.chance_in_band < 0.95


@pytest.mark.parametrize(("clockwise", "surely_reversed"), [("unknown", 0.91), ("richer", 0.96)])
def test_when_the_direction_counts_as_sure(clockwise: str, surely_reversed: float) -> None:
    """Nine in ten, either way; against a stated direction not before the job stops for it."""
    job = at_high(clockwise={"throttle": clockwise})
    for chance, sure in ((0.09, True), (0.11, False), (surely_reversed - 0.02, False), (surely_reversed, True)):
        assert job.setting(reversed_chance=chance).direction_sure is sure


def test_the_way_of_the_last_turn_is_judged_by_where_co2_stood_then() -> None:
    """The throttle took low fire past the middle since: that turns round what is wanted, not which way was believed."""
    job = Told().at("low", 9.5).offset(-MARK, 9.3).offset(-MARK, 9.1)
    job.at("high", 9.8).throttle(-1 / 12, 9.2).at("low", 8.3)
    assert job.setting("low").too_lean
    for chance, reversed_ in ((0.35, False), (0.5, False), (0.65, False), (0.75, True)):
        assert job.setting("low", reversed_chance=chance).taken_as_reversed is reversed_


@pytest.mark.parametrize(
    ("co2", "last_turn", "clockwise", "reversed_chance", "taken"),
    [
        # too lean, turned as stated: the hand changes its way from 0.7 on; as if reversed: it comes back below 0.3
        (8.3, MARK, "richer", 0.69, False), (8.3, MARK, "richer", 0.71, True),
        (8.3, -MARK, "richer", 0.31, True), (8.3, -MARK, "richer", 0.29, False),
        # too rich; stated the other way round
        (9.9, -MARK, "richer", 0.69, False), (9.9, MARK, "richer", 0.31, True),
        (8.3, -MARK, "leaner", 0.69, False), (8.3, MARK, "leaner", 0.31, True),
        # no turn yet, or nothing stated: the likelier way
        (8.3, 0.0, "richer", 0.55, True), (8.3, 0.0, "richer", 0.45, False),
        (8.3, MARK, "unknown", 0.55, True), (8.3, -MARK, "unknown", 0.45, False),
    ],
)  # fmt: skip
def test_a_doubt_does_not_swing_the_hand(
    co2: float, last_turn: float, clockwise: str, reversed_chance: float, taken: bool
) -> None:
    """From the second turn on the way of the last one is kept until the other is clearly likelier."""
    job = at_high(co2, clockwise={"throttle": clockwise})
    if last_turn:
        job.throttle(-last_turn, co2).turn("throttle", last_turn).wait(1).turn("offset", -last_turn)
    setting = job.wait(150).read("high", co2).setting(reversed_chance=reversed_chance)
    assert setting.taken_as_reversed is taken
    stated = -1 if clockwise == "leaner" else 1
    assert setting.richer(stated / 24) is not taken
    assert setting.richer(-stated / 24) is taken


def test_after_one_turn_the_stated_way_is_kept() -> None:
    """One more mark the stated way tells more than a turn back through the play; then the job stops by itself."""
    job = at_high().throttle(MARK, 8.2)
    assert not job.setting(reversed_chance=0.9).taken_as_reversed
    assert job.setting(reversed_chance=0.999).taken_as_reversed


def test_a_rate_not_read_since_the_turn_does_not_hold() -> None:
    """However likely it was in band before, a turn ends it; so do as-left readings with CO from before."""
    job = at_high(9.2).reads("high", *[9.2] * 8)
    assert job.setting().holds
    assert job.setting().has_as_left
    setting = job.turn("throttle", 1 / 400).wait(200).setting()
    assert setting.now.chance_in_band > 0.8
    assert not setting.holds
    assert not setting.has_as_left
    assert not job.read("high", 9.2, co=None).setting().has_as_left
    assert job.read("high", 9.2).setting().has_as_left


def test_how_sure_a_rate_must_be() -> None:
    """0.95 of the truth in band as stated, or 0.8 after six readings where no turn would better it."""
    job = at_high(9.2, stop_chance=0.95)
    now = job.setting().now
    for chance, read, holds in (
        (0.95, 1, True),
        (0.949, 5, False),
        (0.81, 6, True),
        (0.81, 5, False),
        (0.79, 6, False),
    ):
        known = Move(0.0, now.forecast, chance, 0.0, now.cost)
        assert job.setting(now=known, settled=read, wanted=None, best=None).holds is holds


@pytest.mark.parametrize("gain", [0.5, 4.0])
@pytest.mark.parametrize(("log_sd", "small"), [(0.2, False), (0.7, True)])
def test_a_screw_that_is_known_is_not_tried_out(gain: float, log_sd: float, small: bool) -> None:
    """90 % limits of a log-normal law lie exp(3.29 sd) apart: 1.9 is known well; 10 is not: a small first move."""
    gains = {"offset": gain, "throttle": gain}
    prior = Prior(gain_per_turn=gains, gain_log_sd=log_sd, chance_dead=0.0001, chance_reversed=0.0001)
    setting = at_high(prior=prior).setting()
    assert (setting.first_try, setting.cap_turns) == (small, pytest.approx(1 / 12 if small else 1 / 8))
    assert at_high(prior=prior).setting(reversed_chance=0.5).cap_turns == MARK  # in doubt which way: one mark


def test_a_screw_is_tried_out_until_a_turn_of_it_has_been_read() -> None:
    """Readings from before the first turn don't count, one from after it does; then more is turned at a time."""
    job = high_after_low(7.4, low=7.8)
    first = abs(job.next().turns_cw or 0)
    assert first <= 1 / 12 + 1e-9
    assert job.turn("throttle", MARK).wait(150).setting().first_try
    assert not job.read("high", 7.6).setting().first_try
    assert abs(job.throttle(MARK, 7.8).next().turns_cw or 0) > first


def test_a_turn_is_read_only_before_the_next_one_and_once_settled() -> None:
    """Two turns in a row are one step to learn from; a reading that came too soon teaches nothing sure."""
    job = at_high().turn("throttle", MARK).wait(5).turn("throttle", MARK)
    for wait_s, read in ((20, 0), (150, 1)):
        assert job.situation.turns_read("throttle") == 0
        assert job.wait(wait_s).read("high", 8.5).situation.turns_read("throttle") == read


@pytest.mark.parametrize(("clockwise", "sign"), [("richer", 1), ("leaner", -1)])
def test_the_gain_at_present_is_what_the_turns_showed(clockwise: str, sign: int) -> None:
    """Six marks of 0.2 % CO2 are 4.8 % a turn clockwise, with the sign of the stated direction."""
    job = at_high(8.0, clockwise={"throttle": clockwise})
    for step in range(1, 7):
        job.throttle(sign * MARK, round(8.0 + 0.2 * step, 1))
    gain = gain_at_present(job.situation, "throttle", "high")
    assert gain["gain_per_turn"] == pytest.approx(sign * 4.8, rel=0.1)
    assert gain["gain_low"] < sign * 4.8 < gain["gain_high"]


@pytest.mark.parametrize("overshoot", [0.05, 0.2])
@pytest.mark.parametrize("width", [0.1, 0.4, 0.8])
@pytest.mark.parametrize("co2", [8.3, 8.9, 9.6, 10.2])
@pytest.mark.parametrize("second", [None, 0.15, 0.3, -0.1])
def test_no_allowed_turn_is_both_safer_and_nearer(
    co2: float, second: float | None, width: float, overshoot: float
) -> None:
    """Nearer by turns to go; parts only where the next whole mark goes too far."""
    bands = {"high": (9.2 - width / 2, 9.2 + width / 2), "low": (8.6, 9.0)}
    job = high_after_low(co2, bands=bands, overshoot_chance=overshoot, travel_limit_turns={"throttle": 1 / 8})
    if second is not None:
        job.throttle(MARK, round(co2 + second, 1))
    setting = job.setting()
    best, centre = setting.best, setting.centre
    whole = setting.moves([sign * marks * MARK for marks in range(1, 5) for sign in (1, -1)])
    allowed = {move.turns_cw: move for move in whole if setting.refusal(move) is None}
    if best is None:
        assert not allowed
        return
    assert 0 < abs(best.turns_cw) <= 1 / 8 + 1e-9
    assert abs(setting.travel_turns_cw + best.turns_cw) <= 1 / 8 + 1e-9
    _keeps_to_the_edges(job, "throttle", best.turns_cw)
    nearer = [
        m for m in allowed.values() if setting.turns_to_go(m.forecast) < setting.turns_to_go(best.forecast) - 1e-9
    ]
    assert all(move.chance_past_band >= best.chance_past_band for move in nearer)
    marks = best.turns_cw / MARK
    if abs(marks - round(marks)) > 1e-6:
        (beyond,) = setting.moves([math.copysign(math.ceil(abs(marks)), marks) * MARK])
        past_centre = (beyond.forecast.mean - centre) * (setting.now.forecast.mean - centre) < 0
        assert past_centre or beyond.turns_cw not in allowed or beyond.cost > best.cost


def test_half_marks_only_where_whole_ones_will_not_do() -> None:
    """Far from the band whole marks are advised; just outside it, with a lively screw, a half or a quarter."""
    far = at_high(8.0).next().turns_cw or 0
    assert far * 24 == pytest.approx(round(far * 24))
    near = at_high(9.0, bands={"high": (9.1, 9.3), "low": (8.7, 8.9)}).next()
    assert near.action == "turn"
    assert abs(near.turns_cw or 0) < MARK


@pytest.mark.parametrize("co2", [8.3, 8.9, 9.6, 10.2])
def test_in_doubt_about_the_direction_a_mark_is_turned_and_the_far_edge_is_the_other_one(co2: float) -> None:
    """Too lean, a turn either way may pass the rich edge; too rich, the lean one; up to a mark, and never none."""
    setting = at_high(co2, **UNSTATED).setting()
    assert setting.best is not None
    assert 0 < abs(setting.best.turns_cw) <= MARK + 1e-9
    low, high = setting.edges
    for move in setting.moves([-MARK, MARK]):
        past = 1 - move.forecast.cdf(high) if co2 < 9.2 else move.forecast.cdf(low)
        assert move.chance_past_band == pytest.approx(past)


@pytest.mark.parametrize("told", [lambda: at_high(9.0), lambda: at_high().throttle(MARK, 8.1)])
def test_the_same_doubt_asks_for_one_more_reading_and_no_other(told: Made) -> None:
    """Close to the edge, or CO2 that may have gone against its turn: read once more, then it is decided."""
    job = told()
    doubt = job.why
    assert set(doubt) & {"close-to-edge", "maybe-against"}
    again = job.situation.latest()
    assert again
    job.wait(10).read("high", again.event.co2_pct or 0.0)
    assert not set(job.why) & {"close-to-edge", "almost-sure", "maybe-against"}


def test_each_further_reading_is_asked_only_where_half_of_what_was_missing_is_gone() -> None:
    """In band with 60 % after one reading: read again; after two 75 % are asked, after three 87.5 %."""
    for settled, chance, reads in ((1, 0.6, True), (2, 0.7, False), (2, 0.8, True), (3, 0.8, False), (3, 0.9, True)):
        case = Case(at_high(9.0).situation)
        now = replace(case.here.now, chance_in_band=chance)
        vars(case.here).update(now=now, settled=settled)
        advice = close_to_edge(case)
        assert (advice is not None and advice.action == "read") is reads


def test_past_the_lean_edge_is_a_cost_and_past_the_rich_edge_a_limit() -> None:
    """A mark leaner from 9.5 % may pass 9.0 with more than 5 %; a turn richer as likely to pass 9.4 is refused."""
    leaner = at_high(9.5).may("throttle", -MARK)
    assert leaner.allowed
    assert (leaner.chance_past_band or 0.0) > 0.05
    richer = high_after_low(8.8).may("throttle", 1 / 12)
    assert (richer.allowed, richer.why[0].code) == (False, "far-edge")


def test_a_safe_turn_is_advised_however_dear_the_rich_edge_is() -> None:
    """What passing it costs chooses among the turns that are allowed; it forbids none."""
    dear = high_after_low(8.5, policy=Policy(past_rich_turns=1000.0)).next()
    usual = high_after_low(8.5).next()
    assert (dear.action, usual.action) == ("turn", "turn")
    assert 0 < (dear.turns_cw or 0.0) <= (usual.turns_cw or 0.0)
