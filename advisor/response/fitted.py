"""The fitted response of one screw, for people and programs: gain, backlash, lag, and what is not known yet."""

from dataclasses import dataclass
from typing import Any

from advisor.messages import Reason
from advisor.response.situation import Situation
from advisor.screws import FIRING_FOR, Firing, Screw

LAG_SEEN_S = 60.0  # a reading so soon after a change shows something of the lag, own choice


@dataclass(frozen=True)
class Response:
    """What the job so far says about one screw at one rate, and what it does not say.

    gain_per_turn, gain_low, gain_high  % CO2 per turn clockwise at the present point, 90 % range
    backlash_turns   expected play of the screw, turns
    lag_s            expected dead time plus time constant of the display, s
    dead_time_s, time_constant_s  its parts, s
    n_readings       readings at this rate that count; n_moves: turns of this screw
    chance_reversed, chance_dead  0 to 1
    open_points      what is not known, as data; `not_known` are the same as sentences
    """

    screw: Screw
    firing: Firing
    gain_per_turn: float
    gain_low: float
    gain_high: float
    backlash_turns: float
    lag_s: float
    dead_time_s: float
    time_constant_s: float
    n_readings: int
    n_moves: int
    chance_reversed: float
    chance_dead: float
    open_points: tuple[Reason, ...] = ()

    @property
    def not_known(self) -> tuple[str, ...]:
        """What the readings so far leave open, in sentences."""
        return tuple(reason.text for reason in self.open_points)

    def as_dict(self) -> dict[str, Any]:
        """The fields as plain values, for a program."""
        record = {name: value for name, value in vars(self).items() if name != "open_points"}
        return record | {"not_known": list(self.not_known)}


def gain_at_present(situation: Situation, screw: Screw, firing: Firing) -> dict[str, float]:
    """Gain of a screw at a rate and the present point: % CO2 per turn clockwise, with its 90 % range."""
    belief = situation.belief
    scale, gain = belief.model.scales[firing], belief.gain(screw)
    here = belief.settled(firing).mean
    slope = float(scale.co2_pct(here + 0.01) - scale.co2_pct(here - 0.01)) / 0.02
    factor = slope * belief.effects[screw][firing] * belief.model.toward_richer[screw]
    ends = sorted((gain.ppf(0.05) * factor, gain.ppf(0.95) * factor))
    return {"gain_per_turn": gain.mean * factor, "gain_low": ends[0], "gain_high": ends[1]}


def response_of(situation: Situation, screw: Screw, firing: Firing) -> Response:
    """The fitted response of a screw at a rate."""
    belief, hypotheses = situation.belief, situation.belief.model.screws[screw]
    chance, lag_chance, lag = belief.screw_chances(screw), belief.lag_chances(), belief.model.lag
    dead_time_s, time_constant_s = float(lag_chance @ lag.dead_time_s), float(lag_chance @ lag.time_constant_s)
    return Response(
        screw=screw,
        firing=firing,
        **gain_at_present(situation, screw, firing),
        backlash_turns=float(chance @ hypotheses.backlash),
        lag_s=dead_time_s + time_constant_s,
        dead_time_s=dead_time_s,
        time_constant_s=time_constant_s,
        n_readings=len(situation.settled_readings(firing)),
        n_moves=len(situation.turns_of(screw)),
        chance_reversed=belief.reversed_chance(screw),
        chance_dead=belief.dead_chance(screw),
        open_points=tuple(_open_points(situation, screw, firing)),
    )


def _open_points(situation: Situation, screw: Screw, firing: Firing) -> list[Reason]:
    """What the readings so far leave open about a screw."""
    turns, own = situation.turns_of(screw), FIRING_FOR[screw]
    points = []
    if not turns:
        points.append(Reason("gain-not-turned", {"screw": screw}))
    elif not situation.settled_readings(own, turns[0].at_s):
        points.append(Reason("gain-not-read", {"firing": own}))
    if len({(row.event.turns_cw or 0) > 0 for row in turns}) < 2:
        points.append(Reason("play-one-way"))
    soon = any(0 < row.at_s - situation.changed_at_s < LAG_SEEN_S for row in situation.of("reading"))
    if not soon and len(turns) < 2:
        points.append(Reason("lag-not-seen"))
    if firing != own:
        points.append(Reason("gain-other-rate", {"firing": firing, "own": own}))
    return points
