"""One firing rate of a visit: where its CO2 stands, what each turn of its screw would do, which turn is best.

The candidate with the smallest expected squared distance from the band's centre wins (one-step cautious
control: distance^2 + variance; Astrom & Wittenmark, Adaptive Control, from memory; the chance of passing the far
edge adds to it, own choice), among those that keep the cap, the travel limit and the most that chance may be. A rate
is set when it truly lies in the band with high chance (conformity probability, JCGM 106:2012, from memory).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

from advisor import units
from advisor.chemistry import limits
from advisor.diagnosis.carbon_monoxide import Wall, co_standing, co_wall
from advisor.log.events import Event
from advisor.response.model import SCREW_FOR
from advisor.response.regression import Mixture
from advisor.response.situation import SURE_OF_WAY, Visit
from advisor.response.tracker import Row

ENOUGH_READINGS = 6  # after so many readings at one standstill more of them teach little
GOOD_ENOUGH = 0.8  # chance in band accepted then, when no turn would do better
POORLY_KNOWN = 4.0  # ratio of the gain's 90 % limits above which the first move is at most half the cap
FINER = (1, 2, 4, 8)  # parts of a mark that may be turned
WORTH_A_PART = 0.1  # by how much a part of a mark must lower the cost, in squares of half the band
CLEARLY = 0.7  # chance of the other direction from which the hand changes its way, after two turns
PAST_COST = 5.0  # cost of surely passing the far edge, in squares of half the band
UNSEEN_RICH_CHANCE = 0.03  # that a throttle turn takes low fire to where CO begins, while high fire is looked at
UNTRIED_RICH_CHANCE = 0.04  # the same while no turn of the screw has been read: the first, small one must be made
UNSEEN_RISE_PCT = 1.3  # how far high fire may have gone up, % CO2, before low fire is looked at again
TINY = 1e-9
PROVE_LINE = "Prove the sample line tight"
CLIMBING = "CO is more than half of its limit: no turn richer."
NO_CO = "No turn richer before CO has been read since the last change."
BLIND = "CO2 alone can't tell a lean flame from a rich one: read O2 or CO before a turn."
AWAY = "It would take CO2 further from the middle of the band, not nearer."


@dataclass(frozen=True)
class Move:
    """One possible turn and what it would do to the true settled CO2.

    turns_cw  clockwise positive; forecast on the straight scale
    chance_in_band, chance_past_band  0 to 1; past: beyond the edge ahead, on the way it goes
    cost      expected squared distance from the band's centre, (% CO2)^2
    """

    turns_cw: float
    forecast: Mixture
    chance_in_band: float
    chance_past_band: float
    cost: float


@dataclass(frozen=True)
class Rate:
    """One firing rate of a visit: where it stands and what turning its screw would do."""

    visit: Visit
    firing: str

    @property
    def screw(self) -> str:
        """The screw that is set at this rate."""
        return SCREW_FOR[self.firing]

    @property
    def band(self) -> tuple[float, float]:
        """Band of CO2, low and high edge, dry volume percent."""
        return self.visit.facts.bands[self.firing]

    @cached_property
    def edges(self) -> tuple[float, float]:
        """Low and high edge of the band on the straight scale."""
        low, high = self.visit.belief.model.scales[self.firing].straight(self.band)
        return float(low), float(high)

    @cached_property
    def now(self) -> Move:
        """Where the true settled CO2 is with the screws as they are; `past` is beyond the rich edge."""
        return self._move(0.0, self.visit.belief.settled(self.firing))

    @cached_property
    def settled(self) -> int:
        """Settled readings at this rate since any screw was last turned."""
        return len(self.visit.settled_readings(self.firing, self.visit.fresh_from_s))

    @property
    def holds(self) -> bool:
        """Whether this rate counts as set: surely in band, or likely where no turn would better it."""
        if not self.settled:
            return False
        chance = self.now.chance_in_band
        if chance >= self.visit.facts.stop_chance:
            return True
        return self.settled >= ENOUGH_READINGS and chance >= GOOD_ENOUGH and self.best is None

    @property
    def has_as_left(self) -> bool:
        """Whether the figures for the record are there: a settled reading with CO since the last turn."""
        rows = self.visit.settled_readings(self.firing, self.visit.fresh_from_s)
        return any(row.event.co_ppm is not None for row in rows)

    @cached_property
    def reversed_chance(self) -> float:
        """Chance that this screw works against its stated direction, 0 to 1."""
        belief = self.visit.belief
        return float(belief.chances(self.screw)[belief.model.screws[self.screw].gain < 0].sum())

    @cached_property
    def direction_sure(self) -> bool:
        """Whether it is known which way this screw works."""
        known_from = SURE_OF_WAY if self._way_is_stated else 0.9
        return not 0.1 < self.reversed_chance < known_from

    @property
    def _way_is_stated(self) -> bool:
        return self.visit.facts.clockwise[self.screw] != "unknown"

    def _move(self, turns_cw: float, forecast: Mixture) -> Move:
        low, high = self.edges
        centre = self.visit.belief.model.scales[self.firing].centre_co2_pct
        above, below = 1 - forecast.below(high), forecast.below(low)
        if turns_cw == 0:
            past = above
        elif self.direction_sure:
            past = above if self.richer(turns_cw) else below
        else:
            past = above if self.too_lean else below
        cost = (forecast.mean - centre) ** 2 + forecast.var
        return Move(turns_cw, forecast, max(0.0, 1 - above - below), past, cost)

    @cached_property
    def seen_lean(self) -> bool:
        """Whether O2 or CO was read since the last change; a rich flame would have stopped the job."""
        return any(row.event.o2_pct is not None for row in self._since_change) or self.seen_co

    @cached_property
    def seen_co(self) -> bool:
        """Whether CO was read since the last change."""
        return any(row.event.co_ppm is not None for row in self._since_change)

    @property
    def _since_change(self) -> list[Row]:
        return self.visit.settled_readings(self.firing, self.visit.changed_at_s)

    @property
    def unread(self) -> str | None:
        """Which reading is due before the turn that is wanted here, in a sentence; None where none is."""
        if not self.seen_lean:
            return BLIND
        return NO_CO if not self.seen_co and (self.too_lean or not self.direction_sure) else None

    @cached_property
    def co_rising(self) -> bool:
        """Whether the latest CO at this rate is so near its limit that richer is out of the question."""
        return bool(co_standing(self.visit, self.firing))

    @cached_property
    def wall(self) -> Wall | None:
        """Where CO went over its limit at this rate, if it did."""
        return co_wall(self.visit, self.firing)

    @property
    def walled_off(self) -> bool:
        """Whether CO was over its limit here before the band begins."""
        return self.wall is not None and self.wall.co2_pct <= self.band[0] + TINY

    @property
    def too_lean(self) -> bool:
        """Whether the expected true CO2 lies below the band's centre."""
        return self.now.forecast.mean < self.visit.belief.model.scales[self.firing].centre_co2_pct

    def richer(self, turns_cw: float) -> bool:
        """Whether this turn makes the flame richer, as far as the job can tell."""
        way = turns_cw * self.visit.belief.model.toward_richer[self.screw]
        return way < 0 if self.taken_as_reversed else way > 0

    @cached_property
    def taken_as_reversed(self) -> bool:
        """Whether to go on as if this screw worked against its stated direction.

        A doubt that swings to and fro must not swing the hand: slack would eat every turn. So the way of the last turn
        is kept until the other way is clearly likelier, and the stated way for a second turn in any case.
        """
        turns = self.visit.turns_of(self.screw)
        if not turns or not self._way_is_stated:
            return self.reversed_chance > 0.5
        if self.visit.turns_read(self.screw) < 2:
            return self.reversed_chance > SURE_OF_WAY
        last_richer = (turns[-1].turns_cw or 0.0) * self.visit.belief.model.toward_richer[self.screw] > 0
        turned_as_reversed = last_richer != self._was_too_lean_before(turns[-1])
        return self.reversed_chance > (1 - CLEARLY if turned_as_reversed else CLEARLY)

    def _was_too_lean_before(self, turn: Event) -> bool:
        """Whether CO2 lay below the band's centre when this turn was made, as far as read."""
        readings = [row.event for row in self.visit.settled_readings(self.firing) if row.event.time < turn.time]
        centre = self.visit.belief.model.scales[self.firing].centre_co2_pct
        return (readings[-1].co2_pct or 0.0) < centre if readings else self.too_lean

    def moves(self, turns_cw: list[float]) -> list[Move]:
        """What each of these turns would do."""
        forecasts = self.visit.belief.settled_after(self.firing, self.screw, turns_cw)
        return [self._move(turns, forecast) for turns, forecast in zip(turns_cw, forecasts, strict=True)]

    @property
    def cap_turns(self) -> float:
        """Largest move now: the cap, half of it for a first move, a mark while direction or sample line is in doubt."""
        cap, mark = self.visit.facts.cap_turns[self.screw], self.visit.facts.mark_turns[self.screw]
        if not self.direction_sure or self.visit.history.open_falls:
            return mark
        return max(mark, cap / 2) if self.first_try else cap

    @cached_property
    def first_try(self) -> bool:
        """Whether this screw's gain is poorly known because no turn of it has been read yet."""
        turns = self.visit.turns_of(self.screw)
        if turns and self.visit.settled_readings(self.firing, turns[0].time.timestamp()):
            return False
        gain = self.visit.belief.gain(self.screw)
        low, high = gain.quantile(0.05), gain.quantile(0.95)
        return not self.direction_sure or low <= 0 or high / low > POORLY_KNOWN

    def refusal(self, move: Move) -> str | None:
        """Why this move is refused, in one line; None where nothing speaks against it."""
        against = self._refusal_here(move)
        return self._refusal_for_low(move.turns_cw) if against is None else against

    def _refusal_for_low(self, turns_cw: float) -> str | None:
        """Why low fire forbids this turn at high fire: the throttle moves both rates, and nobody sees the other one."""
        if self.screw != "throttle" or not self.richer(turns_cw):
            return None
        moves_both = "The throttle makes low fire richer too"
        if co_standing(self.visit, "low"):
            return f"{moves_both}, where CO is more than half of its limit: low fire leaner first."
        if not self.direction_sure:  # a mark at most, to find out
            return None
        if self._unseen_rise_pct > UNSEEN_RISE_PCT:
            return f"{moves_both}, not read since high fire rose {self._unseen_rise_pct:.1f} %: look there first."
        if not self._low_gets_rich(turns_cw):
            return None
        if not self.visit.settled_readings("low", self.visit.session_from_s):
            return f"{moves_both}, and low fire has not been read yet: look there first."
        least = f"{limits.LEAST_O2_AT_EDGE_PCT:g} % O2"
        return f"{moves_both}, maybe to under {least}, where CO begins: low fire leaner first."

    @cached_property
    def _unseen_rise_pct(self) -> float:
        """How far high fire has gone up since low fire was last read, % CO2: low fire went about as far, or further."""
        from_s = self.visit.session_from_s
        lows = self.visit.settled_readings("low", from_s)
        seen_s = lows[-1].event.time.timestamp() if lows else from_s
        highs = [row.event for row in self.visit.settled_readings("high", from_s)]
        if not highs:
            return 0.0
        before = [event for event in highs if event.time.timestamp() <= seen_s]
        return (highs[-1].co2_pct or 0.0) - ((before or highs[:1])[-1].co2_pct or 0.0)

    def _may_reach(self, co2_pct: float, forecast: Mixture) -> bool:
        """Whether the settled CO2 may well come to this figure (dry volume percent)."""
        line = float(self.visit.belief.model.scales[self.firing].straight(co2_pct))
        return 1 - forecast.below(line) > self.visit.facts.overshoot_chance

    def _surely_not_up(self, move: Move) -> bool:
        """Whether a turn that is leaner as stated will hardly take CO2 up by what a display shows, doubt and all."""
        if not self._way_is_stated or self.reversed_chance > 0.5 or self.richer(move.turns_cw):
            return False
        step_pct = self.visit.facts.display_step_pct
        return not self._may_reach(self.co2_pct(self.now.forecast.mean) + step_pct, move.forecast)

    @cached_property
    def _low_line(self) -> float:
        """Where low fire must not go, on its straight scale: too little O2, or where its CO was too high."""
        fuel = self.visit.facts.fuel
        line_pct = float(fuel.co2_pct(fuel.excess_air_ratio(o2_pct=limits.LEAST_O2_AT_EDGE_PCT)))
        wall = co_wall(self.visit, "low")
        line_pct = min(line_pct, wall.co2_pct) if wall else line_pct
        return float(self.visit.belief.model.scales["low"].straight(line_pct))

    def _low_gets_rich(self, throttle_turns_cw: float) -> bool:
        """Whether this throttle turn may well take low fire there."""
        (there,) = self.visit.belief.settled_after("low", "throttle", [throttle_turns_cw])
        return 1 - there.below(self._low_line) > (UNTRIED_RICH_CHANCE if self.first_try else UNSEEN_RICH_CHANCE)

    @property
    def low_in_the_way(self) -> bool:
        """Whether the whole way to this rate's band, and a mark more, may well leave low fire too little O2."""
        if not self.too_lean:
            return False
        if co_standing(self.visit, "low"):
            return True
        belief, facts = self.visit.belief, self.visit.facts
        away = belief.model.scales[self.firing].centre_co2_pct - self.now.forecast.mean
        way = away / abs(belief.gain(self.screw).mean * belief.effects[self.screw][self.firing])
        turns = min(way + facts.mark_turns[self.screw], facts.travel_limit_turns[self.screw])
        return self._low_gets_rich(turns if self.richer(turns) else -turns)

    @cached_property
    def against_low(self) -> str | None:
        """Why low fire forbids the very turn that is wanted at high fire."""
        return self._refusal_for_low(self.wanted.turns_cw) if self.wanted is not None else None

    def _refusal_here(self, move: Move) -> str | None:
        """Why this rate forbids the move, in one line; None where nothing speaks against it."""
        facts, size = self.visit.facts, abs(move.turns_cw)
        cap, limit = facts.cap_turns[self.screw], facts.travel_limit_turns[self.screw]
        if size > cap + TINY:
            return f"{units.say_fraction(size)} turn is more than the cap of {units.say_fraction(cap)} turn a move."
        if size > self.cap_turns + TINY:
            if self.visit.history.open_falls:
                return f"{PROVE_LINE} first: till then {units.say_fraction(self.cap_turns)} turn at most."
            if not self.direction_sure:
                return f"Which way this screw works is not sure yet: {units.say_fraction(self.cap_turns)} turn at most."
            return (
                f"This screw has not been tried yet: first move {units.say_fraction(self.cap_turns)} turn at most, "
                "then read."
            )
        travel = abs(self.travel_turns_cw + move.turns_cw)
        if travel > limit + TINY and travel > abs(self.travel_turns_cw):
            return (
                f"That would be more than {units.say_fraction(limit)} turn from as found, the travel limit. "
                "A sound valve should not need it."
            )
        if self.richer(move.turns_cw) != self.too_lean:
            return AWAY
        if not self.seen_lean:
            return BLIND
        if self.richer(move.turns_cw) or not self.direction_sure:
            if not self.seen_co:
                return NO_CO
            if self.co_rising and not self._surely_not_up(move):
                return CLIMBING
            if self.wall and self._may_reach(self.wall.co2_pct, move.forecast):
                return f"{say_wall(self.wall, self.firing)}: no turn that may go there again."
        if move.chance_past_band > facts.overshoot_chance:
            chance, allowed = percent(move.chance_past_band), percent(facts.overshoot_chance)
            over = "over " if chance == allowed else ""  # rounded, it must not read like a permission
            return f"It may pass the far edge of the band: {over}{chance} chance, {allowed} is allowed."
        if self.direction_sure and move.cost >= self.now.cost:
            return AWAY
        return None

    def co2_pct(self, straight: float) -> float:
        """CO2 (dry volume percent) of a figure on this rate's straight scale."""
        return float(self.visit.belief.model.scales[self.firing].co2_pct(straight))

    @property
    def goes_against(self) -> bool:
        """Whether turns of this screw leave it in doubt that it works as stated."""
        return self._way_is_stated and not self.direction_sure and bool(self.visit.turns_of(self.screw))

    @property
    def travel_turns_cw(self) -> float:
        """Net turn of this rate's screw from as found, clockwise positive."""
        return sum(turn.turns_cw or 0.0 for turn in self.visit.turns_of(self.screw))

    @cached_property
    def best(self) -> Move | None:
        """The move to advise; None where staying is better or nothing is allowed."""
        return self._best_of(self.refusal) if self.against_low else self.wanted

    @cached_property
    def wanted(self) -> Move | None:
        """The move that would be advised if this rate were all there is."""
        return self._best_of(self._refusal_here)

    def _best_of(self, refusal: Callable[[Move], str | None]) -> Move | None:
        mark = self.visit.facts.mark_turns[self.screw]
        half_squared = ((self.edges[1] - self.edges[0]) / 2) ** 2

        def cost(move: Move) -> float:
            return move.cost + PAST_COST * half_squared * move.chance_past_band

        best: Move | None = None
        for split in FINER:
            # a part of a mark is hard to turn: only where whole ones won't do or go too far
            most = self.cap_turns if best is None else abs(best.turns_cw)
            count = math.floor(most / mark * split + TINY)
            steps = [k * mark / split for k in range(1, count + 1)]
            moves = self.moves([sign * step for step in steps for sign in (1, -1)])
            allowed = [move for move in moves if refusal(move) is None]
            if not allowed:
                continue
            finer = min(allowed, key=lambda move: (cost(move), abs(move.turns_cw)))
            if best is not None and cost(finer) > cost(best) - WORTH_A_PART * half_squared:
                break
            best = finer
            if not self.direction_sure:  # the larger turn tells more
                break
        return best


def gain_at_present(visit: Visit, screw: str, firing: str) -> dict[str, float]:
    """Gain of a screw at a rate and the present point: % CO2 per turn clockwise, with its 90 % range."""
    belief = visit.belief
    scale, gain = belief.model.scales[firing], belief.gain(screw)
    here = belief.settled(firing).mean
    slope = float(scale.co2_pct(here + 0.01) - scale.co2_pct(here - 0.01)) / 0.02
    factor = slope * belief.effects[screw][firing] * belief.model.toward_richer[screw]
    ends = sorted((gain.quantile(0.05) * factor, gain.quantile(0.95) * factor))
    return {"gain_per_turn": gain.mean * factor, "gain_low": ends[0], "gain_high": ends[1]}


def say_wall(wall: Wall, firing: str) -> str:
    """Where CO went over its limit, in words."""
    seen = f"CO was {wall.co_air_free_ppm:.0f} ppm air-free (row {wall.row}), over its limit"
    return f"At {wall.co2_pct:.1f} % CO2 at {firing} fire {seen}"


def percent(chance: float) -> str:
    """A chance (0 to 1) in words: "12 %", "under 1 %", "over 99 %"."""
    if 0 < chance < 0.005:
        return "under 1 %"
    if 0.995 <= chance < 1:
        return "over 99 %"
    return f"{100 * chance:.0f} %"
