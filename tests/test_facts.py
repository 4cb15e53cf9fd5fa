"""Facts, priors and typed options: what is refused and in which words."""

import copy
import math
import pickle
from datetime import datetime, timedelta
from typing import Any

import pytest
from replay import BANDS

from advisor import RangeError
from advisor.chemistry import limits
from advisor.chemistry.fuels import NATURAL_GAS, PROPANE
from advisor.cli import options
from advisor.cli.options import one_of, parse_fuel, parse_mixture, parse_pressure, parse_settings, parse_time
from advisor.job_setup.prior import Prior
from advisor.job_setup.setup import JobSetup


def stated(**changes: Any) -> JobSetup:
    return JobSetup(**{"fuel": NATURAL_GAS, "bands": BANDS, **changes})


REFUSED = [
    (
        {"bands": {"high": (9.0, 9.4)}},
        "bands: one for 'high' and one for 'low' are needed, in % CO2, from the maker's instructions",
    ),
    (
        {"bands": {**BANDS, "low": (9.0, 8.6)}},
        "band at low fire 9 to 8.6: two rising numbers above 0 are needed, in % CO2",
    ),
    (
        {"bands": {**BANDS, "high": (9.0, 94.0)}},
        "band at high fire 9 to 94 % CO2: natural gas can't give more than 11.9 %. Right fuel, and the point in the "
        "right place?",
    ),
    (
        {"bands": {**BANDS, "high": (0.9, 9.4)}},
        "band at high fire 0.9 to 9.4 % CO2: that is more than 3 times the air natural gas needs. Right fuel, and the "
        "point in the right place?",
    ),
    (
        {"bands": {**BANDS, "high": (10.8, 11.2)}},
        "band at high fire 10.8 to 11.2 % CO2: with natural gas its upper edge leaves 1.2 % O2, next to a rich flame. "
        "Is it the band of another fuel?",
    ),
    ({"cap_turns": {"gas": 0.1}}, "cap_turns: 'gas' is not one of offset, throttle"),
    (
        {"cap_turns": {"offset": 0.0}},
        "cap_turns for the offset screw = 0: more than 0 and at most 0.1667 turn is allowed",
    ),
    (
        {"cap_turns": {"throttle": 0.2}},
        "cap_turns for the throttle screw = 0.2 is above the usual 0.125 turn: say in cap_statement where the maker's "
        "instructions allow it, or lower it",
    ),
    (
        {"mark_turns": {"offset": 0.2}},
        "mark_turns for the offset screw = 0.2: from 0.005 up to its cap of 0.08333 turn is allowed",
    ),
    (
        {"travel_limit_turns": 0.01},
        "travel_limit_turns for the offset screw = 0.01: from its cap of 0.08333 up to 5 turns is allowed",
    ),
    (
        {"clockwise": {"offset": "up"}},
        "clockwise for the offset screw = 'up': it is one of richer, leaner, unknown",
    ),
    ({"min_wait_s": {"offset": 10}}, "min_wait_s for offset = 10: from 60 to 1800 s is allowed"),
    ({"turndown": 0.5}, "turndown = 0.5: from 1 to 20 is allowed"),
    ({"display_step_pct": 1}, "display_step_pct = 1: from 0.001 to 0.5 % CO2 is allowed"),
    ({"overshoot_chance": 0.0}, "overshoot_chance = 0: from 0.001 to 0.5 is allowed"),
    ({"stop_chance": 1.0}, "stop_chance = 1: from 0.5 to 0.999 is allowed"),
    ({"analyser_accuracy_pct": 5}, "analyser_accuracy_pct = 5: from 0 to 2 % CO2 is allowed"),
    ({"co_limit_ppm_air_free": 0}, "co_limit_ppm_air_free = 0: from 1 to 10000 ppm is allowed"),
    (
        {"pressures": {"working pressure": (25, 17, "mbar")}},
        "pressure 'working pressure' 25 to 17 mbar: two rising numbers above 0 are needed",
    ),
    (
        {"prior": {"gain": 3}},
        "prior: 'gain' is not a known name; known are gain_per_turn, gain_log_sd, chance_reversed, chance_dead, "
        "slack_turns, dead_time_s, time_constant_s, level_sd_pct, noise_sd_pct, noise_shape, standstill_sd_pct, "
        "drift_sd_pct, drift_time_s, hand_sd",
    ),
    ({"prior": {"gain_log_sd": 0}}, "prior gain_log_sd = 0: a number above 0 is needed"),
    (
        {"prior": {"dead_time_s": (9, 3)}},
        "prior dead_time_s = 9 to 3 s: two rising numbers above 0 are needed",
    ),
    (
        {"prior": {"gain_per_turn": {"offset": 5.0}}},
        "prior gain_per_turn for the throttle screw: a number above 0, in % CO2 per turn, is needed",
    ),
    (
        {"prior": {"chance_reversed": 0.6, "chance_dead": 0.5}},
        "prior chance_reversed and chance_dead: together they must stay below 1",
    ),
]


@pytest.mark.parametrize(("changes", "message"), REFUSED, ids=[str(changes) for changes, _ in REFUSED])
def test_facts_that_cannot_be_are_refused(changes: dict[str, Any], message: str) -> None:
    """Each rule has its sentence: what it is, what is allowed."""
    with pytest.raises(RangeError) as error:
        stated(**changes)
    assert str(error.value) == message


@pytest.mark.parametrize("value", [math.nan, math.inf])
@pytest.mark.parametrize("name", ["turndown", "overshoot_chance", "display_step_pct"])
def test_facts_are_finite(name: str, value: float) -> None:
    """Not-a-number and infinity are outside every range."""
    with pytest.raises(RangeError):
        stated(**{name: value})


def test_what_is_left_out_takes_the_usual_value() -> None:
    """One screw's cap stated leaves the other's usual; one number stands for both screws."""
    setup = stated(cap_turns={"offset": 1 / 24}, travel_limit_turns=1.5)
    assert setup.cap_turns == {"offset": 1 / 24, "throttle": limits.USUAL_CAP_TURNS["throttle"]}
    assert setup.travel_limit_turns == {"offset": 1.5, "throttle": 1.5}
    assert setup.clockwise == {"offset": "richer", "throttle": "richer"}


def test_a_larger_cap_needs_the_makers_word_and_has_a_ceiling() -> None:
    """With a statement the cap may be raised, never beyond the hard ceiling."""
    assert (
        stated(cap_turns={"offset": 1 / 8}, cap_statement="maker's instructions, page 12").cap_turns["offset"] == 1 / 8
    )
    with pytest.raises(RangeError):
        stated(cap_turns={"offset": 1 / 5}, cap_statement="maker's instructions, page 12")


def test_facts_are_copied_and_pickled_whole() -> None:
    """Facts survive pickle and deepcopy, for work in several processes."""
    setup = stated(prior={"gain_log_sd": 0.4}, fuel=PROPANE, bands={"high": (10.5, 11.0), "low": (10.0, 10.4)})
    assert pickle.loads(pickle.dumps(setup)) == copy.deepcopy(setup) == setup
    assert Prior.from_mapping(setup.prior) is setup.prior


def test_settings_are_parsed_by_name() -> None:
    """Fractions, numbers and words become facts; a screw's part goes into its mapping."""
    typed = ["cap_turns.offset=1/24", "cap_turns.throttle=1/12", "turndown=6", "clockwise.throttle=leaner"]
    assert parse_settings(typed) == {
        "cap_turns": {"offset": 1 / 24, "throttle": 1 / 12},
        "turndown": 6.0,
        "clockwise": {"throttle": "leaner"},
    }


def test_mixture_and_pressure_are_parsed() -> None:
    """A composition and a data-plate range as typed."""
    assert parse_mixture("CH4=0.8,H2=0.2") == {"CH4": 0.8, "H2": 0.2}
    assert parse_pressure("working pressure=17:25 mbar") == ("working pressure", (17.0, 25.0, "mbar"))


def test_times_are_local_unless_they_say_otherwise() -> None:
    """A bare time is today's, local; ISO 8601 with an offset is taken as it is."""
    moment = parse_time("9:05")
    assert moment is not None
    assert (moment.hour, moment.minute) == (9, 5)
    assert moment.tzinfo is not None
    assert parse_time("2026-05-04T10:32:00+02:00") == datetime.fromisoformat("2026-05-04T10:32:00+02:00")
    assert parse_time(None) is None


def test_a_bare_time_is_the_last_time_it_was_that_late(monkeypatch: pytest.MonkeyPatch) -> None:
    """Just after midnight 23:58 is yesterday's, not tonight's."""
    late = datetime.fromisoformat("2026-05-05T00:01:00+00:00").astimezone()
    monkeypatch.setattr(options, "now", lambda: late)
    before = late - timedelta(minutes=3)
    assert parse_time(f"{before:%H:%M}") == before
    assert parse_time(f"{late:%H:%M:%S}") == late


@pytest.mark.parametrize("ahead", [timedelta(days=1, seconds=1), timedelta(days=31), timedelta(days=400)])
def test_a_date_still_to_come_is_refused(ahead: timedelta, monkeypatch: pytest.MonkeyPatch) -> None:
    """More than a day ahead the date was mistyped; a replay that runs ahead of the clock is let be."""
    clock = datetime.fromisoformat("2026-05-05T12:00:00+00:00")
    monkeypatch.setattr(options, "now", lambda: clock)
    assert parse_time("2026-05-06T11:59:59+00:00") == clock + timedelta(seconds=86399)
    typed = (clock + ahead).isoformat()
    with pytest.raises(RangeError) as caught:
        parse_time(typed)
    assert str(caught.value) == (
        f"time '{typed}' is still to come: this clock shows 2026-05-05 12:00. Is one of them wrong?"
    )


def test_a_built_in_gas_is_not_given_another_composition() -> None:
    """--fuel propane with --mixture: one of them is meant."""
    assert parse_fuel("Propane", None) == PROPANE
    assert parse_fuel("town blend", "CH4=0.8,H2=0.2").composition == {"CH4": 0.8, "H2": 0.2}
    with pytest.raises(RangeError) as caught:
        parse_fuel("Propane", "CH4=0.8,H2=0.2")
    assert str(caught.value) == (
        "propane is built in with its own composition: leave --mixture out, or name the gas otherwise"
    )


def test_names_may_be_cut_short() -> None:
    """ "H" is "high"; what fits none is left as it is."""
    assert [one_of(typed, ("high", "low")) for typed in ("H", "lo", "high", "x", "")] == [
        "high",
        "low",
        "high",
        "x",
        "",
    ]
