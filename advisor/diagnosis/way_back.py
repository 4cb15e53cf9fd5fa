"""What to look at first for each finding, in order, and the way back to the screws as found.

Common practice, no source; the appliance maker's instructions come first.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from advisor import units
from advisor.diagnosis.carbon_monoxide import co_standing, co_wall
from advisor.log.events import FIRINGS, SCREWS
from advisor.response.model import FIRING_FOR
from advisor.response.situation import Visit
from advisor.response.valve import follow

GIVE_UP = "If that does not clear it: turned screws as Restore says, appliance out of service, call the maker."
FINEST_TURNS = 1 / 48  # a way back is said to this step, which the eye still sees; own choice


@dataclass(frozen=True)
class Trouble:
    """What to look at first, in order; `give_up`: whether it may end with the appliance out of service."""

    steps: tuple[str, ...]
    give_up: bool = False

    @property
    def all_steps(self) -> tuple[str, ...]:
        """The steps with the last one where it is right."""
        return (*self.steps, GIVE_UP) if self.give_up else self.steps


_CO = (
    "Burner off if CO still climbs; air the room.",
    "Screws: if CO came with a turn, back that way, only leaner.",
    "Air intake, filter, fan and flue: blocked, or drawing in flue gas?",
    "Burner and gasket: dirty, cracked, badly seated?",
    "Gas pressure and injector: right for this gas?",
)
_CREEP = (
    "Sample line, probe and water trap: tight and dry? Log the check.",
    "Gas pressure at the inlet, with the other appliances on.",
    "Air intake, filter, vent and flue: free; no flue gas drawn in?",
    "Then read again at the same rate.",
)
_FELL = Trouble((*_CREEP[:3], "Was the turn logged the way it was made?"))
_ANALYSER = (
    "Is the burner on, the probe in the flue and not at its wall?",
    "Analyser set to the fuel that is burned?",
    "Zero it in clean air: O2 20.9 %, CO 0; look at the calibration's date.",
    "Is the fuel in the log the fuel on site?",
)

TROUBLES: Mapping[str, Trouble] = MappingProxyType(
    {
        "rich": Trouble(
            (
                "Burner off, gas off; air the room before anything else.",
                "Throttle screw back to the maker's starting position.",
                "Right valve, injector and gas for this boiler?",
                "Air intake, fan and flue: free?",
            ),
            give_up=True,
        ),
        "high-co": Trouble(_CO, give_up=True),
        "co-climbing": Trouble(_CO, give_up=True),
        "co-rising": Trouble(_CO[1:4]),
        "co-by-itself": Trouble(_CO[2:4]),
        "wrong-way": Trouble(
            (
                _CREEP[0],
                "Were the turns logged the way they were made? If not, void them and log them right.",
                "Is it the right screw? Compare the picture in the maker's instructions.",
                "If this valve's screw works the other way, log that check; the advice turns round.",
            )
        ),
        "no-effect": Trouble(
            (
                "Is it the right screw, and not its cap or lock?",
                "Does the tool grip, does the screw really turn?",
                "Was the reading taken after the wait?",
            ),
            give_up=True,
        ),
        "slack": Trouble(("Come to the last position always from the same side.",)),
        "not-settled": Trouble(("Wait as told and read again before any turn.",)),
        "sample-line-leak": Trouble(
            (
                "Hose, probe joint, water trap seal, filter housing: find the leak and mend it.",
                "Close the probe's tip again: the pump must stall or alarm. Log the check.",
                "Read both rates anew: what was read meanwhile looks leaner than it was.",
            )
        ),
        "sample-line": Trouble(("Close the probe's tip: the pump must stall or alarm. Log the check.",)),
        "air-in-sample": Trouble(_CREEP, give_up=True),
        "changed-by-itself": Trouble(_CREEP, give_up=True),
        "drift": Trouble(_CREEP, give_up=True),
        "fell": _FELL,
        "fell-short": _FELL,
        "fell-again": Trouble((*_CREEP[1:3], "Was the turn logged the way it was made?")),
        "off-line": Trouble(_ANALYSER, give_up=True),
        "other-fuel": Trouble(_ANALYSER[1:]),
        "impossible": Trouble(_ANALYSER),
        "pressure": Trouble(
            (
                "Read it again: manometer zeroed, hose tight, right test point?",
                "Standing pressure, then working pressure with the other appliances on.",
                "Supply valve fully open, filter clean, pipe wide enough, regulator sound?",
                "The gas supplier, for a pressure that is wrong at the meter.",
            ),
            give_up=True,
        ),
        "pressure-unknown": Trouble(("Manometer on the inlet test point; standing, then working pressure.",)),
        "not-proved": Trouble(("Manometer on the inlet test point; standing, then working pressure.",)),
        "input-rate": Trouble(
            (
                "Time the meter again, for two minutes or more, with nothing else on it.",
                "Heating value of today's gas, and pressure and temperature at the meter.",
                "Working pressure, injector and valve: the right ones for this gas?",
            ),
            give_up=True,
        ),
        "travel-limit": Trouble(
            (
                "Gas pressure: standing and working, with the other appliances on.",
                "Fuel, injector and valve: the right ones for this boiler?",
                "Air intake, filter, vent and flue: free; no flue gas drawn in?",
            ),
            give_up=True,
        ),
        "no-safe-turn": Trouble(
            (
                "Read again two or three times; a finer display or a finer turn may do.",
                "Ask the maker for the band and the smallest turn.",
            ),
            give_up=True,
        ),
        "low-rich": Trouble(
            (
                "Gas pressure, fuel, injector and valve: the right ones for this boiler?",
                "Fan speeds at high and low fire as the maker states?",
                "Ask the maker for both screws' starting positions.",
            ),
            give_up=True,
        ),
        "large-turn": Trouble(("Watch CO; if it climbs, turn back at once and log that turn too.",)),
        "wrong-rate": Trouble(("Throttle at high fire, offset at low fire: change the rate, wait, read.",)),
    }
)


@dataclass(frozen=True)
class WayBack:
    """How to put one screw back as found.

    net_turns_cw   net turn made so far, clockwise positive
    turns_cw       turn to make now, clockwise positive, with the slack taken up on the way
    slack_turns    how much more than the net turn that is (0 or more)
    richer_in_co   whether that would go richer though CO stands: then it is not to be made
    as_found_pct   CO2 first read at this screw's rate before it was turned, dry volume percent; None if not read
    """

    screw: str
    net_turns_cw: float
    turns_cw: float
    slack_turns: float
    as_found_pct: float | None
    richer_in_co: bool = False  # the way back is richer while CO is or was too high

    def say(self) -> str:
        """The way back in a sentence."""
        if abs(self.turns_cw) < FINEST_TURNS / 2:
            return f"{self.screw.capitalize()} screw: it is where it was found."
        if self.richer_in_co:
            return (
                f"{self.screw.capitalize()} screw: not back to where it was found, that is richer, and CO stood there. "
                "Burner off; out of service."
            )
        slack = f", {units.say_fraction(self.slack_turns)} of it for the slack" if self.slack_turns else ""
        read = ""
        if self.as_found_pct is not None:
            read = f" Then CO2 at {FIRING_FOR[self.screw]} fire must read {self.as_found_pct:g} % as found."
        return f"{self.screw.capitalize()} screw {units.say_turn(self.turns_cw)}{slack}.{read}"


def way_back(visit: Visit) -> tuple[WayBack, ...]:
    """How to put the turned screws back as found, the slack counted in.

    Of all turns in steps of FINEST_TURNS the one after which the place of the screw's effect (see `valve.follow`)
    is expected nearest to as found, by the squared distance over all hypotheses; none where none is nearer by a step.
    Own derivation.
    """
    backs = []
    for screw in SCREWS:
        turns = visit.turns_of(screw)
        if not turns:
            continue
        belief = visit.belief
        hypotheses, chance = belief.model.screws[screw], belief.chances(screw)
        hand, now, found = belief.hand[screw], belief.effective[screw], hypotheses.start
        most = round((abs(hand) + hypotheses.slack.max()) / FINEST_TURNS) + 1
        tried = np.arange(-most, most + 1) * FINEST_TURNS
        places = follow(now, hand + tried[:, None], hypotheses.slack)
        miss = (places - found) ** 2 @ chance
        stay = miss[most] <= miss.min() + FINEST_TURNS**2
        wanted = 0.0 if stay else float(tried[miss.argmin()]) * belief.model.toward_richer[screw]
        net = sum(event.turns_cw or 0.0 for event in turns)
        more = abs(wanted) - abs(net) if wanted * net < 0 else abs(wanted)
        slack = more if more > FINEST_TURNS / 2 else 0.0
        richer = wanted * belief.model.toward_richer[screw] > 0
        in_co = richer and any(co_standing(visit, firing) or co_wall(visit, firing) for firing in FIRINGS)
        as_found = _as_found_pct(visit, screw, turns[0].time.timestamp())
        backs.append(WayBack(screw, net, wanted, slack, as_found, in_co))
    return tuple(backs)


def _as_found_pct(visit: Visit, screw: str, first_turn_s: float) -> float | None:
    read = [
        row.event.co2_pct
        for row in visit.settled_readings(FIRING_FOR[screw])
        if row.event.time.timestamp() < first_turn_s
    ]
    return read[-1] if read else None
