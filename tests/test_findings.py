"""What goes wrong, and that the tool says so: one job for each trouble, and silence on sound ones."""

import pytest
from replay import Told, at_high, moment, new_job

from advisor import fuels
from advisor.readings import co_limit_ppm, judge


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
    assert co_limit_ppm(new_job().facts) == 400
    assert co_limit_ppm(new_job(co_limit_ppm_air_free=100).facts) == 100
    assert co_limit_ppm(new_job(co_limit_ppm_air_free=2000).facts) == 400
    assert "high-co" in at_high(co_limit_ppm_air_free=100).read("high", 9.2, 90).codes
    assert "high-co" not in at_high().read("high", 8.4, 90).codes


def test_high_co_above_the_band_says_only_leaner() -> None:
    """Over the limit with CO2 above the band, the way out named is leaner, and the maker's."""
    text = at_high(10.6).read("high", 10.6, 600).next().findings[0].text
    assert text == (
        "CO is 671 ppm air-free, over the limit of 400. Do not turn richer; if CO climbs, burner off and air the room. "
        "CO2 is above the band: if the maker's instructions let you trim from here, only leaner; log it and read."
    )


def test_a_reversed_screw_is_found_and_may_be_stated() -> None:
    """CO2 falling with clockwise turns halts; stating the direction turns the advice round."""
    told = at_high()
    for co2 in (8.1, 7.9):
        told.turn("throttle", 1 / 24).wait(150).read("high", co2)
    advice = told.next()
    assert (advice.action, advice.findings[0].code) == ("halt", "wrong-way")
    told.check("throttle clockwise", "leaner").wait(1)
    advice = told.next()
    assert advice.action == "turn"
    assert advice.turns_cw is not None
    assert advice.turns_cw < 0
    assert advice.gain_per_turn is not None
    assert advice.gain_per_turn < 0


def test_a_direction_that_is_not_known_is_found_out_with_one_mark() -> None:
    """With clockwise "unknown" the first move is small, and what it shows decides the next."""
    told = at_high(clockwise={"throttle": "unknown"})
    first = told.next()
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
        assert told.next().action == "turn"
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


def test_a_step_that_the_sample_line_does_not_explain_is_taken_as_the_new_level() -> None:
    """With the line proved tight after the step, later readings count again."""
    told = at_high(9.1).read("high", 9.1).wait(30).read("high", 8.5)
    told.check("sample line", "tight").wait(10).read("high", 8.5).read("high", 8.5)
    assert told.next().action == "turn"


def test_a_step_up_with_no_turn_halts() -> None:
    """CO2 up with no turn made is no air leak: look at intake, flue and pressure."""
    advice = at_high(9.1).read("high", 9.1).wait(30).read("high", 9.8).next()
    assert (advice.action, advice.findings[0].code) == ("halt", "changed-by-itself")


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
    assert told.next().action == "turn"


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
        assert judge(job.facts, job.events[-1]) == ()
