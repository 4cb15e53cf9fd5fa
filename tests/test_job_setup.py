"""Setup and prior of a job: what is refused and in which words, and what is taken where nothing is stated."""

import math
from pathlib import Path
from typing import Any

import pytest
from refused import refusal
from replay import BANDS, new_job

from advisor import RangeError
from advisor.chemistry import limits
from advisor.chemistry.fuels import BUILT_IN, NATURAL_GAS, PROPANE, Fuel
from advisor.job_setup import band_check
from advisor.job_setup.prior import Prior
from advisor.job_setup.prior_file import LearnedPrior, format_priors, read_prior
from advisor.job_setup.setup import JobSetup


def stated(**changes: Any) -> JobSetup:
    return JobSetup(**{"fuel": NATURAL_GAS, "bands": BANDS, **changes})


REFUSED = [
    ({"bands": {"high": (9.0, 9.4)}},
     "bands: one for 'high' and one for 'low' are needed, in % CO2, from the maker's instructions"),
    ({"bands": {**BANDS, "low": (9.0, 8.6)}},
     "band at low fire 9 to 8.6: two rising numbers above 0 are needed, in % CO2"),
    ({"bands": {**BANDS, "high": (9.0, 94.0)}},
     "band at high fire 9 to 94 % CO2: natural gas can't give more than 11.9 %. Right fuel, and the point in the right "
     "place?"),
    ({"bands": {**BANDS, "high": (0.9, 9.4)}},
     "band at high fire 0.9 to 9.4 % CO2: that is more than 3 times the air natural gas needs. Right fuel, and the "
     "point in the right place?"),
    ({"bands": {**BANDS, "high": (10.8, 11.2)}},
     "band at high fire 10.8 to 11.2 % CO2: with natural gas its upper edge leaves 1.2 % O2, next to a rich flame. Is "
     "it the band of another fuel?"),
    ({"cap_turns": {"gas": 0.1}}, "cap_turns: 'gas' is not one of offset, throttle"),
    ({"cap_turns": {"offset": 0.0}},
     "cap_turns for the offset screw = 0: more than 0 and at most 0.1667 turn is allowed"),
    ({"cap_turns": {"throttle": 0.2}},
     "cap_turns for the throttle screw = 0.2 is above the usual 0.125 turn: say in cap_statement where the maker's "
     "instructions allow it, or lower it"),
    ({"mark_turns": {"offset": 0.2}},
     "mark_turns for the offset screw = 0.2: from 0.005 up to its cap of 0.08333 turn is allowed"),
    ({"travel_limit_turns": 0.01},
     "travel_limit_turns for the offset screw = 0.01: from its cap of 0.08333 up to 5 turns is allowed"),
    ({"clockwise": {"offset": "up"}}, "clockwise for the offset screw = 'up': it is one of richer, leaner, unknown"),
    ({"min_wait_s": {"offset": 10}}, "min_wait_s for offset = 10: from 60 to 1800 s is allowed"),
    ({"turndown": 0.5}, "turndown = 0.5: from 1 to 20 is allowed"),
    ({"turndown": math.nan}, "turndown: a number is needed"),
    ({"display_step_pct": 1}, "display_step_pct = 1: from 0.001 to 0.5 % CO2 is allowed"),
    ({"overshoot_chance": 0.0}, "overshoot_chance = 0: from 0.001 to 0.5 is allowed"),
    ({"overshoot_chance": math.inf}, "overshoot_chance: a number is needed"),
    ({"stop_chance": 1.0}, "stop_chance = 1: from 0.5 to 0.999 is allowed"),
    ({"analyser_accuracy_pct": 5}, "analyser_accuracy_pct = 5: from 0 to 2 % CO2 is allowed"),
    ({"co_limit_ppm_air_free": 0}, "co_limit_ppm_air_free = 0: from 1 to 10000 ppm is allowed"),
    ({"co_limit": (100.0, "mg")}, "co_limit in 'mg': it is in ppm air-free, ppm, CO/CO2"),
    ({"co_limit": (0.4, "CO/CO2")}, "co_limit = 0.4 CO/CO2: from 0.0001 to 0.05 is allowed"),
    ({"visit": "visit"},
     "visit = 'visit': it is one of valve-change, conversion, service, complaint"),
    ({"pressures": {"working pressure": (25, 17, "mbar")}},
     "pressure 'working pressure' 25 to 17 mbar: two rising numbers above 0 are needed"),
    ({"prior": {"gain": 3}},
     f"prior: 'gain' is not a known name; known are {', '.join(vars(Prior()))}"),
    ({"prior": {"gain_log_sd": 0}}, "prior gain_log_sd = 0: a number above 0 is needed"),
    ({"prior": {"dead_time_s": (9, 3)}}, "prior dead_time_s = 9 to 3 s: two rising numbers above 0 are needed"),
    ({"prior": {"gain_per_turn": {"offset": 5.0}}},
     "prior gain_per_turn for the throttle screw: a number above 0, in % CO2 per turn, is needed"),
    ({"prior": {"chance_reversed": 0.6, "chance_dead": 0.5}},
     "prior chance_reversed and chance_dead: together they must stay below 1"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "message"), REFUSED, ids=[str(changes) for changes, _ in REFUSED])
def test_facts_that_cannot_be_are_refused(changes: dict[str, Any], message: str) -> None:
    """Each rule has its sentence: what it is, what is allowed."""
    assert refusal(lambda: stated(**changes)) == message


@pytest.mark.parametrize(
    ("stated_name", "usual", "source"),
    [
        ("cap_turns", {"offset": 1 / 12, "throttle": 1 / 8}, "common practice; the throttle's from memory"),
        ("mark_turns", {"offset": 1 / 24, "throttle": 1 / 24}, "own choice: half the offset's usual cap"),
        ("travel_limit_turns", {"offset": 2.0, "throttle": 2.0}, "own choice, from the bench"),
        ("min_wait_s", {"offset": 60.0, "throttle": 60.0, "firing": 30.0}, "common practice"),
        ("clockwise", {"offset": "richer", "throttle": "richer"}, "common practice: so on many valves"),
        ("pressures", {}, "the data plate's alone"),
        ("input_rate", None, "the data plate's alone"),
        ("co_limit_ppm_air_free", None, "the published limit stands: test_reading_checks"),
    ],
)
def test_what_is_left_out_takes_the_usual_value(stated_name: str, usual: object, source: str) -> None:
    """Caps, marks and waits are those of the trade; targets of the data plate are never built in."""
    assert getattr(stated(), stated_name) == usual, source


def test_one_screws_cap_leaves_the_others_and_one_number_stands_for_both() -> None:
    """A mapping may name one screw; a travel limit as a number holds for each."""
    setup = stated(cap_turns={"offset": 1 / 24}, travel_limit_turns=1.5)
    assert setup.cap_turns == {"offset": 1 / 24, "throttle": 1 / 8}
    assert setup.travel_limit_turns == {"offset": 1.5, "throttle": 1.5}


def test_a_larger_cap_needs_the_makers_word_and_has_a_ceiling() -> None:
    """With a statement the cap may be raised up to twice the usual, never beyond."""
    word = "maker's instructions, page 12"
    assert stated(cap_turns={"offset": 1 / 6, "throttle": 1 / 4}, cap_statement=word).cap_turns["offset"] == 1 / 6
    for screw, turns in (("offset", 0.167), ("throttle", 0.251)):
        with pytest.raises(RangeError):
            stated(cap_turns={screw: turns}, cap_statement=word)


@pytest.mark.parametrize("table", [limits.USUAL_MIN_WAIT_S, limits.USUAL_CAP_TURNS, limits.HARD_CAP_TURNS,
                                   limits.USUAL_MARK_TURNS, limits.USUAL_TRAVEL_TURNS, Prior().gain_per_turn,
                                   stated().cap_turns, stated().bands])  # fmt: skip
def test_what_is_stated_once_can_not_be_changed(table: dict[str, float]) -> None:
    """No program can change limits, a prior or a setup for the rest."""
    with pytest.raises(TypeError):
        table["offset"] = 1.0


EARLIER = {"slack_turns": 0.05, "standstill_sd_pct": 0.03, "hand_sd": 0.2}  # names in files written before
PRESENT = Prior(backlash_turns=0.05, segment_sd_pct=0.03, actuation_sd=0.2)


def test_earlier_names_of_a_priors_fields_are_understood() -> None:
    """Prior files and logs written before say slack, standstill and hand."""
    assert stated(prior=EARLIER).prior == PRESENT


def test_a_prior_file_holds_every_value_it_was_given(tmp_path: Path) -> None:
    """Under its present name; a value under a name that no prior has is never dropped silently."""
    path = tmp_path / "prior.toml"
    path.write_text(format_priors("made up", [LearnedPrior(EARLIER)]), encoding="utf-8")
    prior, source = read_prior(path, fuel="propane", valve_family="", turndown=5.0)
    assert prior == PRESENT
    assert source == "prior.toml: made up; all jobs (only 0 jobs, so a weak guess)"
    with pytest.raises(ValueError, match="gain"):
        format_priors("made up", [LearnedPrior({"gain": 3.0})])


# ---- bands against the fuel


@pytest.mark.parametrize("fuel", BUILT_IN, ids=[fuel.name for fuel in BUILT_IN])
def test_a_band_is_read_back_as_o2_and_excess_air(fuel: Fuel) -> None:
    """By the fuel's own stoichiometry; a band given as O2 is the same band."""
    band = (fuel.co2_pct(1.35), fuel.co2_pct(1.25))
    flue = band_check.flue_of(fuel, band)
    assert flue.excess_air_pct == pytest.approx((35, 25))
    assert flue.o2_pct == pytest.approx((fuel.o2_pct(1.35), fuel.o2_pct(1.25)))
    assert band_check.band_from_o2(fuel, *reversed(flue.o2_pct)) == pytest.approx(band, abs=0.005)


BAND_DOUBTS: list[tuple[Fuel, tuple[float, float], tuple[float, float], list[str]]] = [
    # fuel, band at high and at low fire, what is to be confirmed
    (NATURAL_GAS, (9.0, 9.4), (8.6, 9.0), []),
    (NATURAL_GAS, (10.1, 10.5), (8.6, 9.0),
     ["high fire 10.1 to 10.5 % CO2 is 12 to 16 % excess air with natural gas; usual is 15 to 50. It would suit "
      "propane."]),
    (PROPANE, (10.0, 10.4), (8.6, 9.0),
     ["low fire 8.6 to 9 % CO2 is 48 to 55 % excess air with propane; usual is 15 to 50. It would suit natural gas."]),
    (NATURAL_GAS, (7.4, 7.7), (7.0, 7.3),
     ["high fire 7.4 to 7.7 % CO2 is 48 to 54 % excess air with natural gas; usual is 15 to 50.",
      "low fire 7 to 7.3 % CO2 is 56 to 62 % excess air with natural gas; usual is 15 to 50."]),
    (NATURAL_GAS, (8.0, 9.6), (7.9, 9.0), ["high fire 8 to 9.6 % CO2 is 1.6 % wide."]),
    (NATURAL_GAS, (8.6, 9.0), (9.0, 9.4), ["the low-fire band lies above the high-fire one. Swapped?"]),
]  # fmt: skip


@pytest.mark.parametrize(("fuel", "high", "low", "said"), BAND_DOUBTS)
def test_an_unusual_band_is_asked_back_with_the_fuel_that_it_would_suit(
    fuel: Fuel, high: tuple[float, float], low: tuple[float, float], said: list[str]
) -> None:
    """Outside 15 to 50 % excess air, wider than 1.5 % CO2, or low fire above high fire; own choice."""
    assert band_check.doubts(fuel, {"high": high, "low": low}) == said


@pytest.mark.parametrize(
    ("band", "air", "suits"),
    [((10.8, 10.95), "7 to 9", " It would suit propane."), ((5.5, 5.9), "91 to 104", "")],
)
def test_a_band_of_no_flame_of_this_fuel_is_refused(band: tuple[float, float], air: str, suits: str) -> None:
    """Outside 8 to 90 % excess air no job begins."""
    assert refusal(lambda: new_job(bands={**BANDS, "low": band})) == (
        f"band at low fire {band[0]:g} to {band[1]:g} % CO2: with natural gas that is {air} % excess air; 8 to 90 is "
        f"possible.{suits} Right fuel, and the point in the right place?"
    )
