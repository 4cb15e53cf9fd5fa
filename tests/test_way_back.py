"""The way back to the screws as found, the play counted in."""

import numpy as np
import pytest
from replay import Told, at_high

from advisor.diagnosis.way_back import WayBack, way_back
from advisor.training.simulator import BASE, draw


def backs(told: Told) -> tuple[WayBack, ...]:
    return way_back(told.situation)


def codes(back: WayBack) -> list[str]:
    return [reason.code for reason in back.reasons]


def test_nothing_turned_needs_no_way_back() -> None:
    """Without a turn, or with one that was struck, there is nothing to restore."""
    assert backs(at_high()) == ()
    assert backs(at_high(8.3).turn("throttle", 1 / 12).void()) == ()


def test_the_way_back_undoes_the_net_turn_and_takes_up_the_play_that_was_seen() -> None:
    """The net turn the other way; beyond it at most the widest play, after turns both ways; CO2 as found is named."""
    one_way = at_high(8.3).throttle(1 / 12, 8.5).throttle(1 / 12, 8.9)
    (back,) = backs(one_way)
    assert (back.screw, back.as_found_pct) == ("throttle", 8.3)
    assert back.net_turns_cw == pytest.approx(1 / 6)
    assert back.turns_cw == pytest.approx(-1 / 6)
    assert codes(back) == ["restore", "restore-reads"]
    (back,) = backs(one_way.throttle(-1 / 24, 8.9).throttle(1 / 24, 8.9))
    assert -1 / 6 - 1 / 16 <= back.turns_cw < -1 / 6
    assert back.play_turns == pytest.approx(-back.turns_cw - 1 / 6)
    assert codes(back) == ["restore", "restore-play", "restore-reads"]


def test_the_way_back_brings_a_boiler_with_play_nearer_than_the_net_turn() -> None:
    """On 30 made-up boilers with a play of 1/20 turn the mean miss is smaller with the play counted in."""
    missed: dict[str, list[float]] = {"net": [], "play": []}
    for seed in range(30):
        for how in missed:
            site = draw(BASE, np.random.default_rng(seed), {"high": 9.2, "low": 8.8})
            site.backlash_turns = {"offset": 1 / 20, "throttle": 1 / 20}
            site.actuation_sd = 0.0
            found = site.settled_pct("high")
            told = Told().run_at("high")
            site.run_at("high")
            for turn in (0.0, 1 / 24, 1 / 12, 1 / 12, -1 / 12, 1 / 12):
                if turn:
                    site.turn("throttle", turn)
                    told.turn("throttle", turn)
                site.wait(150)
                shown = site.read()
                told.wait(150).read("high", shown.co2_pct, shown.co_ppm, shown.o2_pct)
            (back,) = backs(told)
            site.turn("throttle", back.turns_cw if how == "play" else -back.net_turns_cw)
            missed[how].append(abs(site.settled_pct("high") - found))
    assert np.mean(missed["play"]) < np.mean(missed["net"])


def test_a_way_back_that_is_made_is_said_so() -> None:
    """There and back: the screw is where it was found."""
    told = at_high(8.3).throttle(1 / 12, 8.6)
    told.throttle(backs(told)[0].turns_cw, 8.3)
    assert codes(backs(told)[0]) == ["restore-there"]


def test_no_restoring_into_co() -> None:
    """As found had made CO: the way back there is richer and is not told as a turn to make; a way leaner is."""
    for told, richer_in_co, code in (
        (Told().at("high", 9.9, co=500.0).wait(20).turn("throttle", -1 / 12).wait(20), True, "restore-not-richer"),
        (at_high(9.9).wait(20).turn("throttle", -1 / 12).wait(20), False, "restore"),
        (at_high(8.3).throttle(1 / 12, 9.3, co=500.0), False, "restore"),
    ):
        (back,) = backs(told)
        assert (back.richer_in_co, codes(back)[0]) == (richer_in_co, code)


def test_turns_that_may_never_have_been_made_are_named_before_a_way_back_that_counts_them() -> None:
    """All of a screw that may do nothing; else the last, where CO2 did not move; none once they are struck."""
    dead = at_high(8.3).throttle(1 / 24, 8.3).throttle(1 / 24, 8.3)
    unseen = at_high(7.7).throttle(1 / 24, 8.0).throttle(1 / 24, 8.3).throttle(1 / 24, 8.3)
    for told, rows in ((dead, (3, 5)), (unseen, (7,))):
        (back,) = backs(told)
        assert (back.doubted, codes(back)[:2]) == (rows, ["restore-doubted", "restore"])
        for row in rows:
            told.void(row)
        assert not any(back.doubted for back in backs(told))
