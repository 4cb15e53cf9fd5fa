"""The response of one valve, learned from the job so far: belief before, after each event, and forecasts.

Unknowns of the regression (all in % CO2 on the straight scale, gains per turn):
level at high and at low fire with the screws as found, gain of each screw at the rate where it is set,
a slow drift after a change of rate; an error shared by the readings of one standstill; at a start, or where
nobody logged a change of rate, the gap from there to what was displayed before; and the error of the hand in the
last turn, which a display shows as it shows the turn. The next turn folds it into the levels.
The rest (slack, lag, sign) is carried by hypotheses, laid out on three axes: lag, offset, throttle.
A screw that was never turned has one hypothesis, which stands for all of its: turning it unfolds them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from advisor.job_setup.setup import Facts
from advisor.log.events import FIRINGS, SCREWS, Event
from advisor.response import regression
from advisor.response.model import (
    AXIS,
    DRIFT,
    GAIN,
    GAP,
    GAP_SD_PCT,
    HAND,
    LEVEL,
    STANDSTILL,
    START_GAP_PCT,
    UNKNOWNS,
    Model,
)
from advisor.response.regression import Fit, Likely, Mixture, Row
from advisor.response.valve import follow, screw_effects, shown_share, state_weights, throttle_bend

Array = NDArray[np.float64]
Displaced = dict[str, dict[str, Array]]  # by screw and rate

HOPELESS = 1e-11  # chance of a lag, or of a screw's hypothesis, under which it is dropped for good
NEGLIGIBLE = 1e-4  # of anything that a display may still trail by
LAG_GRID_ERROR = 0.15  # share of what is still to come that the lag's grid leaves open, own choice
RATE_STEP_PCT = 1.0  # usual change of CO2 from one rate to the other, % CO2, own choice
FORGET_AFTER = 25.0  # time constants after which an older state no longer shows on a display


@dataclass(frozen=True)
class State:
    """One settled state that the boiler went into: since when, at which rate, where the screws act.

    since_s      moment of the change, s since 1970
    firing_since_s  moment from which this rate runs, s since 1970
    displaced    what the turns of each screw came to at each rate, as turns at the screw's own rate in the stated
                 richer direction from as found, one per hypothesis
    hand         what the error of the hand in the last turn does here, in its own unit; 0 before that turn
    known_before False at a start, and where nobody logged the change: what was displayed before it is not known
    """

    since_s: float
    firing: str
    firing_since_s: float
    displaced: Displaced
    hand: float = 0.0
    known_before: bool = True


@dataclass(frozen=True)
class Belief:
    """What the job so far says about the valve. Every method that takes an event returns a new belief."""

    model: Model
    fit: Fit
    states: tuple[State, ...]
    hand: dict[str, float]  # net turn of the hand from as found, turns in the stated richer direction
    effective: dict[str, Array]  # where each screw acts now, turns in that direction, one per hypothesis
    displaced: Displaced  # as in State, now
    hand_shows: dict[str, float]  # what the error of the hand in the last turn does at each rate, in its own unit

    @staticmethod
    def before_any_event(facts: Facts) -> "Belief":
        """The belief a job starts with."""
        model, prior = Model.of(facts), facts.prior
        shape = (model.lag.weight.size, 1, 1)
        mean = np.zeros((UNKNOWNS, *shape))
        cov = np.zeros((UNKNOWNS, UNKNOWNS, *shape))
        for firing, index in LEVEL.items():
            mean[index] = model.scales[firing].centre_co2_pct
            cov[index, index] = prior.level_sd_pct**2 / model.noise_var
        cov[DRIFT, DRIFT] = prior.drift_sd_pct**2 / model.noise_var
        cov[STANDSTILL, STANDSTILL] = model.standstill_var / model.noise_var
        fit = Fit(
            mean=mean,
            cov=cov,
            shape=model.noise_shape,
            scale=np.full(shape, model.noise_var / regression.noise_share(model.noise_shape)),
            log_weight=np.log(model.lag.weight).reshape(shape),
        )
        starts = {screw: model.screws[screw].start for screw in SCREWS}
        still = {screw: dict.fromkeys(FIRINGS, np.zeros_like(starts[screw])) for screw in SCREWS}
        return Belief(model, fit, (), dict.fromkeys(SCREWS, 0.0), starts, still, dict.fromkeys(FIRINGS, 0.0))

    # --- what happens -----------------------------------------------------------------------------

    def after(self, event: Event, *, anew: bool = False) -> "Belief":
        """The belief after one event; checks, notes and voids change nothing here.

        anew  whether a change of rate starts a boiler that was left for hours: its display comes from clean air
        """
        at_s = event.time.timestamp()
        if event.event == "firing" and event.firing:
            return self._changed_firing(event.firing, at_s, logged=True, anew=anew)
        if event.event == "turn" and event.screw and event.turns_cw:
            return self.turned(event.screw, event.turns_cw, at_s)
        if event.event == "reading" and event.firing and event.co2_pct is not None:
            return self.at_rate_of(event)._read(event.firing, event.co2_pct, at_s)
        return self

    def at_rate_of(self, reading: Event, *, anew: bool = False) -> "Belief":
        """The belief with the boiler at the rate the reading names.

        Where the log has it at another or at none, or it was started `anew`, the reading is the first word of this
        rate: it counts from here.
        """
        if reading.firing is None or (self.firing == reading.firing and not anew):
            return self
        return self._changed_firing(reading.firing, reading.time.timestamp(), logged=False, anew=anew)

    @property
    def firing(self) -> str | None:
        """The firing rate the boiler runs at now, as far as logged."""
        return self.states[-1].firing if self.states else None

    def _changed_firing(self, firing: str, at_s: float, *, logged: bool, anew: bool) -> "Belief":
        started = anew or not self.states
        prior, noise_var = self.model.facts.prior, self.model.noise_var
        fit = regression.renew(self.fit, DRIFT, prior.drift_sd_pct**2 / noise_var)
        known_before = logged and not started
        fit = regression.renew(fit, STANDSTILL, self.model.standstill_var / noise_var)
        if not known_before:
            fit = regression.renew(fit, GAP, GAP_SD_PCT**2 / noise_var, START_GAP_PCT if started else 0.0)
        state = State(at_s, firing, at_s, self.displaced, self.hand_shows[firing], known_before)
        return replace(self, fit=fit, states=(*self.states, state))

    def turned(self, screw: str, turns_cw: float, at_s: float) -> "Belief":
        """The belief after the hand turned `screw` by `turns_cw` (clockwise positive) at `at_s` (s since 1970)."""
        belief = self.unfolded(screw)
        model = self.model
        hypotheses = model.screws[screw]
        hand = self.hand[screw] + turns_cw * model.toward_richer[screw]
        old = self.effective[screw]
        new = follow(old, hand, hypotheses.slack)
        effects = self.effects[screw]
        moves = self._moves(screw, new - old)
        displaced = {
            **self.displaced,
            screw: {firing: self.displaced[screw][firing] + moves[firing] for firing in FIRINGS},
        }
        fit = regression.fold(belief.fit, HAND, {LEVEL[firing]: self.hand_shows[firing] for firing in FIRINGS})
        fit = regression.renew(fit, HAND, belief._hand_var(screw, turns_cw, new - old) / fit.noise_var)
        fit = regression.renew(fit, STANDSTILL, model.standstill_var / model.noise_var)
        states = tuple(replace(state, hand=0.0) for state in belief.states)
        if states:
            last = states[-1]
            states = (*states, State(at_s, last.firing, last.firing_since_s, displaced, effects[last.firing]))
        return replace(
            belief,
            fit=fit,
            states=states,
            hand={**self.hand, screw: hand},
            effective={**self.effective, screw: new},
            displaced=displaced,
            hand_shows=effects,
        )

    def _read(self, firing: str, co2_pct: float, at_s: float) -> "Belief":
        scale = self.model.scales[firing]
        straight = float(scale.straight(min(co2_pct, scale.fuel.co2_max_pct)))
        row, extra = self._row(at_s)
        return replace(self, fit=regression.update(self.fit, row, straight, extra))._without_hopeless()

    def _without_hopeless(self) -> "Belief":
        """The same belief without the hypotheses that no further reading could bring back."""
        weight = self.fit.weight
        keep = []
        for axis in range(3):
            chance = weight.sum(axis=tuple({0, 1, 2} - {axis}))
            # an axis of one stands for a screw that was never turned, so at least two stay
            least = np.sort(chance)[-2] if chance.size > 1 else 0.0
            keep.append(np.flatnonzero((chance > HOPELESS) | (chance >= least)))
        if all(kept.size == count for kept, count in zip(keep, weight.shape, strict=True)):
            return self
        model, states, effective, displaced = self.model, self.states, self.effective, self.displaced
        screws = dict(model.screws)
        for screw in SCREWS:
            if not self._is_unfolded(screw):
                continue
            kept = keep[AXIS[screw]]
            screws[screw] = screws[screw].only(kept)
            effective = {**effective, screw: effective[screw][kept]}
            displaced = _only_of(displaced, screw, kept)
            states = tuple(replace(state, displaced=_only_of(state.displaced, screw, kept)) for state in states)
        return replace(
            self,
            model=replace(model, lag=model.lag.only(keep[0]), screws=screws),
            fit=regression.only(self.fit, keep),
            states=states,
            effective=effective,
            displaced=displaced,
        )

    @cached_property
    def likely(self) -> Likely:
        """The fit without its hopeless hypotheses, for forecasts."""
        return regression.likely(self.fit)

    def unfolded(self, screw: str) -> "Belief":
        """The same belief with every hypothesis about `screw` written out.

        The spread of a gain is absolute: it stands beside the noise as known at this moment.
        """
        axis, hypotheses = AXIS[screw], self.model.screws[screw]
        fit = self.fit
        if self._is_unfolded(screw):
            return self
        count = hypotheses.weight.size
        mean = np.repeat(fit.mean, count, axis=axis + 1)
        cov = np.repeat(fit.cov, count, axis=axis + 2)
        mean[GAIN[screw]] = self._along(screw, hypotheses.gain)
        cov[GAIN[screw], GAIN[screw]] = self._along(screw, hypotheses.gain_sd**2) / fit.noise_var
        return replace(
            self,
            fit=Fit(
                mean,
                cov,
                fit.shape,
                np.repeat(fit.scale, count, axis=axis),
                fit.log_weight + self._along(screw, np.log(hypotheses.weight)),
            ),
        )

    # --- rows of the regression -------------------------------------------------------------------

    def _along(self, screw: str, values: Array) -> Array:
        return values.reshape((1, -1, 1) if screw == "offset" else (1, 1, -1))

    def _hand_var(self, screw: str, turns_cw: float, moved: Array) -> Array:
        """Variance, (% CO2)^2, of what the hand's error does: a share of the whole turn where play lets it through."""
        error = self.model.facts.prior.hand_sd * turns_cw * (moved != 0)
        return self._along(screw, (error * self.model.screws[screw].gain) ** 2)

    def _settled_row(self, firing: str, displaced: Displaced) -> list[Array | float]:
        row: list[Array | float] = [0.0] * UNKNOWNS
        row[LEVEL[firing]] = 1.0
        for screw in SCREWS:
            if self._is_unfolded(screw):
                row[GAIN[screw]] = self._along(screw, displaced[screw][firing])
        row[HAND] = self.hand_shows[firing]
        return row

    def _shown(self, at_s: float) -> tuple[list[State], Array, Array]:
        """The states that a display at `at_s` still mixes (n), their weights (L, n), and the share of it (L,)
        that comes from before the first of them, where nobody logged what was displayed then."""
        lag = self.model.lag
        memory_s = float((lag.dead_time_s + FORGET_AFTER * lag.time_constant_s).max())
        states = [state for state in self.states if state.since_s <= at_s] or [self.states[0]]
        first = len(states) - 1
        while first > 0 and states[first].known_before and at_s - states[first].since_s <= memory_s:
            first -= 1
        states = states[first:]
        elapsed = np.array([max(at_s - state.since_s, 0.0) for state in states])
        shares = shown_share(elapsed, lag.dead_time_s[:, None], lag.time_constant_s[:, None])
        unknown = np.zeros(lag.weight.size) if states[0].known_before else 1 - shares[:, 0]
        return states, state_weights(shares[:, 1:]), unknown

    def _row(self, at_s: float) -> tuple[list[Array | float], Array]:
        """Regressors of a reading displayed at `at_s`, and its extra noise (in noise variances)."""
        states, weights, unknown = self._shown(at_s)
        column = (-1, 1, 1)
        row: list[Array | float] = [0.0] * UNKNOWNS
        for firing, index in LEVEL.items():
            here = [state.firing == firing for state in states]
            if any(here):
                row[index] = weights[:, here].sum(axis=1).reshape(column)
        for screw in SCREWS:
            if not self._is_unfolded(screw):
                continue
            mixed = weights @ np.stack([state.displaced[screw][state.firing] for state in states])  # (L, S)
            row[GAIN[screw]] = mixed[:, :, None] if screw == "offset" else mixed[:, None, :]
        last = states[-1]
        row[DRIFT] = math.exp(-max(at_s - last.firing_since_s, 0.0) / self.model.facts.prior.drift_time_s)
        row[STANDSTILL] = 1.0
        if unknown.any():  # else it stays a number, which costs nothing
            row[GAP] = unknown.reshape(column)
        if any(self.hand_shows.values()):  # before any turn it stays a number, which costs nothing
            row[HAND] = (weights @ [state.hand for state in states]).reshape(column)
        return row, self._lag_grid_var(states, weights, unknown)

    def _lag_grid_var(self, states: list[State], weights: Array, unknown: Array) -> Array:
        """Noise of what is still to come after a change of rate: true lags lie between those of the hypotheses."""
        elsewhere = [state.firing != states[-1].firing for state in states]
        still_pct = unknown * GAP_SD_PCT + weights[:, elsewhere].sum(axis=1) * RATE_STEP_PCT
        var: Array = (still_pct.reshape(-1, 1, 1) * LAG_GRID_ERROR) ** 2 / self.model.noise_var
        return var

    def _is_unfolded(self, screw: str) -> bool:
        return bool(self.fit.scale.shape[AXIS[screw]] > 1)

    # --- forecasts, all on the straight scale -----------------------------------------------------

    def settled(self, firing: str) -> Mixture:
        """Forecast of the true settled CO2 (straight %) at `firing` with the screws as they are."""
        return self._forecast(self._settled_row(firing, self.displaced))

    def settled_after(self, firing: str, screw: str, moves_cw: Sequence[float]) -> list[Mixture]:
        """Forecasts of the true settled CO2 (straight %) at `firing` after each possible move of `screw`."""
        belief = self.unfolded(screw)
        model, likely, hypotheses = self.model, belief.likely, self.model.screws[screw]
        fit = likely.fit
        cov_x, quad, location = regression.spread(fit, likely.pick(belief._settled_row(firing, self.displaced)))
        gain = GAIN[screw]
        old, effect = self.effective[screw], self.effects[screw][firing]
        forecasts = []
        for move_cw in moves_cw:
            hand = self.hand[screw] + move_cw * model.toward_richer[screw]
            moved = follow(old, hand, hypotheses.slack) - old
            step = likely.take(belief._along(screw, self._moves(screw, moved)[firing]))
            hand_var = likely.take(belief._hand_var(screw, move_cw, moved)) * effect**2 / fit.noise_var
            forecasts.append(
                regression.as_mixture(
                    fit,
                    location + step * fit.mean[gain],
                    quad + 2 * step * cov_x[gain] + step**2 * fit.cov[gain, gain] + hand_var,
                )
            )
        return forecasts

    def displayed(self, at_s: float) -> Mixture:
        """Forecast of a reading (straight %) displayed at `at_s` (s since 1970)."""
        row, extra = self._row(at_s)
        return self._forecast(row, 1.0 + self.likely.take(extra))

    def settled_chance(self, at_s: float) -> float:
        """Chance that a display at `at_s` trails the settled value by less than half a display step; own derivation."""
        states, _, _ = self._shown(at_s)
        row, _ = self._row(at_s)
        settled = self._settled_row(states[-1].firing, states[-1].displaced)
        trail = [a - b for a, b in zip(settled, row, strict=True)]
        trail[HAND] = states[-1].hand - row[HAND]  # of a moment before the last turn: none of it yet
        trail[DRIFT] = 0.0  # slow and small: not waited for
        trail[STANDSTILL] = 0.0
        if max(float(np.max(np.abs(x))) for x in trail) < NEGLIGIBLE:
            return 1.0
        half = self.model.facts.display_step_pct / 2
        return self._forecast(trail).between(-half, half)

    def _forecast(self, row: Row, noise: Array | float = 0.0) -> Mixture:
        return regression.forecast(self.likely.fit, self.likely.pick(row), noise)

    @cached_property
    def stands(self) -> dict[str, float]:
        """Mean of the true settled CO2 (straight %) at each rate, no hypothesis left out; own choice."""
        weighed = self.fit.weight * self.fit.mean
        rows = {firing: self._settled_row(firing, self.displaced) for firing in FIRINGS}
        return {
            f: sum(float(np.sum(x * mean)) for x, mean in zip(row, weighed, strict=True)) for f, row in rows.items()
        }

    @cached_property
    def effects(self) -> dict[str, dict[str, float]]:
        """What a small turn made now does at each rate for one unit of gain: effects[screw][firing]."""
        return screw_effects(self.model.scales, self.model.facts.turndown, self.stands)

    def _moves(self, screw: str, moved: Array) -> dict[str, Array]:
        """What it comes to at each rate, as in State, that a screw's effect moved by so many turns (S,)."""
        if screw == "throttle":
            gain = self.model.screws[screw].gain
            moved = moved * throttle_bend(self.model.scales["high"], self.stands["high"], moved * gain)
        return {firing: moved * effect for firing, effect in self.effects[screw].items()}

    # --- what is known of the valve ---------------------------------------------------------------

    def gain(self, screw: str) -> Mixture:
        """The gain of `screw`: straight % CO2 per turn in its stated richer direction."""
        belief = self.unfolded(screw)
        row: list[float] = [0.0] * UNKNOWNS
        row[GAIN[screw]] = 1.0
        return belief._forecast(row)

    def chances(self, screw: str) -> Array:
        """Chance of each hypothesis about `screw`, in the order of `model.screws[screw]`."""
        weight = self.unfolded(screw).fit.weight
        return np.asarray(weight.sum(axis=tuple(axis for axis in (0, 1, 2) if axis != AXIS[screw])))

    def lag_chances(self) -> Array:
        """Chance of each hypothesis about the lag, in the order of `model.lag`."""
        return np.asarray(self.fit.weight.sum(axis=(1, 2)))


def _only_of(displaced: Displaced, screw: str, kept: NDArray[np.intp]) -> Displaced:
    return {**displaced, screw: {firing: values[kept] for firing, values in displaced[screw].items()}}
