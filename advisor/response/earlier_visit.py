"""The same boiler again: the setup of a new visit from what an earlier one stated, and what its screws did then.

The response and the way of the screws are those of the valve: a visit that changes it takes over the facts alone.
"""

import math
from dataclasses import replace

from advisor.job_setup.prior import Prior
from advisor.job_setup.setup import CHANGES_VALVE, JobSetup
from advisor.response.hypotheses import BACKLASH_NODES
from advisor.response.situation import Situation
from advisor.screws import SCREWS, Direction, Screw, other_direction

# Own choice, no source: what dirt, wear and another hand do to a gain in a year, sd of its natural logarithm (a quarter
# either way); and the most chance of a fault with which a screw counts as seen to work.
YEAR_LOG_SD, MOST_DOUBT = 0.22, 0.05
_RANGE_SDS = 3.29  # of a normal law between its 5 % and 95 % points
_USUAL_SHARE = sum(wide * chance for wide, _, chance in BACKLASH_NODES)  # expected play, as a share of the widest


def next_setup(earlier: Situation, visit: str, told: str) -> JobSetup:
    """The setup of a new visit of this kind, from an earlier one as it stood at its end; `told` names its log."""
    setup = replace(earlier.setup, visit=visit, analyser="", technician="", reason="", calibrated="", prior_source="")
    if visit in CHANGES_VALVE:
        return replace(setup, valve="", valve_family="", clockwise={}, prior=Prior())
    seen = [screw for screw in SCREWS if _was_seen(earlier, screw)]
    if not seen:
        return replace(setup, prior=earlier.setup.prior, prior_source=earlier.setup.prior_source)
    clockwise = dict(setup.clockwise) | {screw: _way(earlier, screw) for screw in seen}
    return replace(setup, clockwise=clockwise, prior=prior_of(earlier, seen), prior_source=f"{told}: {', '.join(seen)}")


def prior_of(earlier: Situation, seen: list[Screw]) -> Prior:
    """What the screws that were turned and read showed, widened for what a year may change."""
    prior, belief = earlier.setup.prior, earlier.belief
    medians, log_sds, plays = dict(prior.gain_per_turn), dict(prior.gain_log_sd_of), []
    for screw in seen:
        sign, gain = (-1.0 if belief.reversed_chance(screw) > 0.5 else 1.0), belief.gain(screw)
        low, median, high = sorted(sign * gain.ppf(share) for share in (0.05, 0.5, 0.95))
        medians[screw] = median
        log_sds[screw] = min(math.hypot(math.log(high / low) / _RANGE_SDS, YEAR_LOG_SD), prior.gain_log_sd)
        plays.append(float(belief.screw_chances(screw) @ belief.model.screws[screw].backlash) / _USUAL_SHARE)
    plays += [prior.backlash_turns] if len(seen) < len(SCREWS) else []
    return replace(prior, gain_per_turn=medians, gain_log_sd_of=log_sds, backlash_turns=max(1 / 200, *plays))


def _was_seen(situation: Situation, screw: Screw) -> bool:
    """Whether a turn of this screw was read, and it surely does something, one way."""
    backward = situation.belief.reversed_chance(screw)
    dead = situation.belief.dead_chance(screw)
    return situation.turns_read(screw) > 0 and max(dead, min(backward, 1 - backward)) < MOST_DOUBT


def _way(situation: Situation, screw: Screw) -> Direction:
    """What clockwise does at a screw that was seen."""
    as_taken: Direction = "richer" if situation.belief.model.toward_richer[screw] > 0 else "leaner"
    return other_direction(as_taken) if situation.belief.reversed_chance(screw) > 0.5 else as_taken
