"""The setting of one firing rate: where its CO2 stands, what each turn of its screw would do, which turn is best.

The turn that leaves the fewest turns to go wins: a cost that is bounded near the band, so that a gain hardly known does
not shrink every early turn as squared distance does (own choice; a base policy's cost to go, Bertsekas, Dynamic
Programming and Optimal Control, from memory). It keeps the cap, the travel limit and the edges: past the rich edge is
danger, so a turn richer keeps to a chance; past the lean edge is a minute lost, so a turn leaner keeps to one only
where the flame may lift. A rate is set when it truly lies in the band with high chance (conformity probability, JCGM
106:2012, from memory).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

from advisor.decision.low_fire import LowFire
from advisor.diagnosis.carbon_monoxide import CoCeiling, bars_richer, co_ceiling, co_climb, co_due_anew, was_over_limit
from advisor.diagnosis.findings import effect_doubted, unseen_turn
from advisor.log.check_items import clockwise_item
from advisor.log.events import Row
from advisor.messages import Reason
from advisor.response.predictive import Mixture, chance_truly_in_band
from advisor.response.situation import Situation
from advisor.screws import SCREW_FOR, Firing, Screw
from advisor.wording.numbers import say_chance

TINY = 1e-9


@dataclass(frozen=True)
class Move:
    """One possible turn and what it would do to the true settled CO2.

    turns_cw  clockwise positive
    forecast  on the linearised scale, % CO2
    chance_in_band, chance_past_band  0 to 1; past: beyond the edge ahead, on the way it goes
    cost      turns to go from there, see `Setting.turns_to_go`; past the rich edge on the way richer, more
    """

    turns_cw: float
    forecast: Mixture
    chance_in_band: float
    chance_past_band: float
    cost: float


@dataclass(frozen=True)
class Setting:
    """The setting of one firing rate: where it stands and what turning its screw would do."""

    situation: Situation
    firing: Firing

    @property
    def screw(self) -> Screw:
        """The screw that is set at this rate."""
        return SCREW_FOR[self.firing]

    @property
    def band(self) -> tuple[float, float]:
        """Band of CO2, low and high edge, dry volume percent."""
        return self.situation.setup.bands[self.firing]

    @property
    def centre(self) -> float:
        """Centre of the band, the same on both scales, % CO2."""
        return self.situation.belief.model.scales[self.firing].centre_co2_pct

    @cached_property
    def edges(self) -> tuple[float, float]:
        """Low and high edge of the band on the linearised scale, % CO2."""
        low, high = self.situation.belief.model.scales[self.firing].linearised(self.band)
        return float(low), float(high)

    @property
    def half_band(self) -> float:
        """Half the width of the band on the linearised scale, % CO2."""
        return (self.edges[1] - self.edges[0]) / 2

    def co2_pct(self, linearised: float) -> float:
        """CO2 (dry volume percent) of a value on this rate's linearised scale."""
        return float(self.situation.belief.model.scales[self.firing].co2_pct(linearised))

    # --- where it stands --------------------------------------------------------------------------

    @cached_property
    def now(self) -> Move:
        """Where the true settled CO2 is with the screws as they are; `past` is beyond the rich edge."""
        return self._move(0.0, self.situation.belief.settled(self.firing))

    @cached_property
    def too_lean(self) -> bool:
        """Whether the expected true CO2 lies below the band's centre."""
        return self.now.forecast.mean < self.centre

    @cached_property
    def settled(self) -> int:
        """Settled readings at this rate since any screw was last turned."""
        return len(self._fresh)

    @property
    def _fresh(self) -> list[Row]:
        return self.situation.settled_readings(self.firing, self.situation.fresh_from_s)

    @property
    def _since_change(self) -> list[Row]:
        return self.situation.settled_readings(self.firing, self.situation.changed_at_s)

    @cached_property
    def holds(self) -> bool:
        """Whether this rate counts as set: surely in band, or likely where no turn would better it."""
        if not self.settled:
            return False
        chance, policy = self.now.chance_in_band, self.situation.policy
        if chance >= self.situation.setup.stop_chance:
            return self.middle_enough or self.best is None
        return self.settled >= policy.enough_readings and chance >= policy.good_enough_chance and self.best is None

    @property
    def chance_with_accuracy(self) -> float | None:
        """Chance that the true CO2 is in band, the analyser's own accuracy counted in; None where that is not known."""
        return self._chance_with_accuracy(self.co2_pct(self.now.forecast.mean))

    def _chance_with_accuracy(self, co2_pct: float) -> float | None:
        accuracy_pct, sd_pct = self.situation.setup.analyser_accuracy_pct, self.now.forecast.var**0.5
        return chance_truly_in_band(co2_pct, sd_pct, *self.band, accuracy_pct) if accuracy_pct else None

    @property
    def middle_enough(self) -> bool:
        """Whether being nearer to the middle would hardly better what the analyser's own accuracy leaves open."""
        chance, most = self.chance_with_accuracy, self._chance_with_accuracy(self.centre)
        return chance is None or most is None or chance >= most - self.situation.policy.accuracy_gain

    @property
    def has_as_left(self) -> bool:
        """Whether the readings for the record are there: a settled one with CO since the last turn, and no strike."""
        return any(row.event.co_ppm is not None for row in self._fresh) and not co_due_anew(self.situation, self.firing)

    @cached_property
    def seen_lean(self) -> bool:
        """Whether O2 or CO was read since the last change; a rich flame would have stopped the job."""
        return any(row.event.o2_pct is not None for row in self._since_change) or self.seen_co

    @cached_property
    def seen_co(self) -> bool:
        """Whether CO was read since the last change, and since one that was high was struck."""
        read = self.situation.co_readings(self.firing, self.situation.changed_at_s)
        return bool(read) and not co_due_anew(self.situation, self.firing)

    @property
    def reading_due(self) -> Reason | None:
        """Which reading is due before the turn that is wanted here; None where none is."""
        if not self.seen_lean:
            return Reason("need-o2-or-co")
        return Reason("need-co") if not self.seen_co and (self.too_lean or not self.direction_sure) else None

    @cached_property
    def co_bars_richer(self) -> bool:
        """Whether CO at this rate is such that richer is out of the question."""
        return bars_richer(self.situation, self.firing)

    @cached_property
    def co_climbs(self) -> bool:
        """Whether CO at this rate climbs, so that richer is one mark at most."""
        return co_climb(self.situation, self.firing) is not None

    @cached_property
    def co_was_high(self) -> bool:
        """Whether CO at this rate was over its limit in this session, so that richer is one mark at most."""
        return was_over_limit(self.situation, self.firing)

    @cached_property
    def co_ceiling(self) -> CoCeiling | None:
        """Where CO went over its limit at this rate, if it did."""
        return co_ceiling(self.situation, self.firing)

    @property
    def ceiling_below_band(self) -> bool:
        """Whether CO was over its limit here before the band begins."""
        return self.co_ceiling is not None and self.co_ceiling.co2_pct <= self.band[0] + TINY

    # --- which way the screw works ----------------------------------------------------------------

    @property
    def _way_is_stated(self) -> bool:
        return self.situation.setup.clockwise[self.screw] != "unknown"

    @cached_property
    def reversed_chance(self) -> float:
        """Chance that this screw works against its stated direction, 0 to 1."""
        return self.situation.belief.reversed_chance(self.screw)

    @cached_property
    def direction_sure(self) -> bool:
        """Whether it is known which way this screw works."""
        policy = self.situation.policy
        low, high = policy.way_in_doubt
        return not low < self.reversed_chance < (policy.sure_of_way if self._way_is_stated else high)

    @property
    def direction_doubted(self) -> bool:
        """Whether turns of this screw make it doubtful that it works as stated, against play and a weak screw."""
        doubted = self._way_is_stated and not self.direction_sure and bool(self.situation.turns_of(self.screw))
        return doubted and self.reversed_chance > self.situation.policy.doubted_way

    @property
    def no_effect_yet(self) -> bool:
        """Whether the turns so far show no clear effect: play, a weak screw, or one that does nothing."""
        if not self.situation.turns_of(self.screw):
            return False
        dead_chance = self.situation.belief.dead_chance(self.screw)
        unsure_of_way = self._way_is_stated and not self.direction_sure
        return unsure_of_way or dead_chance > self.situation.policy.no_effect_chance

    def richer(self, turns_cw: float) -> bool:
        """Whether this turn makes the flame richer, as far as the job can tell."""
        way = turns_cw * self.situation.belief.model.toward_richer[self.screw]
        return way < 0 if self.taken_as_reversed else way > 0

    @cached_property
    def taken_as_reversed(self) -> bool:
        """Whether to go on as if this screw worked against its stated direction.

        A doubt that swings to and fro must not swing the hand: play would eat every turn. So the way of the last turn
        is kept until the other way is clearly likelier, and the stated way for a second turn in any case.
        """
        turns, policy = self.situation.turns_of(self.screw), self.situation.policy
        if not turns or not self._way_is_stated:
            return self.reversed_chance > 0.5
        if self.situation.turns_read(self.screw) < 2:
            return self.reversed_chance > policy.sure_of_way
        toward_richer = self.situation.belief.model.toward_richer[self.screw]
        last_richer = (turns[-1].event.turns_cw or 0.0) * toward_richer > 0
        turned_as_reversed = last_richer != self._was_too_lean_before(turns[-1])
        other = policy.clearly_other_way
        return self.reversed_chance > (1 - other if turned_as_reversed else other)

    def _was_too_lean_before(self, turn: Row) -> bool:
        """Whether CO2 lay below the band's centre when this turn was made, as far as read."""
        read = [row.event for row in self.situation.settled_readings(self.firing) if row.at_s < turn.at_s]
        return (read[-1].co2_pct or 0.0) < self.centre if read else self.too_lean

    # --- candidates -------------------------------------------------------------------------------

    def moves(self, turns_cw: list[float]) -> list[Move]:
        """What each of these turns would do."""
        forecasts = self.situation.belief.settled_after(self.firing, self.screw, turns_cw)
        return [self._move(turns, forecast) for turns, forecast in zip(turns_cw, forecasts, strict=True)]

    def _move(self, turns_cw: float, forecast: Mixture) -> Move:
        low, high = self.edges
        above, below = 1 - forecast.cdf(high), forecast.cdf(low)
        if turns_cw == 0:
            past = above
        elif self.direction_sure:
            past = above if self.richer(turns_cw) else below
        else:
            past = above if self.too_lean else below
        past_rich = above if turns_cw and self.too_lean else 0.0
        cost = self.turns_to_go(forecast) + self.situation.policy.past_rich_turns * past_rich
        return Move(turns_cw, forecast, max(0.0, 1 - above - below), past, cost)

    def turns_to_go(self, forecast: Mixture) -> float:
        """Turns that are likely still to come from there: one for each reach of the cap, and one more to hit the band.

        In band but near an edge a turn may come later.
        """
        near = self.situation.policy.near_edge_turns
        inner, outer = (self._outside(forecast, away) for away in (self.half_band / 2, self.half_band))
        away = math.hypot(forecast.mean - self.centre, math.sqrt(forecast.var))
        return near * inner + (1 - near) * outer + away / self.reach

    def _outside(self, forecast: Mixture, away: float) -> float:
        """Chance to lie further than so far away from the band's centre."""
        return 1 - forecast.cdf(self.centre + away) + forecast.cdf(self.centre - away)

    @cached_property
    def reach(self) -> float:
        """What a turn of the cap usually does here, linearised % CO2; half the band at least."""
        return max(self.situation.setup.cap_turns[self.screw] * self.gain_here, self.half_band)

    @cached_property
    def gain_here(self) -> float:
        """Size of the expected gain of this screw at this rate, linearised % CO2 per turn."""
        belief = self.situation.belief
        return abs(belief.gain(self.screw).mean * belief.effects[self.screw][self.firing])

    def chance_past_rich(self, move: Move) -> float:
        """Chance that a move ends beyond the rich edge, 0 to 1."""
        return 1 - move.forecast.cdf(self.edges[1])

    def chance_past_lean(self, move: Move) -> float:
        """Chance that a move ends beyond the lean edge, 0 to 1."""
        return move.forecast.cdf(self.edges[0])

    @cached_property
    def cap_turns(self) -> float:
        """Largest move now: the cap; about half of it till a turn shows; a mark while the way is in harmful doubt."""
        setup = self.situation.setup
        cap, mark = setup.cap_turns[self.screw], setup.mark_turns[self.screw]
        if self.way_just_told or not (self.direction_sure or self.either_way_is_harmless):
            return mark
        cap = mark * math.ceil(cap / 2 / mark - TINY) if self.first_try or self.effect_doubted else cap
        return min(cap, abs(self.unseen.event.turns_cw or cap)) if self.unseen else cap

    @property
    def either_way_is_harmless(self) -> bool:
        """Whether CO2 lies below the middle, yet so near its band that a turn the wrong way lets no flame lift."""
        return self._way_is_stated and self.lean_limit < self.now.forecast.mean < self.centre

    @cached_property
    def lean_limit(self) -> float:
        """How lean, linearised, a turn leaner may leave the flame: further down it may lift."""
        lean_pct = self.band[0] - self.situation.policy.lean_limit_pct
        return float(self.situation.belief.model.scales[self.firing].linearised(lean_pct))

    @cached_property
    def effect_doubted(self) -> bool:
        """Whether this screw may do nothing: then the next turn is taken for a first one."""
        return effect_doubted(self.situation, self.screw)

    @cached_property
    def unseen(self) -> Row | None:
        """The last turn of this screw where it may not have been made: the next is no larger."""
        return unseen_turn(self.situation, self.screw)

    @cached_property
    def way_just_told(self) -> bool:
        """Whether the way of this screw was told after its turns had shown another: the next one proves it."""
        told, turns = self.situation.checks(clockwise_item(self.screw)), self.situation.turns_of(self.screw)
        return bool(told and turns) and told[-1].at_s >= turns[-1].at_s

    @cached_property
    def first_try(self) -> bool:
        """Whether this screw's gain is poorly known because no turn of it has been read yet."""
        turns = self.situation.turns_of(self.screw)
        if turns and self.situation.settled_readings(self.firing, turns[0].at_s):
            return False
        gain = self.situation.belief.gain(self.screw)
        low, high = gain.ppf(0.05), gain.ppf(0.95)
        return not self.direction_sure or low <= 0 or high / low > self.situation.policy.poorly_known_ratio

    @cached_property
    def best(self) -> Move | None:
        """The move to advise; None where staying is better or nothing is allowed."""
        return self._best_of(self.refusal) if self.against_low else self.wanted

    @cached_property
    def wanted(self) -> Move | None:
        """The move that would be advised if this rate were all there is."""
        return self._best_of(self._refusal_here)

    @cached_property
    def against_low(self) -> Reason | None:
        """Why low fire forbids the very turn that is wanted at high fire."""
        return self._refusal_for_low(self.wanted.turns_cw) if self.wanted is not None else None

    def _best_of(self, refusal: Callable[[Move], Reason | None]) -> Move | None:
        mark, policy = self.situation.setup.mark_turns[self.screw], self.situation.policy
        best: Move | None = None
        for parts in policy.mark_parts:
            # a part of a mark is hard to turn: only where whole ones won't do or go too far
            most = self.cap_turns if best is None else abs(best.turns_cw)
            count = math.floor(most / mark * parts + TINY)
            steps = [k * mark / parts for k in range(1, count + 1)]
            moves = self.moves([sign * step for step in steps for sign in (1, -1)])
            allowed = [move for move in moves if refusal(move) is None]
            if not allowed:
                continue
            finer = min(allowed, key=lambda move: (move.cost, abs(move.turns_cw)))
            if best is not None and finer.cost > best.cost - policy.worth_a_part:
                break
            best = finer
            if not self.direction_sure:  # the larger turn tells more
                break
        return best

    # --- what forbids a move ----------------------------------------------------------------------

    def refusal(self, move: Move) -> Reason | None:
        """Why this move is refused; None where nothing speaks against it."""
        return self._refusal_here(move) or self._refusal_for_low(move.turns_cw)

    def _refusal_here(self, move: Move) -> Reason | None:
        """Why this rate forbids the move; None where nothing speaks against it."""
        return self._too_large(move.turns_cw) or self._wrong_way(move) or self._may_overshoot(move)

    def _too_large(self, turns_cw: float) -> Reason | None:
        setup, size = self.situation.setup, abs(turns_cw)
        if size > setup.cap_turns[self.screw] + TINY:
            return Reason("over-cap", {"turns": size, "cap": setup.cap_turns[self.screw]})
        if size > self.cap_turns + TINY:
            most = {"cap": self.cap_turns}
            if self.way_just_told:
                return Reason("way-just-told", most)
            if not self.direction_sure:
                return Reason("way-not-sure", most)
            if self.unseen:
                return Reason("unseen", most)
            return Reason("effect-doubted" if self.effect_doubted else "not-tried", most)
        limit, now = setup.travel_limit_turns[self.screw], self.travel_turns_cw
        travel = abs(now + turns_cw)
        return Reason("travel", {"limit": limit}) if travel > limit + TINY and travel > abs(now) else None

    def _wrong_way(self, move: Move) -> Reason | None:
        richer = self.richer(move.turns_cw)
        if richer != self.too_lean:
            return Reason("away")
        if not self.seen_lean:
            return Reason("need-o2-or-co")
        if richer or not self.direction_sure:
            if not self.seen_co:
                return Reason("need-co")
            if self.co_bars_richer and not self._surely_not_up(move):
                return Reason("co-near")
            if self.co_ceiling and self._may_reach(self.co_ceiling.co2_pct, move.forecast):
                return Reason("co-ceiling", self.ceiling_data)
            mark = self.situation.setup.mark_turns[self.screw]
            if abs(move.turns_cw) > mark + TINY:
                if self.co_climbs:
                    return Reason("co-climbs", {"cap": mark})
                if self.co_was_high:
                    return Reason("co-was-high", {"cap": mark})
        return None

    def _may_overshoot(self, move: Move) -> Reason | None:
        chance, allowed = self._chance_too_far(move), self.situation.setup.overshoot_chance
        if chance > allowed:
            # rounded, it must not read like a permission
            same = say_chance(chance) == say_chance(allowed)
            edge = "far-edge" if self.keeps_to_the_edge else "far-lean"
            return Reason(f"{edge}-just" if same else edge, {"chance": chance, "allowed": allowed})
        if self.direction_sure and self.turns_to_go(move.forecast) >= self.now.cost:
            return Reason("away")
        return None

    @property
    def keeps_to_the_edge(self) -> bool:
        """Whether a turn must hardly pass the edge ahead: the rich one, or either where the way is not known."""
        return self.too_lean or not self.direction_sure

    def _chance_too_far(self, move: Move) -> float:
        """Chance to pass the rich edge, or to go so lean that the flame may lift."""
        return move.chance_past_band if self.keeps_to_the_edge else move.forecast.cdf(self.lean_limit)

    @property
    def ceiling_data(self) -> dict[str, object]:
        """What a sentence about the CO ceiling mentions."""
        ceiling = self.co_ceiling
        assert ceiling is not None
        return {
            "co2": ceiling.co2_pct, "air_free": ceiling.co_air_free_ppm, "row": ceiling.row, "firing": self.firing,
        }  # fmt: skip

    def _may_reach(self, co2_pct: float, forecast: Mixture) -> bool:
        """Whether the settled CO2 may well come to this value (dry volume percent)."""
        line = float(self.situation.belief.model.scales[self.firing].linearised(co2_pct))
        return 1 - forecast.cdf(line) > self.situation.setup.overshoot_chance

    def _surely_not_up(self, move: Move) -> bool:
        """Whether a turn that is leaner as stated will hardly take CO2 up by what a display shows, doubt and all."""
        if not self._way_is_stated or self.reversed_chance > 0.5 or self.richer(move.turns_cw):
            return False
        step_pct = self.situation.setup.display_step_pct
        return not self._may_reach(self.co2_pct(self.now.forecast.mean) + step_pct, move.forecast)

    @property
    def travel_turns_cw(self) -> float:
        """Net turn of this rate's screw from as found, clockwise positive."""
        return self.situation.net_turns_cw(self.screw)

    # --- low fire, while high fire is set ---------------------------------------------------------

    @cached_property
    def _low_fire(self) -> LowFire:
        return LowFire(self.situation)

    def _refusal_for_low(self, turns_cw: float) -> Reason | None:
        sure = self.direction_sure
        if self.screw != "throttle" or (sure and not self.richer(turns_cw)):
            return None
        return self._low_fire.refusal(turns_cw, direction_sure=sure)

    @property
    def low_in_the_way(self) -> bool:
        """Whether the whole way to this rate's band, and a mark more, may well leave low fire too little O2."""
        if not self.too_lean:
            return False
        if self._low_fire.co_stands:
            return True
        setup = self.situation.setup
        way = (self.centre - self.now.forecast.mean) / self.gain_here
        turns = min(way + setup.mark_turns[self.screw], setup.travel_limit_turns[self.screw])
        turns = turns if self.richer(turns) else -turns
        return self._low_fire.gets_rich(turns)
