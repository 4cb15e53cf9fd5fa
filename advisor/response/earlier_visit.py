"""The same boiler again: the setup of a new visit from what an earlier one stated, and what its screws did then.

The response is that of the valve: a visit that changes the valve takes over the facts alone.
"""

import math
from dataclasses import replace

from advisor.job_setup.prior import Prior
from advisor.job_setup.setup import CHANGES_VALVE, JobSetup
from advisor.response.hypotheses import BACKLASH_NODES
from advisor.response.situation import Situation
from advisor.screws import SCREWS, Direction, Screw, other_direction

# Own choice, no source: what dirt, wear and another hand do to a gain in a year, sd of its natural logarithm (a quarter
# either way); and the least chance of a fault that no earlier visit rules out.
YEAR_LOG_SD, LEAST_CHANCE = 0.22, 0.01
SURE = 0.95  # chance from which a way that was found out counts as known; own choice
_USUAL_SHARE = sum(wide * chance for wide, _, chance in BACKLASH_NODES)  # expected play, as a share of the widest


def next_setup(earlier: Situation, visit: str, told: str) -> JobSetup:
    """The setup of a new visit of this kind, from an earlier one as it stood at its end; `told` names its log."""
    setup = replace(earlier.setup, visit=visit, analyser="", technician="", reason="", calibrated="", prior_source="")
    if visit in CHANGES_VALVE:
        return replace(setup, valve="", valve_family="", prior=Prior())
    seen = [screw for screw in SCREWS if _was_seen(earlier, screw)]
    if not seen:
        return replace(setup, prior=earlier.setup.prior, prior_source=earlier.setup.prior_source)
    clockwise = dict(setup.clockwise) | {screw: _way(earlier, screw) for screw in seen}
    return replace(setup, clockwise=clockwise, prior=prior_of(earlier, seen), prior_source=f"{told}: {', '.join(seen)}")


def prior_of(earlier: Situation, seen: list[Screw]) -> Prior:
    """What the screws that were turned and read showed, widened for what a year may change."""
    prior, belief = earlier.setup.prior, earlier.belief
    medians, log_sds, reversed_, dead, plays = dict(prior.gain_per_turn), dict(prior.gain_log_sd_of), [], [], []
    for screw in SCREWS:
        chance, hypotheses = belief.screw_chances(screw), belief.model.screws[screw]
        play = float(chance @ hypotheses.backlash) / _USUAL_SHARE
        plays.append(play if screw in seen else prior.backlash_turns)
        if screw not in seen:
            reversed_.append(prior.chance_reversed)
            dead.append(prior.chance_dead)
            continue
        backward = float(chance[hypotheses.gain < 0].sum())
        sign, gain = (-1.0 if backward > 0.5 else 1.0), belief.gain(screw)
        low, median, high = sorted(sign * gain.ppf(share) for share in (0.05, 0.5, 0.95))
        log_sd = math.log(high / low) / 3.29 if low > 0 else prior.log_sd(screw)
        medians[screw] = max(median, 0.1 * prior.gain_per_turn[screw])
        log_sds[screw] = min(math.hypot(log_sd, YEAR_LOG_SD), prior.gain_log_sd)
        reversed_.append(min(backward, 1 - backward))
        dead.append(float(chance[hypotheses.dead].sum()))
    return replace(
        prior,
        gain_per_turn=medians,
        gain_log_sd_of=log_sds,
        backlash_turns=max(1 / 200, *plays),
        chance_reversed=max(LEAST_CHANCE, *reversed_),
        chance_dead=max(LEAST_CHANCE, *dead),
    )


def _was_seen(situation: Situation, screw: Screw) -> bool:
    """Whether a turn of this screw was read, and it does something."""
    belief = situation.belief
    dead = float(belief.screw_chances(screw)[belief.model.screws[screw].dead].sum())
    return situation.turns_read(screw) > 0 and dead < 0.5


def _way(situation: Situation, screw: Screw) -> Direction:
    """What clockwise does, as far as it was stated or shown."""
    stated, belief = situation.setup.clockwise[screw], situation.belief
    backward = float(belief.screw_chances(screw)[belief.model.screws[screw].gain < 0].sum())
    as_taken: Direction = "richer" if belief.model.toward_richer[screw] > 0 else "leaner"
    if backward >= SURE:
        return other_direction(as_taken)
    return as_taken if stated == "unknown" and backward <= 1 - SURE else stated
