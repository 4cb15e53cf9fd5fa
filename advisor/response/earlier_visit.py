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
# either way); and the most chance that a screw does nothing, or works the other way, if it counts as seen to work.
YEAR_LOG_SD, MOST_DOUBT = 0.22, 0.05
_RANGE_SDS = 3.29  # of a normal law between its points at MOST_DOUBT and 1 - MOST_DOUBT
_USUAL_SHARE = sum(wide * chance for wide, _, chance in BACKLASH_NODES)  # expected play, as a share of the widest


def next_setup(earlier: Situation, visit: str, told: str) -> JobSetup:
    """The setup of a new visit of this kind, from an earlier one as it stood at its end; `told` names its log."""
    setup = replace(earlier.setup, visit=visit, analyser="", technician="", reason="", calibrated="", prior_source="")
    if visit in CHANGES_VALVE:
        return replace(setup, valve="", valve_family="", clockwise={}, clockwise_stated={}, prior=Prior())
    seen = [screw for screw in SCREWS if _was_seen(earlier, screw)]
    if not seen:
        return replace(setup, prior=earlier.setup.prior, prior_source=earlier.setup.prior_source)
    clockwise = dict(setup.clockwise) | {screw: _way(earlier, screw) for screw in seen}
    known = dict(setup.clockwise_stated) | dict.fromkeys(seen, True)
    return replace(setup, clockwise=clockwise, clockwise_stated=known, prior=prior_of(earlier, seen), prior_source=told)


def prior_of(earlier: Situation, seen: list[Screw]) -> Prior:
    """What the screws that were turned and read showed, widened for what a year may change."""
    prior, belief = earlier.setup.prior, earlier.belief
    medians, log_sds, plays = dict(prior.gain_per_turn), dict(prior.gain_log_sd_of), []
    for screw in seen:
        low, median, high = _gain_range(earlier, screw)
        medians[screw] = median
        log_sds[screw] = min(math.hypot(math.log(high / low) / _RANGE_SDS, YEAR_LOG_SD), prior.gain_log_sd)
        plays.append(float(belief.screw_chances(screw) @ belief.model.screws[screw].backlash) / _USUAL_SHARE)
    plays += [prior.backlash_turns] if len(seen) < len(SCREWS) else []
    return replace(prior, gain_per_turn=medians, gain_log_sd_of=log_sds, backlash_turns=max(1 / 200, *plays))


def _was_seen(situation: Situation, screw: Screw) -> bool:
    """Whether a turn of this screw was read, and it surely does something, one way."""
    return situation.turns_read(screw) > 0 and _gain_range(situation, screw)[0] > 0


def _gain_range(situation: Situation, screw: Screw) -> list[float]:
    """The gain that is likely, least, middle and most, % CO2 per turn in the direction that it is taken to work."""
    sign, gain = (-1.0 if _is_reversed(situation, screw) else 1.0), situation.belief.gain(screw)
    return sorted(sign * gain.ppf(share) for share in (MOST_DOUBT, 0.5, 1 - MOST_DOUBT))


def _is_reversed(situation: Situation, screw: Screw) -> bool:
    return situation.belief.reversed_chance(screw) > 0.5


def _way(situation: Situation, screw: Screw) -> Direction:
    """What clockwise does at a screw that was seen."""
    as_taken: Direction = "richer" if situation.belief.model.toward_richer[screw] > 0 else "leaner"
    return other_direction(as_taken) if _is_reversed(situation, screw) else as_taken
