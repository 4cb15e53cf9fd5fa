"""What to look at first, and the way back to the screws as found."""

import re
from pathlib import Path

import numpy as np
import pytest
from replay import Told, at_high, moment

import advisor
from advisor.diagnosis.way_back import GIVE_UP, TROUBLES, way_back
from advisor.training.simulator import BASE, draw

# findings that say all there is to say
TELL_ALL = {
    "direction", "not-ready", "closed", "pressure-skipped", "analyser-accuracy", "co2-alone", "wrong-answer",
    "back-dated", "unknown-check",
}  # fmt: skip


def codes_in_the_code() -> set[str]:
    found: set[str] = set()
    for path in Path(advisor.__file__).parent.glob("*.py"):
        found |= set(re.findall(r'Finding\(\s*"([a-z0-9-]+)"', path.read_text(encoding="utf-8")))
    return found


def test_each_finding_says_what_to_look_at_first() -> None:
    """Every code that a finding can have has its steps, or is known to need none; no steps for what is not found."""
    assert codes_in_the_code() == set(TROUBLES) | TELL_ALL


@pytest.mark.parametrize("code", ["rich", "high-co", "no-effect", "pressure", "travel-limit", "drift"])
def test_what_may_end_the_job_ends_with_the_maker(code: str) -> None:
    """Job.md's table: these may end with the appliance out of service."""
    assert TROUBLES[code].all_steps[-1] == GIVE_UP


def test_a_slip_does_not_end_the_job() -> None:
    """A screw that works the other way, or another fuel set on the analyser, is put right on site."""
    assert GIVE_UP not in TROUBLES["wrong-way"].all_steps + TROUBLES["other-fuel"].all_steps


def test_nothing_turned_needs_no_way_back() -> None:
    """Without a turn there is nothing to restore."""
    assert way_back(at_high().job.situation(moment(200))) == ()


def test_the_way_back_undoes_the_net_turn_and_takes_up_the_slack() -> None:
    """At least the net turn, the other way, and at most the widest slack beyond it; as found is named."""
    told = at_high(8.3)
    for co2 in (8.5, 8.9):
        told.turn("throttle", 1 / 12).wait(120).read("high", co2)
    (back,) = way_back(told.job.situation(moment(told.now_s)))
    assert (back.screw, back.as_found_pct) == ("throttle", 8.3)
    assert back.net_turns_cw == pytest.approx(1 / 6)
    assert -1 / 6 - 1 / 16 <= back.turns_cw <= -1 / 6
    assert back.backlash_turns == pytest.approx(-back.turns_cw - 1 / 6)
    assert "counterclockwise" in back.say()
    assert back.say().endswith("Then CO2 at high fire must read 8.3 % as found.")


def test_the_way_back_brings_a_slack_boiler_nearer_than_the_net_turn() -> None:
    """On 30 made-up boilers with a play of 1/20 turn the mean miss is smaller with the slack counted in."""
    missed = {"net": [], "slack": []}
    for seed in range(30):
        for how in missed:
            site = draw(BASE, np.random.default_rng(seed), {"high": 9.2, "low": 8.8})
            site.backlash_turns = {"offset": 1 / 20, "throttle": 1 / 20}
            site.actuation_sd = 0.0
            found = site.settled_pct("high")
            told = Told()
            told.run_at("high")
            site.run_at("high")
            for turn in (0.0, 1 / 24, 1 / 12, 1 / 12):
                if turn:
                    site.turn("throttle", turn)
                    told.turn("throttle", turn)
                site.wait(150)
                told.wait(150)
                shown = site.read()
                told.read("high", shown.co2_pct, shown.co_ppm, shown.o2_pct)
            (back,) = way_back(told.job.situation(moment(told.now_s)))
            site.turn("throttle", back.turns_cw if how == "slack" else -back.net_turns_cw)
            missed[how].append(abs(site.settled_pct("high") - found))
    assert np.mean(missed["slack"]) < np.mean(missed["net"])


def test_a_way_back_that_is_made_is_said_so() -> None:
    """There and back: the screw is where it was found."""
    told = at_high(8.3).turn("throttle", 1 / 12).wait(120).read("high", 8.6)
    (back,) = way_back(told.job.situation(moment(told.now_s)))
    told.turn("throttle", back.turns_cw).wait(120).read("high", 8.3)
    (left,) = way_back(told.job.situation(moment(told.now_s)))
    assert left.say() == "Throttle screw: it is where it was found."


def test_a_struck_turn_is_not_turned_back() -> None:
    """A turn that was struck is not turned back."""
    told = at_high(8.3).turn("throttle", 1 / 12)
    told.job.void(at=moment(told.now_s))
    assert way_back(told.job.situation(moment(told.now_s))) == ()
