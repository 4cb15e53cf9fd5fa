"""CO2 that moves with no turn made, or falls short of its turn: a reading beside what was expected of it."""

from dataclasses import dataclass

from advisor.job_setup.policy import Policy
from advisor.log.events import Row
from advisor.response.filter import FilterState
from advisor.response.predictive import Mixture
from advisor.screws import Firing


@dataclass(frozen=True)
class Outlier:
    """A reading away from what was expected.

    number, firing, at_s       of the reading: its row, rate and moment, s since 1970
    expected_co2_pct, co2_pct  what was expected and what was shown, dry volume percent
    certain                    whether this one reading proves a change; after a smaller step the display is read again
    """

    number: int
    firing: Firing
    at_s: float
    expected_co2_pct: float
    co2_pct: float
    certain: bool

    @property
    def fell(self) -> bool:
        """Whether it came leaner than expected."""
        return self.co2_pct < self.expected_co2_pct


@dataclass(frozen=True)
class Shortfall(Outlier):
    """A settled reading that fell short of the turn before it.

    chance       of CO2 as low as that, as forecast just after the turn, 0 to 1
    line_proved  whether the sample line has been proved tight since that turn: what came is so
    """

    chance: float = 1.0
    line_proved: bool = False


def jump(before: FilterState, row: Row) -> Outlier | None:
    """The reading as an outlier where it moved with no turn made."""
    outlier, forecast, apart = compare(before, row)
    policy = before.model.setup.policy
    worth_a_look_pct = max(policy.step_pct, 1.5 * before.model.setup.display_step_pct)
    return outlier if abs(apart) >= max(worth_a_look_pct, policy.step_sds * forecast.var**0.5) else None


def shortfall(at_change: FilterState, row: Row, *, line_proved: bool) -> Shortfall | None:
    """The reading as a shortfall where it came leaner than the turn before it explains."""
    outlier, forecast, apart = compare(at_change, row)
    setup = at_change.model.setup
    half_step = setup.display_step_pct / 2  # what a display rounds away
    chance = forecast.cdf(forecast.mean + apart + half_step)
    if not outlier.certain or chance >= setup.policy.shortfall_chance:
        return None
    return Shortfall(**vars(outlier), chance=chance, line_proved=line_proved)


def compare(before: FilterState, row: Row) -> tuple[Outlier, Mixture, float]:
    """A reading as an outlier, the forecast of it, and how far above its mean it came (linearised, % CO2)."""
    event = row.event
    firing = event.rate
    assert firing is not None
    assert event.co2_pct is not None
    scale, policy = before.model.scales[firing], before.model.setup.policy
    forecast = before.displayed(row.at_s)
    expected = float(scale.co2_pct(forecast.mean))
    certain = _certain(policy, expected, event.co2_pct)
    outlier = Outlier(row.number, firing, row.at_s, expected, event.co2_pct, certain)
    return outlier, forecast, float(scale.linearised(min(event.co2_pct, scale.fuel.co2_max_pct))) - forecast.mean


def _certain(policy: Policy, expected_pct: float, shown_pct: float) -> bool:
    return abs(shown_pct - expected_pct) > policy.certain_step_pct
