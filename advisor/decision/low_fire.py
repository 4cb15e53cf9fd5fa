"""Low fire while high fire is set: the throttle moves both rates, and nobody sees the other one."""

from dataclasses import dataclass
from functools import cached_property

from advisor.diagnosis.carbon_monoxide import bars_richer, co_ceiling, co_climb, co_due_anew
from advisor.log.events import Row
from advisor.messages import Reason
from advisor.response.situation import Situation


@dataclass(frozen=True)
class LowFire:
    """What low fire forbids a throttle turn that makes the flame richer."""

    situation: Situation

    @cached_property
    def co_stands(self) -> bool:
        """Whether CO at low fire bars a turn richer."""
        return bars_richer(self.situation, "low")

    @cached_property
    def unseen_rise_pct(self) -> float:
        """How far high fire has gone up since low fire was last read, % CO2: low fire went about as far, or further."""
        situation = self.situation
        from_s = situation.session_from_s
        lows = situation.settled_readings("low", from_s)
        seen_s = lows[-1].at_s if lows else from_s
        highs = situation.settled_readings("high", from_s)
        if not highs:
            return 0.0
        before = [row for row in highs if row.at_s <= seen_s]
        return (highs[-1].event.co2_pct or 0.0) - ((before or highs[:1])[-1].event.co2_pct or 0.0)

    @cached_property
    def _was_read(self) -> bool:
        return bool(self.situation.settled_readings("low", self.situation.session_from_s))

    @property
    def _shown(self) -> list[Row]:
        """What was read of CO2 at low fire, whether it counts still or not."""
        return [
            row for row in self.situation.of("reading") if row.event.rate == "low" and row.event.co2_pct is not None
        ]

    @cached_property
    def _line_pct(self) -> float:
        """Most CO2 of low fire, %: enough O2, below where CO was high; once read, little over its band."""
        setup, policy = self.situation.setup, self.situation.policy
        least_o2_pct = policy.low_fire_o2_pct if self._was_read else policy.least_o2_pct
        line_pct = float(setup.fuel.co2_pct(setup.fuel.excess_air_ratio(o2_pct=least_o2_pct)))
        if self._was_read:
            line_pct = min(line_pct, setup.bands["low"][1] + policy.low_fire_over_pct)
        ceiling = co_ceiling(self.situation, "low")
        return min(line_pct, ceiling.co2_pct) if ceiling else line_pct

    @cached_property
    def _line(self) -> float:
        return float(self.situation.belief.model.scales["low"].linearised(self._line_pct))

    def gets_rich(self, throttle_turns_cw: float) -> bool:
        """Whether this throttle turn may well take low fire there."""
        (there,) = self.situation.belief.settled_after("low", "throttle", [throttle_turns_cw])
        policy = self.situation.policy
        return 1 - there.cdf(self._line) > (policy.unseen_rich_chance if self._was_read else policy.unread_rich_chance)

    def refusal(self, turns_cw: float, *, direction_sure: bool) -> Reason | None:
        """Why low fire forbids this turn richer, or one whose way is not sure; None where it does not."""
        if self.co_stands:
            return Reason("low-co")
        if co_due_anew(self.situation, "low"):
            return Reason("low-unread")
        mark = self.situation.setup.mark_turns["throttle"]
        if abs(turns_cw) > mark * (1 + 1e-9) and co_climb(self.situation, "low"):
            return Reason("low-co-climbs", {"cap": mark})
        if not direction_sure:  # a mark at most, to find out
            return None
        if self.unseen_rise_pct > self.situation.policy.unseen_rise_pct:
            return Reason("low-unread-rise", {"rise": self.unseen_rise_pct})
        if not self.gets_rich(turns_cw):
            return None
        if not self._was_read:
            once = any(row.at_s > self.situation.session_from_s for row in self._shown)
            return Reason("low-read-anew" if once else "low-unread")
        return Reason("low-may-be-rich", {"co2": self._line_pct})
