"""What is expected until both rates are set: turns and minutes.

A sum of usual costs, own choice, set by the bench: a rate that was not read takes UNREAD_TURNS, one out of its band its
distance in caps and CORRECTION more. Over 50 base visits it is right on average and 3.4 minutes off a time (mean of the
absolute difference); where everything is bad at once a visit takes half as long again.
"""

from typing import NamedTuple

from advisor.chemistry import limits
from advisor.decision.advise import Case
from advisor.decision.answers import Advice
from advisor.decision.candidates import Setting

UNREAD_TURNS, CORRECTION, REREAD_TURNS = 3.5, 1.1, 0.4
TURN_MIN = 1.35  # minutes of a turn with its wait and reading
RATE_MIN = 1.6  # minutes of a change of rate with its wait and readings
LEAST_GAIN = 0.5  # % CO2 per turn; less says nothing of how many turns it takes


class TimeToGo(NamedTuple):
    """Minutes and turns expected until both rates are set."""

    minutes: float
    turns: float


def time_to_go(case: Case, advice: Advice) -> TimeToGo | None:
    """What is expected from here; None where nothing is to be set: a stop, the finish, the burner off."""
    situation = case.situation
    if advice.action in ("halt", "finish") or situation.off is not None:
        return None
    turns = sum(map(_turns, (case.high, case.low)))
    unset = [setting for setting in (case.high, case.low) if not (setting.holds and setting.has_as_left)]
    elsewhere = sum(setting.firing != situation.firing for setting in unset)
    wait_s = limits.START_WAIT_S if situation.firing is None else situation.wait_left_s
    changes = elsewhere + (turns >= 1)  # to what is not set yet; back to look at the rate that a turn moved too
    return TimeToGo(wait_s / 60 + TURN_MIN * turns + RATE_MIN * changes + 0.3 * len(unset), turns)


def _turns(setting: Setting) -> float:
    situation = setting.situation
    if not situation.settled_readings(setting.firing):
        return UNREAD_TURNS
    if setting.holds:
        return 0.0
    if setting.now.chance_in_band >= situation.policy.reread_chance:
        return REREAD_TURNS
    gain = max(abs(situation.belief.gain(setting.screw).mean), LEAST_GAIN)
    caps = abs(setting.now.forecast.mean - setting.centre) / (gain * situation.setup.cap_turns[setting.screw])
    return max(1.0, caps) + CORRECTION
