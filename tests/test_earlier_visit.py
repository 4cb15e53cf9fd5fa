"""The same boiler again: facts and response of an earlier visit."""

import io
import math
from pathlib import Path

import pytest
from console import called
from replay import BANDS, Told, at_high

from advisor import Job
from advisor.job_setup.prior import SEEN_FAULT_CHANCE, Prior
from advisor.response.earlier_visit import YEAR_LOG_SD, next_setup

OLD = Path(__file__).resolve().parent.parent / "demo_logs" / "whole_visit.csv"
NEW_VALVE, SERVICE = "valve-change", "service"


def opened(tmp_path: Path, *options: str) -> tuple[int, str, str]:
    """Exit status and both streams of `advisor open new.csv --from` the demo log."""
    out, err = io.StringIO(), io.StringIO()
    status = called(["open", str(tmp_path / "new.csv"), "--from", str(OLD), *options], out, err)
    return status, out.getvalue(), err.getvalue()


def lively_throttle(gain_pct: float = 8.0) -> Told:
    """High fire after three turns of a throttle that makes so much CO2 per turn."""
    told, co2 = at_high(8.0), 8.0
    for _ in range(3):
        co2 += gain_pct / 24
        told.turn("throttle", 1 / 24).wait(120).read("high", round(co2, 1)).wait(10).read("high", round(co2, 1))
    return told


def test_the_response_it_showed_is_taken_over_and_widened() -> None:
    """The gain moves to what was seen; its sd is between that of a year alone and that of a valve nobody knows."""
    setup = next_setup(lively_throttle().job.situation(), SERVICE, "old.csv")
    assert setup.prior.gain_per_turn["throttle"] == pytest.approx(8.0, rel=0.25)
    assert YEAR_LOG_SD < setup.prior.log_sd("throttle") < Prior().gain_log_sd
    assert setup.prior.fault_chances("throttle") == (SEEN_FAULT_CHANCE, SEEN_FAULT_CHANCE)
    assert setup.prior_source == "old.csv"


def test_a_screw_that_was_not_turned_is_as_unknown_as_ever() -> None:
    """Nothing is learned of the offset screw from turns of the throttle."""
    setup = next_setup(lively_throttle().job.situation(), SERVICE, "old.csv")
    assert setup.prior.gain_per_turn["offset"] == Prior().gain_per_turn["offset"]
    assert setup.prior.log_sd("offset") == Prior().gain_log_sd


@pytest.mark.parametrize("degrees", [3.75, 7.5, 15.0])
def test_a_screw_whose_one_turn_showed_nothing_is_as_unknown_as_ever(degrees: float) -> None:
    """Dead, reversed or swallowed by play, each alone unlikely: together they leave open what the screw does."""
    told = at_high(9.2).run_at("low").wait(180).read("low", 8.6)
    told.turn("offset", degrees / 360).wait(120).read("low", 8.6)
    setup = next_setup(told.job.situation(), SERVICE, "old.csv")
    assert (setup.prior, setup.prior_source) == (Prior(), "")


def test_a_new_valve_takes_over_the_facts_alone() -> None:
    """What the old valve did says nothing of the new one."""
    job = lively_throttle().check("offset clockwise", "leaner").job
    setup = next_setup(job.situation(), NEW_VALVE, "old.csv")
    assert (setup.prior, setup.prior_source, setup.bands) == (Prior(), "", job.setup.bands)
    assert setup.clockwise["offset"] == "richer"  # what `open` takes until it is told
    assert next_setup(job.situation(), SERVICE, "old.csv").clockwise["offset"] == "leaner"


def test_a_screw_found_to_work_the_other_way_is_taken_so() -> None:
    """Three turns that went against what was stated turn the stated way round."""
    told, co2 = at_high(8.2), 8.2
    for _ in range(3):
        co2 -= 0.3
        told.turn("throttle", 1 / 24).wait(120).read("high", round(co2, 1)).wait(10).read("high", round(co2, 1))
    setup = next_setup(told.job.situation(), SERVICE, "old.csv")
    assert setup.clockwise["throttle"] == "leaner"
    assert setup.prior.gain_per_turn["throttle"] == pytest.approx(7.2, rel=0.3)


def test_the_first_move_is_not_blind() -> None:
    """With the response known the first turn goes further than the half cap of a screw nobody has tried."""
    setup = next_setup(lively_throttle(5.0).job.situation(), SERVICE, "old.csv")
    turns = []
    for prior in (Prior(), setup.prior):
        told = at_high(8.0, prior=prior).run_at("low").wait(180).read("low", 8.2)
        advice = told.run_at("high").wait(120).read("high", 8.0).next()
        assert (advice.action, advice.screw) == ("turn", "throttle")
        turns.append(advice.turns_cw or 0)
        assert ("first-move" in {reason.code for reason in advice.why}) == (prior == Prior())
    assert turns[1] > turns[0] > 0


def test_open_takes_over_and_says_so(tmp_path: Path) -> None:
    """Fuel, bands, place and serial number come from the old log; a service is taken; the answer names the log."""
    status, out, err = opened(tmp_path)
    assert (status, err) == (0, "")
    assert OLD.name in out
    new, old = Job.load(tmp_path / "new.csv").setup, Job.load(OLD).setup
    assert (new.fuel, new.bands, new.pressures) == (old.fuel, old.bands, old.pressures)
    assert (new.visit, new.site) == (SERVICE, Job.load(OLD).situation().setup.site)
    assert new.prior.log_sd("throttle") < math.hypot(YEAR_LOG_SD, 0.3)
    assert (new.analyser, new.calibrated) == ("", "")  # today's are asked anew


def test_open_says_what_was_wrong_last_time(tmp_path: Path) -> None:
    """A last visit that was not finished is told of at once; one that was is not."""
    assert "Last " not in opened(tmp_path)[1]
    out, old, told = io.StringIO(), tmp_path / "left.csv", Told()
    told.job = Job.create(old, fuel="natural gas", bands=BANDS)
    told.at("high", 9.2, co=500)
    assert called(["open", str(tmp_path / "again.csv"), "--from", str(old)], out, io.StringIO()) == 0
    assert "Last     not finished: CO over its limit" in out.getvalue()
    assert "highest CO 500 ppm" in " ".join(out.getvalue().split())


def test_what_is_stated_anew_wins(tmp_path: Path) -> None:
    """A band, a place and the cap of one screw are stated; all else stays."""
    status, *_ = opened(tmp_path, "--low", "8.5:8.9", "--site", "moved", "--set", "cap_turns.offset=1/24")
    new, old = Job.load(tmp_path / "new.csv").setup, Job.load(OLD).setup
    assert status == 0
    assert new.bands == {"high": old.bands["high"], "low": (8.5, 8.9)}
    assert (new.site, new.cap_turns["offset"]) == ("moved", pytest.approx(1 / 24))
    assert new.cap_turns["throttle"] == old.cap_turns["throttle"]


def test_another_fuel_is_another_job(tmp_path: Path) -> None:
    """A boiler that was converted is opened without its past."""
    status, out, err = opened(tmp_path, "--fuel", "propane")
    assert (status, out) == (2, "")
    assert "natural gas" in err
    assert not (tmp_path / "new.csv").exists()


def test_the_way_of_a_screw_that_was_stated_or_seen_counts_as_known(tmp_path: Path) -> None:
    """Stated on open, or seen to work on the last visit; at a new valve nothing is."""
    setup = next_setup(lively_throttle().job.situation(), SERVICE, "old.csv")
    assert dict(setup.clockwise_stated) == {"throttle": True}
    assert not next_setup(lively_throttle().job.situation(), NEW_VALVE, "old.csv").clockwise_stated
    path, out = tmp_path / "stated.csv", io.StringIO()
    words = "--fuel natural --high 9.0:9.4 --low 8.6:9.0 --set clockwise.offset=leaner --set clockwise.throttle=unknown"
    called(["open", str(path), *words.split(), "--set", "turndown=5"], out, out)
    assert dict(Job.load(path).setup.clockwise_stated) == {"offset": True}
