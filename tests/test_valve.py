"""The valve's physics against scipy.signal, finite differences of equation (1) and its own identities.

Status of a published value: [C] read in the source's own text, [S] in a secondary copy, [X] computed with the
named library, [M] from memory.
"""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from advisor.chemistry.fuels import BUILT_IN, METHANE, NATURAL_GAS, PROPANE, Fuel
from advisor.response.valve import (
    LinearisedScale,
    apply_backlash,
    screw_effects,
    step_response,
    superposition_weights,
    throttle_bend,
)

Array = NDArray[np.float64]
DATA = Path(__file__).parent / "data"


def ratio_squared(opening: float, offset_pa: float, signal_pa: float, at_one: float) -> float:
    """f^2 of equation (1): throttle opening relative to where f is `at_one`, offset and signal of the air in Pa."""
    return (at_one * opening) ** 2 * (1 + offset_pa / signal_pa)


# --- play ----------------------------------------------------------------------------------------------

places = st.floats(-1.0, 1.0)
backlashes = st.floats(0.0, 0.5)
paths = st.lists(places, min_size=1, max_size=12)


def walked(start: float, path: list[float], backlash: float) -> float:
    effective = start
    for hand in path:
        effective = float(apply_backlash(effective, hand, backlash))
    return effective


def by_small_steps(start: float, path: list[float], backlash: float) -> float:
    """Play worked out without its formula: a stick of that length is pushed by whichever end touches."""
    effective, hand = start, path[0]
    for target in path:
        for here in np.linspace(hand, target, 200):
            if here - effective > backlash / 2:
                effective = here - backlash / 2
            elif effective - here > backlash / 2:
                effective = here + backlash / 2
        hand = target
    return effective


@given(places, paths, backlashes)
@example(0.1, [0.3, -0.2, 0.3], 0.0)
def test_play_is_a_stick_pushed_by_its_ends(start: float, path: list[float], backlash: float) -> None:
    """The effect moves only while an end of the play pushes it, however slowly the hand goes."""
    assert walked(start, path, backlash) == pytest.approx(by_small_steps(start, path, backlash), abs=1e-12)


@given(places, places, places, backlashes, st.integers(2, 9))
def test_a_move_may_be_split(start: float, hand: float, target: float, backlash: float, parts: int) -> None:
    """A move made in several parts of the same direction, at any pace, ends where the one move ends."""
    begun = float(apply_backlash(start, hand, backlash))
    whole = float(apply_backlash(begun, target, backlash))
    stops = [hand + (target - hand) * part / parts for part in range(1, parts)]
    assert walked(begun, [*stops, target], backlash) == pytest.approx(whole, abs=1e-12)


def test_reversal_has_to_take_up_the_play() -> None:
    """After a turn one way, a turn the other way of up to the play does nothing; beyond, it does the rest."""
    up = apply_backlash(0.0, 0.5, 0.0625)
    assert up == 0.5 - 0.03125
    assert apply_backlash(up, 0.5 - 0.0625, 0.0625) == up
    assert apply_backlash(up, 0.5 - 0.1, 0.0625) == pytest.approx(up - (0.1 - 0.0625), abs=1e-15)


def test_play_of_many_hypotheses_at_once() -> None:
    """Arrays of starts and slacks are followed each by itself."""
    starts, widths = np.array([[0.0], [0.1]]), np.array([0.0, 0.05, 0.2])
    together = apply_backlash(starts, 0.3, widths)
    assert together.shape == (2, 3)
    for i, j in np.ndindex(2, 3):
        assert together[i, j] == apply_backlash(starts[i, 0], 0.3, widths[j])


# --- lag -----------------------------------------------------------------------------------------------

SIGNAL = "scipy.signal.lsim, exact for an input held between samples [X]"


def simulated(
    changes: list[tuple[int, float]], before: float, dead_time_s: int, time_constant_s: float, until_s: int
) -> Array:
    """Display at 0, 1, 2 ... s of a staircase of (moment, level), by scipy's simulation of the lag."""
    times = np.arange(until_s + 1, dtype=float)
    levels = np.full(times.size, before)
    for moment, level in changes:
        levels[times >= moment + dead_time_s] = level
    a, b, c, d = (np.array([[x]]) for x in (-1 / time_constant_s, 1 / time_constant_s, 1.0, 0.0))
    _, shown, _ = signal.lsim((a, b, c, d), levels, times, X0=[before], interp=False)
    return np.asarray(shown)


@pytest.mark.parametrize(("dead_time_s", "time_constant_s"), [(5, 8.0), (12, 25.0), (20, 60.0), (0, 1.0)])
def test_step_is_shown_as_a_lag_behind_a_dead_time(dead_time_s: int, time_constant_s: float) -> None:
    """The shown share of a step is the simulated answer to it, second by second, to 1e-9."""
    expected = simulated([(0, 1.0)], 0.0, dead_time_s, time_constant_s, 300)
    share = step_response(np.arange(301.0), dead_time_s, time_constant_s)
    assert share == pytest.approx(expected, abs=1e-9), SIGNAL


def test_shown_share_at_known_moments() -> None:
    """Nothing until the dead time, 1 - 1/e a time constant later, all of it in the end."""
    assert step_response([0.0, 10.0, 30.0, 1e6], 10.0, 20.0) == pytest.approx([0, 0, 1 - np.exp(-1), 1], abs=1e-15)
    assert step_response(-5.0, 10.0, 20.0) == 0


@given(
    st.lists(st.tuples(st.integers(0, 200), st.floats(5.0, 11.0)), min_size=1, max_size=6),
    st.floats(5.0, 11.0),
    st.integers(0, 20),
    st.floats(5.0, 60.0),
)
def test_staircase_is_mixed_with_the_weights(
    drawn: list[tuple[int, float]], before: float, dead_time_s: int, time_constant_s: float
) -> None:
    """States mixed with their weights give the simulated display of any staircase to 1e-6."""
    changes = sorted(dict(drawn).items())
    expected = simulated(changes, before, dead_time_s, time_constant_s, 320)
    now = np.arange(321.0)[:, None]
    elapsed = np.maximum(now - np.array([moment for moment, _ in changes], float), 0.0)
    weights = superposition_weights(step_response(elapsed, dead_time_s, time_constant_s))
    levels = np.array([before, *(level for _, level in changes)])
    assert weights @ levels == pytest.approx(expected, abs=1e-6), SIGNAL
    assert weights.sum(axis=1) == pytest.approx(1.0, abs=1e-12)
    assert (weights >= 0).all()


def test_weights_of_many_lags_at_once() -> None:
    """Each lag's weights stand in its own row, oldest state first; no change at all leaves one state."""
    shares = np.array([[0.9, 0.5, 0.0], [1.0, 1.0, 1.0]])
    weights = superposition_weights(shares)
    assert weights == pytest.approx(np.array([[0.1, 0.4, 0.5, 0.0], [0.0, 0.0, 0.0, 1.0]]))
    assert superposition_weights(np.empty((4, 0))).tolist() == [[1.0]] * 4


# --- from CO2 to the linearised scale --------------------------------------------------------------------

fuels = st.sampled_from(BUILT_IN)
centre_shares = st.floats(0.55, 0.95)


@given(fuels, centre_shares, st.floats(0.3, 1.0))
def test_linearised_values_lead_back(fuel: Fuel, centre_share: float, share: float) -> None:
    """CO2 to linearised and back gives the CO2, from well lean up to the fuel's maximum."""
    scale = LinearisedScale(fuel, centre_share * fuel.co2_max_pct)
    co2 = share * fuel.co2_max_pct
    assert float(scale.co2_pct(scale.linearised(co2))) == pytest.approx(co2, rel=1e-10)


@given(fuels, centre_shares)
def test_slope_is_one_at_the_centre(fuel: Fuel, centre_share: float) -> None:
    """At the centre a linearised value is the CO2 itself and changes by 1 per 1 % CO2 (central difference)."""
    centre = centre_share * fuel.co2_max_pct
    scale, step = LinearisedScale(fuel, centre), 1e-4
    assert float(scale.linearised(centre)) == pytest.approx(centre, rel=1e-12)
    rise = scale.linearised(centre + step) - scale.linearised(centre - step)
    assert float(rise) / (2 * step) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("fuel", [METHANE, PROPANE], ids=lambda fuel: fuel.name)
def test_linearised_values_of_the_published_lean_line(fuel: Fuel) -> None:
    """Linearised values of tabled CO2 are a straight line in 1/L^2 of the table, to its four decimals.

    Source: tests/data/dry_flue_lean.csv, from chemicals 1.5.2 and cantera 3.2.0 [X].
    """
    with (DATA / "dry_flue_lean.csv").open() as lines:
        assert next(lines).startswith("# ")
        rows = [row for row in csv.DictReader(lines) if row["fuel"] == fuel.name]
    assert len(rows) >= 5
    ratio = np.array([float(row["excess_air_ratio"]) for row in rows])
    co2 = np.minimum([float(row["co2_dry_pct"]) for row in rows], fuel.co2_max_pct)
    centre = float(co2[3])
    linearised = LinearisedScale(fuel, centre).linearised(co2)
    slope, level = np.polyfit(ratio**-2, linearised, 1)
    assert slope * ratio**-2 + level == pytest.approx(linearised, abs=2e-4)
    assert slope * ratio[3] ** -2 + level == pytest.approx(centre, abs=2e-4)


@given(st.floats(-20.0, 20.0), st.floats(-20.0, 20.0), st.floats(0.0, 1.0))
def test_the_offset_acts_exactly_linearly(one_pa: float, other_pa: float, share: float) -> None:
    """Between any two offsets the linearised value is their linear mixture, to rounding, at each rate."""
    scale = LinearisedScale(NATURAL_GAS, 8.7)
    between_pa = (1 - share) * one_pa + share * other_pa
    for signal_pa in (60.0, 1500.0):
        one, other, between = (
            scale.linearised(NATURAL_GAS.co2_pct(ratio_squared(1.0, pa, signal_pa, 0.75) ** -0.5))
            for pa in (one_pa, other_pa, between_pa)
        )
        assert float(between) == pytest.approx((1 - share) * float(one) + share * float(other), abs=1e-10)


def test_beyond_stoichiometric_stays_at_the_maximum() -> None:
    """A linearised value that would need more gas than there is air gives the fuel's CO2 maximum."""
    scale = LinearisedScale(NATURAL_GAS, 9.0)
    assert float(scale.co2_pct(30.0)) == pytest.approx(NATURAL_GAS.co2_max_pct, rel=1e-12)
    assert float(scale.co2_pct(-30.0)) > 0


# --- what a screw does at either rate ------------------------------------------------------------------


@pytest.mark.parametrize("turndown", [3.0, 5.0, 8.0])
@pytest.mark.parametrize(("high_pct", "low_pct"), [(9.0, 8.5), (9.0, 9.0), (8.8, 9.3), (7.4, 9.6)])
def test_screw_effects_are_slopes_of_equation_one(high_pct: float, low_pct: float, turndown: float) -> None:
    """Effects at the other rate are ratios of finite differences of equation (1) on the linearised scales.

    The boiler stands at these CO2, in or out of its bands: offset and at_one are solved for that.
    """
    fuel = NATURAL_GAS
    scales = {"high": LinearisedScale(fuel, 9.0), "low": LinearisedScale(fuel, 8.7)}
    settled = {"high": float(scales["high"].linearised(high_pct)), "low": float(scales["low"].linearised(low_pct))}
    signal_pa = {"low": 40.0, "high": 40.0 * turndown**2}
    squared = {f: float(fuel.excess_air_ratio(co2_pct=co2)) ** -2 for f, co2 in (("high", high_pct), ("low", low_pct))}
    # (1 + P/dP_low) / (1 + P/dP_high) = f_low^2 / f_high^2, solved for P
    want = squared["low"] / squared["high"]
    offset_pa = (want - 1) / (1 / signal_pa["low"] - want / signal_pa["high"])
    at_one = float(np.sqrt(squared["low"] / (1 + offset_pa / signal_pa["low"])))

    def shown(firing: str, opening: float, pa: float) -> float:
        squared = ratio_squared(opening, pa, signal_pa[firing], at_one)
        return float(scales[firing].linearised(fuel.co2_pct(squared**-0.5)))

    for firing, linearised in settled.items():
        assert shown(firing, 1.0, offset_pa) == pytest.approx(linearised, abs=1e-9)
    effects, step = screw_effects(scales, turndown, settled), 1e-4
    by_offset = {f: shown(f, 1.0, offset_pa + step) - shown(f, 1.0, offset_pa - step) for f in scales}
    by_throttle = {f: shown(f, 1 + step, offset_pa) - shown(f, 1 - step, offset_pa) for f in scales}
    assert effects["offset"]["low"] == 1
    # the throttle's gain is stated at the centre of the band; f grows evenly, so f^2 by the more the richer it is
    ratio = [float(fuel.excess_air_ratio(co2_pct=co2)) for co2 in (9.0, high_pct)]
    assert effects["throttle"]["high"] == pytest.approx(ratio[0] / ratio[1], rel=1e-9)
    assert effects["offset"]["high"] == pytest.approx(by_offset["high"] / by_offset["low"], rel=1e-6)
    at_low, at_high = effects["throttle"]["low"], effects["throttle"]["high"]
    assert at_low / at_high == pytest.approx(by_throttle["low"] / by_throttle["high"], rel=1e-6)


@pytest.mark.parametrize("turns", [-0.3, -1 / 24, 1 / 24, 0.5])
def test_a_large_throttle_turn_is_what_equation_one_makes_of_it(turns: float) -> None:
    """f grows evenly with the opening, so f^2 bends: half a turn from 7.5 % is not 12 times a 24th."""
    scale, gain = LinearisedScale(NATURAL_GAS, 9.2), 4.0
    settled = float(scale.linearised(7.5))
    f0, centre = (float(NATURAL_GAS.excess_air_ratio(co2_pct=co2)) ** -1 for co2 in (7.5, 9.2))
    per_turn = gain * scale.slope_at_centre / (2 * centre)  # df of a turn with that gain at the centre
    there = NATURAL_GAS.co2_pct(1 / (f0 + per_turn * turns))
    effect = screw_effects({"high": scale, "low": scale}, 5.0, {"high": settled, "low": settled})["throttle"]["high"]
    moved = gain * turns * effect * float(throttle_bend(scale, settled, np.array(gain * turns)))
    assert float(scale.co2_pct(settled + moved)) == pytest.approx(there, abs=1e-9)


def test_effects_stay_those_of_a_flame() -> None:
    """A belief gone astray (no gas left, or more than burns) does not make the throttle's effect 0 or boundless."""
    scale = LinearisedScale(NATURAL_GAS, 9.0)
    for settled, effect in (({"high": -40.0, "low": 40.0}, 4.0), ({"high": 40.0, "low": -40.0}, 0.25)):
        effects = screw_effects({"high": scale, "low": scale}, 5.0, settled)["throttle"]
        assert effects["low"] / effects["high"] == pytest.approx(effect, rel=1e-12)
