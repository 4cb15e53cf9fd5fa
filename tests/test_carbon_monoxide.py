"""CO over a whole visit: what was seen is remembered, a jump counts before the limit does, no way back into it."""

from collections.abc import Callable

import pytest
from replay import Told, at_high, co_in_band

from advisor.diagnosis.carbon_monoxide import co_ceiling
from advisor.log.check_items import CO_CAUSE, MENDED

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
        (lambda job: job.throttle(1 / 12, 9.0, co=150.0), None),  # as much CO2, CO under half its limit
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
    lit_with(Told(), 500.0).says("halt high-co")
    lit_with(Told(), 500.0, 60.0).says("wait", "-high-co")
    lit_with(Told(), 60.0, 500.0, 450.0).says("halt high-co")


def test_a_stop_for_settled_co_is_not_lifted_by_a_peak_that_falls() -> None:
    """CO over its limit before the burner was off stands until a settled reading, whatever the new start shows."""
    job = Told().at("high", 8.3, co=500.0).run_at("off").wait(60)
    lit_with(job, 900.0, 60.0).says("halt high-co").wait(120).read("high", 8.3, co=60.0).says("-halt", "-high-co")
