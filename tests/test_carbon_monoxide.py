"""CO over a whole visit: what was seen or struck is remembered, what climbs is said, no way back into it."""

from collections.abc import Callable

import pytest
from replay import Told, at_high, co_in_band

from advisor import RangeError
from advisor.diagnosis.carbon_monoxide import co_ceiling, co_course, co_struck
from advisor.log.check_items import CO_CAUSE, MENDED
from advisor.response.reading_checks import co_air_free_ppm

MARK = 1 / 24


def test_co_over_its_limit_is_remembered() -> None:
    """A clean reading at less CO2 does not open the way back up: the stop says where CO was, and no turn goes there."""
    job = co_in_band()
    (stop,) = job.next().stops
    assert (stop.code, stop.variant) == ("co-climbing", "ceiling")
    assert (stop.data["co2"], round(stop.data["air_free"]), stop.data["row"]) == (9.0, 789, 6)
    assert not any(job.may("throttle", turns).allowed for turns in (1 / 48, MARK, 1 / 12))


@pytest.mark.parametrize(
    ("go_on", "ceiling_pct"),
    [
        (lambda job: job, 9.0),
        (lambda job: job.check(CO_CAUSE, "not found").wait(5).read("high", 8.6, 22.0), 9.0),
        (lambda job: job.check(CO_CAUSE, MENDED).wait(5).read("high", 8.6, 22.0), None),
        (lambda job: job.throttle(1 / 12, 9.0, co=150.0), 9.0),  # as much CO2, CO under half its limit: why?
        (lambda job: job.run_at("off").wait(60).run_at("high", "customer called"), 9.0),
        (lambda job: job.run_at("off").wait(60).check(CO_CAUSE, MENDED).run_at("high"), None),
        (lambda job: job.throttle(1 / 12, 9.0, co=250.0), 9.0),  # over half of it
        (lambda job: job.throttle(MARK, 8.8, co=150.0), 9.0),  # less CO2
        (lambda job: job.turn("throttle", 1 / 12).wait(5).read("high", 9.0, 22.0), 9.0),  # too soon
        (lambda job: job.throttle(MARK, 8.8, co=600.0).throttle(MARK, 9.0, co=700.0), 8.8),  # the least CO2 counts
        (lambda job: job.wait(20 * 3600).at("high", 8.6), None),  # another day
    ],
)
def test_what_lifts_the_co_ceiling(go_on: Callable[[Told], Told], ceiling_pct: float | None) -> None:
    """The cause mended, or a settled reading at as much CO2 with CO under half its limit; nothing else that day."""
    job = go_on(co_in_band())
    ceiling = co_ceiling(job.situation, "high")
    assert (ceiling.co2_pct if ceiling else None) == ceiling_pct
    if ceiling_pct:
        assert not job.may("throttle", MARK).allowed


def test_a_mended_cause_opens_the_way_again() -> None:
    """Logged as mended and read anew, the readings before it no longer stop the job."""
    co_in_band().says("halt co-climbing").check(CO_CAUSE, MENDED).wait(5).read("high", 8.6).says("-halt")


@pytest.mark.parametrize("told", [None, "not found", MENDED])
def test_lit_again_after_co_nothing_goes_richer_before_the_cause_is_told_as_mended(told: str | None) -> None:
    """A remark, a word with the change of rate or a cause that was not found is none; CO alone put it off too."""
    job = at_high(8.3).wait(20).co(900.0).run_at("off").wait(60)
    job.job.note("customer called", at=job.now)
    if told:
        job.check(CO_CAUSE, told)
    job.wait(10).run_at("high", "customer waits").wait(180).reads("high", 8.3, 8.3)
    if told == MENDED:
        job.says("run_at low").at("low", 8.8).at("high", 8.3).says("turn throttle cw")
    else:
        assert not job.may("throttle", MARK).allowed
        assert job.says("halt co-climbing").next().stops[0].variant == "untold"


def test_a_turn_short_of_where_co_was_is_still_advised() -> None:
    """CO over its limit far above the band, as found, bars nothing as it goes down."""
    job = Told().at("high", 10.4, co=900.0).says("halt high-co")
    job.wait(20).throttle(-1 / 12, 9.9, 9.9, 9.9, co=40.0).says("turn throttle ccw")


def test_co_that_jumps_with_a_turn_bars_richer_before_the_limit() -> None:
    """From 22 to 130 ppm in one small turn: no turn richer, though half the limit is not reached."""
    job = at_high(8.6).wait(20).throttle(MARK, 8.8, co=130.0).says("-turn", "co-rising")
    assert not any(job.may("throttle", turns).allowed for turns in (1 / 48, MARK, 1 / 12))


def test_co_that_climbs_with_no_more_co2_lets_the_advice_go_on() -> None:
    """Turned leaner CO went from 22 to 110 ppm: a warning, and leaner is still advised."""
    at_high(9.8).wait(20).throttle(-MARK, 9.6, co=110.0).says("turn throttle ccw", "co-by-itself")


def test_co_that_went_up_with_co2_did_not_climb_by_itself() -> None:
    """From 34 to 93 ppm as CO2 rose by 1 %, then a turn leaner read too soon: CO followed CO2."""
    job = Told().at("high", 8.7, co=25.0).wait(20).throttle(MARK, 9.7, co=93.0)
    job.turn("throttle", -MARK).wait(5).read("high", 9.4, 62.0).says("-co-by-itself")


def test_co_read_alone_warns_below_its_limit_by_what_is_displayed() -> None:
    """163 ppm may be 215 air-free in a flue that is thinned as in the band, or 163: no warning."""
    assert co_alone(Told().run_at("high").wait(130), 163.0).says("-halt", "-co-rising")
    assert co_alone(Told().run_at("high").wait(130), 210.0).says("", "co-rising")
    assert co_alone(Told().run_at("high").wait(130), 330.0).says("halt high-co")  # 435 air-free if in the band


def co_alone(told: Told, co_ppm: float) -> Told:
    """CO typed as it is seen, at whatever moment."""
    told.job.co(co_ppm, at=told.now)
    return told.wait(1)


@pytest.mark.parametrize(
    ("made", "firing", "variant"),
    [
        (lambda: at_high().turn("throttle", MARK).wait(9), "high", "now_not_above"),  # during a wait
        (lambda: Told().run_at("high").wait(70), "high", "now_not_above"),
        (lambda: at_high().run_at("low").wait(2), "low", "now_not_above"),
    ],
)
def test_co_alone_stops_the_job_at_any_moment_and_only_a_settled_reading_lifts_it(
    made: Callable[[], Told], firing: str, variant: str
) -> None:
    """Also where no reading would count yet; over 2,000 ppm at once; burner off it stays off; lit again it was."""
    job = co_alone(made(), 600).says("halt high-co")
    assert job.next().stops[0].variant == variant
    assert job.wait(60).next().stops[0].variant == "now_not_above"  # it did not fall at once
    assert co_alone(job, 10).says("halt high-co").next().stops[0].variant == "before_not_above"
    assert co_alone(job, 2500).next().stops[0].variant == "at_once_not_above"
    assert job.run_at("off").wait(60).next().stops[0].variant == "off_not_above"
    assert job.run_at(firing).wait(5).next().stops[0].variant == "before_not_above"
    job.wait(150).read(firing, 8.3).says("", "-high-co").check(CO_CAUSE, MENDED).says("-halt")


def test_a_gas_leak_comes_before_the_burner_and_the_burner_before_the_co_alarm() -> None:
    """The order of the stops, however they came."""
    plate = {"pressures": {"working pressure": (17.0, 25.0, "mbar")}}
    job = at_high(**plate).check("working pressure", 11.0, "mbar").check("CO alarm", "no").read("high", 8.3, 900.0)
    stops = job.check("opened joints", "leaking").next().stops
    said = [stop.data.get("item", stop.code) for stop in stops]
    assert said == ["opened joints", "high-co", "CO alarm", "working pressure"]


def test_co_that_climbs_is_said_and_richer_is_one_mark_at_most() -> None:
    """Doubled and up by 30 ppm air-free between settled readings; what was read stands in every answer."""
    job = Told().at("low", 8.0).at("high", 7.0, co=20.0).throttle(MARK, 7.2, co=24.0).says("turn", "-co-climbs")
    course = co_course(job.situation, "high")
    assert course is not None
    assert (course.shown_ppm, round(course.air_free_ppm or 0), course.limit_ppm) == ((24.0,), 39, 400.0)
    assert abs(job.next().turns_cw or 0.0) > MARK
    job.throttle(MARK, 7.4, co=42.0).throttle(MARK, 7.6, co=50.0).says("turn throttle cw", "co-climbs")
    course = co_course(job.situation, "high")
    assert course is not None
    assert course.shown_ppm == (20.0, 24.0, 42.0, 50.0)
    assert job.next().turns_cw == pytest.approx(MARK)
    assert [job.may("throttle", turns).why[0].code for turns in (MARK, 2 * MARK)] == ["may", "co-climbs"]
    (climbs,) = job.found("co-climbs")
    assert [round(climbs.data[name]) for name in ("least", "now")] == [34, 78]


def test_co_that_climbs_at_low_fire_holds_the_throttle_to_a_mark() -> None:
    """The throttle makes low fire richer too: after each mark low fire is read."""
    job = Told().at("low", 8.0, co=15.0).read("low", 8.0, 70.0).at("high", 7.0).says("turn throttle cw")
    assert [job.may("throttle", turns).why[0].code for turns in (MARK, 1.4 * MARK)] == ["may", "low-co-climbs"]
    assert job.throttle(MARK, 7.2).says("run_at low").why == ["low-co-climbs", "co-first-there"]


@pytest.mark.parametrize(
    ("limit", "co", "asks"), [(None, 100, False), (None, 145, True), (100, 30, False), (100, 40, True)]
)
def test_a_reading_with_high_co_is_struck_only_with_a_reason(limit: float | None, co: float, asks: bool) -> None:
    """Over half its limit or 200 ppm air-free (8.3 % CO2: 1.43 times the figure); the row and the reason are kept."""
    job = Told(co_limit_ppm_air_free=limit).at("high", 8.3, co=co)
    if asks:
        with pytest.raises(RangeError, match=r"^row 2 has CO .* say why it is struck"):
            job.void()
    job.void(why="mistyped")
    assert [(each.row.number, each.by.event.note) for each in co_struck(job.situation)] == [(2, "mistyped")] * asks


def test_after_high_co_was_struck_co_is_read_anew_before_a_turn_richer() -> None:
    """At the rate itself; at low fire before a turn of the throttle richer, and before the finish."""
    job = at_high().read("high", 8.3, 300.0).void(why="mistyped").says("read high")
    assert (job.why, job.may("throttle", MARK).allowed) == (["need-co"], False)
    job.read("high", 8.3).says("turn throttle cw").void().says("read high")
    job = Told().at("low", 8.8, 8.8).read("low", 8.8, 300.0).void(why="mistyped").at("high", 8.3).says("run_at low")
    assert job.why == ["low-unread"]
    job.at("low", 8.8).at("high", 8.3).says("turn throttle cw")
    both = at_high(9.2).at("low", 8.8).says("finish").read("low", 8.8, 300.0).void(why="mistyped").says("read low")
    both.read("low", 8.8).says("finish")


def test_clean_air_after_a_lock_out_is_no_baseline_of_co() -> None:
    """It gives no air-free figure, and CO of the next flame has not risen from 0."""
    job = Told().run_at("high").wait(150).run_at("off").wait(30).bare("high", 0.2, 20.1, 3.0)
    assert co_air_free_ppm(job.job.setup, job.job.events[-1]) is None
    job.run_at("high").wait(150).read("high", 8.3, 118.0).says("turn", "-co-by-itself", "-co-rising", "-co-climbs")
    assert co_course(job.situation, "high") == ((118.0,), False, pytest.approx(168, abs=1), 400.0, False)


def test_co_in_a_sample_without_a_flame_keeps_the_burner_off() -> None:
    """Burner off or not lit, or a sample of air: it comes from elsewhere."""
    for told in (Told(), at_high().run_at("off").wait(60)):
        co_alone(told, 300).says("halt co-no-flame")
    at_high().wait(60).bare("high", 0.3, 20.5, 300.0).says("halt co-no-flame")


def test_the_flue_of_the_other_rate_is_no_ground_for_a_rise_of_co() -> None:
    """A reading seconds after a change of rate still shows the other rate: CO has not risen from there."""
    job = Told().at("high", 9.2, co=6.0).run_at("low").wait(8).read("low", 9.2, co=6.0)
    job.wait(100).reads("low", 10.6, co=90.0).says("", "-co-rising")
    job.wait(20).throttle(-1 / 24, 9.0, co=5.0).at("low", 10.4, co=15.0).says("", "-co-rising")
    job.offset(1 / 24, 10.6, co=110.0).says("", "co-rising")


def lit_with(job: Told, *co_ppm: float) -> Told:
    """Lit at high fire, CO read alone every ten seconds."""
    job.run_at("high")
    for ppm in co_ppm:
        job.wait(10).job.co(ppm, at=job.now)
    return job


def test_a_peak_of_co_that_falls_after_lighting_lifts_its_own_stop() -> None:
    """Over its limit in the first minute it stops; the next reading under it lets the start go on."""
    job = lit_with(Told(), 500.0).says("halt high-co")
    assert job.next().stops[0].variant == "lighting_not_above"
    assert job.wait(60).next().stops[0].variant == "now_not_above"  # it did not fall at once
    lit_with(Told(), 500.0, 60.0).says("wait", "-high-co")
    lit_with(Told(), 60.0, 500.0, 450.0).says("halt high-co")


def test_a_stop_for_settled_co_is_not_lifted_by_a_peak_that_falls() -> None:
    """CO over its limit before the burner was off stands until a settled reading, whatever the new start shows."""
    job = Told().at("high", 8.3, co=500.0).run_at("off").wait(60)
    lit_with(job, 900.0, 60.0).says("halt high-co").wait(120).read("high", 8.3, co=60.0)
    job.says("halt co-climbing", "-high-co").check(CO_CAUSE, MENDED).says("-halt")


def test_a_turn_richer_does_not_end_a_stop_for_co() -> None:
    """Made though CO barred it, it is a stop of its own until it is turned back or CO is read after it."""
    job = at_high(8.2).throttle(MARK, 8.5, co=160.0).says("halt co-climbing").wait(20)
    job.turn("throttle", MARK).wait(5).says("halt richer-in-co")
    job.turn("throttle", -MARK).wait(5).says("-halt", "-richer-in-co")
    job.turn("throttle", MARK).wait(5).says("halt richer-in-co").wait(20).read("high", 8.7, 240.0).says("-halt richer")


@pytest.mark.parametrize(
    "go_on",
    [lambda job: job.turn("throttle", MARK), lambda job: job.turn("throttle", -MARK), lambda job: job.run_at("low")],
)
def test_co_that_rises_by_itself_stops_until_it_is_read_lower(go_on: Callable[[Told], Told]) -> None:
    """No turn and no change of rate takes BURNER OFF back."""
    job = at_high(8.3).read("high", 8.3, 160.0).wait(20).read("high", 8.3, 220.0).says("halt co-rises").wait(20)
    go_on(job).wait(20).says("halt co-rises")
    job.run_at("high").wait(20).read("high", 8.3, 90.0).says("-halt co-rises")
