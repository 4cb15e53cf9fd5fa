"""How two screws, the play in them and the lag of flue and analyser make the CO2 that is displayed.

A pneumatic gas/air control gives a gas flow ~ A(throttle) sqrt(dP + P_offset) against an air flow ~ sqrt(dP), with
dP ~ (fan speed)^2. With the fuel/air ratio f = 1 / (excess-air ratio) that is

    f^2 = K^2 A(throttle)^2 (1 + P_offset / dP)                                            (1)

so f^2 is exactly linear in the offset screw at one rate and one throttle position, and the offset's effect at high fire
is that at low fire divided by turndown^2. f is linear in the throttle's opening. Own derivation from orifice flow.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from advisor.chemistry.fuels import Fuel
from advisor.screws import FIRINGS, Firing, Screw

Array = NDArray[np.float64]

FLAME = (0.25, 1.0)  # f^2 between which a flame burns: from twice the air needed to none to spare, own choice


@dataclass(frozen=True)
class LinearisedScale:
    """CO2 on a scale that is linear in the offset screw: f^2 in units of % CO2.

    It equals the CO2, with slope 1, at `centre_co2_pct`: linearised values are in % CO2 too, and gains on this scale
    are % CO2 per turn at the centre. Own derivation from equation (1).
    """

    fuel: Fuel
    centre_co2_pct: float

    def _ratio_squared(self, co2_pct: ArrayLike) -> Array:
        ratio: Array = self.fuel.excess_air_ratio(co2_pct=np.asarray(co2_pct, np.float64))
        return ratio**-2

    @property
    def slope_at_centre(self) -> float:
        """d(f^2)/d(CO2) at the centre, per % CO2."""
        fuel, centre = self.fuel, self.centre_co2_pct
        # 1/f = 1 + (100 co2_made / CO2 - dry_flue) / air_needed, so df/dCO2 = f^2 100 co2_made / (air CO2^2)
        f = math.sqrt(self.ratio_squared_at_centre)
        return float(2 * f**3 * 100 * fuel.co2_made / (fuel.air_needed * centre**2))

    @property
    def ratio_squared_at_centre(self) -> float:
        """f^2 at the centre."""
        return float(self._ratio_squared(self.centre_co2_pct))

    def ratio_squared(self, linearised: ArrayLike) -> Array:
        """f^2 of a linearised value."""
        above_centre = np.asarray(linearised, float) - self.centre_co2_pct
        return self.ratio_squared_at_centre + self.slope_at_centre * above_centre

    def linearised(self, co2_pct: ArrayLike) -> Array:
        """Linearised value (% CO2) of a CO2 (dry volume percent, lean side, 0 < CO2 <= CO2 max)."""
        above_centre = self._ratio_squared(co2_pct) - self.ratio_squared_at_centre
        return self.centre_co2_pct + above_centre / self.slope_at_centre

    def co2_pct(self, linearised: ArrayLike) -> Array:
        """CO2 (dry volume percent) of a linearised value; beyond stoichiometric it stays at CO2 max."""
        ratio = 1 / np.sqrt(np.clip(self.ratio_squared(linearised), 1e-4, 1.0))
        return np.asarray(self.fuel.co2_pct(ratio), float)


def screw_effects(
    scales: Mapping[Firing, LinearisedScale], turndown: float, settled: Mapping[Firing, float]
) -> dict[Screw, dict[Firing, float]]:
    """What one unit of gain does at each rate on the linearised scales, for a small turn: effects[screw][firing].

    settled  where each rate's CO2 stands, linearised, % CO2

    A screw's gain is stated where the screw is set and at the band's centre: offset at low fire, throttle at high fire.
    From equation (1): the offset at high fire acts 1/turndown^2 as much in f^2. The throttle moves f evenly, so at
    high fire f^2 in proportion to f, and at both rates by one factor.
    """
    slope = {firing: scales[firing].slope_at_centre for firing in FIRINGS}
    size = {firing: _flame(scales[firing], settled[firing]) for firing in FIRINGS}
    high = math.sqrt(size["high"] / scales["high"].ratio_squared_at_centre)
    return {
        "offset": {"low": 1.0, "high": slope["low"] / slope["high"] / turndown**2},
        "throttle": {"high": high, "low": high * size["low"] * slope["high"] / (size["high"] * slope["low"])},
    }


def throttle_bend(scale: LinearisedScale, settled: float, rise: Array) -> Array:
    """How much more a throttle turn does on the scale of high fire than its start would have it, a ratio.

    settled  where high fire stands, linearised, % CO2
    rise     what the turn would do at the band's centre if it were small, % CO2

    f goes from f0 to f0 + d, so f^2 rises by 2 f0 d (1 + d / (2 f0)), with d = rise slope / (2 f at the centre).
    """
    f0, centre = math.sqrt(_flame(scale, settled)), math.sqrt(scale.ratio_squared_at_centre)
    bend: Array = 1 + np.asarray(rise, float) * scale.slope_at_centre / (4 * centre * f0)
    return bend


def _flame(scale: LinearisedScale, settled: float) -> float:
    """f^2 of a linearised value, kept to where a flame burns."""
    return float(np.clip(scale.ratio_squared(settled), *FLAME))


def apply_backlash(position: ArrayLike, hand: ArrayLike, width: ArrayLike) -> Array:
    """Effective position of a screw after the hand went to `hand`, all in turns: the play operator of hysteresis.

    It stays until the play of `width` (>= 0) round the hand takes it along: e <- min(max(e, p - w/2), p + w/2).
    """
    hand, half = np.asarray(hand, float), np.asarray(width, float) / 2
    moved: Array = np.clip(np.asarray(position, float), hand - half, hand + half)
    return moved


def step_response(elapsed_s: ArrayLike, dead_time_s: ArrayLike, time_constant_s: ArrayLike) -> Array:
    """Share (0 to 1) of a step that the display shows after `elapsed_s`: first-order lag behind a dead time.

    0 up to the dead time, then 1 - exp(-(elapsed - dead) / time constant). All in s; broadcast.
    """
    after = np.maximum(np.asarray(elapsed_s, float) - np.asarray(dead_time_s, float), 0.0)
    share: Array = -np.expm1(-after / np.asarray(time_constant_s, float))
    return share


def superposition_weights(shares: Array) -> Array:
    """Weights with which a display mixes the states it has passed through.

    shares  (..., n) step responses of the n changes, oldest first, non-increasing along the last axis

    Returns (..., n + 1), 0 to 1 and summing to 1: weight of the state before the first change, then of that after each.
    """
    edge = np.ones((*shares.shape[:-1], 1))
    steps = np.concatenate([edge, shares], axis=-1)
    weights: Array = steps - np.concatenate([shares, np.zeros_like(edge)], axis=-1)
    return weights
