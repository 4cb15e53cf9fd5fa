"""What the job so far says of one valve: the state of the filter before and after each event, and its forecasts.

The unknowns of the regression are in `model`. What enters otherwise (backlash, lag, sign) is carried by hypotheses on
three axes: lag, offset, throttle. A screw that was never turned has one hypothesis, which stands for all of its;
turning it unfolds them.

A reading displayed at time t mixes the states that the boiler went through, by the step responses of their changes; so
its row is the mixture of their rows. The error of a turn shows as the turn does; the next turn absorbs it into the
levels.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from advisor.job_setup.setup import JobSetup
from advisor.log.events import Event
from advisor.response import regression
from advisor.response.model import (
    ACTUATION,
    AXIS,
    DRIFT,
    GAIN,
    GAP,
    GAP_SD_PCT,
    LEVEL,
    SEGMENT,
    START_GAP_PCT,
    UNKNOWNS,
    Model,
)
from advisor.response.predictive import Mixture
from advisor.response.regression import Posterior, Pruned, Row
from advisor.response.valve import (
    apply_backlash,
    screw_effects,
    step_response,
    superposition_weights,
    throttle_bend,
)
from advisor.screws import FIRINGS, SCREWS, Firing, Screw

Array = NDArray[np.float64]
Displacement = Mapping[Screw, Mapping[Firing, Array]]

# approximations of the filter, own choice
HOPELESS = 1e-11  # probability of a lag, or of a screw's hypothesis, under which it is dropped for good
NEGLIGIBLE = 1e-4  # share of anything that a display may still trail by
LAG_GRID_ERROR = 0.15  # share of what is still to come that the grid of lags leaves open
FIRING_STEP_PCT = 1.0  # usual change of CO2 from one rate to the other, % CO2
FORGET_AFTER = 25.0  # time constants after which an older state no longer shows on a display


@dataclass(frozen=True)
class State:
    """One settled state that the boiler went into.

    since_s         moment of the change, s since 1970
    firing_since_s  moment from which this rate runs, s since 1970
    displacement    what the turns of each screw came to at each rate, as turns at the screw's own rate in the stated
                    richer direction from as found, one per hypothesis of the screw
    actuation       what the error of the last turn does here, in its own unit; 0 before that turn
    known_before    False at a start, and where nobody logged the change: what was displayed before it is not known
    """

    since_s: float
    firing: Firing
    firing_since_s: float
    displacement: Displacement
    actuation: float = 0.0
    known_before: bool = True


@dataclass(frozen=True)
class FilterState:
    """What the job so far says of the valve. Every method that takes an event returns a new state.

    states            states that the boiler went into, oldest first
    hand_turns        net turn of the hand from as found by screw, turns in the stated richer direction
    position          effective position of each screw, turns in that direction, one per hypothesis of the screw
    displacement      as in State, now
    actuation_effect  what the error of the last turn does at each rate, in its own unit
    """

    model: Model
    posterior: Posterior
    states: tuple[State, ...]
    hand_turns: Mapping[Screw, float]
    position: Mapping[Screw, Array]
    displacement: Displacement
    actuation_effect: Mapping[Firing, float]

    @staticmethod
    def initial(setup: JobSetup) -> "FilterState":
        """The state that a job starts with."""
        model, prior = Model.of(setup), setup.prior
        shape = (model.lag.weight.size, 1, 1)
        mean = np.zeros((UNKNOWNS, *shape))
        cov = np.zeros((UNKNOWNS, UNKNOWNS, *shape))
        for firing, index in LEVEL.items():
            mean[index] = model.scales[firing].centre_co2_pct
            cov[index, index] = prior.level_sd_pct**2 / model.noise_var
        cov[DRIFT, DRIFT] = prior.drift_sd_pct**2 / model.noise_var
        cov[SEGMENT, SEGMENT] = model.segment_var / model.noise_var
        posterior = Posterior(
            mean=mean,
            cov=cov,
            shape=model.noise_shape,
            scale=np.full(shape, model.noise_var / regression.expected_sd_share(model.noise_shape)),
            log_weight=np.log(model.lag.weight).reshape(shape),
        )
        start = {screw: model.screws[screw].start for screw in SCREWS}
        still = {screw: dict.fromkeys(FIRINGS, np.zeros_like(start[screw])) for screw in SCREWS}
        return FilterState(model, posterior, (), dict.fromkeys(SCREWS, 0.0), start, still, dict.fromkeys(FIRINGS, 0.0))

    # --- what happens -----------------------------------------------------------------------------

    def after(self, event: Event, *, anew: bool = False) -> "FilterState":
        """The state after one event; checks, notes and voids change nothing here.

        anew  whether a change of rate starts a boiler that was left for hours: its display comes from clean air
        """
        at_s = event.time.timestamp()
        if event.event == "firing" and event.rate:
            return self._changed_firing(event.rate, at_s, logged=True, anew=anew)
        if event.event == "turn" and event.screw and event.turns_cw:
            return self.turned(event.screw, event.turns_cw, at_s)
        if event.event == "reading" and event.rate and event.co2_pct is not None:
            return self.at_firing_of(event)._read(event.rate, event.co2_pct, at_s)
        return self

    def at_firing_of(self, reading: Event, *, anew: bool = False) -> "FilterState":
        """The state with the boiler at the rate that a reading names.

        Where the log has it at another or at none, or it was started `anew`, the reading is the first word of this
        rate: it counts from here.
        """
        if reading.rate is None or (self.firing == reading.rate and not anew):
            return self
        return self._changed_firing(reading.rate, reading.time.timestamp(), logged=False, anew=anew)

    @property
    def firing(self) -> Firing | None:
        """The firing rate the boiler runs at now, as far as logged."""
        return self.states[-1].firing if self.states else None

    def _changed_firing(self, firing: Firing, at_s: float, *, logged: bool, anew: bool) -> "FilterState":
        started = anew or not self.states
        known_before = logged and not started
        var = {DRIFT: self.model.setup.prior.drift_sd_pct**2, SEGMENT: self.model.segment_var}
        if not known_before:
            var[GAP] = GAP_SD_PCT**2
        starts = {index: value / self.model.noise_var for index, value in var.items()}
        posterior = regression.reset(self.posterior, starts, {GAP: START_GAP_PCT} if started else {})
        state = State(at_s, firing, at_s, self.displacement, self.actuation_effect[firing], known_before)
        return replace(self, posterior=posterior, states=(*self.states, state))

    def turned(self, screw: Screw, turns_cw: float, at_s: float) -> "FilterState":
        """The state after the hand turned `screw` by `turns_cw` (clockwise positive) at `at_s` (s since 1970)."""
        unfolded, model = self.unfolded(screw), self.model
        hand = self.hand_turns[screw] + turns_cw * model.toward_richer[screw]
        old = self.position[screw]
        new = apply_backlash(old, hand, model.screws[screw].backlash)
        effects, came_to = self.effects[screw], self._displaced(screw, new - old)
        moved = {firing: self.displacement[screw][firing] + came_to[firing] for firing in FIRINGS}
        displacement = {**self.displacement, screw: moved}
        into_levels = {LEVEL[firing]: self.actuation_effect[firing] for firing in FIRINGS}
        posterior = regression.absorb(unfolded.posterior, ACTUATION, into_levels)
        actuation_var = unfolded._actuation_var(screw, turns_cw, new - old) / posterior.noise_var
        starts: dict[int, Array | float] = {ACTUATION: actuation_var, SEGMENT: model.segment_var / model.noise_var}
        posterior = regression.reset(posterior, starts, in_place=True)
        states = tuple(replace(state, actuation=0.0) for state in unfolded.states)
        if states:
            last = states[-1]
            states = (*states, State(at_s, last.firing, last.firing_since_s, displacement, effects[last.firing]))
        return replace(
            unfolded,
            posterior=posterior,
            states=states,
            hand_turns={**self.hand_turns, screw: hand},
            position={**self.position, screw: new},
            displacement=displacement,
            actuation_effect=effects,
        )

    def _read(self, firing: Firing, co2_pct: float, at_s: float) -> "FilterState":
        scale = self.model.scales[firing]
        linearised = float(scale.linearised(min(co2_pct, scale.fuel.co2_max_pct)))
        row, extra = self._row(at_s)
        return replace(self, posterior=regression.update(self.posterior, row, linearised, extra))._without_hopeless()

    def _without_hopeless(self) -> "FilterState":
        """The same state without the hypotheses that no further reading could bring back."""
        weight = self.posterior.weight
        keep = []
        for axis in range(3):
            chance = weight.sum(axis=tuple({0, 1, 2} - {axis}))
            # an axis of one stands for a screw that was never turned, so at least two stay
            least = np.sort(chance)[-2] if chance.size > 1 else 0.0
            keep.append(np.flatnonzero((chance > HOPELESS) | (chance >= least)))
        if all(kept.size == count for kept, count in zip(keep, weight.shape, strict=True)):
            return self
        model, states, position, displacement = self.model, self.states, self.position, self.displacement
        screws = dict(model.screws)
        for screw in SCREWS:
            if not self._is_unfolded(screw):
                continue
            kept = keep[AXIS[screw]]
            screws[screw] = screws[screw].select(kept)
            position = {**position, screw: position[screw][kept]}
            displacement = _select(displacement, screw, kept)
            states = tuple(replace(s, displacement=_select(s.displacement, screw, kept)) for s in states)
        return replace(
            self,
            model=replace(model, lag=model.lag.select(keep[0]), screws=screws),
            posterior=regression.select(self.posterior, keep),
            states=states,
            position=position,
            displacement=displacement,
        )

    @cached_property
    def pruned(self) -> Pruned:
        """The posterior without its hopeless hypotheses, for forecasts."""
        return regression.prune(self.posterior)

    def unfolded(self, screw: Screw) -> "FilterState":
        """The same state with every hypothesis about `screw` written out.

        The standard deviation of a gain is absolute: it is divided by the noise as known at this moment.
        """
        if self._is_unfolded(screw):
            return self
        if screw not in self._unfolded:
            self._unfolded[screw] = self._unfold(screw)
        return self._unfolded[screw]

    @cached_property
    def _unfolded(self) -> dict[Screw, "FilterState"]:
        """The states of `unfolded` that were made."""
        return {}

    def _unfold(self, screw: Screw) -> "FilterState":
        axis, hypotheses, posterior = AXIS[screw], self.model.screws[screw], self.posterior
        count = hypotheses.weight.size
        mean = np.repeat(posterior.mean, count, axis=axis + 1)
        cov = np.repeat(posterior.cov, count, axis=axis + 2)
        mean[GAIN[screw]] = _along(screw, hypotheses.gain)
        cov[GAIN[screw], GAIN[screw]] = _along(screw, hypotheses.gain_sd**2) / posterior.noise_var
        return replace(
            self,
            posterior=Posterior(
                mean,
                cov,
                posterior.shape,
                np.repeat(posterior.scale, count, axis=axis),
                posterior.log_weight + _along(screw, np.log(hypotheses.weight)),
            ),
        )

    def _is_unfolded(self, screw: Screw) -> bool:
        return bool(self.posterior.scale.shape[AXIS[screw]] > 1)

    # --- rows of the regression -------------------------------------------------------------------

    def _actuation_var(self, screw: Screw, turns_cw: float, moved: Array) -> Array:
        """Variance of what the error of a turn does, (% CO2)^2: a share of the turn where play lets it through."""
        error = self.model.setup.prior.actuation_sd * turns_cw * (moved != 0)
        return _along(screw, (error * self.model.screws[screw].gain) ** 2)

    def _settled_row(self, firing: Firing, displacement: Displacement) -> list[Array | float]:
        row: list[Array | float] = [0.0] * UNKNOWNS
        row[LEVEL[firing]] = 1.0
        for screw in SCREWS:
            if self._is_unfolded(screw):
                row[GAIN[screw]] = _along(screw, displacement[screw][firing])
        row[ACTUATION] = self.actuation_effect[firing]
        return row

    def _mixed(self, at_s: float) -> tuple[list[State], Array, Array]:
        """What a display at `at_s` mixes: the states (n), their weights (L, n), the share from before the first (L,).

        The last is 0 where it is known what was displayed then.
        """
        lag = self.model.lag
        memory_s = float((lag.dead_time_s + FORGET_AFTER * lag.time_constant_s).max())
        states = [state for state in self.states if state.since_s <= at_s] or [self.states[0]]
        first = len(states) - 1
        while first > 0 and states[first].known_before and at_s - states[first].since_s <= memory_s:
            first -= 1
        states = states[first:]
        elapsed = np.array([max(at_s - state.since_s, 0.0) for state in states])
        shares = step_response(elapsed, lag.dead_time_s[:, None], lag.time_constant_s[:, None])
        unknown = np.zeros(lag.weight.size) if states[0].known_before else 1 - shares[:, 0]
        return states, superposition_weights(shares[:, 1:]), unknown

    def _row(self, at_s: float) -> tuple[list[Array | float], Array]:
        """Regressors of a reading displayed at `at_s`, and its extra noise (in noise variances)."""
        states, weights, unknown = self._mixed(at_s)
        column = (-1, 1, 1)
        row: list[Array | float] = [0.0] * UNKNOWNS
        for firing, index in LEVEL.items():
            here = [state.firing == firing for state in states]
            if any(here):
                row[index] = weights[:, here].sum(axis=1).reshape(column)
        for screw in SCREWS:
            if not self._is_unfolded(screw):
                continue
            mixed = weights @ np.stack([state.displacement[screw][state.firing] for state in states])  # (L, S)
            row[GAIN[screw]] = mixed[:, :, None] if screw == "offset" else mixed[:, None, :]
        last = states[-1]
        row[DRIFT] = math.exp(-max(at_s - last.firing_since_s, 0.0) / self.model.setup.prior.drift_time_s)
        row[SEGMENT] = 1.0
        if unknown.any():  # else it stays a number, which costs nothing
            row[GAP] = unknown.reshape(column)
        if any(self.actuation_effect.values()):  # before any turn it stays a number
            row[ACTUATION] = (weights @ [state.actuation for state in states]).reshape(column)
        return row, self._lag_grid_var(states, weights, unknown)

    def _lag_grid_var(self, states: list[State], weights: Array, unknown: Array) -> Array:
        """Noise of what is still to come after a change of rate: true lags lie between those of the hypotheses."""
        elsewhere = [state.firing != states[-1].firing for state in states]
        still_pct = unknown * GAP_SD_PCT + weights[:, elsewhere].sum(axis=1) * FIRING_STEP_PCT
        var: Array = (still_pct.reshape(-1, 1, 1) * LAG_GRID_ERROR) ** 2 / self.model.noise_var
        return var

    # --- forecasts, all on the linearised scale ---------------------------------------------------

    def settled(self, firing: Firing) -> Mixture:
        """Forecast of the true settled CO2 (linearised, % CO2) at `firing` with the screws as they are."""
        return self._forecast(self._settled_row(firing, self.displacement))

    def settled_after(self, firing: Firing, screw: Screw, moves_cw: Sequence[float]) -> list[Mixture]:
        """Forecasts of the true settled CO2 (linearised, % CO2) at `firing` after each possible move of `screw`."""
        unfolded = self.unfolded(screw)
        pruned, hypotheses = unfolded.pruned, self.model.screws[screw]
        posterior = pruned.posterior
        row = pruned.pick(unfolded._settled_row(firing, self.displacement))
        cov_x, quad, location = regression.project(posterior, row)
        gain, old, effect = GAIN[screw], self.position[screw], self.effects[screw][firing]
        forecasts = []
        for move_cw in moves_cw:
            hand = self.hand_turns[screw] + move_cw * self.model.toward_richer[screw]
            moved = apply_backlash(old, hand, hypotheses.backlash) - old
            step = pruned.take(_along(screw, self._displaced(screw, moved)[firing]))
            actuation_var = pruned.take(unfolded._actuation_var(screw, move_cw, moved))
            var = quad + 2 * step * cov_x[gain] + step**2 * posterior.cov[gain, gain]
            var += actuation_var * effect**2 / posterior.noise_var
            forecasts.append(regression.as_mixture(posterior, location + step * posterior.mean[gain], var))
        return forecasts

    def displayed(self, at_s: float) -> Mixture:
        """Forecast of a reading (linearised, % CO2) displayed at `at_s` (s since 1970)."""
        row, extra = self._row(at_s)
        return self._forecast(row, 1.0 + self.pruned.take(extra))

    def settled_chance(self, at_s: float) -> float:
        """Probability that a display at `at_s` trails the settled value by under half a step; own derivation."""
        states, _, _ = self._mixed(at_s)
        row, _ = self._row(at_s)
        settled = self._settled_row(states[-1].firing, states[-1].displacement)
        trail = [a - b for a, b in zip(settled, row, strict=True)]
        trail[ACTUATION] = states[-1].actuation - row[ACTUATION]  # of a moment before the last turn: none of it yet
        trail[DRIFT] = 0.0  # slow and small: not waited for
        trail[SEGMENT] = 0.0
        if max(float(np.max(np.abs(x))) for x in trail) < NEGLIGIBLE:
            return 1.0
        half = self.model.setup.display_step_pct / 2
        return self._forecast(trail).interval_prob(-half, half)

    def _forecast(self, row: Row, noise: Array | float = 0.0) -> Mixture:
        return regression.forecast(self.pruned.posterior, self.pruned.pick(row), noise)

    @cached_property
    def settled_mean(self) -> dict[Firing, float]:
        """Mean of the true settled CO2 (linearised, % CO2) at each rate, no hypothesis left out."""
        weighted = self.posterior.weight * self.posterior.mean
        rows = {firing: self._settled_row(firing, self.displacement) for firing in FIRINGS}
        return {
            f: sum(float(np.sum(x * mean)) for x, mean in zip(row, weighted, strict=True)) for f, row in rows.items()
        }

    @cached_property
    def effects(self) -> dict[Screw, dict[Firing, float]]:
        """What a small turn made now does at each rate for one unit of gain: effects[screw][firing]."""
        return screw_effects(self.model.scales, self.model.setup.turndown, self.settled_mean)

    def _displaced(self, screw: Screw, moved: Array) -> dict[Firing, Array]:
        """What it comes to at each rate, as in State, that a screw's effective position moved by so many turns (S,)."""
        if screw == "throttle":
            gain = self.model.screws[screw].gain
            moved = moved * throttle_bend(self.model.scales["high"], self.settled_mean["high"], moved * gain)
        return {firing: moved * effect for firing, effect in self.effects[screw].items()}

    # --- what is known of the valve ---------------------------------------------------------------

    def gain(self, screw: Screw) -> Mixture:
        """The gain of `screw`: linearised % CO2 per turn in its stated richer direction."""
        row: list[float] = [0.0] * UNKNOWNS
        row[GAIN[screw]] = 1.0
        return self.unfolded(screw)._forecast(row)

    def screw_chances(self, screw: Screw) -> Array:
        """Probability of each hypothesis about `screw`, in the order of `model.screws[screw]`."""
        if not self._is_unfolded(screw):
            return self.model.screws[screw].weight
        return np.asarray(self.posterior.weight.sum(axis=tuple(axis for axis in (0, 1, 2) if axis != AXIS[screw])))

    def reversed_chance(self, screw: Screw) -> float:
        """Chance that `screw` works against its stated direction, 0 to 1."""
        return float(self.screw_chances(screw)[self.model.screws[screw].gain < 0].sum())

    def dead_chance(self, screw: Screw) -> float:
        """Chance that `screw` does next to nothing (`Policy.useless_gain`), 0 to 1."""
        gain, useless = self.gain(screw), self.model.setup.policy.useless_gain
        return gain.cdf(useless) - gain.cdf(-useless)

    def lag_chances(self) -> Array:
        """Probability of each hypothesis about the lag, in the order of `model.lag`."""
        return np.asarray(self.posterior.weight.sum(axis=(1, 2)))


def _along(screw: Screw, values: Array) -> Array:
    """Values of a screw's hypotheses (S,) laid out along its axis (1, S, 1) or (1, 1, S)."""
    return values.reshape((1, -1, 1) if screw == "offset" else (1, 1, -1))


def _select(displacement: Displacement, screw: Screw, kept: NDArray[np.intp]) -> Displacement:
    return {**displacement, screw: {firing: values[kept] for firing, values in displacement[screw].items()}}
