"""The simulated boiler keeps to its own physics, and each fault does what its name says."""

import math
from dataclasses import replace

import numpy as np
import pytest

from advisor.chemistry.fuels import NATURAL_GAS, PROPANE
from advisor.training.simulator import BASE, Boiler, BurnerCO, draw

CENTRES = {"high": 9.2, "low": 8.8}
LOOSE = {"backlash_turns": {"offset": 0.0, "throttle": 0.0}, "play_at": {"offset": 0.0, "throttle": 0.0}}


def made(seed: int = 1, fault: str = "", **changes: object) -> Boiler:
    """A base boiler without hand error, noise, drift and analyser error, unless changed."""
    still = {"actuation_sd": 0.0, "noise_sd_pct": 0.0, "drift_pct": {"high": 0.0, "low": 0.0}, "analyser_pct": 0.0}
    still["co"] = BurnerCO()
    return draw(BASE, np.random.default_rng(seed), CENTRES, fault=fault, stated={**still, **changes})


def squared(boiler: Boiler, firing: str) -> float:
    """f^2 back from the settled CO2, by element balance of the fuel."""
    return float(NATURAL_GAS.excess_air_ratio(co2_pct=boiler.settled_pct(firing))) ** -2


def test_the_same_seed_gives_the_same_boiler() -> None:
    """Draws are reproducible."""
    assert made(7).settled_pct("low") == made(7).settled_pct("low") != made(8).settled_pct("low")


def test_the_offset_acts_one_over_turndown_squared_at_high_fire() -> None:
    """f^2 is linear in the offset screw, and its effect at high fire is that at low fire over turndown squared."""
    boiler, steps = made(**LOOSE), []
    for turns in (1 / 24, 1 / 24):
        before = [squared(boiler, firing) for firing in CENTRES]
        boiler.turn("offset", turns)
        steps.append([squared(boiler, firing) - was for firing, was in zip(CENTRES, before, strict=True)])
    assert steps[1] == pytest.approx(steps[0], rel=1e-6)
    assert steps[0][0] / steps[0][1] == pytest.approx(boiler.turndown**-2, rel=1e-6)


def test_the_throttle_scales_both_rates_alike() -> None:
    """The throttle multiplies f at every rate by the same factor."""
    boiler = made(**LOOSE)
    before = {firing: squared(boiler, firing) for firing in CENTRES}
    boiler.turn("throttle", 1 / 8)
    factors = [squared(boiler, firing) / before[firing] for firing in CENTRES]
    assert factors[0] == pytest.approx(factors[1], rel=1e-9)
    assert factors[0] > 1


def test_slack_takes_the_first_part_of_a_turn_back() -> None:
    """After a reversal a turn within the play does nothing."""
    boiler = made(backlash_turns={"offset": 1 / 20, "throttle": 0.0}, play_at={"offset": 0.0, "throttle": 0.0})
    boiler.turn("offset", 1 / 12)
    there = boiler.settled_pct("low")
    boiler.turn("offset", -1 / 24)
    assert boiler.settled_pct("low") == there
    boiler.turn("offset", -1 / 24)
    assert boiler.settled_pct("low") < there


def test_the_display_follows_with_dead_time_and_lag() -> None:
    """Nothing moves in the dead time; after dead time and one time constant 63 % of the step shows."""
    boiler = made(display_step_pct=1e-6, **LOOSE)
    boiler.run_at("high")
    boiler.wait(1000)
    before = boiler.read().co2_pct
    boiler.turn("throttle", 1 / 8)
    step = boiler.settled_pct("high") - before
    boiler.wait(boiler.dead_time_s)
    assert boiler.read().co2_pct == pytest.approx(before, abs=1e-4)
    boiler.wait(boiler.time_constant_s)
    assert boiler.read().co2_pct == pytest.approx(before + step * (1 - math.exp(-1)), abs=1e-4)


def test_readings_lie_on_the_fuels_own_line_and_are_rounded() -> None:
    """CO2 and O2 agree for the fuel to a display step; both are whole steps."""
    boiler = made()
    boiler.run_at("high")
    boiler.wait(500)
    shown = boiler.read()
    assert shown.o2_pct == pytest.approx(float(NATURAL_GAS.o2_from_co2_pct(shown.co2_pct)), abs=0.15)
    assert shown.co2_pct * 10 == pytest.approx(round(shown.co2_pct * 10))


def test_gains_are_those_of_the_scenario() -> None:
    """Near the band the median gain of many boilers is the scenario's, in % CO2 per turn."""
    gains = []
    for seed in range(300):
        boiler = made(seed, **LOOSE)
        near = boiler.settled_pct("high")
        boiler.turn("throttle", 1 / 200)
        gains.append((boiler.settled_pct("high") - near) * 200)
    assert np.median(gains) == pytest.approx(BASE.gain_throttle[0], rel=0.15)
    assert np.std(np.log(gains)) == pytest.approx(BASE.gain_throttle[1], rel=0.2)


def moved(boiler: Boiler, screw: str) -> float:
    """What an eighth of a turn clockwise does to CO2 at the screw's own rate."""
    firing = {"offset": "low", "throttle": "high"}[screw]
    before = boiler.settled_pct(firing)
    boiler.turn(screw, 1 / 8)
    return boiler.settled_pct(firing) - before


def test_faults_of_the_screw_and_hand() -> None:
    """A reversed screw makes it leaner, a dead one nothing, a far-turning hand twice as much."""
    sound = moved(made(5, **LOOSE), "throttle")
    assert sound > 0
    assert moved(made(5, "reversed screw", **LOOSE), "throttle") < 0
    assert moved(made(5, "dead screw", **LOOSE), "throttle") == 0
    assert moved(made(5, "hand turns twice as far", **LOOSE), "throttle") > 1.7 * sound


def shown_after(boiler: Boiler, seconds: float) -> tuple[float, float, float]:
    boiler.run_at("high")
    boiler.wait(seconds)
    shown = boiler.read()
    return shown.co2_pct, shown.o2_pct, shown.co_ppm


def test_faults_of_the_sample_and_analyser() -> None:
    """Air slides along the fuel's own line toward lean; a wrong fuel sits on the other fuel's line."""
    co2, o2, _ = shown_after(made(5), 600)
    air_co2, air_o2, _ = shown_after(made(5, "air in the sample"), 600)
    assert air_co2 < co2 - 0.3
    assert air_o2 == pytest.approx(float(NATURAL_GAS.o2_from_co2_pct(air_co2)), abs=0.2)
    later = made(5, "air in the sample later", fault_from_s=700.0)
    assert shown_after(later, 600)[0] == co2
    later.wait(200)
    assert later.read().co2_pct < co2 - 0.3
    wrong_co2, wrong_o2, _ = shown_after(made(5, "analyser on another fuel"), 600)
    assert wrong_o2 == o2
    assert wrong_o2 == pytest.approx(float(PROPANE.o2_from_co2_pct(wrong_co2)), abs=0.2)


def test_faults_that_come_with_time() -> None:
    """Falling gas pressure leans high fire only; a blocked intake drifts at both rates with no turn made."""
    falling = made(5, "falling gas pressure", fault_from_s=0.0)
    low, high = falling.settled_pct("low"), falling.settled_pct("high")
    falling.wait(400)
    assert falling.settled_pct("low") == low
    assert falling.settled_pct("high") < high - 0.2
    blocked = made(5, "blocked intake", fault_from_s=0.0)
    low = blocked.settled_pct("low")
    blocked.wait(400)
    assert blocked.settled_pct("low") > low + 0.2


def test_a_rich_start_shows_falling_co2_with_more_gas_and_much_co() -> None:
    """Rich of stoichiometric CO2 falls again, O2 is gone, CO is thousands of ppm (cantera table in tests/data)."""
    boiler = made(5, "rich start", **LOOSE)
    co2, o2, co = shown_after(boiler, 600)
    assert co2 < NATURAL_GAS.co2_max_pct
    assert o2 == 0
    assert co > 2000
    assert moved(boiler, "throttle") < 0


def test_co_hangs_on_a_stream_of_its_own() -> None:
    """However a burner's CO is drawn, valve, lag and readings of CO2 of its seed stay as they are."""
    other = replace(BASE, name="more CO", co_air_free_ppm=(300.0, 400.0), co_early_chance=1.0, co_peak_ppm=(1.0, 2.0))
    seen = []
    for scenario in (BASE, other):
        boiler = draw(scenario, np.random.default_rng(3), CENTRES)
        own = {name: value for name, value in vars(boiler).items() if name not in ("co", "co_rng", "rng")}
        own |= {"acts": dict(boiler.acts), "_coming": list(boiler._coming), "rng": boiler.rng.bit_generator.state}
        readings = [shown_after(boiler, 60) for _ in range(5)]
        seen.append((own, [(co2, o2) for co2, o2, _ in readings], readings))
    assert seen[0][:2] == seen[1][:2]
    assert seen[0][2] != seen[1][2]


def test_every_burner_has_co_of_its_own() -> None:
    """Lean flames show 3 to 120 ppm, by burner; some climb over 200 ppm air-free before 10.6 % CO2, 2 % O2."""
    burners = [draw(BASE, np.random.default_rng(seed), CENTRES).co for seed in range(400)]
    lean = [co.flame_ppm(NATURAL_GAS, 8.0, rich=False) for co in burners]
    assert 2.5 < min(lean) < 5
    assert 90 < max(lean) < 125
    early = [co.climbs_from < BurnerCO.climbs_from for co in burners]
    assert 0.1 < np.mean(early) < 0.2
    climbed = [
        co.flame_ppm(NATURAL_GAS, 10.6, rich=False) for co, is_early in zip(burners, early, strict=True) if is_early
    ]
    assert min(climbed) > 200


def test_co_peaks_after_lighting_and_falls_within_a_minute() -> None:
    """What is left of the peak a minute after lighting is next to nothing, and lighting again makes a new one."""
    boiler = made(**LOOSE, co=BurnerCO(peak_ppm=800.0, peak_time_s=15.0))
    boiler.run_at("high")
    for _ in range(2):
        first = boiler.read_co()
        boiler.wait(60)
        assert boiler.read_co() < 50 < 500 < first
        boiler.off()
        boiler.wait(60)
        boiler.run_at("high")


def test_a_burner_that_is_off_gives_clean_air() -> None:
    """After a lock-out the display shows clean air; lit again, it comes up to the flame as at the first start."""
    boiler = made(**LOOSE)
    boiler.run_at("high")
    boiler.wait(500)
    before = boiler.read()
    boiler.off()
    shown = boiler.read()
    assert (shown.co2_pct, shown.o2_pct, shown.co_ppm) == (0.0, 20.9, 0.0)
    boiler.run_at("high")
    assert boiler.read().co2_pct < before.co2_pct
    boiler.wait(500)
    assert boiler.read().co2_pct == before.co2_pct
