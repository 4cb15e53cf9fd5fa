"""What goes wrong, and that the tool says so: one job for each trouble, and silence on sound ones."""

from dataclasses import replace

import pytest
from replay import Told, at_high, moment, new_job

from advisor import Job, RangeError
from advisor.chemistry import fuels
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.decision.advise import LEFT
from advisor.decision.candidates import BLIND, NO_CO
from advisor.report import answers as text
from advisor.response.reading_checks import co_limit_ppm, judge


def test_a_sound_reading_has_no_finding_but_the_sample_line() -> None:
    """A reading on the fuel's line with little CO is no trouble."""
    assert at_high().codes == {"sample-line"}
    assert Told().check("sample line", "tight").run_at("high").wait(180).read("high", 8.3).codes == set()


@pytest.mark.parametrize(
    ("co2", "o2", "co", "code"),
    [
        (12.3, 0.5, 20, "impossible"),  # natural gas gives 11.9 % at most
        (1.0, 19.2, 20, "impossible"),  # no flame that could be set
        (8.3, 20.95, 20, "impossible"),  # plain air
        (10.8, 0.2, 9000, "rich"),
        (9.2, 6.9, 20, "other-fuel"),  # propane's line
        (9.2, 2.5, 20, "off-line"),
        (9.2, 4.6, 900, "high-co"),
    ],
)
def test_one_bad_reading_halts(co2: float, o2: float, co: float, code: str) -> None:
    """Each trouble that one reading shows is found at once, stops the job, and a good reading clears it."""
    told = at_high().read("high", co2, co, o2)
    advice = told.next()
    assert advice.action == "halt"
    assert code in {finding.code for finding in advice.findings}
    assert not told.may("throttle", 1 / 24).allowed
    assert told.read("high", 8.3).next().action != "halt"


def test_a_bad_reading_can_be_voided() -> None:
    """Striking the reading that halted the job lets it go on."""
    told = at_high().read("high", 9.2, 900, 4.6)
    assert told.next().action == "halt"
    told.job.void(at=moment(told.now_s))
    assert told.next().action == "turn"


def test_a_bad_reading_teaches_nothing() -> None:
    """The belief after a reading on another fuel's line is the belief before it."""
    told = at_high()
    before = told.next()
    after = told.read("high", 9.2, 20, 6.9).read("high", 8.3).job.response("throttle", at=moment(told.now_s))
    assert after.gain_per_turn == pytest.approx(before.gain_per_turn, rel=0.05)


def test_the_users_stricter_co_limit_wins_and_a_laxer_one_does_not() -> None:
    """ANSI/BPI-1200-S-2017 [S]: 400 ppm air-free; the user's own limit holds where it is stricter."""
    assert co_limit_ppm(new_job().setup) == 400
    assert co_limit_ppm(new_job(co_limit_ppm_air_free=100).setup) == 100
    assert co_limit_ppm(new_job(co_limit_ppm_air_free=2000).setup) == 400
    assert "high-co" in at_high(co_limit_ppm_air_free=100).read("high", 9.2, 90).codes
    assert "high-co" not in at_high().read("high", 8.4, 90).codes


def test_high_co_above_the_band_says_only_leaner() -> None:
    """Over the limit with CO2 above the band, the way out named is leaner, and the maker's."""
    text = at_high(10.6).read("high", 10.6, 600).next().findings[0].text
    assert text == (
        "CO at high fire is 671 ppm air-free, over the limit of 400. Do not turn richer; unless it falls at once, "
        "burner off and air the room. CO2 is above the band: if the maker's instructions let you trim from here, only "
        "leaner; log it and read."
    )


@pytest.mark.parametrize("clockwise", ["richer", "leaner"])
def test_a_turn_leaner_in_a_co_stop_is_refused_without_calling_it_dangerous(clockwise: str) -> None:
    """The stop stands, but the reason says that leaner is the safe way and where to look; richer is plainly stopped."""
    told = at_high(10.6, clockwise={"throttle": clockwise}).read("high", 10.6, 600)
    richer = 1 / 24 if clockwise == "richer" else -1 / 24
    leaner = told.may("throttle", -richer)
    assert not leaner.allowed
    assert leaner.reasons[0].startswith("Leaner is the safe direction, but how far is not advised")
    assert "only leaner" in leaner.reasons[1]
    assert told.may("throttle", richer).reasons[0] == "Stop: no turn until this is cleared."


def test_nobody_is_told_that_a_turn_is_leaner_while_its_way_is_not_known() -> None:
    """No word of a safe direction for a screw whose way nobody knows."""
    told = at_high(10.6, clockwise={"throttle": "unknown"}).read("high", 10.6, 600)
    for turns in (1 / 24, -1 / 24):
        assert told.may("throttle", turns).reasons[0] == "Stop: no turn until this is cleared."


def test_a_reversed_screw_is_found_and_may_be_stated() -> None:
    """CO2 falling with clockwise turns halts; stating the direction turns the advice round."""
    told = at_high()
    told.turn("throttle", 1 / 24).wait(150).read("high", 8.1)
    assert (told.next().action, told.next().findings[0].code) == ("read", "wrong-way")
    told.turn("throttle", 1 / 24).wait(150).read("high", 7.9)
    assert (told.next().action, told.next().findings[0].code) == ("halt", "wrong-way")
    told.check("throttle clockwise", "leaner").wait(1)
    advice = told.next()
    assert advice.action == "turn"
    assert advice.turns_cw is not None
    assert advice.turns_cw < 0
    assert advice.gain_per_turn is not None
    assert advice.gain_per_turn < 0


def test_a_direction_that_is_not_known_is_found_out_with_one_mark() -> None:
    """With clockwise "unknown" the first move is small, and what it shows decides the next."""
    told = Told(clockwise={"throttle": "unknown"}).run_at("low").wait(180).read("low", 8.2)
    first = told.run_at("high").wait(180).read("high", 8.3).next()
    assert first.action == "turn"
    assert abs(first.turns_cw or 0) <= 1 / 24 + 1e-9
    told.turn("throttle", 1 / 24).wait(150).read("high", 8.0).read("high", 8.0)
    second = told.next()
    assert second.action == "turn"
    assert (second.turns_cw or 0) < 0


def test_a_dead_screw_is_found_after_honest_moves() -> None:
    """Turns that change nothing halt the job; one turn is not enough to say so."""
    told = at_high()
    told.turn("throttle", 1 / 24).wait(150).read("high", 8.3)
    assert "no-effect" not in told.codes
    for _ in range(2):
        told.turn("throttle", 1 / 8).wait(150).read("high", 8.3)
    assert told.next().action == "halt"
    assert "no-effect" in told.codes


def test_slack_is_seen_after_a_reversal() -> None:
    """A first move back that shows nothing is told as slack, not as a fault."""
    told = Told().run_at("low").wait(5).run_at("high").wait(180).read("high", 9.2).run_at("low").wait(180)
    told.read("low", 8.0)
    for turns, co2 in ((1 / 24, 8.3), (1 / 12, 8.8), (1 / 12, 9.3), (-1 / 24, 9.3), (-1 / 24, 9.1)):
        told.turn("offset", turns).wait(150).read("low", co2)
    assert "slack" in told.codes
    assert told.next().action != "halt"


def test_air_entering_during_the_visit_halts_and_asks_for_the_sample_line() -> None:
    """CO2 down and O2 up with no turn made: stop, look at the line; a reading as before clears it."""
    told = at_high(9.1).read("high", 9.1).wait(30).read("high", 8.5)
    advice = told.next()
    assert (advice.action, advice.findings[0].code) == ("halt", "air-in-sample")
    assert 'check "sample line" tight' in advice.findings[0].text
    assert told.read("high", 8.5).next().action == "halt"
    assert told.read("high", 9.1).next().action != "halt"


@pytest.mark.parametrize(("back", "code"), [(8.5, "air-in-sample"), (9.7, "changed-by-itself"), (9.0, ""), (9.2, "")])
def test_a_rate_that_comes_back_changed_is_seen_through_the_readings_on_the_way(back: float, code: str) -> None:
    """High fire before and after low fire: a reading on the way back must not teach that this is how it always was."""
    told = at_high(9.1).read("high", 9.1).run_at("low").wait(150).read("low", 8.8)
    told.turn("offset", -1 / 48).wait(150).read("low", 8.7).run_at("high")
    told.wait(35).read("high", back).wait(25).read("high", back).wait(90).read("high", back).read("high", back)
    found = [finding for finding in told.next().findings if finding.code in ("air-in-sample", "changed-by-itself")]
    assert [finding.code for finding in found] == ([code] if code else [])
    assert all("with no turn of the throttle screw made" in finding.text for finding in found)


def known_throttle() -> Told:
    """A job whose throttle gives 0.2 % CO2 per mark, read three times, and then turned by two marks more."""
    told = at_high(8.2)
    for co2 in (8.4, 8.6, 8.8):
        told.turn("throttle", 1 / 24).wait(150).read("high", co2)
    return told.turn("throttle", 1 / 12)


def known_leaner() -> Told:
    """A job far too rich whose throttle gives 0.2 % CO2 leaner per mark, read three times, then turned by two more."""
    told = at_high(9.4, bands={"high": (6.5, 7.1), "low": (8.6, 9.0)}, pressures={"working pressure": (18, 24, "mbar")})
    for co2 in (9.2, 9.0, 8.8):
        told.turn("throttle", -1 / 24).wait(150).read("high", co2)
    return told.turn("throttle", -1 / 12)


FALLS = ("fell", "fell-short", "fell-again")


@pytest.mark.parametrize(("came", "code"), [(8.3, "fell"), (8.8, "fell-short"), (8.9, ""), (9.2, ""), (9.4, "")])
def test_co2_that_falls_short_of_its_turn_is_warned_of_until_the_line_is_proved(came: float, code: str) -> None:
    """Air that enters while the screw is turned hides in the turn: what came is held against what was expected."""
    told = known_throttle().wait(150).read("high", came)
    advice = told.next()
    found = [finding for finding in advice.findings if finding.code in FALLS]
    assert [(finding.code, finding.severity) for finding in found] == ([(code, "warn")] if code else [])
    assert all("prove the line tight again" in finding.text for finding in found)
    if code:
        assert advice.action == "read"
        assert text.first_line(advice).startswith("Prove the sample line tight, then read")
        assert told.may("throttle", 1 / 24).reasons[0] == "Prove the sample line tight first."
    assert not set(FALLS).intersection(told.check("sample line", "tight").codes)


def test_after_a_fall_the_proof_asks_for_a_new_reading() -> None:
    """Back up on a line proved tight: it had leaked, what fell is forgotten. The same again: it was so."""
    told = known_throttle().wait(150).read("high", 8.3)
    assert told.check("sample line", "tight").wait(10).next().action == "read"
    mended = told.read("high", 9.2).job.situation(moment(told.now_s)).belief
    never = known_throttle().wait(160).read("high", 9.2).job.situation(moment(told.now_s)).belief
    assert mended.settled("high").mean == pytest.approx(never.settled("high").mean, abs=0.002)
    assert mended.gain("throttle").mean == pytest.approx(never.gain("throttle").mean, abs=0.002)
    assert not set(FALLS).intersection(told.codes)
    told = known_throttle().wait(150).read("high", 8.3).check("sample line", "tight").wait(10).read("high", 8.3)
    taught = told.job.situation(moment(told.now_s)).belief
    assert taught.settled("high").mean == pytest.approx(8.3, abs=0.15)
    assert taught.gain("throttle").mean < 0.8 * never.gain("throttle").mean


def test_a_fall_that_comes_again_with_the_line_tight_asks_for_pressure_and_turn() -> None:
    """It is no air then: the gas, or a turn that was not made so. Another turn, or a pressure looked at, ends it."""
    told = known_leaner().wait(150).read("high", 7.7).check("sample line", "tight").wait(10).read("high", 7.7)
    (found,) = [finding for finding in told.next().findings if finding.code in FALLS]
    assert (found.code, found.severity) == ("fell-again", "warn")
    assert found.text.endswith("check the gas pressure. Was the turn made as logged? If not, void 9.")
    assert told.next().action == "turn"
    for end in (lambda job: job.turn("throttle", -1 / 24), lambda job: job.check("working pressure", 20.0, "mbar")):
        told = known_leaner().wait(100).check("sample line", "tight").wait(50).read("high", 7.7)
        assert "fell-again" in told.codes
        assert "fell-again" not in end(told).codes


def test_what_a_check_says_may_be_typed_in_capitals() -> None:
    """TIGHT is tight, on the log too."""
    told = (
        known_leaner().wait(150).read("high", 7.7).check("sample line", "TIGHT").check("throttle clockwise", "Richer")
    )
    assert [event.value for event in told.job.events if event.event == "check"] == ["tight", "richer"]
    assert not set(FALLS).intersection(told.codes)


def test_a_fall_with_no_turn_made_is_no_question_of_a_turn() -> None:
    """The line was proved before the first reading; low fire comes back lower: the line again, no row to void."""
    told = Told().check("sample line", "tight").run_at("high").wait(180).read("high", 9.2).run_at("low").wait(150)
    told.read("low", 8.8).run_at("high").wait(150).read("high", 9.2).run_at("low").wait(150).read("low", 8.0)
    assert "fell-again" not in told.codes
    assert {"fell", "fell-short", "air-in-sample"}.intersection(told.codes)


def test_a_fall_read_again_lets_the_turn_be_made_with_the_proof_first() -> None:
    """Who can't prove the line at once is not held for ever; both answers say what comes first."""
    told = known_leaner().wait(150).read("high", 7.7).read("high", 7.7)
    advice = told.next()
    assert advice.action == "turn"
    assert text.first_line(advice).startswith("Prove the sample line tight first, then turn")
    verdict = told.may("throttle", advice.turns_cw or 0.0)
    assert verdict.allowed
    assert verdict.reasons[0].startswith("Prove the sample line tight first.")
    assert abs(advice.turns_cw or 0.0) <= 1 / 24 + 1e-9
    refused = told.may("throttle", -1 / 12).reasons[0]
    assert refused == "Prove the sample line tight first: till then 1/24 turn at most."


def test_nothing_read_on_a_leaking_line_counts_once_it_is_mended() -> None:
    """Not before it was found, not at the other rate, not while it is being mended."""
    clean = known_throttle().wait(400)
    told = known_throttle().wait(150).read("high", 8.3).run_at("low").wait(100).read("low", 8.0)
    told.check("sample line", "leaking").wait(10).read("low", 8.0)
    assert told.next().findings[0].code == "sample-line-leak"
    told.check("sample line", "tight").run_at("high").wait(90)
    assert told.next().action in ("wait", "read")
    belief = told.job.situation(moment(told.now_s)).belief
    for firing in ("high", "low"):
        expected = clean.job.situation(moment(clean.now_s)).belief.settled(firing)
        assert belief.settled(firing).mean == pytest.approx(expected.mean, abs=1e-9)
    assert told.wait(60).read("high", 9.2).next().action != "turn"


def test_a_fall_never_looked_at_is_no_ground_for_another_day() -> None:
    """Hours later the boiler is started anew: the gain is that of before the fall."""
    told = known_throttle().wait(150).read("high", 8.3).wait(5 * 3600).run_at("high").wait(200)
    clean = known_throttle().wait(150).wait(5 * 3600).run_at("high").wait(200)
    gains = [job.job.situation(moment(job.now_s)).belief.gain("throttle").mean for job in (told, clean)]
    assert gains[0] == pytest.approx(gains[1], abs=0.01)
    assert not set(FALLS).intersection(told.codes)


def test_a_fall_of_another_day_takes_no_reading_of_this_one_back() -> None:
    """The line is proved tight after this session's readings: they stand."""
    told = known_throttle().wait(150).read("high", 8.3).wait(5 * 3600).run_at("high").wait(200).read("high", 9.2)
    told.check("sample line", "tight")
    visit = told.job.situation(moment(told.now_s))
    assert len(visit.settled_readings("high", visit.session_from_s)) == 1


def test_a_line_proved_since_is_no_guess_beside_a_backwards_screw() -> None:
    """The stop names air in the sample until the line has been looked at."""
    told = at_high().turn("throttle", 1 / 24).wait(150).read("high", 8.1)
    told.turn("throttle", 1 / 24).wait(150).read("high", 7.9)
    for named in (True, False):
        (stop,) = [finding for finding in told.next().findings if finding.code == "wrong-way"]
        assert ("air enters the sample" in stop.text) is named
        told.check("sample line", "tight")


def test_a_small_fall_does_not_bar_done() -> None:
    """Where the line was not proved after one: the warning stays, as one sound job in ten of the worst has one."""
    told = known_throttle().wait(150).read("high", 8.8).read("high", 8.8).turn("throttle", 1 / 12).wait(150)
    for _ in range(3):
        told.read("high", 9.2)
    told.run_at("low").wait(150)
    for _ in range(3):
        told.read("low", 8.8)
    advice = told.next()
    assert (advice.action, advice.findings[0].code) == ("finish", "fell-short")


def test_a_fall_is_seen_through_the_readings_on_the_way() -> None:
    """What was expected is as of the turn: an early reading that shows the fall already must not teach it."""
    told = known_throttle().wait(40).read("high", 8.5).wait(100).read("high", 8.3)
    assert "fell" in told.codes


def test_a_fall_needs_a_reading_before_it_at_the_same_rate() -> None:
    """A first look at low fire far below its band is a lean boiler, with no turn that it could fall short of."""
    assert "fell" not in at_high(9.2).read("high", 9.2).run_at("low").wait(150).read("low", 5.0).codes


def test_a_leak_found_takes_back_what_was_read_since_the_turn() -> None:
    """After a fall, a leak and its mending the display counts, not what air made of it."""
    told = known_throttle().wait(150).read("high", 8.3)
    told.check("sample line", "leaking")
    assert told.next().action == "halt"
    told.check("sample line", "tight").wait(10).read("high", 9.2)
    assert told.next().action != "turn"
    assert told.job.situation(moment(told.now_s)).belief.settled("high").mean == pytest.approx(9.2, abs=0.1)


def test_a_rate_that_came_back_changed_counts_once_the_line_is_proved() -> None:
    """Two readings after the proof agree with each other; the level before it is no measure any more."""
    told = at_high(9.2).read("high", 9.2).run_at("low").wait(150).read("low", 8.8).run_at("high").wait(150)
    told.read("high", 8.6)
    assert "air-in-sample" in told.codes
    told.check("sample line", "tight").wait(10).read("high", 8.6).wait(10).read("high", 8.6)
    assert "air-in-sample" not in told.codes


def test_a_fall_bars_done_until_the_line_is_proved() -> None:
    """In band on a display that may have drawn air is not done; the first line of a turn says what comes first."""
    told = at_high(9.4, bands={"high": (7.5, 8.1), "low": (8.6, 9.0)})
    for co2 in (9.2, 9.0, 8.8):
        told.turn("throttle", -1 / 24).wait(150).read("high", co2)
    told.turn("throttle", -1 / 12).wait(150).read("high", 7.7)
    (fell,) = [finding for finding in told.next().findings if finding.code == "fell"]
    turn = replace(at_high(8.3).next(), findings=(fell,))
    assert text.first_line(turn).startswith("Prove the sample line tight first, then turn the throttle screw")
    told.read("high", 7.8).read("high", 7.8).run_at("low")
    told.wait(150).read("low", 8.8).read("low", 8.8).read("low", 8.8)
    assert (told.next().action, told.next().findings[0].code) == ("halt", "not-proved")
    assert told.check("sample line", "tight").next().action == "read"  # what was read on a line in doubt
    for firing, co2 in (("low", 8.8), ("high", 7.8)):
        assert told.next().action != "finish"
        told.run_at(firing).wait(150)
        for _ in range(4):
            told.read(firing, co2)
    assert told.next().action == "finish"


def test_a_boiler_lit_again_at_the_same_rate_waits_its_two_minutes() -> None:
    """Logged once more at its rate, minutes later: it was off meanwhile. Within its start it says nothing new."""
    told = at_high(8.3).wait(600).run_at("high").wait(20)
    assert told.next().action == "wait"
    told.read("high", 1.5, o2=18.3)
    assert told.codes.isdisjoint({"impossible", "air-in-sample"})
    assert told.wait(110).read("high", 8.3).next().action == "turn"
    again = Told().run_at("high").wait(60).run_at("high").wait(65).read("high", 8.3)
    assert again.next().action == "turn"


def test_a_step_that_the_sample_line_does_not_explain_is_taken_as_the_new_level() -> None:
    """With the line proved tight after the step, later readings count again."""
    told = at_high(9.1).read("high", 9.1).wait(30).read("high", 8.5)
    told.check("sample line", "tight").wait(10).read("high", 8.5).read("high", 8.5)
    assert told.codes.isdisjoint({"air-in-sample", "changed-by-itself"})
    assert (told.next().action, told.next().firing) == ("turn", "high")


def test_a_step_up_with_no_turn_halts() -> None:
    """CO2 up with no turn made is no air leak: look at intake, flue and pressure."""
    advice = at_high(9.1).read("high", 9.1).wait(30).read("high", 9.8).next()
    assert (advice.action, advice.findings[0].code) == ("halt", "changed-by-itself")


def test_a_lone_small_step_is_read_again_before_anything_else() -> None:
    """One reading a little off proves nothing: read again. As before: go on; off again: stop."""
    told = at_high(8.3).read("high", 8.3).read("high", 8.6)
    advice = told.next()
    assert (advice.action, advice.firing) == ("read", "high")
    assert advice.reasons == ("CO2 went from 8.3 to 8.6 % with no turn made (row 4): read again to be sure.",)
    assert not told.may("throttle", 1 / 24).allowed
    assert told.read("high", 8.3).next().action == "turn"
    again = at_high(8.3).read("high", 8.3).read("high", 8.6).read("high", 8.6).next()
    assert (again.action, again.findings[0].code) == ("halt", "changed-by-itself")


def test_an_odd_reading_left_behind_at_the_other_rate_is_read_again() -> None:
    """After a change of rate the odd reading is not forgotten: back to where it was."""
    told = at_high(9.2).read("high", 9.2).read("high", 9.5).run_at("low").wait(120).read("low", 8.8)
    advice = told.next()
    assert (advice.action, advice.firing) == ("run_at", "high")
    assert "did not fit" in advice.reasons[0]


def test_a_screw_that_seems_reversed_is_read_again_and_warned_of() -> None:
    """One small move against the turn is no proof: the display is read again, with a warning, before the next turn."""
    told = at_high(8.3).turn("throttle", 1 / 24).wait(150).read("high", 8.2)
    assert told.next().action == "read"
    advice = told.read("high", 8.2).next()
    assert [(f.code, f.severity) for f in advice.findings if f.code == "wrong-way"] == [("wrong-way", "warn")]


def test_two_turns_without_effect_are_warned_of_and_a_larger_one_stops() -> None:
    """No slope after two honest moves: is it the right screw? After a larger one the job stops."""
    told = at_high(8.3)
    for _ in range(2):
        told.turn("throttle", 1 / 24).wait(150).read("high", 8.3)
    assert [f.severity for f in told.next().findings if f.code == "no-effect"] == ["warn"]
    assert told.next().turns_cw == told.job.setup.cap_turns["throttle"]
    assert told.turn("throttle", 1 / 8).wait(150).read("high", 8.3).next().action == "halt"


def test_creeping_co2_is_drift() -> None:
    """A slow change in small steps with no turn made halts, three agreeing readings clear it."""
    told = at_high(9.0)
    for co2 in (8.9, 8.8, 8.7, 8.6):
        told.wait(50).read("high", co2)
    assert told.next().action == "halt"
    assert told.codes & {"drift", "air-in-sample"}
    told = at_high(9.0)
    for co2 in (9.0, 9.1, 9.0, 9.0):
        told.wait(50).read("high", co2)
    assert "drift" not in told.codes


def test_a_reading_too_soon_is_said_so() -> None:
    """15 s after a turn is too soon to steer by: wait the rest."""
    told = at_high().turn("throttle", 1 / 24).wait(15).read("high", 8.4)
    advice = told.next()
    assert advice.action == "wait"
    assert "not-settled" in told.codes
    assert advice.wait_s is not None
    assert 30 <= advice.wait_s <= 60


def test_a_wrong_gas_pressure_blocks_until_it_is_right() -> None:
    """Outside the data plate's range no combustion is set, in whatever unit the pressure is read."""
    told = at_high(pressures={"working pressure": (17.0, 25.0, "mbar")})
    told.check("working pressure", 14.0, "mbar")
    assert (told.next().action, told.next().findings[0].code) == ("halt", "pressure")
    told.check("working pressure", 8.0, "in w.c.").wait(1)  # 19.9 mbar
    assert told.next().action == "read"  # what was read at the wrong pressure is no ground for a turn
    assert told.read("high", 8.3).next().action == "turn"


def test_the_travel_limit_halts() -> None:
    """A screw at its travel limit with the band still out of reach stops the job."""
    told = at_high(7.0, travel_limit_turns={"throttle": 1 / 8}, mark_turns={"throttle": 1 / 24})
    for co2 in (7.1, 7.2, 7.3):
        told.turn("throttle", 1 / 24).wait(150).read("high", co2).read("high", co2)
    for _ in range(6):
        told.read("high", 7.3)
    advice = told.next()
    assert (advice.action, advice.findings[0].code) == ("halt", "travel-limit")


def test_co2_alone_is_warned_of() -> None:
    """Without O2 a rich flame can't be told from a lean one."""
    job = new_job()
    job.run_at("high", at=moment(0))
    job.read("high", 8.3, at=moment(180))
    assert "co2-alone" in {finding.code for finding in job.next(moment(180)).findings}


def test_every_fuel_is_on_its_own_line() -> None:
    """A reading made from a fuel's own stoichiometry raises no doubt about the fuel."""
    for fuel in fuels.BUILT_IN:
        centre = 0.78 * fuel.co2_max_pct
        job = new_job(fuel=fuel, bands={"high": (centre - 0.2, centre + 0.2), "low": (centre - 0.5, centre - 0.1)})
        job.run_at("high", at=moment(0))
        job.read("high", round(centre, 1), round(fuel.o2_from_co2_pct(centre), 1), 20, at=moment(180))
        assert judge(job.setup, job.events[-1]) == ()


def test_high_co_is_cleared_only_by_a_reading_with_co_at_that_rate() -> None:
    """Neither a reading without CO nor one at the other rate lifts the stop; no finish with CO over the limit."""
    told = at_high(9.2).read("high", 9.2, 900, 4.6)
    assert told.next().action == "halt"
    assert told.read("high", 9.2, None).next().action == "halt"
    told.run_at("low").wait(240).read("low", 8.8)
    assert told.next().action == "halt"
    told.run_at("high").wait(240).read("high", 9.2)
    assert told.next().action == "finish"


def test_a_rich_stop_is_not_lifted_by_co2_alone() -> None:
    """After CO in thousands a bare CO2 figure changes nothing."""
    told = at_high(8.1).read("high", 8.1, 9000, 0.1)
    told.job.read("high", 8.1, at=moment(told.now_s))
    advice = told.next()
    assert (advice.action, advice.findings[0].code) == ("halt", "rich")
    assert [finding.code for finding in advice.findings if finding.severity == "halt"] == ["rich"]


def test_little_o2_with_little_co2_may_be_rich_even_without_co() -> None:
    """O2 near 0 with far too little CO2 is called rich when CO was left out (over range, perhaps)."""
    told = at_high()
    told.job.read("high", 8.1, 0.1, at=moment(told.now_s))
    assert told.next().findings[0].code == "rich"


def test_no_turn_richer_on_co2_alone() -> None:
    """On CO2 alone nothing is turned; richer needs CO, leaner O2 or CO."""
    for co2, way in ((8.3, 1), (10.2, -1)):
        job = new_job()
        job.run_at("high", at=moment(0))
        job.read("high", co2, at=moment(180))
        assert job.next(moment(180)).action == "read"
        assert job.next(moment(180)).reasons == (BLIND,)
        assert not job.may("throttle", way / 24, moment(180)).allowed
        job.read("high", co2, NATURAL_GAS.o2_from_co2_pct(co2), at=moment(190))
        allowed = job.may("throttle", way / 24, moment(190)).allowed
        assert allowed is (way < 0)
        assert job.next(moment(190)).action == ("turn" if allowed else "read")


def test_every_turn_richer_needs_co_of_its_own() -> None:
    """CO that was read before the last turn does not serve for the next one."""
    job = at_high(8.0).turn("throttle", 1 / 24).wait(150).read("high", 8.1, co=None)
    assert (job.next().action, job.next().reasons) == ("read", (NO_CO,))
    assert not job.may("throttle", 1 / 24).allowed
    assert "throttle" in (job.read("high", 8.1).next().screw or "throttle")
    assert job.next().reasons != (NO_CO,)


def test_co_that_climbs_bars_richer_turns() -> None:
    """From half of the limit on no richer turn is advised or allowed, leaner ones are."""
    told = at_high().read("high", 8.3, 260)
    assert "co-rising" in told.codes
    assert told.next().action == "halt"
    assert not told.may("throttle", 1 / 24).allowed
    above = at_high(10.0).read("high", 10.0, 260)
    assert above.next().action == "turn"
    assert (above.next().turns_cw or 0) < 0


def test_a_leaking_sample_line_halts_until_it_is_tight() -> None:
    """`leaking` stops the job; only `tight` or `leaking` can be logged."""
    told = at_high().check("sample line", "leaking")
    assert (told.next().action, told.next().findings[0].code) == ("halt", "sample-line-leak")
    told.wait(1).check("sample line", "tight").wait(1)
    assert told.next().action == "read"
    assert told.read("high", 8.3).next().action == "turn"
    with pytest.raises(RangeError, match=r"^sample line 'leaky': it is tight or leaking$"):
        told.check("sample line", "leaky")


def test_a_misspelt_check_is_asked_about() -> None:
    """A name close to one that means something is questioned, any other is taken as it is."""
    told = at_high(pressures={"working pressure": (17.0, 25.0, "mbar")})
    with pytest.raises(RangeError) as error:
        told.check("working presure", 30, "mbar")
    assert (
        str(error.value)
        == "check 'working presure': did you mean \"working pressure\"? Put it in quotes, it is one name"
    )
    with pytest.raises(RangeError) as error:
        told.check("working pressure", 20)
    assert str(error.value) == "the working pressure needs its unit, such as mbar"
    told.check("burner pressure drop", 3, "Pa")


def test_a_pressure_that_was_stated_but_never_checked_is_warned_of() -> None:
    """With a data-plate range given, the check is missed until it is logged."""
    told = at_high(pressures={"working pressure": (17.0, 25.0, "mbar")})
    assert "pressure-unknown" in told.codes
    told.check("working pressure", 20.0, "mbar").wait(1)
    assert "pressure-unknown" not in told.codes


def test_a_turn_above_the_cap_is_commented_on_and_the_way_back_is_open() -> None:
    """A slip of 1 turn is questioned at once; from beyond the travel limit a turn back is allowed."""
    told = at_high().turn("throttle", 1.0).wait(1).turn("throttle", 0.5).wait(1)
    text = next(finding.text for finding in told.next().findings if finding.code == "large-turn")
    assert text == (
        "Row 4 is 1/2 turn, the cap is 1/8. If it was made, watch CO as it comes; if it is a slip of the pen, void 4."
    )
    told.wait(300).read("high", 10.8, 120).read("high", 10.8, 120)
    advice = told.next()
    assert advice.action == "turn"
    assert (advice.turns_cw or 0) < 0


def test_a_turn_at_the_wrong_rate_is_commented_on() -> None:
    """The offset screw turned at high fire is told where it belongs."""
    assert "wrong-rate" in at_high().turn("offset", 1 / 24).wait(10).codes


def test_the_next_day_starts_anew() -> None:
    """After hours a reading counts as the first word of its rate, and as-left figures of before don't count."""
    told = at_high(9.2).run_at("low").wait(240).read("low", 8.8)
    assert told.next().action == "finish"
    told.wait(20 * 3600).read("low", 8.8)
    assert told.next().action == "wait"
    told.wait(300).read("low", 8.8)
    assert (told.next().action, told.next().firing) == ("run_at", "high")


@pytest.mark.parametrize("firing", ["high", "low"])
def test_the_next_day_the_display_comes_up_from_clean_air(firing: str) -> None:
    """A run-at after hours is a start: the wait is about the first day's, and a display still low is no trouble.

    At 40 s a display that settles in a minute or two stands 0.6 % under the flame.
    """
    told = at_high(9.2).wait(20 * 3600).run_at(firing).wait(1)
    assert told.job.situation(moment(told.now_s)).wait_left_s() > 120
    assert told.wait(39).read(firing, 8.6).next().action == "wait"
    assert told.wait(200).read(firing, 9.2).codes == {"sample-line"}


@pytest.mark.parametrize(("hours", "co2", "o2"), [(0, 2.5, 17.0), (0, 0.0, 20.9), (20, 2.5, None)])
def test_a_slow_display_on_the_way_up_from_clean_air_is_waited_for(hours: float, co2: float, o2: float | None) -> None:
    """Half a minute after a start it may still show mostly air: a note, no stop, and the reading teaches nothing.

    After a night as on the first day.
    """
    told = Told() if not hours else at_high(9.2).wait(hours * 3600)
    told.run_at("high").wait(30)
    before = told.job.situation(moment(told.now_s)).belief
    told.job.read("high", co2, o2, 0 if co2 == 0 else 12, at=moment(told.now_s))
    visit, advice = told.job.situation(moment(told.now_s)), told.next()
    assert advice.action == "wait"
    (said,) = [finding for finding in advice.findings if finding.code == "not-settled"]
    assert (said.severity, said.text) == (
        "note",
        "The last reading came 30 s after the start, on the way up from clean air: wait and read again.",
    )
    assert visit.belief is before
    assert told.may("throttle", 1 / 24).reasons[0].startswith("Not settled: wait ")
    assert told.wait(170).read("high", 9.2).codes == {"sample-line"}


def on_the_way_up() -> Told:
    """High fire, half a minute after the first start."""
    return Told().run_at("high").wait(30)


@pytest.mark.parametrize(
    ("told", "code"),
    [
        (on_the_way_up().wait(120).read("high", 2.5), "impossible"),  # settled by then: no flame, or the probe in air
        (on_the_way_up().read("high", 7.9).wait(10).read("high", 2.5), "impossible"),  # it had come up already
        (at_high().run_at("low").wait(5).read("low", 2.5), "impossible"),  # no start: nothing of clean air is left
        (at_high().turn("throttle", 1 / 24).wait(5).read("high", 2.5), "impossible"),
        (Told().read("high", 2.5), "impossible"),  # nobody logged a start
        (on_the_way_up().read("high", 12.3, o2=0.5), "impossible"),  # clean air does not add CO2
        (on_the_way_up().read("high", 2.5, o2=12.0), "impossible"),  # nor take O2 away
        (on_the_way_up().read("high", 8.3, o2=20.95), "impossible"),
        (on_the_way_up().read("high", 2.5, co=90), "high-co"),
        (on_the_way_up().read("high", 2.5, co=50_000, o2=0.2), "high-co"),
        (on_the_way_up().read("high", 10.8, co=9000, o2=0.2), "rich"),
        (on_the_way_up().read("high", 9.2, o2=2.5), "off-line"),
    ],
)
def test_a_start_excuses_nothing_but_clean_air(told: Told, code: str) -> None:
    """Whatever clean air does not explain stops the job as ever, the start as short ago as may be."""
    advice = told.next()
    assert advice.action == "halt"
    assert code in {finding.code for finding in advice.findings if finding.severity == "halt"}


def test_zero_co2_is_a_finding_not_an_accident() -> None:
    """CO2 of 0 and of plain numbers beyond the fuel halt with a sentence."""
    for co2 in (0.0, 20.9):
        told = at_high()
        told.job.read("high", co2, 20.9, 0, at=moment(told.now_s))
        assert told.next().findings[0].code == "impossible"


@pytest.mark.parametrize(("co2", "co", "o2"), [(8.3, 900.0, 6.2), (8.3, 5000.0, 0.2)])
def test_air_or_a_hasty_reading_does_not_lift_a_stop_for_co(co2: float, co: float, o2: float) -> None:
    """Neither plain air with CO 0 nor a reading right after a change of rate clears CO; a settled one does."""
    told = at_high().read("high", co2, co, o2).wait(120).read("high", 0.1, 0, 20.8).wait(200)
    told.job.read("high", 8.3, 6.2, at=moment(told.now_s))
    assert told.next().action == "halt"
    told.wait(1).run_at("low").wait(60).run_at("high").wait(2).read("high", 8.3)
    assert told.next().action == "halt"
    assert told.wait(240).read("high", 8.3).next().action != "halt"


def test_co_near_its_limit_at_low_fire_bars_the_throttle_too() -> None:
    """The throttle makes every rate richer: CO that climbs at low fire bars it at high fire."""
    told = at_high(9.2).run_at("low").wait(240).read("low", 9.3, 290).run_at("high").wait(240).read("high", 8.3)
    assert not told.may("throttle", 1 / 24).allowed


def test_each_turn_richer_needs_o2_or_co_since_the_last() -> None:
    """One reading with O2 does not license a chain of turns on CO2 alone."""
    told = at_high(7.5).turn("throttle", 1 / 24).wait(150)
    told.job.read("high", 7.7, at=moment(told.now_s))
    assert told.next().action == "read"


def test_a_boiler_that_was_left_is_read_anew_whatever_was_checked_meanwhile() -> None:
    """Hours later neither `next` nor `may` turns, also after a morning's check; a run-at begins anew."""
    told = at_high().wait(6 * 3600)
    assert (told.next().action, told.next().firing) == ("run_at", "high")
    assert not told.may("throttle", 1 / 24).allowed
    told.check("sample line", "tight").wait(5)
    assert told.next().action == "run_at"
    told.run_at("high").wait(5).read("high", 8.5)
    assert told.next().action == "wait"


def test_an_old_log_is_not_turned_by() -> None:
    """`may` asked today about a job of the past refuses and says what to do first."""
    verdict = at_high().job.may("throttle", 1 / 24)
    assert not verdict.allowed
    assert verdict.reasons[0] == LEFT


def test_no_finish_with_a_pressure_that_was_never_checked() -> None:
    """What must be proved before the end is named by the answer that both rates are in band, till it is proved."""
    told = at_high(9.2, pressures={"working pressure": (17.0, 25.0, "mbar")}).run_at("low").wait(240).read("low", 8.8)
    assert (told.next().action, told.next().open_items) == (
        "finish", ("sample line", "opened joints", "working pressure"),
    )  # fmt: skip
    told.check("working pressure", 20, "mbar").wait(1).check("sample line", "tight").wait(1)
    assert told.next().open_items == ("opened joints",)
    assert told.check("opened joints", "tight").wait(1).next().open_items == ()


def test_joints_and_line_of_another_day_are_told_apart() -> None:
    """The sample line is proved anew on another day, the joints are not opened again by themselves."""
    told = Told().check("sample line", "tight").check("opened joints", "tight").wait(6 * 3600).run_at("high")
    told.wait(180).read("high", 9.2)
    assert "sample line" in told.next().open_items
    assert "opened joints" not in told.next().open_items


def test_a_pressure_that_was_edited_into_nonsense_is_a_finding() -> None:
    """A check row that a spreadsheet spoiled stops the job with a sentence, not a traceback."""
    told = at_high(pressures={"working pressure": (17.0, 25.0, "mbar")}).check("working pressure", 20, "mbar").wait(1)
    spoiled = replace(told.job.events[-1], value="19,8")
    told.job._events = (*told.job.events[:-1], spoiled)
    assert (told.next().action, told.next().findings[0].code) == ("halt", "pressure")


@pytest.mark.parametrize(
    ("item", "wrong", "right"),
    [
        ("opened joints", "leaking", "tight"),
        ("test points", "leaking", "tight"),
        ("CO alarm", "no", "yes"),
        ("clean air O2", "19.2 %", "20.9 %"),
        ("gas off", "no", "yes"),
        ("screws at start", "no", "not given"),
    ],
)
def test_an_answer_that_stops_stands_until_it_is_answered_right(item: str, wrong: str, right: str) -> None:
    """Whoever logs a leaking joint is not told to light or to turn, whatever command it was logged with."""
    told = Told().check(item, *wrong.split())
    assert told.next().action == "halt"
    told.run_at("high").wait(180).read("high", 8.3)
    advice = told.next()
    assert (advice.action, advice.findings[0].code) == ("halt", "not-ready")
    assert advice.findings[0].text.startswith(f"{item}")
    assert not told.job.may("throttle", 1 / 24, at=moment(told.now_s)).allowed
    assert told.check(item, *right.split()).next().action == "turn"


def test_too_large_a_pressure_drop_stands_until_pressure_is_measured_again() -> None:
    """No, then yes, with nothing measured in between, is no answer; with a new pressure it is asked anew."""
    plate = {"pressures": {"standing pressure": (17.0, 25.0, "mbar"), "working pressure": (17.0, 25.0, "mbar")}}
    told = at_high(**plate).check("standing pressure", 21, "mbar").check("working pressure", 18, "mbar").wait(1)
    told.check("pressure drop", "no").wait(1)
    assert told.next().findings[0].code == "not-ready"
    assert told.check("pressure drop", "yes").wait(1).next().action == "halt"
    assert told.check("working pressure", 20, "mbar").wait(1).next().action == "turn"
    assert told.check("pressure drop", "yes").wait(1).next().action == "turn"


def test_a_no_is_kept_as_a_no() -> None:
    """What was typed is what is stored; a no that fits no choice is asked back instead of taken for another."""
    job = new_job()
    for item, typed, stored in (
        ("screws at start", "no", "no"),
        ("screws at start", "N", "no"),
        ("screws at start", "not", "not given"),
        ("CO alarm", "n", "no"),
        ("cause of CO", "fixed", "mended"),
    ):
        job.check(item, typed, at=moment(0))
        assert (job.events[-1].item, job.events[-1].value) == (item, stored)
    before = len(job.events)
    for item, typed in (("opened joints", "no"), ("opened joints", "none"), ("other appliances", "no"),
                        ("cause of CO", "cleaned it")):  # fmt: skip
        with pytest.raises(RangeError):
            job.check(item, typed, at=moment(0))
    assert len(job.events) == before


def test_a_visit_that_changes_no_valve_may_have_opened_no_joint() -> None:
    """ "none opened" is asked back after a gas-valve change only."""
    job = Job(fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)}, visit="service")
    job.check("opened joints", "none opened", at=moment(0))
    assert job.events[-1].value == "none opened"


def test_what_is_only_due_at_the_end_stops_nothing() -> None:
    """Not sealed yet, still in test mode: as it must be while the screws are turned."""
    told = at_high().check("test mode off", "no").check("adjusters sealed", "no")
    assert told.next().action == "turn"


def test_co2_and_o2_the_wrong_way_round_are_named() -> None:
    """5.0 % CO2 with 9.0 % O2 is natural gas read in the wrong columns."""
    (finding,) = at_high().read("high", 5.0, o2=9.0).job.findings()[:1]
    assert finding.code == "off-line"
    assert "CO2 9.0 % with O2 5.0 % would be. Swapped? Then void it" in finding.text


@pytest.mark.parametrize(("typed", "unit", "meant"), [(198, "mbar", "19.8 mbar"), (19.8, "inH2O", "19.8 mbar")])
def test_a_slip_of_point_or_unit_in_a_pressure_is_named(typed: float, unit: str, meant: str) -> None:
    """Outside the range as typed, inside it with the point or the other unit: asked, not taken."""
    told = at_high(pressures={"working pressure": (17.0, 25.0, "mbar")}).check("working pressure", typed, unit)
    assert f"Or was {meant} meant? Then void that row" in told.next().findings[0].text
    told.wait(1).check("working pressure", 11.0, "mbar")
    assert "meant?" not in told.next().findings[0].text


def test_a_stop_for_the_wrong_fuel_says_what_lifts_it() -> None:
    """Only a new reading with O2 does: the stop says so."""
    assert "then read again with O2." in at_high().read("high", 9.2, 20, 6.9).next().findings[0].text


def test_the_way_of_a_screw_nobody_told_is_not_stated_while_it_is_unsure() -> None:
    """The note and the line on the screw agree: it seems so, until the range of what it does has one sign."""
    job = at_high(8.8, clockwise={"throttle": "unknown"}).turn("throttle", 1 / 24).wait(180).read("high", 8.7)
    said = text.say_advice(job.next(), job.job.setup)
    assert ("seems to make it leaner" in " ".join(said.split())) == ("is not sure yet" in said)
    job.turn("throttle", 1 / 24).wait(180).read("high", 8.4)
    assert (
        "On this valve the throttle screw makes it leaner" in {f.code: f.text for f in job.next().findings}["direction"]
    )
