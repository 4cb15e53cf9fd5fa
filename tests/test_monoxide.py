"""CO over a whole visit: what was seen is remembered, a jump counts before the limit does, no way back into it."""

from replay import Told, at_high, moment

from advisor.diagnosis.way_back import way_back
from advisor.log.check_items import CO_CAUSE, MENDED


def co_stop() -> Told:
    """High fire read 8.6 with CO 22, 8.8 with 60, 9.0 with 600, and turned back to where CO was 22."""
    job = at_high(8.6)
    for turns, co2, co in ((1 / 24, 8.8, 60.0), (1 / 24, 9.0, 600.0)):
        job.wait(20).turn("throttle", turns).wait(180).read("high", co2, co)
    assert job.next().action == "halt"
    job.wait(20).turn("throttle", -1 / 12).wait(180)
    for _ in range(3):
        job.read("high", 8.6, 22.0)
    return job


def test_co_over_its_limit_is_remembered() -> None:
    """A clean reading at less CO2 does not open the way back up: the stop says where CO was, and no turn goes there."""
    job = co_stop()
    advice = job.next()
    assert advice.action == "halt"
    assert "At 9.0 % CO2 at high fire CO was 789 ppm air-free" in advice.findings[0].text
    assert not job.job.may("throttle", 1 / 12, at=moment(job.now_s)).allowed


def test_a_mended_cause_opens_the_way_again() -> None:
    """Logged as mended, the readings before it no longer bar a turn; another value does not do it."""
    job = co_stop()
    job.check(CO_CAUSE, "not found")
    assert job.next().action == "halt"
    job.check(CO_CAUSE, MENDED).wait(5)
    job.read("high", 8.6, 22.0)
    assert job.next().action != "halt"


def test_a_turn_short_of_where_co_was_is_still_advised() -> None:
    """CO over its limit far above the band, as found, bars nothing on the way down."""
    job = Told().run_at("high").wait(180).read("high", 10.4, 900.0)
    assert job.next().action == "halt"
    job.wait(20).turn("throttle", -1 / 12).wait(180)
    for _ in range(3):
        job.read("high", 9.9, 40.0)
    advice = job.next()
    assert advice.action in ("turn", "run_at")
    assert (advice.turns_cw or -1) < 0


def test_co_that_jumps_with_a_turn_is_told_before_the_limit() -> None:
    """From 22 to 130 ppm in one small turn: no turn richer, though half the limit is not reached."""
    job = at_high(8.6).wait(20).turn("throttle", 1 / 24).wait(180).read("high", 8.8, 130.0)
    advice = job.next()
    said = next(finding for finding in advice.findings if finding.code == "co-rising")
    assert said.text.startswith("CO at high fire rose from 28 to 175 ppm air-free while CO2 went from 8.6 to 8.8 %.")
    assert advice.action != "turn"
    for turns in (1 / 48, 1 / 24, 1 / 12):
        assert not job.job.may("throttle", turns, at=moment(job.now_s)).allowed


def test_co_that_climbs_with_no_more_co2_is_told() -> None:
    """Turned leaner CO went from 22 to 110 ppm: said at once, the advice goes on; clean again, it is gone."""
    job = at_high(9.8).wait(20).turn("throttle", -1 / 24).wait(180).read("high", 9.6, 110.0)
    advice = job.next()
    said = next(finding for finding in advice.findings if finding.code == "co-by-itself")
    assert said.text.startswith("CO at high fire rose from 24 to 136 ppm air-free, though CO2 went from 9.8 to 9.6 %.")
    assert advice.action == "turn"
    assert "co-by-itself" not in job.read("high", 9.6, 24.0).codes


def test_co_that_stands_is_not_said_to_be_the_last_reading() -> None:
    """A clean reading too soon lifts nothing, but the display does not show what the stop says any more."""
    job = at_high(8.6).read("high", 8.6, 600.0)
    assert job.next().findings[0].text.startswith("CO at high fire is 830 ppm air-free")
    job.turn("throttle", -1 / 12).wait(10).read("high", 8.4, 27.0)
    said = job.next().findings[0].text
    assert said.startswith("CO at high fire was 830 ppm air-free")
    assert "CO2 was not above the band" in said


def test_a_rich_flame_that_stands_is_told_in_the_past_too() -> None:
    """Rich, turned leaner, read again too soon: the flame was rich; what is so of every rich flame stays."""
    job = at_high(8.6).read("high", 10.8, 9000.0, 0.2)
    assert job.next().findings[0].text.startswith("The flame is rich: CO 9000 ppm")
    job.turn("throttle", -1 / 12).wait(10).read("high", 8.4, 27.0)
    said = job.next().findings[0].text
    assert said.startswith("The flame was rich: CO 9000 ppm with O2 0.2 %. On this side CO2 falls when gas is added.")


def test_flicker_of_a_clean_flame_is_no_jump() -> None:
    """From 10 to 60 ppm is several times as much, and nothing."""
    job = at_high(8.6).read("high", 8.6, 10.0).wait(20).turn("throttle", 1 / 24).wait(180).read("high", 8.8, 60.0)
    assert not [finding for finding in job.next().findings if finding.code == "co-rising"]


def test_no_restoring_into_co() -> None:
    """As found had made CO: the way back there is richer and is not told as a turn to make."""
    job = Told().run_at("high").wait(180).read("high", 9.9, 500.0)
    job.wait(20).turn("throttle", -1 / 12).wait(20)
    (back,) = way_back(job.job.situation(moment(job.now_s)))
    assert back.richer_in_co
    assert "Burner off; out of service." in back.say()
    sound = at_high(9.9).turn("throttle", -1 / 12).wait(20)
    (back,) = way_back(sound.job.situation(moment(sound.now_s)))
    assert not back.richer_in_co


def test_a_slip_in_a_pressure_does_not_bring_an_old_co_stop_back() -> None:
    """CO that was read and cleared stays cleared when a pressure is logged wrong and put right."""
    job = Told(pressures={"working pressure": (17.0, 25.0, "mbar")}).check("working pressure", 20.0, "mbar")
    job.run_at("high").wait(180).read("high", 9.6, 500.0).wait(20).turn("throttle", -1 / 12).wait(180)
    job.read("high", 9.2, 30.0)
    assert job.next().action != "halt"
    job.wait(5).check("working pressure", 198.0, "mbar")
    assert [f.code for f in job.next().findings if f.severity == "halt"] == ["pressure"]
    job.wait(5).check("working pressure", 19.8, "mbar")
    assert job.next().action == "read"
